//! PNG with Exif and colour profile.

use std::borrow::Cow;

use ::png::{BitDepth, ColorType, Compression, Encoder, EncodingError, Info};

use super::{SynthError, exif, icc};
use crate::develop::{Depth, Rendered};
use crate::expose::Exposure;
use crate::tone::Tone;

/// Bytes of a PNG.
pub fn png(exposure: &Exposure, picture: &Rendered, depth: Depth, tone: Tone) -> Result<Vec<u8>, SynthError> {
    let encode_error = |e: EncodingError| SynthError::Encode(format!("PNG: {e}"));
    let mut info = Info::with_size(picture.width as u32, picture.height as u32);
    info.color_type = ColorType::Rgb;
    info.bit_depth = if depth == Depth::Eight { BitDepth::Eight } else { BitDepth::Sixteen };
    info.exif_metadata = Some(Cow::Owned(exif::stream(exposure)));
    info.icc_profile = Some(Cow::Owned(icc::profile(tone)?));
    let samples = match depth {
        Depth::Eight => picture.to_8_bit(),
        Depth::Sixteen => picture.samples.iter().flat_map(|v| v.to_be_bytes()).collect(),
    };
    let mut bytes = Vec::new();
    let mut encoder = Encoder::with_info(&mut bytes, info).map_err(encode_error)?;
    encoder.set_compression(Compression::Fast);
    let mut writer = encoder.write_header().map_err(encode_error)?;
    writer.write_image_data(&samples).map_err(encode_error)?;
    writer.finish().map_err(encode_error)?;
    Ok(bytes)
}
