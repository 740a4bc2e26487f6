//! A first homography from corners that look alike.

use nalgebra::{Matrix3, SMatrix, SVector};

use crate::register::corner::{Described, likeness};
use crate::register::warp::{Match, Warp};

/// Fewest corners that a hypothesis must explain: by chance, matches spread over the picture agree within [`NEAR`] in
/// some two of ten thousand cases each.
pub const LEAST: usize = 12;
/// Distance within which a match agrees, long sides.
const NEAR: f64 = 0.008;
/// Samples drawn.
const DRAWS: usize = 4000;

/// Matches, the most alike first: each the other's best, and clearly better than anything elsewhere.
pub fn matches(original: &[Vec<Described>], finished: &[Described]) -> Vec<Match> {
    const ALIKE: f32 = 0.7;
    /// What is left to perfect likeness against that of the second best.
    const CLEARLY: f32 = 0.88;
    let all: Vec<&Described> = original.iter().flatten().collect();
    let mut best_back: Vec<(f32, usize)> = vec![(0.0, usize::MAX); all.len()];
    let mut best: Vec<Option<(f32, usize)>> = Vec::with_capacity(finished.len());
    for (j, f) in finished.iter().enumerate() {
        let mut values: Vec<f32> = Vec::with_capacity(all.len());
        for (i, o) in all.iter().enumerate() {
            let v = likeness(&o.patch, &f.patch);
            if v > best_back[i].0 {
                best_back[i] = (v, j);
            }
            values.push(v);
        }
        let first = values.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map(|(i, &v)| (v, i));
        best.push(first.filter(|&(v, i)| {
            let elsewhere = |o: &Described| (o.at.0 - all[i].at.0).hypot(o.at.1 - all[i].at.1) > 0.015;
            let second = values.iter().zip(&all).filter(|(_, o)| elsewhere(o)).map(|(&v, _)| v).fold(0.0, f32::max);
            v > ALIKE && 1.0 - v < CLEARLY * (1.0 - second)
        }));
    }
    let mut found: Vec<(f32, Match)> = Vec::new();
    for (j, one) in best.iter().enumerate() {
        if let Some((v, i)) = *one
            && best_back[i].1 == j
        {
            found.push((v, (all[i].at, finished[j].at)));
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.into_iter().map(|(_, m)| m).collect()
}

/// The homography that explains the most matches; `None` where none explains enough.
pub fn homography(matches: &[Match]) -> Option<Warp> {
    if matches.len() < LEAST {
        return None;
    }
    let mut dice = Dice(0x2545_f491_4f6c_dd1d);
    let mut best: (usize, Option<Warp>) = (0, None);
    for draw in 0..DRAWS {
        // The most alike are drawn from first, all of them in the end.
        let pool = (16 + draw * matches.len() / (DRAWS / 2)).min(matches.len());
        let four: [Match; 4] = std::array::from_fn(|_| matches[dice.below(pool)]);
        let Some(warp) = through(&four).filter(Warp::sane) else { continue };
        let count = matches.iter().filter(|m| agrees(&warp, m)).count();
        if count > best.0 {
            best = (count, Some(warp));
        }
    }
    let mut warp = best.1?;
    for _ in 0..3 {
        let agreeing: Vec<Match> = matches.iter().filter(|m| agrees(&warp, m)).copied().collect();
        if agreeing.len() < LEAST {
            return None;
        }
        warp = warp.fitted(&agreeing, false)?;
    }
    Some(warp)
}

fn agrees(warp: &Warp, (from, to): &Match) -> bool {
    warp.apply(*from).is_some_and(|p| (p.0 - to.0).hypot(p.1 - to.1) < NEAR)
}

/// The homography through four pairs.
fn through(four: &[Match; 4]) -> Option<Warp> {
    let mut a = SMatrix::<f64, 8, 8>::zeros();
    let mut b = SVector::<f64, 8>::zeros();
    for (i, &((u, v), (x, y))) in four.iter().enumerate() {
        let rows = [[u, v, 1.0, 0.0, 0.0, 0.0, -u * x, -v * x], [0.0, 0.0, 0.0, u, v, 1.0, -u * y, -v * y]];
        for (k, row) in rows.iter().enumerate() {
            (0..8).for_each(|j| a[(2 * i + k, j)] = row[j]);
        }
        (b[2 * i], b[2 * i + 1]) = (x, y);
    }
    let h = a.lu().solve(&b)?;
    if h.iter().any(|v| !v.is_finite()) {
        return None;
    }
    Warp::of(&Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0), 0.0)
}

/// The same draws in every run (xorshift, Marsaglia 2003).
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        ((self.0 >> 16) % n as u64) as usize
    }
}
