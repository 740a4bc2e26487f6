//! The facts of the shot: which body, which lens, how it was exposed, how the sensor was recorded.

use serde::{Deserialize, Serialize};

use crate::plane::Plane;
use crate::space::{PicturePoint, Rect, Size};
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

impl Body {
    /// What body it is.
    pub fn kind(&self) -> String {
        body_kind(&self.make, &self.model)
    }
}

/// Make and model as one says them: many makers repeat the first word of their name in the model's.
pub fn body_kind(make: &str, model: &str) -> String {
    let (make, model) = (make.trim(), model.trim());
    let first = |name: &str| name.split_whitespace().next().map(str::to_lowercase);
    match (first(make), first(model)) {
        (Some(maker), Some(word)) if maker != word => format!("{make} {model}"),
        (Some(_), None) => make.to_owned(),
        _ => model.to_owned(),
    }
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

    /// Size of a stored picture as it is shown.
    pub fn shown_size(self, stored: Size) -> Size {
        if self.swaps_sides() { Size { width: stored.height, height: stored.width } } else { stored }
    }

    /// Where a place of a stored picture of `width` and `height` comes when it is shown (Exif 2.32, tag 274).
    pub fn shown(self, at: PicturePoint, (width, height): (f64, f64)) -> PicturePoint {
        let PicturePoint { x, y } = at;
        let (x, y) = match self.0 {
            2 => (width - x, y),
            3 => (width - x, height - y),
            4 => (x, height - y),
            5 => (y, x),
            6 => (height - y, x),
            7 => (height - y, width - x),
            8 => (y, width - x),
            _ => (x, y),
        };
        PicturePoint { x, y }
    }

    /// A stored picture as it is shown.
    pub fn upright<T: Copy>(self, stored: Plane<T>) -> Plane<T> {
        if self == Orientation::UPRIGHT || stored.data().is_empty() {
            return stored;
        }
        let sides = (stored.width() as f64, stored.height() as f64);
        let mut shown = Plane::filled(self.shown_size(stored.size()), stored.at(0, 0));
        for y in 0..stored.height() {
            for (x, &v) in stored.row(y).iter().enumerate() {
                let at = self.shown(PicturePoint { x: x as f64 + 0.5, y: y as f64 + 0.5 }, sides);
                shown.set(at.x as usize, at.y as usize, v);
            }
        }
        shown
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
            crop: Rect::whole(recorded),
            pitch: None,
            software: None,
            edited: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Common practice, no source: some makers write their name into the model's, some a longer one into the make's.
    #[test]
    fn a_maker_is_named_once() {
        for (make, model, said) in [
            ("Halden", "Halden H2", "Halden H2"),
            ("HALDEN CORPORATION", "Halden H2 ", "Halden H2"),
            ("Halden", "H2", "Halden H2"),
            ("Halden", "", "Halden"),
            ("", "H2", "H2"),
        ] {
            assert_eq!(body_kind(make, model), said);
        }
    }

    /// Exif 2.32, tag 274: the stored first row is, as shown, at 1 the top, 3 the bottom, 6 the right, 8 the left side; the
    /// first column at 1 the left, 3 the right, 6 the top, 8 the bottom.
    #[test]
    fn the_first_stored_corner_comes_where_the_standard_says() {
        for (orientation, corner) in [
            (1, (0.0, 0.0)),
            (2, (30.0, 0.0)),
            (3, (30.0, 20.0)),
            (4, (0.0, 20.0)),
            (5, (0.0, 0.0)),
            (6, (20.0, 0.0)),
            (7, (20.0, 30.0)),
            (8, (0.0, 30.0)),
        ] {
            let shown = Orientation(orientation).shown(PicturePoint { x: 0.0, y: 0.0 }, (30.0, 20.0));
            assert_eq!((shown.x, shown.y), corner, "{orientation}");
        }
    }

    #[test]
    fn a_picture_is_set_upright_pixel_by_pixel() {
        let stored = Plane::from_vec(Size { width: 3, height: 2 }, vec![1, 2, 3, 4, 5, 6]);
        assert_eq!(Orientation(6).upright(stored.clone()).data(), [4, 1, 5, 2, 6, 3]);
        assert_eq!(Orientation(8).upright(stored.clone()).data(), [3, 6, 2, 5, 1, 4]);
        assert_eq!(Orientation(3).upright(stored).data(), [6, 5, 4, 3, 2, 1]);
    }
}
