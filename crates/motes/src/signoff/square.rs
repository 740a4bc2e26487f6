//! The cells about a place, and regions of them.

use motelight_frame::Size;

use super::patch::{Ground, Window};

/// The cells about a place as a square, by number, row by row.
pub(super) struct Square<'w> {
    window: &'w Window<'w>,
    /// Their light.
    pub ground: Ground,
    side: usize,
    /// First column and row on the level: a rim without light lies all about, past the picture's edge too.
    corner: (isize, isize),
}

impl<'w> Square<'w> {
    /// The cells within reach, and their light.
    pub fn of(window: &'w Window<'w>, ground: Ground) -> Square<'w> {
        let start = |v: f64| (v - window.reach).floor() as isize - 1;
        let side = 2 * window.reach.ceil() as usize + 4;
        Square { window, ground, side, corner: (start(window.x), start(window.y)) }
    }

    /// Column and row of a cell on the level.
    pub fn at(&self, i: usize) -> (isize, isize) {
        (self.corner.0 + (i % self.side) as isize, self.corner.1 + (i / self.side) as isize)
    }

    /// Offset of a cell from the window's middle.
    pub fn off(&self, i: usize) -> (f64, f64) {
        let (x, y) = self.at(i);
        (x as f64 + 0.5 - self.window.x, y as f64 + 0.5 - self.window.y)
    }

    /// Share of the light that a cell loses; beyond the window's circle and the picture not a number.
    pub fn loss(&self, i: usize) -> f64 {
        let ((x, y), (dx, dy)) = (self.at(i), self.off(i));
        let Size { width, height } = self.window.light.size();
        let inside = dx * dx + dy * dy <= self.window.reach * self.window.reach;
        match (usize::try_from(x), usize::try_from(y)) {
            (Ok(x), Ok(y)) if x < width && y < height && inside => {
                self.ground.lost(dx, dy, f64::from(self.window.light.at(x, y)))
            }
            _ => f64::NAN,
        }
    }

    /// The cells so near the middle.
    pub fn middle(&self, near: f64) -> Vec<usize> {
        let n = near.ceil() as usize;
        let middle = |v: f64, corner: isize| (v - corner as f64) as usize;
        let (x, y) = (middle(self.window.x, self.corner.0), middle(self.window.y, self.corner.1));
        let cells = (y - n..=y + n).flat_map(|y| (x - n..=x + n).map(move |x| y * self.side + x));
        cells.filter(|&i| self.off(i).0.hypot(self.off(i).1) < near && !self.loss(i).is_nan()).collect()
    }

    /// The eight cells around one that lies off the square's edge.
    pub fn around(&self, i: usize) -> [usize; 8] {
        let s = self.side;
        [i - s - 1, i - s, i - s + 1, i - 1, i + 1, i + s - 1, i + s, i + s + 1]
    }

    /// Cells that lose more than a level and hang together with one; `None` if they reach the window's rim or are more than
    /// `most`.
    pub fn region(&self, start: usize, level: f64, most: usize) -> Option<Vec<usize>> {
        let mut seen = self.mask(&[start]);
        let mut region = vec![start];
        let mut next = 0;
        while next < region.len() {
            for j in self.around(region[next]) {
                let loss = if seen[j] { 0.0 } else { self.loss(j) };
                if loss.is_nan() || region.len() > most {
                    return None;
                }
                if loss > level {
                    seen[j] = true;
                    region.push(j);
                }
            }
            next += 1;
        }
        Some(region)
    }

    /// Mean offset of cells from the window's middle.
    pub fn centre(&self, cells: &[usize]) -> (f64, f64) {
        let share = 1.0 / cells.len() as f64;
        cells.iter().map(|&i| self.off(i)).fold((0.0, 0.0), |sum, at| (sum.0 + share * at.0, sum.1 + share * at.1))
    }

    /// How far each cell of a region lies within it: to the rim of the nearest cell outside.
    pub fn depths(&self, region: &[usize], inside: &[bool], rim: &[usize]) -> Vec<f64> {
        let outside: Vec<usize> = rim.iter().flat_map(|&i| self.around(i)).filter(|&j| !inside[j]).collect();
        region.iter().map(|&i| outside.iter().map(|&j| self.apart(i, j)).fold(f64::MAX, f64::min) - 0.5).collect()
    }

    /// Cells outside a region and nearer than `reach`, with their distance from it.
    pub fn about(&self, inside: &[bool], rim: &[usize], reach: f64) -> Vec<(usize, f64)> {
        let span = |axis: fn(usize, usize) -> usize| {
            let ends = rim.iter().map(|&i| axis(i, self.side)).fold((usize::MAX, 0), |e, v| (e.0.min(v), e.1.max(v)));
            ends.0.saturating_sub(reach as usize)..(ends.1 + reach as usize + 1).min(self.side)
        };
        let columns = span(|i, side| i % side);
        let cells = span(|i, side| i / side).flat_map(|y| columns.clone().map(move |x| y * self.side + x));
        let far = |i: usize| rim.iter().map(|&j| self.apart(i, j)).fold(f64::MAX, f64::min);
        let outside = cells.filter(|&i| !inside[i] && !self.loss(i).is_nan());
        outside.map(|i| (i, far(i))).filter(|(_, d)| *d < reach).collect()
    }

    /// Mean losses over squares of cells, of those that are filled by half at least.
    pub fn means(&self, cells: &[usize], side: usize) -> Vec<f32> {
        let across = self.side.div_ceil(side);
        let mut sums = vec![(0.0f64, 0usize); across * across];
        for &i in cells {
            let sum = &mut sums[i / self.side / side * across + i % self.side / side];
            *sum = (sum.0 + self.loss(i), sum.1 + 1);
        }
        sums.iter().filter(|s| 2 * s.1 >= side * side).map(|s| (s.0 / s.1 as f64) as f32).collect()
    }

    /// Which of all cells are among these.
    pub fn mask(&self, region: &[usize]) -> Vec<bool> {
        let mut inside = vec![false; self.side * self.side];
        region.iter().for_each(|&i| inside[i] = true);
        inside
    }

    fn apart(&self, i: usize, j: usize) -> f64 {
        let (dx, dy) = ((i % self.side).abs_diff(j % self.side), (i / self.side).abs_diff(j / self.side));
        ((dx * dx + dy * dy) as f64).sqrt()
    }
}
