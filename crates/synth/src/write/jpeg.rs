//! JPEG with Exif.

use jpeg_encoder::{ColorType, Encoder, SamplingFactor};

use zune_core::bytestream::ZCursor;
use zune_jpeg::JpegDecoder;

use super::{SynthError, exif, icc};
use crate::develop::Rendered;
use crate::expose::Exposure;
use crate::tone::Tone;

/// Chroma resolution.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Chroma {
    /// 4:4:4.
    Full,
    /// 4:2:0.
    Halved,
}

/// Bytes of a JPEG of this quality (1 to 100). What is sRGB says so in its Exif alone, as cameras do it.
pub fn jpeg(
    exposure: &Exposure,
    picture: &Rendered,
    quality: u8,
    chroma: Chroma,
    tone: Tone,
) -> Result<Vec<u8>, SynthError> {
    let too_large = |_| SynthError::Encode(format!("{} x {} px is too large for JPEG", picture.width, picture.height));
    let width = u16::try_from(picture.width).map_err(too_large)?;
    let height = u16::try_from(picture.height).map_err(too_large)?;
    let encode_error = |e: jpeg_encoder::EncodingError| SynthError::Encode(e.to_string());
    let mut bytes = Vec::new();
    let mut encoder = Encoder::new(&mut bytes, quality);
    encoder.set_sampling_factor(match chroma {
        Chroma::Full => SamplingFactor::F_1_1,
        Chroma::Halved => SamplingFactor::F_2_2,
    });
    encoder.add_exif_metadata(&exif::stream(exposure)).map_err(encode_error)?;
    if tone == Tone::Power {
        encoder.add_icc_profile(&icc::profile(tone)?).map_err(encode_error)?;
    }
    encoder.encode(&picture.to_8_bit(), width, height, ColorType::Rgb).map_err(encode_error)?;
    Ok(bytes)
}

/// What a reader sees of it.
pub(super) fn decode(bytes: &[u8]) -> Result<Rendered, SynthError> {
    let decode_error = |e: zune_jpeg::errors::DecodeErrors| SynthError::Encode(format!("cannot read back: {e:?}"));
    let mut decoder = JpegDecoder::new(ZCursor::new(bytes));
    let samples = decoder.decode().map_err(decode_error)?.iter().map(|&v| u16::from(v) * 257).collect();
    let (width, height) = decoder.dimensions().unwrap_or_default();
    Ok(Rendered { width, height, samples })
}
