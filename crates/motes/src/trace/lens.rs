//! Where shadows stand through another lens: a scale about the sensor's centre and a translation (project optics notes
//! 2.7), found from the places that both lenses show.

use motelight_frame::Shot;
use serde::{Deserialize, Serialize};

use crate::trace::tally::Peak;

/// Where the shadows of the chart stand in a picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Transform {
    /// Scale about the sensor's centre.
    pub scale: f64,
    /// Translation to the right, mm.
    pub dx_mm: f64,
    /// Translation down, mm.
    pub dy_mm: f64,
}

impl Transform {
    /// Where they stand in the chart.
    pub const STILL: Transform = Transform { scale: 1.0, dx_mm: 0.0, dy_mm: 0.0 };

    /// Where a place of the chart stands here.
    pub fn apply(&self, at: (f64, f64)) -> (f64, f64) {
        (self.scale * at.0 + self.dx_mm, self.scale * at.1 + self.dy_mm)
    }

    /// Which place of the chart stands here.
    pub fn undo(&self, at: (f64, f64)) -> (f64, f64) {
        ((at.0 - self.dx_mm) / self.scale, (at.1 - self.dy_mm) / self.scale)
    }
}

/// What tells lenses apart: name, serial number and, for zooms, the focal length within about a fifth.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct LensKey {
    name: Option<(String, Option<String>)>,
    focal_length: Option<i32>,
}

impl LensKey {
    /// Of a picture.
    pub fn of(shot: &Shot) -> LensKey {
        LensKey {
            name: shot.lens.as_ref().map(|l| (l.model.clone(), l.serial.clone())),
            focal_length: shot.focal_length.map(|f| (f.0.max(1.0).ln() / 0.2).round() as i32),
        }
    }

    /// Whether this is the same lens, whatever its focal length.
    pub fn same_lens(&self, other: &LensKey) -> bool {
        match (&self.name, &other.name) {
            (Some(a), Some(b)) => a == b,
            (None, None) => self.focal_length == other.focal_length,
            _ => false,
        }
    }
}

/// Largest change of scale and translation between two lenses: h up to 2.5 mm, exit pupils from 50 mm to far away, a
/// lens shift of some mm (project optics notes 2.7).
const SCALE: f64 = 0.03;
const SHIFT_MM: f64 = 0.15;
/// Evidence from which on a place may vote.
const VOTES_FROM: f32 = 14.0;
const VOTERS: usize = 80;

/// Finds how places of one lens stand through another; `near_mm`: how close two places must come to agree. `None` where
/// too few agree.
pub fn align(from: &[Peak], to: &[Peak], near_mm: f64) -> Option<Transform> {
    let strong = |peaks: &[Peak]| -> Vec<(f64, f64)> {
        peaks.iter().filter(|p| p.evidence >= VOTES_FROM).take(VOTERS).map(|p| p.at).collect()
    };
    let (from, to) = (strong(from), strong(to));
    let far = from.iter().map(|p| p.0.hypot(p.1)).fold(1.0, f64::max);
    let steps = (SCALE * far / (0.5 * near_mm)).ceil() as i32;
    let half = (SHIFT_MM / (0.5 * near_mm)).ceil() as i32;
    let mut best = (0.0, Transform::STILL);
    for k in -steps..=steps {
        let scale = 1.0 + SCALE * f64::from(k) / f64::from(steps.max(1));
        let misses = misses(&from, &to, scale, SHIFT_MM + near_mm);
        for i in -half..=half {
            for j in -half..=half {
                let (dx, dy) = (f64::from(i) * 0.5 * near_mm, f64::from(j) * 0.5 * near_mm);
                let votes = misses.iter().filter(|miss| (miss.0 - dx).hypot(miss.1 - dy) < near_mm).count();
                // Small displacements come first: lenses seldom stand askew.
                let score =
                    votes as f64 - 0.3 * dx.hypot(dy) / SHIFT_MM - 0.1 * f64::from(k.abs()) / f64::from(steps.max(1));
                if score > best.0 {
                    best = (score, Transform { scale, dx_mm: dx, dy_mm: dy });
                }
            }
        }
    }
    // Places that agree by chance: density of the one list under the other's discs, at the best of all trials.
    let least = 3.0f64.max(0.15 * from.len().min(to.len()) as f64);
    (best.0 > least - 0.5).then_some(best.1)
}

/// How far places of the second list lie off places of the first at a scale, where that is within `reach`.
fn misses(from: &[(f64, f64)], to: &[(f64, f64)], scale: f64, reach: f64) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    for a in from {
        for b in to {
            let miss = (b.0 - scale * a.0, b.1 - scale * a.1);
            if miss.0.abs() < reach && miss.1.abs() < reach {
                found.push(miss);
            }
        }
    }
    found
}

/// A place of the chart and where it stands through a lens, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// In the chart.
    pub at: (f64, f64),
    /// Through the lens.
    pub there: (f64, f64),
    /// One over the variance of the second against the first.
    pub weight: f64,
}

/// Scale and translation by least squares; pulled towards `start` as if one place `far_mm` from the centre told it to
/// `pull_mm`.
pub fn least_squares(pairs: &[Pair], start: Transform, pull_mm: f64, far_mm: f64) -> Transform {
    let pull = 1.0 / (pull_mm * pull_mm);
    let mut normal = nalgebra::Matrix3::from_diagonal(&nalgebra::Vector3::new(pull * far_mm * far_mm, pull, pull));
    let mut right = nalgebra::Vector3::zeros();
    for Pair { at, there, weight } in pairs {
        let expected = start.apply(*at);
        for (row, miss) in [([at.0, 1.0, 0.0], there.0 - expected.0), ([at.1, 0.0, 1.0], there.1 - expected.1)] {
            let row = nalgebra::Vector3::from(row);
            normal += row * row.transpose() * *weight;
            right += row * (miss * weight);
        }
    }
    let change = normal.cholesky().map_or(nalgebra::Vector3::zeros(), |c| c.solve(&right));
    Transform { scale: start.scale + change[0], dx_mm: start.dx_mm + change[1], dy_mm: start.dy_mm + change[2] }
}
