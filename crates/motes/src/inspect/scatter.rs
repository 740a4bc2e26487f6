//! How far answers scatter where there is nothing, and the threshold that follows.

use crate::bank::Bank;
use crate::grid::median_and_sigma;
use crate::inspect::fit::{Dark, Wall};
use crate::inspect::seek::{SEEK, ScaleNoise};

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

/// Answers by which a far tail is known.
pub const TOP: usize = 20;
/// An answer below this tells of no far tail. Places are only asked where the search answered [`SEEK`], so of weaker
/// answers most are missing, and a level drawn among those that are there makes a normal tail seem long.
const FAR: f64 = SEEK;
/// The same where codes of 8 bits, mostly compressed, make the noise: those err further to the dark than to the
/// light: with [`FAR`] ten empty JPEGs of quality 92 gave six false motes instead of one. So this caution, though it
/// costs faint motes, stays. A guess.
const FAR_IN_FEW_CODES: f64 = 3.0;

/// Threshold for a number of false motes, from answers of places where no mote can be, strongest first: what exceeds a high
/// level does so by exponentially distributed amounts (the tail of a normal distribution, and of all that falls at
/// least as fast; Pickands, Annals of Statistics 3, 1975, from memory), whose scale is told by the median of the strongest
/// [`TOP`], which single outliers do not move.
pub fn threshold_against(answers: &[f64], few_codes: bool, false_motes: f64) -> f64 {
    let from = if few_codes { FAR_IN_FEW_CODES } else { FAR };
    let far = answers.partition_point(|a| *a > from);
    let top = TOP.min(far.saturating_sub(1));
    if top < TOP / 2 {
        return 0.0;
    }
    let (level, median) = (answers[top], answers[top / 2]);
    let scale = (median - level) / std::f64::consts::LN_2;
    level + scale * (top as f64 / false_motes).ln()
}

/// Places at which the scatter of fits is tried: enough to know it to 3 %, and its far tail to 5 %.
const TRIALS: usize = 3000;
const TAIL_TRIALS: usize = 50_000;

/// How much further than a normal distribution's the tails of answers reach at a detection threshold, over the
/// spread. The codes of a rendered picture are coarser than its noise, and compression stills most places and lets some
/// jump, to either side: quantiles at 2, 3 and 4 deviations tell, and their growth goes on to five and a half. Only
/// answers of places brighter than the wall are asked: motes too faint to be left out would make the other tail theirs.
fn tail_of(answers: Vec<f32>) -> f64 {
    if answers.len() < TAIL_TRIALS / 20 {
        return 1.0;
    }
    let (middle, spread) = median_and_sigma(&mut answers.clone());
    let mut away: Vec<f32> = answers.into_iter().map(|v| middle - v).filter(|v| *v > 0.0).collect();
    away.sort_unstable_by(|a, b| b.total_cmp(a));
    // Of the half of a normal distribution, 2 Q(k) lies beyond k.
    let at = |k: f64| f64::from(away[(libm::erfc(k / std::f64::consts::SQRT_2) * away.len() as f64) as usize]) / k;
    let (two, three, four) = (at(2.0), at(3.0), at(4.0));
    // A bright place of some size makes the furthest few answers: they count only as far as the nearer ones bear them out.
    let nearer = three + 2.5 * (three - two).max(0.0);
    let further = four + 1.5 * (0.5 * (four - two)).max(four - three).max(0.0);
    (nearer.min(further).max(two) / f64::from(spread).max(1e-9)).max(1.0)
}

/// The tail of a wall's answers, by the fit of a small shadow.
pub fn tail(wall: &Wall, bank: &Bank, dark: &[Dark]) -> f64 {
    tail_of(wall.answers(bank, AREAS[0], dark, TAIL_TRIALS))
}

/// Blocked areas that are tried, um^2.
const AREAS: [f64; 3] = [80.0, 1200.0, 8000.0];

/// Excess scatter of fits by blocked area.
#[derive(Debug, Clone)]
pub struct Scatter([(f64, f64); 3]);

impl Scatter {
    /// Tries fits of three areas over the wall, clear of what is `dark`.
    pub fn of(wall: &Wall, bank: &Bank, dark: &[Dark], tail: f64) -> Scatter {
        let tried = AREAS.map(|area| (area, wall.answers(bank, area, dark, TRIALS)));
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Answers as a search of `places` gives them where noise is normal: the strongest stand at the quantiles of the
    /// normal distribution; of those weaker than the search asks for only a few are there.
    fn answers_of_noise(places: f64) -> Vec<f64> {
        let tail = |k: f64| 0.5 * libm::erfc(k / std::f64::consts::SQRT_2);
        let quantile = |share: f64| {
            let (mut low, mut high) = (0.0, 9.0);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                if tail(middle) > share { low = middle } else { high = middle }
            }
            high
        };
        let strong = (1..).map(|i| quantile((f64::from(i) - 0.5) / (0.4 * places))).take_while(|a| *a > SEEK);
        strong.chain([4.0, 3.7, 3.4, 3.2, 3.1, 2.9, 2.5, 2.0]).collect()
    }

    #[test]
    fn noise_that_is_normal_keeps_the_threshold_of_normal_noise() {
        for places in [0.5e6, 2.0e6, 5.0e6, 20.0e6] {
            let answers = answers_of_noise(places);
            let (normal, told) = (threshold(places, 0.1), threshold_against(&answers, false, 0.1));
            assert!(told < normal + 0.3, "{places} places, {} answers: {told} against {normal}", answers.len());
        }
    }

    #[test]
    fn a_long_tail_raises_the_threshold() {
        let long: Vec<f64> = answers_of_noise(5.0e6).iter().map(|a| SEEK + 3.0 * (a - SEEK)).collect();
        assert!(threshold_against(&long, false, 0.1) > threshold(5.0e6, 0.1) + 1.0);
    }
}
