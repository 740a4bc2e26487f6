//! A plain wall, flattened: each cell's light against the smooth backdrop around it, and the noise.
//!
//! In: a [`Frame`] of a plain bright surface. Out: the share of light lost per cell. A cell is one repeat of
//! a Bayer mosaic (3 x 3 photosites of a longer one), or one or four pixels of a rendered picture; the colours
//! of a cell are each held against their own backdrop and then joined, weighted by how quiet they are.

use std::ops::Range;

use motelight_frame::{Frame, Layout, PicturePoint, Plane, Size, widest};
use nalgebra::{DMatrix, DVector, Matrix4, Vector4};
use rayon::prelude::*;

use crate::gauss::halved;
use crate::grid::{Grid, median_and_sigma};

/// A flattened wall.
#[derive(Debug, Clone)]
pub struct Flat {
    /// Pixels along one side of a cell.
    pub cell: usize,
    /// Share of light lost per cell: 0 = the backdrop, 1 = all dark, below 0 = brighter.
    pub loss: Plane,
    /// Standard deviation of `loss` from noise, per block.
    pub sigma: Grid,
    /// Variance of the wall's level about the backdrop, over windows about as wide as a small shadow, beyond what uncorrelated
    /// noise would give: in units of the noise's variance in one cell.
    pub stray: f64,
    /// Light of the backdrop per block and channel, full scale = 1.
    pub backdrop: Vec<Grid>,
    /// Weights of red, green and blue in `loss`, sum 1.
    pub colours: [f64; 3],
}

/// Pixels along one side of the groups by which the channels' noise is measured: about a shadow's width, and one block of
/// a JPEG. What single pixels scatter by says little of a compressed picture, which errs by whole blocks.
const GROUP: usize = 8;
/// Neighbouring groups that are judged together for how still they are.
const TOGETHER: usize = 16;
/// Cells of a mosaic that tell the channels' noise well: their variance to a fifth of a percent.
const ENOUGH: usize = 500_000;

/// One channel of a cell, of at most four: which plane, and where its samples lie in the cell.
struct Channel {
    plane: usize,
    colour: usize,
    places: Vec<(usize, usize)>,
}

impl Flat {
    /// Flattens a wall.
    ///
    /// `fine` asks for cells of one pixel in a rendered picture (small pictures, narrow shadows).
    pub fn of(frame: &Frame, fine: bool) -> Flat {
        let (cell, channels) = channels_of(frame, fine);
        let size = frame.size();
        let cells = Size { width: (size.width / cell).max(1), height: (size.height / cell).max(1) };

        let levels: Vec<Grid> = channels.iter().map(|c| level_of(frame, c, cell)).collect();
        let weights = quietest_mix(&covariance(frame, &channels, &levels, cell));
        let mut backdrop: Vec<Grid> = levels.iter().map(Grid::smoothed).collect();

        let mut colours = [0.0; 3];
        for (weight, channel) in weights.iter().zip(&channels) {
            colours[channel.colour] += f64::from(*weight);
        }

        let gains: Vec<Grid> = backdrop
            .iter()
            .zip(&weights)
            .zip(&channels)
            .map(|((b, w), c)| b.map(|level| w / (level.max(1e-6) * c.places.len() as f32)))
            .collect();
        let mut loss = Plane::filled(cells, 0.0f32);
        loss.data_mut()
            .par_chunks_mut(cells.width)
            .enumerate()
            .for_each(|(y, row)| flatten_row(frame, &channels, &gains, cell, y, row));

        for deviations in DARK {
            let left = left_over(&loss, deviations);
            put_right(&mut loss, &left);
            backdrop.iter_mut().for_each(|b| *b = b.with(&left, |level, left| level * (1.0 - left)));
        }
        let sigma = noise_of(&loss);
        let stray = stray_of(&loss, &sigma);
        Flat { cell, loss, sigma, stray, backdrop, colours }
    }

    /// Size in cells.
    pub fn size(&self) -> Size {
        self.loss.size()
    }

    /// The place in the picture of a place given in cells (cell centres at .5).
    pub fn picture(&self, x: f64, y: f64) -> PicturePoint {
        PicturePoint { x: x * self.cell as f64, y: y * self.cell as f64 }
    }
}

/// Side of a cell, px, and the channels in it.
fn channels_of(frame: &Frame, fine: bool) -> (usize, Vec<Channel>) {
    match &frame.layout {
        Layout::Mosaic(cfa) => {
            let cell = if cfa.period() == (Size { width: 2, height: 2 }) { 2 } else { 3 };
            let places = (0..cell).flat_map(|y| (0..cell).map(move |x| (x, y)));
            if cell == 2 {
                let one = |(x, y)| Channel { plane: 0, colour: cfa.colour(x, y) as usize, places: vec![(x, y)] };
                return (cell, places.map(one).collect());
            }
            // In a 6 x 6 mosaic every 3 x 3 cell holds all colours, though not at the same places; each place
            // is held against the backdrop of the whole cell's light, which is the same for all cells.
            (cell, vec![Channel { plane: 0, colour: 1, places: places.collect() }])
        }
        Layout::Grey | Layout::Rgb => {
            let cell = if fine { 1 } else { 2 };
            let places: Vec<_> = (0..cell).flat_map(|y| (0..cell).map(move |x| (x, y))).collect();
            let grey = frame.planes.len() == 1;
            let one = |plane| Channel { plane, colour: if grey { 1 } else { plane }, places: places.clone() };
            (cell, (0..frame.planes.len().min(3)).map(one).collect())
        }
    }
}

impl Channel {
    /// Mean light of the channel in one cell.
    fn light(&self, frame: &Frame, cell: usize, x: usize, y: usize) -> f32 {
        let plane = &frame.planes[self.plane];
        let sum: f32 = self.places.iter().map(|&(dx, dy)| plane.at(x * cell + dx, y * cell + dy)).sum();
        sum / self.places.len() as f32
    }

    /// The same in a row of cells.
    fn lights(&self, frame: &Frame, cell: usize, y: usize, xs: &Range<usize>, lights: &mut [f32]) {
        lights.fill(0.0);
        for &(dx, dy) in &self.places {
            let row = &frame.planes[self.plane].row(y * cell + dy)[xs.start * cell..xs.end * cell];
            widest(|| for_cells(cell, dx, lights, row, |_, sum, light| *sum += light));
        }
        let count = self.places.len() as f32;
        lights.iter_mut().for_each(|v| *v /= count);
    }
}

/// Cells that lie wholly in the picture.
fn whole_cells(frame: &Frame, cell: usize) -> Size {
    Size { width: frame.size().width / cell, height: frame.size().height / cell }
}

/// Clipped mean of a channel's light per block.
fn level_of(frame: &Frame, channel: &Channel, cell: usize) -> Grid {
    let value = |x: usize, y: usize| channel.light(frame, cell, x, y);
    // A sparse sample of the block says where the bulk lies; the mean of all within it says it precisely. The sample lies
    // evenly about the block's middle: on a slope the bulk would lie off it, and some of that would stay in the mean.
    let some = |range: &Range<usize>, count: usize| {
        let (start, last) = (range.start, range.len().saturating_sub(1));
        (0..count.min(range.len())).map(move |i| start + (i * last + (count - 1) / 2) / (count - 1).max(1))
    };
    let bulk = |xs: &Range<usize>, ys: &Range<usize>| {
        let mut sample: Vec<f32> = some(ys, 8).flat_map(|y| some(xs, 11).map(move |x| value(x, y))).collect();
        median_and_sigma(&mut sample)
    };
    Grid::measure(whole_cells(frame, cell), |xs, ys| {
        let (middle, sigma) = bulk(&xs, &ys);
        // Codes of 8 bits can be coarser than the noise: the deviation of most samples is then 0.
        let reach = (2.5 * sigma).max(0.02 * middle);
        let mut light = vec![0.0f32; xs.len()];
        // Side by side, or each sum would wait for the one before it.
        let (mut sums, mut counts) = ([0.0f32; 8], [0.0f32; 8]);
        for y in ys {
            channel.lights(frame, cell, y, &xs, &mut light);
            widest(|| {
                for eight in light.chunks(8) {
                    for ((v, sum), count) in eight.iter().zip(&mut sums).zip(&mut counts) {
                        let v = v - middle;
                        let inside = if v.abs() <= reach { 1.0 } else { 0.0 };
                        *sum += v * inside;
                        *count += inside;
                    }
                }
            });
        }
        middle + sums.iter().sum::<f32>() / counts.iter().sum::<f32>().max(1.0)
    })
}

/// Calls `each` for cells side by side with the light at column `dx` of each; `light` begins at the first cell's column 0.
#[inline(always)]
fn for_cells(cell: usize, dx: usize, cells: &mut [f32], light: &[f32], each: impl Fn(usize, &mut f32, f32)) {
    match cell {
        1 => at_column::<1>(dx, cells, light, each),
        2 => at_column::<2>(dx, cells, light, each),
        _ => at_column::<3>(dx, cells, light, each),
    }
}

/// The same, for cells of a width known beforehand: only so are many done at once.
#[inline(always)]
fn at_column<const CELL: usize>(dx: usize, cells: &mut [f32], light: &[f32], each: impl Fn(usize, &mut f32, f32)) {
    let (light, _) = light.as_chunks::<CELL>();
    let mut run = |column: usize| {
        for (i, (to, light)) in cells.iter_mut().zip(light).enumerate() {
            each(i, to, light[column]);
        }
    };
    match dx {
        0 => run(0),
        1 => run(1 % CELL),
        _ => run(2 % CELL),
    }
}

/// Covariance of the channels' relative noise at the scale of a shadow: of differences between neighbouring groups, so
/// that the wall's slope is small in them; over the quietest nine tenths of the frame, so that shadows count for little and
/// the steps of coarse codes, which stand in some places only, in full.
fn covariance(frame: &Frame, channels: &[Channel], levels: &[Grid], cell: usize) -> DMatrix<f64> {
    // Samples of a mosaic err each for itself: single cells tell, and a part of them is enough.
    let cells = whole_cells(frame, cell);
    let mosaic = matches!(frame.layout, Layout::Mosaic(_));
    let (group, step) = if mosaic { (1, (cells.area() / ENOUGH).max(4)) } else { ((GROUP / cell).max(1), 1) };
    let groups = cells.width / group;
    let kinds = channels.len();
    let one_row = |row: usize| {
        let mut means = vec![0.0f32; groups * kinds];
        for y in row * group..(row + 1) * group {
            for x in 0..groups * group {
                let at = x / group * kinds;
                for (mean, channel) in means[at..at + kinds].iter_mut().zip(channels) {
                    *mean += channel.light(frame, cell, x, y);
                }
            }
        }
        let samples = (group * group) as f32;
        for (i, mean) in means.iter_mut().enumerate() {
            let level = levels[i % kinds].under(i / kinds * group, row * group);
            *mean /= samples * level.max(1e-6);
        }
        let groups: Vec<&[f32]> = means.chunks(kinds).collect();
        let between = |pair: &[&[f32]]| {
            let change = |i: usize| if i < kinds { f64::from(pair[0][i] - pair[1][i]) } else { 0.0 };
            Vector4::from_fn(|i, _| change(i))
        };
        let differences: Vec<Vector4<f64>> = groups.windows(2).map(between).collect();
        let part = |some: &[Vector4<f64>]| {
            some.iter().fold(Matrix4::zeros(), |sum, d| sum + d * d.transpose()) / (2.0 * some.len() as f64)
        };
        differences.chunks(TOGETHER).map(part).collect::<Vec<_>>()
    };
    let rows: Vec<Vec<Matrix4<f64>>> = (0..cells.height / group).into_par_iter().step_by(step).map(one_row).collect();
    let mut parts: Vec<Matrix4<f64>> = rows.into_iter().flatten().collect();
    parts.sort_by(|a, b| a.trace().total_cmp(&b.trace()));
    parts.truncate((parts.len() * 9).div_ceil(10));
    let count = parts.len().max(1) as f64;
    let mean = parts.iter().fold(Matrix4::zeros(), |sum, part| sum + part) / count;
    DMatrix::from_fn(kinds, kinds, |i, j| mean[(i, j)])
}

/// Weights of sum 1, none below 0, by which the channels' mean has least noise: C^-1 1 over its sum (least variance of a
/// weighted mean). Raw channels err each for itself and are weighed by their variance; a compressed picture's colours err
/// together, and the weights are then near those of its luminance.
fn quietest_mix(covariance: &DMatrix<f64>) -> Vec<f32> {
    let kinds = covariance.nrows();
    let mut kept: Vec<usize> = (0..kinds).collect();
    loop {
        let part = covariance.select_rows(&kept).select_columns(&kept);
        // Where codes hide all noise, nothing tells the channels apart.
        let least = (1e-3 * part.trace() / kept.len() as f64).max(1e-12);
        let solid = part + DMatrix::identity(kept.len(), kept.len()) * least;
        let Some(solved) = solid.cholesky().map(|c| c.solve(&DVector::from_element(kept.len(), 1.0))) else {
            return vec![1.0 / kinds as f32; kinds];
        };
        let (worst, &value) = solved.iter().enumerate().min_by(|a, b| a.1.total_cmp(b.1)).unwrap_or((0, &1.0));
        if value >= 0.0 || kept.len() == 1 {
            let sum = solved.sum();
            let mut weights = vec![0.0; kinds];
            kept.iter().zip(solved.iter()).for_each(|(&k, &w)| weights[k] = (w / sum) as f32);
            return weights;
        }
        kept.remove(worst);
    }
}

/// `loss = 1 - sum of light times gain`, the gains straight between block centres.
fn flatten_row(frame: &Frame, channels: &[Channel], gains: &[Grid], cell: usize, y: usize, row: &mut [f32]) {
    row.fill(1.0);
    for (channel, gain) in channels.iter().zip(gains) {
        let plane = &frame.planes[channel.plane];
        let line = gain.line(y);
        for &(dx, dy) in &channel.places {
            let light = plane.row(y * cell + dy);
            line.spans(|span, start, step| {
                let light = &light[span.start * cell..span.end * cell];
                let lose = |i: usize, loss: &mut f32, light: f32| *loss -= light * (start + step * i as f32);
                widest(|| for_cells(cell, dx, &mut row[span], light, lose));
            });
        }
    }
}

/// Side of the patches by which it is told what is dark, cells: far less noise than in one cell, and still small beside a mote.
const PATCH: usize = 4;
/// Patches by so many deviations darker than the rest are no wall, one pass after the other: at first the backdrop itself is off,
/// along the edges most, and must not pass for something dark.
const DARK: [f32; 3] = [6.0, 4.0, 3.0];

/// What the backdrop leaves of the wall, per block: the mean loss of what is not dark by so many deviations and does not touch what
/// is. A smoothed backdrop cuts off what curves, and gives way to large motes; both show as light gained or lost beside them.
fn left_over(loss: &Plane, deviations: f32) -> Grid {
    let patches = halved(&halved(loss));
    let Size { width, height } = patches.size();
    let (middle, spread) = median_and_sigma(&mut patches.data().to_vec());
    let dark = |x: usize, y: usize| patches.at(x, y) - middle > deviations * spread;
    let plain = |x: usize, y: usize| {
        let (xs, ys) = (x.saturating_sub(1)..(x + 2).min(width), y.saturating_sub(1)..(y + 2).min(height));
        !ys.into_iter().any(|y| xs.clone().any(|x| dark(x, y)))
    };
    Grid::measure(loss.size(), |xs, ys| {
        let within = |range: &Range<usize>, end: usize| range.start.div_ceil(PATCH)..(range.end / PATCH).min(end);
        let (columns, rows) = (within(&xs, width), within(&ys, height));
        let all = columns.len() * rows.len();
        let (mut sum, mut count) = (0.0f32, 0);
        for (x, y) in rows.flat_map(|y| columns.clone().map(move |x| (x, y))) {
            if plain(x, y) {
                sum += patches.at(x, y);
                count += 1;
            }
        }
        if count * 4 >= all.max(1) { sum / count as f32 } else { f32::NAN }
    })
    .smoothed()
}

/// Holds a flattened wall against a backdrop that is by so much darker.
fn put_right(loss: &mut Plane, left: &Grid) {
    let width = loss.width();
    loss.data_mut().par_chunks_mut(width).enumerate().for_each(|(y, row)| {
        left.line(y).spans(|span, start, step| {
            for (i, v) in row[span].iter_mut().enumerate() {
                let left = start + step * i as f32;
                *v = (*v - left) / (1.0 - left);
            }
        });
    });
}

/// Noise of the flattened cells per block, smoothed: the standard deviation of the bulk. (The median deviation of codes
/// that are coarser than the noise jumps between 0 and one code.)
fn noise_of(loss: &Plane) -> Grid {
    let noise = Grid::measure(loss.size(), |xs, ys| {
        let rows = || ys.clone().step_by(2).map(|y| &loss.row(y)[xs.clone()]);
        let mut sample: Vec<f32> = rows().flatten().copied().collect();
        let (middle, deviation) = median_and_sigma(&mut sample);
        let reach = (3.5 * deviation).max(0.015);
        let (mut squares, mut sum, mut count) = (0.0f32, 0.0f32, 0.0f32);
        for v in rows().flatten().map(|v| v - middle).filter(|v| v.abs() < reach) {
            squares += v * v;
            sum += v;
            count += 1.0;
        }
        let mean = sum / count.max(1.0);
        (squares / count.max(1.0) - mean * mean).max(0.0).sqrt()
    })
    .steadied();
    // No part of a wall is much stiller than the rest; where a compressed picture looks so, its codes hide the noise.
    let least = 0.7 * noise.median();
    noise.map(|v| v.max(least))
}

/// See [`Flat::stray`], of windows of 8 and 16 cells a side. The noise of neighbours may hang together, but over less than a
/// window: its part of the level's variance then falls with the window's area, and what strays does not. At least a tenth of the
/// noise of the larger window.
fn stray_of(loss: &Plane, sigma: &Grid) -> f64 {
    let eight = halved(&halved(&halved(loss)));
    let sixteen = halved(&eight);
    let variance = |levels: &Plane, side: usize| {
        let Size { width, height } = levels.size();
        let level =
            |x: usize, y: usize| levels.at(x, y) / sigma.under(x * side + side / 2, y * side + side / 2).max(1e-9);
        let mut levels: Vec<f32> =
            (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| level(x, y)).collect();
        f64::from(median_and_sigma(&mut levels).1).powi(2)
    };
    let (small, large) = (variance(&eight, 8), variance(&sixteen, 16));
    let (few, many) = (1.0 / 64.0, 1.0 / 256.0);
    let cell = ((small - large) / (few - many)).max(1e-3);
    ((large - cell * many) / cell).max(0.1 * many)
}
