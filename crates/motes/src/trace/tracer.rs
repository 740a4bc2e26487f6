//! Pictures taken in one after the other.

use std::collections::BTreeMap;
use std::sync::Arc;

use motelight_frame::{FNumber, Shot, Size};
use rayon::prelude::*;

use crate::trace::STAND_OFFS_MM;
use crate::trace::ask::Strays;
use crate::trace::lens::LensKey;
use crate::trace::response::Response;
use crate::trace::result::{Known, TraceOptions, Traced};
use crate::trace::same::Likeness;
use crate::trace::settle;
use crate::trace::sums::Sums;
use crate::trace::tally::Tally;
use crate::trace::view::{ASSUMED_F_NUMBER, View, pitch_of};

/// Most places of all lenses' grids for one stand-off: with 6 bytes a place, and two coarser grids, some 100 MB.
const MOST_PLACES: f64 = 9e6;

/// A picture with all answers it gives, ready to be added.
#[derive(Debug)]
pub struct Boiled {
    view: View,
    responses: Vec<Option<Response>>,
    likeness: Likeness,
}

impl Boiled {
    /// Works out a picture's answers; can be done for several pictures side by side.
    pub fn of(view: View) -> Boiled {
        let sums = Sums::of(&view.ln);
        let responses = STAND_OFFS_MM
            .iter()
            .map(|h| {
                let cell_um = view.cell_um();
                Response::of(&sums, &view.unsound, h * 1000.0 / view.f_number.exact() / cell_um, cell_um)
            })
            .collect();
        let likeness = Likeness::of(&view, &sums);
        Boiled { view, responses, likeness }
    }
}

/// What is kept of a picture.
#[derive(Debug)]
pub(super) struct Entry {
    pub shot: Shot,
    pub size: Size,
    pub pitch_um: f64,
    pub f_number: FNumber,
    pub grain: f64,
    pub strays: Strays,
    likeness: Likeness,
    /// Group of pictures of the same view.
    pub view_of: usize,
    /// Which lens.
    pub lens: usize,
}

/// The pictures of one lens.
#[derive(Debug)]
pub(super) struct LensGroup {
    pub key: LensKey,
    pub tallies: Vec<Tally>,
    pub pictures: usize,
}

/// Takes in the pictures of one body in the order they were taken.
#[derive(Debug)]
pub struct Tracer {
    pub(super) options: TraceOptions,
    pub(super) entries: Vec<Entry>,
    pub(super) lenses: Vec<LensGroup>,
    pub(super) sensor_mm: (f64, f64),
    pub(super) largest_n: f64,
    /// Most places in a tally.
    places: f64,
    /// In how many pictures a pixel (mm from the centre, in µm) looked like a defect.
    spikes: BTreeMap<(i32, i32), u16>,
    views: usize,
}

impl Tracer {
    /// Nothing yet. `shots`: of the pictures to come, from which the grid of places follows; a later picture through
    /// another lens or a larger f-number is taken in all the same.
    pub fn new(options: TraceOptions, shots: &[&Shot]) -> Tracer {
        let sensor_mm = shots.first().map_or((36.0, 24.0), |shot| {
            let size = shot.crop.size();
            let pitch = pitch_of(shot, size) / 1000.0;
            (size.width as f64 * pitch, size.height as f64 * pitch)
        });
        // Numbers past f/22 are rare, and their shadows are found on the grid for f/22 as well.
        let numbers = shots.iter().map(|s| s.f_number.map_or(ASSUMED_F_NUMBER, FNumber::exact));
        let largest_n = numbers.fold(5.6, f64::max).min(22.7);
        let mut keys: Vec<LensKey> = Vec::new();
        for key in shots.iter().map(|s| LensKey::of(s)) {
            if !keys.contains(&key) {
                keys.push(key);
            }
        }
        let places = MOST_PLACES / keys.len().max(3) as f64;
        Tracer {
            options,
            entries: Vec::new(),
            lenses: Vec::new(),
            sensor_mm,
            largest_n,
            places,
            spikes: BTreeMap::new(),
            views: 0,
        }
    }

    /// Number of pictures so far.
    pub fn len(&self) -> usize {
        self.entries.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Adds a picture, and gives back what [`Tracer::finish`] will want to see again.
    pub fn add(&mut self, boiled: Boiled) -> View {
        let Boiled { view, responses, likeness } = boiled;
        let key = LensKey::of(&view.shot);
        let lens = self.lenses.iter().position(|g| g.key == key).unwrap_or_else(|| {
            let tally = |&h: &f64| Tally::new(h, self.sensor_mm, h / self.largest_n, self.places);
            self.lenses.push(LensGroup { key, tallies: STAND_OFFS_MM.iter().map(tally).collect(), pictures: 0 });
            self.lenses.len() - 1
        });
        let twin = self.entries.par_iter().find_last(|e| e.likeness.same_view(&likeness)).map(|e| e.view_of);
        let group = &mut self.lenses[lens];
        group.pictures += 1;
        // A view counts once; which of its pictures does so matters little, since all are asked again at the end.
        if twin.is_none() {
            for (tally, response) in group.tallies.iter_mut().zip(&responses) {
                if let Some(response) = response {
                    tally.add(&view, response);
                }
            }
        }
        for &(x, y) in &view.spikes {
            *self.spikes.entry(micrometres(&view, x, y)).or_default() += 1;
        }
        let view_of = twin.unwrap_or(self.views);
        self.views = self.views.max(view_of + 1);
        let strays = STAND_OFFS_MM.iter().copied().zip(responses.into_iter().map(|r| r.map(|r| r.noise)));
        self.entries.push(Entry {
            shot: view.shot.clone(),
            size: view.size,
            pitch_um: view.pitch_um,
            f_number: view.f_number,
            grain: view.grain,
            strays: Strays(strays.collect()),
            likeness,
            view_of,
            lens,
        });
        view
    }

    /// What a test frame says of this body.
    pub(super) fn known(&self) -> Option<&Known> {
        let own = self.entries.first().and_then(|e| e.shot.body.as_ref());
        self.options.known.as_ref().filter(|k| k.body.as_ref().zip(own).is_none_or(|(a, b)| a == b))
    }

    /// Places of pixel defects, mm: what looked like one in three pictures or more.
    pub(super) fn defects(&self) -> Vec<(f64, f64)> {
        let often = self.spikes.iter().filter(|(_, n)| **n >= 3);
        often.map(|((x, y), _)| (f64::from(*x) / 1000.0, f64::from(*y) / 1000.0)).collect()
    }

    /// Tells what all pictures so far show. `view` gives a picture back by its number in the order of adding; pictures
    /// that are gone are left out.
    pub fn finish(&self, view: impl Fn(usize) -> Option<Arc<View>> + Sync) -> Traced {
        settle::settle(self, &view)
    }
}

/// Centre of a pixel from the sensor's centre, µm.
fn micrometres(view: &View, x: u32, y: u32) -> (i32, i32) {
    let um = |v: u32, side: usize| ((f64::from(v) + 0.5 - side as f64 / 2.0) * view.pitch_um).round() as i32;
    (um(x, view.size.width), um(y, view.size.height))
}
