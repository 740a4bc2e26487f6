//! A fibre's shadow: a strip as wide as the pupil's image, of any course, that ends.
//!
//! The cells that lose light are joined into one region; its distances to its own rim tell how thick it is, and whether it
//! is equally thick all along.

use motelight_frame::Frame;

use super::levels::{Level, seven_across};
use super::patch::{Tint, Window, losses, mean_within};
use super::seek::{Place, VEIL};
use crate::grid::median_and_sigma;

/// Radius of the window, in widths of the place: the longest strand that is measured is twice that.
const REACH: f64 = 8.0;
/// Share of the loss at the place from which on a cell belongs to the region: about half the depth of its ridge.
const INSIDE: f64 = 0.4;
/// Most cells of a region: what is larger is a part of the scene.
const MOST: usize = 1500;

/// What was measured of a strand.
#[derive(Debug, Clone)]
pub(super) struct Strand {
    /// Centre of its region, px.
    pub x: f64,
    /// Centre of its region, px.
    pub y: f64,
    /// Diameter of the disc of its area, px.
    pub width: f64,
    /// Mean thickness at half depth, px.
    pub thickness: f64,
    /// Its length over its thickness.
    pub slenderness: f64,
    /// Thickest part over the mean.
    pub bulge: f64,
    /// Mean light lost in it.
    pub contrast: f64,
    /// Light around it, white = 1.
    pub ground: f64,
    /// Width over which its side falls from four fifths to one fifth of the ridge, over the thickness.
    pub fall: f64,
    /// Strongest mean over a square as wide as it beside it, over the contrast.
    pub unrest: f64,
    /// Usual deviation of such means.
    pub sigma: f64,
    /// Region and squares beside it, for the colours: cells of the level.
    region: Vec<(usize, usize)>,
    beside: Vec<(usize, usize)>,
    cell: usize,
}

/// The cells about a place as a square.
struct Square {
    side: usize,
    /// Loss, row by row; beyond the window's circle not a number.
    loss: Vec<f64>,
    /// First column and row on the level: a rim without light lies all about, past the picture's edge too.
    corner: (isize, isize),
}

/// Measures a strand; `None` where the light is lost in no region of its own.
pub(super) fn measure(levels: &[Level], place: &Place) -> Option<Strand> {
    let level = seven_across(levels, place.width);
    let cell = level.cell as f64;
    let width = place.width / cell;
    let window = Window { light: &level.light, x: place.x / cell, y: place.y / cell, reach: REACH * width };
    let losses = losses(&window, place.side, 0.0)?;
    let (heart, _) = mean_within(&losses.cells, 0.0, 0.0, (0.25 * width).max(0.8));
    if heart <= 0.0 {
        return None;
    }
    let square = Square::of(&window, &losses.cells);
    let region = square.region(window.x, window.y, 0.5 * width, INSIDE * heart)?;
    let inside = square.mask(&region);
    let edge = |i: &usize| square.around(*i).iter().any(|&j| !inside[j]);
    let rim: Vec<usize> = region.iter().copied().filter(edge).collect();
    let depths = square.depths(&region, &inside, &rim);
    let (mean, deepest) =
        (depths.iter().sum::<f64>() / depths.len() as f64, depths.iter().copied().fold(0.0, f64::max));
    // Distances to the rim are spread evenly from nothing to half the thickness.
    let thickness = 4.0 * mean;
    let length = region.len() as f64 / thickness;
    let lost = |i: &usize| square.loss[*i];
    let contrast = region.iter().map(lost).sum::<f64>() / region.len() as f64;
    let ridge: Vec<f64> =
        region.iter().zip(&depths).filter(|(_, d)| **d >= 0.7 * deepest).map(|(i, _)| lost(i)).collect();
    let ridge = ridge.iter().sum::<f64>() / ridge.len() as f64;
    let about = square.about(&inside, &rim, 3.0 * thickness);
    let slope = |v: f64| (0.2 * ridge..0.8 * ridge).contains(&v);
    let sides = region.iter().filter(|i| slope(lost(i))).count()
        + about.iter().filter(|(i, d)| *d < 0.7 * thickness && slope(lost(i))).count();
    let beside: Vec<usize> = about.iter().filter(|(_, d)| *d > 0.9 * thickness).map(|(i, _)| *i).collect();
    let mut means = square.means(&beside, thickness.round().max(1.0) as usize);
    if means.len() < 8 {
        return None;
    }
    let unrest = means.iter().fold(0.0f64, |most, m| most.max(f64::from(m.abs()))) / contrast;
    let (_, sigma) = median_and_sigma(&mut means);
    let at = |i: &usize| {
        let on = |corner: isize, v: usize| (corner + v as isize) as usize;
        (on(square.corner.0, i % square.side), on(square.corner.1, i / square.side))
    };
    let (mut x, mut y) = (0.0, 0.0);
    for i in &region {
        x += (at(i).0 as f64 + 0.5) / region.len() as f64;
        y += (at(i).1 as f64 + 0.5) / region.len() as f64;
    }
    Some(Strand {
        x: x * cell,
        y: y * cell,
        width: 2.0 * (region.len() as f64 / std::f64::consts::PI).sqrt() * cell,
        thickness: thickness * cell,
        slenderness: length / thickness,
        bulge: (2.0 * deepest + 0.5) / thickness,
        contrast,
        ground: losses.ground,
        fall: sides as f64 / (2.0 * length) / thickness,
        unrest,
        sigma: f64::from(sigma),
        region: region.iter().map(at).collect(),
        beside: beside.iter().map(at).collect(),
        cell: level.cell,
    })
}

impl Square {
    fn of(window: &Window, cells: &[(f64, f64, f64)]) -> Square {
        let start = |v: f64| (v - window.reach).floor() as isize - 1;
        let corner = (start(window.x), start(window.y));
        let side = 2 * window.reach.ceil() as usize + 4;
        let mut loss = vec![f64::NAN; side * side];
        for &(dx, dy, v) in cells {
            let (x, y) = ((window.x + dx) as isize - corner.0, (window.y + dy) as isize - corner.1);
            loss[y as usize * side + x as usize] = v;
        }
        Square { side, loss, corner }
    }

    /// The eight cells around one that lies off the square's edge.
    fn around(&self, i: usize) -> [usize; 8] {
        let s = self.side;
        [i - s - 1, i - s, i - s + 1, i - 1, i + 1, i + s - 1, i + s, i + s + 1]
    }

    /// Cells above a level that hang together with the strongest near the middle; `None` if they reach the window's rim, or
    /// are few or very many.
    fn region(&self, x: f64, y: f64, near: f64, level: f64) -> Option<Vec<usize>> {
        let (x, y) = (x - self.corner.0 as f64, y - self.corner.1 as f64);
        let off = |i: usize| ((i % self.side) as f64 + 0.5 - x).hypot((i / self.side) as f64 + 0.5 - y);
        let strongest = (0..self.loss.len()).filter(|&i| !self.loss[i].is_nan() && off(i) < near.max(1.0));
        let start = strongest.max_by(|&a, &b| self.loss[a].total_cmp(&self.loss[b]))?;
        let mut seen = vec![false; self.loss.len()];
        let mut region = vec![start];
        seen[start] = true;
        let mut next = 0;
        while next < region.len() {
            for j in self.around(region[next]) {
                if self.loss[j].is_nan() || region.len() > MOST {
                    return None;
                }
                if !seen[j] && self.loss[j] > level {
                    seen[j] = true;
                    region.push(j);
                }
            }
            next += 1;
        }
        (region.len() >= 12).then_some(region)
    }

    /// How far each cell of a region lies within it: to the rim of the nearest cell outside.
    fn depths(&self, region: &[usize], inside: &[bool], rim: &[usize]) -> Vec<f64> {
        let outside: Vec<usize> = rim.iter().flat_map(|&i| self.around(i)).filter(|&j| !inside[j]).collect();
        region.iter().map(|&i| outside.iter().map(|&j| self.apart(i, j)).fold(f64::MAX, f64::min) - 0.5).collect()
    }

    /// Cells outside a region and nearer than `reach`, with their distance from it.
    fn about(&self, inside: &[bool], rim: &[usize], reach: f64) -> Vec<(usize, f64)> {
        let span = |axis: fn(usize, usize) -> usize| {
            let ends = rim.iter().map(|&i| axis(i, self.side)).fold((usize::MAX, 0), |e, v| (e.0.min(v), e.1.max(v)));
            ends.0.saturating_sub(reach as usize)..(ends.1 + reach as usize + 1).min(self.side)
        };
        let columns = span(|i, side| i % side);
        let cells = span(|i, side| i / side).flat_map(|y| columns.clone().map(move |x| y * self.side + x));
        let far = |i: usize| rim.iter().map(|&j| self.apart(i, j)).fold(f64::MAX, f64::min);
        let outside = cells.filter(|&i| !inside[i] && !self.loss[i].is_nan());
        outside.map(|i| (i, far(i))).filter(|(_, d)| *d < reach).collect()
    }

    /// Mean losses over squares of cells, of those that are filled by half at least.
    fn means(&self, cells: &[usize], side: usize) -> Vec<f32> {
        let across = self.side.div_ceil(side);
        let mut sums = vec![(0.0f64, 0usize); across * across];
        for &i in cells {
            let sum = &mut sums[i / self.side / side * across + i % self.side / side];
            *sum = (sum.0 + self.loss[i], sum.1 + 1);
        }
        sums.iter().filter(|s| 2 * s.1 >= side * side).map(|s| (s.0 / s.1 as f64) as f32).collect()
    }

    fn mask(&self, region: &[usize]) -> Vec<bool> {
        let mut inside = vec![false; self.loss.len()];
        region.iter().for_each(|&i| inside[i] = true);
        inside
    }

    fn apart(&self, i: usize, j: usize) -> f64 {
        let (dx, dy) = ((i % self.side).abs_diff(j % self.side), (i / self.side).abs_diff(j / self.side));
        ((dx * dx + dy * dy) as f64).sqrt()
    }
}

/// What each colour loses in a strand, by plane; empty for grey.
pub(super) fn colours(frame: &Frame, strand: &Strand) -> Vec<Tint> {
    if frame.planes.len() != 3 {
        return Vec::new();
    }
    let Strand { region, beside, cell, .. } = strand;
    let tint = |plane: usize| {
        let light = |&(x, y): &(usize, usize)| {
            let middle = cell / 2;
            f64::from(frame.planes.at(plane, x * cell + middle, y * cell + middle))
        };
        let mean = |cells: &[(usize, usize)]| cells.iter().map(light).sum::<f64>() / cells.len() as f64;
        let ground = mean(beside);
        let spread = beside.iter().map(|c| (light(c) - ground).powi(2)).sum::<f64>() / beside.len() as f64;
        let full = ground + f64::from(VEIL);
        let sigma = (spread / region.len() as f64).sqrt() / full;
        Tint { contrast: (ground - mean(region)).abs() / full, sigma, ground }
    };
    (0..frame.planes.len()).map(tint).collect()
}
