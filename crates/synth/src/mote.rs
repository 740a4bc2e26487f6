//! What lies on the glass: shapes and what each point of them does to the light.

use rustfft::num_complex::Complex32;
use serde::{Deserialize, Serialize};

use crate::random::{Random, smooth_noise};

/// One mote.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mote {
    /// Number by which truth and picture refer to it.
    pub id: u32,
    /// Place on the glass: mm from the centre of the default crop, picture axes before orientation.
    pub at_mm: [f64; 2],
    /// What it is.
    pub shape: Shape,
    /// Its own stand-off where it does not lie on the cover glass (under it: smaller), mm.
    pub stand_off_mm: Option<f64>,
}

/// Shapes; lengths in micrometres on the glass, angles in radians.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "shape", rename_all = "snake_case")]
pub enum Shape {
    /// An opaque disc.
    Grain {
        /// Its diameter.
        diameter_um: f64,
    },
    /// An opaque blob of the same area as a disc of this diameter.
    Irregular {
        /// Diameter of the disc of equal area.
        diameter_um: f64,
        /// How far the outline strays, 0 (round) to about 0.5.
        roughness: f64,
        /// Long over short side, 1 or more.
        elongation: f64,
        /// Which blob.
        seed: u64,
    },
    /// A disc that lets part of the light through, delayed.
    Translucent {
        /// Its diameter.
        diameter_um: f64,
        /// Amplitude let through, 0 to 1.
        amplitude: f64,
        /// Delay of its phase, the same at all wavelengths.
        phase: f64,
    },
    /// An opaque thread, an arc of a wavering circle.
    Fibre {
        /// Length along the thread.
        length_um: f64,
        /// Width.
        width_um: f64,
        /// Total turn from end to end, 0 (straight) to about 5.
        curl: f64,
        /// Direction of its middle.
        angle: f64,
    },
    /// A wide faint streak left by a wet pass.
    Residue {
        /// Length.
        length_um: f64,
        /// Width.
        width_um: f64,
        /// Direction.
        angle: f64,
        /// Light lost where it is thickest, 0 to 1.
        loss: f64,
        /// Its unevenness.
        seed: u64,
    },
    /// A soft round spot of lubricant: absorbs and delays most in its middle.
    Oil {
        /// Diameter at its foot.
        diameter_um: f64,
        /// Light lost in the middle, 0 to 1.
        loss: f64,
        /// Delay of the phase in the middle.
        phase: f64,
    },
    /// The rim of a dried drop.
    Ring {
        /// Diameter to the middle of the rim.
        diameter_um: f64,
        /// Full width of the rim at half strength.
        rim_um: f64,
        /// Light lost in the middle of the rim, 0 to 1.
        loss: f64,
    },
}

impl Shape {
    /// The word of the trade for it.
    pub fn kind(&self) -> &'static str {
        match self {
            Shape::Grain { .. } | Shape::Irregular { .. } | Shape::Translucent { .. } => "grain",
            Shape::Fibre { .. } => "fibre",
            Shape::Residue { .. } => "residue",
            Shape::Oil { .. } => "oil",
            Shape::Ring { .. } => "ring",
        }
    }

    /// The name of the shape.
    pub fn name(&self) -> &'static str {
        match self {
            Shape::Grain { .. } => "grain",
            Shape::Irregular { .. } => "irregular",
            Shape::Translucent { .. } => "translucent",
            _ => self.kind(),
        }
    }

    /// Whether every point of it stops all light.
    pub fn opaque(&self) -> bool {
        matches!(self, Shape::Grain { .. } | Shape::Irregular { .. } | Shape::Fibre { .. })
    }

    /// Its finest feature: what a grid must resolve.
    pub(crate) fn feature_um(&self) -> f64 {
        match *self {
            Shape::Grain { diameter_um } | Shape::Irregular { diameter_um, .. } => diameter_um / 4.0,
            Shape::Translucent { diameter_um, .. } => diameter_um / 4.0,
            Shape::Fibre { width_um, .. } => width_um / 3.0,
            Shape::Residue { width_um, .. } => width_um / 10.0,
            Shape::Oil { diameter_um, .. } => diameter_um / 10.0,
            Shape::Ring { rim_um, .. } => rim_um / 3.0,
        }
    }

    /// What it takes from the wave, ready to be asked point by point.
    pub(crate) fn mask(&self) -> Mask {
        let (radius_um, waves) = match *self {
            Shape::Grain { diameter_um } | Shape::Oil { diameter_um, .. } => (diameter_um / 2.0, Vec::new()),
            Shape::Translucent { diameter_um, .. } => (diameter_um / 2.0, Vec::new()),
            Shape::Irregular { diameter_um, roughness, elongation, seed } => {
                let mut random = Random::new(seed, 0x0b10b);
                let waves: Vec<(f64, f64)> = (2..8)
                    .map(|k| (roughness * random.between(0.3, 1.0) / f64::from(k), random.between(0.0, 6.3)))
                    .collect();
                let spread: f64 = waves.iter().map(|(size, _)| size * size / 2.0).sum();
                let radius = diameter_um / 2.0 / (1.0 + spread).sqrt();
                let reach = 1.0 + waves.iter().map(|(size, _)| size.abs()).sum::<f64>();
                return Mask {
                    shape: self.clone(),
                    radius_um: radius,
                    reach_um: radius * reach * elongation.sqrt(),
                    waves,
                };
            }
            Shape::Fibre { length_um, width_um, .. } => ((length_um + width_um) / 2.0, Vec::new()),
            Shape::Residue { length_um, width_um, .. } => (length_um.hypot(width_um) / 2.0, Vec::new()),
            Shape::Ring { diameter_um, rim_um, .. } => (diameter_um / 2.0 + 1.5 * rim_um, Vec::new()),
        };
        Mask { shape: self.clone(), radius_um, reach_um: radius_um, waves }
    }
}

/// A shape with what its points share worked out.
#[derive(Debug, Clone)]
pub(crate) struct Mask {
    shape: Shape,
    radius_um: f64,
    /// Nothing of it lies farther than this from its place.
    pub reach_um: f64,
    waves: Vec<(f64, f64)>,
}

const CLEAR: Complex32 = Complex32::new(0.0, 0.0);
const STOPPED: Complex32 = Complex32::new(1.0, 0.0);

impl Mask {
    /// Whether it has no hard edges.
    pub fn soft(&self) -> bool {
        matches!(self.shape, Shape::Residue { .. } | Shape::Oil { .. } | Shape::Ring { .. })
    }

    /// One minus the complex transmission at a point, micrometres from the mote's place.
    pub fn taken(&self, x: f64, y: f64) -> Complex32 {
        let r2 = x * x + y * y;
        if r2 > self.reach_um * self.reach_um {
            return CLEAR;
        }
        match self.shape {
            Shape::Grain { .. } => STOPPED,
            Shape::Translucent { amplitude, phase, .. } => taken_by(amplitude, phase),
            Shape::Irregular { elongation, .. } => {
                let k = elongation.sqrt();
                let (x, y) = turned(x, y, self.waves[0].1);
                let (x, y) = (x / k, y * k);
                let angle = y.atan2(x);
                let outline: f64 =
                    self.waves.iter().zip(2..).map(|((size, at), k)| size * (f64::from(k) * angle + at).cos()).sum();
                if x.hypot(y) < self.radius_um * (1.0 + outline) { STOPPED } else { CLEAR }
            }
            Shape::Fibre { length_um, width_um, curl, angle } => {
                if distance_to_arc(turned(x, y, angle), length_um, curl) < width_um / 2.0 { STOPPED } else { CLEAR }
            }
            Shape::Residue { length_um, width_um, angle, loss, seed } => {
                let (u, v) = turned(x, y, angle);
                let (along, across) = (2.0 * u / length_um, 2.0 * v / width_um);
                if along.abs() >= 1.0 || across.abs() >= 1.0 {
                    return CLEAR;
                }
                let body = (1.0 - along.powi(4)).powi(2) * (1.0 - across * across).powi(2);
                let uneven = f64::from(smooth_noise(seed, 3.0 * u / width_um, 9.0 * v / width_um));
                taken_by((1.0 - loss * body * (0.8 + 0.25 * uneven)).max(0.0).sqrt(), 0.0)
            }
            Shape::Oil { loss, phase, .. } => {
                let dome = (1.0 - r2 / (self.radius_um * self.radius_um)).powi(2);
                taken_by((1.0 - loss * dome).max(0.0).sqrt(), phase * dome)
            }
            Shape::Ring { diameter_um, rim_um, loss } => {
                let off = (r2.sqrt() - diameter_um / 2.0) / rim_um;
                taken_by((1.0 - loss * (-4.0 * std::f64::consts::LN_2 * off * off).exp()).sqrt(), 0.0)
            }
        }
    }
}

fn taken_by(amplitude: f64, phase: f64) -> Complex32 {
    Complex32::new((1.0 - amplitude * phase.cos()) as f32, (-amplitude * phase.sin()) as f32)
}

fn turned(x: f64, y: f64, angle: f64) -> (f64, f64) {
    let (sin, cos) = angle.sin_cos();
    (x * cos + y * sin, y * cos - x * sin)
}

/// Distance to a thread whose middle lies at the origin along x, bent to a total turn of `curl`.
fn distance_to_arc((x, y): (f64, f64), length: f64, curl: f64) -> f64 {
    if curl.abs() < 0.02 {
        return (x.abs() - length / 2.0).max(0.0).hypot(y);
    }
    let radius = length / curl;
    // The circle's centre lies on the y axis; angles count from the thread's middle.
    let from_centre = (x, y - radius);
    let turn = (from_centre.0 * radius.signum()).atan2(-from_centre.1 * radius.signum());
    let wavering = |turn: f64| radius.abs() * (1.0 + 0.06 * (2.5 * turn + 0.6).sin());
    let end = curl.abs() / 2.0;
    if turn.abs() <= end {
        return (from_centre.0.hypot(from_centre.1) - wavering(turn)).abs();
    }
    let at_end = |side: f64| {
        let r = wavering(side * end);
        let tip = (r * (side * end).sin() * radius.signum(), -r * (side * end).cos() * radius.signum());
        (from_centre.0 - tip.0).hypot(from_centre.1 - tip.1)
    };
    at_end(1.0).min(at_end(-1.0))
}
