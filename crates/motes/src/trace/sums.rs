//! Sums over boxes of cells in constant time, and the answer of a place: how much darker it is than around it.

use motelight_frame::{Plane, Size};

use crate::trace::view::STEPS;

/// Sums of all cells above and left of each corner (Crow, "Summed-area tables for texture mapping", 1984). They run over,
/// but the sum over a box of less than 65 536 cells comes out right all the same.
#[derive(Debug)]
pub struct Sums {
    cells: Size,
    values: Vec<i32>,
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
        let mut values = vec![0i32; stride * (cells.height + 1)];
        for y in 0..cells.height {
            let (above, below) = values[y * stride..].split_at_mut(stride);
            let mut row = 0i32;
            for ((to, up), &v) in below[1..].iter_mut().zip(&above[1..]).zip(ln.row(y)) {
                row = row.wrapping_add(i32::from(v));
                *to = up.wrapping_add(row);
            }
        }
        Sums { cells, values }
    }

    /// Cells it was made over.
    pub fn cells(&self) -> Size {
        self.cells
    }

    /// Corner row `y` of the table.
    pub fn row(&self, y: usize) -> &[i32] {
        let stride = self.cells.width + 1;
        &self.values[y * stride..(y + 1) * stride]
    }

    /// The exact sum over an area that cuts cells: between corners the table is bilinear. Everything is taken against the
    /// area's first whole corner, where no sum has run over.
    fn area(&self, (x0, x1): (f64, f64), (y0, y1): (f64, f64)) -> f64 {
        let cut = |v: f64, end: usize| {
            let i = (v as usize).min(end);
            (i, (i + 1).min(end), v - i as f64)
        };
        let (left, left_next, left_part) = cut(x0, self.cells.width);
        let (right, right_next, right_part) = cut(x1, self.cells.width);
        let (top, top_next, top_part) = cut(y0, self.cells.height);
        let (bottom, bottom_next, bottom_part) = cut(y1, self.cells.height);
        let columns = [(left_next, -left_part), (right, 1.0 - right_part), (right_next, right_part)];
        let rows = [(top_next, -top_part), (bottom, 1.0 - bottom_part), (bottom_next, bottom_part)];
        let stride = self.cells.width + 1;
        let corner = self.values[top * stride + left];
        let mut sum = 0.0;
        for (row, row_weight) in rows {
            let line = &self.values[row * stride..(row + 1) * stride];
            let start = line[left].wrapping_sub(corner);
            let mut across = 0.0;
            for (column, weight) in columns {
                let above = self.values[top * stride + column];
                across += weight * f64::from(line[column].wrapping_sub(above).wrapping_sub(start));
            }
            sum += row_weight * across;
        }
        sum
    }

    /// Mean logarithm over a square about a place, in cells. Where the picture's edge cuts it, over the part inside; `None`
    /// where less than half of a side is.
    pub fn square(&self, x: f64, y: f64, side: f64) -> Option<f64> {
        let half = side / 2.0;
        let (right, bottom) = (self.cells.width as f64, self.cells.height as f64);
        let (x0, x1) = ((x - half).max(0.0), (x + half).min(right));
        let (y0, y1) = ((y - half).max(0.0), (y + half).min(bottom));
        if x1 - x0 < half || y1 - y0 < half {
            return None;
        }
        let sum = self.area((x0, x1), (y0, y1));
        Some(sum / ((x1 - x0) * (y1 - y0) * f64::from(STEPS)))
    }

    /// How much darker a place is than around it, as a logarithm, for a shadow `width` cells wide. At the picture's edge only
    /// the directions count in which both neighbours lie inside; `None` if there are none.
    pub fn darker(&self, x: f64, y: f64, width: f64) -> Option<f64> {
        let side = BOX * width;
        let middle = self.square(x, y, side)?;
        let (far, slant) = (AROUND * width, AROUND * width * SLANT);
        let (mut sum, mut count) = (0.0, 0.0);
        for (dx, dy) in [(far, 0.0), (0.0, far), (slant, slant), (slant, -slant)] {
            let pair = self.square(x + dx, y + dy, side).zip(self.square(x - dx, y - dy, side));
            if let Some((a, b)) = pair {
                sum += 0.5 * (a + b) - middle;
                count += 1.0;
            }
        }
        (count > 0.0).then(|| sum / count)
    }

    /// Variance of boxes around a place about a plane through them, and how many values it rests on. Two rings of eight
    /// boxes, the outer one 2.2 widths away.
    pub fn unevenness(&self, x: f64, y: f64, width: f64) -> (f64, f64) {
        let side = BOX * width;
        let mut points = [(0.0, 0.0, 0.0); 16];
        let mut count = 0;
        for far in [AROUND, 2.2] {
            for (dx, dy) in EIGHT {
                let (dx, dy) = (far * dx, far * dy);
                if let Some(v) = self.square(x + dx * width, y + dy * width, side) {
                    points[count] = (dx, dy, v);
                    count += 1;
                }
            }
        }
        plane_variance(&points[..count])
    }
}

/// Directions of the boxes around a place.
const EIGHT: [(f64, f64); 8] = [
    (1.0, 0.0),
    (SLANT, SLANT),
    (0.0, 1.0),
    (-SLANT, SLANT),
    (-1.0, 0.0),
    (-SLANT, -SLANT),
    (0.0, -1.0),
    (SLANT, -SLANT),
];

/// Variance about the plane of least squares, and its degrees of freedom; none where the points tell no plane.
fn plane_variance(points: &[(f64, f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    if points.len() < 5 {
        return (0.0, 0.0);
    }
    let mean = |f: &dyn Fn(&(f64, f64, f64)) -> f64| points.iter().map(f).sum::<f64>() / n;
    let (mx, my, mv) = (mean(&|p| p.0), mean(&|p| p.1), mean(&|p| p.2));
    let (xx, yy, xy) =
        (mean(&|p| (p.0 - mx).powi(2)), mean(&|p| (p.1 - my).powi(2)), mean(&|p| (p.0 - mx) * (p.1 - my)));
    let (xv, yv, vv) =
        (mean(&|p| (p.0 - mx) * (p.2 - mv)), mean(&|p| (p.1 - my) * (p.2 - mv)), mean(&|p| (p.2 - mv).powi(2)));
    let determinant = xx * yy - xy * xy;
    if determinant < 1e-9 {
        return (0.0, 0.0);
    }
    let (a, b) = ((xv * yy - yv * xy) / determinant, (yv * xx - xv * xy) / determinant);
    ((vv - a * xv - b * yv).max(0.0) * n / (n - 3.0), n - 3.0)
}

/// Distance of the slanted boxes along each axis, against the straight ones.
pub const SLANT: f64 = 0.75;

#[cfg(test)]
mod tests {
    use super::*;

    fn plane() -> Plane<i16> {
        let size = Size { width: 40, height: 30 };
        let value = |i: usize| ((i * 7919) % 30_011) as i16 - 30_000;
        Plane::from_vec(size, (0..size.area()).map(value).collect())
    }

    #[test]
    fn a_box_that_cuts_cells_counts_their_shares() {
        let plane = plane();
        let sums = Sums::of(&plane);
        let (x, y, side) = (20.3, 14.8, 9.5);
        let share = |low: f64, high: f64, i: usize| (high.min(i as f64 + 1.0) - low.max(i as f64)).max(0.0);
        let (mut sum, half) = (0.0, side / 2.0);
        for j in 0..30 {
            for i in 0..40 {
                let weight = share(x - half, x + half, i) * share(y - half, y + half, j);
                sum += weight * f64::from(plane.at(i, j));
            }
        }
        let mean = sum / (side * side) / f64::from(STEPS);
        let got = sums.square(x, y, side).expect("inside");
        assert!((got - mean).abs() < 1e-9, "{got} against {mean}");
    }

    #[test]
    fn a_slope_of_light_is_not_darker_anywhere() {
        let size = Size { width: 60, height: 60 };
        let slope = Plane::from_vec(size, (0..3600).map(|i| (i % 60 * 40 + i / 60 * 25) as i16 - 8000).collect());
        let sums = Sums::of(&slope);
        let darker = sums.darker(30.2, 29.6, 6.0).expect("inside");
        // Cells that a box cuts count as flat, so a little of the slope from one cell to the next is left.
        let left = 0.05 * 40.0 / f64::from(STEPS);
        assert!(darker.abs() < left, "{darker}");
        let uneven = sums.unevenness(30.2, 29.6, 6.0).0;
        assert!(uneven < left * left, "{uneven}");
    }
}
