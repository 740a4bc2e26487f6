//! Whether a mote is there at all, how large it is, when it came and whether it went: one chain of states over the
//! pictures in the order they were taken (not yet there, there, gone), for every size it may have.

use std::sync::Arc;

use crate::density::normal;

/// What one picture says of one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Word {
    /// How much darker the place is than around it, in standard errors; `None` where it cannot be told.
    pub darker: Option<f64>,
    /// What a mote of each size would show there, as a logarithm.
    pub answers: Arc<[f64]>,
    /// Standard error, as a logarithm; infinite where it cannot be told.
    pub sigma: f64,
    /// How much the picture counts: 1, or less where others are of the same view.
    pub weight: f64,
    /// Whether another lens was put on just before this picture.
    pub lens_changed: bool,
    /// Share of the picture's answers that have nothing to do with motes or noise (birds, wires, tufts of cloud).
    pub strange: f64,
}

impl Word {
    /// What a mote of a size would show, in standard errors.
    pub fn expected(&self, size: usize) -> f64 {
        self.answers[size] / self.sigma
    }
}

/// What all pictures together say.
#[derive(Debug, Clone, PartialEq)]
pub struct Story {
    /// Logarithm of how much likelier the pictures are with a mote than without.
    pub evidence: f64,
    /// The same without the picture that says most for it.
    pub evidence_without_best: f64,
    /// Number of different views that speak for it, counted by their weights.
    pub views: f64,
    /// Probability of each size.
    pub sizes: Vec<f64>,
    /// Probability that it came just before each picture; 0: there from the start.
    pub arrival: Vec<f64>,
    /// Probability that it went just before each picture; one more at the end: it stayed.
    pub departure: Vec<f64>,
    /// Probability that it stands in each picture.
    pub present: Vec<f64>,
}

/// What expected answers err by, relative: tone curves of cameras, shapes of motes. A guess.
const MODEL_ERROR: f64 = 0.25;
/// Probabilities before the pictures are looked at, guesses: that a mote was there from the start, that it ever goes,
/// and how much likelier either happens while the lens is off.
const FROM_THE_START: f64 = 0.65;
const EVER_GOES: f64 = 0.05;
const AT_A_CHANGE: f64 = 6.0;

/// Density of strange answers: the same for every factor of size beyond the noise, up to a hundred standard errors.
fn strange(z: f64, share: f64) -> f64 {
    // The integral of 1 / (2 + |z|) from -100 to 100.
    share / (7.86 * (2.0 + z.abs()))
}

/// Share of strange answers, of which `beyond` of all lie more than 3.5 standard errors on one side; at least a hundredth, a
/// guess on the safe side.
pub fn strange_share(beyond: f64) -> f64 {
    // The integral of 1 / (2 + z) from 3.5 to 100, over 7.86.
    (beyond / 0.371).clamp(0.01, 0.3)
}

/// An answer, and how likely it is where there is no mote.
struct Heard {
    z: f64,
    share: f64,
    odd: f64,
    without: f64,
}

impl Heard {
    fn new(z: f64, share: f64) -> Heard {
        let odd = strange(z, share);
        Heard { z, share, odd, without: (1.0 - share) * normal(z, 1.0) + odd }
    }

    /// How much likelier the answer is with a mote that would give `expected`.
    fn ratio(&self, expected: f64) -> f64 {
        let spread = (1.0 + (MODEL_ERROR * expected).powi(2)).sqrt();
        ((1.0 - self.share) * normal(self.z - expected, spread) + self.odd) / self.without
    }
}

/// A number that may grow past all bounds: `value` times e to the `ln_scale`.
#[derive(Debug, Clone, Copy)]
struct Large {
    value: f64,
    ln_scale: f64,
}

impl Large {
    /// From here on the scale is drawn out of a value; 1e150 squared is still a number.
    const MOST: f64 = 1e150;

    fn ln(self) -> f64 {
        self.value.ln() + self.ln_scale
    }

    /// Of two numbers below [`Self::MOST`].
    fn times(self, other: Large) -> Large {
        Large { value: self.value * other.value, ln_scale: self.ln_scale + other.ln_scale }
    }

    fn over(self, other: Large) -> f64 {
        let scale = self.ln_scale - other.ln_scale;
        let ratio = self.value / other.value;
        if scale == 0.0 { ratio } else { ratio * scale.exp() }
    }

    /// Draws the scale out; gives what everything of the same scale is to be multiplied by.
    fn scaled(&mut self) -> f64 {
        if self.value < Self::MOST {
            return 1.0;
        }
        self.value /= Self::MOST;
        self.ln_scale += Self::MOST.ln();
        1.0 / Self::MOST
    }
}

/// A picture in a chain: how likely it is with the mote there, and all up to it, and all from it on, over how likely they are
/// without a mote at all.
struct Link {
    ratio: f64,
    forward: Large,
    backward: Large,
}

/// One size's chain of pictures.
struct Chain {
    links: Vec<Link>,
    evidence: Large,
}

impl Chain {
    /// `comes` and `goes`: probabilities that a mote comes, or goes, just before each picture.
    fn new(ratios: impl Iterator<Item = f64>, comes: &[f64], goes: &[f64]) -> Chain {
        let none = Large { value: 0.0, ln_scale: 0.0 };
        let (mut there, mut one) = (none, 1.0);
        let mut links: Vec<Link> = ratios
            .enumerate()
            .map(|(k, ratio)| {
                let stays = if k == 0 { 0.0 } else { 1.0 - goes[k] };
                there.value = (there.value * stays + comes[k] * one) * ratio;
                one *= there.scaled();
                Link { ratio, forward: there, backward: none }
            })
            .collect();
        let (mut after, mut one, mut evidence) = (Large { value: 1.0, ln_scale: 0.0 }, 1.0, 0.0);
        let n = links.len();
        for (k, link) in links.iter_mut().enumerate().rev() {
            let next = if k + 1 < n { after.value * (1.0 - goes[k + 1]) + goes[k + 1] * one } else { 1.0 };
            after.value = next * link.ratio;
            let scale = after.scaled();
            one *= scale;
            evidence = evidence * scale + comes[k] * after.value;
            link.backward = after;
        }
        Chain { links, evidence: Large { value: evidence, ..after } }
    }
}

/// Adds in logarithms.
fn add(a: f64, b: f64) -> f64 {
    let (high, low) = if a > b { (a, b) } else { (b, a) };
    if low == f64::NEG_INFINITY { high } else { high + (low - high).exp().ln_1p() }
}

/// Reads the story of one place. `sizes`: logarithms of the probabilities of the sizes before.
pub fn story(words: &[Word], sizes: &[f64]) -> Story {
    let n = words.len();
    let change = |k: usize| if words[k].lens_changed { AT_A_CHANGE } else { 1.0 };
    let total: f64 = (1..n).map(change).sum::<f64>().max(1.0);
    let comes = |k: usize| if k == 0 { FROM_THE_START } else { (1.0 - FROM_THE_START) * change(k) / total };
    let comes: Vec<f64> = (0..n).map(comes).collect();
    let goes: Vec<f64> = (0..n).map(|k| EVER_GOES * change(k) / total).collect();

    let mut all = Story {
        evidence: f64::NEG_INFINITY,
        evidence_without_best: 0.0,
        views: 0.0,
        sizes: Vec::with_capacity(sizes.len()),
        arrival: vec![0.0; n],
        departure: vec![0.0; n + 1],
        present: vec![0.0; n],
    };
    let heard: Vec<Option<Heard>> = words.iter().map(|w| w.darker.map(|z| Heard::new(z, w.strange))).collect();
    let mut chains = Vec::with_capacity(sizes.len());
    for (size, prior) in sizes.iter().enumerate() {
        let ratio = |(w, heard): (&Word, &Option<Heard>)| {
            let ratio = heard.as_ref().map_or(1.0, |h| h.ratio(w.expected(size)));
            if w.weight < 1.0 { ratio.powf(w.weight) } else { ratio }
        };
        let chain = Chain::new(words.iter().zip(&heard).map(ratio), &comes, &goes);
        all.evidence = add(all.evidence, prior + chain.evidence.ln());
        chains.push(chain);
    }
    for (chain, prior) in chains.iter().zip(sizes) {
        let Chain { links, evidence } = chain;
        let share = (prior + evidence.ln() - all.evidence).exp();
        all.sizes.push(share);
        if share < 1e-6 {
            continue;
        }
        let mut stood = 0.0;
        for (k, link) in links.iter().enumerate() {
            all.arrival[k] += share * comes[k] * link.backward.over(*evidence);
            all.present[k] += share * link.forward.times(link.backward).over(*evidence) / link.ratio;
            all.departure[k] += share * stood * goes[k];
            stood = link.forward.over(*evidence);
        }
        all.departure[n] += share * stood;
    }
    let best_size = (0..sizes.len()).max_by(|&a, &b| all.sizes[a].total_cmp(&all.sizes[b])).unwrap_or(0);
    if let Some(best) = chains.get(best_size) {
        let spoken: Vec<f64> = best.links.iter().zip(&all.present).map(|(l, p)| l.ratio.ln() * p).collect();
        let best = spoken.iter().copied().fold(0.0, f64::max);
        all.evidence_without_best = all.evidence - best;
        all.views = words.iter().zip(&spoken).filter(|(_, s)| **s > 0.4).map(|(w, _)| w.weight).sum();
    }
    all
}

/// The shortest run of entries around the likeliest that holds `share`, and what it holds.
pub fn interval(probabilities: &[f64], share: f64) -> (std::ops::RangeInclusive<usize>, f64) {
    let top = (0..probabilities.len()).max_by(|&a, &b| probabilities[a].total_cmp(&probabilities[b])).unwrap_or(0);
    let (mut low, mut high) = (top, top);
    let mut held = probabilities.get(top).copied().unwrap_or(0.0);
    while held < share && (low > 0 || high + 1 < probabilities.len()) {
        let left = if low > 0 { probabilities[low - 1] } else { -1.0 };
        let right = probabilities.get(high + 1).copied().unwrap_or(-1.0);
        if left > right {
            low -= 1;
            held += left;
        } else {
            high += 1;
            held += right;
        }
    }
    (low..=high, held)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All stories that a place can have, one by one: there from `from` up to before `to`.
    #[test]
    fn a_story_is_what_adding_up_all_stories_gives() {
        let told = [Some(0.4), Some(3.1), None, Some(2.2), Some(5.0), Some(-0.7)];
        let words: Vec<Word> = told
            .iter()
            .enumerate()
            .map(|(k, &darker)| Word {
                darker,
                answers: [0.01, 0.03].into(),
                sigma: if darker.is_some() { 0.01 } else { f64::INFINITY },
                weight: if k == 3 { 0.5 } else { 1.0 },
                lens_changed: k == 4,
                strange: 0.02,
            })
            .collect();
        let n = words.len();
        let prior = [0.3f64.ln(), 0.7f64.ln()];
        let got = story(&words, &prior);
        let change = |k: usize| if k == 4 { AT_A_CHANGE } else { 1.0 };
        let total: f64 = (1..n).map(change).sum();
        let goes = |k: usize| EVER_GOES * change(k) / total;
        let (mut all, mut sizes) = (0.0, [0.0; 2]);
        let (mut arrival, mut departure, mut present) = ([0.0; 6], [0.0; 7], [0.0; 6]);
        for size in 0..2 {
            for from in 0..n {
                for to in from + 1..=n {
                    let comes = if from == 0 { FROM_THE_START } else { (1.0 - FROM_THE_START) * change(from) / total };
                    let stays: f64 = (from + 1..to).map(|k| 1.0 - goes(k)).product();
                    let went = if to < n { goes(to) } else { 1.0 };
                    let said: f64 = (from..to)
                        .filter_map(|k| {
                            let w = &words[k];
                            Some(Heard::new(w.darker?, w.strange).ratio(w.expected(size)).powf(w.weight))
                        })
                        .product();
                    let p = prior[size].exp() * comes * stays * went * said;
                    all += p;
                    sizes[size] += p;
                    arrival[from] += p;
                    departure[to] += p;
                    present[from..to].iter_mut().for_each(|v| *v += p);
                }
            }
        }
        let close = |got: &[f64], expected: &[f64]| {
            assert_eq!(got.len(), expected.len());
            for (a, b) in got.iter().zip(expected) {
                assert!((a - b / all).abs() < 1e-9, "{a} against {}", b / all);
            }
        };
        assert!((got.evidence - f64::ln(all)).abs() < 1e-9);
        close(&got.sizes, &sizes);
        close(&got.arrival, &arrival);
        close(&got.departure, &departure);
        close(&got.present, &present);
    }

    #[test]
    fn a_long_shoot_full_of_one_mote_overflows_nothing() {
        let word = Word {
            darker: Some(6.0),
            answers: [0.06].into(),
            sigma: 0.01,
            weight: 1.0,
            lens_changed: false,
            strange: 0.01,
        };
        let got = story(&vec![word; 3000], &[0.0]);
        assert!(got.evidence > 10_000.0 && got.evidence.is_finite());
        assert!(got.present.iter().all(|p| (0.99..=1.0 + 1e-9).contains(p)));
        assert!((got.arrival.iter().sum::<f64>() - 1.0).abs() < 1e-9);
        assert!((got.departure.iter().sum::<f64>() - 1.0).abs() < 1e-9);
    }
}
