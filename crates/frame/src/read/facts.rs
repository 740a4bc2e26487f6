//! The facts of the shot from the directories of a file (Exif 2.32, DNG 1.7, XMP).

use std::io::{Cursor, Read, Seek};

use serde::{Deserialize, Serialize};

use crate::ifd::{Directory, Tiff, tag};
use crate::shot::{Body, Lens, Orientation, Pitch, PitchSource, Shot};
use crate::space::{Rect, Size};
use crate::units::{FNumber, Micrometres, Millimetres};

/// Colour encoding as far as Exif tells (ColorSpace, InteroperabilityIndex of DCF 2.0).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum ExifColour {
    Srgb,
    /// DCF optional colour space: primaries and gamma of Adobe RGB (1998).
    AdobeRgb,
    Uncalibrated,
}

/// What a file tells about its shot; everything is optional.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Facts {
    pub make: Option<String>,
    pub model: Option<String>,
    pub serial: Option<String>,
    pub lens: Option<String>,
    pub lens_serial: Option<String>,
    pub f_number: Option<f64>,
    pub focal_length_mm: Option<f64>,
    pub iso: Option<f64>,
    pub exposure_seconds: Option<f64>,
    pub taken: Option<String>,
    pub orientation: Option<u32>,
    /// Exif PixelXDimension and PixelYDimension.
    pub pixels: Option<(u32, u32)>,
    /// Distance of neighbouring pixels by the focal plane resolution, µm, across and down.
    pub focal_plane_um: Option<(f64, f64)>,
    pub colour: Option<ExifColour>,
    pub software: Option<String>,
    /// XMP packet.
    pub xmp: Option<String>,
}

impl Facts {
    /// The facts of an Exif block as JPEG and PNG hold it; an unreadable one tells nothing.
    pub fn from_exif_block(block: &[u8]) -> Facts {
        match Tiff::open(Cursor::new(block.strip_prefix(b"Exif\0\0").unwrap_or(block))) {
            Ok(Some(mut tiff)) => Facts::from_tiff(&mut tiff),
            _ => Facts::default(),
        }
    }

    /// The facts of a TIFF-like file: first directory, and the Exif directory below it.
    pub fn from_tiff<R: Read + Seek>(tiff: &mut Tiff<R>) -> Facts {
        let Ok(root) = tiff.root() else { return Facts::default() };
        let exif = tiff.below(&root, tag::EXIF_IFD);
        let own = exif.as_ref().unwrap_or(&root);
        let positive = |v: Option<f64>| v.filter(|v| v.is_finite() && *v > 0.0);
        let f_number = positive(tiff.first(own, tag::F_NUMBER)).or_else(|| {
            // Exif: ApertureValue = 2 log2 N. Zero is taken as "not known", as nearly always meant.
            positive(tiff.first(own, tag::APERTURE_VALUE)).map(|av| 2f64.powf(av / 2.0))
        });
        let iso = positive(tiff.first(own, tag::ISO)).filter(|v| *v < 65535.0);
        let x = positive(tiff.first(own, tag::PIXEL_X_DIMENSION));
        let y = positive(tiff.first(own, tag::PIXEL_Y_DIMENSION));
        let xmp = tiff.bytes(&root, tag::XMP, 16 << 20);
        Facts {
            make: tiff.text(&root, tag::MAKE),
            model: tiff.text(&root, tag::MODEL),
            serial: tiff
                .text(own, tag::BODY_SERIAL_NUMBER)
                .or_else(|| tiff.text(&root, tag::CAMERA_SERIAL_NUMBER))
                .filter(|s| s.chars().any(|c| c != '0')),
            lens: tiff.text(own, tag::LENS_MODEL).filter(|s| s.chars().any(char::is_alphanumeric)),
            lens_serial: tiff.text(own, tag::LENS_SERIAL_NUMBER).filter(|s| s.chars().any(|c| c != '0')),
            f_number,
            focal_length_mm: positive(tiff.first(own, tag::FOCAL_LENGTH)),
            // 65535 means "look at the longer tag" (Exif 2.3, PhotographicSensitivity).
            iso: iso.or_else(|| positive(tiff.first(own, tag::RECOMMENDED_EXPOSURE_INDEX))),
            exposure_seconds: positive(tiff.first(own, tag::EXPOSURE_TIME)),
            taken: time_taken(tiff, own),
            orientation: tiff.first(&root, tag::ORIENTATION).map(|v| v as u32),
            pixels: x.zip(y).map(|(x, y)| (x as u32, y as u32)),
            focal_plane_um: focal_plane(tiff, own),
            colour: colour(tiff, own),
            software: tiff.text(&root, tag::SOFTWARE),
            xmp: (!xmp.is_empty()).then(|| String::from_utf8_lossy(&xmp).into_owned()),
        }
    }

    /// Fills what is not known from other facts.
    pub fn or(self, other: Facts) -> Facts {
        Facts {
            make: self.make.or(other.make),
            model: self.model.or(other.model),
            serial: self.serial.or(other.serial),
            lens: self.lens.or(other.lens),
            lens_serial: self.lens_serial.or(other.lens_serial),
            f_number: self.f_number.or(other.f_number),
            focal_length_mm: self.focal_length_mm.or(other.focal_length_mm),
            iso: self.iso.or(other.iso),
            exposure_seconds: self.exposure_seconds.or(other.exposure_seconds),
            taken: self.taken.or(other.taken),
            orientation: self.orientation.or(other.orientation),
            pixels: self.pixels.or(other.pixels),
            focal_plane_um: self.focal_plane_um.or(other.focal_plane_um),
            colour: self.colour.or(other.colour),
            software: self.software.or(other.software),
            xmp: self.xmp.or(other.xmp),
        }
    }

    /// The shot of a picture of this stored size and default crop. `sensor`: width and height of the
    /// sensor as the user gave them.
    pub fn shot(self, recorded: Size, crop: Rect, raw: bool, sensor: Option<(Millimetres, Millimetres)>) -> Shot {
        let edited = if raw { None } else { super::edited::sign_of_editing(&self, recorded) };
        let resized = !raw && super::edited::recorded_pixels(&self).any(|p| !super::edited::same_sides(p, recorded));
        let focal_plane = self.focal_plane_um.filter(|_| !resized).and_then(|p| focal_plane_pitch(p, recorded));
        let given = sensor.and_then(|s| given_pitch(s, crop.size()));
        let body = match (self.make, self.model) {
            (None, None) => None,
            (make, model) => {
                Some(Body { make: make.unwrap_or_default(), model: model.unwrap_or_default(), serial: self.serial })
            }
        };
        Shot {
            body,
            lens: self.lens.map(|model| Lens { model, serial: self.lens_serial }),
            f_number: self.f_number.and_then(FNumber::new),
            focal_length: self.focal_length_mm.map(Millimetres),
            iso: self.iso,
            exposure_seconds: self.exposure_seconds,
            taken: self.taken,
            orientation: Orientation::from_exif(self.orientation.unwrap_or(1)),
            recorded,
            crop,
            pitch: focal_plane.or(given),
            software: self.software,
            edited,
        }
    }
}

/// Exif DateTimeOriginal, SubSecTimeOriginal and OffsetTimeOriginal as `YYYY-MM-DDThh:mm:ss[.sss][+hh:mm]`.
fn time_taken<R: Read + Seek>(tiff: &mut Tiff<R>, exif: &Directory) -> Option<String> {
    let text = tiff.text(exif, tag::DATE_TIME_ORIGINAL)?;
    let (sub_sec, offset) = (tiff.text(exif, tag::SUB_SEC_TIME_ORIGINAL), tiff.text(exif, tag::OFFSET_TIME_ORIGINAL));
    time_from_exif(&text, sub_sec.as_deref(), offset.as_deref())
}

/// The sortable form of Exif's `YYYY:MM:DD hh:mm:ss`; `None` where the camera's clock was not set.
pub(super) fn time_from_exif(text: &str, sub_sec: Option<&str>, offset: Option<&str>) -> Option<String> {
    let b = text.as_bytes();
    let shape = b.len() == 19 && b.iter().enumerate().all(|(i, c)| i % 3 != 1 || i < 4 || !c.is_ascii_digit());
    let digits = |r: std::ops::Range<usize>| text.get(r).filter(|t| t.bytes().all(|c| c.is_ascii_digit()));
    let (year, month, day) = (digits(0..4)?, digits(5..7)?, digits(8..10)?);
    let (hour, minute, second) = (digits(11..13)?, digits(14..16)?, digits(17..19)?);
    if !shape || year == "0000" || month == "00" {
        return None;
    }
    let mut taken = format!("{year}-{month}-{day}T{hour}:{minute}:{second}");
    if let Some(fraction) = sub_sec.filter(|s| !s.is_empty() && s.bytes().all(|c| c.is_ascii_digit())) {
        taken.push('.');
        taken.push_str(fraction);
    }
    if let Some(offset) = offset.filter(|o| o.len() == 6 && (o.starts_with('+') || o.starts_with('-'))) {
        taken.push_str(offset);
    }
    Some(taken)
}

/// Exif FocalPlaneXResolution, FocalPlaneYResolution and their unit (2 inch, 3 cm; 4 mm and 5 µm are
/// written by some cameras).
fn focal_plane<R: Read + Seek>(tiff: &mut Tiff<R>, exif: &Directory) -> Option<(f64, f64)> {
    let unit_um = match tiff.first(exif, tag::FOCAL_PLANE_UNIT).map(|v| v as u32) {
        Some(3) => 10_000.0,
        Some(4) => 1_000.0,
        Some(5) => 1.0,
        _ => 25_400.0,
    };
    let x = tiff.first(exif, tag::FOCAL_PLANE_X_RESOLUTION)?;
    let y = tiff.first(exif, tag::FOCAL_PLANE_Y_RESOLUTION).unwrap_or(x);
    let known = |v: f64| v.is_finite() && v > 0.0;
    (known(x) && known(y)).then_some((unit_um / x, unit_um / y))
}

fn colour<R: Read + Seek>(tiff: &mut Tiff<R>, exif: &Directory) -> Option<ExifColour> {
    let index = tiff.below(exif, tag::INTEROP_IFD).and_then(|d| tiff.text(&d, 1));
    match tiff.first(exif, tag::COLOR_SPACE).map(|v| v as u32) {
        Some(1) => Some(ExifColour::Srgb),
        // 2 is outside the standard, but written.
        Some(2) => Some(ExifColour::AdobeRgb),
        Some(_) if index.as_deref() == Some("R03") => Some(ExifColour::AdobeRgb),
        Some(_) => Some(ExifColour::Uncalibrated),
        None => None,
    }
}

/// Pitch from the focal plane resolution, where it can be true: pixels nearly square, and a sensor
/// between 3 and 70 mm wide (the smallest phone and the largest medium format sensors lie inside).
fn focal_plane_pitch((x, y): (f64, f64), recorded: Size) -> Option<Pitch> {
    let long = recorded.width.max(recorded.height) as f64;
    let square = (x / y - 1.0).abs() < 0.05;
    let possible = (3.0..=70.0).contains(&(long * x / 1000.0));
    (square && possible).then_some(Pitch { value: Micrometres(x), source: PitchSource::FocalPlaneResolution })
}

/// Pitch from the sensor size given: its longer side over the picture's longer side.
fn given_pitch((width, height): (Millimetres, Millimetres), crop: Size) -> Option<Pitch> {
    let um = width.0.max(height.0) * 1000.0 / crop.width.max(crop.height) as f64;
    let value = Micrometres(um);
    (um.is_finite() && um > 0.0).then_some(Pitch { value, source: PitchSource::SensorSizeGiven })
}
