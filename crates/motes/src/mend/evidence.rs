//! Whether a shadow is there: one place against the places around it, and all places together.

use crate::density::{normal, student};
use crate::mend::cells::Cells;
use crate::mend::question::{Answer, Ground, Question, Silence};
use crate::mend::shadow::LnShadow;

/// What one place says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// The answer at the place, its error put right by the places around.
    pub answer: Answer,
    /// How much farther answers stray around than their residuals tell.
    pub excess: f64,
    /// Logarithm of how much likelier the answer is with the shadow than without.
    pub ln_ratio: f64,
}

/// Nearest and farthest places around, in widths of the shadow, and the step between them.
const RING: (f64, f64) = (1.3, 3.5);
const STEP: f64 = 0.45;
/// The same of long things, whose width is their length: so far off that they do not meet themselves.
const RING_OF_LONG: (f64, f64) = (1.1, 1.9);
fn ring(shadow: &LnShadow) -> (f64, f64) {
    if shadow.is_long() { RING_OF_LONG } else { RING }
}

/// Window needed around a place for its evidence, px.
pub fn reach(shadow: &LnShadow, width: f64) -> f64 {
    ring(shadow).1 * width + shadow.window
}

/// Asks at a place and around it. `spread` is the standard error of the foretold amplitude. `taken` tells places
/// where other shadows may lie.
///
/// # Errors
/// Where too little can be measured.
pub fn evidence(
    cells: &Cells,
    shadow: &LnShadow,
    width: f64,
    at: (f64, f64),
    spread: f64,
    taken: impl Fn(f64, f64) -> bool,
) -> Result<Evidence, Silence> {
    let ground = Ground::of(cells);
    let question = Question::new(cells, shadow, at);
    let own = question.ask(&ground, 0, 0)?;
    let cell = cells.cell as f64;
    let step = (STEP * width / cell).round().max(1.0) as i64;
    let (nearest, farthest) = ring(shadow);
    let steps = (farthest * width / cell / step as f64).ceil() as i64;
    let mut strays = Vec::new();
    for j in -steps..=steps {
        for i in -steps..=steps {
            let (columns, rows) = (i * step, j * step);
            let (dx, dy) = (columns as f64 * cell, rows as f64 * cell);
            let r = dx.hypot(dy) / width;
            if !(nearest..=farthest).contains(&r) || taken(at.0 + dx, at.1 + dy) {
                continue;
            }
            if let Some(a) = question.ask(&ground, columns, rows).ok().filter(|a| a.sound > 0.7) {
                strays.push((a.amplitude / a.sigma).abs());
            }
        }
    }
    let excess = excess_of(strays);
    let answer = Answer { sigma: own.sigma * excess, ..own };
    Ok(Evidence { answer, excess, ln_ratio: ln_ratio(answer.amplitude, answer.sigma, spread) })
}

/// Standard deviation of answers in units of their own errors, from their absolute values: of the 68.3 % and the 90 %
/// quantile (1 and 1.645 standard deviations of a normal spread) the one that tells more. Never below 1.
fn excess_of(mut strays: Vec<f64>) -> f64 {
    // Too few places around tell nothing: three times the error of the residuals then, a guess.
    if strays.len() < 12 {
        return 3.0;
    }
    strays.sort_unstable_by(f64::total_cmp);
    let quantile = |q: f64| strays[((strays.len() - 1) as f64 * q).round() as usize];
    quantile(0.683).max(quantile(0.9) / 1.645).max(1.0)
}

/// Logarithm of the odds that an amplitude comes from the foretold shadow rather than from nothing. Errors are Student's: answers of
/// texture stray farther than normal ones, and the spread itself is known from some hundred places that are not all independent.
pub fn ln_ratio(amplitude: f64, sigma: f64, spread: f64) -> f64 {
    let wide = sigma.hypot(spread);
    // Something else may stand there: then any amplitude up to some times the shadow's is as likely.
    let other = |p: f64| 0.98 * p + 0.02 / 6.0;
    let with = other(student((amplitude - 1.0) / wide) / wide);
    let without = other(student(amplitude / sigma) / sigma);
    (with / without).ln()
}

/// Error of a fitted strength, beside the noise: form and pupil. A guess.
pub const STRENGTH_ERROR: f64 = 0.08;
/// Share of fitted shadows that are not what they were fitted as: what such a one leaves can be anything. A guess.
const MISFITS: f64 = 0.02;
/// Odds changed by more than this are positive, and strong, evidence (Kass and Raftery, J. American Statistical Association 90,
/// 1995, from memory).
pub const POSITIVE: f64 = 3.0;
/// See [`POSITIVE`].
pub const STRONG: f64 = 20.0;

/// How much a look at a place where a shadow was divided out speaks for an amplitude of at least `least`, of either sign, being left
/// there: the factor by which it changes the odds. Most shadows leave no more than the error of their strength; answers stray as
/// they do at places around.
pub fn speaks_for(least: f64, amplitude: f64, sigma: f64) -> f64 {
    let step = 0.125 * sigma.clamp(0.004, STRENGTH_ERROR);
    let steps = (1.0 / step).ceil() as i32;
    // Probabilities of more left and of less, and of the answer with each.
    let mut sums = [(1e-300, 0.0); 2];
    for left in (-steps..=steps).map(|i| f64::from(i) * step) {
        let prior = (1.0 - MISFITS) * normal(left, STRENGTH_ERROR) + MISFITS / 2.0;
        let (all, answer) = &mut sums[usize::from(left.abs() < least)];
        *all += prior;
        *answer += prior * student((amplitude - left) / sigma);
    }
    let [more, less] = sums.map(|(all, answer)| answer / all);
    more / less.max(1e-300)
}

/// What all places together say.
#[derive(Debug, Clone, PartialEq)]
pub struct Pooled {
    /// Probability that each shadow is there.
    pub probabilities: Vec<f64>,
    /// Probability that the chart holds in this picture at all.
    pub holds: f64,
}

/// Shares of the chart's motes that may still be there.
const SHARES: usize = 20;

/// Pools places by the share of the chart's motes that are there, which is unknown: none with probability one half
/// (another body's chart, a cleaned sensor), else rather most than few, as a Beta(2, 0.6) has it (a guess: motes
/// mostly stay where they are). `handicap` is subtracted from the evidence for the chart: the logarithm of how
/// many ways of placing it were tried.
pub fn pool(ln_ratios: &[f64], handicap: f64) -> Pooled {
    let share = |k: usize| (k as f64 + 0.5) / SHARES as f64;
    let prior: Vec<f64> = (0..SHARES).map(|k| share(k) * (1.0 - share(k)).powf(-0.4)).collect();
    let sum: f64 = prior.iter().sum();
    // ln of each share's weight over that of none.
    let scores: Vec<f64> = (0..SHARES)
        .map(|k| ln_ratios.iter().map(|l| ln_mix(share(k), *l)).sum::<f64>() - handicap + (prior[k] / sum).ln())
        .collect();
    let highest = scores.iter().copied().fold(0.0, f64::max);
    let weight: Vec<f64> = scores.iter().map(|s| (s - highest).exp()).collect();
    let none = (-highest).exp();
    let total = none + weight.iter().sum::<f64>();
    let probabilities = ln_ratios
        .iter()
        .map(|&l| {
            let there = |q: f64| 1.0 / (1.0 + (1.0 - q) / q * (-l).exp());
            weight.iter().enumerate().map(|(k, w)| w * there(share(k))).sum::<f64>() / total
        })
        .collect();
    Pooled { probabilities, holds: 1.0 - none / total }
}

/// `ln(1 - q + q e^l)`, for any `l`.
pub fn ln_mix(q: f64, l: f64) -> f64 {
    if l > 0.0 { l + (q + (1.0 - q) * (-l).exp()).ln() } else { (1.0 - q + q * l.exp()).ln() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_told_where_the_ground_is_plain_and_not_where_answers_stray_as_far() {
        // A twentieth of a shadow that is seen from a hundredth on: plain on a clear sky, nothing among detail.
        assert!(speaks_for(0.01, 0.05, 0.004) > STRONG);
        assert!(speaks_for(0.01, 0.5, 0.02) > STRONG);
        assert!(speaks_for(0.01, 0.6, 0.27) < STRONG, "an edge through the shadow");
        assert!(speaks_for(0.01, 0.0, 0.004) < 1.0 / STRONG);
        // An answer that tells nothing changes no odds; either sign speaks alike; the farther from chance the louder.
        assert!((speaks_for(0.03, 1.0, 50.0) - 1.0).abs() < 0.01);
        assert!((speaks_for(0.03, 0.1, 0.02) / speaks_for(0.03, -0.1, 0.02) - 1.0).abs() < 1e-6);
        let louder: Vec<f64> = [0.0, 0.03, 0.06, 0.12, 0.24].iter().map(|a| speaks_for(0.03, *a, 0.02)).collect();
        assert!(louder.windows(2).all(|w| w[0] < w[1]), "{louder:?}");
    }
}
