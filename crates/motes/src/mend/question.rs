//! How much of a foretold shadow a picture shows at a place.
//!
//! The question is put in three ways, all on the logarithm of light, where the shadow is its shape times an amplitude (1
//! as foretold, 0 not there):
//!
//! - *broad*: least squares of the shape over a backdrop of second order. Best where only noise is in the way.
//! - *sharp*, at two scales: what is smooth over part of the shadow's width is taken away from both picture and shape
//!   first, and cells that fit badly count less (Cauchy weights, three rounds). Best where an edge crosses the
//!   window or texture lies under the shadow, since a picture's contrasts grow with their size.
//!
//! Which of them errs least is seen at the places around (`evidence`).

use nalgebra::{SMatrix, SVector};

use crate::mend::cells::Cells;
use crate::mend::shadow::LnShadow;

/// Ways of asking.
pub const WAYS: usize = 3;

/// Standard deviations of the smoothing of the sharp ways, in widths of the shadow.
const SMOOTH: [f64; 2] = [0.3, 0.15];

/// Terms of a backdrop of second order.
const BACKDROP: usize = 6;

/// Cells as all ways of asking want them.
#[derive(Debug, Clone)]
pub struct Ground {
    columns: usize,
    rows: usize,
    /// The logarithm of light, and the same less what is smooth; one plane per way.
    planes: [Vec<f32>; WAYS],
    sound: Vec<bool>,
}

impl Ground {
    /// Prepares cells for shadows `width` px wide.
    pub fn of(cells: &Cells, width: f64) -> Ground {
        let sound: Vec<bool> = cells.weight.iter().map(|&w| w > 0.0).collect();
        let count = sound.iter().filter(|&&s| s).count().max(1);
        let sum: f64 = cells.ln.iter().zip(&sound).map(|(l, &s)| if s { *l } else { 0.0 }).sum();
        let mean = sum / count as f64;
        let ln: Vec<f32> =
            cells.ln.iter().zip(&sound).map(|(l, &s)| if s { (l - mean) as f32 } else { 0.0 }).collect();
        let (columns, rows) = (cells.size.width, cells.size.height);
        let sharp = |k: usize| {
            let sigma = SMOOTH[k] * width / cells.cell as f64;
            let held: Vec<f32> = sound.iter().map(|&s| if s { 1.0 } else { 0.0 }).collect();
            let (smooth, weight) = (blurred(&ln, columns, sigma), blurred(&held, columns, sigma));
            (0..ln.len()).map(|i| if sound[i] { ln[i] - smooth[i] / weight[i].max(1e-6) } else { 0.0 }).collect()
        };
        Ground { columns, rows, planes: [ln.clone(), sharp(0), sharp(1)], sound }
    }
}

/// One cell of a question.
#[derive(Debug, Clone, Copy)]
struct Tap {
    dx: i32,
    dy: i32,
    /// The shape in each way; in the broad one freed of all that a backdrop could be.
    shape: [f32; WAYS],
    /// The shape as it is.
    plain: f32,
    /// An orthonormal backdrop.
    backdrop: [f32; BACKDROP],
}

/// A shadow at a place between cells, ready to be asked for at any whole number of cells from there.
#[derive(Debug, Clone)]
pub struct Question {
    /// The cell nearest to the shadow's centre.
    pub column: i64,
    /// Its row.
    pub row: i64,
    taps: Vec<Tap>,
    norms: [f64; WAYS],
    squares: f64,
}

/// What a place answers, in one way of asking.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// 1: the shadow as foretold; 0: none.
    pub amplitude: f64,
    /// Its standard error by what it leaves in the window.
    pub sigma: f64,
}

/// What a place answers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answers {
    /// In each way.
    pub ways: [Answer; WAYS],
    /// Share of the shadow, weighted by its square, that could be measured.
    pub sound: f64,
}

impl Question {
    /// A shadow `width` px wide, centred at a place of the picture.
    pub fn new(cells: &Cells, shadow: &LnShadow, width: f64, at: (f64, f64)) -> Question {
        let cell = cells.cell as f64;
        let nearest = |v: f64, origin: f64| ((v - origin) / cell - 0.5).round() as i64;
        let (column, row) = (nearest(at.0, cells.origin.0), nearest(at.1, cells.origin.1));
        let centre = |i: i64, origin: f64| origin + (i as f64 + 0.5) * cell;
        let (px, py) = (centre(column, cells.origin.0) - at.0, centre(row, cells.origin.1) - at.1);
        let radius = (shadow.window / cell).ceil() as i32;
        // The smoothing of the sharp ways reaches past the window.
        let margin = (3.0 * SMOOTH[0] * width / cell).ceil() as i32;
        let half = radius + margin;
        let side = (2 * half + 1) as usize;
        let place = |i: usize| {
            let (dx, dy) = ((i % side) as i32 - half, (i / side) as i32 - half);
            (dx, dy, (f64::from(dx) * cell + px).hypot(f64::from(dy) * cell + py))
        };
        let shape: Vec<f32> = (0..side * side).map(|i| shadow.at(place(i).2) as f32).collect();
        let smooth = SMOOTH.map(|s| blurred(&shape, side, s * width / cell));
        let mut taps: Vec<Tap> = Vec::new();
        for (i, &plain) in shape.iter().enumerate() {
            let (dx, dy, r) = place(i);
            if r <= shadow.window {
                let shape = [plain, plain - smooth[0][i], plain - smooth[1][i]];
                taps.push(Tap { dx, dy, shape, plain, backdrop: [0.0; BACKDROP] });
            }
        }
        orthogonalise(&mut taps, f64::from(radius.max(1)));
        let norms = std::array::from_fn(|k| taps.iter().map(|t| f64::from(t.shape[k]).powi(2)).sum::<f64>().max(1e-12));
        let squares = taps.iter().map(|t| f64::from(t.plain).powi(2)).sum::<f64>().max(1e-12);
        Question { column, row, taps, norms, squares }
    }

    /// Asks some cells away from the shadow's own place; `None` where too little can be measured.
    pub fn ask(&self, ground: &Ground, columns: i64, rows: i64) -> Option<Answers> {
        let (column, row) = (self.column + columns, self.row + rows);
        let mut seen = Vec::with_capacity(self.taps.len());
        let mut squares = 0.0;
        for tap in &self.taps {
            let (x, y) = (column + i64::from(tap.dx), row + i64::from(tap.dy));
            let inside = (0..ground.columns as i64).contains(&x) && (0..ground.rows as i64).contains(&y);
            if !inside {
                continue;
            }
            let i = y as usize * ground.columns + x as usize;
            if ground.sound[i] {
                squares += f64::from(tap.plain).powi(2);
                seen.push((tap, i));
            }
        }
        let sound = squares / self.squares;
        if seen.len() < 4 * (BACKDROP + 1) || sound < 0.1 {
            return None;
        }
        let broad = if seen.len() == self.taps.len() { self.broad(ground, &seen) } else { partial(ground, &seen)? };
        let ways = [broad, self.sharp(ground, &seen, 1), self.sharp(ground, &seen, 2)];
        Some(Answers { ways, sound })
    }

    fn broad(&self, ground: &Ground, seen: &[(&Tap, usize)]) -> Answer {
        let plane = &ground.planes[0];
        let (mut along, mut squares, mut backdrop) = (0.0f32, 0.0f32, [0.0f32; BACKDROP]);
        for &(tap, i) in seen {
            let v = plane[i];
            along += tap.shape[0] * v;
            squares += v * v;
            for (b, t) in backdrop.iter_mut().zip(&tap.backdrop) {
                *b += t * v;
            }
        }
        let taken: f32 = backdrop.iter().map(|b| b * b).sum();
        let amplitude = f64::from(along) / self.norms[0];
        let left = (f64::from(squares - taken) - amplitude * amplitude * self.norms[0]).max(0.0);
        let variance = left / (seen.len() - BACKDROP - 1) as f64;
        Answer { amplitude, sigma: (variance / self.norms[0]).max(1e-12).sqrt() }
    }

    fn sharp(&self, ground: &Ground, seen: &[(&Tap, usize)], way: usize) -> Answer {
        let plane = &ground.planes[way];
        let pairs: Vec<(f64, f64)> =
            seen.iter().map(|&(t, i)| (f64::from(t.shape[way]), f64::from(plane[i]))).collect();
        let mut weights = vec![1.0; pairs.len()];
        let mut sizes = vec![0.0; pairs.len()];
        let mut answer = Answer { amplitude: 0.0, sigma: 1e6 };
        for round in 0..3 {
            let (mut along, mut norm, mut squares, mut sum) = (0.0, 0.0, 0.0, 0.0);
            for (&(shape, v), &w) in pairs.iter().zip(&weights) {
                along += w * shape * v;
                norm += w * shape * shape;
                squares += w * v * v;
                sum += w;
            }
            let amplitude = along / norm.max(1e-12);
            let left = (squares - amplitude * along).max(0.0);
            // Of weighted residuals; the constant is put right by the places around.
            answer = Answer { amplitude, sigma: (left / sum / norm.max(1e-12)).max(1e-12).sqrt() };
            if round == 2 {
                break;
            }
            for (s, &(shape, v)) in sizes.iter_mut().zip(&pairs) {
                *s = (v - amplitude * shape).abs();
            }
            let mut sorted = sizes.clone();
            let middle = sorted.len() / 2;
            // Cauchy: 2.385 standard deviations, these from the median of absolute residuals.
            let scale = 2.385 * 1.4826 * sorted.select_nth_unstable_by(middle, f64::total_cmp).1.max(1e-9);
            for (w, s) in weights.iter_mut().zip(&sizes) {
                *w = 1.0 / (1.0 + (s / scale).powi(2));
            }
        }
        answer
    }
}

/// The broad way where some cells cannot be measured: the same least squares over those that can.
fn partial(ground: &Ground, seen: &[(&Tap, usize)]) -> Option<Answer> {
    const TERMS: usize = BACKDROP + 1;
    let mut normal = SMatrix::<f64, TERMS, TERMS>::zeros();
    let mut right = SVector::<f64, TERMS>::zeros();
    let mut squares = 0.0;
    for &(tap, i) in seen {
        let value = f64::from(ground.planes[0][i]);
        let mut terms = SVector::<f64, TERMS>::zeros();
        terms[0] = f64::from(tap.plain);
        (0..BACKDROP).for_each(|k| terms[k + 1] = f64::from(tap.backdrop[k]));
        normal.ger(1.0, &terms, &terms, 1.0);
        right.axpy(value, &terms, 1.0);
        squares += value * value;
    }
    (0..TERMS).for_each(|i| normal[(i, i)] *= 1.0 + 1e-7);
    let inverse = normal.cholesky()?.inverse();
    let solution = inverse * right;
    let left = (squares - solution.dot(&right)).max(0.0);
    let variance = left / (seen.len() - TERMS) as f64;
    Some(Answer { amplitude: solution[0], sigma: (inverse[(0, 0)] * variance).max(1e-12).sqrt() })
}

/// Fills in the orthonormal backdrop of second order, and frees the broad way's shape of it.
fn orthogonalise(taps: &mut [Tap], radius: f64) {
    for k in 0..BACKDROP {
        let mut values: Vec<f64> = taps
            .iter()
            .map(|t| {
                let (u, v) = (f64::from(t.dx) / radius, f64::from(t.dy) / radius);
                [1.0, u, v, u * u, u * v, v * v][k]
            })
            .collect();
        for done in 0..k {
            let along: f64 = values.iter().zip(taps.iter()).map(|(v, t)| v * f64::from(t.backdrop[done])).sum();
            values.iter_mut().zip(taps.iter()).for_each(|(v, t)| *v -= along * f64::from(t.backdrop[done]));
        }
        let norm = values.iter().map(|v| v * v).sum::<f64>().sqrt().max(1e-12);
        for (tap, v) in taps.iter_mut().zip(&values) {
            tap.backdrop[k] = (v / norm) as f32;
        }
        let along: f32 = taps.iter().map(|t| t.shape[0] * t.backdrop[k]).sum();
        taps.iter_mut().for_each(|t| t.shape[0] -= along * t.backdrop[k]);
    }
}

/// A plane of rows of `width` under a Gaussian, dark past its borders.
fn blurred(plane: &[f32], width: usize, sigma: f64) -> Vec<f32> {
    if width == 0 {
        return Vec::new();
    }
    let reach = (3.0 * sigma).ceil().max(1.0) as usize;
    let kernel: Vec<f32> = (0..=reach).map(|i| (-0.5 * (i as f64 / sigma.max(0.2)).powi(2)).exp() as f32).collect();
    let sum = kernel[0] + 2.0 * kernel[1..].iter().sum::<f32>();
    let height = plane.len() / width;
    let mut across = vec![0.0f32; plane.len()];
    for (out, row) in across.chunks_exact_mut(width).zip(plane.chunks_exact(width)) {
        for (x, o) in out.iter_mut().enumerate() {
            let mut v = kernel[0] * row[x];
            for (k, &weight) in kernel.iter().enumerate().skip(1) {
                let left = x.checked_sub(k).map_or(0.0, |i| row[i]);
                let right = row.get(x + k).copied().unwrap_or(0.0);
                v += weight * (left + right);
            }
            *o = v / sum;
        }
    }
    let mut out = vec![0.0f32; plane.len()];
    for (y, row) in out.chunks_exact_mut(width).enumerate() {
        for (k, &weight) in kernel.iter().enumerate() {
            let mut add = |from: Option<usize>| {
                let Some(from) = from.filter(|&f| f < height) else { return };
                for (o, v) in row.iter_mut().zip(&across[from * width..]) {
                    *o += weight / sum * v;
                }
            };
            add(Some(y + k));
            if k > 0 {
                add(y.checked_sub(k));
            }
        }
    }
    out
}
