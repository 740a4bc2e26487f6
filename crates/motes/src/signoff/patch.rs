//! One place looked at closely: the light around it, what it takes away, and how.

use std::f64::consts::{PI, TAU};

use motelight_frame::{Frame, Plane};
use nalgebra::{Matrix6, Vector6};

use super::levels::{Level, cells_about, seven_across};
use super::seek::{Place, Side, VEIL};
use crate::grid::median_and_sigma;

/// Distance, without the care for overflow that a library takes: the inner loops are made of it.
fn length(x: f64, y: f64) -> f64 {
    (x * x + y * y).sqrt()
}

/// Sectors of the surroundings.
const SECTORS: usize = 8;
/// Widths of the edge tried, standard deviations of its blur in widths of the mark: from as sharp as a printed
/// dot to a Gaussian hill.
const SOFTNESS: [f64; 7] = [0.02, 0.045, 0.07, 0.10, 0.13, 0.20, 0.28];

/// How far a mark's light is weighed for its centre and width, in widths.
const OUTLINE: f64 = 0.85;
/// Share of the width by which a centre and a width may still change.
const SETTLED: f64 = 0.01;
/// Cells of the surroundings that are enough for their bent plane: six numbers.
const ENOUGH: f64 = 500.0;

/// Blur of a cell by itself, cells: 1 / sqrt(12), and a lens and a resampling by as much again.
const OWN_BLUR: f64 = 0.45;

/// Blur in widths that a picture, px, and the cells it is measured on give any edge of a mark so wide, px and cells.
pub(super) fn own_blur(width_px: f64, width_cells: f64, blur_px: f64) -> f64 {
    (OWN_BLUR / width_cells).max(blur_px / width_px)
}

/// What was measured at a place; what is costly, only when it is asked for.
pub(super) struct Mark {
    /// Darker or lighter than around; a contrast is above 0 for either.
    pub side: Side,
    /// Centre, px.
    pub x: f64,
    /// Centre, px.
    pub y: f64,
    /// Width at half depth, px.
    pub width: f64,
    /// The same, cells of the level it was measured on.
    width_cells: f64,
    /// Mean light lost over the disc of that width.
    pub contrast: f64,
    losses: Losses,
}

/// How well the loss is that of one mark.
struct Explained {
    unexplained: f64,
    softness: f64,
}

/// The axes of a mark.
pub(super) struct Moments {
    /// Long over short axis.
    pub elongation: f64,
    /// Direction of the long one.
    angle: f64,
}

/// A colour in a mark.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tint {
    /// Light lost over the disc.
    pub contrast: f64,
    /// Its standard deviation from the grain around.
    pub sigma: f64,
    /// Light around, full scale = 1.
    pub ground: f64,
}

/// The part of a level about a place.
pub(super) struct Window<'a> {
    /// The level's light.
    pub light: &'a Plane,
    /// Centre, cells.
    pub x: f64,
    /// Centre, cells.
    pub y: f64,
    /// Radius, cells.
    pub reach: f64,
}

impl Window<'_> {
    /// Offsets from the centre and light of the cells within reach, of every `step`th row and column.
    fn cells(&self, step: usize) -> impl Iterator<Item = (f64, f64, f64)> + '_ {
        let cells = cells_about(self.light.size(), self.x, self.y, self.reach, step);
        cells.map(|(dx, dy, i, j)| (dx, dy, f64::from(self.light.at(i, j))))
    }
}

/// Loss of light per cell about a place.
struct Losses {
    /// Offsets from the centre, cells, and share of the light lost.
    cells: Vec<(f64, f64, f64)>,
    /// What they are held against.
    ground: Ground,
}

/// Measures a place; `None` where it melts away on a close look.
pub(super) fn measure(levels: &[Level], place: &Place) -> Option<Mark> {
    on(seven_across(levels, place.width), place.side, place.x, place.y, place.width)
}

/// A mark that is narrower than the filter that found it on cells so fine that its edge can be told; `None` if it was measured
/// on these.
pub(super) fn closer(levels: &[Level], mark: &Mark) -> Option<Mark> {
    let (finer, cell) = (seven_across(levels, mark.width), mark.width / mark.width_cells);
    if cell > 1.5 * finer.cell as f64 { on(finer, mark.side, mark.x, mark.y, mark.width) } else { None }
}

/// Measures a mark about so wide, px, on the cells of a level.
fn on(level: &Level, side: Side, x_px: f64, y_px: f64, width_px: f64) -> Option<Mark> {
    let cell = level.cell as f64;
    let first = (x_px / cell, y_px / cell, width_px / cell);
    let (mut x, mut y, mut width) = first;
    let losses_of = |x, y, width, reach| {
        let (inner, outer) = ring(width);
        losses(&Window { light: &level.light, x, y, reach: outer }, side, inner, reach)
    };
    for _ in 0..3 {
        let (dx, dy, new_width) = outline(&losses_of(x, y, width, OUTLINE * width)?.cells, width)?;
        // A mark that runs away was none of its own.
        if (x + dx - first.0).hypot(y + dy - first.1) > 0.5 * first.2 {
            return None;
        }
        let settled = dx.hypot(dy) < SETTLED * width && (new_width / width - 1.0).abs() < SETTLED;
        (x, y) = (x + dx, y + dy);
        width = new_width.clamp(0.5 * width, 1.6 * width);
        if settled {
            break;
        }
    }
    let losses = losses_of(x, y, width, f64::MAX)?;
    let (contrast, _) = mean_within(&losses.cells, 0.0, 0.0, 0.5 * width);
    if contrast <= 0.0 {
        return None;
    }
    Some(Mark { side, x: x * cell, y: y * cell, width: width * cell, width_cells: width, contrast, losses })
}

/// Inner and outer radius of the surroundings of a mark, cells: past the halo of sharpening.
fn ring(width: f64) -> (f64, f64) {
    let inner = (0.9 * width).max(0.5 * width + 2.0);
    (inner, inner + 1.1 * width.max(3.0))
}

/// The light about a place as a bent plane.
pub(super) struct Ground {
    fit: Vector6<f64>,
    reach: f64,
    side: Side,
    /// Usual deviation of a cell from it, as a share of the light.
    pub sigma: f64,
    /// Light at the centre.
    pub light: f64,
}

impl Ground {
    /// The light about a place from `inner` cells off.
    pub fn of(window: &Window, side: Side, inner: f64) -> Option<Ground> {
        let reach = window.reach;
        let share = (reach - inner) * (reach + inner) * PI / ENOUGH;
        let step = share.sqrt().floor().max(1.0) as usize;
        let mut bound = f64::MAX;
        let mut fit = Vector6::zeros();
        let mut sigma = 0.0;
        let around: Vec<(Vector6<f64>, f64)> = window
            .cells(step)
            .filter(|c| length(c.0, c.1) > inner)
            .map(|(dx, dy, v)| (row(dx, dy, reach), v))
            .collect();
        let mut strays = vec![0.0f32; around.len()];
        for _ in 0..3 {
            let (mut normal, mut right) = (Matrix6::zeros(), Vector6::zeros());
            for (r, v) in around.iter().filter(|(r, v)| (v - r.dot(&fit)).abs() <= bound) {
                normal += r * r.transpose();
                right += r * *v;
            }
            fit = normal.cholesky()?.solve(&right);
            strays.iter_mut().zip(&around).for_each(|(stray, (r, v))| *stray = (v - r.dot(&fit)) as f32);
            sigma = f64::from(median_and_sigma(&mut strays).1);
            bound = 2.5 * sigma.max(1e-6);
        }
        let light = fit[0];
        (light > 0.0).then(|| Ground { fit, reach, side, sigma: sigma / (light + f64::from(VEIL)), light })
    }

    /// Share of the light that a cell so far off loses.
    pub fn lost(&self, dx: f64, dy: f64, v: f64) -> f64 {
        let there = row(dx, dy, self.reach).dot(&self.fit).max(0.2 * self.light);
        f64::from(self.side.sign()) * (there - v) / (there + f64::from(VEIL))
    }
}

/// What the numbers of a bent plane are multiplied by at an offset.
fn row(dx: f64, dy: f64, reach: f64) -> Vector6<f64> {
    let (u, v) = (dx / reach, dy / reach);
    Vector6::new(1.0, u, v, u * u, u * v, v * v)
}

/// Light lost within `reach` of a place against the light from `inner` cells off.
fn losses(window: &Window, side: Side, inner: f64, reach: f64) -> Option<Losses> {
    let ground = Ground::of(window, side, inner)?;
    let within = Window { reach: reach.min(window.reach), ..*window };
    let cells = within.cells(1).map(|(dx, dy, v)| (dx, dy, ground.lost(dx, dy, v))).collect();
    Some(Losses { cells, ground })
}

/// Mean loss within a radius of an offset, and how many cells that is.
pub(super) fn mean_within(cells: &[(f64, f64, f64)], x: f64, y: f64, radius: f64) -> (f64, f64) {
    let (mut sum, mut n) = (0.0, 0.0);
    for &(dx, dy, v) in cells {
        // The rim of the disc counts in part.
        let part = (radius + 0.5 - length(dx - x, dy - y)).clamp(0.0, 1.0);
        sum += part * v;
        n += part;
    }
    (sum / f64::max(n, 1e-9), n)
}

/// Centroid and width at half depth of the loss about the centre; `None` where nothing is lost there.
fn outline(cells: &[(f64, f64, f64)], width: f64) -> Option<(f64, f64, f64)> {
    let (heart, _) = mean_within(cells, 0.0, 0.0, (0.25 * width).max(0.8));
    if heart <= 0.0 {
        return None;
    }
    let (mut sum, mut x, mut y, mut area) = (0.0, 0.0, 0.0, 0.0);
    for &(dx, dy, v) in cells.iter().filter(|c| length(c.0, c.1) < OUTLINE * width) {
        let weight = v.clamp(0.0, 1.2 * heart);
        sum += weight;
        x += weight * dx;
        y += weight * dy;
        // How far past half depth, so that grain does not decide cell by cell.
        area += ((v / heart - 0.3) / 0.4).clamp(0.0, 1.0);
    }
    (sum > 0.0).then(|| (x / sum, y / sum, 2.0 * (area / PI).sqrt()))
}

impl Mark {
    /// Light around it, white = 1.
    pub fn ground(&self) -> f64 {
        self.losses.ground.light
    }

    /// Share of it and its surroundings that lies in the picture.
    pub fn seen(&self) -> f64 {
        self.losses.cells.len() as f64 / (PI * self.losses.ground.reach.powi(2))
    }

    /// Share of the squared loss in and about it that no round mark of its width explains, noise taken off.
    pub fn unexplained(&self) -> f64 {
        self.best_explained(OWN_BLUR, length).unexplained
    }

    /// Blur of its edge in widths besides the picture's own, px, as of an ellipse of its own two axes: a round mark that explained
    /// a long one would have to be soft.
    pub fn softness(&self, blur_px: f64) -> f64 {
        let Moments { elongation, angle } = self.moments();
        let (cos, sin, stretch) = (libm::cos(angle), libm::sin(angle), elongation.sqrt());
        let off = |dx, dy| length((dx * cos + dy * sin) / stretch, (dy * cos - dx * sin) * stretch);
        self.best_explained(self.own_blur(blur_px) * self.width_cells, off).softness
    }

    /// Blur in widths that its edge has of itself, in a picture of a blur, px.
    pub fn own_blur(&self, blur_px: f64) -> f64 {
        own_blur(self.width, self.width_cells, blur_px)
    }

    /// The mark of its width that explains the loss best, `off` so far from its middle in all directions, on cells of a blur
    /// of their own.
    fn best_explained(&self, own_blur: f64, off: impl Fn(f64, f64) -> f64) -> Explained {
        let (losses, width) = (&self.losses, self.width_cells);
        let reach = 0.9 * width + 1.0;
        let inside: Vec<(f64, f64)> =
            losses.cells.iter().map(|c| (off(c.0, c.1), c.2)).filter(|c| c.0 < reach).collect();
        let noise = losses.ground.sigma * losses.ground.sigma * inside.len() as f64;
        let power: f64 = inside.iter().map(|c| c.1 * c.1).sum();
        let mut best = (0.0, f64::MAX);
        for share in [0.8, 0.9, 1.0, 1.12, 1.25] {
            for softness in SOFTNESS {
                let blur = (softness * width).hypot(own_blur);
                let radius = 0.5 * share * width;
                let (mut of_model, mut joint) = (0.0, 0.0);
                for &(r, v) in &inside {
                    let model = soft_edge((radius - r) / blur);
                    of_model += model * model;
                    joint += model * v;
                }
                let left = power - joint.max(0.0).powi(2) / f64::max(of_model, 1e-12);
                if left < best.1 {
                    best = (softness, left);
                }
            }
        }
        let unexplained = ((best.1 - noise) / (power - noise).max(0.1 * power)).max(0.0);
        Explained { unexplained, softness: best.0 }
    }

    /// Its axes, from the second moments of the loss.
    pub fn moments(&self) -> Moments {
        const NONE: Moments = Moments { elongation: f64::MAX, angle: 0.0 };
        let (losses, width) = (&self.losses, self.width_cells);
        let (mut sum, mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0, 0.0);
        let (heart, _) = mean_within(&losses.cells, 0.0, 0.0, (0.25 * width).max(0.8));
        if heart <= 0.0 {
            return NONE;
        }
        for &(dx, dy, v) in losses.cells.iter().filter(|c| length(c.0, c.1) < 0.95 * width) {
            // The skirts are noise more than mark.
            let weight = (v - 0.2 * heart).clamp(0.0, heart);
            sum += weight;
            xx += weight * dx * dx;
            xy += weight * dx * dy;
            yy += weight * dy * dy;
        }
        if sum <= 0.0 {
            return NONE;
        }
        let cell = 1.0 / 12.0;
        let (a, b, c) = (xx / sum + cell, xy / sum, yy / sum + cell);
        let (middle, half) = (0.5 * (a + c), (0.25 * (a - c) * (a - c) + b * b).sqrt());
        Moments {
            elongation: ((middle + half) / (middle - half).max(1e-3)).sqrt(),
            angle: 0.5 * libm::atan2(2.0 * b, a - c),
        }
    }

    /// Strongest mean over eight discs round about, 0.7 widths across, 1.5 widths off, over the contrast.
    pub fn unrest(&self) -> f64 {
        let width = self.width_cells;
        let (inner, outer) = ring(width);
        let off = 0.5 * (inner + outer);
        let strongest = (0..SECTORS)
            .map(|s| {
                let angle = TAU * s as f64 / SECTORS as f64;
                let (x, y) = (off * libm::cos(angle), off * libm::sin(angle));
                let (mean, n) = mean_within(&self.losses.cells, x, y, (0.35 * width).max(0.8));
                if n < 1.0 { 0.0 } else { mean.abs() }
            })
            .fold(0.0, f64::max);
        strongest / self.contrast
    }
}

/// A step from 0 to 1 blurred by a Gaussian of standard deviation 1 (logistic form, within 0.01).
fn soft_edge(z: f64) -> f64 {
    1.0 / (1.0 + libm::exp(-1.702 * z))
}

/// What each colour loses over the disc of a mark, by plane; empty for grey.
pub(super) fn colours(frame: &Frame, mark: &Mark) -> Vec<Tint> {
    if frame.planes.len() != 3 {
        return Vec::new();
    }
    (0..frame.planes.len()).map(|plane| tint(frame, plane, mark)).collect()
}

fn tint(frame: &Frame, plane: usize, mark: &Mark) -> Tint {
    let &Mark { side, x, y, width, .. } = mark;
    let (inner, outer) = ring(width);
    // A wide mark has cells enough by every second or third row and column.
    let step = (width / 24.0).floor().max(1.0) as usize;
    let (mut disc, mut discs) = (0.0, 0.0);
    let mut around = Vec::new();
    let mut sums = [0.0f64; 8];
    let mut counts = [0.0f64; 8];
    for (dx, dy, i, j) in cells_about(frame.planes.size(), x, y, outer, step) {
        let v = f64::from(frame.planes.at(plane, i, j));
        let r = length(dx, dy);
        if r < 0.5 * width {
            disc += v;
            discs += 1.0;
        } else if r > inner {
            around.push(v as f32);
            let sector = ((libm::atan2(dy, dx) / TAU + 0.5) * 8.0) as usize % 8;
            sums[sector] += v;
            counts[sector] += 1.0;
        }
    }
    let means: Vec<f64> = sums.iter().zip(counts).filter(|(_, n)| *n > 0.0).map(|(s, n)| s / n).collect();
    let ground = means.iter().sum::<f64>() / means.len().max(1) as f64;
    // Opposite sectors cancel on a slope; what is left of their differences is grain.
    let strays = (0..4).filter(|&s| counts[s] * counts[s + 4] > 0.0);
    let strays: Vec<f64> = strays.map(|s| 0.5 * (sums[s] / counts[s] + sums[s + 4] / counts[s + 4]) - ground).collect();
    let spread = (strays.iter().map(|v| v * v).sum::<f64>() / strays.len().max(1) as f64).sqrt();
    let full = ground + f64::from(VEIL);
    Tint {
        contrast: f64::from(side.sign()) * (ground - disc / f64::max(discs, 1.0)) / full,
        sigma: spread / full,
        ground,
    }
}
