//! The answer of every place of a picture to one width of shadow, how far answers stray nearby, and what both say for a mote.

use motelight_frame::{Plane, Size, widest};
use rayon::prelude::*;

use crate::trace::sums::{AROUND, BOX, SLANT, Sums};
use crate::trace::view::{PATCH, STEPS};

/// What a picture says for motes, on a grid of places.
#[derive(Debug)]
pub struct Response {
    /// Cells between neighbouring places.
    pub step: usize,
    /// Cells from the picture's corner to the first place.
    pub first: f64,
    /// Places.
    pub size: Size,
    /// Logarithm of how much likelier a place's answer is with a mote of either area sought than without, in steps of
    /// 1 / [`EVIDENCE_STEPS`].
    pub evidence: [Vec<i16>; 2],
    /// How far answers stray.
    pub noise: Noise,
}

/// Steps of evidence to a factor of e.
pub const EVIDENCE_STEPS: f32 = 4096.0;
/// Blocked areas looked for, µm², each with the most that a single picture is taken to show of it in standard errors:
/// faint ones that many pictures must add up for, and plain ones.
const SOUGHT: [(f32, f32); 2] = [(40.0, 1.0), (200.0, 3.0)];
/// Most and least that one picture says, so that none makes or breaks a mote.
const MOST_SAID: f32 = 4.5;
const LEAST_SAID: f32 = -3.0;
/// Share of a small mote's shadow that falls into the box of the shadow's area.
const CAUGHT: f32 = 0.91;

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
    if freedom <= 0.0 || !usual.is_finite() {
        return wide;
    }
    ((freedom * ALONE * variance + HOLD * usual * usual) / (freedom + HOLD)).sqrt().max(least)
}

/// How many more values a block's standard error counts for.
const HOLD: f32 = 2.0;
/// Variance of an answer over that of a box: one box against the mean of eight.
const ALONE: f32 = 1.125;

impl Response {
    /// Of shadows `width` cells of `cell_um` wide; `None` where cells are too coarse or the picture too small for them.
    pub fn of(sums: &Sums, unsound: &Plane<bool>, width: f64, cell_um: f64) -> Option<Response> {
        let cells = sums.cells();
        let side = ((BOX * width).round() as usize).max(2);
        let step = ((width / 3.0).round() as usize).max(1);
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
                widest(|| answers(&means, size.width, j, far, slant, darker, variance));
            }
            for i in 0..size.width {
                if !(inside && i >= far && i + far < size.width) {
                    (darker[i], variance[i]) = at_edge(&means, size, (i, j), far, slant);
                }
            }
        });
        strike_out(unsound, &mut variance, size, |i| i * step, side, far * step);
        let first = side as f64 / 2.0;
        let mut noise = noise(&darker, &variance, size, step as f64, first);
        let box_um = BOX * width * cell_um;
        let answers = SOUGHT.map(|(area, most)| (CAUGHT * area / (box_um * box_um) as f32, most));
        let (evidence, beyond) = evidence(&darker, &variance, &noise, size, answers);
        noise.beyond = beyond;
        Some(Response { step, first, size, evidence, noise })
    }
}

/// A row of answers: the mean of the eight boxes around against the one in the middle, and their variance about a plane.
#[inline(always)]
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
        variance[i] = if left > 0.0 { left * (1.0 / FREEDOM) } else { 0.0 };
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
    if count == 0.0 { (0.0, NOTHING) } else { (sum / count, UNKNOWN) }
}

/// Stands for a variance that cannot be told.
const UNKNOWN: f32 = -1.0;
/// Stands for the variance of a place that says nothing.
const NOTHING: f32 = f32::MAX;

/// Places for which something counts that cannot be measured say nothing.
fn strike_out(
    unsound: &Plane<bool>,
    variance: &mut [f32],
    size: Size,
    corner: impl Fn(usize) -> usize + Sync,
    side: usize,
    far: usize,
) {
    let (width, height) = (unsound.width(), unsound.height());
    if !unsound.data().contains(&true) {
        return;
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
    variance.par_chunks_mut(size.width).enumerate().for_each(|(j, row)| {
        let (top, bottom) = range(j, height);
        let (above, below) = (&sums[top * stride..], &sums[bottom * stride..]);
        if below[width] == above[width] {
            return;
        }
        for (v, &(left, right)) in row.iter_mut().zip(&columns) {
            if below[right] + above[left] != below[left] + above[right] {
                *v = NOTHING;
            }
        }
    });
}

fn noise(darker: &[f32], variance: &[f32], places: Size, step: f64, first: f64) -> Noise {
    let size = Size { width: (places.width / BLOCK).max(1), height: (places.height / BLOCK).max(1) };
    let values = (0..size.area())
        .into_par_iter()
        .map(|b| {
            let span =
                |i: usize, end: usize, blocks: usize| i * BLOCK..if i + 1 == blocks { end } else { (i + 1) * BLOCK };
            let rows = span(b / size.width, places.height, size.height);
            let columns = span(b % size.width, places.width, size.width);
            let mut strays = Vec::with_capacity(BLOCK * BLOCK);
            // Neighbours hang together, for shadows lie over four of them: one in nine tells as much.
            for j in rows.step_by(3) {
                for i in columns.clone().step_by(3) {
                    let at = j * places.width + i;
                    if variance[at] < NOTHING {
                        strays.push(darker[at].abs());
                    }
                }
            }
            if strays.len() < 12 {
                return (f32::INFINITY, f32::INFINITY);
            }
            let (half, tenth) = (strays.len() / 2, strays.len() * 9 / 10);
            let (_, ninth, _) = strays.select_nth_unstable_by(tenth, f32::total_cmp);
            let ninth = *ninth;
            let (_, median, _) = strays[..tenth].select_nth_unstable_by(half, f32::total_cmp);
            // Normal distribution: half of |v| lie below 0.6745 sigma, nine tenths below 1.645. Texture and edges
            // raise the second more than the first.
            let usual = (*median / 0.6745).max(LEAST);
            (usual, (ninth / 1.645).max(usual))
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

/// What answers say for a mote that would answer so much, taken to show no more than so many standard errors; and the share of
/// places that are more than 3.5 standard errors brighter than around.
fn evidence(
    darker: &[f32],
    variance: &[f32],
    noise: &Noise,
    size: Size,
    sought: [(f32, f32); 2],
) -> ([Vec<i16>; 2], f64) {
    let mut evidence = [vec![0i16; size.area()], vec![0i16; size.area()]];
    let [faint, plain] = &mut evidence;
    let (bright, all) = faint
        .par_chunks_mut(size.width)
        .zip(plain.par_chunks_mut(size.width))
        .zip(variance.par_chunks(size.width).zip(darker.par_chunks(size.width)))
        .enumerate()
        .map(|(j, ((faint, plain), (variance, darker)))| {
            let at = (j / BLOCK).min(noise.size.height - 1) * noise.size.width;
            let blocks = &noise.values[at..][..noise.size.width];
            widest(|| {
                let mut counts = (0, 0);
                for (b, &block) in blocks.iter().enumerate() {
                    let end = if b + 1 == blocks.len() { size.width } else { (b + 1) * BLOCK };
                    let span = b * BLOCK..end;
                    let weigher = Weigher::new(block, noise.least);
                    let told = (&variance[span.clone()], &darker[span.clone()]);
                    let (bright, all) = weigher.weigh(told, (&mut faint[span.clone()], &mut plain[span]), sought);
                    counts = (counts.0 + bright, counts.1 + all);
                }
                counts
            })
        })
        .reduce(|| (0, 0), |a, b| (a.0 + b.0, a.1 + b.1));
    (evidence, f64::from(bright) / f64::from(all.max(1)))
}

/// Weighs the answers of a block. As [`nearby`], without a branch for each place.
struct Weigher {
    own: f32,
    held: f32,
    least: f32,
    per_wide: f32,
    known: bool,
}

impl Weigher {
    #[inline(always)]
    fn new((usual, wide): (f32, f32), least: f32) -> Weigher {
        let (own, held) = (FREEDOM * ALONE / (FREEDOM + HOLD), HOLD * usual * usual / (FREEDOM + HOLD));
        Weigher { own, held, least, per_wide: 1.0 / wide, known: usual < f32::INFINITY }
    }

    /// What answers say for either area sought. Gives how many of them are more than 3.5 standard errors brighter than around,
    /// and how many say anything.
    #[inline(always)]
    fn weigh(
        &self,
        (variance, darker): (&[f32], &[f32]),
        (faint, plain): (&mut [i16], &mut [i16]),
        [for_faint, for_plain]: [(f32, f32); 2],
    ) -> (u32, u32) {
        let (mut bright, mut all) = (0u32, 0u32);
        let told = variance.iter().zip(darker);
        for ((faint, plain), (&variance, &darker)) in faint.iter_mut().zip(plain).zip(told) {
            let per_sigma = 1.0 / larger((self.own * variance + self.held).sqrt(), self.least);
            let per_sigma = if variance < 0.0 { self.per_wide } else { per_sigma };
            let per_sigma = if variance < NOTHING && self.known { per_sigma } else { 0.0 };
            let z = darker * per_sigma;
            *faint = said(z, per_sigma, for_faint);
            *plain = said(z, per_sigma, for_plain);
            bright += u32::from(z < -3.5);
            all += u32::from(per_sigma > 0.0);
        }
        (bright, all)
    }
}

/// What an answer of `z` standard errors says for a mote that would answer `answer`, or show `most` standard errors.
#[inline(always)]
fn said(z: f32, per_sigma: f32, (answer, most): (f32, f32)) -> i16 {
    let expected = -larger(-answer * per_sigma, -most);
    let said = -larger(-expected * (z - 0.5 * expected), -MOST_SAID);
    rounded(larger(said, LEAST_SAID) * EVIDENCE_STEPS)
}

/// The larger of two numbers. Unlike `f32::max` it is one instruction, since it need not mind what is no number.
#[inline(always)]
pub fn larger(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// The nearest whole number to one of less than 32 768. Adding 1.5 * 2^23 leaves it in the lowest bits of a float; a
/// conversion would mind what does not fit, which costs more than all the rest.
#[inline(always)]
pub fn rounded(v: f32) -> i16 {
    (v + 12_582_912.0).to_bits() as i16
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The evidence of normal answers (logarithm of the ratio of their likelihoods: `e z - e^2 / 2`), place by place.
    #[test]
    fn what_is_weighed_in_a_row_is_what_each_place_says() {
        let (usual, wide, least) = (0.004f32, 0.006f32, 0.001f32);
        let variance = [0.0, 1e-6, 4e-5, UNKNOWN, NOTHING, 2e-3];
        let darker = [0.0, 0.02, 0.011, -0.03, 0.5, 0.04];
        let sought = [(0.002, 1.0), (0.01, 3.0)];
        let (mut faint, mut plain) = ([0i16; 6], [0i16; 6]);
        let counts = Weigher::new((usual, wide), least).weigh((&variance, &darker), (&mut faint, &mut plain), sought);
        assert_eq!(counts, (1, 5));
        for i in 0..6 {
            for (got, (answer, most)) in [faint[i], plain[i]].into_iter().zip(sought) {
                let freedom = if variance[i] < 0.0 { 0.0 } else { FREEDOM };
                let sigma = nearby(usual, wide, least, variance[i], freedom);
                let e = (answer / sigma).min(most);
                let said = (e * darker[i] / sigma - 0.5 * e * e).clamp(LEAST_SAID, MOST_SAID);
                let said = if variance[i] == NOTHING { 0.0 } else { said };
                assert!((f32::from(got) / EVIDENCE_STEPS - said).abs() < 2.0 / EVIDENCE_STEPS, "{i}: {got} {said}");
            }
        }
    }

    #[test]
    fn numbers_are_rounded_to_the_nearest() {
        for v in [-18_432.0f32, -12_288.4, -1.6, -0.4, 0.0, 0.6, 1.4, 18_431.7] {
            assert_eq!(rounded(v), v.round() as i16, "{v}");
        }
    }
}
