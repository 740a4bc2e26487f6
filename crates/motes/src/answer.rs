//! A mote whose place in a finished picture is known: whether it would be seen there.
//!
//! In: the picture, the place and the width of the shadow foretold. Out: how much darker the place is than around it, how far such
//! differences stray nearby, and how that stands to what would just be noticed.

use std::f64::consts::TAU;

use motelight_frame::{Frame, Micrometres, PicturePoint, Size};
use nalgebra::{Matrix3, Vector3};
use serde::{Deserialize, Serialize};

use crate::visibility::{Viewing, noticed_contrast};

/// What stands at a place.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// Mean light lost over the disc, 0 to 1; below 0 where it is brighter.
    pub contrast: f64,
    /// Its standard uncertainty, from discs of the same size around it: grain and texture.
    pub contrast_sigma: f64,
    /// Contrast over what would just be noticed, in the viewing that shows it best.
    pub times_threshold: f64,
}

/// Contrast over its uncertainty from which something stands there at all.
const SNR: f64 = 3.0;
/// Tone curves raise contrasts: more than so many times what was foretold is something else. A guess.
const STEEPEST: f64 = 4.0;
/// Discs around, and how far, in widths.
const AROUND: (usize, f64) = (12, 1.8);

impl Standing {
    /// Whether a shadow foretold with this depth would be seen.
    pub fn visible(&self, depth: f64) -> bool {
        let another = self.contrast > STEEPEST * depth + SNR * self.contrast_sigma;
        self.times_threshold >= 1.0 && self.contrast >= SNR * self.contrast_sigma && !another
    }
}

/// Measures a place. `None` where too little of its surroundings lies in the picture, or it is all black.
pub fn standing(frame: &Frame, at: PicturePoint, width_px: f64, viewings: &[Viewing]) -> Option<Standing> {
    let radius = (0.5 * width_px).max(1.0);
    let (count, far) = AROUND;
    let disc = |dx: f64, dy: f64| mean(frame, PicturePoint { x: at.x + dx, y: at.y + dy }, radius);
    let here = disc(0.0, 0.0)?;
    let around: Vec<(f64, f64, f64)> = (0..count)
        .filter_map(|k| {
            let angle = TAU * k as f64 / count as f64;
            let (dx, dy) = (libm::cos(angle), libm::sin(angle));
            Some((dx, dy, libm::log(disc(2.0 * far * radius * dx, 2.0 * far * radius * dy)?)))
        })
        .collect();
    if around.len() < 6 {
        return None;
    }
    let (ln_ground, sigma) = plane(&around)?;
    let ground = libm::exp(ln_ground);
    let contrast = 1.0 - here / ground;
    let contrast_sigma = sigma * here / ground;
    let times = |v: &Viewing| {
        let arcmin = 2.0 * radius * v.arcmin_per_um(frame.size(), Micrometres(1.0));
        contrast / noticed_contrast(arcmin, (v.luminance() * ground).max(0.01), contrast_sigma)
    };
    let times_threshold = viewings.iter().map(times).fold(f64::MIN, f64::max);
    Some(Standing { contrast, contrast_sigma, times_threshold })
}

/// A plane through what lies around, read in the middle, and the standard error of the difference to it. An edge that
/// crosses some of the discs does not sway it: Huber's weights (k = 1.345) about the median of absolute residuals.
fn plane(around: &[(f64, f64, f64)]) -> Option<(f64, f64)> {
    let rows: Vec<(Vector3<f64>, f64)> = around.iter().map(|&(dx, dy, v)| (Vector3::new(1.0, dx, dy), v)).collect();
    let mut weights = vec![1.0; rows.len()];
    let (mut middle, mut sigma) = (0.0, 0.0);
    for _ in 0..6 {
        let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
        for ((row, v), weight) in rows.iter().zip(&weights) {
            normal += row * row.transpose() * *weight;
            right += row * (*weight * v);
        }
        let inverse = normal.try_inverse()?;
        let plane = inverse * right;
        let misses: Vec<f64> = rows.iter().map(|(row, v)| (v - plane.dot(row)).abs()).collect();
        let mut sorted = misses.clone();
        sorted.sort_by(f64::total_cmp);
        // Three of the values are used up by the plane.
        let n = rows.len() as f64;
        let scatter = (1.4826 * sorted[sorted.len() / 2] * (n / (n - 3.0)).sqrt()).max(1e-6);
        weights = misses.iter().map(|miss| (1.345 * scatter / miss.max(1e-12)).min(1.0)).collect();
        (middle, sigma) = (plane[0], scatter * (1.0 + inverse[(0, 0)]).sqrt());
    }
    Some((middle, sigma))
}

/// Mean luminance over a disc that lies in the picture.
fn mean(frame: &Frame, at: PicturePoint, radius: f64) -> Option<f64> {
    let Size { width, height } = frame.size();
    let inside = at.x >= radius && at.y >= radius && at.x + radius <= width as f64 && at.y + radius <= height as f64;
    if !inside {
        return None;
    }
    let weights = if frame.planes.len() == 3 { frame.luminance } else { [1.0, 0.0, 0.0] };
    let (mut sum, mut n) = (0.0, 0.0);
    for y in (at.y - radius) as usize..((at.y + radius).ceil() as usize).min(height) {
        for x in (at.x - radius) as usize..((at.x + radius).ceil() as usize).min(width) {
            let (dx, dy) = (x as f64 + 0.5 - at.x, y as f64 + 0.5 - at.y);
            if dx * dx + dy * dy <= radius * radius {
                let light: f32 = (0..frame.planes.len()).map(|p| weights[p] * frame.planes.at(p, x, y)).sum();
                sum += f64::from(light);
                n += 1.0;
            }
        }
    }
    (n > 0.0 && sum > 0.0).then(|| sum / n)
}
