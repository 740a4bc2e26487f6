//! A coarse grid of values, one per block of cells, and what lies between its points.

use std::ops::Range;

use motelight_frame::Size;
use rayon::prelude::*;

/// Cells along one side of a block, nearly. Blocks are what backdrop and noise are measured in: several shadows
/// wide, so that a shadow does not pass for backdrop, and small against vignetting.
pub const BLOCK: usize = 32;

/// Median and 1.4826 times the median absolute deviation of a sample, which is put out of order.
/// (1 / quantile .75 of the normal distribution = 1.482602.) An empty sample gives zeros.
pub fn median_and_sigma(sample: &mut [f32]) -> (f32, f32) {
    if sample.is_empty() {
        return (0.0, 0.0);
    }
    let middle = sample.len() / 2;
    let median = *sample.select_nth_unstable_by(middle, f32::total_cmp).1;
    for v in sample.iter_mut() {
        *v = (*v - median).abs();
    }
    (median, 1.482_602 * *sample.select_nth_unstable_by(middle, f32::total_cmp).1)
}

/// Values on block centres, the blocks dividing a plane of cells evenly into about [`BLOCK`] cells a side.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    cells: Size,
    size: Size,
    values: Vec<f32>,
}

/// One row of cells through a grid: values on block centres along it.
pub struct Line {
    cells: usize,
    values: Vec<f32>,
}

impl Grid {
    /// A grid over a plane of `cells`, one value per block, from the block's columns and rows. Parallel.
    pub fn measure(cells: Size, block: impl Fn(Range<usize>, Range<usize>) -> f32 + Sync) -> Self {
        Self::measure_both(cells, |xs, ys| (block(xs, ys), 0.0)).0
    }

    /// Two grids in one go.
    pub fn measure_both(cells: Size, block: impl Fn(Range<usize>, Range<usize>) -> (f32, f32) + Sync) -> (Self, Self) {
        let size = Size { width: blocks(cells.width), height: blocks(cells.height) };
        let one = |i: usize| {
            block(span_of(i % size.width, size.width, cells.width), span_of(i / size.width, size.height, cells.height))
        };
        let (a, b) = (0..size.area()).into_par_iter().map(one).unzip();
        (Grid { cells, size, values: a }, Grid { cells, size, values: b })
    }

    /// Blocks per row and column.
    pub fn size(&self) -> Size {
        self.size
    }

    /// All values, row by row.
    pub fn values(&self) -> &[f32] {
        &self.values
    }

    /// The value of the block under a cell; cells outside take the nearest block's.
    pub fn under(&self, x: usize, y: usize) -> f32 {
        let bx = (x * self.size.width / self.cells.width).min(self.size.width - 1);
        let by = (y * self.size.height / self.cells.height).min(self.size.height - 1);
        self.values[by * self.size.width + bx]
    }

    /// Each value through a function.
    pub fn map(&self, f: impl Fn(f32) -> f32) -> Grid {
        Grid { values: self.values.iter().map(|&v| f(v)).collect(), ..*self }
    }

    /// Median of all values.
    pub fn median(&self) -> f32 {
        median_and_sigma(&mut self.values.clone()).0
    }

    /// Least and greatest value.
    pub fn range(&self) -> (f32, f32) {
        self.values.iter().fold((f32::MAX, f32::MIN), |(lo, hi), &v| (lo.min(v), hi.max(v)))
    }

    /// Each value replaced by the median of itself and its eight neighbours, which are set against the slope
    /// through them so that a gradient stays what it is; then a light 1-2-1 average. Motes that fill
    /// half a block, and the noise of single blocks, go.
    pub fn smoothed(&self) -> Grid {
        self.smoothed_with(|own, _| own)
    }

    /// The same of what hardly slopes, such as noise: there a block on the edge, which a mote may fill, is held against
    /// those that lie further in.
    pub fn steadied(&self) -> Grid {
        self.smoothed_with(|_, inner| inner)
    }

    /// `lone`: what stands for a pair of opposite neighbours where only one lies inside, from the block's own value and that
    /// neighbour's.
    fn smoothed_with(&self, lone: impl Fn(f32, f32) -> f32) -> Grid {
        let Size { width, height } = self.size;
        let inside = |x: isize, y: isize| {
            let within = (0..width as isize).contains(&x) && (0..height as isize).contains(&y);
            within.then(|| self.values[y as usize * width + x as usize])
        };
        let median = |x: isize, y: isize| {
            let own = self.values[y as usize * width + x as usize];
            // Opposite neighbours average to the middle on any slope; past an edge there is no opposite.
            let mut nine = [own; 9];
            for (i, (dx, dy)) in [(1, 0), (0, 1), (1, 1), (1, -1)].into_iter().enumerate() {
                let pair = match (inside(x + dx, y + dy), inside(x - dx, y - dy)) {
                    (Some(p), Some(q)) => [p, q],
                    (Some(one), None) | (None, Some(one)) => [lone(own, one); 2],
                    (None, None) => [own; 2],
                };
                nine[2 * i + 1..][..2].copy_from_slice(&pair);
            }
            nine.sort_unstable_by(f32::total_cmp);
            nine[4]
        };
        let firm: Vec<f32> =
            (0..self.values.len()).map(|i| median((i % width) as isize, (i / width) as isize)).collect();
        let across = blur(&firm, width, height, 1, width);
        Grid { values: blur(&across, height, width, width, 1), ..*self }
    }

    /// Each value replaced by the least of itself and its eight neighbours.
    pub fn least_nearby(&self) -> Grid {
        let Size { width, height } = self.size;
        let least = |i: usize| {
            let (x, y) = (i % width, i / width);
            let rows = y.saturating_sub(1)..(y + 2).min(height);
            let columns = x.saturating_sub(1)..(x + 2).min(width);
            rows.flat_map(|j| self.values[j * width..][columns.clone()].iter()).copied().fold(f32::MAX, f32::min)
        };
        Grid { values: (0..self.values.len()).map(least).collect(), ..*self }
    }

    /// The value at a cell: straight between block centres, and past the outermost that of the nearest. Noise does not go on
    /// falling to nothing.
    pub fn held_at(&self, x: usize, y: usize) -> f32 {
        let held = |at, blocks, cells| {
            let (i, t): (usize, f32) = between(at, blocks, cells);
            (i, (i + 1).min(blocks - 1), t.clamp(0.0, 1.0))
        };
        let (i, right, t) = held(x, self.size.width, self.cells.width);
        let (j, below, u) = held(y, self.size.height, self.cells.height);
        let along = |j: usize| {
            let row = &self.values[j * self.size.width..];
            row[i] + (row[right] - row[i]) * t
        };
        along(j) + (along(below) - along(j)) * u
    }

    /// The row of cells `y` through the grid: straight between block centres and on past the outermost.
    pub fn line(&self, y: usize) -> Line {
        let (i, t) = between(y, self.size.height, self.cells.height);
        let row = |i: usize| &self.values[i * self.size.width..(i + 1) * self.size.width];
        let next = (i + 1).min(self.size.height - 1);
        let values = row(i).iter().zip(row(next)).map(|(a, b)| a + (b - a) * t).collect();
        Line { cells: self.cells.width, values }
    }
}

impl Line {
    /// Calls `each` with every run of cells on which the line is straight: the run, its first value, its step per cell.
    pub fn spans(&self, mut each: impl FnMut(Range<usize>, f32, f32)) {
        let blocks = self.values.len();
        let mut start = 0;
        while start < self.cells {
            let (i, t) = between(start, blocks, self.cells);
            let last = i + 2 >= blocks;
            let pitch = self.cells as f32 / blocks as f32;
            let end = if last { self.cells } else { ((i as f32 + 1.5) * pitch - 0.5).ceil() as usize };
            let end = end.clamp(start + 1, self.cells);
            let rise = self.values[(i + 1).min(blocks - 1)] - self.values[i];
            each(start..end, self.values[i] + rise * t, rise / pitch);
            start = end;
        }
    }

    /// The value at a cell.
    pub fn at(&self, x: usize) -> f32 {
        let (i, t) = between(x, self.values.len(), self.cells);
        self.values[i] + (self.values[(i + 1).min(self.values.len() - 1)] - self.values[i]) * t
    }
}

/// Blocks along a side of `cells`.
fn blocks(cells: usize) -> usize {
    ((cells + BLOCK / 2) / BLOCK).max(1)
}

/// The cells of block `i` of `blocks` along a side of `cells`.
fn span_of(i: usize, blocks: usize, cells: usize) -> Range<usize> {
    i * cells / blocks..(i + 1) * cells / blocks
}

/// The block whose centre lies before cell `at`, and how far past it in blocks; under 0 or over 1 at the ends.
fn between(at: usize, blocks: usize, cells: usize) -> (usize, f32) {
    if blocks < 2 {
        return (0, 0.0);
    }
    let place = (at as f32 + 0.5) * blocks as f32 / cells as f32 - 0.5;
    let i = place.clamp(0.0, (blocks - 2) as f32).floor();
    (i as usize, place - i)
}

/// 1-2-1 average along lines of `length` values `stride` apart; ends keep their value.
fn blur(values: &[f32], length: usize, lines: usize, stride: usize, line_stride: usize) -> Vec<f32> {
    let mut out = values.to_vec();
    for line in 0..lines {
        for i in 1..length.saturating_sub(1) {
            let at = line * line_stride + i * stride;
            out[at] = 0.25 * (values[at - stride] + 2.0 * values[at] + values[at + stride]);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_spread_of_a_sample_is_that_of_its_bulk() {
        let mut sample: Vec<f32> = (0..1001).map(|i| i as f32).collect();
        sample.extend([1e6; 50]);
        let (median, sigma) = median_and_sigma(&mut sample);
        assert!((median - 525.0).abs() < 2.0 && (sigma - 1.4826 * 262.0).abs() < 5.0, "{median} {sigma}");
    }

    /// A grid over 9 x 7 blocks from a function of the block.
    fn grid(f: impl Fn(usize, usize) -> f32 + Sync) -> Grid {
        Grid::measure(Size { width: 9 * BLOCK, height: 7 * BLOCK }, |xs, ys| f(xs.start / BLOCK, ys.start / BLOCK))
    }

    #[test]
    fn a_slope_survives_smoothing_and_a_spot_does_not() {
        let slope = |x: usize, y: usize| x as f32 + 2.0 * y as f32;
        let smooth = grid(|x, y| slope(x, y) + if (x, y) == (4, 3) { 50.0 } else { 0.0 }).smoothed();
        for (i, v) in smooth.values().iter().enumerate() {
            let expected = slope(i % 9, i / 9);
            assert!((v - expected).abs() < 0.8, "block {i}: {v} against {expected}");
        }
    }

    /// A mote that fills a block of the corner is no noise, and noise that falls towards the edge does not fall to nothing there.
    #[test]
    fn noise_is_steady_to_the_very_corner() {
        let steady = grid(|x, y| if (x, y) == (0, 0) { 20.0 } else { 1.0 }).steadied();
        assert!(steady.values().iter().all(|v| *v == 1.0), "{:?}", steady.values());
        let falling = grid(|x, _| if x == 0 { 1.0 } else { 4.0 });
        assert_eq!(falling.held_at(0, 0), 1.0);
        assert_eq!(falling.held_at(9 * BLOCK - 1, 7 * BLOCK - 1), 4.0);
    }

    #[test]
    fn a_slope_goes_on_to_the_very_edge() {
        let row = grid(|x, _| x as f32).line(3);
        assert!((row.at(0) - (-0.5 + 0.5 / BLOCK as f32)).abs() < 1e-4);
        assert!((row.at(9 * BLOCK - 1) - (8.5 - 0.5 / BLOCK as f32)).abs() < 1e-4);
    }

    #[test]
    fn spans_cover_a_row_once_and_agree_with_its_values() {
        for cells in [1, 20, 4 * BLOCK, 4 * BLOCK - 10, 3 * BLOCK + 17] {
            let values = [1.0f32, 3.0, 2.0, 5.0][..blocks(cells)].to_vec();
            let line = Line { cells, values };
            let mut seen = 0;
            line.spans(|span, start, step| {
                assert_eq!(span.start, seen);
                for (i, x) in span.clone().enumerate() {
                    assert!((start + step * i as f32 - line.at(x)).abs() < 1e-4, "cell {x}");
                }
                seen = span.end;
            });
            assert_eq!(seen, cells);
        }
    }
}
