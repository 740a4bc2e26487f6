//! How much of a foretold shadow a picture shows at a place, and how well that is known.
//!
//! Weighted least squares on the logarithm of light: the shadow's shape times an amplitude, over a backdrop of
//! second order. Amplitude 1 is the shadow as foretold. How far amplitudes stray where there is no shadow
//! is measured at places around: clouds, texture and edges then count as noise by themselves.

use nalgebra::{SMatrix, SVector};

use crate::bank::Shape;
use crate::mend::cells::Cells;

/// The logarithm of a shadow's transmission over the radius in pixels.
#[derive(Debug, Clone)]
pub struct LnShadow {
    per_px: f64,
    values: Vec<f64>,
    /// Radius of the window in which it is held against the picture, px.
    pub window: f64,
}

/// Least transmission a shadow is taken to have: darker cores are all dark.
pub const DARKEST: f64 = 0.03;

impl LnShadow {
    /// From a shape in µm, at `pitch` µm a pixel, up to `window` px.
    pub fn of(shape: &Shape, pitch: f64, window: f64) -> LnShadow {
        let per_px = 4.0;
        let count = (window * per_px) as usize + 2;
        let value = |i: usize| (1.0 - shape.at(i as f64 / per_px * pitch).0).max(DARKEST).ln();
        LnShadow { per_px, values: (0..count).map(value).collect(), window }
    }

    /// Logarithm of the transmission at `r` px from the centre.
    pub fn at(&self, r: f64) -> f64 {
        let at = r * self.per_px;
        let i = at as usize;
        if i + 1 >= self.values.len() {
            return 0.0;
        }
        self.values[i] + (at - i as f64) * (self.values[i + 1] - self.values[i])
    }
}

/// What a place answers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// 1: the shadow as foretold; 0: none.
    pub amplitude: f64,
    /// Its standard error by the residuals in the window.
    pub sigma: f64,
    /// Share of the shadow, weighted by its square, that could be measured.
    pub sound: f64,
}

const TERMS: usize = 7;

/// Asks for a shadow at a place, px; `None` where too little can be measured.
pub fn ask(cells: &Cells, shadow: &LnShadow, x: f64, y: f64) -> Option<Answer> {
    let (columns, rows) = cells.around(x, y, shadow.window);
    let scale = 1.0 / shadow.window;
    let mut normal = SMatrix::<f64, TERMS, TERMS>::zeros();
    let mut right = SVector::<f64, TERMS>::zeros();
    let (mut squares, mut count) = (0.0, 0.0);
    let (mut seen, mut whole) = (0.0, 0.0);
    for row in rows {
        for column in columns.clone() {
            let (cx, cy) = cells.centre(column, row);
            let (dx, dy) = (cx - x, cy - y);
            let r = dx.hypot(dy);
            if r > shadow.window {
                continue;
            }
            let i = row * cells.size.width + column;
            let (value, weight) = (cells.ln[i], cells.weight[i]);
            let shape = shadow.at(r);
            whole += shape * shape;
            if weight <= 0.0 {
                continue;
            }
            seen += shape * shape;
            let (u, v) = (dx * scale, dy * scale);
            let terms = SVector::from([shape, 1.0, u, v, u * u, u * v, v * v]);
            normal.ger(weight, &terms, &terms, 1.0);
            right.axpy(weight * value, &terms, 1.0);
            squares += weight * value * value;
            count += 1.0;
        }
    }
    if count < 3.0 * TERMS as f64 || seen < 0.3 * whole {
        return None;
    }
    for i in 0..TERMS {
        normal[(i, i)] *= 1.0 + 1e-9;
    }
    let inverse = normal.cholesky()?.inverse();
    let solution = inverse * right;
    let left = (squares - solution.dot(&right)).max(0.0);
    // Residual variance of a cell of weight 1.
    let variance = left / (count - TERMS as f64);
    Some(Answer {
        amplitude: solution[0],
        sigma: (inverse[(0, 0)] * variance).max(1e-18).sqrt(),
        sound: seen / whole.max(1e-12),
    })
}
