//! TIFF 6.0 and BigTIFF: 8 and 16 bit, grey and RGB, strips and tiles, interleaved and by plane.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;

use tiff::TiffError;
use tiff::decoder::{ChunkType, Decoder, DecodingResult, Limits};

use super::facts::Facts;
use super::light::Codes;
use super::rendered::{Canvas, Head};
use super::tone::Colours;
use super::{ReadOptions, broken, check_extent, unreadable};
use crate::error::{Fault, FrameError};
use crate::frame::Frame;
use crate::ifd::{Tiff, tag};
use crate::shot::Shot;
use crate::space::Rect;

/// How the samples lie in the file.
#[derive(Debug, Clone, Copy)]
struct Samples {
    per_pixel: usize,
    /// One plane after the other (PlanarConfiguration 2).
    by_plane: bool,
}

pub(super) fn read(path: &Path, file: File, options: &ReadOptions) -> Result<Frame, FrameError> {
    let mut source = BufReader::with_capacity(1 << 18, file);
    let (head, samples) = head(path, &mut source, true)?;
    let max_code = head.max_code;
    let mut canvas = Canvas::new(path, head, 0, options)?;
    source.seek(SeekFrom::Start(0)).map_err(|e| unreadable(path, &e))?;
    let mut limits = Limits::default();
    // One strip may hold the whole picture.
    limits.decoding_buffer_size = usize::try_from(options.limits.memory_bytes).unwrap_or(usize::MAX);
    limits.intermediate_buffer_size = limits.decoding_buffer_size;
    // Strip tables of large pictures, profiles and maker notes.
    limits.ifd_value_size = 64 << 20;
    let mut decoder = Decoder::new(source).map_err(|e| damaged(path, &e))?.with_limits(limits);
    let size = canvas.size;
    let (chunk_width, chunk_height) = decoder.chunk_dimensions();
    let (chunk_width, chunk_height) = match decoder.get_chunk_type() {
        ChunkType::Strip => (size.width, (chunk_height as usize).clamp(1, size.height)),
        ChunkType::Tile => (chunk_width as usize, chunk_height as usize),
    };
    if chunk_width == 0 || chunk_height == 0 {
        return Err(broken(path, "the TIFF file has tiles without pixels"));
    }
    let (across, down) = (size.width.div_ceil(chunk_width), size.height.div_ceil(chunk_height));
    let planes = if samples.by_plane { canvas.channels() } else { 1 };
    for plane in 0..planes {
        for place in 0..across * down {
            let (x, y) = (place % across * chunk_width, place / across * chunk_height);
            let window =
                Rect { x, y, width: chunk_width.min(size.width - x), height: chunk_height.min(size.height - y) };
            let chunk = u32::try_from(plane * across * down + place)
                .map_err(|_| broken(path, "the TIFF file claims too many strips"))?;
            let codes = decoder.read_chunk(chunk).map_err(|e| damaged(path, &e))?;
            let pixel_stride = if samples.by_plane { 1 } else { samples.per_pixel };
            let whole = match &codes {
                DecodingResult::U8(codes) => codes.len() == window.width * window.height * pixel_stride,
                DecodingResult::U16(codes) => codes.len() == window.width * window.height * pixel_stride,
                _ => false,
            };
            if !whole || (max_code == 255) != matches!(codes, DecodingResult::U8(_)) {
                return Err(broken(path, "a strip or tile of the TIFF file has another size than the file states"));
            }
            let row_stride = window.width * pixel_stride;
            match (&codes, samples.by_plane) {
                (DecodingResult::U8(samples), false) => {
                    canvas.fill(window, Codes { samples, row_stride, pixel_stride })
                }
                (DecodingResult::U16(samples), false) => {
                    canvas.fill(window, Codes { samples, row_stride, pixel_stride });
                }
                (DecodingResult::U8(samples), true) => {
                    canvas.fill_plane(plane, window, Codes { samples, row_stride, pixel_stride });
                }
                (DecodingResult::U16(samples), true) => {
                    canvas.fill_plane(plane, window, Codes { samples, row_stride, pixel_stride });
                }
                _ => return Err(broken(path, "the TIFF file holds samples of an unexpected type")),
            }
        }
    }
    Ok(canvas.into_frame(options))
}

pub(super) fn read_shot(path: &Path, file: File, options: &ReadOptions) -> Result<Shot, FrameError> {
    head(path, &mut BufReader::new(file), false)?.0.shot(path, options)
}

fn head<R: Read + Seek>(path: &Path, source: R, pixels: bool) -> Result<(Head, Samples), FrameError> {
    let no_tiff = || broken(path, "the TIFF file is damaged or cut short: its directory cannot be read");
    let mut tiff = Tiff::open(source).map_err(|e| unreadable(path, &e))?.ok_or_else(no_tiff)?;
    let root = tiff.root().map_err(|_| no_tiff())?;
    let mut number = |tag: u16, default: u32| tiff.first(&root, tag).map_or(default, |v| v as u32);
    let (width, height) = (number(tag::IMAGE_WIDTH, 0), number(tag::IMAGE_LENGTH, 0));
    let per_pixel = number(tag::SAMPLES_PER_PIXEL, 1) as usize;
    let by_plane = number(tag::PLANAR_CONFIGURATION, 1) == 2 && per_pixel > 1;
    let (photometric, format) = (number(tag::PHOTOMETRIC, 1), number(tag::SAMPLE_FORMAT, 1));
    let subfile = number(tag::NEW_SUBFILE_TYPE, 0);
    let bits = tiff.numbers(&root, tag::BITS_PER_SAMPLE);
    let refuse = |what: &str| {
        let remedy = "Export the picture again as TIFF with RGB and 8 or 16 bits a channel.";
        Err(FrameError::new(Fault::Unsupported, path, format!("the TIFF file holds {what}"), remedy))
    };
    let channels = match photometric {
        1 => 1,
        2 if per_pixel >= 3 => 3,
        0 => return refuse("inverted grey tones (white is zero)"),
        3 => return refuse("a palette, not a photograph's tones"),
        5 => return refuse("CMYK, for printing"),
        6 => return refuse("a JPEG in YCbCr inside"),
        8..=10 => return refuse("Lab colours"),
        _ => return refuse("a kind of colours that is not read here"),
    };
    if format != 1 {
        return refuse("floating point or signed numbers");
    }
    let max_code = match bits.first() {
        Some(8.0) => 255,
        Some(16.0) => 65535,
        _ => return refuse("neither 8 nor 16 bits a channel"),
    };
    if bits.iter().any(|b| *b != bits[0]) {
        return refuse("channels of different depth");
    }
    if by_plane && root.has(tag::TILE_OFFSETS) {
        // The TIFF library gets the size of edge tiles wrong past the first plane.
        return refuse("tiles plane by plane");
    }
    if pixels {
        check_extent(path, &mut tiff, &root)?;
    }
    let mut notes = Vec::new();
    if subfile & 1 == 1 || root.next != 0 {
        notes.push("The TIFF file holds more than one picture; the first one is read.".to_owned());
    }
    let icc = tiff.bytes(&root, tag::ICC_PROFILE, 16 << 20);
    let facts = Facts::from_tiff(&mut tiff);
    let colours = Colours { icc: (!icc.is_empty()).then_some(icc), ..Colours::default() };
    let head = Head { width: width.into(), height: height.into(), channels, max_code, colours, facts, notes };
    Ok((head, Samples { per_pixel, by_plane }))
}

fn damaged(path: &Path, error: &TiffError) -> FrameError {
    match error {
        TiffError::UnsupportedError(what) => {
            let remedy = "Export the picture again as TIFF without compression, or with LZW or ZIP.";
            let message = format!("the TIFF file is written in a way that is not read here ({what})");
            FrameError::new(Fault::Unsupported, path, message, remedy)
        }
        TiffError::LimitsExceeded => FrameError::new(
            Fault::TooLarge,
            path,
            "the TIFF file asks for more memory than this program takes for one picture",
            "Give a smaller part of the picture.",
        ),
        _ => broken(path, format!("the TIFF file is damaged or cut short ({error})")),
    }
}
