//! PNG, 8 and 16 bit, grey and colour, with or without an alpha channel (which is not looked at).

use std::fs::File;
use std::io::{BufReader, Read, Seek};
use std::path::Path;

use png::{BitDepth, ColorType, Decoder, DecodingError, Limits, Reader, Transformations};

use super::facts::Facts;
use super::light::Codes;
use super::rendered::{Canvas, Head};
use super::tone::Colours;
use super::{ReadOptions, broken};
use crate::error::{Fault, FrameError};
use crate::frame::Frame;
use crate::shot::Shot;
use crate::space::Rect;

/// Keyword of the text chunk that holds XMP (ISO 16684-1).
const XMP_KEYWORD: &str = "XML:com.adobe.xmp";
/// Rows decoded before they become light.
const BAND: usize = 64;

pub(super) fn read(path: &Path, file: File, options: &ReadOptions) -> Result<Frame, FrameError> {
    let (mut reader, head) = open(path, BufReader::with_capacity(1 << 18, file), options)?;
    let samples = reader.info().color_type.samples();
    let wide = head.max_code > 255;
    let interlaced = reader.info().interlaced;
    let code_bytes = if interlaced { samples as u64 * if wide { 4 } else { 1 } } else { 0 };
    let mut canvas = Canvas::new(path, head, code_bytes, options)?;
    let size = canvas.size;
    let mut put = |window: Rect, bytes: &[u8]| {
        let row_stride = size.width * samples;
        if wide {
            let codes: Vec<u16> = bytes.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect();
            canvas.fill(window, Codes { samples: &codes, row_stride, pixel_stride: samples });
        } else {
            canvas.fill(window, Codes { samples: bytes, row_stride, pixel_stride: samples });
        }
    };
    if interlaced {
        let Some(len) = reader.output_buffer_size() else { return Err(broken(path, "the PNG file is too large")) };
        let mut bytes = vec![0; len];
        reader.next_frame(&mut bytes).map_err(|e| damaged(path, &e))?;
        put(Rect::whole(size), &bytes);
    } else {
        let mut band = Vec::new();
        for y in 0..size.height {
            match reader.next_row().map_err(|e| damaged(path, &e))? {
                Some(row) => band.extend_from_slice(row.data()),
                None => return Err(broken(path, "the PNG file ends before its picture does")),
            }
            if (y + 1) % BAND == 0 || y + 1 == size.height {
                let height = y % BAND + 1;
                put(Rect { x: 0, y: y + 1 - height, width: size.width, height }, &band);
                band.clear();
            }
        }
    }
    reader.finish().map_err(|e| damaged(path, &e))?;
    Ok(canvas.into_frame(options))
}

pub(super) fn read_shot(path: &Path, file: File, options: &ReadOptions) -> Result<Shot, FrameError> {
    open(path, BufReader::new(file), options)?.1.shot(path, options)
}

fn open<R: Read + Seek + std::io::BufRead>(
    path: &Path,
    source: R,
    options: &ReadOptions,
) -> Result<(Reader<R>, Head), FrameError> {
    let limit = usize::try_from(options.limits.memory_bytes).unwrap_or(usize::MAX);
    let mut decoder = Decoder::new_with_limits(source, Limits { bytes: limit });
    decoder.set_transformations(Transformations::IDENTITY);
    let reader = decoder.read_info().map_err(|e| damaged(path, &e))?;
    let info = reader.info();
    let channels = match info.color_type {
        ColorType::Grayscale | ColorType::GrayscaleAlpha => 1,
        ColorType::Rgb | ColorType::Rgba => 3,
        ColorType::Indexed => return Err(unsupported(path, "the PNG file holds a palette, not a photograph's tones")),
    };
    let max_code = match info.bit_depth {
        BitDepth::Eight => 255,
        BitDepth::Sixteen => 65535,
        _ => return Err(unsupported(path, "the PNG file has fewer than 8 bits a channel")),
    };
    let mut facts = info.exif_metadata.as_deref().map(Facts::from_exif_block).unwrap_or_default();
    facts.xmp = info.utf8_text.iter().find(|t| t.keyword == XMP_KEYWORD).and_then(|t| t.get_text().ok());
    let srgb = info.srgb.is_some();
    let head = Head {
        width: info.width.into(),
        height: info.height.into(),
        channels,
        max_code,
        colours: Colours {
            icc: info.icc_profile.as_deref().map(<[u8]>::to_vec),
            gamma: info.gama_chunk.filter(|_| !srgb).map(|g| f64::from(g.into_value())).filter(|g| *g > 0.0),
            srgb,
            exif: None,
        },
        facts,
        notes: Vec::new(),
    };
    Ok((reader, head))
}

fn unsupported(path: &Path, message: &str) -> FrameError {
    FrameError::new(Fault::Unsupported, path, message, "Export the picture again with 8 or 16 bits a channel.")
}

fn damaged(path: &Path, error: &DecodingError) -> FrameError {
    match error {
        DecodingError::LimitsExceeded => FrameError::new(
            Fault::TooLarge,
            path,
            "the PNG file asks for more memory than this program takes for one picture",
            "Give a smaller part of the picture.",
        ),
        _ => broken(path, format!("the PNG file is damaged or cut short ({error})")),
    }
}
