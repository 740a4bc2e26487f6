//! The facts of a shot as Exif 2.32 fields.

use super::ifd::{Directory, Endian, Value, fraction, header};
use crate::expose::{Exposure, Facts};

/// Fields of the first directory that every file shares.
pub(super) fn facts(exposure: &Exposure) -> Directory {
    let (camera, shot) = (&exposure.camera, &exposure.shot);
    let mut root = Directory::default();
    if shot.facts == Facts::None {
        return root;
    }
    if shot.facts == Facts::Edited {
        root.set(305, Value::Text("Tidewater Picture Room 3.1".into()));
    }
    if let Some(caption) = &shot.caption {
        root.set(270, Value::Text(caption.description.clone())).set(315, Value::Text(caption.artist.clone()));
    }
    root.set(271, Value::Text(camera.make.clone()))
        .set(272, Value::Text(camera.model.clone()))
        .set(274, Value::Short(vec![shot.orientation]))
        .set(306, Value::Text(shot.taken.clone()))
        .set(34665, Value::Directory(exif(exposure)));
    root
}

/// The Exif directory.
fn exif(exposure: &Exposure) -> Directory {
    let (camera, lens, shot) = (&exposure.camera, &exposure.lens, &exposure.shot);
    // Unit 3 is the centimetre.
    // An edited file still tells the size the camera recorded.
    let grown = |px: usize| if shot.facts == Facts::Edited { px * 5 / 4 } else { px } as u32;
    let per_cm = Value::fraction(10_000.0 / camera.pitch_um);
    let mut exif = Directory::default();
    exif.set(33434, Value::Rational(vec![fraction(shot.exposure_s)]))
        .set(33437, Value::fraction(shot.f_number))
        .set(34855, Value::Short(vec![shot.iso.round() as u16]))
        .set(36864, Value::Undefined(b"0232".to_vec()))
        .set(36867, Value::Text(shot.taken.clone()))
        .set(36868, Value::Text(shot.taken.clone()))
        .set(37121, Value::Undefined(vec![1, 2, 3, 0]))
        .set(37386, Value::fraction(lens.focal_length_mm))
        .set(40960, Value::Undefined(b"0100".to_vec()))
        .set(40961, Value::Short(vec![1]))
        .set(40962, Value::Long(vec![grown(camera.width)]))
        .set(40963, Value::Long(vec![grown(camera.height)]))
        .set(41486, per_cm.clone())
        .set(41487, per_cm)
        .set(41488, Value::Short(vec![3]))
        .set(42036, Value::Text(lens.model.clone()));
    if let Some(serial) = &camera.serial {
        exif.set(42033, Value::Text(serial.clone()));
    }
    exif
}

/// A TIFF stream with nothing but the facts: what follows `Exif\0\0` in a JPEG, and PNG's eXIf chunk.
pub(super) fn stream(exposure: &Exposure) -> Vec<u8> {
    let mut root = facts(exposure);
    root.set(282, Value::Rational(vec![[300, 1]]))
        .set(283, Value::Rational(vec![[300, 1]]))
        .set(296, Value::Short(vec![2]))
        .set(531, Value::Short(vec![1]));
    let mut bytes = header(Endian::Little);
    bytes.extend(root.encode(8, Endian::Little));
    bytes
}
