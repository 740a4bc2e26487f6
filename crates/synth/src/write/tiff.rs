//! TIFF 6.0, uncompressed, with Exif.

use super::ifd::{Endian, Value, file};
use super::{SynthError, exif, icc};
use crate::develop::{Depth, Rendered};
use crate::expose::Exposure;
use crate::tone::Tone;

/// Bytes of a TIFF in strips of 64 rows, with the profile of its tone.
pub fn tiff(
    exposure: &Exposure,
    picture: &Rendered,
    depth: Depth,
    endian: Endian,
    tone: Tone,
) -> Result<Vec<u8>, SynthError> {
    const ROWS: usize = 64;
    let strips: Vec<Vec<u8>> = picture
        .samples
        .chunks(picture.width * 3 * ROWS)
        .map(|strip| match depth {
            Depth::Eight => strip.iter().map(|&v| ((u32::from(v) + 128) / 257) as u8).collect(),
            Depth::Sixteen => strip.iter().flat_map(|&v| endian.u16(v)).collect(),
        })
        .collect();
    let bits = if depth == Depth::Eight { 8 } else { 16 };
    let profile = icc::profile(tone)?;
    Ok(file(endian, &strips, |places| {
        let mut root = exif::facts(exposure);
        root.set(254, Value::Long(vec![0]))
            .set(256, Value::Long(vec![picture.width as u32]))
            .set(257, Value::Long(vec![picture.height as u32]))
            .set(258, Value::Short(vec![bits; 3]))
            .set(259, Value::Short(vec![1]))
            .set(262, Value::Short(vec![2]))
            .set(273, Value::Long(places.to_vec()))
            .set(277, Value::Short(vec![3]))
            .set(278, Value::Long(vec![ROWS as u32]))
            .set(279, Value::Long(strips.iter().map(|s| s.len() as u32).collect()))
            .set(282, Value::Rational(vec![[300, 1]]))
            .set(283, Value::Rational(vec![[300, 1]]))
            .set(284, Value::Short(vec![1]))
            .set(296, Value::Short(vec![2]))
            .set(34675, Value::Undefined(profile.clone()));
        root
    }))
}
