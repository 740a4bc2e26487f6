//! One shadow fitted with its true shape: place, blocked area, their errors, and how well the shape holds.

use motelight_frame::{Mask, Micrometres};
use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;

use crate::bank::{Bank, Shape};
use crate::flat::Flat;
use crate::grid::BLOCK;
use crate::inspect::normal::{Cells, PARAMETERS, Sums};

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

/// The sound cells around a place.
struct Window {
    cells: Cells,
    /// What the backdrop alone makes of the normal equations.
    backdrop: SMatrix<f64, 3, 3>,
    /// Where it was laid.
    origin: Spot,
    /// Noise of a cell.
    sigma: f64,
}

/// A single cell this many deviations off, and by this share of the light, is no noise and no jump of a compressed
/// picture's codes: a stuck or dead pixel stands in it. A guess.
const DEFECT: (f32, f32) = (8.0, 0.08);

const STEPS: usize = 12;
impl Wall<'_> {
    /// Fits a shadow near `start` in a window of `radius` cells, the shadows of `others` divided out first. `None`
    /// where the window holds too few cells to fit, or the fit runs away from its start.
    pub fn fit(&self, bank: &Bank, start: Spot, radius: f64, others: &[Spot]) -> Option<Fit> {
        self.fit_from(bank, start, start, radius, others)
    }

    /// The same from a first guess that is not the middle of the window.
    pub fn fit_from(&self, bank: &Bank, guess: Spot, middle: Spot, radius: f64, others: &[Spot]) -> Option<Fit> {
        let window = self.window(bank, middle, radius, others);
        let (cells, sigma) = (&window.cells, window.sigma);
        if cells.len() < 3 * PARAMETERS {
            return None;
        }
        let mut p = [guess.x - middle.x, guess.y - middle.y, guess.area_um2, 0.0, 0.0, 0.0];
        let mut state = self.normal(bank, &window, &p);
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
            let trial = self.normal(bank, &window, &next);
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
        if p[0].hypot(p[1]) > 0.6 * radius {
            return None;
        }
        let covariance = state.hessian.cholesky()?.inverse();
        let error = |i: usize| covariance[(i, i)].max(0.0).sqrt() * sigma;
        Some(Fit {
            spot: Spot { x: middle.x + p[0], y: middle.y + p[1], area_um2: p[2] },
            errors: [error(0), error(1), error(2)],
            snr: self.snr(bank, &window, &p)?,
            chi2: state.squares / (sigma * sigma),
            freedom: (cells.len() - PARAMETERS) as f64,
        })
    }

    /// The fit of a shadow of that area tried at `trials` places over the wall, clear of what is `dark`: the areas found over
    /// the error that uncorrelated noise would give them. Their spread is 1 in a raw; more where a demosaic,
    /// compression or the wall ties neighbours together. Windows with a pixel defect do not count. Empty where the wall is too small.
    pub fn answers(&self, bank: &Bank, area_um2: f64, dark: &[Dark], trials: usize) -> Vec<f32> {
        let Some(Template { radius, reach, rows, error }) = self.template(bank, area_um2) else { return Vec::new() };
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
        // Places spread evenly by the plastic number's fractions (Roberts' low-discrepancy sequence), asked row by row: in their own
        // order each would fetch all its cells from memory.
        let along = |i: usize, k: f64, room: usize| ((i as f64 * k).fract() * room as f64) as usize;
        let mut places: Vec<(usize, usize)> =
            (0..trials).map(|i| (along(i, 0.569_840_291, room.1), along(i, 0.754_877_666, room.0))).collect();
        places.sort_unstable();
        places
            .into_par_iter()
            .filter_map(|(y0, x0)| {
                if is_taken((x0 + reach) as f64, (y0 + reach) as f64) {
                    return None;
                }
                let sigma = self.flat.sigma.under(x0 + reach, y0 + reach).max(1e-9);
                let (mut sum, mut largest) = (0.0f32, 0.0f32);
                for ((x, y), row) in &rows {
                    let loss = &self.flat.loss.row(y0 + y)[x0 + x..][..row.len()];
                    let (part, most) = weighed(row, loss);
                    (sum, largest) = (sum + part, largest.max(most));
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
        let mut hessian = SMatrix::<f64, 4, 4>::zeros();
        hessian[(1, 1)] += 1.0 / self.flat.stray;
        let mut cells = Vec::new();
        let tall = radius as usize;
        for y in reach - tall..=reach + tall {
            let dy = y as f64 - reach as f64;
            let wide = (radius * radius - dy * dy).max(0.0).sqrt() as usize;
            let of_cell = |x: usize| {
                let dx = x as f64 - reach as f64;
                SVector::from([shape.at(dx.hypot(dy) * self.cell_um).0, 1.0, dx, dy])
            };
            let row: Vec<SVector<f64, 4>> = (reach - wide..=reach + wide).map(of_cell).collect();
            row.iter().for_each(|cell| hessian.ger(1.0, cell, cell, 1.0));
            cells.push(((reach - wide, y), row));
        }
        let draws = hessian.try_inverse()?.row(0).transpose();
        let weights = |row: &Vec<SVector<f64, 4>>| row.iter().map(|cell| draws.dot(cell) as f32).collect();
        let rows: Vec<((usize, usize), Vec<f32>)> = cells.iter().map(|(at, row)| (*at, weights(row))).collect();
        let error = rows.iter().flat_map(|(_, row)| row).map(|w| w * w).sum::<f32>().sqrt();
        Some(Template { radius, reach, rows, error })
    }

    /// Radius of the window of a shadow, cells: its geometric edge and the first bright ring.
    pub fn radius(&self, bank: &Bank, area_um2: f64) -> f64 {
        let shadowing = bank.shadowing();
        let diameter = crate::optics::equivalent_diameter(area_um2).0 * shadowing.scale;
        let ring = 1.2 * (0.55 * shadowing.stand_off.0 * 1000.0).sqrt();
        ((0.5 * (diameter + shadowing.pupil.0) + ring) / self.cell_um + 1.0).clamp(4.0, 80.0)
    }

    /// The sound cells around a spot, others' shadows divided out.
    fn window(&self, bank: &Bank, spot: Spot, radius: f64, others: &[Spot]) -> Window {
        let size = self.flat.size();
        let range = |centre: f64, end: usize| {
            let clip = |v: f64| v.clamp(0.0, end as f64) as usize;
            clip((centre - radius).floor())..clip((centre + radius).ceil() + 1.0)
        };
        let near = |o: &&Spot| (o.x - spot.x).hypot(o.y - spot.y) < radius + self.radius(bank, o.area_um2);
        let others: Vec<(Spot, Shape)> = others.iter().filter(near).map(|o| (*o, bank.shape(o.area_um2))).collect();
        let mut cells = Cells::default();
        let mut backdrop = SMatrix::<f64, 3, 3>::zeros();
        for y in range(spot.y, size.height) {
            let row = self.flat.loss.row(y);
            for x in range(spot.x, size.width) {
                let (cx, cy) = (x as f64 + 0.5, y as f64 + 0.5);
                let (dx, dy) = (cx - spot.x, cy - spot.y);
                if dx * dx + dy * dy > radius * radius || !self.sound(x, y) {
                    continue;
                }
                let passed: f64 = others
                    .iter()
                    .map(|(o, shape)| 1.0 - shape.at((cx - o.x).hypot(cy - o.y) * self.cell_um).0)
                    .product();
                cells.push(dx, dy, 1.0 - (1.0 - f64::from(row[x])) / passed.max(0.05));
                let level = SVector::from([1.0, dx, dy]);
                backdrop.ger(1.0, &level, &level, 1.0);
            }
        }
        let sigma = f64::from(self.flat.sigma.under(spot.x as usize, spot.y as usize)).max(1e-6);
        Window { cells, backdrop, origin: spot, sigma }
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
    fn stiffness(&self, window: &Window, level: f64) -> f64 {
        let known = self.holds(window.origin.x, window.origin.y, 0.5 * BLOCK as f64);
        if known { 1.0 / (self.flat.stray + (level / window.sigma).powi(2)) } else { 0.0 }
    }

    /// Signal-to-noise ratio of a fitted shadow.
    fn snr(&self, bank: &Bank, window: &Window, p: &[f64; PARAMETERS]) -> Option<f64> {
        let shape = bank.shape(p[2]);
        let (mut squares, mut cross) = (0.0, [0.0; 3]);
        for (x, y) in window.cells.places() {
            let (dx, dy) = (x - p[0], y - p[1]);
            let lost = shape.at((dx * dx + dy * dy).sqrt() * self.cell_um).0;
            squares += lost * lost;
            cross = [cross[0] + lost, cross[1] + lost * x, cross[2] + lost * y];
        }
        let mut hessian = SMatrix::<f64, 4, 4>::zeros();
        hessian[(0, 0)] = squares;
        hessian.fixed_view_mut::<3, 1>(1, 0).copy_from(&SVector::from(cross));
        hessian.fixed_view_mut::<1, 3>(0, 1).copy_from(&SVector::from(cross).transpose());
        hessian.fixed_view_mut::<3, 3>(1, 1).copy_from(&window.backdrop);
        hessian[(1, 1)] += self.stiffness(window, p[3]);
        Some(1.0 / (hessian.cholesky()?.inverse()[(0, 0)].sqrt() * window.sigma))
    }

    /// Normal equations of the fit at parameters `p`.
    fn normal(&self, bank: &Bank, window: &Window, p: &[f64; PARAMETERS]) -> Normal {
        let Sums { own, cross, right, level, squares } = window.cells.sums(&bank.shape(p[2]), self.cell_um, p);
        let [xx, xy, yy, xa, ya, aa] = own;
        let shadow = SMatrix::<f64, 3, 3>::from([[xx, xy, xa], [xy, yy, ya], [xa, ya, aa]]);
        let cross = SMatrix::<f64, 3, 3>::from(cross);
        let mut hessian = SMatrix::<f64, PARAMETERS, PARAMETERS>::zeros();
        hessian.fixed_view_mut::<3, 3>(0, 0).copy_from(&shadow);
        hessian.fixed_view_mut::<3, 3>(3, 0).copy_from(&cross);
        hessian.fixed_view_mut::<3, 3>(0, 3).copy_from(&cross.transpose());
        hessian.fixed_view_mut::<3, 3>(3, 3).copy_from(&window.backdrop);
        let gradient = SVector::from([right[0], right[1], right[2], level[0], level[1], level[2]]);
        let mut normal = Normal { hessian, gradient, squares };
        let stiffness = self.stiffness(window, p[3]);
        normal.hessian[(3, 3)] += stiffness;
        normal.gradient[3] -= stiffness * p[3];
        if stiffness > 0.0 {
            let variance = window.sigma * window.sigma;
            normal.squares += variance * (p[3] * p[3] / (variance * self.flat.stray)).ln_1p();
        }
        normal
    }
}

/// Sum of values by their weights, and the largest of them without its sign.
fn weighed(weights: &[f32], values: &[f32]) -> (f32, f32) {
    const LANES: usize = 8;
    let (mut sums, mut most) = ([0.0f32; LANES], [0.0f32; LANES]);
    let (whole, rest) = (weights.chunks_exact(LANES), weights.chunks_exact(LANES).remainder());
    for (w, v) in whole.zip(values.chunks_exact(LANES)) {
        for k in 0..LANES {
            sums[k] += w[k] * v[k];
            most[k] = most[k].max(v[k].abs());
        }
    }
    let last = &values[values.len() - rest.len()..];
    let sum = rest.iter().zip(last).map(|(w, v)| w * v).sum::<f32>() + sums.iter().sum::<f32>();
    (sum, last.iter().map(|v| v.abs()).chain(most).fold(0.0, f32::max))
}

/// A fit of the depth alone: cells around a centre and their weights.
struct Template {
    /// Radius of the window, cells, and the whole cells that hold it.
    radius: f64,
    reach: usize,
    /// Of each row of cells where it begins, column and row from the window's corner, and its weights.
    rows: Vec<((usize, usize), Vec<f32>)>,
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
