//! Sums over boxes of cells in constant time, and the answer of a place: how much darker it is than around it.

use motelight_frame::{Plane, Size};

use crate::trace::view::STEPS;

/// Sums of all cells above and left of each corner (Crow, "Summed-area tables for texture mapping", 1984).
#[derive(Debug)]
pub struct Sums {
    cells: Size,
    values: Vec<i64>,
}

/// Distance of the eight boxes around from the one in the middle, in widths of the shadow.
pub const AROUND: f64 = 1.4;
/// Side of a square box of the area of a disc: sqrt(pi) / 2.
pub const BOX: f64 = 0.886_226_925;

impl Sums {
    /// Over a plane of logarithms.
    pub fn of(ln: &Plane<i16>) -> Sums {
        let cells = ln.size();
        let stride = cells.width + 1;
        let mut values = vec![0i64; stride * (cells.height + 1)];
        for y in 0..cells.height {
            let (above, below) = values[y * stride..].split_at_mut(stride);
            let mut row = 0i64;
            for (x, &v) in ln.row(y).iter().enumerate() {
                row += i64::from(v);
                below[x + 1] = above[x + 1] + row;
            }
        }
        Sums { cells, values }
    }

    /// Cells it was made over.
    pub fn cells(&self) -> Size {
        self.cells
    }

    /// Corner row `y` of the table.
    pub fn row(&self, y: usize) -> &[i64] {
        let stride = self.cells.width + 1;
        &self.values[y * stride..(y + 1) * stride]
    }

    /// The table between corners: the exact sum over an area that cuts cells.
    fn at(&self, x: f64, y: f64) -> f64 {
        let (i, j) = ((x as usize).min(self.cells.width - 1), (y as usize).min(self.cells.height - 1));
        let (u, v) = (x - i as f64, y - j as f64);
        let stride = self.cells.width + 1;
        let at = j * stride + i;
        let (a, b) = (self.values[at] as f64, self.values[at + 1] as f64);
        let (c, d) = (self.values[at + stride] as f64, self.values[at + stride + 1] as f64);
        (a + (b - a) * u) * (1.0 - v) + (c + (d - c) * u) * v
    }

    /// Mean logarithm over a square about a place, in cells; `None` where it leaves the picture.
    pub fn square(&self, x: f64, y: f64, side: f64) -> Option<f64> {
        let half = side / 2.0;
        let (x0, x1, y0, y1) = (x - half, x + half, y - half, y + half);
        if x0 < 0.0 || y0 < 0.0 || x1 > self.cells.width as f64 || y1 > self.cells.height as f64 {
            return None;
        }
        let sum = self.at(x1, y1) - self.at(x0, y1) - self.at(x1, y0) + self.at(x0, y0);
        Some(sum / (side * side * f64::from(STEPS)))
    }

    /// How much darker a place is than around it, as a logarithm, and how far the four directions disagree; for a
    /// shadow `width` cells wide. At the picture's edge only the directions that lie inside count; `None` if there are none.
    pub fn answer(&self, x: f64, y: f64, width: f64) -> Option<(f64, f64)> {
        let side = BOX * width;
        let middle = self.square(x, y, side)?;
        let (far, slant) = (AROUND * width, AROUND * width * SLANT);
        let mut pairs = [0.0; 4];
        let mut count = 0;
        for (dx, dy) in [(far, 0.0), (0.0, far), (slant, slant), (slant, -slant)] {
            let pair = self.square(x + dx, y + dy, side).zip(self.square(x - dx, y - dy, side));
            if let Some((a, b)) = pair {
                pairs[count] = 0.5 * (a + b) - middle;
                count += 1;
            }
        }
        if count == 0 {
            return None;
        }
        let mean = pairs[..count].iter().sum::<f64>() / count as f64;
        let variance = pairs[..count].iter().map(|p| (p - mean).powi(2)).sum::<f64>() / count as f64;
        Some((mean, variance))
    }
}

/// Distance of the slanted boxes along each axis, against the straight ones.
pub const SLANT: f64 = 0.75;
