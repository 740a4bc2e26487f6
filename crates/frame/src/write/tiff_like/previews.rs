//! The previews inside a mended raw: small rendered pictures of the same view, darkened by the same shadows.
//!
//! A preview has a tone of its own that nothing tells, so its light is taken as sRGB and changed by the share by which
//! the raw's light changed there: near enough that no shadow is left to be seen in a thumbnail or on a camera's screen.

use std::io::Cursor;

use zune_core::colorspace::ColorSpace;
use zune_core::options::DecoderOptions;
use zune_jpeg::JpegDecoder;

use super::raster::{Piece, Raster};
use super::{Layouts, RGB, claims, coding};
use crate::coding::{JPEG, UNCOMPRESSED};
use crate::error::FrameError;
use crate::frame::{Encoding, Frame};
use crate::ifd::{Directory, tag};
use crate::plane::Plane;
use crate::space::{Rect, Size};
use crate::write::delta::Delta;
use crate::write::edits::Edits;
use crate::write::jpeg;

/// PhotometricInterpretation of JPEG previews.
const YCBCR: u64 = 6;

/// Mends all previews it can; gives back how many were left as they were.
pub(super) fn mend(
    file: &mut Layouts,
    raw_at: u64,
    frame: &Frame,
    deltas: &[Delta],
    edits: &mut Edits,
) -> Result<usize, FrameError> {
    let directories: Vec<Directory> = file.directories.iter().filter(|d| d.at != raw_at).cloned().collect();
    let mut left = 0;
    for d in directories.iter().filter(|d| d.has(tag::IMAGE_WIDTH)) {
        if !one(file, d, frame, deltas, edits)? {
            left += 1;
        }
    }
    Ok(left)
}

fn one(
    file: &mut Layouts,
    d: &Directory,
    frame: &Frame,
    deltas: &[Delta],
    edits: &mut Edits,
) -> Result<bool, FrameError> {
    let size = Size {
        width: file.first(d, tag::IMAGE_WIDTH, 0) as usize,
        height: file.first(d, tag::IMAGE_LENGTH, 0) as usize,
    };
    let (whole, shape) = (frame.size(), |s: Size| s.width as f64 / s.height.max(1) as f64);
    // A preview of another shape shows another part of the view.
    if size.area() == 0 || size.width > whole.width + 64 || (shape(size) / shape(whole) - 1.0).abs() > 0.02 {
        return Ok(false);
    }
    let (photometric, compression) = (file.first(d, tag::PHOTOMETRIC, u64::MAX), file.first(d, tag::COMPRESSION, 1));
    let Ok(raster) = Raster::read(file, d, size) else { return Ok(false) };
    let shares = Shares::new(frame, deltas, size);
    match (compression, photometric) {
        (JPEG, YCBCR | RGB) if raster.pieces().count() == 1 => as_jpeg(file, &raster, &shares, edits),
        (UNCOMPRESSED, RGB) if raster.bits == 8 && raster.pieces().all(|p| p.samples == raster.samples) => {
            plain(file, &raster, &shares, edits)
        }
        _ => Ok(false),
    }
}

/// A JPEG inside: its touched blocks change, as in a JPEG of its own.
fn as_jpeg(file: &Layouts, raster: &Raster, shares: &Shares, edits: &mut Edits) -> Result<bool, FrameError> {
    let Some(piece) = raster.pieces().next() else { return Ok(false) };
    let old = edits.read(piece.at, piece.len)?;
    let options = DecoderOptions::default()
        .set_strict_mode(true)
        .set_max_width(65535)
        .set_max_height(65535)
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    let mut decoder = JpegDecoder::new_with_options(Cursor::new(old.as_slice()), options);
    let Ok(codes) = decoder.decode() else { return Ok(false) };
    if codes.len() != 3 * shares.size.area() {
        return Ok(false);
    }
    let code = |x: usize, y: usize, c: usize| codes[(y * shares.size.width + x) * 3 + c];
    let wanted: Vec<Delta> = shares.deltas(code);
    let Ok(Some(new)) = jpeg::patched(&old, &wanted) else { return Ok(false) };
    let alone = claims(file, raster).iter().filter(|c| c.0 < piece.at + piece.len && piece.at < c.1).count() == 1;
    let [(offset_at, offset_size), (count_at, count_size)] = raster.slots(&piece);
    let Some(count) = file.encoded(new.len() as u64, count_size) else { return Ok(false) };
    if alone && new.len() as u64 <= piece.len {
        edits.replace(piece.at, &new)?;
    } else {
        let at = edits.append(&new);
        let Some(at) = file.encoded(at, offset_size) else { return Ok(false) };
        edits.replace(offset_at, &at)?;
    }
    edits.replace(count_at, &count)?;
    Ok(true)
}

/// Plain codes of 8 bits.
fn plain(file: &Layouts, raster: &Raster, shares: &Shares, edits: &mut Edits) -> Result<bool, FrameError> {
    let mut all = Plane::filled(shares.size, [0u8; 3]);
    let pieces: Vec<Piece> = raster.pieces().collect();
    let rows = |p: &Piece| p.rect.height.min(shares.size.height - p.rect.y);
    let columns = |p: &Piece| p.rect.width.min(shares.size.width - p.rect.x);
    let mut coded = Vec::with_capacity(pieces.len());
    for p in &pieces {
        let c = coding(file, raster, p.rect.width * p.samples, rows(p), p.samples);
        let needed = c.row_bytes() as u64 * rows(p) as u64;
        if p.len < needed || p.samples < 3 {
            return Ok(false);
        }
        let bytes = edits.read(p.at, needed)?;
        for (y, x) in (0..rows(p)).flat_map(|y| (0..columns(p)).map(move |x| (y, x))) {
            let at = (y * p.rect.width + x) * p.samples;
            all.set(p.rect.x + x, p.rect.y + y, [bytes[at], bytes[at + 1], bytes[at + 2]]);
        }
        coded.push(bytes);
    }
    for delta in shares.deltas(|x, y, c| all.at(x, y)[c]) {
        let w = delta.window;
        for (x, y) in (0..w.height).flat_map(|y| (0..w.width).map(move |x| (x, y))) {
            let mut codes = all.at(w.x + x, w.y + y);
            for (c, code) in codes.iter_mut().enumerate() {
                *code = (f32::from(*code) + delta.planes[c].at(x, y)).round().clamp(0.0, 255.0) as u8;
            }
            all.set(w.x + x, w.y + y, codes);
        }
    }
    for (p, mut bytes) in pieces.iter().zip(coded) {
        for (y, x) in (0..rows(p)).flat_map(|y| (0..columns(p)).map(move |x| (y, x))) {
            let at = (y * p.rect.width + x) * p.samples;
            bytes[at..at + 3].copy_from_slice(&all.at(p.rect.x + x, p.rect.y + y));
        }
        edits.replace(p.at, &bytes)?;
    }
    Ok(true)
}

/// By which share the light of each pixel of a preview changes.
struct Shares<'a> {
    frame: &'a Frame,
    deltas: &'a [Delta],
    size: Size,
}

impl<'a> Shares<'a> {
    fn new(frame: &'a Frame, deltas: &'a [Delta], size: Size) -> Self {
        Shares { frame, deltas, size }
    }

    /// The wanted steps of a preview whose codes are given, one for each of the raw's. No two overlap.
    fn deltas(&self, code: impl Fn(usize, usize, usize) -> u8) -> Vec<Delta> {
        let whole = self.frame.size();
        let mut given = Plane::filled(self.size, false);
        let scale = |v: usize, from: usize, to: usize| v * to / from.max(1);
        let mut all = Vec::new();
        for delta in self.deltas {
            let w = delta.window;
            let x0 = scale(w.x, whole.width, self.size.width);
            let y0 = scale(w.y, whole.height, self.size.height);
            let x1 = (scale(w.right(), whole.width, self.size.width) + 1).min(self.size.width);
            let y1 = (scale(w.bottom(), whole.height, self.size.height) + 1).min(self.size.height);
            let window = Rect { x: x0, y: y0, width: x1 - x0, height: y1 - y0 };
            let mut planes = vec![Plane::filled(window.size(), 0f32); 3];
            for (x, y) in (y0..y1).flat_map(|y| (x0..x1).map(move |x| (x, y))) {
                if given.at(x, y) {
                    continue;
                }
                given.set(x, y, true);
                let share = self.share(x, y);
                if (share - 1.0).abs() < 1e-4 {
                    continue;
                }
                for (c, plane) in planes.iter_mut().enumerate() {
                    let old = f32::from(code(x, y, c)) / 255.0;
                    let step = 255.0 * (encoded(decoded(old) * share).min(1.0) - old);
                    plane.set(x - x0, y - y0, step);
                }
            }
            all.push(Delta { window, planes });
        }
        all
    }

    /// New light over old in the part of the raw that a pixel shows.
    fn share(&self, x: usize, y: usize) -> f32 {
        let whole = self.frame.size();
        let span = |i: usize, from: usize, to: usize| {
            let start = (i * to / from).min(to - 1);
            start..((i + 1) * to).div_ceil(from).clamp(start + 1, to)
        };
        let (columns, rows) = (span(x, self.size.width, whole.width), span(y, self.size.height, whole.height));
        let (mut old, mut change) = (0.0, 0.0);
        for j in rows {
            for i in columns.clone() {
                for (p, plane) in self.frame.planes.iter().enumerate() {
                    old += plane.at(i, j).max(0.0);
                    change += self.change(p, i, j);
                }
            }
        }
        if old > 0.0 { ((old + change) / old).clamp(0.2, 20.0) } else { 1.0 }
    }

    /// Change of light at a pixel of the raw.
    fn change(&self, plane: usize, x: usize, y: usize) -> f32 {
        let Encoding::Levels { period, black, white } = &self.frame.encoding else { return 0.0 };
        let b = black[(y % period.height) * period.width + x % period.width];
        let inside = |w: &Rect| (w.x..w.right()).contains(&x) && (w.y..w.bottom()).contains(&y);
        let steps = self.deltas.iter().filter(|d| inside(&d.window));
        steps.map(|d| d.planes[plane].at(x - d.window.x, y - d.window.y)).sum::<f32>() / (white - b)
    }
}

/// IEC 61966-2-1.
fn decoded(code: f32) -> f32 {
    if code <= 0.04045 { code / 12.92 } else { ((code + 0.055) / 1.055).powf(2.4) }
}

fn encoded(light: f32) -> f32 {
    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}
