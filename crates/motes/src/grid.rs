//! A coarse grid of values, one per block of cells, and what lies between its points.

use std::ops::Range;

use motelight_frame::Size;
use rayon::prelude::*;

/// Cells along one side of a block, or nearly so many. Blocks are what backdrop and noise are measured in: several shadows
/// wide, so that a shadow does not pass for backdrop, and small against vignetting.
pub const BLOCK: usize = 32;

/// A cell of a field, row by row, and its neighbours, eight of them but at the edge.
pub fn about(cell: usize, Size { width, height }: Size) -> impl Iterator<Item = usize> {
    let (x, y) = (cell % width, cell / width);
    let columns = x.saturating_sub(1)..(x + 2).min(width);
    (y.saturating_sub(1)..(y + 2).min(height)).flat_map(move |y| columns.clone().map(move |x| y * width + x))
}

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

/// Values on the centres of blocks of about [`BLOCK`] cells a side that a plane of cells is divided into.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    across: Axis,
    down: Axis,
    values: Vec<f32>,
}

/// One row of cells through a grid: values on block centres along it.
pub struct Line {
    axis: Axis,
    values: Vec<f32>,
}

/// Cells in a row, in blocks of one size, so that their centres stand evenly; only the last takes in what is over.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Axis {
    cells: usize,
    side: usize,
    blocks: usize,
}

impl Axis {
    /// Of the sizes near [`BLOCK`] the one that leaves the fewest cells over.
    fn of(cells: usize) -> Axis {
        let near = BLOCK - BLOCK / 8..=BLOCK + BLOCK / 8;
        let side = near.min_by_key(|&side| (cells % side, side.abs_diff(BLOCK))).unwrap_or(BLOCK);
        Axis { cells, side, blocks: (cells / side).max(1) }
    }

    /// The cells of a block.
    fn span(&self, block: usize) -> Range<usize> {
        let last = block + 1 == self.blocks;
        block * self.side..if last { self.cells } else { (block + 1) * self.side }
    }

    /// Where the middle of a block lies, cells.
    fn centre(&self, block: usize) -> f32 {
        let span = self.span(block);
        0.5 * (span.start + span.end) as f32
    }

    /// The block that holds a cell; the last holds all beyond.
    fn under(&self, cell: usize) -> usize {
        (cell / self.side).min(self.blocks - 1)
    }

    /// The block whose centre lies before a cell, and how far past it in blocks; under 0 or over 1 at the ends.
    fn between(&self, cell: usize) -> (usize, f32) {
        if self.blocks < 2 {
            return (0, 0.0);
        }
        let place = cell as f32 + 0.5;
        let block = (place / self.side as f32 - 0.5).clamp(0.0, (self.blocks - 2) as f32) as usize;
        let centre = self.centre(block);
        (block, (place - centre) / (self.centre(block + 1) - centre))
    }
}

impl Grid {
    /// A grid over a plane of `cells`, one value per block, from the block's columns and rows. Parallel.
    pub fn measure(cells: Size, block: impl Fn(Range<usize>, Range<usize>) -> f32 + Sync) -> Self {
        Self::measure_both(cells, |xs, ys| (block(xs, ys), 0.0)).0
    }

    /// Two grids in one go.
    pub fn measure_both(cells: Size, block: impl Fn(Range<usize>, Range<usize>) -> (f32, f32) + Sync) -> (Self, Self) {
        let (across, down) = (Axis::of(cells.width), Axis::of(cells.height));
        let one = |i: usize| block(across.span(i % across.blocks), down.span(i / across.blocks));
        let (a, b) = (0..across.blocks * down.blocks).into_par_iter().map(one).unzip();
        (Grid { across, down, values: a }, Grid { across, down, values: b })
    }

    /// Blocks per row and column.
    pub fn size(&self) -> Size {
        Size { width: self.across.blocks, height: self.down.blocks }
    }

    /// All values, row by row.
    pub fn values(&self) -> &[f32] {
        &self.values
    }

    /// The value of the block under a cell; cells outside take the nearest block's.
    pub fn under(&self, x: usize, y: usize) -> f32 {
        self.values[self.down.under(y) * self.across.blocks + self.across.under(x)]
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
    /// half a block, and the noise of single blocks, go. A value that is no number tells nothing: what lies around stands for it.
    pub fn smoothed(&self) -> Grid {
        self.smoothed_with(|_| None)
    }

    /// The same of what hardly slopes, such as noise: there a block on the edge, which a mote may fill, is held against
    /// those that lie further in.
    pub fn steadied(&self) -> Grid {
        self.smoothed_with(Some)
    }

    /// `lone`: what stands for a pair of opposite neighbours where only one lies inside, from that one, if anything does.
    fn smoothed_with(&self, lone: impl Fn(f32) -> Option<f32>) -> Grid {
        let firm = |x: isize, y: isize| {
            let mut nine = [0.0; 9];
            let mut count = 0;
            let mut add = |values: &[f32]| {
                if values.iter().all(|v| !v.is_nan()) {
                    nine[count..count + values.len()].copy_from_slice(values);
                    count += values.len();
                }
            };
            add(&[self.inside(x, y).unwrap_or(f32::NAN)]);
            // Opposite neighbours average to the middle on any slope; past an edge there is no opposite.
            for (dx, dy) in [(1, 0), (0, 1), (1, 1), (1, -1)] {
                match (self.inside(x + dx, y + dy), self.inside(x - dx, y - dy)) {
                    (Some(p), Some(q)) => add(&[p, q]),
                    (one, other) => add(&[one.or(other).and_then(&lone).unwrap_or(f32::NAN); 2]),
                }
            }
            let those = &mut nine[..count];
            those.sort_unstable_by(f32::total_cmp);
            those.get(count / 2).copied().unwrap_or(f32::NAN)
        };
        let width = self.across.blocks;
        let values = (0..self.values.len()).map(|i| firm((i % width) as isize, (i / width) as isize)).collect();
        let firm = Grid { values, ..*self }.filled();
        Grid { values: averaged(&firm.values, self.size()), ..*self }
    }

    /// Values that are no numbers replaced by the mean of their neighbours, from outside in; 0 where there is none at all.
    fn filled(mut self) -> Grid {
        let width = self.across.blocks;
        let mean = |grid: &Grid, i: usize| {
            let (x, y) = ((i % width) as isize, (i / width) as isize);
            let around = (0..9).filter_map(|k| grid.inside(x + k % 3 - 1, y + k / 3 - 1)).filter(|v| !v.is_nan());
            let (sum, count) = around.fold((0.0f32, 0.0f32), |(sum, count), v| (sum + v, count + 1.0));
            if count > 0.0 { sum / count } else { f32::NAN }
        };
        while self.values.iter().any(|v| v.is_nan()) {
            if self.values.iter().all(|v| v.is_nan()) {
                return self.map(|_| 0.0);
            }
            let values = (0..self.values.len())
                .map(|i| if self.values[i].is_nan() { mean(&self, i) } else { self.values[i] })
                .collect();
            self.values = values;
        }
        self
    }

    /// The value of a block, if there is one there.
    fn inside(&self, x: isize, y: isize) -> Option<f32> {
        let within = (0..self.across.blocks as isize).contains(&x) && (0..self.down.blocks as isize).contains(&y);
        within.then(|| self.values[y as usize * self.across.blocks + x as usize])
    }

    /// A grid of a function of this one's values and another's over the same cells.
    pub fn with(&self, other: &Grid, f: impl Fn(f32, f32) -> f32) -> Grid {
        Grid { values: self.values.iter().zip(&other.values).map(|(&a, &b)| f(a, b)).collect(), ..*self }
    }

    /// Each value replaced by the least of itself and its eight neighbours.
    pub fn least_nearby(&self) -> Grid {
        let least = |i: usize| about(i, self.size()).map(|j| self.values[j]).fold(f32::MAX, f32::min);
        Grid { values: (0..self.values.len()).map(least).collect(), ..*self }
    }

    /// The value at a cell: straight between block centres, and past the outermost that of the nearest. Noise does not go on
    /// falling to nothing.
    pub fn held_at(&self, x: usize, y: usize) -> f32 {
        let held = |axis: &Axis, cell| {
            let (i, t) = axis.between(cell);
            (i, (i + 1).min(axis.blocks - 1), t.clamp(0.0, 1.0))
        };
        let (i, right, t) = held(&self.across, x);
        let (j, below, u) = held(&self.down, y);
        let along = |j: usize| {
            let row = &self.values[j * self.across.blocks..];
            row[i] + (row[right] - row[i]) * t
        };
        along(j) + (along(below) - along(j)) * u
    }

    /// The row of cells `y` through the grid: straight between block centres and on past the outermost.
    pub fn line(&self, y: usize) -> Line {
        let (i, t) = self.down.between(y);
        let width = self.across.blocks;
        let row = |i: usize| &self.values[i * width..(i + 1) * width];
        let next = (i + 1).min(self.down.blocks - 1);
        let values = row(i).iter().zip(row(next)).map(|(a, b)| a + (b - a) * t).collect();
        Line { axis: self.across, values }
    }
}

impl Line {
    /// Calls `each` with every run of cells on which the line is straight: the run, its first value, its step per cell.
    pub fn spans(&self, mut each: impl FnMut(Range<usize>, f32, f32)) {
        let Axis { cells, blocks, .. } = self.axis;
        let mut start = 0;
        while start < cells {
            let (i, t) = self.axis.between(start);
            let next = (i + 1).min(blocks - 1);
            let end = if i + 2 >= blocks { cells } else { (self.axis.centre(next) - 0.5).ceil() as usize };
            let end = end.clamp(start + 1, cells);
            let rise = self.values[next] - self.values[i];
            let apart = (self.axis.centre(next) - self.axis.centre(i)).max(1.0);
            each(start..end, self.values[i] + rise * t, rise / apart);
            start = end;
        }
    }

    /// The value at a cell.
    pub fn at(&self, x: usize) -> f32 {
        let (i, t) = self.axis.between(x);
        self.values[i] + (self.values[(i + 1).min(self.axis.blocks - 1)] - self.values[i]) * t
    }
}

/// 1-2-1 average along rows and then along columns; ends keep their value.
fn averaged(values: &[f32], size: Size) -> Vec<f32> {
    let along = |values: &[f32], length: usize, lines: usize, stride: usize, line_stride: usize| {
        let mut out = values.to_vec();
        for line in 0..lines {
            for i in 1..length.saturating_sub(1) {
                let at = line * line_stride + i * stride;
                out[at] = 0.25 * (values[at - stride] + 2.0 * values[at] + values[at + stride]);
            }
        }
        out
    };
    let rows = along(values, size.width, size.height, 1, size.width);
    along(&rows, size.height, size.width, size.width, 1)
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
            let axis = Axis::of(cells);
            let line = Line { axis, values: [1.0f32, 3.0, 2.0, 5.0][..axis.blocks].to_vec() };
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
