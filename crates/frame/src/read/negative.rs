//! A DNG made from a camera's own raw format: the same mosaic, as it is, in a form that can be written back.

use std::fs::File;
use std::path::Path;

use rawler::decoders::{Decoder, RawDecodeParams};
use rawler::dng::writer::DngWriter;
use rawler::dng::{CropMode, DNG_VERSION_V1_4, DngCompression, DngPhotometricConversion};
use rawler::formats::tiff::Rational;
use rawler::rawimage::RawImage;
use rawler::rawsource::RawSource;
use rawler::tags::{DngTag, ExifTag, TiffCommonTag};

use super::refusal::{self, Refusal, Why};

/// Quality of the embedded preview, 0 to 1.
const PREVIEW_QUALITY: f32 = 0.85;
/// Predictor of lossless JPEG: the sample to the left.
const PREDICTOR: u8 = 1;

/// Writes the DNG to `to`, which must not exist: colours and Exif as the raw library knows them, the camera's own names of body
/// and serial number, its preview, and the pixel pitch, which the library does not know.
pub(super) fn write(path: &Path, to: &Path, pitch_um: Option<(f64, f64)>) -> Result<(), Refusal> {
    let failed = |e: std::io::Error| Refusal { why: Why::Unwritable, message: e.to_string() };
    let source = refusal::open(path)?;
    let decoder = rawler::get_decoder(&source)?;
    let image = decoder.raw_image(&source, &RawDecodeParams::default(), false)?;
    let mut file = File::create_new(to).map_err(failed)?;
    fill(&source, decoder.as_ref(), &image, pitch_um, &mut file)?;
    file.sync_all().map_err(failed)
}

fn fill(
    source: &RawSource,
    decoder: &dyn Decoder,
    image: &RawImage,
    pitch_um: Option<(f64, f64)>,
    file: &mut File,
) -> rawler::Result<()> {
    let params = RawDecodeParams::default();
    let metadata = decoder.raw_metadata(source, &params)?;
    // A camera that left none, or one that cannot be read: the mosaic then comes first in the file.
    let preview = decoder.preview_image(source, &params).ok().flatten();
    let mut dng = DngWriter::new(file, DNG_VERSION_V1_4)?;
    let mut mosaic = if preview.is_some() { dng.subframe(0) } else { dng.subframe_on_root(0) };
    let as_it_is = DngPhotometricConversion::Original;
    mosaic.raw_image(image, CropMode::Best, DngCompression::Lossless, as_it_is, PREDICTOR)?;
    mosaic.finalize()?;
    if let Some(preview) = &preview {
        let mut large = dng.subframe(1);
        large.preview(preview, PREVIEW_QUALITY)?;
        large.finalize()?;
        dng.thumbnail(preview)?;
    }
    dng.load_base_tags(image)?;
    dng.load_metadata(&metadata)?;
    let root = dng.root_ifd_mut();
    root.add_tag(TiffCommonTag::Make, image.make.as_str());
    root.add_tag(TiffCommonTag::Model, image.model.as_str());
    root.add_tag(TiffCommonTag::Software, "Motelight");
    if let Some(serial) = &metadata.exif.serial_number {
        root.add_tag(DngTag::CameraSerialNumber, serial.as_str());
    }
    if !root.contains(ExifTag::Orientation) {
        root.add_tag(ExifTag::Orientation, image.orientation.to_u16());
    }
    // Exif tells a pitch as pixels per centimetre (unit 3).
    if let Some((x, y)) = pitch_um {
        let per_cm = |um: f64| Rational { n: (1e8 / um).round() as u32, d: 10_000 };
        let exif = dng.exif_ifd_mut();
        exif.add_tag(ExifTag::FocalPlaneXResolution2, per_cm(x));
        exif.add_tag(ExifTag::FocalPlaneYResolution2, per_cm(y));
        exif.add_tag(ExifTag::FocalPlaneResolutionUnit2, 3u16);
    }
    if let Some(xmp) = decoder.xpacket(source, &params)? {
        dng.xpacket(&xmp)?;
    }
    Ok(dng.close()?)
}
