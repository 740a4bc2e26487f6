//! Places darker than their surroundings, size by size.
//!
//! A place's response is the light around it less the light in it, over the light around, both through Gaussian
//! weights: of standard deviation `INNER` and `OUTER` widths of the shadow looked for. Weights are round and
//! even, so that a slope of the light gives nothing.

use std::f64::consts::FRAC_PI_4;

use motelight_frame::{Plane, Size};
use rayon::prelude::*;

use super::levels::Level;
use crate::gauss::{filtered_twice, gaussian};
use crate::grid::{Grid, median_and_sigma};

/// Standard deviation of the weights of the place itself, in widths: that of a plain disc along one axis.
const INNER: f64 = 0.25;
/// That of the weights of its surroundings.
const OUTER: f64 = 0.6;
/// Response to a plain disc of depth 1: the Gaussian's part of the disc, 1 - exp(-1 / (8 s^2)), for both weights.
pub(super) const RESPONSE_OF_DISC: f64 = 0.572;
/// Light that every print and screen adds to its darkest parts, white = 1: a guess, a fifth of a per cent.
pub(super) const VEIL: f32 = 0.002;

/// Contrast over the spread of the surroundings below which a place is not looked at closely: the response of a
/// shadow between two widths loses a fifth at most against the bound from which one is listed.
const LEAST_SNR: f64 = 4.4;

/// Contrast over the usual differences around it from which a place stands out: a mark at twice the threshold stands at 10
/// (Rose's 5, see `visibility`), of which a fifth is left for the error of the spread.
pub(super) const STANDS_OUT: f64 = 8.0;
/// What a tenth of normal deviations exceed, in standard deviations.
const NORMAL_TENTH: f64 = 1.645;
/// How many times as far as it must a place stands out clearly. A guess.
pub(super) const CLEARLY: f64 = 1.4;
/// Comparable places around one, from which on it is one of many.
const CROWD: usize = 6;

/// Width from which on a side of the surroundings may do, px, and as a share of the picture's long side: smaller marks beside
/// detail are mostly detail. A guess.
const SIDED: (f64, f64) = (12.0, 0.004);

/// Cells that are passed over in one go; fewer than a block of what is usual.
const RUN: usize = 16;

/// The responses of all places to one width of shadow.
pub(super) struct Responses {
    /// Width looked for, cells.
    pub width: f64,
    /// Response per cell, darker above 0.
    pub values: Plane,
    /// Usual size of a response by block: 1.4826 times the median absolute deviation.
    pub usual: Grid,
}

/// Which way a place differs from what is around it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    /// As a shadow does.
    Darker,
    /// As no shadow does: what is found on this side is the picture's own.
    Lighter,
}

impl Side {
    /// 1 for darker, -1 for lighter.
    pub fn sign(self) -> f32 {
        if self == Side::Darker { 1.0 } else { -1.0 }
    }
}

/// A place that may be worth a look.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    /// Darker or lighter than around.
    pub side: Side,
    /// Centre, px.
    pub x: f64,
    /// Centre, px.
    pub y: f64,
    /// Width of the shadow that answers it, px.
    pub width: f64,
    /// Response as a contrast over a plain disc.
    pub contrast: f64,
    /// What lies around it.
    pub around: Around,
    /// What lies on its plainest side, if that is plain and all of it is not: a shadow in the sky above a roof.
    pub beside: Option<Around>,
}

/// What lies around a place, by probes of the same size.
#[derive(Debug, Clone, Copy)]
pub(super) struct Around {
    /// Standard deviation of their contrasts.
    pub sigma: f64,
    /// What a tenth of these exceed, lighter or darker.
    pub strongest: f64,
    /// How many are at least half as strong as the place.
    pub alike: usize,
}

impl Around {
    /// What responses tell that lie around one of `v`; `None` for too few.
    fn of(v: f32, responses: impl Iterator<Item = f32>) -> Option<Around> {
        let mut alike = 0;
        let count = |p: f32| {
            alike += usize::from(p > 0.5 * v);
            p.abs()
        };
        let mut probes: Vec<f32> = responses.map(count).collect();
        if probes.len() < 16 {
            return None;
        }
        // Normal distribution: three quarters of |v| lie below 1.150 sigma. A quarter of the surroundings may be
        // something else altogether.
        let tenth = probes.len() * 9 / 10;
        let strongest = f64::from(*probes.select_nth_unstable_by(tenth, f32::total_cmp).1) / RESPONSE_OF_DISC;
        let at = probes.len() * 3 / 4;
        let sigma = f64::from(*probes[..tenth].select_nth_unstable_by(at, f32::total_cmp).1) / 1.150 / RESPONSE_OF_DISC;
        Some(Around { sigma, strongest, alike })
    }

    /// How many times as far as it must a contrast stands out of them.
    pub fn stands_out(&self, contrast: f64) -> f64 {
        contrast / (STANDS_OUT * self.sigma.max(self.strongest / NORMAL_TENTH))
    }

    /// Whether there are many like the place.
    pub fn is_crowd(&self) -> bool {
        self.alike >= CROWD
    }
}

impl Responses {
    /// Responses on one level.
    pub fn of(level: &Level, width: f64) -> Responses {
        let (around, inner) = (gaussian(OUTER * width), gaussian(INNER * width));
        let values = filtered_twice(&level.light, [&around, &inner], |v, i| *v = (*v - i) / (*v + VEIL));
        let usual = Grid::measure(values.size(), |xs, ys| {
            let mut sample = Vec::with_capacity(xs.len() * ys.len() / 4 + 1);
            for y in ys.step_by(2) {
                sample.extend(values.row(y)[xs.clone()].iter().step_by(2));
            }
            median_and_sigma(&mut sample).1
        });
        Responses { width, values, usual }
    }

    /// Places whose response is the strongest of their neighbours and at least `least`, a contrast over a plain
    /// disc, and stands out from at least one quiet side.
    pub fn places(&self, side: Side, cell: usize, least: impl Fn(usize, usize) -> f64 + Sync) -> Vec<Place> {
        let Size { width, height } = self.values.size();
        let rim = (0.5 * self.width).ceil() as usize;
        let sign = side.sign();
        let quietest = self.usual.least_nearby();
        let lattice = self.lattice();
        let columns = rim.max(1)..width.saturating_sub(rim.max(1));
        let rows: Vec<Vec<Place>> = (rim.max(1)..height.saturating_sub(rim.max(1)))
            .into_par_iter()
            .map(|y| {
                let row = self.values.row(y);
                let mut found = Vec::new();
                // Few cells reach far beyond what is usual: runs of them are passed over in one go.
                for start in columns.clone().step_by(RUN) {
                    let run = start..(start + RUN).min(columns.end);
                    let usual = quietest.under(run.start, y).min(quietest.under(run.end - 1, y));
                    let far = (3.5 * usual).max(0.001);
                    let most = row[run.clone()].iter().fold(f32::MIN, |most, v| most.max(sign * v));
                    if most < far {
                        continue;
                    }
                    for x in run {
                        let v = sign * row[x];
                        if v <= 0.001 || v < sign * row[x - 1] || v <= sign * row[x + 1] {
                            continue;
                        }
                        let contrast = f64::from(v) / RESPONSE_OF_DISC;
                        if v < 3.5 * quietest.under(x, y) || contrast < least(x, y) || !self.is_peak(sign, x, y) {
                            continue;
                        }
                        let place = self.place(side, x, y, cell, &lattice);
                        found.extend(place.filter(|p| p.contrast > LEAST_SNR * p.beside.unwrap_or(p.around).sigma));
                    }
                }
                found
            })
            .collect();
        rows.into_iter().flatten().collect()
    }

    fn is_peak(&self, sign: f32, x: usize, y: usize) -> bool {
        let v = sign * self.values.at(x, y);
        let around = [(0, 0), (1, 0), (2, 0), (0, 2), (1, 2), (2, 2)];
        around.into_iter().all(|(i, j)| sign * self.values.at(x + i - 1, y + j - 1) <= v)
    }

    /// Steps to probes of the same size, on a lattice between 1.9 and 5 widths off, cells, and in which eighth of a turn each lies.
    fn lattice(&self) -> Vec<(isize, isize, usize)> {
        let pitch = 0.8 * self.width;
        let steps = (-6i32..=6).flat_map(|j| (-6i32..=6).map(move |i| (f64::from(i) * pitch, f64::from(j) * pitch)));
        let between = steps.filter(|(dx, dy)| (1.9..=5.0).contains(&(dx.hypot(*dy) / self.width)));
        let eighth = |dx: f64, dy: f64| (libm::atan2(dy, dx) / FRAC_PI_4).floor().rem_euclid(8.0) as usize;
        between.map(|(dx, dy)| (dx.round() as isize, dy.round() as isize, eighth(dx, dy))).collect()
    }

    /// A place with what lies around it.
    fn place(&self, side: Side, x: usize, y: usize, cell: usize, lattice: &[(isize, isize, usize)]) -> Option<Place> {
        let v = side.sign() * self.values.at(x, y);
        let probe = |&(dx, dy, eighth): &(isize, isize, usize)| {
            let (px, py) = (x.checked_add_signed(dx)?, y.checked_add_signed(dy)?);
            let inside = px < self.values.width() && py < self.values.height();
            inside.then(|| (eighth, side.sign() * self.values.at(px, py)))
        };
        let probes: Vec<(usize, f32)> = lattice.iter().filter_map(probe).collect();
        let around = Around::of(v, probes.iter().map(|p| p.1))?;
        let contrast = f64::from(v) / RESPONSE_OF_DISC;
        let Size { width, height } = self.values.size();
        let wide = self.width > (SIDED.0 / cell as f64).max(SIDED.1 * width.max(height) as f64);
        let sided = wide && side == Side::Darker && probes.len() == lattice.len();
        let hidden = around.is_crowd() || around.stands_out(contrast) < 1.0;
        let beside = (sided && hidden).then(|| plainest_side(v, &probes)).flatten();
        let centre = |v: usize| (v as f64 + 0.5) * cell as f64;
        Some(Place { side, x: centre(x), y: centre(y), width: self.width * cell as f64, contrast, around, beside })
    }
}

/// The least restless of those halves of the surroundings of `v` that it clearly stands out of, and that hold nothing like it.
/// `probes`: eighths of a turn, and responses.
fn plainest_side(v: f32, probes: &[(usize, f32)]) -> Option<Around> {
    // Few halves of detail pass: whether a tenth of the responses is too strong is counted for all of them at once.
    let strong = v * (NORMAL_TENTH / (STANDS_OUT * CLEARLY)) as f32;
    let (mut all, mut loud) = ([0usize; 8], [0usize; 8]);
    for &(eighth, p) in probes {
        all[eighth] += 1;
        loud[eighth] += usize::from(p.abs() > strong);
    }
    let in_half = |first: usize, eighth: usize| (eighth + 8 - first) % 8 < 4;
    let half = |first: usize| {
        let sum = |counts: &[usize; 8]| (0..8).filter(|&e| in_half(first, e)).map(|e| counts[e]).sum::<usize>();
        let (all, loud) = (sum(&all), sum(&loud));
        if loud >= all - all * 9 / 10 {
            return None;
        }
        Around::of(v, probes.iter().filter(|(e, _)| in_half(first, *e)).map(|p| p.1))
    };
    let contrast = f64::from(v) / RESPONSE_OF_DISC;
    let plain = (0..8).filter_map(half).filter(|h| h.alike == 0 && h.stands_out(contrast) > CLEARLY);
    plain.min_by(|a, b| a.sigma.total_cmp(&b.sigma))
}
