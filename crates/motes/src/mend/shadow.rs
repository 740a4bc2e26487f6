//! The foretold shadow on the pixels, as the picture's logarithm would show it.

use crate::bank::Shape;
use crate::form::Cast;

/// Least transmission a shadow is taken to have: darker cores are all dark.
pub const DARKEST: f64 = 0.03;

/// Light lost around a shadow's place.
#[derive(Debug, Clone)]
pub enum Lost {
    /// A round mote's, at `pitch` µm a pixel.
    Round { shape: Shape, pitch: f64 },
    /// That of a thing of some form, `times` as strong as it was measured.
    Form { cast: Cast, times: f64 },
}

impl Lost {
    /// At a displacement from the place, px.
    pub fn at(&self, dx: f64, dy: f64) -> f64 {
        match self {
            Lost::Round { shape, pitch } => shape.at(dx.hypot(dy) * pitch).0,
            Lost::Form { cast, times } => times * cast.at(dx, dy).0,
        }
    }

    /// The same, its slopes along both axes per px, and with the logarithm of the blocked area, which is `area_um2`.
    pub fn slopes(&self, dx: f64, dy: f64, area_um2: f64) -> (f64, [f64; 3]) {
        match self {
            Lost::Round { shape, pitch } => {
                let r = dx.hypot(dy);
                let (lost, slope, by_area) = shape.at(r * pitch);
                let along = if r > 1e-9 { slope * pitch / r } else { 0.0 };
                (lost, [along * dx, along * dy, by_area * area_um2])
            }
            Lost::Form { cast, times } => {
                let (lost, right, down) = cast.at(dx, dy);
                (times * lost, [times * right, times * down, times * lost])
            }
        }
    }

    /// Logarithm of the transmission.
    pub fn ln(&self, dx: f64, dy: f64) -> f64 {
        (1.0 - self.at(dx, dy)).max(DARKEST).ln()
    }

    /// Whether it is that of a thing far from round.
    pub fn is_long(&self) -> bool {
        matches!(self, Lost::Form { cast, .. } if cast.long)
    }

    /// Whether a displacement belongs to the window of `radius` px in which it is held against the picture: round, or along the
    /// form.
    pub fn is_near(&self, dx: f64, dy: f64, radius: f64) -> bool {
        match self {
            Lost::Round { .. } => dx.hypot(dy) <= radius,
            Lost::Form { cast, .. } => cast.is_near(dx, dy),
        }
    }
}

/// The logarithm of a shadow's transmission around its place.
#[derive(Debug, Clone)]
pub struct LnShadow {
    lost: Lost,
    /// A round one's by the radius, so many to the pixel; of others none.
    per_px: f64,
    values: Vec<f64>,
    /// Radius of the window in which it is held against the picture, px.
    pub window: f64,
}

impl LnShadow {
    /// Of a shadow, up to `window` px.
    pub fn of(lost: Lost, window: f64) -> LnShadow {
        let per_px = 4.0;
        let round = matches!(lost, Lost::Round { .. });
        let count = if round { (window * per_px) as usize + 2 } else { 0 };
        let values = (0..count).map(|i| lost.ln(i as f64 / per_px, 0.0)).collect();
        LnShadow { lost, per_px, values, window }
    }

    /// Logarithm of the transmission at a displacement from the place, px.
    pub fn at(&self, dx: f64, dy: f64) -> f64 {
        if self.values.is_empty() {
            return self.lost.ln(dx, dy);
        }
        let at = dx.hypot(dy) * self.per_px;
        let i = at as usize;
        if i + 1 >= self.values.len() {
            return 0.0;
        }
        self.values[i] + (at - i as f64) * (self.values[i + 1] - self.values[i])
    }

    /// Whether a displacement belongs to the window.
    pub fn is_near(&self, dx: f64, dy: f64) -> bool {
        self.lost.is_near(dx, dy, self.window)
    }

    /// Whether it is that of a thing far from round.
    pub fn is_long(&self) -> bool {
        self.lost.is_long()
    }
}
