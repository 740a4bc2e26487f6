//! Where the first chart lies in the second frame, and whether the charts are of one body at all.
//!
//! Another lens, zoom, focus or a shifted lens move all shadows together: by a scale about the sensor's centre and a
//! translation (projective geometry through the exit pupil; project optics notes, section 2.7). Hypotheses come from pairs of
//! motes; each is weighed by how much likelier its coincidences are under one body than by chance, less the logarithm of
//! how many hypotheses there were (a Bayes factor with flat priors, Kass and Raftery 1995).

use motelight_frame::{SensorPoint, Size};
use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::inspect::{Kind, Mote};
use crate::recheck::Side;
use crate::recheck::body::SameBody;
use crate::recheck::turn::Turn;
use crate::refusal::{Refusal, RefusalCode};

/// The first chart in the second frame: `after = turn(scale * before + (dx, dy))`, mm from the sensor's centre.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Transform {
    /// Scale about the sensor's centre.
    pub scale: f64,
    /// Translation to the right, mm.
    pub dx_mm: f64,
    /// Translation down, mm.
    pub dy_mm: f64,
    /// Turn of the second picture.
    pub turn: Turn,
    /// Whether the charts themselves say so; if not, it is assumed.
    pub matched: bool,
    /// Motes that agree with it.
    pub motes: usize,
    /// Covariance of scale, dx and dy.
    #[serde(skip)]
    covariance: [[f64; 3]; 3],
}

impl Transform {
    /// Nothing moved.
    pub const STILL: Transform = Transform {
        scale: 1.0,
        dx_mm: 0.0,
        dy_mm: 0.0,
        turn: Turn::None,
        matched: true,
        motes: 0,
        covariance: [[0.0; 3]; 3],
    };

    /// Where a place of the first frame stands in the second.
    pub fn apply(&self, at: SensorPoint) -> SensorPoint {
        self.turn.apply(SensorPoint { x: self.scale * at.x + self.dx_mm, y: self.scale * at.y + self.dy_mm })
    }

    /// Where a place of the second frame stands in the first.
    pub fn back(&self, at: SensorPoint) -> SensorPoint {
        let at = self.turn.inverse().apply(at);
        SensorPoint { x: (at.x - self.dx_mm) / self.scale, y: (at.y - self.dy_mm) / self.scale }
    }

    /// Standard error of a foretold place along an axis, mm.
    pub(super) fn error_mm(&self, at: SensorPoint) -> f64 {
        let c = &self.covariance;
        let along = |p: f64, i: usize| (c[0][0] * p * p + 2.0 * c[0][i] * p + c[i][i]).max(0.0);
        (0.5 * (along(at.x, 1) + along(at.y, 2))).sqrt()
    }

    /// Whether no place of the frame moved by more than a lens left on the body moves it.
    pub(super) fn nearly_still(&self, before: Side) -> bool {
        let pitch = before.inspection.pitch_um.unwrap_or(5.0) / 1000.0;
        let half = 0.5 * before.frame.size().width.max(before.frame.size().height) as f64 * pitch;
        let corner = SensorPoint { x: half, y: half };
        let there = self.apply(corner);
        self.turn == Turn::None && (there.x - half).hypot(there.y - half) < 2.0 * SAME_LENS_PX * pitch
    }
}

/// A mote as the comparison sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    pub at: SensorPoint,
    /// Standard error along each axis, mm: of the fit, and of what the model does not know.
    pub sigma_mm: f64,
    /// Full width of the shadow at half depth, mm.
    pub width_mm: f64,
    pub ln_area: f64,
    pub ln_area_sigma: f64,
    /// Its part from noise alone.
    pub ln_area_noise: f64,
    /// Round, whole and alone.
    pub round: bool,
    pub kind: Kind,
    pub at_edge: bool,
    pub snr: f64,
}

impl Point {
    fn of(mote: &Mote, pitch_mm: f64) -> Option<Point> {
        let (at, area) = (mote.at_sensor?, mote.blocked_area_um2?);
        let width_mm = mote.shadow_width_px.value * pitch_mm;
        // The centre of what is not round, or only partly seen, depends on how it is outlined.
        let round = mote.kind == Kind::Grain && !mote.flags.at_edge && !mote.flags.merged;
        let model = if round { 0.02 * width_mm + 0.2 * pitch_mm } else { 0.12 * width_mm + pitch_mm };
        let unknown = if round { 0.03 } else { 0.15 };
        Some(Point {
            at,
            sigma_mm: (mote.at_error_px * pitch_mm).hypot(model),
            width_mm,
            ln_area: area.value.max(1.0).ln(),
            ln_area_sigma: (area.sigma / area.value.max(1.0)).hypot(unknown).min(1.0),
            ln_area_noise: (area.sigma / area.value.max(1.0)).min(1.0),
            round,
            kind: mote.kind,
            at_edge: mote.flags.at_edge,
            snr: mote.snr,
        })
    }
}

/// Both charts, and what bounds their comparison.
pub(super) struct Charts {
    pub before: Vec<Point>,
    pub after: Vec<Point>,
    /// Sizes of the frames, px, and their pixel pitches, mm.
    pub sizes: [Size; 2],
    pub pitch_mm: [f64; 2],
    /// Greatest |ln scale| and translation (mm) that lenses can cause on this body.
    scale: f64,
    shift_mm: f64,
    /// Middle and spread of ln blocked area over both charts.
    ln_area: (f64, f64),
}

/// Shortest distance of an exit pupil: closer ones throw light that sensors do not take. A guess; makers' tables of
/// exchangeable lenses start at about 40 mm.
const NEAREST_PUPIL_MM: f64 = 40.0;
/// Largest shift of a lens off the sensor's centre, mm (shift lenses: 11 to 12 mm).
const LENS_SHIFT_MM: f64 = 12.0;
/// How far shadows stray with the lens left on, px: focus and aperture move the pupil a little. A guess.
const SAME_LENS_PX: f64 = 8.0;
/// Logarithm of the odds at which charts are taken to match: of 100 pairs of other bodies' charts fewer than one in a
/// thousand series may.
const SURE: f64 = 11.5;
/// The same where the serial number already says that the body is one.
const LIKELY: f64 = 2.3;
/// Most motes of a chart that are used to align.
const MOST: usize = 80;

impl Charts {
    pub fn new(before: Side, after: Side) -> Charts {
        let pitch_mm = [before, after].map(|s| s.inspection.pitch_um.unwrap_or(5.0) / 1000.0);
        let points = |side: Side, pitch: f64| -> Vec<Point> {
            side.inspection.motes.iter().map(|m| Point::of(m, pitch)).map(|p| p.unwrap_or(NOWHERE)).collect()
        };
        let (a, b) = (points(before, pitch_mm[0]), points(after, pitch_mm[1]));
        let height = [before, after]
            .iter()
            .filter_map(|s| s.inspection.stand_off)
            .map(|h| h.height_mm.value + 2.0 * h.height_mm.sigma)
            .fold(0.5, f64::max)
            .min(4.0);
        let all: Vec<f64> = a.iter().chain(&b).map(|p| p.ln_area).collect();
        let mean = all.iter().sum::<f64>() / all.len().max(1) as f64;
        let spread = (all.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / all.len().max(1) as f64).sqrt();
        Charts {
            before: a,
            after: b,
            sizes: [before.frame.size(), after.frame.size()],
            pitch_mm,
            scale: -(1.0 - height / NEAREST_PUPIL_MM).ln(),
            shift_mm: LENS_SHIFT_MM * height / (NEAREST_PUPIL_MM - height),
            ln_area: (mean, spread.max(0.8)),
        }
    }

    /// Sensor area of the second frame, mm².
    pub fn sensor_mm2(&self) -> f64 {
        self.sizes[1].area() as f64 * self.pitch_mm[1] * self.pitch_mm[1]
    }

    /// Logarithm of how often a mote of that ln area occurs, per unit of ln area, among all.
    pub fn ln_commonness(&self, ln_area: f64) -> f64 {
        let z = (ln_area - self.ln_area.0) / self.ln_area.1;
        ln_normal(z, self.ln_area.1)
    }

    /// How much likelier a mote found there is the foretold one than another, per mote that falls on a mm² by chance:
    /// ln of the ratio, without the density of other motes.
    pub fn ln_likeness(&self, before: &Point, after: &Point, foretold: SensorPoint, error_mm: f64) -> f64 {
        let d = (after.at.x - foretold.x).hypot(after.at.y - foretold.y);
        let sigma = before.sigma_mm.hypot(after.sigma_mm).hypot(error_mm);
        let wide = sigma.hypot(0.3 * before.width_mm.max(after.width_mm));
        let place = |s: f64| (-0.5 * (d / s).powi(2)).exp() / (std::f64::consts::TAU * s * s);
        let near = 0.95 * place(sigma) + 0.05 * place(wide);
        near.max(1e-300).ln() + self.ln_alike(before, after)
    }

    /// The same for the blocked areas alone. Some stay and change: a fragment left, a neighbour that fell on it.
    pub fn ln_alike(&self, before: &Point, after: &Point) -> f64 {
        let apart = after.ln_area - before.ln_area;
        let sigma = before.ln_area_sigma.hypot(after.ln_area_sigma);
        let same = 0.93 * ln_normal(apart / sigma, sigma).exp() + 0.07 * ln_normal(apart / 1.2, 1.2).exp();
        same.max(1e-300).ln() - self.ln_commonness(after.ln_area)
    }
}

/// A mote without a place, which matches nothing (kept so that numbers stay those of the inspection).
const NOWHERE: Point = Point {
    at: SensorPoint { x: 1e6, y: 1e6 },
    sigma_mm: 1e-3,
    width_mm: 1e-3,
    ln_area: 0.0,
    ln_area_sigma: 0.1,
    ln_area_noise: 0.1,
    round: false,
    kind: Kind::Grain,
    at_edge: false,
    snr: 0.0,
};

/// Logarithm of the normal density of a deviation of `z` standard deviations `sigma`.
pub(super) fn ln_normal(z: f64, sigma: f64) -> f64 {
    -0.5 * z * z - (sigma * std::f64::consts::TAU.sqrt()).ln()
}

/// The transform between the charts.
///
/// # Errors
/// `OtherBody` where no serial number vouches for the body and the charts do not match.
pub(super) fn align(charts: &Charts, lens: Option<bool>, body: SameBody) -> Result<Transform, Refusal> {
    let turns = Turn::between(charts.sizes[0], charts.sizes[1]);
    let tried = turns.map(|turn| Search::new(charts, turn).best(lens));
    // Hardly anybody turns a picture on its head.
    let [(first, first_odds), (second, second_odds)] = tried;
    let (best, odds) = if second_odds - 4.0 > first_odds { (second, second_odds - 4.0) } else { (first, first_odds) };
    let enough = if body == SameBody::Serial { LIKELY } else { SURE };
    if odds > enough {
        return Ok(best);
    }
    if body != SameBody::Serial {
        return Err(Refusal::new(
            RefusalCode::OtherBody,
            "no serial number in the files tells whether they are of one body, and their charts do not match",
            "use files that carry the body's serial number, or test frames between which not everything went",
        ));
    }
    // One body, but nothing to go by: as it stands, as far off as the lenses allow.
    let pitch = charts.pitch_mm[1];
    let half = 0.5 * charts.sizes[1].width.max(charts.sizes[1].height) as f64 * pitch;
    let (scale, shift) = match lens {
        Some(false) => (0.4 * charts.scale, 0.2 * charts.shift_mm),
        _ => (0.5 * SAME_LENS_PX * pitch / half, 0.5 * SAME_LENS_PX * pitch),
    };
    let turn = turns[0];
    let covariance = [[scale * scale, 0.0, 0.0], [0.0, shift * shift, 0.0], [0.0, 0.0, shift * shift]];
    Ok(Transform { matched: false, turn, covariance, ..Transform::STILL })
}

/// The search for one turn; the second chart turned back.
struct Search<'a> {
    charts: &'a Charts,
    before: Vec<Point>,
    after: Vec<Point>,
    turn: Turn,
    /// ln of the density of other motes, per mm².
    ln_density: f64,
    near_mm: f64,
    half_mm: f64,
}

impl<'a> Search<'a> {
    fn new(charts: &'a Charts, turn: Turn) -> Search<'a> {
        let strongest = |points: &[Point]| {
            let mut points: Vec<Point> = points.iter().copied().filter(|p| p.at.x < 1e5).collect();
            points.sort_by(|a, b| b.snr.total_cmp(&a.snr));
            points.truncate(MOST);
            points
        };
        let mut after = strongest(&charts.after);
        after.iter_mut().for_each(|p| p.at = turn.inverse().apply(p.at));
        let size = charts.sizes[0];
        Search {
            before: strongest(&charts.before),
            ln_density: (after.len().max(1) as f64 / charts.sensor_mm2()).ln(),
            after,
            charts,
            turn,
            near_mm: SAME_LENS_PX * charts.pitch_mm[1],
            half_mm: 0.5 * size.width.max(size.height) as f64 * charts.pitch_mm[0],
        }
    }

    /// The best transform and the logarithm of its odds against chance.
    fn best(&self, lens: Option<bool>) -> (Transform, f64) {
        let still = Transform { turn: self.turn, ..Transform::STILL };
        let mut starts = vec![still];
        let pairs = self.correspondences();
        let shifted = |&(i, j): &(usize, usize)| {
            let (p, q) = (self.before[i].at, self.after[j].at);
            Transform { dx_mm: q.x - p.x, dy_mm: q.y - p.y, ..still }
        };
        starts.extend(pairs.iter().map(shifted));
        let two = (0..pairs.len()).flat_map(|a| (0..a).map(move |b| (a, b)));
        starts.extend(two.filter_map(|(a, b)| self.through(pairs[a], pairs[b])));
        let mut scored: Vec<(f64, Transform)> = starts.par_iter().map(|t| (self.score(t).0, *t)).collect();
        scored.sort_by(|a, b| b.0.total_cmp(&a.0));
        scored.truncate(12);
        scored
            .par_iter()
            .map(|(_, t)| {
                let refined = self.refined(*t);
                (refined, self.score(&refined).0 - self.cost(&refined, lens))
            })
            .collect::<Vec<_>>()
            .into_iter()
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((still, f64::MIN))
    }

    /// Pairs of motes that could be one, the likeliest first.
    fn correspondences(&self) -> Vec<(usize, usize)> {
        let mut found = Vec::new();
        for (i, p) in self.before.iter().enumerate() {
            let reach = self.charts.scale * p.at.x.hypot(p.at.y) + self.charts.shift_mm + self.near_mm;
            for (j, q) in self.after.iter().enumerate() {
                let far = (q.at.x - p.at.x).hypot(q.at.y - p.at.y);
                let apart = (q.ln_area - p.ln_area).abs();
                if far < reach && apart < 0.3 + 4.0 * p.ln_area_sigma.hypot(q.ln_area_sigma) {
                    found.push((apart / (p.snr.min(q.snr)).max(1.0).ln().max(0.5), i, j));
                }
            }
        }
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        found.truncate(160);
        found.into_iter().map(|(_, i, j)| (i, j)).collect()
    }

    /// The transform through two pairs; `None` where no lens makes it.
    fn through(&self, a: (usize, usize), b: (usize, usize)) -> Option<Transform> {
        if a.0 == b.0 || a.1 == b.1 {
            return None;
        }
        let (p, q) = (self.before[a.0], self.before[b.0]);
        let (r, s) = (self.after[a.1], self.after[b.1]);
        let from = (q.at.x - p.at.x, q.at.y - p.at.y);
        let to = (s.at.x - r.at.x, s.at.y - r.at.y);
        let length2 = from.0 * from.0 + from.1 * from.1;
        // Too close together to tell a scale by.
        if length2 < 4.0 {
            return None;
        }
        let scale = (from.0 * to.0 + from.1 * to.1) / length2;
        let sigma = [p, q, r, s].iter().map(|p| p.sigma_mm * p.sigma_mm).sum::<f64>().sqrt();
        let skew = (from.0 * to.1 - from.1 * to.0) / length2.sqrt();
        if scale.ln().abs() > self.charts.scale || skew.abs() > 5.0 * sigma {
            return None;
        }
        let (dx, dy) = (r.at.x - scale * p.at.x, r.at.y - scale * p.at.y);
        let within = dx.hypot(dy) < self.charts.shift_mm + self.near_mm;
        within.then_some(Transform { scale, dx_mm: dx, dy_mm: dy, turn: self.turn, ..Transform::STILL })
    }

    /// Logarithm of how much likelier the second chart is under this transform than by chance, and the pairs.
    fn score(&self, t: &Transform) -> (f64, Vec<(usize, usize)>) {
        let mut likely = Vec::new();
        for (i, p) in self.before.iter().enumerate() {
            let at = SensorPoint { x: t.scale * p.at.x + t.dx_mm, y: t.scale * p.at.y + t.dy_mm };
            for (j, q) in self.after.iter().enumerate() {
                let reach = 5.0 * p.sigma_mm.hypot(q.sigma_mm) + 0.3 * p.width_mm.max(q.width_mm);
                if (q.at.x - at.x).abs() < reach && (q.at.y - at.y).abs() < reach {
                    let gain = self.charts.ln_likeness(p, q, at, 0.0) - self.ln_density;
                    if gain > 0.0 {
                        likely.push((gain, i, j));
                    }
                }
            }
        }
        likely.sort_by(|a, b| b.0.total_cmp(&a.0));
        let (mut used_before, mut used_after) = (vec![false; self.before.len()], vec![false; self.after.len()]);
        let (mut sum, mut pairs) = (0.0, Vec::new());
        for (gain, i, j) in likely {
            if !used_before[i] && !used_after[j] {
                (used_before[i], used_after[j]) = (true, true);
                sum += gain;
                pairs.push((i, j));
            }
        }
        // Which motes of the first stayed was not known beforehand: any number of them, then any so many.
        let (n, m) = (self.before.len() as f64, pairs.len() as f64);
        let choices = libm::lgamma(n + 1.0) - libm::lgamma(m + 1.0) - libm::lgamma(n - m + 1.0) + (n + 1.0).ln();
        (sum - choices, pairs)
    }

    /// What it costs to have chosen this transform among all that lenses can cause.
    fn cost(&self, t: &Transform, lens: Option<bool>) -> f64 {
        let mut sigmas: Vec<f64> = self.after.iter().chain(&self.before).map(|p| p.sigma_mm).collect();
        sigmas.sort_unstable_by(f64::total_cmp);
        let sigma = sigmas.get(sigmas.len() / 2).copied().unwrap_or(0.005) * std::f64::consts::SQRT_2;
        let choices = |scale_mm: f64, shift_mm: f64| {
            (2.0 * scale_mm / sigma).max(1.0).ln() + 2.0 * (2.0 * shift_mm / sigma).max(1.0).ln()
        };
        let moved = (t.scale - 1.0).abs() * self.half_mm;
        let near = t.dx_mm.abs() < self.near_mm && t.dy_mm.abs() < self.near_mm && moved < self.near_mm;
        let share = |near: f64, far: f64| {
            -(if lens == Some(true) {
                near
            } else if lens == Some(false) {
                far
            } else {
                0.5
            })
            .ln()
        };
        if near {
            choices(self.near_mm, self.near_mm) + share(0.9, 0.1)
        } else {
            choices(self.charts.scale * self.half_mm, self.charts.shift_mm) + share(0.1, 0.9)
        }
    }

    /// Least squares over the pairs that agree, a few times over.
    fn refined(&self, start: Transform) -> Transform {
        let mut t = start;
        for _ in 0..5 {
            let (_, pairs) = self.score(&t);
            // Bounds of scale and translation as two standard deviations of what is known beforehand.
            let (s, d) = (0.5 * self.charts.scale, 0.5 * (self.charts.shift_mm + self.near_mm));
            let mut normal = Matrix3::from_diagonal(&Vector3::new(1.0 / (s * s), 1.0 / (d * d), 1.0 / (d * d)));
            let mut right = Vector3::zeros();
            let mut misses = 0.0;
            for &(i, j) in &pairs {
                let (p, q) = (&self.before[i], &self.after[j]);
                let sigma = p.sigma_mm.hypot(q.sigma_mm);
                let miss = (q.at.x - t.scale * p.at.x - t.dx_mm).hypot(q.at.y - t.scale * p.at.y - t.dy_mm);
                misses += (miss / sigma).powi(2).min(25.0);
                // Odd ones pull less (Huber's weights).
                let w = (2.5 / (miss / sigma).max(2.5)) / (sigma * sigma);
                for (row, value) in [
                    (Vector3::new(p.at.x, 1.0, 0.0), q.at.x - p.at.x),
                    (Vector3::new(p.at.y, 0.0, 1.0), q.at.y - p.at.y),
                ] {
                    normal += row * row.transpose() * w;
                    right += row * (w * value);
                }
            }
            let Some(inverse) = normal.try_inverse() else { return t };
            let k = inverse * right;
            let scatter = (misses / (2.0 * pairs.len() as f64 - 3.0).max(1.0)).max(1.0);
            let c = inverse * scatter;
            t = Transform {
                scale: 1.0 + k[0],
                dx_mm: k[1],
                dy_mm: k[2],
                motes: pairs.len(),
                matched: true,
                covariance: std::array::from_fn(|i| std::array::from_fn(|j| c[(i, j)])),
                ..t
            };
        }
        t
    }
}
