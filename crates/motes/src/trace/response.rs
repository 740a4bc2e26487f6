//! The answer of every place of a picture to one width of shadow, how far answers stray nearby, and what both say for a mote.

use std::ops::Range;

use motelight_frame::{Plane, Size, widest};
use rayon::prelude::*;

use crate::trace::answers::{FREEDOM, NOTHING, Places};
use crate::trace::sums::{BOX, Sums};

/// What a picture says for motes, on a grid of places.
#[derive(Debug)]
pub struct Response {
    /// Cells between neighbouring places.
    pub step: usize,
    /// Cells from the picture's corner to the first place.
    pub first: f64,
    /// Places.
    pub size: Size,
    /// Logarithm of how much likelier a place's answer is with a mote than without, for either area sought, in steps of
    /// 1 / [`EVIDENCE_STEPS`].
    pub evidence: Vec<[i16; 2]>,
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
        let places = Places::new(sums, unsound, width)?;
        let box_um = BOX * width * cell_um;
        let sought = SOUGHT.map(|(area, most)| (CAUGHT * area / (box_um * box_um) as f32, most));
        Some(told(&places, sought))
    }
}

/// Rows of blocks that one processor takes on at least.
const TOGETHER: usize = 6;

/// The places of a block along one side; the last takes what is left.
fn block(b: usize, blocks: usize, places: usize) -> Range<usize> {
    b * BLOCK..if b + 1 == blocks { places } else { (b + 1) * BLOCK }
}

/// The answers of some rows of places, row by row.
#[derive(Default)]
struct Answers {
    darker: Vec<f32>,
    variance: Vec<f32>,
}

impl Answers {
    fn fill(&mut self, places: &Places, rows: Range<usize>) {
        let width = places.size.width;
        self.darker.resize(width * rows.len(), 0.0);
        self.variance.resize(width * rows.len(), 0.0);
        let band = places.band(rows.clone());
        let lines = self.darker.chunks_exact_mut(width).zip(self.variance.chunks_exact_mut(width));
        for (j, (darker, variance)) in rows.zip(lines) {
            places.answers(&band, j, darker, variance);
        }
    }

    /// How far they stray, for each of `blocks`.
    fn strays(&self, width: usize, blocks: usize) -> impl Iterator<Item = (f32, f32)> {
        let mut strays: Vec<_> = (0..blocks).map(|_| Vec::with_capacity(BLOCK * BLOCK / 4)).collect();
        // Neighbours hang together, for shadows lie over four of them: one in nine tells as much.
        let lines = self.darker.chunks_exact(width).zip(self.variance.chunks_exact(width)).step_by(3);
        for (darker, variance) in lines {
            for (b, strays) in strays.iter_mut().enumerate() {
                let columns = block(b, blocks, width).step_by(3);
                strays.extend(columns.filter(|&i| variance[i] < NOTHING).map(|i| darker[i].abs()));
            }
        }
        strays.into_iter().map(stray)
    }
}

/// What the places say for a mote that would answer so much, taken to show no more than so many standard errors.
fn told(places: &Places, sought: [(f32, f32); 2]) -> Response {
    let Size { width, height } = places.size;
    let blocks = Size { width: (width / BLOCK).max(1), height: (height / BLOCK).max(1) };
    let rows_of = |b: usize| block(b, blocks.height, height);
    // Every fourth row of blocks tells where the picture is plain.
    let some = (0..blocks.height).into_par_iter().step_by(if blocks.height < 16 { 1 } else { 4 });
    let plain = some.with_min_len(TOGETHER).map_init(Answers::default, |answers, b| {
        answers.fill(places, rows_of(b));
        answers.strays(width, blocks.width).map(|v| v.0).filter(|v| v.is_finite()).collect::<Vec<f32>>()
    });
    let mut plain = plain.flatten_iter().collect::<Vec<f32>>();
    let least = if plain.is_empty() {
        LEAST
    } else {
        let at = plain.len() / 5;
        // Light changes the noise from place to place, by less than this.
        (0.7 * *plain.select_nth_unstable_by(at, f32::total_cmp).1).max(LEAST)
    };
    let (mut evidence, mut values) = (vec![[0i16; 2]; places.size.area()], vec![(0.0, 0.0); blocks.area()]);
    let mut rest = evidence.as_mut_slice();
    let parts: Vec<&mut [[i16; 2]]> =
        (0..blocks.height).map(|b| rest.split_off_mut(..width * rows_of(b).len()).unwrap_or_default()).collect();
    let (bright, all) = parts
        .into_par_iter()
        .zip(values.par_chunks_mut(blocks.width))
        .enumerate()
        .with_min_len(TOGETHER)
        .map_init(Answers::default, |answers, (b, (evidence, values))| {
            answers.fill(places, rows_of(b));
            for (value, stray) in values.iter_mut().zip(answers.strays(width, blocks.width)) {
                *value = stray;
            }
            weigh(answers, values, least, sought, evidence, width)
        })
        .reduce(|| (0, 0), |a, b| (a.0 + b.0, a.1 + b.1));
    let beyond = f64::from(bright) / f64::from(all.max(1));
    let first = places.side as f64 / 2.0;
    let cells = (BLOCK * places.step) as f64;
    let noise = Noise { cells, first, size: blocks, values, least, beyond };
    Response { step: places.step, first, size: places.size, evidence, noise }
}

/// What the answers of a row of blocks, which stray so far, say. Gives how many of them are more than 3.5 standard errors brighter
/// than around, and how many say anything.
fn weigh(
    answers: &Answers,
    strays: &[(f32, f32)],
    least: f32,
    sought: [(f32, f32); 2],
    evidence: &mut [[i16; 2]],
    width: usize,
) -> (u32, u32) {
    let weighers: Vec<Weigher> = strays.iter().map(|&block| Weigher::new(block, least)).collect();
    let lines = answers.darker.chunks_exact(width).zip(answers.variance.chunks_exact(width));
    let mut counts = (0, 0);
    for ((darker, variance), evidence) in lines.zip(evidence.chunks_exact_mut(width)) {
        widest(|| {
            for (b, weigher) in weighers.iter().enumerate() {
                let span = block(b, weighers.len(), width);
                let told = (&variance[span.clone()], &darker[span.clone()]);
                let (bright, all) = weigher.weigh(told, &mut evidence[span], sought);
                counts = (counts.0 + bright, counts.1 + all);
            }
        });
    }
    counts
}

/// Standard error of answers that stray so far from nothing: as most of them tell it, and as nine in ten do.
fn stray(mut strays: Vec<f32>) -> (f32, f32) {
    if strays.len() < 12 {
        return (f32::INFINITY, f32::INFINITY);
    }
    let (half, tenth) = (strays.len() / 2, strays.len() * 9 / 10);
    let (_, ninth, _) = strays.select_nth_unstable_by(tenth, f32::total_cmp);
    let ninth = *ninth;
    let (_, median, _) = strays[..tenth].select_nth_unstable_by(half, f32::total_cmp);
    // Normal distribution: half of |v| lie below 0.6745 sigma, nine tenths below 1.645. Texture and edges raise the second
    // more than the first.
    let usual = (*median / 0.6745).max(LEAST);
    (usual, (ninth / 1.645).max(usual))
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
        evidence: &mut [[i16; 2]],
        [faint, plain]: [(f32, f32); 2],
    ) -> (u32, u32) {
        let (mut bright, mut all) = (0u32, 0u32);
        let told = variance.iter().zip(darker);
        for (said_here, (&variance, &darker)) in evidence.iter_mut().zip(told) {
            let per_sigma = 1.0 / larger((self.own * variance + self.held).sqrt(), self.least);
            let per_sigma = if variance < 0.0 { self.per_wide } else { per_sigma };
            let per_sigma = if variance < NOTHING && self.known { per_sigma } else { 0.0 };
            let z = darker * per_sigma;
            *said_here = [said(z, per_sigma, faint), said(z, per_sigma, plain)];
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
    use crate::trace::answers::UNKNOWN;

    /// The evidence of normal answers (logarithm of the ratio of their likelihoods: `e z - e^2 / 2`), place by place.
    #[test]
    fn what_is_weighed_in_a_row_is_what_each_place_says() {
        let (usual, wide, least) = (0.004f32, 0.006f32, 0.001f32);
        let variance = [0.0, 1e-6, 4e-5, UNKNOWN, NOTHING, 2e-3];
        let darker = [0.0, 0.02, 0.011, -0.03, 0.5, 0.04];
        let sought = [(0.002, 1.0), (0.01, 3.0)];
        let mut evidence = [[0i16; 2]; 6];
        let counts = Weigher::new((usual, wide), least).weigh((&variance, &darker), &mut evidence, sought);
        assert_eq!(counts, (1, 5));
        for i in 0..6 {
            for (got, (answer, most)) in evidence[i].into_iter().zip(sought) {
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
