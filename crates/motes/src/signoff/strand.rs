//! A fibre's shadow: a strip as wide as the pupil's image, of any course, that ends.
//!
//! The cells that lose light are joined into one region; its distances to its own rim tell how thick it is, and whether it
//! is equally thick all along.

use motelight_frame::Frame;

use super::levels::{Level, light, mean_light, seven_across};
use super::patch::{Ground, Tint, Window, mean_within};
use super::seek::{Place, VEIL};
use super::square::Square;
use crate::grid::median_and_sigma;

/// Radius of the window, in widths of the place: the longest strand that is measured is twice that.
const REACH: f64 = 8.0;
/// Share of the loss at the place from which on a cell belongs to the region: about half the depth of its ridge.
const INSIDE: f64 = 0.4;
/// Least and most cells of a region: what is larger is a part of the scene.
const LEAST: usize = 12;
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
    /// From its centre to its farthest cell and half its thickness on, px.
    pub reach: f64,
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

/// Measures a strand; `None` where the light is lost in no region of its own.
pub(super) fn measure(levels: &[Level], place: &Place) -> Option<Strand> {
    let level = seven_across(levels, place.width);
    let cell = level.cell as f64;
    let width = place.width / cell;
    let window = Window { light: &level.light, x: place.x / cell, y: place.y / cell, reach: REACH * width };
    let square = Square::of(&window, Ground::of(&window, place.side, 0.0)?);
    let middle = square.middle((0.5 * width).max(2.0));
    let lost: Vec<(f64, f64, f64)> =
        middle.iter().map(|&i| (square.off(i).0, square.off(i).1, square.loss(i))).collect();
    let (heart, _) = mean_within(&lost, 0.0, 0.0, (0.25 * width).max(0.8));
    if heart <= 0.0 {
        return None;
    }
    let strongest = middle.iter().zip(&lost).max_by(|a, b| a.1.2.total_cmp(&b.1.2))?.0;
    let region = square.region(*strongest, INSIDE * heart, MOST).filter(|region| region.len() >= LEAST)?;
    let inside = square.mask(&region);
    let edge = |i: &usize| square.around(*i).iter().any(|&j| !inside[j]);
    let rim: Vec<usize> = region.iter().copied().filter(edge).collect();
    let depths = square.depths(&region, &inside, &rim);
    let (mean, deepest) =
        (depths.iter().sum::<f64>() / depths.len() as f64, depths.iter().copied().fold(0.0, f64::max));
    // Distances to the rim are spread evenly from nothing to half the thickness.
    let thickness = 4.0 * mean;
    let length = region.len() as f64 / thickness;
    let lost = |i: &usize| square.loss(*i);
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
    let at = |i: &usize| (square.at(*i).0 as usize, square.at(*i).1 as usize);
    let (dx, dy) = square.centre(&region);
    let far = region.iter().map(|&i| (square.off(i).0 - dx).hypot(square.off(i).1 - dy)).fold(0.0, f64::max);
    Some(Strand {
        x: (window.x + dx) * cell,
        y: (window.y + dy) * cell,
        width: 2.0 * (region.len() as f64 / std::f64::consts::PI).sqrt() * cell,
        reach: (far + 0.5 * thickness) * cell,
        thickness: thickness * cell,
        slenderness: length / thickness,
        bulge: (2.0 * deepest + 0.5) / thickness,
        contrast,
        ground: square.ground.light,
        fall: sides as f64 / (2.0 * length) / thickness,
        unrest,
        sigma: f64::from(sigma),
        region: region.iter().map(at).collect(),
        beside: beside.iter().map(at).collect(),
        cell: level.cell,
    })
}

/// What each colour loses in a strand, by plane; empty for grey.
pub(super) fn colours(frame: &Frame, strand: &Strand) -> Vec<Tint> {
    if frame.planes.len() != 3 {
        return Vec::new();
    }
    let Strand { region, beside, cell, .. } = strand;
    let tint = |plane: usize| {
        let ground = mean_light(frame, plane, *cell, beside);
        let stray = |&at: &(usize, usize)| light(frame, plane, *cell, at) - ground;
        let spread = beside.iter().map(|at| stray(at).powi(2)).sum::<f64>() / beside.len() as f64;
        let full = ground + f64::from(VEIL);
        let sigma = (spread / region.len() as f64).sqrt() / full;
        Tint { contrast: (ground - mean_light(frame, plane, *cell, region)).abs() / full, sigma, ground }
    };
    (0..frame.planes.len()).map(tint).collect()
}
