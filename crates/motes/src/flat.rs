//! A plain wall, flattened: each cell's light against the smooth backdrop around it, and the noise.
//!
//! In: a [`Frame`] of a plain bright surface. Out: the share of light lost per cell. A cell is one repeat of
//! a Bayer mosaic (3 x 3 photosites of a longer one), or one or four pixels of a rendered picture; the colours
//! of a cell are each held against their own backdrop and then joined, weighted by how quiet they are.

use std::ops::Range;

use motelight_frame::{Frame, Layout, PicturePoint, Plane, Size};
use rayon::prelude::*;

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
    /// Light of the backdrop per block and channel, full scale = 1.
    pub backdrop: Vec<Grid>,
    /// Weights of red, green and blue in `loss`, sum 1.
    pub colours: [f64; 3],
}

/// One channel of a cell: which plane, and where its samples lie in the cell.
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

        let measured: Vec<(Grid, Grid)> = channels.iter().map(|c| level_and_noise(frame, c, cell)).collect();
        let backdrop: Vec<Grid> = measured.iter().map(|(level, _)| level.smoothed()).collect();

        // Inverse variance of the relative noise, over the whole frame: one weight per channel. Compression stills
        // colour differences and leaves their steps: no channel then counts for more than thrice its part in luminance.
        let quiet = |(level, noise): &(Grid, Grid)| {
            let relative = noise.median() / level.median().max(1e-6);
            1.0 / (relative * relative).max(1e-12)
        };
        let mut weights: Vec<f32> = measured.iter().map(quiet).collect();
        if frame.lossy && channels.len() == 3 {
            let sum: f32 = weights.iter().sum();
            for (weight, luminance) in weights.iter_mut().zip(frame.luminance) {
                *weight = (*weight / sum).min(3.0 * luminance);
            }
        }
        for (weight, channel) in weights.iter_mut().zip(&channels) {
            *weight *= channel.places.len() as f32;
        }
        let sum: f32 = weights.iter().sum();
        let mut colours = [0.0; 3];
        for (weight, channel) in weights.iter_mut().zip(&channels) {
            *weight /= sum;
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

        let sigma = noise_of(&loss);
        Flat { cell, loss, sigma, backdrop, colours }
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

/// Clipped mean and standard deviation of a channel's light per block.
fn level_and_noise(frame: &Frame, channel: &Channel, cell: usize) -> (Grid, Grid) {
    let plane = &frame.planes[channel.plane];
    let cells = Size { width: plane.width() / cell, height: plane.height() / cell };
    let share = 1.0 / channel.places.len() as f32;
    let value = |x: usize, y: usize| {
        let sum: f32 = channel.places.iter().map(|&(dx, dy)| plane.at(x * cell + dx, y * cell + dy)).sum();
        sum * share
    };
    // A sparse sample of the block says where the bulk lies; the mean of all within it says it precisely.
    let bulk = |xs: &Range<usize>, ys: &Range<usize>| {
        let rows = ys.clone().step_by(4);
        let mut sample: Vec<f32> = rows.flat_map(|y| xs.clone().step_by(3).map(move |x| value(x, y))).collect();
        median_and_sigma(&mut sample)
    };
    Grid::measure_both(cells, |xs, ys| {
        let (middle, sigma) = bulk(&xs, &ys);
        // Codes of 8 bits can be coarser than the noise: the deviation of most samples is then 0.
        let reach = (2.5 * sigma).max(0.02 * middle);
        let (low, high) = (middle - reach, middle + reach);
        let (mut sum, mut squares, mut count) = (0.0f32, 0.0f32, 0.0f32);
        for y in ys {
            for x in xs.clone() {
                let v = value(x, y) - middle;
                let inside = if v >= low - middle && v <= high - middle { 1.0 } else { 0.0 };
                sum += v * inside;
                squares += v * v * inside;
                count += inside;
            }
        }
        let count = count.max(1.0);
        let offset = sum / count;
        (middle + offset, (squares / count - offset * offset).max(0.0).sqrt())
    })
}

/// `loss = 1 - sum of light times gain`, the gains straight between block centres.
fn flatten_row(frame: &Frame, channels: &[Channel], gains: &[Grid], cell: usize, y: usize, row: &mut [f32]) {
    row.fill(1.0);
    for (channel, gain) in channels.iter().zip(gains) {
        let plane = &frame.planes[channel.plane];
        let line = gain.line(y);
        for &(dx, dy) in &channel.places {
            let light = &plane.row(y * cell + dy)[dx..];
            line.spans(|span, start, step| {
                let cells = row[span.clone()].iter_mut().zip(light[span.start * cell..].iter().step_by(cell));
                for (i, (loss, light)) in cells.enumerate() {
                    *loss -= light * (start + step * i as f32);
                }
            });
        }
    }
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
    .smoothed();
    // No part of a wall is much stiller than the rest; where a compressed picture looks so, its codes hide the noise.
    let least = 0.7 * noise.median();
    noise.map(|v| v.max(least))
}
