//! The stand-off of the glass from the shadows of a whole shoot, and what does not grow with the f-number as shadows do.
//!
//! Lost light is averaged in rings about each place, over the pictures of each f-number. In units of the f-number the
//! shadow of a small mote is the same at all of them: `b N = h`. A pixel defect or a mark of a watermark keeps its size.

use motelight_frame::FNumber;
use rayon::prelude::*;

use crate::trace::expect::{SIZES, diameter_um, ln_lost};
use crate::trace::view::{STEPS, View};

/// Rings, each this many mm of radius times f-number wide: out to 2.6 mm, past the shadow of any glass.
pub const RINGS: usize = 20;
const RING_MM: f64 = 0.13;

/// Mean logarithm of light in rings about a place, over pictures of one f-number.
#[derive(Debug, Clone)]
pub struct Rings {
    /// The f-number.
    pub f_number: FNumber,
    sums: [f64; RINGS],
    weights: [f64; RINGS],
    /// Side of a cell, µm, of the pictures.
    cell_um: f64,
}

impl Rings {
    /// Nothing yet.
    pub fn new(f_number: FNumber) -> Rings {
        Rings { f_number, sums: [0.0; RINGS], weights: [0.0; RINGS], cell_um: 0.0 }
    }

    /// Adds a picture at a place (mm); `sigma`: standard error of a mean over `cells`, beyond which more cells tell no more,
    /// since what is uneven in a scene hangs together.
    pub fn add(&mut self, view: &View, at: (f64, f64), sigma: f64, cells: f64) {
        let (x, y) = view.cells_at(at);
        let ring = RING_MM * 1000.0 / self.f_number.exact() / view.cell_um();
        let reach = RINGS as f64 * ring;
        let size = view.ln.size();
        // At the picture's edge, what lies inside tells as much.
        let span = |v: f64, end: usize| (v - reach).max(0.0) as usize..((v + reach).max(0.0) as usize + 1).min(end);
        let (mut sums, mut counts) = ([0.0f64; RINGS], [0.0f64; RINGS]);
        for j in span(y, size.height) {
            let dy = j as f64 + 0.5 - y;
            for i in span(x, size.width) {
                let k = ((i as f64 + 0.5 - x).hypot(dy) / ring) as usize;
                if k < RINGS {
                    sums[k] += f64::from(view.ln.at(i, j));
                    counts[k] += 1.0;
                }
            }
        }
        let outer: f64 = sums[RINGS - 4..].iter().sum::<f64>() / counts[RINGS - 4..].iter().sum::<f64>().max(1.0);
        for k in 0..RINGS {
            if counts[k] > 0.0 {
                let weight = counts[k].min(cells) / (cells * sigma * sigma);
                self.sums[k] += weight * (outer - sums[k] / counts[k]) / f64::from(STEPS);
                self.weights[k] += weight;
            }
        }
        self.cell_um = view.cell_um();
    }

    /// Adds what other pictures of the same f-number show.
    pub fn merge(&mut self, other: &Rings) {
        for k in 0..RINGS {
            self.sums[k] += other.sums[k];
            self.weights[k] += other.weights[k];
        }
        self.cell_um = self.cell_um.max(other.cell_um);
    }

    fn value(&self, k: usize) -> f64 {
        self.sums[k] / self.weights[k].max(1e-300)
    }

    /// Radius of a ring, µm.
    fn radius_um(&self, k: usize) -> f64 {
        // Cells are not points: their mean distance in the innermost rings is larger than the ring's own.
        ((k as f64 + 0.5) * RING_MM * 1000.0 / self.f_number.exact()).max(0.3 * self.cell_um)
    }

    /// Weighted sums of squares about the mean: of the shape, of shape and values, of the values.
    fn misfit(&self, shape: &[f64; RINGS]) -> (f64, f64, f64) {
        // Sums for value = strength * shape + constant.
        let (mut w, mut ws, mut wss, mut wv, mut wsv, mut wvv) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for (k, &s) in shape.iter().enumerate() {
            let (weight, v) = (self.weights[k], self.value(k));
            w += weight;
            ws += weight * s;
            wss += weight * s * s;
            wv += weight * v;
            wsv += weight * s * v;
            wvv += weight * v * v;
        }
        if w <= 0.0 {
            return (0.0, 0.0, 0.0);
        }
        // Constant taken out.
        (wss - ws * ws / w, wsv - ws * wv / w, wvv - wv * wv / w)
    }

    /// The rings of a shadow.
    fn shadow(&self, stand_off_mm: f64, size: usize) -> [f64; RINGS] {
        self.shape(|um| ln_lost(stand_off_mm, self.f_number, diameter_um(size), um))
    }

    fn shape(&self, lost: impl Fn(f64) -> f64) -> [f64; RINGS] {
        std::array::from_fn(|k| lost(self.radius_um(k)))
    }
}

/// Least squares that shadows of one stand-off leave over all f-numbers of a place, over all sizes of mote.
pub fn left_by_shadow(all: &[Rings], stand_off_mm: f64) -> f64 {
    left_by(all, |r, size| r.shadow(stand_off_mm, size))
}

fn left_by(all: &[Rings], shape: impl Fn(&Rings, usize) -> [f64; RINGS]) -> f64 {
    (0..SIZES).map(|size| common_strength(all, |r| shape(r, size), 0.5..=1.6)).fold(f64::MAX, f64::min)
}

/// The same for something that keeps its size and depth at every f-number, and the diameter that fits best, µm.
pub fn left_by_fixed(all: &[Rings]) -> (f64, f64) {
    (0..SIZES + 4)
        .map(|size| {
            let diameter = diameter_um(size);
            let disc = |r: &Rings| {
                // Spread over the cell it lies in, a square of the area of a disc 1.13 times as wide; its edge is a cell wide.
                let across = diameter.hypot(1.13 * r.cell_um);
                let depth = (diameter / across).powi(2);
                r.shape(|um| depth * (0.5 - (um - across / 2.0) / r.cell_um).clamp(0.0, 1.0))
            };
            (common_strength(all, disc, 0.0..=f64::MAX), diameter)
        })
        .fold((f64::MAX, 0.0), |best, one| if one.0 < best.0 { one } else { best })
}

/// Squares left where one strength, within bounds, serves all f-numbers. A shadow's strays from the optics by tone and
/// form only.
fn common_strength(
    all: &[Rings],
    shapes: impl Fn(&Rings) -> [f64; RINGS],
    bounds: std::ops::RangeInclusive<f64>,
) -> f64 {
    let (mut ss, mut sv, mut vv) = (0.0, 0.0, 0.0);
    for rings in all {
        let (a, b, c) = rings.misfit(&shapes(rings));
        ss += a;
        sv += b;
        vv += c;
    }
    let strength = (sv / ss.max(1e-300)).clamp(*bounds.start(), *bounds.end());
    vv - 2.0 * strength * sv + strength * strength * ss
}

/// Stand-off from places with plain shadows: value and standard error, mm; `None` where they do not tell.
pub fn stand_off(places: &[Vec<Rings>]) -> Option<(f64, f64)> {
    const STEPS_OF_H: usize = 41;
    let heights: Vec<f64> = (0..STEPS_OF_H).map(|i| 0.35 * (10.0f64).powf(i as f64 / 40.0)).collect();
    // Shadows are the same for all places with rings of the same radii.
    let same = |a: &Rings, b: &Rings| a.f_number == b.f_number && a.cell_um == b.cell_um;
    let mut kinds: Vec<&Rings> = Vec::new();
    for rings in places.iter().flatten() {
        if !kinds.iter().any(|k| same(k, rings)) {
            kinds.push(rings);
        }
    }
    let of_kind = |r: &Rings| kinds.iter().position(|k| same(k, r)).unwrap_or(0);
    let by_height: Vec<Vec<f64>> = heights
        .par_iter()
        .map(|&h| {
            let shadows = |k: &&Rings| (0..SIZES).map(|size| k.shadow(h, size)).collect();
            let shadows: Vec<Vec<[f64; RINGS]>> = kinds.iter().map(shadows).collect();
            places.iter().map(|p| left_by(p, |r, size| shadows[of_kind(r)][size])).collect()
        })
        .collect();
    let left = (0..places.len()).map(|p| by_height.iter().map(|of| of[p]).collect::<Vec<f64>>());
    // Each place says as much as its own best fit lets it: odd ones are capped.
    let mut total = vec![0.0; STEPS_OF_H];
    let mut counted = 0;
    for one in left {
        let least = one.iter().copied().fold(f64::MAX, f64::min);
        if !least.is_finite() {
            continue;
        }
        let freedom = 15.0f64;
        let excess = (least / freedom).max(1.0);
        for (sum, v) in total.iter_mut().zip(&one) {
            *sum += ((v - least) / excess).min(40.0);
        }
        counted += 1;
    }
    let best = (0..STEPS_OF_H).min_by(|&a, &b| total[a].total_cmp(&total[b]))?;
    if counted == 0 || best == 0 || best + 1 == STEPS_OF_H {
        return None;
    }
    let bend = total[best - 1] + total[best + 1] - 2.0 * total[best];
    if bend <= 0.0 || total[0].min(total[STEPS_OF_H - 1]) - total[best] < 9.0 {
        return None;
    }
    let shift = 0.5 * (total[best - 1] - total[best + 1]) / bend;
    let step = 10f64.ln() / 40.0;
    let value = heights[best] * (shift * step).exp();
    // Curvature of half the squares in ln h; at least 2 % for what the model leaves out (a guess).
    let sigma = (step / (0.5 * bend).sqrt()).max(0.02);
    Some((value, value * sigma))
}
