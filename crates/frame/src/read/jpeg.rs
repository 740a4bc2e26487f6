//! JPEG (ITU-T T.81), baseline and progressive, grey and colour.

use std::fs::File;
use std::io::{Cursor, Read};
use std::path::Path;

use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;
use zune_jpeg::errors::DecodeErrors;

use super::facts::Facts;
use super::rendered::{Canvas, Head};
use super::tone::Colours;
use super::{ReadOptions, broken, check_size, unreadable};
use crate::error::{Fault, FrameError};
use crate::frame::Frame;
use crate::shot::Shot;
use crate::space::Size;

type Decoder<'a> = JpegDecoder<Cursor<&'a [u8]>>;

pub(super) fn read(path: &Path, file: File, options: &ReadOptions) -> Result<Frame, FrameError> {
    let bytes = bytes(path, file, options)?;
    let (mut decoder, head) = open(path, &bytes)?;
    if !ends(&bytes) {
        return Err(broken(path, "the JPEG file is cut short: the mark of its end is missing"));
    }
    // Codes, and coefficients of 2 bytes for each sample of a progressive file.
    let code_bytes = 3 * head.channels as u64;
    let channels = head.channels;
    let mut canvas = Canvas::new(path, head, code_bytes, options)?;
    let samples = decode(path, &mut decoder)?;
    if samples.len() != canvas.size.area() * channels {
        return Err(broken(path, "the JPEG decoder gave another size than the file states"));
    }
    canvas.take(samples);
    Ok(canvas.into_frame(options))
}

/// Luma of a JPEG and what is known of it.
pub(super) struct Luma {
    pub samples: Vec<u8>,
    pub size: Size,
    pub shot: Shot,
    pub colours: Colours,
    pub channels: usize,
}

/// Reads luma alone: chroma is neither transformed nor brought to full size.
pub(super) fn read_luma(path: &Path, file: File, options: &ReadOptions) -> Result<Luma, FrameError> {
    let bytes = bytes(path, file, options)?;
    let (mut decoder, mut head) = open(path, &bytes)?;
    if !ends(&bytes) {
        return Err(broken(path, "the JPEG file is cut short: the mark of its end is missing"));
    }
    let size = check_size(path, (head.width, head.height), 8, &options.limits)?;
    decoder.set_options(strict().jpeg_set_out_colorspace(ColorSpace::Luma));
    let samples = decode(path, &mut decoder)?;
    if samples.len() != size.area() {
        return Err(broken(path, "the JPEG decoder gave another size than the file states"));
    }
    head.colours.exif = head.colours.exif.or(head.facts.colour);
    let (colours, channels) = (std::mem::take(&mut head.colours), head.channels);
    Ok(Luma { samples, size, shot: head.shot(path, options)?, colours, channels })
}

fn strict() -> DecoderOptions {
    DecoderOptions::default().set_strict_mode(true).set_max_width(65535).set_max_height(65535)
}

pub(super) fn read_shot(path: &Path, file: File, options: &ReadOptions) -> Result<Shot, FrameError> {
    let bytes = bytes(path, file, options)?;
    open(path, &bytes)?.1.shot(path, options)
}

fn bytes(path: &Path, mut file: File, options: &ReadOptions) -> Result<Vec<u8>, FrameError> {
    let mut bytes = Vec::new();
    file.by_ref().take(options.limits.memory_bytes).read_to_end(&mut bytes).map_err(|e| unreadable(path, &e))?;
    Ok(bytes)
}

/// Reads the head. Strict: a file that ends early or breaks the standard is an error, not a grey area.
fn open<'a>(path: &Path, bytes: &'a [u8]) -> Result<(Decoder<'a>, Head), FrameError> {
    let options = strict();
    let mut decoder = JpegDecoder::new_with_options(Cursor::new(bytes), options);
    decoder.decode_headers().map_err(|e| damaged(path, &e))?;
    let Some(info) = decoder.info() else { return Err(broken(path, "the JPEG file has no head")) };
    // By the number of components: an Adobe marker that speaks of four where there are three is a known slip.
    let (colour, channels) = match info.components {
        1 => (ColorSpace::Luma, 1),
        3 => (ColorSpace::RGB, 3),
        _ => return Err(unsupported(path, "the JPEG file is in CMYK, for printing")),
    };
    decoder.set_options(options.jpeg_set_out_colorspace(colour));
    let mut facts = decoder.exif().map(|block| Facts::from_exif_block(block)).unwrap_or_default();
    facts.xmp = facts.xmp.or_else(|| decoder.xmp().map(|x| String::from_utf8_lossy(x).into_owned()));
    let head = Head {
        width: info.width.into(),
        height: info.height.into(),
        channels,
        max_code: 255,
        colours: Colours { icc: decoder.icc_profile(), ..Colours::default() },
        facts,
        notes: Vec::new(),
    };
    Ok((decoder, head))
}

/// Whether the picture ends with an end-of-image marker, as it must (T.81, B.2.1). The decoder fills in the last
/// rows of a file that is cut short within them. Other pictures may follow the end.
fn ends(bytes: &[u8]) -> bool {
    let mut at = 2;
    loop {
        // In entropy-coded data, FF stands before a stuffed 00 or a restart marker as well.
        let Some(found) = bytes.get(at..).and_then(|rest| rest.iter().position(|b| *b == 0xff)) else { return false };
        at += found + 1;
        match bytes.get(at) {
            None => return false,
            Some(0xd9) => return true,
            Some(0x00 | 0x01 | 0xd0..=0xd8) => at += 1,
            // Fill bytes.
            Some(0xff) => {}
            // A segment: its length stands behind the marker.
            Some(_) => match bytes.get(at + 1..at + 3) {
                Some(length) => at += 1 + usize::from(u16::from_be_bytes([length[0], length[1]])),
                None => return false,
            },
        }
    }
}

fn decode(path: &Path, decoder: &mut Decoder) -> Result<Vec<u8>, FrameError> {
    decoder.decode().map_err(|e| damaged(path, &e))
}

fn damaged(path: &Path, error: &DecodeErrors) -> FrameError {
    match error {
        DecodeErrors::Unsupported(_) => {
            unsupported(path, format!("the JPEG file is of a kind that is not read here ({error:?})"))
        }
        _ => broken(path, format!("the JPEG file is damaged or cut short ({error:?})")),
    }
}

fn unsupported(path: &Path, message: impl Into<String>) -> FrameError {
    FrameError::new(Fault::Unsupported, path, message, "Export the picture again as an ordinary JPEG in RGB.")
}
