//! The picture in linear light: data, noise, mask, and how stored codes and light relate.

use serde::{Deserialize, Serialize};

use crate::plane::Plane;
use crate::planes::{Planes, Tone};
use crate::shot::Shot;
use crate::space::{Rect, SensorFromPicture, Size};

/// Colour of one photosite or plane.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Colour {
    /// Red.
    Red,
    /// Green.
    Green,
    /// Blue.
    Blue,
}

/// The repeating colour pattern over the photosites, starting at the frame's (0, 0).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cfa {
    period: Size,
    colours: Vec<Colour>,
}

impl Cfa {
    /// A pattern of `period.area()` colours, row by row; `None` if the counts do not agree or the
    /// period is empty or longer than 8.
    pub fn new(period: Size, colours: Vec<Colour>) -> Option<Self> {
        let whole = (1..=8).contains(&period.width) && (1..=8).contains(&period.height);
        (whole && colours.len() == period.area()).then_some(Cfa { period, colours })
    }

    /// Width and height of one repeat, photosites.
    pub fn period(&self) -> Size {
        self.period
    }

    /// Colour of the photosite at column `x`, row `y`.
    pub fn colour(&self, x: usize, y: usize) -> Colour {
        self.colours[(y % self.period.height) * self.period.width + x % self.period.width]
    }

    /// The pattern as seen from another origin, `(x, y)` photosites into this one.
    pub fn shifted(&self, x: usize, y: usize) -> Cfa {
        let Size { width, height } = self.period;
        let colours = (0..height).flat_map(|r| (0..width).map(move |c| (c, r))).map(|(c, r)| self.colour(x + c, y + r));
        Cfa { period: self.period, colours: colours.collect() }
    }
}

/// What the planes hold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Layout {
    /// One plane: the raw mosaic, one colour per photosite.
    Mosaic(Cfa),
    /// One plane of luminance.
    Grey,
    /// Three planes: red, green, blue of the picture's own profile, each linearised.
    Rgb,
}

/// How stored codes and linear light relate. `encode(decode(code)) == code` wherever codes differ in light.
#[derive(Debug, Clone, PartialEq)]
pub enum Encoding {
    /// Raw: light = (code - black) / (white - black), black level by place in its repeat pattern
    /// (seen from the frame's own origin, row by row).
    Levels {
        /// Repeat of the black pattern.
        period: Size,
        /// Black level per place of the repeat, codes.
        black: Vec<f32>,
        /// White level, codes.
        white: f32,
    },
    /// Rendered: one tone per plane.
    Tones(Vec<Tone>),
}

impl Encoding {
    /// Whether light is stored in 8 bits: codes so coarse that a shadow can hide in one.
    pub fn few_codes(&self) -> bool {
        matches!(self, Encoding::Tones(tones) if tones.iter().all(|t| t.max_code() < 256))
    }

    /// Linear light of a stored code of plane `plane` at column `x`, row `y` of the frame.
    pub fn decode(&self, plane: usize, x: usize, y: usize, code: u16) -> f32 {
        match self {
            Encoding::Levels { period, black, white } => {
                let b = black[(y % period.height) * period.width + x % period.width];
                (f32::from(code) - b) / (white - b)
            }
            Encoding::Tones(tones) => tones[plane].decode(code),
        }
    }

    /// The stored code nearest to `light` at that place.
    pub fn encode(&self, plane: usize, x: usize, y: usize, light: f32) -> u16 {
        match self {
            Encoding::Levels { period, black, white } => {
                let b = black[(y % period.height) * period.width + x % period.width];
                (light * (white - b) + b).round().clamp(0.0, 65535.0) as u16
            }
            Encoding::Tones(tones) => tones[plane].encode(light),
        }
    }
}

/// Noise of one plane: variance = `shot` * light + `read`, light and variance relative to full scale
/// (the photon transfer model of EMVA 1288; quantisation is part of `read`).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseModel {
    /// Slope of variance over light.
    pub shot: f32,
    /// Variance in the dark.
    pub read: f32,
}

impl NoiseModel {
    /// Standard deviation at a level of light.
    pub fn sigma(self, light: f32) -> f32 {
        (self.shot * light.max(0.0) + self.read).max(0.0).sqrt()
    }
}

/// Pixels that cannot be measured, one byte each, bits of [`Mask`].
#[derive(Debug, Clone, PartialEq)]
pub struct Mask(pub Plane<u8>);

impl Mask {
    /// At least one channel stands at full scale.
    pub const CLIPPED: u8 = 1;
    /// A single photosite far from all its neighbours of the same colour.
    pub const DEFECT: u8 = 2;

    /// Whether the pixel can be measured.
    pub fn sound(&self, x: usize, y: usize) -> bool {
        self.0.at(x, y) == 0
    }
}

/// SHA-256 of a file's bytes, lower-case hexadecimal.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Digest(pub String);

/// A picture in linear light with all that is needed to judge and to mend it.
#[derive(Debug, Clone)]
pub struct Frame {
    /// One plane per channel (mosaic: one), all of the default crop's size.
    pub planes: Planes,
    /// What the planes hold.
    pub layout: Layout,
    /// How stored codes and light relate.
    pub encoding: Encoding,
    /// Weights of the planes in luminance, from the profile's own primaries; sum 1 (mosaic, grey: unused).
    pub luminance: [f32; 3],
    /// Noise per plane, estimated from the picture itself.
    pub noise: Vec<NoiseModel>,
    /// What cannot be measured.
    pub mask: Mask,
    /// The facts of the shot.
    pub shot: Shot,
    /// Digest of the source file.
    pub digest: Digest,
    /// What the reader wants said, in plain words (assumed profile, tone curve of the camera, ...).
    pub notes: Vec<String>,
}

impl Frame {
    /// Size of the default crop.
    pub fn size(&self) -> Size {
        self.planes.size()
    }

    /// Picture to sensor, where the pixel pitch is known.
    pub fn sensor_from_picture(&self) -> Option<SensorFromPicture> {
        self.shot.pitch.map(|p| SensorFromPicture { size: self.size(), pitch: p.value })
    }
}

/// New light for some pixels of a frame. Only pixels whose `mask` is true are written; all others keep
/// their stored codes to the bit.
#[derive(Debug, Clone)]
pub struct Patch {
    /// Where the patch lies in the frame (default crop).
    pub window: Rect,
    /// New light, one plane per plane of the frame, each of the window's size.
    pub planes: Vec<Plane>,
    /// Which pixels of the window change.
    pub mask: Plane<bool>,
}

impl Patch {
    /// Brings the new light into planes that hold the part `shown` of the frame.
    pub fn put(&self, planes: &mut [Plane], shown: Rect) {
        let w = self.window;
        let (left, right) = (w.x.max(shown.x), w.right().min(shown.right()));
        for y in w.y.max(shown.y)..w.bottom().min(shown.bottom()) {
            for x in (left..right).filter(|&x| self.mask.at(x - w.x, y - w.y)) {
                for (to, from) in planes.iter_mut().zip(&self.planes) {
                    to.set(x - shown.x, y - shown.y, from.at(x - w.x, y - w.y));
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_survives_the_way_to_light_and_back() {
        let srgb = |v: f32| if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) };
        let tone = Tone::new((0..256).map(|c| srgb(c as f32 / 255.0)).collect()).expect("rising");
        let levels = Encoding::Levels {
            period: Size { width: 2, height: 2 },
            black: vec![512.0, 513.0, 511.5, 512.0],
            white: 16383.0,
        };
        for code in 0..=255u16 {
            assert_eq!(tone.encode(tone.decode(code)), code);
        }
        for code in (0..16384u16).step_by(7) {
            assert_eq!(levels.encode(0, 3, 1, levels.decode(0, 3, 1, code)), code);
        }
    }

    #[test]
    fn a_shifted_pattern_shows_the_same_colours() {
        use Colour::{Blue, Green, Red};
        let cfa = Cfa::new(Size { width: 2, height: 2 }, vec![Red, Green, Green, Blue]).expect("whole");
        let odd = cfa.shifted(1, 1);
        assert_eq!(odd.colour(0, 0), Blue);
        assert_eq!(odd.colour(4, 3), cfa.colour(5, 4));
    }
}
