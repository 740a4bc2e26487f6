//! The facts of the shot: which body, which lens, how it was exposed, how the sensor was recorded.

use serde::{Deserialize, Serialize};

use crate::space::{Rect, Size};
use crate::units::{FNumber, Micrometres, Millimetres};

/// One camera body, told apart by make, model and serial number (Exif).
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Body {
    /// Exif Make, trimmed.
    pub make: String,
    /// Exif Model, trimmed.
    pub model: String,
    /// Exif BodySerialNumber or DNG CameraSerialNumber; many files carry none.
    pub serial: Option<String>,
}

/// The lens, as far as the file tells.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Lens {
    /// Exif LensModel.
    pub model: String,
    /// Exif LensSerialNumber.
    pub serial: Option<String>,
}

/// Exif Orientation (tag 274): how the stored rows and columns are to be shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Orientation(u8);

impl Orientation {
    /// Shown as stored.
    pub const UPRIGHT: Orientation = Orientation(1);

    /// From the tag's value; anything but 1 to 8 counts as 1, as the standard's default.
    pub fn from_exif(value: u32) -> Self {
        Orientation(if (1..=8).contains(&value) { value as u8 } else { 1 })
    }

    /// The tag's value.
    pub fn exif(self) -> u8 {
        self.0
    }

    /// Whether width and height change places when shown.
    pub fn swaps_sides(self) -> bool {
        self.0 >= 5
    }
}

/// Where the pixel pitch was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PitchSource {
    /// Exif or DNG FocalPlaneXResolution and its unit.
    FocalPlaneResolution,
    /// Sensor width and height given by the user, over the recorded size.
    SensorSizeGiven,
}

/// Pixel pitch of the picture as recorded, and where the value was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Pitch {
    /// Distance of neighbouring pixels of the picture on the sensor.
    pub value: Micrometres,
    /// Where the value comes from.
    pub source: PitchSource,
}

/// All that the file tells about the exposure. What it does not tell is `None`, never a default.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shot {
    /// The body.
    pub body: Option<Body>,
    /// The lens.
    pub lens: Option<Lens>,
    /// The f-number as marked.
    pub f_number: Option<FNumber>,
    /// Focal length.
    pub focal_length: Option<Millimetres>,
    /// ISO speed.
    pub iso: Option<f64>,
    /// Exposure time, s.
    pub exposure_seconds: Option<f64>,
    /// Exif DateTimeOriginal as `YYYY-MM-DDThh:mm:ss[.sss][+hh:mm]`: sorts by time.
    pub taken: Option<String>,
    /// How the picture is to be shown.
    pub orientation: Orientation,
    /// Size of the stored picture (raw: the whole mosaic with its margins).
    pub recorded: Size,
    /// The default crop in the stored picture; the frame's planes hold just this part.
    pub crop: Rect,
    /// Pixel pitch, if known.
    pub pitch: Option<Pitch>,
    /// Exif Software, trimmed.
    pub software: Option<String>,
    /// Why the picture looks edited, cropped or resized after recording; `None` where nothing says so.
    pub edited: Option<String>,
}

impl Shot {
    /// A shot of which nothing is known but the size of its picture.
    pub fn unknown(recorded: Size) -> Self {
        Shot {
            body: None,
            lens: None,
            f_number: None,
            focal_length: None,
            iso: None,
            exposure_seconds: None,
            taken: None,
            orientation: Orientation::UPRIGHT,
            recorded,
            crop: Rect { x: 0, y: 0, width: recorded.width, height: recorded.height },
            pitch: None,
            software: None,
            edited: None,
        }
    }
}
