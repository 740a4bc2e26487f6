//! How far answers scatter where there is nothing, and the threshold that follows.

use crate::bank::Bank;
use crate::grid::median_and_sigma;
use crate::inspect::fit::{Spot, Wall};
use crate::inspect::seek::ScaleNoise;

/// Threshold for a number of false motes among `places` looked at: their number times the normal tail, times 0.4,
/// the ratio of local maxima to samples above a threshold that was measured on noise filtered with
/// discs of 10 to 40 px (project optics notes, section 5: .45 and .31).
pub fn threshold(places: f64, false_motes: f64) -> f64 {
    let tail = |k: f64| 0.5 * libm::erfc(k / std::f64::consts::SQRT_2);
    let (mut low, mut high) = (3.0, 9.0);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if 0.4 * places * tail(middle) > false_motes { low = middle } else { high = middle }
    }
    high
}

/// Places at which the scatter of fits is tried: enough to know it to 3 %, and its far tail to 6 %.
const TRIALS: usize = 3000;
const TAIL_TRIALS: usize = 20_000;

/// How much further than a normal distribution's the dark tail of answers reaches at a detection threshold, over
/// the spread. The codes of a rendered picture are coarser than its noise, and compression stills most places and
/// lets some jump: quantiles at 2 and 3 deviations tell, and their growth goes on to five and a half.
fn tail_of(mut answers: Vec<f32>) -> f64 {
    if answers.len() < TAIL_TRIALS / 20 {
        return 1.0;
    }
    answers.sort_unstable_by(|a, b| b.total_cmp(a));
    let at = |share: f64| f64::from(answers[(share * answers.len() as f64) as usize]);
    let (two, three) = (at(0.02275) / 2.0, at(0.00135) / 3.0);
    let spread = f64::from(median_and_sigma(&mut answers).1).max(1e-9);
    ((three + 2.5 * (three - two).max(0.0)) / spread).max(two / spread).max(1.0)
}

/// Excess scatter of fits by blocked area.
#[derive(Debug, Clone)]
pub struct Scatter([(f64, f64); 3]);

impl Scatter {
    /// Tries fits of three areas over the wall, clear of `motes`.
    pub fn of(wall: &Wall, bank: &Bank, motes: &[Spot], rendered: bool) -> Scatter {
        let tried = [80.0, 1200.0, 8000.0].map(|area| (area, wall.answers(bank, area, motes, TRIALS)));
        let tail = if rendered { tail_of(wall.answers(bank, tried[0].0, motes, TAIL_TRIALS)) } else { 1.0 };
        Scatter(tried.map(|(area, mut answers)| (area, f64::from(median_and_sigma(&mut answers).1).max(1.0) * tail)))
    }

    /// Straight in ln area between those tried.
    pub fn at(&self, area_um2: f64) -> f64 {
        let at = |i: usize| (self.0[i].0.ln(), self.0[i].1);
        let x = area_um2.max(1.0).ln().clamp(at(0).0, at(2).0);
        let i = usize::from(x > at(1).0);
        let t = (x - at(i).0) / (at(i + 1).0 - at(i).0);
        at(i).1 + (at(i + 1).1 - at(i).1) * t
    }
}

/// The excess of noise at a scale, between those that were measured.
pub fn excess_at(noise: &[ScaleNoise], scale: f64) -> f64 {
    let above = noise.partition_point(|n| n.scale < scale);
    match (above.checked_sub(1).map(|i| noise[i]), noise.get(above)) {
        (Some(a), Some(b)) => {
            let t = (scale / a.scale).ln() / (b.scale / a.scale).ln();
            a.excess + (b.excess - a.excess) * t
        }
        (Some(n), None) => n.excess,
        (None, Some(n)) => n.excess,
        (None, None) => 1.0,
    }
}
