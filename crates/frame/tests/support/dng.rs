//! DNGs made byte by byte, and how the raw library reads them.

use std::path::Path;

use motelight_frame::{Rect, Size};
use rawler::RawImageData;

use super::tiff_file::{self, Kind, Value};

/// Rows of whole bytes at any depth: where they are not, readers differ.
pub const SIZE: Size = Size { width: 328, height: 214 };
pub const CROP: Rect = Rect { x: 11, y: 7, width: 300, height: 200 };

/// A file with what makes a TIFF a DNG, after the DNG specification 1.7, and more.
pub fn make(kind: Kind, codes: &[u16], white: u64, more: Vec<(u16, Value)>) -> Vec<u8> {
    let mut tags = vec![
        (254, Value::Long(vec![0])),
        (271, Value::Ascii("Halden")),
        (272, Value::Ascii("Halden 3")),
        (33421, Value::Short(vec![2, 2])),
        (33422, Value::Byte(vec![0, 1, 1, 2])),
        (50706, Value::Byte(vec![1, 4, 0, 0])),
        (50708, Value::Ascii("Halden 3")),
        (50714, Value::Short(vec![512])),
        (50717, Value::Short(vec![white])),
    ];
    tags.extend(more);
    tiff_file::make(kind, SIZE, codes, tags)
}

/// An illuminant and a matrix, without which a converter refuses.
pub fn matrix() -> Vec<(u16, Value)> {
    vec![(50778, Value::Short(vec![21])), (50721, Value::Rationals([1, 0, 0, 0, 1, 0, 0, 0, 1].to_vec()))]
}

/// The file as a converter writes it: raw image in a sub-directory behind a thumbnail and a JPEG preview.
pub fn converted(dir: &Path, file: &[u8]) -> Vec<u8> {
    let plain = dir.join("plain.dng");
    std::fs::write(&plain, file).unwrap();
    let mut converted = std::io::Cursor::new(Vec::new());
    let how = rawler::dng::convert::ConvertParams::default().with_embedded(false).with_software("Halden".into());
    rawler::dng::convert::convert_raw_file(&plain, &mut converted, &how).unwrap();
    converted.into_inner()
}

/// The whole mosaic as the raw library decodes it.
pub fn decode(path: &Path) -> Vec<u16> {
    let source = rawler::rawsource::RawSource::new(path).unwrap();
    let decoder = rawler::get_decoder(&source).unwrap();
    match decoder.raw_image(&source, &Default::default(), false).unwrap().data {
        RawImageData::Integer(data) => data,
        RawImageData::Float(_) => panic!("not whole numbers"),
    }
}
