//! Where the chart lies in a picture: another lens, zoom, focus or a shifted lens move all shadows together.
//!
//! Shadows stand at `1 / (1 - h/P)` times their place on the glass, and the pupil's shift moves them all alike; so
//! between two pictures of one body there is a scale about the sensor's centre and a translation.

use motelight_frame::{Frame, Micrometres, PicturePoint, Pixels, Rect, SensorPoint};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::bank::Bank;
use crate::mend::cells::{Cutout, Scheme};
use crate::mend::fit::{Foretold, fit};
use crate::mend::response::{Map, map};
use crate::mend::shadow::{LnShadow, Lost};

/// Where a chart lies in a picture, against the test frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Placement {
    /// Scale about the sensor's centre.
    pub scale: f64,
    /// Translation to the right, mm.
    pub dx_mm: f64,
    /// Translation down, mm.
    pub dy_mm: f64,
    /// Shadows that showed plainly enough to place the chart by.
    pub shadows: usize,
    /// Standard error of a foretold place along each axis, px.
    pub error_px: f64,
    /// Logarithm of how many placements were tried: what a coincidence costs.
    #[serde(skip)]
    pub tried_ln: f64,
}

impl Placement {
    /// As in the test frame.
    pub const STILL: Placement =
        Placement { scale: 1.0, dx_mm: 0.0, dy_mm: 0.0, shadows: 0, error_px: 2.0, tried_ln: 0.0 };

    /// Where a shadow of the test frame stands here, mm.
    pub fn apply(&self, at: SensorPoint) -> SensorPoint {
        SensorPoint { x: self.scale * at.x + self.dx_mm, y: self.scale * at.y + self.dy_mm }
    }
}

/// A shadow to place the chart by.
#[derive(Debug, Clone)]
pub struct Voter<'a> {
    /// Where it stood in the test frame.
    pub at: SensorPoint,
    /// Its shape in this picture.
    pub shadow: &'a LnShadow,
    /// Diameter of its geometric edge, px.
    pub width: f64,
    /// Standard error of its foretold amplitude.
    pub spread: f64,
    /// Blocked area, µm².
    pub area_um2: f64,
    /// The shadows it is one of.
    pub bank: &'a Bank,
}

/// The picture the chart is placed in.
#[derive(Debug, Clone, Copy)]
pub struct Ground<'a> {
    /// The picture.
    pub frame: &'a Frame,
    /// Its cells.
    pub scheme: &'a Scheme,
    /// Its pixel pitch.
    pub pitch: Micrometres,
}

impl Ground<'_> {
    /// A place on the sensor in the picture.
    pub fn picture(&self, at: SensorPoint) -> PicturePoint {
        let size = self.frame.size();
        let mm = self.per_mm();
        PicturePoint { x: at.x * mm + size.width as f64 / 2.0, y: at.y * mm + size.height as f64 / 2.0 }
    }

    fn per_mm(&self) -> f64 {
        1000.0 / self.pitch.0
    }
}

/// Bounds of scale and translation: h up to 2.5 mm with exit pupils from 50 mm to far away, lens shift of 11 mm
/// (project optics notes 2.7), two lenses apart.
const SCALE: f64 = 0.03;
const SHIFT_MM: f64 = 0.3;
/// How far shadows stray with the lens left on: focus and aperture move the pupil a little. A guess.
const SAME_LENS_PX: f64 = 8.0;
/// Standard deviation of that along each axis: as often as not nothing moved; a sensor that is moved against shake by half a
/// millimetre moves shadows by two pixels. Guesses.
const STILL_PX: f64 = 0.5;
const STRAY_PX: f64 = 2.0;
/// Most shadows that vote.
const VOTERS: usize = 30;

/// Finds where the chart lies. `voters` come strongest first.
pub fn place(ground: &Ground, voters: &[Voter]) -> Placement {
    let voters = &voters[..voters.len().min(VOTERS)];
    if voters.is_empty() {
        return Placement::STILL;
    }
    let near = Vote::take(ground, voters, |_| SAME_LENS_PX).best(0.0, SAME_LENS_PX, ln_stray);
    let at_near = near.placement(ground, Placement::STILL);
    // The lens is likely the test frame's: plain shadows where they stood leave no more to look for.
    if near.score > 15.0 && near.seen * 5 > near.plain * 4 {
        return aligned(ground, voters, at_near, STRAY_PX);
    }
    // A coarser picture suffices to find shadows far off.
    let narrowest = voters.iter().map(|v| v.width).fold(f64::MAX, f64::min);
    let coarse = Ground { scheme: &ground.scheme.with_cell(narrowest / 5.0), ..*ground };
    let shift = SHIFT_MM * ground.per_mm();
    let far = |v: &Voter| SCALE * v.at.x.abs().max(v.at.y.abs()) * ground.per_mm() + shift;
    let wide = Vote::take(&coarse, voters, far).best(SCALE, shift, |_, _| 0.0);
    if wide.score - wide.tried_ln < near.score - near.tried_ln + 3.0 {
        return aligned(ground, voters, at_near, STRAY_PX);
    }
    aligned(ground, voters, wide.placement(ground, Placement::STILL), f64::INFINITY)
}

/// Logarithm of how often shadows stray so many px with the lens left on, told in cells of so many px; 0 where they stay.
fn ln_stray(px: f64, cell: f64) -> f64 {
    let density = |r: f64| {
        let of = |sigma: f64| (-0.5 * (r / sigma).powi(2)).exp() / (sigma * sigma);
        of(STILL_PX.max(0.5 * cell)) + of(STRAY_PX.max(0.5 * cell))
    };
    (density(px) / density(0.0)).ln()
}

/// Aligned again and again: from a better start more shadows are met where they are foretold.
fn aligned(ground: &Ground, voters: &[Voter], start: Placement, stray: f64) -> Placement {
    let mut at = start;
    for _ in 0..5 {
        let next = align(ground, voters, at, stray);
        let settled =
            (next.scale - at.scale).abs() < 2e-5 && (next.dx_mm - at.dx_mm).hypot(next.dy_mm - at.dy_mm) < 3e-4;
        at = next;
        if settled {
            break;
        }
    }
    at
}

/// The maps of all voters.
struct Vote {
    /// Place from the centre, px, and the map about it.
    maps: Vec<((f64, f64), Map)>,
    widest: f64,
    cell: f64,
}

/// The best placement of a vote.
#[derive(Debug, Clone, Copy)]
struct Best {
    score: f64,
    scale: f64,
    /// px
    shift: (f64, f64),
    tried_ln: f64,
    /// Voters that say yes there, and voters that say anything.
    seen: usize,
    plain: usize,
}

impl Best {
    fn placement(&self, ground: &Ground, from: Placement) -> Placement {
        let mm = ground.per_mm();
        Placement {
            scale: from.scale * self.scale,
            dx_mm: from.dx_mm + self.shift.0 / mm,
            dy_mm: from.dy_mm + self.shift.1 / mm,
            tried_ln: self.tried_ln,
            ..from
        }
    }
}

impl Vote {
    fn take(ground: &Ground, voters: &[Voter], radius: impl Fn(&Voter) -> f64 + Sync) -> Vote {
        let size = ground.frame.size();
        let centre = (size.width as f64 / 2.0, size.height as f64 / 2.0);
        let maps = voters
            .par_iter()
            .filter_map(|v| {
                let at = ground.picture(v.at);
                let radius = radius(v);
                let reach = radius + 1.6 * v.width + v.shadow.window + 3.0 * ground.scheme.cell as f64;
                let rect = Rect::around(at, Pixels(reach), size)?;
                let cells = ground.scheme.cells(&Cutout::of(ground.frame, rect));
                let map = map(&cells, v.shadow, (at.x, at.y), radius, v.width, v.spread);
                Some(((at.x - centre.0, at.y - centre.1), map))
            })
            .collect();
        let widest = voters.iter().map(|v| v.width).fold(0.0, f64::max);
        Vote { maps, widest, cell: ground.scheme.cell as f64 }
    }

    /// The best of all scales up to `scale` off 1 and shifts up to `shift` px. `usual` is the logarithm of how often shadows are
    /// shifted by so many px, in cells of so many.
    fn best(&self, scale: f64, shift: f64, usual: impl Fn(f64, f64) -> f64) -> Best {
        let far = self.maps.iter().map(|(p, _)| p.0.hypot(p.1)).fold(1.0, f64::max);
        let steps = (scale * far / self.cell).ceil() as i64;
        let half = (shift / self.cell).round() as i64;
        let side = (2 * half + 1) as usize;
        let moved = |i: usize| (i as i64 - half) as f64 * self.cell;
        let usual: Vec<f32> =
            (0..side * side).map(|i| usual(moved(i % side).hypot(moved(i / side)), self.cell) as f32).collect();
        let one = |k: i64| {
            let s = if steps == 0 { 0.0 } else { k as f64 / steps as f64 * scale };
            let mut sum = usual.clone();
            for (p, map) in &self.maps {
                map.add_to(&mut sum, side, (s * p.0, s * p.1));
            }
            let at = (0..sum.len()).max_by(|&a, &b| sum[a].total_cmp(&sum[b])).unwrap_or(0);
            (s, at, f64::from(sum[at]))
        };
        let all: Vec<_> = (-steps..=steps).into_par_iter().map(one).collect();
        let (s, at, score) = all.into_iter().fold((0.0, 0, f64::MIN), |a, b| if b.2 > a.2 { b } else { a });
        let shift = (moved(at % side), moved(at / side));
        // Placements a third of a shadow apart count as different.
        let apart = (self.widest / 3.0 / self.cell).max(1.0);
        let tried = (side as f64 / apart).powi(2).max(1.0) * ((2 * steps + 1) as f64 / apart).max(1.0);
        let mut best = Best { score, scale: 1.0 + s, shift, tried_ln: (2.0 * tried).ln(), seen: 0, plain: 0 };
        for (p, map) in &self.maps {
            let gain = map.highest_near((s * p.0 + shift.0, s * p.1 + shift.1), 1);
            best.seen += usize::from(gain > 2.0);
            best.plain += usize::from(!(-0.7..=2.0).contains(&gain));
        }
        best
    }
}

/// Where a voter shows against where it was foretold, px.
struct Pair {
    at: (f64, f64),
    moved: (f64, f64),
    error: f64,
}

/// Scale and translation by least squares over the places at which the shadows themselves are fitted.
fn align(ground: &Ground, voters: &[Voter], start: Placement, stray: f64) -> Placement {
    let pairs: Vec<Pair> = voters.par_iter().filter_map(|v| pair(ground, v, &start)).collect();
    let mm = ground.per_mm();
    let (mut k, mut dx, mut dy, mut error) = (0.0, 0.0, 0.0, 2.0f64);
    for _ in 0..6 {
        // Pull towards the start: a pixel at 2000 px from the centre, 4 px of translation; and towards where they stood.
        let still = stray.powi(-2);
        let pull = 1.0 / 16.0 + still;
        let mut normal = nalgebra::Matrix3::from_diagonal(&nalgebra::Vector3::new(4e6, pull, pull));
        let mut right = nalgebra::Vector3::new(0.0, -start.dx_mm * mm * still, -start.dy_mm * mm * still);
        let (mut sum, mut squares) = (0.0, 0.0);
        for p in &pairs {
            let miss = (p.moved.0 - k * p.at.0 - dx, p.moved.1 - k * p.at.1 - dy);
            let own = error * error + p.error * p.error;
            let weight = 1.0 / (own * (1.0 + (miss.0 * miss.0 + miss.1 * miss.1) / (8.0 * own)));
            for (row, value) in [([p.at.0, 1.0, 0.0], p.moved.0), ([p.at.1, 0.0, 1.0], p.moved.1)] {
                let row = nalgebra::Vector3::from(row);
                normal += row * row.transpose() * weight;
                right += row * (value * weight);
            }
            let share = weight * own;
            sum += share;
            squares += share * ((miss.0 * miss.0 + miss.1 * miss.1) / 2.0 - p.error * p.error).max(0.0);
        }
        let Some(inverse) = normal.cholesky() else { break };
        let x = inverse.solve(&right);
        (k, dx, dy) = (x[0], x[1], x[2]);
        // As if one more shadow had strayed by a pixel; never better than a quarter of one.
        error = ((squares + 1.0) / (sum + 1.0)).sqrt().max(0.25);
    }
    Placement {
        scale: start.scale * (1.0 + k),
        dx_mm: start.dx_mm * (1.0 + k) + dx / mm,
        dy_mm: start.dy_mm * (1.0 + k) + dy / mm,
        shadows: pairs.len(),
        error_px: if pairs.is_empty() { start.error_px } else { error },
        tried_ln: start.tried_ln,
    }
}

/// The place of a voter, fitted, if it shows clearly.
fn pair(ground: &Ground, voter: &Voter, start: &Placement) -> Option<Pair> {
    let size = ground.frame.size();
    let at = ground.picture(start.apply(voter.at));
    let reach = voter.shadow.window + SAME_LENS_PX;
    let rect = Rect::around(at, Pixels(reach), size)?;
    let cells = ground.scheme.cells(&Cutout::of(ground.frame, rect));
    let foretold = Foretold {
        x: at.x,
        y: at.y,
        place_error: 0.4 * voter.width,
        area_um2: voter.area_um2,
        area_error: voter.spread,
        tone: 1.0,
    };
    // 1.5: residuals of neighbouring cells hang together; a guess that only weighs the shadows against the pull.
    let shadow = |area| Lost::Round { shape: voter.bank.shape(area), pitch: ground.pitch.0 };
    let found = fit(&cells, shadow, &foretold, voter.shadow.window, 1.5)?;
    let centre = (size.width as f64 / 2.0, size.height as f64 / 2.0);
    let clear = found.own.1 < 0.15 && found.own.0.abs() < 0.5 && found.place_error < 0.1 * voter.width;
    clear.then_some(Pair {
        at: (at.x - centre.0, at.y - centre.1),
        moved: (found.x - at.x, found.y - at.y),
        error: found.place_error,
    })
}
