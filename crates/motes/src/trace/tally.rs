//! Evidence per place of the sensor, added up over pictures in the order they were taken.
//!
//! Each picture adds the logarithm of how much likelier its answer is with a mote at the place than without, cut off
//! both ways so that no single picture makes or breaks a mote. The sum starts anew whenever it falls below nothing and
//! its highest value is kept (Page, "Continuous inspection schemes", Biometrika 41, 1954): a mote that came on
//! the way is not drowned by the pictures before it.

use motelight_frame::{Size, widest};
use rayon::prelude::*;

use crate::trace::response::{EVIDENCE_STEPS, Response, rounded};
use crate::trace::view::View;

/// Steps of a sum to a factor of e: it may grow to 4096, that of some 900 pictures that each say all they can.
const STEPS: f32 = 8.0;

/// The evidence for shadows of one stand-off in the pictures of one lens.
#[derive(Debug)]
pub struct Tally {
    /// The stand-off, mm.
    pub stand_off_mm: f64,
    /// Distance of neighbouring places, mm.
    pub step_mm: f64,
    /// Places.
    pub size: Size,
    /// What the pictures say so far for either area sought, since it last fell below nothing.
    running: [Vec<i16>; 2],
    highest: Vec<i16>,
}

impl Tally {
    /// Nothing yet, over a sensor of this size (mm); `narrowest_mm`: the narrowest shadow to come. Places stand a third of it
    /// apart, or as far as keeps them to `most`.
    pub fn new(stand_off_mm: f64, sensor_mm: (f64, f64), narrowest_mm: f64, most: f64) -> Tally {
        let step_mm = (narrowest_mm / 3.0).max((sensor_mm.0 * sensor_mm.1 / most).sqrt());
        let places = |side: f64| (side / step_mm).ceil().max(1.0) as usize;
        let size = Size { width: places(sensor_mm.0), height: places(sensor_mm.1) };
        let none = || vec![0i16; size.area()];
        Tally { stand_off_mm, step_mm, size, running: [none(), none()], highest: none() }
    }

    /// Place of a point of the grid, mm from the sensor's centre.
    pub fn place(&self, i: usize, j: usize) -> (f64, f64) {
        let at = |i: usize, side: usize| (i as f64 + 0.5 - side as f64 / 2.0) * self.step_mm;
        (at(i, self.size.width), at(j, self.size.height))
    }

    /// Adds a picture.
    pub fn add(&mut self, view: &View, response: &Response) {
        let across = response.size.width;
        let columns: Vec<Option<(usize, f32)>> = (0..self.size.width)
            .map(|i| between(view.cells_at((self.place(i, 0).0, 0.0)).0, response, across))
            .collect();
        let rows: Vec<Option<(usize, f32)>> = (0..self.size.height)
            .map(|j| between(view.cells_at((0.0, self.place(0, j).1)).1, response, response.size.height))
            .collect();
        // The picture covers one run of columns.
        let from = columns.iter().position(Option::is_some).unwrap_or(0);
        let columns: Vec<(usize, f32)> = columns.into_iter().flatten().collect();
        let run = from..from + columns.len();
        let [faint, plain] = &mut self.running;
        let some = ROWS_TOGETHER * self.size.width;
        faint
            .par_chunks_mut(some)
            .zip(plain.par_chunks_mut(some))
            .zip(self.highest.par_chunks_mut(some))
            .zip(rows.par_chunks(ROWS_TOGETHER))
            .for_each(|(((faint, plain), highest), rows)| {
                let mut faints = Stretched::new(&response.evidence[0], across, &columns);
                let mut plains = Stretched::new(&response.evidence[1], across, &columns);
                for (r, &(j, v)) in rows.iter().enumerate().filter_map(|(r, row)| Some((r, row.as_ref()?))) {
                    let at = r * self.size.width;
                    let here = at + run.start..at + run.end;
                    for (sums, stretched) in [(&mut *faint, &mut faints), (&mut *plain, &mut plains)] {
                        let (above, below) = stretched.rows(j);
                        let (sums, highest) = (&mut sums[here.clone()], &mut highest[here.clone()]);
                        widest(|| add(sums, highest, (above, below), v));
                    }
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
            .max()
            .map_or(0.0, evidence)
    }

    /// Places that stand out from their neighbours with at least this much evidence, most first.
    pub fn peaks(&self, least: f32) -> Vec<Peak> {
        let Size { width, height } = self.size;
        let mut peaks: Vec<Peak> = (0..height)
            .into_par_iter()
            .flat_map_iter(|j| {
                (0..width).filter_map(move |i| {
                    let own = j * width + i;
                    let here = self.highest[own];
                    if evidence(here) < least {
                        return None;
                    }
                    let (xs, ys) = (i.saturating_sub(2)..(i + 3).min(width), j.saturating_sub(2)..(j + 3).min(height));
                    let top = ys.flat_map(|y| xs.clone().map(move |x| y * width + x)).all(|other| {
                        let there = self.highest[other];
                        there < here || (there == here && other >= own)
                    });
                    top.then(|| Peak {
                        at: self.place(i, j),
                        evidence: evidence(here),
                        stand_off_mm: self.stand_off_mm,
                    })
                })
            })
            .collect();
        peaks.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
        peaks
    }
}

/// A sum as a logarithm.
fn evidence(sum: i16) -> f32 {
    f32::from(sum) / STEPS
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

/// Rows of the grid that are added to together.
const ROWS_TOGETHER: usize = 64;

/// Rows of a picture's evidence, taken to the columns of a tally, two at a time.
struct Stretched<'a> {
    evidence: &'a [i16],
    across: usize,
    columns: &'a [(usize, f32)],
    /// The upper of the two.
    row: Option<usize>,
    above: Vec<f32>,
    below: Vec<f32>,
}

impl<'a> Stretched<'a> {
    fn new(evidence: &'a [i16], across: usize, columns: &'a [(usize, f32)]) -> Self {
        let line = || vec![0.0; columns.len()];
        Stretched { evidence, across, columns, row: None, above: line(), below: line() }
    }

    /// Row `j` and the one below it.
    fn rows(&mut self, j: usize) -> (&[f32], &[f32]) {
        if self.row != Some(j) {
            std::mem::swap(&mut self.above, &mut self.below);
            if self.row.is_none_or(|row| row + 1 != j) {
                fill(&mut self.above, &self.evidence[j * self.across..][..self.across], self.columns);
            }
            fill(&mut self.below, &self.evidence[(j + 1) * self.across..][..self.across], self.columns);
            self.row = Some(j);
        }
        (&self.above, &self.below)
    }
}

fn fill(to: &mut [f32], row: &[i16], columns: &[(usize, f32)]) {
    const UNIT: f32 = STEPS / EVIDENCE_STEPS;
    for (to, &(c, u)) in to.iter_mut().zip(columns) {
        let (left, right) = (f32::from(row[c]), f32::from(row[c + 1]));
        *to = UNIT * (left + (right - left) * u);
    }
}

/// Adds what lies `v` of the way between two rows of evidence.
#[inline(always)]
fn add(sums: &mut [i16], highest: &mut [i16], (above, below): (&[f32], &[f32]), v: f32) {
    for (((sum, highest), above), below) in sums.iter_mut().zip(highest).zip(above).zip(below) {
        *sum = sum.saturating_add(rounded(above + (below - above) * v)).max(0);
        *highest = (*highest).max(*sum);
    }
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
