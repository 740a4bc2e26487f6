//! The way from an original to a finished picture, and back.

use motelight_frame::{PicturePoint, Size};
use nalgebra::{DMatrix, DVector, Matrix3, SVector, Vector3};
use serde::{Deserialize, Serialize};

/// A place of the original and the same of the finished picture, normalised coordinates.
pub type Match = ((f64, f64), (f64, f64));

/// A homography after a radial term, in normalised coordinates (from the middle, long side 1).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Warp {
    /// Row by row; the last element is 1.
    pub h: [[f64; 3]; 3],
    /// Third-order radial term: a place at distance r from the original's middle lies at r (1 + k r^2).
    pub k: f64,
}

impl Warp {
    fn matrix(&self) -> Matrix3<f64> {
        Matrix3::from_fn(|i, j| self.h[i][j])
    }

    pub fn of(matrix: &Matrix3<f64>, k: f64) -> Option<Warp> {
        let last = matrix[(2, 2)];
        (last.abs() > 1e-9)
            .then(|| Warp { h: std::array::from_fn(|i| std::array::from_fn(|j| matrix[(i, j)] / last)), k })
    }

    /// From the original to the finished picture; `None` past the horizon.
    pub fn apply(&self, (u, v): (f64, f64)) -> Option<(f64, f64)> {
        let bend = 1.0 + self.k * (u * u + v * v);
        project(&self.matrix(), (u * bend, v * bend))
    }

    /// From the finished picture to the original.
    pub fn back(&self, at: (f64, f64)) -> Option<(f64, f64)> {
        let (u, v) = project(&self.matrix().try_inverse()?, at)?;
        // The term is small: a fixed point found in a few steps.
        let (mut x, mut y) = (u, v);
        for _ in 0..8 {
            let bend = 1.0 + self.k * (x * x + y * y);
            (x, y) = (u / bend, v / bend);
        }
        Some((x, y))
    }

    /// Eight parameters of the homography, then the radial term.
    fn parameters(&self) -> SVector<f64, 9> {
        let h = self.h;
        SVector::from([h[0][0], h[0][1], h[0][2], h[1][0], h[1][1], h[1][2], h[2][0], h[2][1], self.k])
    }

    fn from_parameters(p: &SVector<f64, 9>) -> Warp {
        Warp { h: [[p[0], p[1], p[2]], [p[3], p[4], p[5]], [p[6], p[7], 1.0]], k: p[8] }
    }

    /// Fitted to pairs (original, finished), starting from itself: Gauss-Newton with Huber's weights. `radial`: whether the
    /// radial term is fitted as well.
    pub fn fitted(self, pairs: &[Match], radial: bool) -> Option<Warp> {
        let free = if radial { 9 } else { 8 };
        let mut warp = self;
        for _ in 0..8 {
            let mut misses = Vec::with_capacity(pairs.len());
            for &(from, to) in pairs {
                let (u, v) = warp.apply(from)?;
                misses.push((to.0 - u, to.1 - v));
            }
            let mut sizes: Vec<f64> = misses.iter().map(|m| m.0.hypot(m.1)).collect();
            sizes.sort_by(f64::total_cmp);
            // Median of a Rayleigh distribution: 1.18 sigma.
            let sigma = (sizes[sizes.len() / 2] / 1.18).max(1e-6);
            let mut normal = DMatrix::<f64>::zeros(free, free);
            let mut right = DVector::<f64>::zeros(free);
            let parameters = warp.parameters();
            for (&(from, _), miss) in pairs.iter().zip(&misses) {
                let weight = (1.345 * sigma / miss.0.hypot(miss.1).max(1e-12)).min(1.0);
                let here = warp.apply(from)?;
                let mut slopes = [(0.0, 0.0); 9];
                for (i, slope) in slopes.iter_mut().enumerate().take(free) {
                    let mut moved = parameters;
                    moved[i] += 1e-6;
                    let there = Warp::from_parameters(&moved).apply(from)?;
                    *slope = ((there.0 - here.0) / 1e-6, (there.1 - here.1) / 1e-6);
                }
                for i in 0..free {
                    right[i] += weight * (slopes[i].0 * miss.0 + slopes[i].1 * miss.1);
                    for j in 0..free {
                        normal[(i, j)] += weight * (slopes[i].0 * slopes[j].0 + slopes[i].1 * slopes[j].1);
                    }
                }
            }
            let step = normal.lu().solve(&right)?;
            let mut moved = parameters;
            (0..free).for_each(|i| moved[i] += step[i]);
            warp = Warp::from_parameters(&moved);
            if step.amax() < 1e-9 {
                break;
            }
        }
        warp.sane().then_some(warp)
    }

    /// Whether it is what an editor does: no mirror, no fold, and about the same scale everywhere.
    pub fn sane(&self) -> bool {
        let corners = [(-0.5, -0.35), (0.5, -0.35), (-0.5, 0.35), (0.5, 0.35), (0.0, 0.0)];
        let scales: Option<Vec<f64>> = corners.iter().map(|&c| self.scale(c)).collect();
        scales.is_some_and(|s| {
            let (least, most) = s.iter().fold((f64::MAX, 0.0), |(a, b): (f64, f64), &v| (a.min(v), b.max(v)));
            least > 0.5 && most < 4.0 && most < 2.2 * least
        }) && self.k.abs() < 0.4
    }

    /// How much larger things are in the finished picture, in long sides; below 0: mirrored.
    pub fn scale(&self, (u, v): (f64, f64)) -> Option<f64> {
        let e = 1e-4;
        let (a, b, c) = (self.apply((u, v))?, self.apply((u + e, v))?, self.apply((u, v + e))?);
        let area = ((b.0 - a.0) * (c.1 - a.1) - (b.1 - a.1) * (c.0 - a.0)) / (e * e);
        Some(area.signum() * area.abs().sqrt())
    }
}

fn project(m: &Matrix3<f64>, (u, v): (f64, f64)) -> Option<(f64, f64)> {
    let p = m * Vector3::new(u, v, 1.0);
    (p.z > 1e-3).then(|| (p.x / p.z, p.y / p.z))
}

/// Where the places of an original lie in a finished picture, pixels of both as stored.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Registration {
    pub(super) warp: Warp,
    /// Size of the original.
    pub original: Size,
    /// Size of the finished picture.
    pub finished: Size,
    /// Quarter turns clockwise that are baked in.
    pub quarter_turns: u8,
    /// Standard uncertainty of a place in the finished picture, px: what regions of it stray from the fit, and the chance errors of
    /// the fit.
    pub sigma_px: f64,
    /// Share of the corners in the finished picture that the fit explains, 0 to 1.
    pub matched_share: f64,
    /// Corners that it rests on.
    pub corners: usize,
}

impl Registration {
    /// Where a place of the original lies in the finished picture; it may lie outside.
    pub fn finished_from_original(&self, at: PicturePoint) -> Option<PicturePoint> {
        self.warp.apply(normal(at, self.original)).map(|p| pixels(p, self.finished))
    }

    /// Where a place of the finished picture lies in the original.
    pub fn original_from_finished(&self, at: PicturePoint) -> Option<PicturePoint> {
        self.warp.back(normal(at, self.finished)).map(|p| pixels(p, self.original))
    }

    /// How long a pixel of the original is in the finished picture, about a place of the original.
    pub fn scale_at(&self, at: PicturePoint) -> Option<f64> {
        let long = |s: Size| s.width.max(s.height) as f64;
        Some(self.warp.scale(normal(at, self.original))? * long(self.finished) / long(self.original))
    }

    /// The homography in pixels, original to finished, row by row, and the radial term (distance in long sides of the
    /// original from its middle).
    pub fn matrix(&self) -> ([[f64; 3]; 3], f64) {
        let to = |s: Size| {
            let (w, h) = (s.width as f64, s.height as f64);
            let long = w.max(h);
            Matrix3::new(1.0 / long, 0.0, -0.5 * w / long, 0.0, 1.0 / long, -0.5 * h / long, 0.0, 0.0, 1.0)
        };
        let back = to(self.finished).try_inverse().unwrap_or_else(Matrix3::identity);
        let m = back * self.warp.matrix() * to(self.original);
        (std::array::from_fn(|i| std::array::from_fn(|j| m[(i, j)] / m[(2, 2)])), self.warp.k)
    }
}

fn normal(at: PicturePoint, size: Size) -> (f64, f64) {
    let (w, h) = (size.width as f64, size.height as f64);
    let long = w.max(h);
    ((at.x - w / 2.0) / long, (at.y - h / 2.0) / long)
}

fn pixels((u, v): (f64, f64), size: Size) -> PicturePoint {
    let (w, h) = (size.width as f64, size.height as f64);
    let long = w.max(h);
    PicturePoint { x: u * long + w / 2.0, y: v * long + h / 2.0 }
}
