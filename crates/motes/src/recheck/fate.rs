//! What became of each mote.

use motelight_frame::SensorPoint;
use serde::{Deserialize, Serialize};

use crate::density::student;
use crate::measure::Estimate;
use crate::recheck::align::{Charts, Point, Transform};
use crate::recheck::figure::times_alike;
use crate::recheck::probe::Ground;

/// What became of a mote between two test frames.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// It is no longer there.
    Gone,
    /// It lies where it lay.
    Stayed,
    /// It lies elsewhere.
    Moved,
    /// It was not there before.
    New,
    /// One of the frames could not have shown it.
    Undecided,
}

/// Why a status is undecided.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// It is smaller than the other frame could have shown.
    BelowFloor,
    /// Its place lies outside the other frame, or too near to its edge.
    OutsideFrame,
    /// What stands at its place can be read either way.
    Unclear,
}

/// One mote of one chart or of both.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fate {
    /// What became of it.
    pub status: Status,
    /// Its number in the first inspection.
    pub before: Option<usize>,
    /// Its number in the second inspection.
    pub after: Option<usize>,
    /// How sure the status is, 0 to 1; undecided: how likely it is `gone`, or `new`.
    pub probability: f64,
    /// Where it lay in the first frame, seen there or traced back.
    pub at_before: SensorPoint,
    /// Where it lies in the second frame; for what is gone, where it would.
    pub at_after: SensorPoint,
    /// Why it is undecided.
    pub doubt: Option<Doubt>,
}

/// Of motes that do not stay in their place, this share moves elsewhere on the glass, the rest leaves it, as if it had been seen
/// on so many before: a guess. A wet pass moves few, a blower more, and the pair itself tells.
const MOVES: f64 = 0.25;
const MOVES_SEEN_ON: f64 = 4.0;
/// Rounds after which shares change no more.
const ROUNDS: usize = 12;
/// Half of those that move land within about this distance. A guess.
const HOP_MM: f64 = 2.5;
/// How a share of a shadow strays besides its noise: outlines, neighbours. A guess.
const STRAY: f64 = 0.12;

/// Standard deviation of the logarithm of an area of what is not round, from frame to frame. Measured as below.
const ODD: f64 = 0.08;
/// Differences of two areas of one mote, in the standard deviations that are told for them: Student's distribution with four degrees
/// of freedom and of this scale. Measured on 250 motes that moved, of frames by two synthetic cameras that share nothing: the
/// middle half lies within 0.65 standard deviations of normal ones, one in fifty beyond three.
const CORE: f64 = 0.65;
/// Differences so many standard deviations large are two motes'.
const FARTHEST: f64 = 4.0;

/// Decides on all motes of both charts.
pub(super) fn fates(charts: &Charts, transform: &Transform, grounds: &[Ground; 2]) -> Vec<Fate> {
    let court = Court { charts, transform, grounds };
    let mut pairs = court.stayed();
    let mut free = Free::of(charts, &pairs);
    // Listed in one chart only: ask the other picture.
    let lost: Vec<(usize, Heard)> = free.before().map(|i| (i, court.hear(i, 0))).collect();
    let come: Vec<(usize, Heard)> = free.after().map(|j| (j, court.hear(j, 1))).collect();
    let sure = |heard: &[(usize, Heard)]| -> Vec<usize> {
        heard.iter().filter(|(_, h)| h.verdict == Verdict::Absent).map(|(i, _)| *i).collect()
    };
    for (i, j) in court.joined(&lost, &come) {
        free.take(i, j);
        pairs.push((i, j, Status::Stayed, 0.9));
    }
    let moved = court.moved(&sure(&lost), &sure(&come), court.repeats(&pairs));
    for &(i, j, probability) in &moved {
        free.take(i, j);
        pairs.push((i, j, Status::Moved, probability));
    }
    pairs.sort_by_key(|p| p.0);
    let mut fates: Vec<Fate> = pairs.iter().map(|&(i, j, status, p)| court.pair(i, j, status, p)).collect();
    for (i, heard) in lost.iter().filter(|(i, _)| free.before[*i]) {
        fates.push(court.lone(*i, 0, heard));
    }
    fates.sort_by_key(|f| f.before);
    fates.extend(come.iter().filter(|(j, _)| free.after[*j]).map(|(j, heard)| court.lone(*j, 1, heard)));
    fates
}

/// Which motes have no partner yet.
struct Free {
    before: Vec<bool>,
    after: Vec<bool>,
}

impl Free {
    fn of(charts: &Charts, pairs: &[(usize, usize, Status, f64)]) -> Free {
        let mut free = Free { before: vec![true; charts.before.len()], after: vec![true; charts.after.len()] };
        pairs.iter().for_each(|p| free.take(p.0, p.1));
        free
    }

    fn take(&mut self, i: usize, j: usize) {
        (self.before[i], self.after[j]) = (false, false);
    }

    fn before(&self) -> impl Iterator<Item = usize> {
        (0..self.before.len()).filter(|&i| self.before[i])
    }

    fn after(&self) -> impl Iterator<Item = usize> {
        (0..self.after.len()).filter(|&j| self.after[j])
    }
}

/// What a picture says of a mote that its own chart does not list.
struct Heard {
    verdict: Verdict,
    /// Probability that it is not there.
    absent: f64,
    doubt: Option<Doubt>,
}

#[derive(Clone, Copy, PartialEq)]
enum Verdict {
    Absent,
    Present,
    CannotSay,
}

/// How blocked areas of one mote differ from frame to frame, in ln area.
#[derive(Clone, Copy)]
struct Repeats {
    bias: f64,
    /// Standard error of that.
    bias_error: f64,
    unknown: f64,
}

impl Repeats {
    /// Where too few motes stayed to tell: the model's own doubt, twice. A guess.
    const UNKNOWN: Repeats = Repeats { bias: 0.0, bias_error: 0.0, unknown: 0.042 };
    /// How far two stand-offs measured apart may put all areas: 1.5 % in height, twice that in area. A guess.
    const COMMON: f64 = 0.03;

    /// The difference of two areas, and its standard deviation if they are one mote's.
    fn of(self, p: &Point, q: &Point) -> (f64, f64) {
        let odd = if p.round && q.round { 0.0 } else { ODD };
        let model = self.unknown.hypot(self.bias_error).hypot(odd);
        (q.ln_area - p.ln_area - self.bias, p.ln_area_noise.hypot(q.ln_area_noise).hypot(model))
    }
}

struct Court<'a, 'f> {
    charts: &'a Charts,
    transform: &'a Transform,
    grounds: &'a [Ground<'f>; 2],
}

impl Court<'_, '_> {
    /// Pairs that lie where they lay: each likelier one mote than two, the likeliest first.
    fn stayed(&self) -> Vec<(usize, usize, Status, f64)> {
        let (before, after) = (&self.charts.before, &self.charts.after);
        let ln_density = (after.len().max(1) as f64 / self.charts.sensor_mm2()).ln();
        let mut likely = Vec::new();
        for (i, p) in before.iter().enumerate() {
            let (at, error) = (self.transform.apply(p.at), self.transform.error_mm(p.at));
            for (j, q) in after.iter().enumerate() {
                if (q.at.x - at.x).hypot(q.at.y - at.y)
                    < 2.0 * p.width_mm.max(q.width_mm) + 6.0 * (error + p.sigma_mm + q.sigma_mm)
                {
                    let gain = self.charts.ln_likeness(p, q, at, error) - ln_density;
                    if gain > 0.0 {
                        likely.push((gain, i, j));
                    }
                }
            }
        }
        likely.sort_by(|a, b| b.0.total_cmp(&a.0));
        let mut free = Free { before: vec![true; before.len()], after: vec![true; after.len()] };
        let mut pairs = Vec::new();
        for (gain, i, j) in likely {
            if free.before[i] && free.after[j] {
                free.take(i, j);
                pairs.push((i, j, Status::Stayed, certainty(gain)));
            }
        }
        pairs
    }

    /// Asks the other picture about a mote that only chart `own` lists.
    fn hear(&self, number: usize, own: usize) -> Heard {
        let ground = &self.grounds[1 - own];
        let home = &self.grounds[own];
        let point = if own == 0 { &self.charts.before[number] } else { &self.charts.after[number] };
        let at = self.other_place(point, own);
        if !ground.holds(at) {
            return Heard { verdict: Verdict::CannotSay, absent: 0.5, doubt: Some(Doubt::OutsideFrame) };
        }
        let Some(share) = ground.share(home.mote(number), home, at) else {
            return Heard { verdict: Verdict::CannotSay, absent: 0.5, doubt: Some(Doubt::OutsideFrame) };
        };
        let absent = absence(share);
        let area = point.ln_area.exp();
        if area < ground.floor_area_um2() {
            // Never called gone; but what shows all the same is there.
            let verdict = if absent < 0.02 { Verdict::Present } else { Verdict::CannotSay };
            return Heard { verdict, absent, doubt: Some(Doubt::BelowFloor) };
        }
        let verdict = match absent {
            a if a > 0.8 => Verdict::Absent,
            a if a < 0.2 => Verdict::Present,
            _ => Verdict::CannotSay,
        };
        Heard { verdict, absent, doubt: (verdict == Verdict::CannotSay).then_some(Doubt::Unclear) }
    }

    fn other_place(&self, point: &Point, own: usize) -> SensorPoint {
        if own == 0 { self.transform.apply(point.at) } else { self.transform.back(point.at) }
    }

    /// How well blocked areas repeat between these two frames, by the round motes that stayed: what the model does not know of
    /// a mote is mostly the same in both.
    fn repeats(&self, pairs: &[(usize, usize, Status, f64)]) -> Repeats {
        let round = pairs.iter().filter_map(|&(i, j, ..)| {
            let (p, q) = (&self.charts.before[i], &self.charts.after[j]);
            let noise = p.ln_area_noise.hypot(q.ln_area_noise);
            (p.round && q.round && noise < 0.06).then_some((q.ln_area - p.ln_area, noise))
        });
        let seen: Vec<(f64, f64)> = round.collect();
        if seen.len() < 4 {
            return Repeats::UNKNOWN;
        }
        let median = |mut v: Vec<f64>| {
            v.sort_unstable_by(f64::total_cmp);
            v[v.len() / 2]
        };
        let middle = median(seen.iter().map(|s| s.0).collect());
        let scatter = 1.4826 * median(seen.iter().map(|s| (s.0 - middle).abs()).collect());
        let noise = median(seen.iter().map(|s| s.1).collect());
        let unknown = (scatter * scatter - noise * noise).max(0.0).sqrt();
        // Few pairs tell it only roughly.
        let unknown = (1.3 * unknown).clamp(0.008, Repeats::UNKNOWN.unknown);
        // Pulled towards none; what is far from the middle is another matter than its noise.
        let (mut sum, mut weight) = (0.0, Repeats::COMMON.powi(-2));
        for (apart, noise) in seen {
            let variance = noise * noise + unknown * unknown;
            let share = 1.0 / (variance + 0.2 * (apart - middle).powi(2));
            (sum, weight) = (sum + share * apart, weight + share);
        }
        Repeats { bias: sum / weight, bias_error: weight.powf(-0.5), unknown }
    }

    /// What both pictures show in one place, though the charts outline it differently.
    fn joined(&self, lost: &[(usize, Heard)], come: &[(usize, Heard)]) -> Vec<(usize, usize)> {
        let there = |heard: &[(usize, Heard)]| -> Vec<usize> {
            heard.iter().filter(|(_, h)| h.verdict == Verdict::Present).map(|(i, _)| *i).collect()
        };
        let mut come = there(come);
        let mut pairs = Vec::new();
        for i in there(lost) {
            let p = &self.charts.before[i];
            let at = self.transform.apply(p.at);
            let far = |q: &Point| (q.at.x - at.x).hypot(q.at.y - at.y) / p.width_mm.max(q.width_mm);
            let nearest = (0..come.len())
                .min_by(|&a, &b| far(&self.charts.after[come[a]]).total_cmp(&far(&self.charts.after[come[b]])));
            if let Some(k) = nearest.filter(|&k| far(&self.charts.after[come[k]]) < 0.7) {
                pairs.push((i, come.swap_remove(k)));
            }
        }
        pairs
    }

    /// Of what is gone here and new there, what is likelier one mote that moved than two: same kind, blocked area and figure within
    /// the errors.
    fn moved(&self, lost: &[usize], come: &[usize], repeats: Repeats) -> Vec<(usize, usize, f64)> {
        if lost.is_empty() || come.is_empty() {
            return Vec::new();
        }
        let sensor = self.charts.sensor_mm2();
        let figures = self.grounds.each_ref().map(Ground::figures);
        let mut odds: Vec<(f64, usize, usize)> = Vec::new();
        for &i in lost {
            for &j in come {
                let (p, q) = (&self.charts.before[i], &self.charts.after[j]);
                if p.kind != q.kind || p.at_edge || q.at_edge {
                    continue;
                }
                let (apart, sigma) = repeats.of(p, q);
                if apart.abs() > FARTHEST * sigma {
                    continue;
                }
                let at = self.transform.apply(p.at);
                let d2 = (q.at.x - at.x).powi(2) + (q.at.y - at.y).powi(2);
                // Where it would land, against anywhere: near by half the time.
                let landing = 0.5 / sensor
                    + 0.5 * (-0.5 * d2 / (HOP_MM * HOP_MM)).exp() / (std::f64::consts::TAU * HOP_MM * HOP_MM);
                let alike = student(apart / sigma / CORE) / (CORE * sigma) / self.charts.ln_commonness(q.ln_area).exp();
                let figured = match (&figures[0][i], &figures[1][j]) {
                    (Some(p), Some(q)) => times_alike(p, q),
                    _ => 1.0,
                };
                odds.push((landing * sensor * alike * figured, i, j));
            }
        }
        // The share that moves, how many are new, and who moved, each from the others (expectation maximisation). Of n that were
        // counted n + 1/2 are expected again (Jeffreys' prior).
        let (mut share, mut new) = (MOVES, come.len() as f64);
        let mut weighed = Vec::new();
        for _ in 0..ROUNDS {
            let times = share / (1.0 - share) / new;
            weighed = odds.iter().map(|&(ratio, i, j)| (times * ratio, i, j)).collect();
            let moved: f64 = probabilities(&weighed).iter().sum();
            share = (MOVES * MOVES_SEEN_ON + moved) / (MOVES_SEEN_ON + lost.len() as f64);
            new = come.len() as f64 - moved + 0.5;
        }
        likeliest(&weighed)
    }

    fn pair(&self, i: usize, j: usize, status: Status, probability: f64) -> Fate {
        let (at_before, at_after) = (self.charts.before[i].at, self.charts.after[j].at);
        Fate { status, before: Some(i), after: Some(j), probability, at_before, at_after, doubt: None }
    }

    /// A mote that one chart lists alone.
    fn lone(&self, number: usize, own: usize, heard: &Heard) -> Fate {
        let point = if own == 0 { &self.charts.before[number] } else { &self.charts.after[number] };
        let other = self.other_place(point, own);
        let (at_before, at_after) = if own == 0 { (point.at, other) } else { (other, point.at) };
        let (status, probability) = match heard.verdict {
            Verdict::Absent => (if own == 0 { Status::Gone } else { Status::New }, heard.absent),
            Verdict::Present => (Status::Stayed, 1.0 - heard.absent),
            Verdict::CannotSay => (Status::Undecided, heard.absent),
        };
        let (before, after) = if own == 0 { (Some(number), None) } else { (None, Some(number)) };
        Fate {
            status,
            before,
            after,
            probability,
            at_before,
            at_after,
            doubt: heard.doubt.filter(|_| status == Status::Undecided),
        }
    }
}

/// Probability that a shadow is not there, from the share of it that is.
fn absence(share: Estimate) -> f64 {
    let sigma = share.sigma.hypot(STRAY);
    let ln = |miss: f64| -0.5 * (miss / sigma).powi(2);
    // More than all of it is no less there.
    let (there, gone) = (ln((share.value - 1.0).min(0.0)), ln(share.value.max(0.0)));
    1.0 / (1.0 + (there - gone).exp())
}

/// Probability of each pair, all others weighed in. `odds`: of each against both its motes being alone. Belief propagation for
/// matchings: exact where the pairs form no ring (Bayati, Shah and Sharma, IEEE Trans. Information Theory 54, 2008, from memory).
fn probabilities(odds: &[(f64, usize, usize)]) -> Vec<f64> {
    const ROUNDS: usize = 40;
    // What a pair tells each of its two of the other being free.
    let mut free = vec![(1.0, 1.0); odds.len()];
    for _ in 0..ROUNDS {
        let first = sums(odds, |k| odds[k].1, |k| odds[k].0 * free[k].1);
        let second = sums(odds, |k| odds[k].2, |k| odds[k].0 * free[k].0);
        for (&(ratio, i, j), f) in odds.iter().zip(&mut free) {
            let told = |all: f64, own: f64| 1.0 / (1.0 + (all - ratio * own).max(0.0));
            *f = (0.5 * (told(first[i], f.1) + f.0), 0.5 * (told(second[j], f.0) + f.1));
        }
    }
    let likely = |(&(ratio, ..), f): (&(f64, usize, usize), &(f64, f64))| {
        let weight = ratio * f.0 * f.1;
        weight / (1.0 + weight)
    };
    odds.iter().zip(&free).map(likely).collect()
}

/// Sums over the pairs of each mote: `of` names it by the pair.
fn sums(odds: &[(f64, usize, usize)], of: impl Fn(usize) -> usize, value: impl Fn(usize) -> f64) -> Vec<f64> {
    let mut sums = vec![0.0; (0..odds.len()).map(&of).max().map_or(0, |last| last + 1)];
    (0..odds.len()).for_each(|k| sums[of(k)] += value(k));
    sums
}

/// Pairs that make the most statuses right in the mean, each with its probability.
///
/// Told as moved, a mote has one status, right if it moved at all; told as two, what is gone is right if it did not, and what is
/// new if none moved there.
fn likeliest(odds: &[(f64, usize, usize)]) -> Vec<(usize, usize, f64)> {
    let likely = probabilities(odds);
    let first = sums(odds, |k| odds[k].1, |k| likely[k]);
    let second = sums(odds, |k| odds[k].2, |k| likely[k]);
    let mut order: Vec<usize> = (0..odds.len()).collect();
    order.sort_by(|&a, &b| likely[b].total_cmp(&likely[a]));
    let mut taken: Vec<(usize, usize, f64)> = Vec::new();
    for k in order {
        let (_, i, j) = odds[k];
        let told_as_two = (1.0 - first[i]) + (1.0 - second[j]);
        if first[i] > told_as_two && !taken.iter().any(|t| t.0 == i || t.1 == j) {
            taken.push((i, j, (0.5 * (first[i] + second[j])).min(1.0)));
        }
    }
    taken
}

fn certainty(ln_odds: f64) -> f64 {
    1.0 / (1.0 + (-ln_odds).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Probabilities counted over all matchings by hand.
    #[test]
    fn a_mote_that_fits_two_is_likelier_moved_than_either_pair_is_right() {
        // One mote, two places: of weights 1, 3 and 3 six sevenths say that it moved, and each place is its with three.
        let pairs = likeliest(&[(3.0, 0, 0), (3.0, 0, 1)]);
        assert_eq!(pairs.len(), 1);
        assert!((pairs[0].2 - 0.5 * (6.0 / 7.0 + 3.0 / 7.0)).abs() < 1e-6, "{pairs:?}");
        // Alone: 1 against odds of 0.8, and of 1.9, where two are wanted.
        assert!(likeliest(&[(0.8, 0, 0)]).is_empty());
        assert!(likeliest(&[(1.9, 0, 0)]).is_empty());
        let pairs = likeliest(&[(4.0, 5, 7)]);
        assert!(pairs.len() == 1 && (pairs[0].2 - 0.8).abs() < 1e-6, "{pairs:?}");
        // A chain a-x-b-y of odds 2, 5, 3: matchings weigh 1 + 2 + 5 + 3 + 2*3 = 17; x is matched in 2 + 5 + 6.
        let pairs = likeliest(&[(2.0, 0, 0), (5.0, 1, 0), (3.0, 1, 1)]);
        let of = |i, j| pairs.iter().find(|p| p.0 == i && p.1 == j).map(|p| p.2);
        assert!(of(1, 0).is_none_or(|p| (p - 0.5 * (14.0 / 17.0 + 13.0 / 17.0)).abs() < 1e-6), "{pairs:?}");
        assert!(!pairs.is_empty());
    }
}
