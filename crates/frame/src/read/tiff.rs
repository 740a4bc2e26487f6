//! TIFF 6.0 and BigTIFF: 8 and 16 bit, grey and RGB, strips and tiles, interleaved and by plane.

use std::fs::File;
use std::io::{BufReader, Read, Seek};
use std::path::Path;

use rayon::prelude::*;

use super::facts::Facts;
use super::light::Codes;
use super::rendered::{Canvas, Head};
use super::tone::Colours;
use super::{ReadOptions, broken, check_extent, unreadable};
use crate::coding::{Coding, JPEG};
use crate::error::{Fault, FrameError};
use crate::frame::Frame;
use crate::ifd::{Directory, Tiff, tag};
use crate::shot::Shot;
use crate::space::{Rect, Size};

/// Codes decoded before they become light: small strips are taken together.
const CODES_AT_ONCE: usize = 4 << 20;
/// Codes of one strip or tile at most: a whole picture of a gigapixel in one strip is no photograph.
const PIECE_MAX: u64 = 1 << 29;

/// How the samples lie in the file.
struct Samples {
    size: Size,
    per_pixel: usize,
    /// One plane after the other (PlanarConfiguration 2).
    by_plane: bool,
    tiled: bool,
    /// Size of a tile, or of a whole strip.
    piece: Size,
    /// Where each piece starts, and its bytes.
    places: Vec<(u64, u64)>,
    coding: Coding,
}

pub(super) fn read(path: &Path, file: File, options: &ReadOptions) -> Result<Frame, FrameError> {
    let no_tiff = || broken(path, NO_DIRECTORY);
    let source = BufReader::with_capacity(1 << 18, file);
    let mut tiff = Tiff::open(source).map_err(|e| unreadable(path, &e))?.ok_or_else(no_tiff)?;
    let root = tiff.root().map_err(|_| no_tiff())?;
    let head = head(path, &mut tiff, &root)?;
    check_extent(path, &mut tiff, &root)?;
    let bits = if head.max_code == 255 { 8 } else { 16 };
    let mut canvas = Canvas::new(path, head, 0, options)?;
    let samples = Samples::of(path, &mut tiff, &root, canvas.size, bits)?;
    let planes = if samples.by_plane { canvas.channels() } else { 1 };
    for plane in 0..planes {
        for group in samples.groups() {
            let pieces =
                group.clone().map(|place| samples.piece(&mut tiff, plane, place)).collect::<Result<Vec<_>, _>>();
            let pieces = pieces.map_err(|e| unreadable(path, &e))?;
            let codes: Result<Vec<_>, _> = pieces.par_iter().map(|(coding, bytes)| coding.decode(bytes)).collect();
            let codes = codes.map_err(|e| broken(path, format!("the TIFF file is damaged or cut short ({e})")))?;
            for (window, codes, row_stride) in samples.windows(group, codes) {
                let pixel_stride = if samples.by_plane { 1 } else { samples.per_pixel };
                let codes = Codes { samples: codes.as_slice(), row_stride, pixel_stride };
                match samples.by_plane {
                    true => canvas.fill_plane(plane, window, codes),
                    false => canvas.fill(window, codes),
                }
            }
        }
    }
    Ok(canvas.into_frame(options))
}

pub(super) fn read_shot(path: &Path, file: File, options: &ReadOptions) -> Result<Shot, FrameError> {
    let no_tiff = || broken(path, NO_DIRECTORY);
    let mut tiff = Tiff::open(BufReader::new(file)).map_err(|e| unreadable(path, &e))?.ok_or_else(no_tiff)?;
    let root = tiff.root().map_err(|_| no_tiff())?;
    head(path, &mut tiff, &root)?.shot(path, options)
}

const NO_DIRECTORY: &str = "the TIFF file is damaged or cut short: its directory cannot be read";

impl Samples {
    fn of<R: Read + Seek>(
        path: &Path,
        tiff: &mut Tiff<R>,
        root: &Directory,
        size: Size,
        bits: u32,
    ) -> Result<Samples, FrameError> {
        let mut number = |tag: u16, default: u64| tiff.first(root, tag).map_or(default, |v| v as u64);
        let per_pixel = number(tag::SAMPLES_PER_PIXEL, 1) as usize;
        let by_plane = number(tag::PLANAR_CONFIGURATION, 1) == 2 && per_pixel > 1;
        let tiled = root.has(tag::TILE_OFFSETS);
        let piece = if tiled {
            (number(tag::TILE_WIDTH, 0), number(tag::TILE_LENGTH, 0))
        } else {
            (size.width as u64, number(tag::ROWS_PER_STRIP, u64::MAX).min(size.height as u64))
        };
        let step = if by_plane { 1 } else { per_pixel };
        let most = piece.0.saturating_mul(piece.1).saturating_mul(step as u64);
        if !(1..=PIECE_MAX).contains(&most) {
            let message = format!("the TIFF file claims strips or tiles of {} x {} pixels", piece.0, piece.1);
            return Err(broken(path, message));
        }
        let piece = Size { width: piece.0 as usize, height: piece.1 as usize };
        let coding = Coding {
            compression: number(tag::COMPRESSION, 1),
            predictor: number(tag::PREDICTOR, 1),
            bits,
            big_endian: false,
            row: piece.width * step,
            step,
            rows: piece.height,
        };
        // Only what can be undone here is read: no lossy or rare compressions, no bits in reverse.
        let plain = coding.refusal().is_none() && coding.compression != JPEG && number(tag::FILL_ORDER, 1) == 1;
        if !plain {
            let remedy = "Export the picture again as TIFF without compression, or with LZW or ZIP.";
            let ways = format!("compression {}, predictor {}", coding.compression, coding.predictor);
            let message = format!("the TIFF file is compressed in a way that is not read here ({ways})");
            return Err(FrameError::new(Fault::Unsupported, path, message, remedy));
        }
        let (offsets, counts) = if tiled {
            (tag::TILE_OFFSETS, tag::TILE_BYTE_COUNTS)
        } else {
            (tag::STRIP_OFFSETS, tag::STRIP_BYTE_COUNTS)
        };
        let (offsets, counts) = (tiff.numbers(root, offsets), tiff.numbers(root, counts));
        let places: Vec<(u64, u64)> = offsets.iter().zip(&counts).map(|(o, c)| (*o as u64, *c as u64)).collect();
        let coding = Coding { big_endian: tiff.big_endian(), ..coding };
        let samples = Samples { size, per_pixel, by_plane, tiled, piece, places, coding };
        let wanted = samples.in_plane() * if by_plane { per_pixel } else { 1 };
        if samples.places.len() < wanted {
            return Err(broken(path, "the TIFF file is damaged: it does not say where all of its picture lies"));
        }
        Ok(samples)
    }

    fn across(&self) -> usize {
        self.size.width.div_ceil(self.piece.width)
    }

    /// Pieces of one plane.
    fn in_plane(&self) -> usize {
        self.across() * self.size.height.div_ceil(self.piece.height)
    }

    /// Runs of pieces to be decoded together.
    fn groups(&self) -> impl Iterator<Item = std::ops::Range<usize>> + use<> {
        let at_once = (CODES_AT_ONCE / (self.coding.row * self.coding.rows)).max(1);
        let (at_once, all) = (at_once.max(rayon::current_num_threads()), self.in_plane());
        (0..all).step_by(at_once).map(move |first| first..(first + at_once).min(all))
    }

    /// Pixels of a piece that lie in the picture.
    fn window(&self, place: usize) -> Rect {
        let (x, y) = (place % self.across() * self.piece.width, place / self.across() * self.piece.height);
        let (width, height) = (self.piece.width.min(self.size.width - x), self.piece.height.min(self.size.height - y));
        Rect { x, y, width, height }
    }

    /// The bytes of a piece and how they are coded: the last strip may be shorter, tiles never are.
    fn piece<R: Read + Seek>(
        &self,
        tiff: &mut Tiff<R>,
        plane: usize,
        place: usize,
    ) -> std::io::Result<(Coding, Vec<u8>)> {
        let (at, len) = self.places[plane * self.in_plane() + place];
        let rows = if self.tiled { self.piece.height } else { self.window(place).height };
        Ok((Coding { rows, ..self.coding }, tiff.bytes_at(at, len)?))
    }

    /// Where the codes of a group lie in the picture, and the codes from one row to the next. Strips follow
    /// each other without a gap: they become one.
    fn windows(&self, group: std::ops::Range<usize>, codes: Vec<Vec<u16>>) -> Vec<(Rect, Vec<u16>, usize)> {
        let row = self.coding.row;
        if self.tiled {
            return group.zip(codes).map(|(place, codes)| (self.window(place), codes, row)).collect();
        }
        let first = self.window(group.start);
        let codes = codes.concat();
        vec![(Rect { height: codes.len() / row, ..first }, codes, row)]
    }
}

fn head<R: Read + Seek>(path: &Path, tiff: &mut Tiff<R>, root: &Directory) -> Result<Head, FrameError> {
    let mut number = |tag: u16, default: u32| tiff.first(root, tag).map_or(default, |v| v as u32);
    let (width, height) = (number(tag::IMAGE_WIDTH, 0), number(tag::IMAGE_LENGTH, 0));
    let per_pixel = number(tag::SAMPLES_PER_PIXEL, 1) as usize;
    let (photometric, format) = (number(tag::PHOTOMETRIC, 1), number(tag::SAMPLE_FORMAT, 1));
    let subfile = number(tag::NEW_SUBFILE_TYPE, 0);
    let bits = tiff.numbers(root, tag::BITS_PER_SAMPLE);
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
    let mut notes = Vec::new();
    if subfile & 1 == 1 || root.next != 0 {
        notes.push("The TIFF file holds more than one picture; the first one is read.".to_owned());
    }
    let icc = tiff.bytes(root, tag::ICC_PROFILE, 16 << 20);
    let facts = Facts::from_tiff(tiff);
    let colours = Colours { icc: (!icc.is_empty()).then_some(icc), ..Colours::default() };
    Ok(Head { width: width.into(), height: height.into(), channels, max_code, colours, facts, notes })
}
