//! From a first homography to the fit, and whether it explains the whole finished picture.

use crate::register::corner::{corners, likeness, normalised};
use crate::register::layer::{Layer, Small};
use crate::register::warp::{Match, Registration, Warp};
use crate::register::{Unmatched, guess};

/// Long side of the finished picture, cells.
const FINE: f64 = 1600.0;
/// Half a patch's side, cells.
const HALF: isize = 8;
/// Least standard deviation over a patch for it to be compared at all, and to count where it is not found; of the logarithm of
/// light. Guesses: grain of a high ISO setting, reduced, stays below the second.
const DETAIL: (f32, f32) = (0.01, 0.04);
/// Likeness from which a patch counts as found.
const ALIKE: f32 = 0.75;
/// Blocks along a side by which parts from elsewhere are told.
const BLOCKS: usize = 5;

/// A corner of the finished picture sought in the original.
struct Sought {
    /// Where it lies in the finished picture.
    at: (f64, f64),
    /// Where it lies in the original, if it was found.
    from: Option<(f64, f64)>,
    /// Whether it has detail enough to count where it is not found.
    counts: bool,
    /// Whether the original should hold it at all.
    inside: bool,
}

/// The fit about a first guess.
pub fn refined(original: &Small, finished: &Small, guess: Warp, quarter_turns: u8) -> Result<Registration, Unmatched> {
    let target = finished.layer(FINE);
    let source = original.layer(FINE * guess.scale((0.0, 0.0)).unwrap_or(1.0).clamp(0.5, 2.0));
    let places = corners(&target, 6);
    let mut warp = guess;
    let mut sought = Vec::new();
    for reach in [8, 4, 2] {
        sought = places.iter().map(|&at| look(&source, &target, &warp, at, reach)).collect::<Vec<Sought>>();
        let pairs: Vec<Match> = sought.iter().filter_map(|s| Some((s.from?, s.at))).collect();
        if pairs.len() < guess::LEAST {
            return Err(judged(&sought).err().unwrap_or(Unmatched::NoDetail));
        }
        warp = warp.fitted(&pairs, pairs.len() >= 60).ok_or(Unmatched::OtherPicture)?;
    }
    let cell = target.normal((1.0, 0.0)).0 - target.normal((0.0, 0.0)).0;
    // What strays by more than a few cells was found at a wrong place.
    for s in &mut sought {
        let miss = s.from.and_then(|from| warp.apply(from)).map(|p| (p.0 - s.at.0).hypot(p.1 - s.at.1));
        if miss.is_none_or(|m| m > 3.0 * cell) {
            s.from = None;
        }
    }
    let matched_share = judged(&sought)?;
    let long = finished.size.width.max(finished.size.height) as f64;
    let found: Vec<(usize, (f64, f64))> = sought
        .iter()
        .filter_map(|s| {
            let p = warp.apply(s.from?)?;
            Some((block(s.at), ((p.0 - s.at.0) * long, (p.1 - s.at.1) * long)))
        })
        .collect();
    Ok(Registration {
        warp,
        original: original.size,
        finished: finished.size,
        quarter_turns,
        sigma_px: strays(&found),
        matched_share,
        corners: found.len(),
    })
}

/// The patch about a corner of the finished picture, sought in the original as the warp brings it there.
fn look(source: &Layer, target: &Layer, warp: &Warp, at: (f64, f64), reach: isize) -> Sought {
    let normal = target.normal(at);
    let mut sought = Sought { at: normal, from: None, counts: false, inside: false };
    let side = 2 * HALF + 1;
    let offsets = |r: isize| (-r..=r).flat_map(move |dy| (-r..=r).map(move |dx| (dx, dy)));
    let wanted: Vec<f32> = offsets(HALF).map(|(dx, dy)| target.at(at.0 + dx as f64, at.1 + dy as f64)).collect();
    let Some(patch) = normalised(&wanted, DETAIL.0) else { return sought };
    sought.counts = normalised(&wanted, DETAIL.1).is_some();
    let Some(middle) = warp.back(normal) else { return sought };
    let (cx, cy) = source.cells(middle);
    let margin = (HALF + reach) as f64;
    let (w, h) = (source.ln.width() as f64, source.ln.height() as f64);
    sought.inside = (0.0..w).contains(&cx) && (0.0..h).contains(&cy);
    let held = (margin..w - margin).contains(&cx) && (margin..h - margin).contains(&cy);
    if !held {
        // At the rim it can be neither found nor missed.
        sought.counts &= !sought.inside;
        return sought;
    }
    let wide = HALF + reach;
    let across = (2 * wide + 1) as usize;
    let mut warped = Vec::with_capacity(across * across);
    for (dx, dy) in offsets(wide) {
        let from = warp.back(target.normal((at.0 + dx as f64, at.1 + dy as f64)));
        let Some(from) = from else { return sought };
        let (x, y) = source.cells(from);
        warped.push(source.at(x, y));
    }
    let tries = (2 * reach + 1) as usize;
    let mut scores = vec![-1.0f32; tries * tries];
    let mut cut = Vec::with_capacity((side * side) as usize);
    for (k, score) in scores.iter_mut().enumerate() {
        let (left, top) = (k % tries, k / tries);
        cut.clear();
        for y in 0..side as usize {
            cut.extend_from_slice(&warped[(top + y) * across + left..][..side as usize]);
        }
        if let Some(other) = normalised(&cut, DETAIL.0 / 2.0) {
            *score = likeness(&patch, &other);
        }
    }
    let best = scores.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |(k, _)| k);
    let (i, j) = (best % tries, best / tries);
    if scores[best] < ALIKE || i == 0 || j == 0 || i + 1 == tries || j + 1 == tries {
        return sought;
    }
    let part = |before: f32, at: f32, after: f32| {
        let bend = before - 2.0 * at + after;
        if bend < 0.0 { f64::from(0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 }
    };
    let sx = part(scores[best - 1], scores[best], scores[best + 1]);
    let sy = part(scores[best - tries], scores[best], scores[best + tries]);
    // The patch was found shifted in the warped original: that is where the original has it.
    let shifted = (at.0 + (i as isize - reach) as f64 + sx, at.1 + (j as isize - reach) as f64 + sy);
    sought.from = warp.back(target.normal(shifted));
    sought
}

fn block((u, v): (f64, f64)) -> usize {
    let place = |t: f64| (((t + 0.5) * BLOCKS as f64).max(0.0) as usize).min(BLOCKS - 1);
    place(v) * BLOCKS + place(u)
}

/// Share of the corners with detail that were found; or what speaks against the fit.
fn judged(sought: &[Sought]) -> Result<f64, Unmatched> {
    let mut blocks = vec![(0usize, 0usize); BLOCKS * BLOCKS];
    for s in sought.iter().filter(|s| s.counts || s.from.is_some()) {
        let (found, all) = &mut blocks[block(s.at)];
        *all += 1;
        *found += usize::from(s.from.is_some());
    }
    let (found, all) = blocks.iter().fold((0, 0), |(f, a), b| (f + b.0, a + b.1));
    if found < guess::LEAST {
        return Err(if all < 2 * guess::LEAST { Unmatched::NoDetail } else { Unmatched::OtherPicture });
    }
    let share = found as f64 / all as f64;
    // A part in which most detail is not found, or that the original does not hold, comes from elsewhere.
    let told = blocks.iter().filter(|b| b.1 >= 5).count();
    let foreign = blocks.iter().filter(|b| b.1 >= 5 && 3 * b.0 < b.1).count();
    if share < 0.5 || (foreign >= 2 && 8 * foreign >= told) {
        return Err(if share < 0.15 { Unmatched::OtherPicture } else { Unmatched::Joined });
    }
    Ok(share)
}

/// What regions stray from the fit together with its chance errors, px.
fn strays(found: &[(usize, (f64, f64))]) -> f64 {
    let mut blocks = vec![(0.0, 0.0, 0usize); BLOCKS * BLOCKS];
    for &(b, (x, y)) in found {
        let (sx, sy, n) = blocks[b];
        blocks[b] = (sx + x, sy + y, n + 1);
    }
    let means: Vec<f64> =
        blocks.iter().filter(|b| b.2 >= 4).map(|&(x, y, n)| (x / n as f64).powi(2) + (y / n as f64).powi(2)).collect();
    let squares: f64 = found.iter().map(|(_, (x, y))| x * x + y * y).sum();
    let single = squares / found.len().max(1) as f64;
    // Nine parameters, two values each place.
    let chance = single * 9.0 / (2.0 * found.len().max(1) as f64);
    let regional = if means.is_empty() { single } else { means.iter().sum::<f64>() / means.len() as f64 };
    (regional + chance).sqrt()
}
