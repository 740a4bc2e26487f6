//! One shadow fitted with its true shape: place, blocked area, their errors, and how well the shape holds.

use motelight_frame::{Mask, Micrometres};
use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;

use crate::bank::{Bank, Shape};
use crate::flat::Flat;
use crate::grid::BLOCK;

/// What fits are made on: the flattened wall, in cells of known size on the sensor.
#[derive(Debug, Clone, Copy)]
pub struct Wall<'a> {
    /// The flattened wall.
    pub flat: &'a Flat,
    /// Pixels that cannot be measured.
    pub mask: &'a Mask,
    /// Side of a cell on the sensor, µm.
    pub cell_um: f64,
}

/// A round shadow: where it stands and how much it blocks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spot {
    /// Column of the centre, cells.
    pub x: f64,
    /// Row of the centre, cells.
    pub y: f64,
    /// Blocked area, µm².
    pub area_um2: f64,
}

/// A dark place, and how far around it the light is not the wall's: diffraction lifts it, and a backdrop that gave way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dark {
    /// Column, cells.
    pub x: f64,
    /// Row, cells.
    pub y: f64,
    /// Radius, cells.
    pub reach: f64,
}

impl Dark {
    /// Whether it reaches into the circle of this radius around a place.
    pub fn touches(&self, x: f64, y: f64, radius: f64) -> bool {
        (self.x - x).hypot(self.y - y) < self.reach + radius
    }
}

/// A fitted shadow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Best values.
    pub spot: Spot,
    /// Standard errors of x, y (cells) and blocked area (µm²), for uncorrelated noise.
    pub errors: [f64; 3],
    /// Depth over its error, the shape held and the backdrop fitted along: the signal-to-noise ratio of the matched filter.
    /// (The area is known less well: a larger mote's shadow differs in shape too.)
    pub snr: f64,
    /// Sum of squared residuals over their variance.
    pub chi2: f64,
    /// Cells less parameters.
    pub freedom: f64,
}

impl Fit {
    /// Correlation of what is seen with the fitted shape, noise taken off: 1 for a shadow of that shape. What is held counts
    /// as far as it tells the area.
    /// With r that correlation, the fit holds r of the signal and leaves sqrt(1 - r^2) of it as residual.
    pub fn likeness(&self) -> f64 {
        // What noise alone leaves, with two standard deviations to spare.
        let left = (self.chi2 - self.freedom - 2.0 * (2.0 * self.freedom).sqrt()).max(0.0);
        let held = (self.spot.area_um2 / self.errors[2].max(1e-9)).powi(2);
        (held / (held + left)).sqrt()
    }
}

/// One cell of a window.
#[derive(Debug, Clone, Copy)]
struct Sample {
    x: f64,
    y: f64,
    loss: f64,
}

/// A single cell this many deviations off, and by this share of the light, is no noise and no jump of a compressed
/// picture's codes: a stuck or dead pixel stands in it. A guess.
const DEFECT: (f32, f32) = (8.0, 0.08);

/// Place, area and a sloping backdrop: level, slope right, slope down.
const PARAMETERS: usize = 6;
const STEPS: usize = 12;
impl Wall<'_> {
    /// Fits a shadow near `start` in a window of `radius` cells, the shadows of `others` divided out first. `None`
    /// where the window holds too few cells to fit, or the fit runs away from its start.
    pub fn fit(&self, bank: &Bank, start: Spot, radius: f64, others: &[Spot]) -> Option<Fit> {
        let samples = self.window(bank, start, radius, others);
        if samples.len() < 3 * PARAMETERS {
            return None;
        }
        let sigma = f64::from(self.flat.sigma.under(start.x as usize, start.y as usize)).max(1e-6);
        let mut p = [start.x, start.y, start.area_um2, 0.0, 0.0, 0.0];
        let mut state = self.normal(bank, &samples, (start, sigma), &p);
        let mut damping = 1e-3;
        for _ in 0..STEPS {
            let mut damped = state.hessian;
            for i in 0..PARAMETERS {
                damped[(i, i)] *= 1.0 + damping;
            }
            let step = damped.cholesky()?.solve(&state.gradient);
            let mut next = p;
            for i in 0..PARAMETERS {
                next[i] += step[i];
            }
            next[2] = next[2].max(0.1 * p[2]).min(bank.largest_area_um2());
            let trial = self.normal(bank, &samples, (start, sigma), &next);
            if trial.squares <= state.squares {
                let settled = state.squares - trial.squares < 1e-5 * state.squares;
                (p, state) = (next, trial);
                damping *= 0.2;
                if settled {
                    break;
                }
            } else {
                damping *= 8.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
        if (p[0] - start.x).hypot(p[1] - start.y) > 0.6 * radius {
            return None;
        }
        let covariance = state.hessian.cholesky()?.inverse();
        let error = |i: usize| covariance[(i, i)].max(0.0).sqrt() * sigma;
        Some(Fit {
            spot: Spot { x: p[0], y: p[1], area_um2: p[2] },
            errors: [error(0), error(1), error(2)],
            snr: self.snr(bank, &samples, (start, sigma), &p)?,
            chi2: state.squares / (sigma * sigma),
            freedom: (samples.len() - PARAMETERS) as f64,
        })
    }

    /// The fit of a shadow of that area tried at `trials` places over the wall, clear of what is `dark`: the areas found over
    /// the error that uncorrelated noise would give them. Their spread is 1 in a raw; more where a demosaic,
    /// compression or the wall ties neighbours together. Windows with a pixel defect do not count. Empty where the wall is too small.
    pub fn answers(&self, bank: &Bank, area_um2: f64, dark: &[Dark], trials: usize) -> Vec<f32> {
        let Some(Template { radius, reach, weights, error }) = self.template(bank, area_um2) else { return Vec::new() };
        let size = self.flat.size();
        if size.width < 3 * reach || size.height < 3 * reach {
            return Vec::new();
        }
        let room = (size.width - 2 * reach, size.height - 2 * reach);
        // From left to right, so that a place is only held against those that may reach it: of noise there can be thousands.
        let mut dark = dark.to_vec();
        dark.sort_by(|a, b| a.x.total_cmp(&b.x));
        let farthest = radius + dark.iter().fold(0.0f64, |far, d| far.max(d.reach));
        let is_taken = |x: f64, y: f64| {
            let first = dark.partition_point(|d| d.x < x - farthest);
            dark[first..].iter().take_while(|d| d.x < x + farthest).any(|d| d.touches(x, y, radius))
        };
        (0..trials)
            .into_par_iter()
            .filter_map(|i| {
                // Places spread evenly by the plastic number's fractions (Roberts' low-discrepancy sequence).
                let along = |k: f64, room: usize| ((i as f64 * k).fract() * room as f64) as usize;
                let (x0, y0) = (along(0.754_877_666, room.0), along(0.569_840_291, room.1));
                if is_taken((x0 + reach) as f64, (y0 + reach) as f64) {
                    return None;
                }
                let sigma = self.flat.sigma.under(x0 + reach, y0 + reach).max(1e-9);
                let (mut sum, mut largest) = (0.0f32, 0.0f32);
                for &(x, y, w) in &weights {
                    let loss = self.flat.loss.at(x0 + x, y0 + y);
                    sum += w * loss;
                    largest = largest.max(loss.abs());
                }
                (largest < (DEFECT.0 * sigma).max(DEFECT.1)).then_some(sum / error / sigma)
            })
            .collect()
    }

    /// Signal-to-noise ratio that a mote of this blocked area has where the noise is as it mostly is, uncorrelated.
    pub fn expected_snr(&self, bank: &Bank, area_um2: f64) -> f64 {
        let sigma = f64::from(self.flat.sigma.median()).max(1e-9);
        self.template(bank, area_um2).map_or(0.0, |t| 1.0 / (f64::from(t.error) * sigma))
    }

    /// How the fit draws the depth of a shadow, in units of what one of this area has, from the cells around its centre.
    fn template(&self, bank: &Bank, area_um2: f64) -> Option<Template> {
        let radius = self.radius(bank, area_um2);
        let reach = radius.ceil() as usize;
        let shape = bank.shape(area_um2);
        let mut cells = Vec::new();
        let mut hessian = SMatrix::<f64, 4, 4>::zeros();
        hessian[(1, 1)] += 1.0 / self.flat.stray;
        for y in 0..=2 * reach {
            for x in 0..=2 * reach {
                let (dx, dy) = (x as f64 - reach as f64, y as f64 - reach as f64);
                let r = (dx * dx + dy * dy).sqrt();
                if r <= radius {
                    let row = SVector::from([shape.at(r * self.cell_um).0, 1.0, dx, dy]);
                    hessian.ger(1.0, &row, &row, 1.0);
                    cells.push((x, y, row));
                }
            }
        }
        let inverse = hessian.try_inverse()?;
        let weights: Vec<(usize, usize, f32)> =
            cells.into_iter().map(|(x, y, row)| (x, y, (inverse * row)[0] as f32)).collect();
        let error = weights.iter().map(|w| w.2 * w.2).sum::<f32>().sqrt();
        Some(Template { radius, reach, weights, error })
    }

    /// Radius of the window of a shadow, cells: its geometric edge and the first bright ring.
    pub fn radius(&self, bank: &Bank, area_um2: f64) -> f64 {
        let shadowing = bank.shadowing();
        let diameter = crate::optics::equivalent_diameter(area_um2).0 * shadowing.scale;
        let ring = 1.2 * (0.55 * shadowing.stand_off.0 * 1000.0).sqrt();
        ((0.5 * (diameter + shadowing.pupil.0) + ring) / self.cell_um + 1.0).clamp(4.0, 80.0)
    }

    /// The sound cells around a spot, others' shadows divided out.
    fn window(&self, bank: &Bank, spot: Spot, radius: f64, others: &[Spot]) -> Vec<Sample> {
        let size = self.flat.size();
        let range = |centre: f64, end: usize| {
            let clip = |v: f64| v.clamp(0.0, end as f64) as usize;
            clip((centre - radius).floor())..clip((centre + radius).ceil() + 1.0)
        };
        let near = |o: &&Spot| (o.x - spot.x).hypot(o.y - spot.y) < radius + self.radius(bank, o.area_um2);
        let others: Vec<(Spot, Shape)> = others.iter().filter(near).map(|o| (*o, bank.shape(o.area_um2))).collect();
        let mut samples = Vec::new();
        for y in range(spot.y, size.height) {
            let row = self.flat.loss.row(y);
            for x in range(spot.x, size.width) {
                let (cx, cy) = (x as f64 + 0.5, y as f64 + 0.5);
                if (cx - spot.x).hypot(cy - spot.y) > radius || !self.sound(x, y) {
                    continue;
                }
                let passed: f64 = others
                    .iter()
                    .map(|(o, shape)| 1.0 - shape.at((cx - o.x).hypot(cy - o.y) * self.cell_um).0)
                    .product();
                samples.push(Sample { x: cx, y: cy, loss: 1.0 - (1.0 - f64::from(row[x])) / passed.max(0.05) });
            }
        }
        samples
    }

    /// Whether a place lies in the picture, at least `room` cells from its edge; below 0, no further outside than that.
    pub fn holds(&self, x: f64, y: f64, room: f64) -> bool {
        let size = self.flat.size();
        let inside = |v: f64, end: usize| (room..=end as f64 - room).contains(&v);
        inside(x, size.width) && inside(y, size.height)
    }

    /// Whether every pixel of a cell can be measured.
    pub fn sound(&self, x: usize, y: usize) -> bool {
        let cell = self.flat.cell;
        (y * cell..(y + 1) * cell).all(|py| self.mask.0.row(py)[x * cell..(x + 1) * cell].iter().all(|&m| m == 0))
    }

    /// How firmly the level of a window is held to the backdrop, as so many cells would: by what is known of how the level
    /// strays, but loosely where it strays far, beside something large (weights of Cauchy's distribution); not at all along
    /// the edges, where the backdrop is carried on past the last blocks' centres.
    fn stiffness(&self, origin: Spot, level: f64, sigma: f64) -> f64 {
        let known = self.holds(origin.x, origin.y, 0.5 * BLOCK as f64);
        if known { 1.0 / (self.flat.stray + (level / sigma).powi(2)) } else { 0.0 }
    }

    /// Signal-to-noise ratio of a fitted shadow.
    fn snr(&self, bank: &Bank, samples: &[Sample], (origin, sigma): (Spot, f64), p: &[f64; PARAMETERS]) -> Option<f64> {
        let shape = bank.shape(p[2]);
        let mut hessian = SMatrix::<f64, 4, 4>::zeros();
        for s in samples {
            let lost = shape.at((s.x - p[0]).hypot(s.y - p[1]) * self.cell_um).0;
            let row = SVector::from([lost, 1.0, s.x - origin.x, s.y - origin.y]);
            hessian.ger(1.0, &row, &row, 1.0);
        }
        hessian[(1, 1)] += self.stiffness(origin, p[3], sigma);
        Some(1.0 / (hessian.cholesky()?.inverse()[(0, 0)].sqrt() * sigma))
    }

    /// Normal equations of the fit at parameters `p`.
    fn normal(&self, bank: &Bank, samples: &[Sample], (origin, sigma): (Spot, f64), p: &[f64; PARAMETERS]) -> Normal {
        let shape = bank.shape(p[2]);
        let mut normal = Normal { hessian: SMatrix::zeros(), gradient: SVector::zeros(), squares: 0.0 };
        for s in samples {
            let (dx, dy) = (s.x - p[0], s.y - p[1]);
            let r = (dx * dx + dy * dy).sqrt();
            let (lost, slope, by_area) = shape.at(r * self.cell_um);
            let pull = if r > 1e-9 { -slope * self.cell_um / r } else { 0.0 };
            let (bx, by) = (s.x - origin.x, s.y - origin.y);
            let derivative = SVector::from([pull * dx, pull * dy, by_area, 1.0, bx, by]);
            let residual = s.loss - lost - p[3] - p[4] * bx - p[5] * by;
            normal.hessian.ger(1.0, &derivative, &derivative, 1.0);
            normal.gradient.axpy(residual, &derivative, 1.0);
            normal.squares += residual * residual;
        }
        let stiffness = self.stiffness(origin, p[3], sigma);
        normal.hessian[(3, 3)] += stiffness;
        normal.gradient[3] -= stiffness * p[3];
        if stiffness > 0.0 {
            let variance = sigma * sigma;
            normal.squares += variance * (p[3] * p[3] / (variance * self.flat.stray)).ln_1p();
        }
        normal
    }
}

/// A fit of the depth alone: cells around a centre and their weights.
struct Template {
    /// Radius of the window, cells, and the whole cells that hold it.
    radius: f64,
    reach: usize,
    /// Column and row from the window's corner, and the weight.
    weights: Vec<(usize, usize, f32)>,
    /// Standard error of what is drawn, for uncorrelated noise of one unit a cell.
    error: f32,
}

/// Sums over the window of a fit.
struct Normal {
    hessian: SMatrix<f64, PARAMETERS, PARAMETERS>,
    gradient: SVector<f64, PARAMETERS>,
    squares: f64,
}

/// Side of a cell on the sensor.
pub fn cell_um(flat: &Flat, pitch: Micrometres) -> f64 {
    flat.cell as f64 * pitch.0
}

/// A first guess at a candidate: the light missing within twice its scale.
pub fn rough_spot(wall: &Wall, x: f64, y: f64, scale: f64) -> Spot {
    let peak = mean_within(wall, x, y, scale.max(1.0));
    // A Gaussian filter of the spot's own width sees half of its height.
    let area_cells = 2.0 * std::f64::consts::PI * scale * scale * 1.6 * peak.max(0.0);
    Spot { x, y, area_um2: (area_cells * wall.cell_um * wall.cell_um).max(20.0) }
}

/// Mean loss within a radius, cells.
pub fn mean_within(wall: &Wall, x: f64, y: f64, radius: f64) -> f64 {
    let size = wall.flat.size();
    let clip = |v: f64, end: usize| v.clamp(0.0, end as f64) as usize;
    let (mut sum, mut count) = (0.0, 0.0);
    for cy in clip(y - radius, size.height)..clip(y + radius + 1.0, size.height) {
        for cx in clip(x - radius, size.width)..clip(x + radius + 1.0, size.width) {
            if (cx as f64 + 0.5 - x).hypot(cy as f64 + 0.5 - y) <= radius {
                sum += f64::from(wall.flat.loss.at(cx, cy));
                count += 1.0;
            }
        }
    }
    if count > 0.0 { sum / count } else { 0.0 }
}
