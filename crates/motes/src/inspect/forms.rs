//! The forms of what is not round, measured on the wall: mending wants them.

use motelight_frame::{Millimetres, Plane, Rect};
use rayon::prelude::*;

use crate::bank::{Bank, Shape};
use crate::form::{Form, RINGS_UM, Seen};
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
                (Some(extent), _) => extent.form(&clear, common),
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
        let far = |s: &Spot| (s.x - spot.x).hypot(s.y - spot.y);
        let others: Vec<(Spot, Shape)> = believed
            .iter()
            .filter(|o| (1.0..outer + 2.0 * self.width(o)).contains(&far(&o.spot)))
            .map(|o| (o.spot, self.banks[o.bank].shape(o.spot.area_um2)))
            .collect();
        let mut lost = self.wall.flat.loss.window(window);
        let mut outline = Plane::filled(window.size(), false);
        let radius = 0.75 * diameter.max(20.0) / cell + 1.0;
        for cy in 0..window.height {
            for cx in 0..window.width {
                let (px, py) = ((x + cx) as f64 + 0.5, (y + cy) as f64 + 0.5);
                let passed = |(s, shape): &(Spot, Shape)| 1.0 - shape.at((px - s.x).hypot(py - s.y) * cell).0;
                let passed: f64 = others.iter().map(passed).product();
                let own = 1.0 - (1.0 - lost.at(cx, cy)) / passed.max(0.05) as f32;
                lost.set(cx, cy, if self.wall.sound(x + cx, y + cy) { own } else { f32::NAN });
                outline.set(cx, cy, (px - spot.x).hypot(py - spot.y) < radius);
            }
        }
        let place = (spot.x - x as f64, spot.y - y as f64);
        let sigma = f64::from(self.wall.flat.sigma.under(spot.x as usize, spot.y as usize));
        Some(Form::about(spot.area_um2, &Seen { lost: &lost, outline: &outline, cell_um: cell, sigma, place }, bank))
    }
}
