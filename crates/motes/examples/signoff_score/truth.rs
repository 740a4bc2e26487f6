//! What a delivered picture really shows of each mote: from noise-free pictures with and without it.

use std::f64::consts::{PI, TAU};

use motelight_frame::{Micrometres, Size};
use motelight_motes::visibility::{Viewing, noticed_contrast};
use motelight_synth::Exposure;

use super::delivery::{Editing, Rgb};

/// A mote in a delivered picture.
pub struct Shown {
    pub at: [f64; 2],
    pub width_px: f64,
    pub contrast: f64,
    /// Contrast over what would just be noticed, in the viewing and over the disc that show it best.
    pub times: f64,
    /// The scene without it is plain there: nothing in it, over discs of the mark's size, comes to a fifth of it.
    pub plain: bool,
    /// No other shadow of a fifth of its depth near by.
    pub alone: bool,
    pub kind: &'static str,
}

impl Shown {
    /// Whether it should be found: at least twice the threshold, in a plain place, by itself.
    pub fn wanted(&self) -> bool {
        self.times >= 2.0 && self.plain && self.alone
    }
}

/// The pictures that tell: noise-free with and without motes, and as delivered, all in linear light.
pub struct Pictures {
    pub dusty: Rgb,
    pub clean: Rgb,
    pub seen: Rgb,
}

/// The truth of every mote that lies in the picture.
pub fn shown(exposure: &Exposure, editing: &Editing, pictures: &Pictures, viewings: &[Viewing]) -> Vec<Shown> {
    exposure
        .shadows
        .iter()
        .zip(&exposure.motes)
        .filter_map(|(shadow, mote)| {
            let at = editing.delivered(shadow.centre_px);
            let depth = shadow.loss[1].iter().copied().fold(0.0f32, f32::max);
            let lost = shadow.loss[1].iter().filter(|l| **l > 0.5 * depth).count() as f64;
            let width_px = (2.0 * (lost / PI).sqrt() / editing.pitch).max(1.5);
            let inside = |v: f64, end: usize| (width_px..end as f64 - width_px).contains(&v);
            if depth < 0.002 {
                return None;
            }
            let mut told = one(pictures, at, width_px, viewings, mote.shape.kind(), exposure, shadow.id, editing);
            // What lies at the rim may be found and need not.
            told.plain &= inside(at[0], editing.size[0]) && inside(at[1], editing.size[1]);
            Some(told)
        })
        .collect()
}

#[allow(clippy::too_many_arguments, reason = "one place where all comes together")]
fn one(
    pictures: &Pictures,
    at: [f64; 2],
    width_px: f64,
    viewings: &[Viewing],
    kind: &'static str,
    exposure: &Exposure,
    id: u32,
    editing: &Editing,
) -> Shown {
    let Pictures { dusty, clean, seen } = pictures;
    let size = Size { width: clean.width, height: clean.height };
    let luminance = |p: &Rgb, x: usize, y: usize| p.luminance(x, y);
    let disc = |x: f64, y: f64, radius: f64, of: &dyn Fn(usize, usize) -> f64| {
        let (mut sum, mut n) = (0.0, 0.0f64);
        let span = |v: f64, end: usize| (v - radius).max(0.0) as usize..((v + radius).max(0.0) as usize + 1).min(end);
        for j in span(y, size.height) {
            for i in span(x, size.width) {
                if (i as f64 + 0.5 - x).hypot(j as f64 + 0.5 - y) <= radius {
                    sum += of(i, j);
                    n += 1.0;
                }
            }
        }
        sum / n.max(1.0)
    };
    let ground = disc(at[0], at[1], 0.5 * width_px, &|x, y| luminance(clean, x, y)).max(1e-4);
    let lost = |x: usize, y: usize| 1.0 - luminance(dusty, x, y) / luminance(clean, x, y).max(1e-4);
    let grain = |x: usize, y: usize| (luminance(seen, x, y) - luminance(dusty, x, y)) / ground;
    let around = |off: f64, n: usize| {
        (0..n).map(move |i| (TAU * i as f64 / n as f64, off)).map(|(a, r)| (at[0] + r * a.cos(), at[1] + r * a.sin()))
    };
    let (mut times, mut contrast) = (0.0, 0.0);
    for share in [0.6, 0.8, 1.0, 1.25, 1.6] {
        let radius = (0.5 * share * width_px).max(0.71);
        let mean = disc(at[0], at[1], radius, &lost);
        let strays: Vec<f64> = around(1.3 * width_px + 2.0, 8)
            .chain(around(2.2 * width_px + 3.0, 14))
            .map(|(x, y)| disc(x, y, radius, &grain))
            .collect();
        let centre = strays.iter().sum::<f64>() / strays.len() as f64;
        let sigma = (strays.iter().map(|v| (v - centre).powi(2)).sum::<f64>() / strays.len() as f64).sqrt();
        for viewing in viewings {
            let arcmin = viewing.arcmin_per_um(size, Micrometres(1.0));
            let noticed = noticed_contrast(2.0 * radius * arcmin, viewing.luminance() * ground, sigma);
            if mean / noticed > times {
                (times, contrast) = (mean / noticed, mean);
            }
        }
    }
    // The clean scene against a bent plane through its own discs is too kind to it: a slope is allowed, no more.
    let radius = (0.5 * width_px).max(1.0);
    let mean = |x: f64, y: f64| disc(x, y, radius, &|x, y| luminance(clean, x, y)) / ground;
    let mut stray: f64 = 0.0;
    for off in [1.0 * width_px, 1.6 * width_px + 1.0, 2.2 * width_px + 2.0] {
        let discs: Vec<f64> = around(off, 8).map(|(x, y)| mean(x, y)).collect();
        for i in 0..4 {
            stray = stray.max((0.5 * (discs[i] + discs[i + 4]) - 1.0).abs());
            // Along the ring a slope gives a cosine.
            let next = discs[(i + 1) % 8] - discs[(i + 5) % 8];
            let here = discs[i] - discs[i + 4];
            let before = discs[(i + 7) % 8] - discs[(i + 3) % 8];
            stray = stray.max(0.5 * (here - std::f64::consts::FRAC_1_SQRT_2 * (next + before)).abs());
        }
    }
    let alone = exposure.shadows.iter().filter(|s| s.id != id).all(|s| {
        let other = editing.delivered(s.centre_px);
        let depth = f64::from(s.loss[1].iter().copied().fold(0.0f32, f32::max));
        let reach = 0.5 * s.width.max(s.height) as f64 / editing.pitch;
        (other[0] - at[0]).hypot(other[1] - at[1]) > 2.0 * width_px + 0.5 * reach || depth < 0.2 * contrast
    });
    Shown { at, width_px, contrast, times, plain: stray < 0.2 * contrast, alone, kind }
}
