//! The answer of every place of a picture to one width of shadow, and how far answers stray nearby.

use motelight_frame::{Plane, Size};
use rayon::prelude::*;

use crate::trace::sums::{AROUND, BOX, SLANT, Sums};
use crate::trace::view::PATCH;

/// Answers on a grid of places.
#[derive(Debug)]
pub struct Response {
    /// Cells between neighbouring places.
    pub step: usize,
    /// Cells from the picture's corner to the first place.
    pub first: f64,
    /// Places.
    pub size: Size,
    /// How much darker each place is than around it, as a logarithm.
    pub darker: Vec<f32>,
    /// Standard error of that; infinite where nothing can be measured.
    pub sigma: Vec<f32>,
    /// The same for blocks of places, without what single places add.
    pub noise: Noise,
}

/// How far answers stray, by blocks of places.
#[derive(Debug, Clone)]
pub struct Noise {
    /// Cells along a block.
    cells: f64,
    first: f64,
    size: Size,
    /// Standard error in most of the block, and where a tenth of it, texture or edges, counts as well.
    values: Vec<(f32, f32)>,
    /// Standard error in the plainest parts of the picture.
    least: f32,
}

/// Places along a side of a block: a shadow covers a twenty-fifth of it, the tenth that counts it leaves alone.
const BLOCK: usize = 24;
/// Least standard error: rounding of stored codes. A guess, a tenth of what the eye sees at best.
const LEAST: f32 = 2.5e-4;

impl Noise {
    /// Standard error at a place (cells), around which boxes stray by this variance, which rests on `freedom` values.
    pub fn sigma(&self, x: f64, y: f64, variance: f64, freedom: f64) -> f64 {
        let block = |v: f64, end: usize| (((v - self.first) / self.cells).max(0.0) as usize).min(end - 1);
        let (usual, wide) = self.values[block(y, self.size.height) * self.size.width + block(x, self.size.width)];
        f64::from(nearby(usual, wide, self.least, variance as f32, freedom as f32))
    }
}

/// Standard error of an answer from the boxes nearby, held by that of the block as by two more values; what cannot be told
/// nearby takes the block's.
fn nearby(usual: f32, wide: f32, least: f32, variance: f32, freedom: f32) -> f32 {
    const HOLD: f32 = 2.0;
    if freedom <= 0.0 || !usual.is_finite() {
        return wide;
    }
    // The answer is one box against the mean of eight.
    let own = 1.125 * variance;
    ((freedom * own + HOLD * usual * usual) / (freedom + HOLD)).sqrt().max(least)
}

impl Response {
    /// Answers to shadows `width` cells wide; `None` where the picture is too small for them.
    pub fn of(sums: &Sums, unsound: &Plane<bool>, width: f64) -> Option<Response> {
        let cells = sums.cells();
        let side = ((BOX * width).round() as usize).max(2);
        let step = ((width / 4.0) as usize).max(1);
        let far = (AROUND * width / step as f64).round() as usize;
        let slant = ((AROUND * SLANT * width / step as f64).round() as usize).max(1);
        if cells.width < side + 3 * far * step || cells.height < side + 3 * far * step {
            return None;
        }
        let size = Size { width: (cells.width - side) / step + 1, height: (cells.height - side) / step + 1 };
        let mut means = vec![0.0f32; size.area()];
        let scale = 1.0 / ((side * side) as f32 * crate::trace::view::STEPS);
        means.par_chunks_mut(size.width).enumerate().for_each(|(j, row)| {
            let (top, bottom) = (sums.row(j * step), sums.row(j * step + side));
            for (i, v) in row.iter_mut().enumerate() {
                let x = i * step;
                *v = (bottom[x + side] - bottom[x] - top[x + side] + top[x]) as f32 * scale;
            }
        });
        let (mut darker, mut variance) = (vec![0.0f32; size.area()], vec![UNKNOWN; size.area()]);
        darker.par_chunks_mut(size.width).zip(variance.par_chunks_mut(size.width)).enumerate().for_each(
            |(j, (darker, variance))| {
                let inside = j >= far && j + far < size.height;
                for i in 0..size.width {
                    let whole = inside && i >= far && i + far < size.width;
                    (darker[i], variance[i]) = if whole {
                        answer(&means, size.width, j * size.width + i, far, slant)
                    } else {
                        at_edge(&means, size, (i, j), far, slant)
                    };
                }
            },
        );
        let sound = soundness(unsound, size, |i| i * step, side, far * step);
        let first = side as f64 / 2.0;
        let noise = noise(&darker, &variance, &sound, size, step as f64, first);
        let sigma = sigmas(&variance, &sound, &noise, size);
        Some(Response { step, first, size, darker, sigma, noise })
    }
}

/// The mean of the eight boxes around against the one in the middle, and their variance about a plane.
fn answer(means: &[f32], stride: usize, at: usize, far: usize, slant: usize) -> (f32, f32) {
    let (f, s) = (far as f32, slant as f32);
    let by = [far, far * stride, slant * stride + slant, slant * stride - slant];
    let (mut sum, mut squares) = (0.0f32, 0.0f32);
    let mut rise = [0.0f32; 4];
    // Against the middle, so that squares stay small numbers.
    let middle = means[at];
    for (rise, by) in rise.iter_mut().zip(by) {
        let (a, b) = (means[at - by] - middle, means[at + by] - middle);
        sum += a + b;
        squares += a * a + b * b;
        *rise = b - a;
    }
    let mean = 0.125 * sum;
    let spread = 2.0 * f * f + 4.0 * s * s;
    let across = f * rise[0] + s * (rise[2] - rise[3]);
    let down = f * rise[1] + s * (rise[2] + rise[3]);
    let left = squares - 8.0 * mean * mean - (across * across + down * down) / spread;
    (mean, left.max(0.0) / FREEDOM)
}

/// Values that the variance of eight boxes about a plane rests on.
const FREEDOM: f32 = 5.0;

fn at_edge(means: &[f32], size: Size, at: (usize, usize), far: usize, slant: usize) -> (f32, f32) {
    let get = |dx: isize, dy: isize| {
        let (x, y) = (at.0.checked_add_signed(dx)?, at.1.checked_add_signed(dy)?);
        (x < size.width && y < size.height).then(|| means[y * size.width + x])
    };
    let middle = means[at.1 * size.width + at.0];
    let (far, slant) = (far as isize, slant as isize);
    let (mut sum, mut count) = (0.0f32, 0.0f32);
    for (dx, dy) in [(far, 0), (0, far), (slant, slant), (slant, -slant)] {
        if let Some((a, b)) = get(dx, dy).zip(get(-dx, -dy)) {
            sum += 0.5 * (a + b) - middle;
            count += 1.0;
        }
    }
    if count == 0.0 { (0.0, f32::MAX) } else { (sum / count, UNKNOWN) }
}

/// Stands for a variance that cannot be told.
const UNKNOWN: f32 = -1.0;

/// Whether everything that counts for a place can be measured.
fn soundness(
    unsound: &Plane<bool>,
    size: Size,
    corner: impl Fn(usize) -> usize + Sync,
    side: usize,
    far: usize,
) -> Vec<bool> {
    let (width, height) = (unsound.width(), unsound.height());
    let stride = width + 1;
    let mut sums = vec![0u32; stride * (height + 1)];
    for y in 0..height {
        let mut row = 0;
        for x in 0..width {
            row += u32::from(unsound.at(x, y));
            sums[(y + 1) * stride + x + 1] = sums[y * stride + x + 1] + row;
        }
    }
    let range = |i: usize, end: usize| {
        let from = corner(i).saturating_sub(far) / PATCH;
        (from, ((corner(i) + side + far).div_ceil(PATCH)).min(end))
    };
    let columns: Vec<(usize, usize)> = (0..size.width).map(|i| range(i, width)).collect();
    let mut sound = vec![true; size.area()];
    sound.par_chunks_mut(size.width).enumerate().for_each(|(j, row)| {
        let (top, bottom) = range(j, height);
        let (above, below) = (&sums[top * stride..], &sums[bottom * stride..]);
        for (v, &(left, right)) in row.iter_mut().zip(&columns) {
            *v = below[right] + above[left] == below[left] + above[right];
        }
    });
    sound
}

fn noise(darker: &[f32], variance: &[f32], sound: &[bool], places: Size, step: f64, first: f64) -> Noise {
    let size = Size { width: (places.width / BLOCK).max(1), height: (places.height / BLOCK).max(1) };
    let values = (0..size.area())
        .into_par_iter()
        .map(|b| {
            let span =
                |i: usize, end: usize, blocks: usize| i * BLOCK..if i + 1 == blocks { end } else { (i + 1) * BLOCK };
            let rows = span(b / size.width, places.height, size.height);
            let columns = span(b % size.width, places.width, size.width);
            let mut strays = Vec::with_capacity(BLOCK * BLOCK);
            for j in rows {
                for i in columns.clone() {
                    let at = j * places.width + i;
                    if sound[at] && variance[at] < f32::MAX {
                        strays.push(darker[at].abs());
                    }
                }
            }
            if strays.len() < 12 {
                return (f32::INFINITY, f32::INFINITY);
            }
            let mut quantile = |share: f64| {
                let at = (strays.len() as f64 * share) as usize;
                *strays.select_nth_unstable_by(at, f32::total_cmp).1
            };
            // Normal distribution: half of |v| lie below 0.6745 sigma, nine tenths below 1.645. Texture and edges
            // raise the second more than the first.
            let usual = (quantile(0.5) / 0.6745).max(LEAST);
            (usual, (quantile(0.9) / 1.645).max(usual))
        })
        .collect();
    let mut noise = Noise { cells: BLOCK as f64 * step, first, size, values, least: LEAST };
    let mut plain: Vec<f32> = noise.values.iter().map(|v| v.0).filter(|v| v.is_finite()).collect();
    if !plain.is_empty() {
        let at = plain.len() / 5;
        // Light changes the noise from place to place, by less than this.
        noise.least = (0.7 * *plain.select_nth_unstable_by(at, f32::total_cmp).1).max(LEAST);
    }
    noise
}

fn sigmas(variance: &[f32], sound: &[bool], noise: &Noise, size: Size) -> Vec<f32> {
    let mut sigma = vec![f32::INFINITY; size.area()];
    sigma.par_chunks_mut(size.width).enumerate().for_each(|(j, row)| {
        let block_row = (j / BLOCK).min(noise.size.height - 1) * noise.size.width;
        for (i, v) in row.iter_mut().enumerate() {
            let at = j * size.width + i;
            if sound[at] && variance[at] < f32::MAX {
                let (usual, wide) = noise.values[block_row + (i / BLOCK).min(noise.size.width - 1)];
                let freedom = if variance[at] < 0.0 { 0.0 } else { FREEDOM };
                *v = nearby(usual, wide, noise.least, variance[at], freedom);
            }
        }
    });
    sigma
}
