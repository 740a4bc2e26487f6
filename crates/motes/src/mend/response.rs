//! Where around a place a shadow may stand: a map of answers.

use rayon::prelude::*;

use crate::mend::cells::Cells;
use crate::mend::evidence::{ln_mix, ln_ratio};
use crate::mend::shadow::LnShadow;

/// Evidence for a shadow at every cell of a square.
#[derive(Debug, Clone)]
pub struct Map {
    /// Side, cells; odd.
    side: usize,
    /// From the foretold place to the middle cell, px.
    offset: (f64, f64),
    /// Side of a cell, px.
    cell: f64,
    /// Logarithm of how much likelier each cell is with a shadow of which four in five are there.
    gain: Vec<f32>,
}

/// Probability that a mote of the chart is there, in the votes about the chart's place. A guess; it only keeps a
/// mote that is gone from voting against the rest without bound.
const THERE: f64 = 0.8;

/// The map for a shadow foretold at a place, `radius` px around it.
pub fn map(cells: &Cells, shadow: &LnShadow, at: (f64, f64), radius: f64, width: f64, spread: f64) -> Map {
    let cell = cells.cell as f64;
    let half = (radius / cell).ceil() as i64;
    // The noise is measured beyond the square as well.
    let margin = (1.5 * width / cell).ceil() as i64;
    let column = ((at.0 - cells.origin.0) / cell - 0.5).round() as i64;
    let row = ((at.1 - cells.origin.1) / cell - 0.5).round() as i64;
    let kernel = Kernel::of(shadow, cell);
    let side = (2 * (half + margin) + 1) as usize;
    let first = (column - half - margin, row - half - margin);
    let answers = kernel.answers(cells, first, side);
    let noise = local_noise(&answers, side, margin as usize);

    let inner = (2 * half + 1) as usize;
    let mut gain = Vec::with_capacity(inner * inner);
    for j in 0..inner {
        for i in 0..inner {
            let k = (j + margin as usize) * side + i + margin as usize;
            let known = answers[k].is_finite();
            gain.push(if known {
                ln_mix(THERE, ln_ratio(f64::from(answers[k]), noise[k], spread)) as f32
            } else {
                0.0
            });
        }
    }
    let offset =
        (cells.origin.0 + (column as f64 + 0.5) * cell - at.0, cells.origin.1 + (row as f64 + 0.5) * cell - at.1);
    Map { side: inner, offset, cell, gain }
}

impl Map {
    /// The cell at a displacement from the foretold place, px.
    fn cell_at(&self, shift: (f64, f64)) -> (i64, i64) {
        let middle = self.side as i64 / 2;
        let cells = |v: f64, offset: f64| ((v - offset) / self.cell).round() as i64 + middle;
        (cells(shift.0, self.offset.0), cells(shift.1, self.offset.1))
    }

    /// Adds the gains about a displacement to a square of further displacements, one cell apart.
    pub fn add_to(&self, sum: &mut [f32], side: usize, shift: (f64, f64)) {
        let half = side as i64 / 2;
        let (x, y) = self.cell_at(shift);
        let own = self.side as i64;
        for j in 0..side as i64 {
            let row = y + j - half;
            if !(0..own).contains(&row) {
                continue;
            }
            let first = x - half;
            let from = (-first).clamp(0, side as i64);
            let to = (own - first).clamp(from, side as i64);
            let line = &self.gain[(row * own) as usize..][..self.side];
            let out = &mut sum[j as usize * side..][..side];
            for i in from..to {
                out[i as usize] += line[(first + i) as usize];
            }
        }
    }

    /// The highest gain within some cells of a displacement; 0 outside the map.
    pub fn highest_near(&self, shift: (f64, f64), cells: i64) -> f64 {
        let (x, y) = self.cell_at(shift);
        let own = self.side as i64;
        let near = (y - cells..=y + cells).flat_map(|j| (x - cells..=x + cells).map(move |i| (i, j)));
        near.filter(|&(i, j)| (0..own).contains(&i) && (0..own).contains(&j))
            .map(|(i, j)| f64::from(self.gain[(j * own + i) as usize]))
            .fold(None, |a: Option<f64>, b| Some(a.map_or(b, |a| a.max(b))))
            .unwrap_or(0.0)
    }
}

/// A shadow's shape, freed of all that a backdrop of second order could be, scaled to answer 1 to the shadow.
struct Kernel {
    radius: i64,
    rows: Vec<Vec<f32>>,
}

impl Kernel {
    fn of(shadow: &LnShadow, cell: f64) -> Kernel {
        let radius = (shadow.window / cell).floor().max(2.0) as i64;
        let mut places = Vec::new();
        for j in -radius..=radius {
            for i in -radius..=radius {
                if i * i + j * j <= radius * radius {
                    places.push((i, j));
                }
            }
        }
        let scale = 1.0 / radius as f64;
        let basis: Vec<Vec<f64>> = [
            |_: f64, _: f64| 1.0,
            |u: f64, _: f64| u,
            |_: f64, v: f64| v,
            |u: f64, _: f64| u * u,
            |u: f64, v: f64| u * v,
            |_: f64, v: f64| v * v,
        ]
        .iter()
        .map(|f| places.iter().map(|&(i, j)| f(i as f64 * scale, j as f64 * scale)).collect())
        .collect();
        let shape: Vec<f64> = places.iter().map(|&(i, j)| shadow.at(i as f64 * cell, j as f64 * cell)).collect();
        let mut own = shape.clone();
        let mut done: Vec<Vec<f64>> = Vec::new();
        for mut b in basis {
            for d in &done {
                remove(&mut b, d);
            }
            remove(&mut own, &b);
            done.push(b);
        }
        let norm = dot(&own, &own).max(1e-12);
        let side = (2 * radius + 1) as usize;
        let mut rows = vec![vec![0.0f32; side]; side];
        for (&(i, j), v) in places.iter().zip(&own) {
            rows[(j + radius) as usize][(i + radius) as usize] = (v / norm) as f32;
        }
        Kernel { radius, rows }
    }

    /// Amplitudes on a square of cells from `first` on; NaN where cells are missing.
    fn answers(&self, cells: &Cells, first: (i64, i64), side: usize) -> Vec<f32> {
        let size = (cells.size.width as i64, cells.size.height as i64);
        let r = self.radius;
        // Cells that cannot be measured take the mean of all: they then say nothing either way.
        let (mut sum, mut count) = (0.0, 0.0);
        for (l, w) in cells.ln.iter().zip(&cells.weight) {
            if *w > 0.0 {
                sum += l;
                count += 1.0;
            }
        }
        let mean = if count > 0.0 { sum / count } else { 0.0 };
        let value: Vec<f32> =
            cells.ln.iter().zip(&cells.weight).map(|(l, w)| if *w > 0.0 { (l - mean) as f32 } else { 0.0 }).collect();
        let width = cells.size.width;
        let mut answers = vec![f32::NAN; side * side];
        answers.par_chunks_mut(side).enumerate().for_each(|(j, out)| {
            let y = first.1 + j as i64;
            if y < r || y + r >= size.1 {
                return;
            }
            for (i, v) in out.iter_mut().enumerate() {
                let x = first.0 + i as i64;
                if x < r || x + r >= size.0 {
                    continue;
                }
                let mut sum = 0.0f32;
                for (dy, taps) in self.rows.iter().enumerate() {
                    let start = (y - r) as usize + dy;
                    let line = &value[start * width + (x - r) as usize..][..taps.len()];
                    sum += taps.iter().zip(line).map(|(t, l)| t * l).sum::<f32>();
                }
                *v = sum;
            }
        });
        answers
    }
}

/// Root mean square of the answers in a square about each cell, single answers counted as 1.5 at most so that the
/// shadow itself does not pass for noise.
fn local_noise(answers: &[f32], side: usize, half: usize) -> Vec<f64> {
    let stride = side + 1;
    let mut sums = vec![(0.0f64, 0.0f64); stride * stride];
    for j in 0..side {
        let mut line = (0.0, 0.0);
        for i in 0..side {
            let a = f64::from(answers[j * side + i]);
            if a.is_finite() {
                line.0 += (a * a).min(2.25);
                line.1 += 1.0;
            }
            let above = sums[j * stride + i + 1];
            sums[(j + 1) * stride + i + 1] = (above.0 + line.0, above.1 + line.1);
        }
    }
    let at = |x: usize, y: usize| sums[y * stride + x];
    let mut noise = Vec::with_capacity(side * side);
    for j in 0..side {
        let (y0, y1) = (j.saturating_sub(half), (j + half + 1).min(side));
        for i in 0..side {
            let (x0, x1) = (i.saturating_sub(half), (i + half + 1).min(side));
            let (a, b, c, d) = (at(x1, y1), at(x0, y1), at(x1, y0), at(x0, y0));
            let (sum, count) = (a.0 - b.0 - c.0 + d.0, a.1 - b.1 - c.1 + d.1);
            noise.push(if count > 0.0 { (sum / count).max(1e-6).sqrt() } else { 1.0 });
        }
    }
    noise
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(p, q)| p * q).sum()
}

/// Takes out of `v` what lies along `b`.
fn remove(v: &mut [f64], b: &[f64]) {
    let k = dot(v, b) / dot(b, b).max(1e-12);
    v.iter_mut().zip(b).for_each(|(p, q)| *p -= k * q);
}
