//! Evidence per place of the sensor, added up over pictures in the order they were taken.
//!
//! Each picture adds the logarithm of how much likelier its answer is with a mote at the place than without, cut off
//! both ways so that no single picture makes or breaks a mote. The sum starts anew whenever it falls below nothing and
//! its highest value is kept (Page, "Continuous inspection schemes", Biometrika 41, 1954): a mote that came on
//! the way is not drowned by the pictures before it.

use motelight_frame::{Size, widest};
use rayon::prelude::*;

use crate::trace::response::{EVIDENCE_STEPS, Response};
use crate::trace::view::View;

/// Steps of a sum to a factor of e: it may grow to 4096, that of some 900 pictures that each say all they can.
const STEPS: i16 = 8;
/// Bits that a picture's evidence is finer by.
const FINER: u32 = (EVIDENCE_STEPS as i16 / STEPS).trailing_zeros();

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
    running: Vec<[i16; 2]>,
    highest: Vec<[i16; 2]>,
}

impl Tally {
    /// Nothing yet, over a sensor of this size (mm); `narrowest_mm`: the narrowest shadow to come. Places stand a third of it
    /// apart, or as far as keeps them to `most`.
    pub fn new(stand_off_mm: f64, sensor_mm: (f64, f64), narrowest_mm: f64, most: f64) -> Tally {
        let step_mm = (narrowest_mm / 3.0).max((sensor_mm.0 * sensor_mm.1 / most).sqrt());
        let places = |side: f64| (side / step_mm).ceil().max(1.0) as usize;
        let size = Size { width: places(sensor_mm.0), height: places(sensor_mm.1) };
        // Memory that is read before it is written is handed out twice; here it is written first.
        let none = || {
            let mut none = Vec::with_capacity(size.area());
            none.resize(size.area(), [0i16; 2]);
            none
        };
        Tally { stand_off_mm, step_mm, size, running: none(), highest: none() }
    }

    /// Place of a point of the grid, mm from the sensor's centre.
    pub fn place(&self, i: usize, j: usize) -> (f64, f64) {
        let at = |i: usize, side: usize| (i as f64 + 0.5 - side as f64 / 2.0) * self.step_mm;
        (at(i, self.size.width), at(j, self.size.height))
    }

    /// Adds a picture.
    pub fn add(&mut self, view: &View, response: &Response) {
        let across = response.size.width;
        let columns: Vec<Option<Between>> = (0..self.size.width)
            .map(|i| Between::of(view.cells_at((self.place(i, 0).0, 0.0)).0, response, across))
            .collect();
        let rows: Vec<Option<Between>> = (0..self.size.height)
            .map(|j| Between::of(view.cells_at((0.0, self.place(0, j).1)).1, response, response.size.height))
            .collect();
        // The picture covers one run of columns.
        let from = columns.iter().position(Option::is_some).unwrap_or(0);
        let (columns, past): (Vec<u32>, Vec<_>) =
            columns.into_iter().flatten().map(|c| (c.before as u32, [c.past; 2])).unzip();
        let run = from..from + columns.len();
        let some = ROWS_TOGETHER * self.size.width;
        let rows = rows.par_chunks(ROWS_TOGETHER);
        self.running.par_chunks_mut(some).zip(self.highest.par_chunks_mut(some)).zip(rows).for_each(
            |((running, highest), rows)| {
                let mut stretched = Stretched::new(&response.evidence, across, (&columns, &past));
                for (r, row) in rows.iter().enumerate().filter_map(|(r, row)| Some((r, row.as_ref()?))) {
                    let here = r * self.size.width + run.start..r * self.size.width + run.end;
                    let (above, below) = stretched.rows(row.before);
                    let (sums, highest) = (&mut running[here.clone()], &mut highest[here]);
                    let sums = (sums.as_flattened_mut(), highest.as_flattened_mut());
                    widest(|| add(sums, (above.as_flattened(), below.as_flattened()), row.past));
                }
            },
        );
    }

    /// Highest evidence at a place (mm) and its neighbours on the grid; 0 outside.
    pub fn near(&self, at: (f64, f64)) -> f32 {
        let index = |v: f64, side: usize| (v / self.step_mm + side as f64 / 2.0).floor();
        let (x, y) = (index(at.0, self.size.width), index(at.1, self.size.height));
        let span = |v: f64, end: usize| (v - 1.0).max(0.0) as usize..((v + 2.0).max(0.0) as usize).min(end);
        let columns = span(x, self.size.width);
        let rows = span(y, self.size.height);
        rows.flat_map(|j| columns.clone().map(move |i| (i, j)))
            .map(|(i, j)| self.highest(j * self.size.width + i))
            .max()
            .map_or(0.0, evidence)
    }

    /// Of both areas sought.
    fn highest(&self, at: usize) -> i16 {
        let [faint, plain] = self.highest[at];
        faint.max(plain)
    }

    /// Places that stand out from their neighbours with at least this much evidence, most first.
    pub fn peaks(&self, least: f32) -> Vec<Peak> {
        let Size { width, height } = self.size;
        let least = (least * f32::from(STEPS)).ceil() as i16;
        let mut peaks: Vec<Peak> = (0..height)
            .into_par_iter()
            .flat_map_iter(|j| {
                let row = &self.highest[j * width..][..width];
                // Most of them hold nothing, which is soon seen of many at a time.
                let some = row.chunks(SEEN_TOGETHER).enumerate().filter(move |(_, some)| {
                    let highest = some.as_flattened().iter().fold(0, |highest, v| highest.max(*v));
                    highest >= least
                });
                some.flat_map(move |(c, some)| c * SEEN_TOGETHER..c * SEEN_TOGETHER + some.len()).filter_map(move |i| {
                    let own = j * width + i;
                    let here = self.highest(own);
                    if here < least {
                        return None;
                    }
                    let (xs, ys) = (i.saturating_sub(2)..(i + 3).min(width), j.saturating_sub(2)..(j + 3).min(height));
                    let top = ys.flat_map(|y| xs.clone().map(move |x| y * width + x)).all(|other| {
                        let there = self.highest(other);
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
    f32::from(sum) / f32::from(STEPS)
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

/// Places that are looked at together for a peak.
const SEEN_TOGETHER: usize = 32;
/// Rows of the grid that are added to together.
const ROWS_TOGETHER: usize = 64;

/// Rows of a picture's evidence, taken to the columns of a tally, two at a time.
struct Stretched<'a> {
    evidence: &'a [[i16; 2]],
    across: usize,
    /// The left of the two places that each column lies between.
    columns: &'a [u32],
    /// How far past it.
    past: &'a [[i16; 2]],
    right: Vec<[i16; 2]>,
    /// The upper of the two.
    row: Option<usize>,
    above: Vec<[i16; 2]>,
    below: Vec<[i16; 2]>,
}

impl<'a> Stretched<'a> {
    fn new(evidence: &'a [[i16; 2]], across: usize, (columns, past): (&'a [u32], &'a [[i16; 2]])) -> Self {
        let line = || vec![[0; 2]; columns.len()];
        Stretched { evidence, across, columns, past, right: line(), row: None, above: line(), below: line() }
    }

    /// Row `j` and the one below it.
    fn rows(&mut self, j: usize) -> (&[[i16; 2]], &[[i16; 2]]) {
        if self.row != Some(j) {
            std::mem::swap(&mut self.above, &mut self.below);
            if self.row.is_none_or(|row| row + 1 != j) {
                self.fill(j);
                std::mem::swap(&mut self.above, &mut self.below);
            }
            self.fill(j + 1);
            self.row = Some(j);
        }
        (&self.above, &self.below)
    }

    /// Puts row `j` into `below`.
    fn fill(&mut self, j: usize) {
        let row = &self.evidence[j * self.across..][..self.across];
        // What lies apart is brought together first, one by one; the rest goes by many at a time.
        let (firsts, seconds) = (&row[..self.across - 1], &row[1..]);
        for ((left, right), &column) in self.below.iter_mut().zip(&mut self.right).zip(self.columns) {
            (*left, *right) = (firsts[column as usize], seconds[column as usize]);
        }
        let (left, right, past) = (self.below.as_flattened_mut(), self.right.as_flattened(), self.past.as_flattened());
        widest(|| {
            for ((left, right), past) in left.iter_mut().zip(right).zip(past) {
                *left += share(*right - *left, *past);
            }
        });
    }
}

/// Adds what lies between two rows of evidence.
#[inline(always)]
fn add((sums, highest): (&mut [i16], &mut [i16]), (above, below): (&[i16], &[i16]), past: i16) {
    for (((sum, highest), above), below) in sums.iter_mut().zip(highest).zip(above).zip(below) {
        let evidence = above + share(below - above, past);
        *sum = sum.saturating_add((evidence + (1 << (FINER - 1))) >> FINER).max(0);
        *highest = (*highest).max(*sum);
    }
}

/// `past` / 32 768 of a difference, to the nearest.
#[inline(always)]
fn share(difference: i16, past: i16) -> i16 {
    ((((i32::from(difference) * i32::from(past)) >> 14) + 1) >> 1) as i16
}

/// Where a place of a tally lies between two places of a picture's answers.
#[derive(Debug, Clone, Copy)]
struct Between {
    before: usize,
    /// How far past it, in steps of 1 / 32 768.
    past: i16,
}

impl Between {
    /// `None` outside.
    fn of(cells: f64, response: &Response, end: usize) -> Option<Between> {
        let at = (cells - response.first) / response.step as f64;
        // Places nearer to the edge than half a box take the outermost answer.
        let half = response.first / response.step as f64;
        if end < 2 || at < -half || at > (end - 1) as f64 + half {
            return None;
        }
        let at = at.clamp(0.0, (end - 1) as f64);
        let before = (at as usize).min(end - 2);
        Some(Between { before, past: ((at - before as f64) * 32_768.0).min(32_767.0) as i16 })
    }
}
