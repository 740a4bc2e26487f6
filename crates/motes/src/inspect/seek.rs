//! Places that may be shadows: a bank of Gaussian filters over scales.
//!
//! A Gaussian of the right width keeps more than nine tenths of the signal-to-noise ratio of a filter matched
//! to a real shadow, and is cheap; the fit that follows judges with the shadow's true shape. Widths rise by
//! `STEP`, so that the nearest is never more than a fifth wrong (a loss of 2 %: two Gaussians of width
//! ratio r correlate by 2 r / (1 + r^2)).

use std::borrow::Cow;

use motelight_frame::{Plane, Size};
use rayon::prelude::*;

use crate::flat::Flat;
use crate::gauss::{filtered, gaussian, halved};
use crate::grid::{Grid, median_and_sigma};

/// Answer of the search from which on a place is worth a fit: at 4.3 a 45-megapixel frame of noise gives some
/// hundred candidates per scale, and a shadow of SNR 8 is missed once in ten thousand times.
pub const SEEK: f64 = 4.3;
/// Ratio of one scale to the next.
const STEP: f64 = 1.45;

/// A place where light is missing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Column, cells, centres at .5.
    pub x: f64,
    /// Row, cells.
    pub y: f64,
    /// Standard deviation of the filter that answered best, cells.
    pub scale: f64,
    /// Its answer over the noise of such answers around.
    pub snr: f64,
}

/// How noise adds up over one scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScaleNoise {
    /// Standard deviation of the filter, cells.
    pub scale: f64,
    /// Spread of the filter's answers over what uncorrelated noise of the cells would give: 1 for a raw,
    /// more where noise is correlated (demosaic, JPEG) or the wall has texture of that size.
    pub excess: f64,
}

/// What the search found.
#[derive(Debug, Clone)]
pub struct Sought {
    /// Candidates, strongest first, one per shadow as far as the scales can tell them apart.
    pub candidates: Vec<Candidate>,
    /// Noise per scale, smallest scale first.
    pub noise: Vec<ScaleNoise>,
    /// Places looked at, summed over scales, as independent as the scales' samples are.
    pub places: f64,
}

/// Searches from `smallest` cells of standard deviation to `largest` for places whose answer exceeds
/// `threshold` times the noise around. At most `limit` candidates come back.
pub fn seek(flat: &Flat, smallest: f64, largest: f64, threshold: f64, limit: usize) -> Sought {
    let mut found = Vec::new();
    let mut noise = Vec::new();
    let mut places = 0.0;
    let (mut plane, mut zoom) = (Cow::Borrowed(&flat.loss), 1);
    let mut scale = smallest;
    while scale <= largest {
        while scale / zoom as f64 > 2.0 && plane.width().min(plane.height()) >= 64 {
            plane = Cow::Owned(halved(&plane));
            zoom *= 2;
        }
        let taps = gaussian(scale / zoom as f64);
        let answer = filtered(&plane, &taps);
        let (middle, spread) = spread_of(&answer);
        peaks(&answer, &middle, &spread, threshold, |x, y, snr| {
            let centre = |v: usize| (v as f64 + 0.5) * zoom as f64;
            found.push(Candidate { x: centre(x), y: centre(y), scale, snr });
        });
        // Expected spread for white noise: sigma / zoom per sample, times the filter's own narrowing.
        let narrowing = 2.0 * taps.iter().map(|&t| f64::from(t * t)).sum::<f64>() - f64::from(taps[0] * taps[0]);
        let white = f64::from(flat.sigma.median()) / zoom as f64 * narrowing;
        noise.push(ScaleNoise { scale, excess: f64::from(spread.median()) / white.max(1e-12) });
        places += plane.size().area() as f64;
        scale *= STEP;
    }
    Sought { candidates: strongest(found, limit), noise, places }
}

/// The strongest answer of each neighbourhood.
fn strongest(mut found: Vec<Candidate>, limit: usize) -> Vec<Candidate> {
    found.sort_by(|a, b| b.snr.total_cmp(&a.snr).then(a.y.total_cmp(&b.y)).then(a.x.total_cmp(&b.x)));
    let mut kept: Vec<Candidate> = Vec::new();
    for c in found {
        // Within 1.4 standard deviations (0.6 of the width at half height) one shadow shows, not two.
        let near = |k: &Candidate| (k.x - c.x).hypot(k.y - c.y) < 1.4 * k.scale.max(0.7 * c.scale);
        if !kept.iter().any(near) {
            kept.push(c);
            if kept.len() == limit {
                break;
            }
        }
    }
    kept
}

/// Calls `each` with every local maximum above the threshold.
fn peaks(answer: &Plane, middle: &Grid, spread: &Grid, threshold: f64, mut each: impl FnMut(usize, usize, f64)) {
    let Size { width, height } = answer.size();
    let rows: Vec<Vec<(usize, usize, f64)>> = (0..height)
        .into_par_iter()
        .map(|y| {
            let row = answer.row(y);
            let (above, below) = (answer.row(y.saturating_sub(1)), answer.row((y + 1).min(height - 1)));
            let middle = middle.line(y);
            let spread = |x: usize| spread.held_at(x, y);
            let mut hits = Vec::new();
            middle.spans(|span, start, step| {
                let least = start.min(start + step * span.len() as f32);
                let floor = least + threshold as f32 * spread(span.start).min(spread(span.end - 1));
                for x in span {
                    let v = row[x];
                    if v <= floor {
                        continue;
                    }
                    let (left, right) = (x.saturating_sub(1), (x + 1).min(width - 1));
                    // Of equals the first counts.
                    let crest = (left..=right).all(|i| (y == 0 || above[i] < v) && (y + 1 == height || below[i] <= v))
                        && (x == 0 || row[left] < v)
                        && (x + 1 == width || row[right] <= v);
                    let snr = f64::from((v - middle.at(x)) / spread(x).max(1e-9));
                    if crest && snr > threshold {
                        hits.push((x, y, snr));
                    }
                }
            });
            hits
        })
        .collect();
    for (x, y, snr) in rows.into_iter().flatten() {
        each(x, y, snr);
    }
}

/// Median and spread of the answers per block.
fn spread_of(answer: &Plane) -> (Grid, Grid) {
    let sample = |xs: std::ops::Range<usize>, ys: std::ops::Range<usize>| {
        // Answers hang together over their scale, which is one to two cells: one in nine tells nearly as much.
        let rows = ys.step_by(3);
        let mut sample: Vec<f32> = rows.flat_map(|y| answer.row(y)[xs.clone()].iter().step_by(3).copied()).collect();
        median_and_sigma(&mut sample)
    };
    let (middle, spread) = Grid::measure_both(answer.size(), sample);
    (middle.smoothed(), spread.steadied())
}
