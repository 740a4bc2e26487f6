//! Evidence per place of the sensor, added up over pictures in the order they were taken.
//!
//! Each picture adds the logarithm of how much likelier its answer is with a mote at the place than without, cut off
//! both ways so that no single picture makes or breaks a mote. The sum starts anew whenever it falls below nothing and
//! its highest value is kept (Page, "Continuous inspection schemes", Biometrika 41, 1954): a mote that came on
//! the way is not drowned by the pictures before it.

use motelight_frame::Size;
use rayon::prelude::*;

use crate::trace::response::Response;
use crate::trace::sums::BOX;
use crate::trace::view::View;

/// Blocked areas looked for, µm², each with the most that a single picture is taken to show of it in standard errors:
/// faint ones that many pictures must add up for, and plain ones.
const SOUGHT: [(f32, f32); 2] = [(40.0, 1.0), (200.0, 3.0)];
/// Most and least that one picture adds.
const MOST: f32 = 4.5;
const LEAST: f32 = -3.0;
/// Share of a small mote's shadow that falls into the box of the shadow's area.
const CAUGHT: f32 = 0.91;

/// The evidence for shadows of one stand-off in the pictures of one lens.
#[derive(Debug)]
pub struct Tally {
    /// The stand-off, mm.
    pub stand_off_mm: f64,
    /// Distance of neighbouring places, mm.
    pub step_mm: f64,
    /// Places.
    pub size: Size,
    running: [Vec<f32>; 2],
    /// Highest evidence so far.
    pub highest: Vec<f32>,
}

impl Tally {
    /// Nothing yet, over a sensor of this size (mm); `narrowest_mm`: the narrowest shadow to come. Places stand a third of it
    /// apart, or as far as keeps them to `most`.
    pub fn new(stand_off_mm: f64, sensor_mm: (f64, f64), narrowest_mm: f64, most: f64) -> Tally {
        let step_mm = (narrowest_mm / 3.0).max((sensor_mm.0 * sensor_mm.1 / most).sqrt());
        let places = |side: f64| (side / step_mm).ceil().max(1.0) as usize;
        let size = Size { width: places(sensor_mm.0), height: places(sensor_mm.1) };
        let none = || vec![0.0f32; size.area()];
        Tally { stand_off_mm, step_mm, size, running: [none(), none()], highest: none() }
    }

    /// Place of a point of the grid, mm from the sensor's centre.
    pub fn place(&self, i: usize, j: usize) -> (f64, f64) {
        let at = |i: usize, side: usize| (i as f64 + 0.5 - side as f64 / 2.0) * self.step_mm;
        (at(i, self.size.width), at(j, self.size.height))
    }

    /// Adds a picture's answers, which count `weight` (0 to 1).
    pub fn add(&mut self, view: &View, response: &Response, weight: f32) {
        let box_um = BOX * self.stand_off_mm * 1000.0 / view.f_number.exact();
        let area_um2 = (box_um * box_um) as f32 / CAUGHT;
        let evidence: Vec<[f32; 2]> = response
            .darker
            .par_iter()
            .zip(&response.sigma)
            .map(|(&darker, &sigma)| {
                SOUGHT.map(|(area, most)| {
                    let expected = (area / (sigma * area_um2)).min(most);
                    weight * (expected * (darker / sigma) - 0.5 * expected * expected).clamp(LEAST, MOST)
                })
            })
            .collect();
        let columns: Vec<Option<(usize, f32)>> = (0..self.size.width)
            .map(|i| between(view.cells_at((self.place(i, 0).0, 0.0)).0, response, response.size.width))
            .collect();
        let rows: Vec<Option<(usize, f32)>> = (0..self.size.height)
            .map(|j| between(view.cells_at((0.0, self.place(0, j).1)).1, response, response.size.height))
            .collect();
        let width = self.size.width;
        let [faint, plain] = &mut self.running;
        faint
            .par_chunks_mut(width)
            .zip(plain.par_chunks_mut(width))
            .zip(self.highest.par_chunks_mut(width))
            .zip(&rows)
            .for_each(|(((faint, plain), highest), row)| {
                let Some((j, v)) = *row else { return };
                let above = &evidence[j * response.size.width..];
                let below = &above[response.size.width..];
                for (i, column) in columns.iter().enumerate() {
                    let Some((c, u)) = *column else { continue };
                    let at = |k: usize| {
                        let top = above[c][k] + (above[c + 1][k] - above[c][k]) * u;
                        let bottom = below[c][k] + (below[c + 1][k] - below[c][k]) * u;
                        top + (bottom - top) * v
                    };
                    faint[i] = (faint[i] + at(0)).max(0.0);
                    plain[i] = (plain[i] + at(1)).max(0.0);
                    highest[i] = highest[i].max(faint[i]).max(plain[i]);
                }
            });
    }

    /// Highest evidence at a place (mm) and its neighbours on the grid; 0 outside.
    pub fn near(&self, at: (f64, f64)) -> f32 {
        let index = |v: f64, side: usize| (v / self.step_mm + side as f64 / 2.0).floor();
        let (x, y) = (index(at.0, self.size.width), index(at.1, self.size.height));
        let span = |v: f64, end: usize| (v - 1.0).max(0.0) as usize..((v + 2.0).max(0.0) as usize).min(end);
        let columns = span(x, self.size.width);
        let rows = span(y, self.size.height);
        rows.flat_map(|j| columns.clone().map(move |i| (i, j)))
            .map(|(i, j)| self.highest[j * self.size.width + i])
            .fold(0.0, f32::max)
    }

    /// Places that stand out from their neighbours with at least this much evidence, most first.
    pub fn peaks(&self, least: f32) -> Vec<Peak> {
        let Size { width, height } = self.size;
        let mut peaks: Vec<Peak> = (0..height)
            .into_par_iter()
            .flat_map_iter(|j| {
                (0..width).filter_map(move |i| {
                    let evidence = self.highest[j * width + i];
                    if evidence < least {
                        return None;
                    }
                    let (xs, ys) = (i.saturating_sub(2)..(i + 3).min(width), j.saturating_sub(2)..(j + 3).min(height));
                    let own = j * width + i;
                    let top = ys.flat_map(|y| xs.clone().map(move |x| y * width + x)).all(|other| {
                        let there = self.highest[other];
                        there < evidence || (there == evidence && other >= own)
                    });
                    top.then(|| Peak { at: self.place(i, j), evidence, stand_off_mm: self.stand_off_mm })
                })
            })
            .collect();
        peaks.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
        peaks
    }
}

/// A place with evidence for a mote.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Where, mm from the sensor's centre.
    pub at: (f64, f64),
    /// Logarithm of how much likelier the pictures are with a mote there.
    pub evidence: f32,
    /// The stand-off it was looked for at, mm.
    pub stand_off_mm: f64,
}

/// The answer before a place, and how far past it the place lies; `None` outside.
fn between(cells: f64, response: &Response, end: usize) -> Option<(usize, f32)> {
    let at = (cells - response.first) / response.step as f64;
    // Places nearer to the edge than half a box take the outermost answer.
    let half = response.first / response.step as f64;
    if end < 2 || at < -half || at > (end - 1) as f64 + half {
        return None;
    }
    let at = at.clamp(0.0, (end - 1) as f64);
    let i = (at as usize).min(end - 2);
    Some((i, (at - i as f64) as f32))
}
