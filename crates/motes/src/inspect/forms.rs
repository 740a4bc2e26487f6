//! The forms of what is not round, measured on the wall: mending wants them.

use motelight_frame::{Millimetres, Plane, Rect};
use rayon::prelude::*;

use crate::bank::{Bank, Shape};
use crate::form::{Form, RINGS_UM, Seen};
use crate::inspect::extended::Extent;
use crate::inspect::find::{Believed, Finder, LARGEST_ROUND, SURE, Shadow};
use crate::inspect::fit::{Spot, Wall};
use crate::inspect::stand_off::{Setting, StandOff};
use crate::optics::equivalent_diameter;

/// What a round fit leaves, in standard errors of what it explains, from which on a mote's form is measured. A guess.
const ODD: f64 = 8.0;

impl Finder<'_> {
    /// Measures the forms of shadows that are not round, or round but for more than noise.
    pub(super) fn form(&self, shadows: &mut [Shadow], believed: &[Believed], setting: &Setting, stand_off: &StandOff) {
        let common = &self.banks[self.banks.len() - 1];
        let clear = self.without(believed.iter().filter(|b| b.is_sure(SURE)));
        let clear = Wall { flat: &clear, ..self.wall };
        shadows.par_iter_mut().for_each(|s| {
            s.form = match (&s.extent, s.own_height_mm) {
                (Some(extent), _) => form_of(extent, &clear, common),
                (None, Some(own)) => {
                    let shadowing = setting.shadowing(Millimetres(own.value), stand_off.edge);
                    self.form_of_round(s, &Bank::new(shadowing, LARGEST_ROUND), believed)
                }
                (None, None) => self.form_of_round(s, common, believed),
            };
        });
    }

    /// What casts a shadow that is round but for more than noise.
    fn form_of_round(&self, shadow: &Shadow, bank: &Bank, believed: &[Believed]) -> Option<Form> {
        let unlike = (1.0 - shadow.likeness.powi(2)).max(0.0).sqrt();
        if shadow.snr * unlike < ODD {
            return None;
        }
        let size = self.wall.flat.size();
        let (cell, spot) = (self.wall.cell_um, shadow.spot);
        let diameter = equivalent_diameter(spot.area_um2).0;
        let outer = (0.5 * (bank.shadowing().pupil.0 + diameter) + RINGS_UM) / cell;
        let clip = |v: f64, end: usize| v.clamp(0.0, end as f64) as usize;
        let (x, y) = (clip(spot.x - outer, size.width), clip(spot.y - outer, size.height));
        let (right, bottom) = (clip(spot.x + outer + 1.0, size.width), clip(spot.y + outer + 1.0, size.height));
        let window = Rect { x, y, width: right.checked_sub(x)?, height: bottom.checked_sub(y)? };
        let far = |x: f64, y: f64| (x - spot.x).hypot(y - spot.y);
        let others: Vec<(Spot, Shape)> = believed
            .iter()
            .filter(|o| (1.0..outer + 2.0 * self.width(o)).contains(&far(o.spot.x, o.spot.y)))
            .map(|o| (o.spot, self.banks[o.bank].shape(o.spot.area_um2)))
            .collect();
        let radius = 0.75 * diameter.max(20.0) / cell + 1.0;
        let mut seen = seen(&self.wall, window, (spot.x, spot.y));
        for cy in 0..window.height {
            for cx in 0..window.width {
                let (px, py) = ((x + cx) as f64 + 0.5, (y + cy) as f64 + 0.5);
                let passed = |(s, shape): &(Spot, Shape)| 1.0 - shape.at((px - s.x).hypot(py - s.y) * cell).0;
                let passed: f64 = others.iter().map(passed).product();
                seen.lost.set(cx, cy, 1.0 - (1.0 - seen.lost.at(cx, cy)) / passed.max(0.05) as f32);
                let another = |(s, _): &(Spot, Shape)| {
                    (px - s.x).hypot(py - s.y) * diameter < far(px, py) * equivalent_diameter(s.area_um2).0
                };
                seen.outline.set(cx, cy, far(px, py) < radius && !others.iter().any(another));
            }
        }
        Some(Form::about(spot.area_um2, &seen, bank))
    }
}

/// What casts an outline, seen on a wall through a bank's optics.
fn form_of(extent: &Extent, wall: &Wall, bank: &Bank) -> Option<Form> {
    // As far around as its shadow reaches.
    let around = (0.5 * bank.shadowing().pupil.0 / wall.cell_um).ceil() as usize + 2;
    let size = wall.flat.size();
    let (left, top) = (extent.cells().map(|c| c.0).min()?, extent.cells().map(|c| c.1).min()?);
    let (right, bottom) = (extent.cells().map(|c| c.0).max()?, extent.cells().map(|c| c.1).max()?);
    let (x, y) = (left.saturating_sub(around), top.saturating_sub(around));
    let (end_x, end_y) = ((right + around + 1).min(size.width), (bottom + around + 1).min(size.height));
    let mut seen = seen(wall, Rect { x, y, width: end_x - x, height: end_y - y }, (extent.x, extent.y));
    extent.cells().for_each(|(cx, cy)| seen.outline.set(cx - x, cy - y, true));
    Form::of(&seen, bank)
}

/// A window of a wall about a place, without an outline yet.
fn seen(wall: &Wall, window: Rect, at: (f64, f64)) -> Seen {
    let mut lost = wall.flat.loss.window(window);
    for y in 0..window.height {
        for x in (0..window.width).filter(|x| !wall.sound(window.x + x, window.y + y)) {
            lost.set(x, y, f32::NAN);
        }
    }
    Seen {
        lost,
        outline: Plane::filled(window.size(), false),
        cell_um: wall.cell_um,
        sigma: f64::from(wall.flat.sigma.under(at.0 as usize, at.1 as usize)),
        place: (at.0 - window.x as f64, at.1 - window.y as f64),
    }
}
