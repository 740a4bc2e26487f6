//! The foretold shadow over the radius, as the picture's logarithm would show it.

use crate::bank::Shape;

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
