//! The answer of every place of a picture to one width of shadow, and how far answers stray nearby.

use motelight_frame::{Plane, Size};
use rayon::prelude::*;

use crate::trace::sums::{AROUND, BOX, SLANT, Sums};
use crate::trace::view::{PATCH, STEPS};

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
    /// Share of places that are more than 3.5 standard errors brighter than around: what scenes do, motes never.
    pub beyond: f64,
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
    /// Answers to shadows `width` cells wide; `None` where cells are too coarse or the picture too small for them.
    pub fn of(sums: &Sums, unsound: &Plane<bool>, width: f64) -> Option<Response> {
        let cells = sums.cells();
        let side = ((BOX * width).round() as usize).max(2);
        let step = ((width / 4.0).round() as usize).max(1);
        let far = (AROUND * width / step as f64).round() as usize;
        let slant = (AROUND * SLANT * width / step as f64).round() as usize;
        let reach = side + 3 * far * step;
        if width < 1.8 || cells.width < reach || cells.height < reach || side > 200 {
            return None;
        }
        let size = Size { width: (cells.width - side) / step + 1, height: (cells.height - side) / step + 1 };
        let mut means = vec![0.0f32; size.area()];
        let scale = 1.0 / ((side * side) as f32 * STEPS);
        means.par_chunks_mut(size.width).enumerate().for_each(|(j, row)| {
            let (top, bottom) = (sums.row(j * step), sums.row(j * step + side));
            if step == 1 {
                let corners = top.iter().zip(&top[side..]).zip(bottom.iter().zip(&bottom[side..]));
                for (v, ((a, b), (c, d))) in row.iter_mut().zip(corners) {
                    *v = d.wrapping_sub(*c).wrapping_sub(*b).wrapping_add(*a) as f32 * scale;
                }
            } else {
                for (i, v) in row.iter_mut().enumerate() {
                    let x = i * step;
                    let sum = bottom[x + side].wrapping_sub(bottom[x]).wrapping_sub(top[x + side]).wrapping_add(top[x]);
                    *v = sum as f32 * scale;
                }
            }
        });
        let (mut darker, mut variance) = (vec![0.0f32; size.area()], vec![UNKNOWN; size.area()]);
        let rows = darker.par_chunks_mut(size.width).zip(variance.par_chunks_mut(size.width));
        rows.enumerate().for_each(|(j, (darker, variance))| {
            let inside = j >= far && j + far < size.height;
            if inside {
                answers(&means, size.width, j, far, slant, darker, variance);
            }
            for i in 0..size.width {
                if !(inside && i >= far && i + far < size.width) {
                    (darker[i], variance[i]) = at_edge(&means, size, (i, j), far, slant);
                }
            }
        });
        let sound = soundness(unsound, size, |i| i * step, side, far * step);
        let first = side as f64 / 2.0;
        let mut noise = noise(&darker, &variance, &sound, size, step as f64, first);
        let sigma = sigmas(&variance, &sound, &noise, size);
        let bright = darker.iter().zip(&sigma).filter(|(d, s)| **d < -3.5 * **s).count();
        noise.beyond = bright as f64 / sigma.iter().filter(|s| s.is_finite()).count().max(1) as f64;
        Some(Response { step, first, size, darker, sigma, noise })
    }
}

/// A row of answers: the mean of the eight boxes around against the one in the middle, and their variance about a plane.
fn answers(means: &[f32], stride: usize, j: usize, far: usize, slant: usize, darker: &mut [f32], variance: &mut [f32]) {
    let count = stride - 2 * far;
    let row = |j: usize, shift: usize| &means[j * stride + shift..][..count];
    let middle = row(j, far);
    let (west, east) = (row(j, 0), row(j, 2 * far));
    let (north, south) = (row(j - far, far), row(j + far, far));
    let (nw, ne) = (row(j - slant, far - slant), row(j - slant, far + slant));
    let (sw, se) = (row(j + slant, far - slant), row(j + slant, far + slant));
    let (f, s) = (far as f32, slant as f32);
    let spread = 1.0 / (2.0 * f * f + 4.0 * s * s);
    let (darker, variance) = (&mut darker[far..][..count], &mut variance[far..][..count]);
    for i in 0..count {
        // Against the middle, so that squares stay small numbers.
        let m = middle[i];
        let (w, e, n, o) = (west[i] - m, east[i] - m, north[i] - m, south[i] - m);
        let (a, b, c, d) = (nw[i] - m, ne[i] - m, sw[i] - m, se[i] - m);
        let mean = 0.125 * (w + e + n + o + a + b + c + d);
        let squares = w * w + e * e + n * n + o * o + a * a + b * b + c * c + d * d;
        let across = f * (e - w) + s * (b + d - a - c);
        let down = f * (o - n) + s * (c + d - a - b);
        let left = squares - 8.0 * mean * mean - (across * across + down * down) * spread;
        darker[i] = mean;
        variance[i] = left.max(0.0) * (1.0 / FREEDOM);
    }
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
    if !unsound.data().contains(&true) {
        return vec![true; size.area()];
    }
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
            // Neighbours hang together: a quarter of them tells as much.
            for j in rows.step_by(2) {
                for i in columns.clone().step_by(2) {
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
    let mut noise = Noise { cells: BLOCK as f64 * step, first, size, values, least: LEAST, beyond: 0.0 };
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
        let block_row = &noise.values[(j / BLOCK).min(noise.size.height - 1) * noise.size.width..][..noise.size.width];
        let at = j * size.width;
        for (b, &(usual, wide)) in block_row.iter().enumerate() {
            let end = if b + 1 == noise.size.width { size.width } else { (b + 1) * BLOCK };
            let span = b * BLOCK..end;
            let of = variance[at..][span.clone()].iter().zip(&sound[at..][span.clone()]);
            for (v, (&variance, &sound)) in row[span].iter_mut().zip(of) {
                if sound && variance < f32::MAX {
                    let freedom = if variance < 0.0 { 0.0 } else { FREEDOM };
                    *v = nearby(usual, wide, noise.least, variance, freedom);
                }
            }
        }
    });
    sigma
}
