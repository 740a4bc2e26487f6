//! Whether a mote is there at all, how large it is, when it came and whether it went: one chain of states over the
//! pictures in the order they were taken (not yet there, there, gone), for every size it may have.

/// What one picture says of one place.
#[derive(Debug, Clone, PartialEq)]
pub struct Word {
    /// How much darker the place is than around it, in standard errors; `None` where it cannot be told.
    pub darker: Option<f64>,
    /// What a mote of each size would show, in the same standard errors.
    pub expected: Vec<f64>,
    /// How much the picture counts: 1, or less where others are of the same view.
    pub weight: f64,
    /// Whether another lens was put on just before this picture.
    pub lens_changed: bool,
    /// Share of the picture's answers that have nothing to do with motes or noise (birds, wires, tufts of cloud).
    pub strange: f64,
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

fn normal(z: f64, sigma: f64) -> f64 {
    (-0.5 * (z / sigma) * (z / sigma)).exp() / (sigma * 2.506_628_274_631)
}

/// Logarithm of how much likelier an answer is with a mote that would give `expected`.
pub fn ln_ratio(darker: f64, expected: f64, share: f64) -> f64 {
    let odd = strange(darker, share);
    let with = (1.0 - share) * normal(darker - expected, 1.0f64.hypot(MODEL_ERROR * expected)) + odd;
    let without = (1.0 - share) * normal(darker, 1.0) + odd;
    (with / without).ln()
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
    let goes = |k: usize| EVER_GOES * change(k) / total;

    let mut all = Story {
        evidence: f64::NEG_INFINITY,
        evidence_without_best: 0.0,
        views: 0.0,
        sizes: Vec::with_capacity(sizes.len()),
        arrival: vec![0.0; n],
        departure: vec![0.0; n + 1],
        present: vec![0.0; n],
    };
    let mut chains = Vec::with_capacity(sizes.len());
    for (a, prior) in sizes.iter().enumerate() {
        let said: Vec<f64> =
            words.iter().map(|w| w.darker.map_or(0.0, |z| w.weight * ln_ratio(z, w.expected[a], w.strange))).collect();
        // Forward: there at k, whenever it came. Backward: what follows if it is there at k.
        let (mut forward, mut backward) = (vec![f64::NEG_INFINITY; n], vec![0.0; n + 1]);
        let mut before = f64::NEG_INFINITY;
        for k in 0..n {
            let stays = if k == 0 { 0.0 } else { (-goes(k)).ln_1p() };
            before = add(before + stays, comes(k).ln()) + said[k];
            forward[k] = before;
        }
        for k in (0..n).rev() {
            let next = if k + 1 < n { add(backward[k + 1] + (-goes(k + 1)).ln_1p(), goes(k + 1).ln()) } else { 0.0 };
            backward[k] = said[k] + next;
        }
        let evidence = (0..n).fold(f64::NEG_INFINITY, |sum, k| add(sum, comes(k).ln() + backward[k]));
        all.evidence = add(all.evidence, prior + evidence);
        chains.push((said, forward, backward, evidence));
    }
    for ((said, forward, backward, evidence), prior) in chains.iter().zip(sizes) {
        let share = (prior + evidence - all.evidence).exp();
        all.sizes.push(share);
        if share < 1e-6 {
            continue;
        }
        for k in 0..n {
            all.arrival[k] += share * (comes(k).ln() + backward[k] - evidence).exp();
            all.present[k] += share * (forward[k] + backward[k] - said[k] - evidence).exp();
            let went = if k == 0 { f64::NEG_INFINITY } else { forward[k - 1] + goes(k).ln() };
            all.departure[k] += share * (went - evidence).exp();
        }
        all.departure[n] += share * (forward[n.max(1) - 1] - evidence).exp();
    }
    let best_size = (0..sizes.len()).max_by(|&a, &b| all.sizes[a].total_cmp(&all.sizes[b])).unwrap_or(0);
    if let Some((said, ..)) = chains.get(best_size) {
        let spoken: Vec<f64> = said.iter().zip(&all.present).map(|(s, p)| s * p).collect();
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
