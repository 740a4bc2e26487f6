//! A copy of a picture file, in its own format, in which only the pixels under given patches change.
//!
//! What goes in: the original, the frame read from it, patches of new light. What comes out: a new file with
//! the same format, bit depth, compression, profile and metadata. TIFF and DNG are byte copies but for the touched strips or
//! tiles; of a JPEG only the touched blocks' coefficients change; of a PNG only the coded samples. What it
//! refuses: writing onto the original or over any file, formats it cannot write back without harm.

mod delta;
mod edits;
mod jpeg;
mod output;
mod png;
mod record;
mod source;
mod tiff_like;

use std::path::Path;

use self::delta::Delta;
pub use self::output::{UNFINISHED_PREFIX, copy_sidecars, give_name, refuse_taken};
use self::record::Changes;
pub use self::record::Undo;
use self::source::Source;
use self::tiff_like::gain_map;
use crate::error::FrameError;
use crate::frame::{Frame, Patch};
use crate::read::digest::digest_of;
use crate::space::Rect;

/// What was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Written {
    /// How many pixels of the frame have new codes. JPEG: how many pixels under the masks were to change and lie
    /// in a block whose coefficients did.
    pub pixels_changed: usize,
    /// Rectangles of the frame that hold every changed pixel: the patches' windows; for a JPEG the blocks
    /// whose coefficients changed, with the pixel around them that smooth chroma reaches.
    pub footprint: Vec<Rect>,
    /// What the person should know, in plain words.
    pub notes: Vec<String>,
    /// How to turn the copy back into the original.
    pub undo: Undo,
}

/// How far a copy was turned back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Undone {
    /// The file is the original, byte for byte.
    Bytes,
    /// Every pixel (JPEG: every coefficient) is that of the original and all metadata are there; only the way
    /// the samples are packed differs. So it is for PNG, and for JPEGs that other software packs its own way.
    Pixels,
}

/// Writes a copy of `source` to `out` in which the pixels under the patches' masks have the patches' light
/// and all others keep their codes to the bit (JPEG: keep their blocks' coefficients to the bit). `frame` must be
/// what was read from `source`. The copy appears whole or not at all; no existing file is ever replaced.
///
/// New codes are the nearest to the wanted light; with 8 bits the rounding error is carried on to the next pixels
/// under the patch, so that a shadow fainter than half a code does not stay.
///
/// # Errors
/// `Unreadable` and `Broken` for the original, `Unsupported` for formats that cannot be written back,
/// `Usage` if frame or patches do not belong to the file or `out` is the original, `Unwritable` for the output.
pub fn write_mended(source: &Path, frame: &Frame, patches: &[Patch], out: &Path) -> Result<Written, FrameError> {
    let (source, deltas) = prepared(source, frame, patches, out)?;
    let magic = source.bytes(0, source.len().min(8))?;
    match magic.as_slice() {
        [0xff, 0xd8, 0xff, ..] => jpeg::write(&source, frame, &deltas, out),
        [0x89, b'P', b'N', b'G', ..] => png::write(&source, frame, &deltas, out),
        magic if is_tiff(magic) => tiff_like::write(&source, frame, &deltas, out),
        _ => Err(not_writable(&source)),
    }
}

/// Writes a copy of a DNG to `out` whose sensor data are the original's and which holds the correction as gain maps (DNG 1.7,
/// OpcodeList2): a reader that applies them sees the patches' light under their masks, to the accuracy of an f32. `frame` must be
/// what was read from `source`. [`Written::pixels_changed`] counts the pixels with a gain. Not proved by an independent reader.
///
/// # Errors
/// As [`write_mended`]; `Unsupported` for everything that is no DNG, and for one mended so before.
pub fn write_gain_maps(source: &Path, frame: &Frame, patches: &[Patch], out: &Path) -> Result<Written, FrameError> {
    let (source, deltas) = prepared(source, frame, patches, out)?;
    let found = digest_of(source.file()).map_err(|e| source.unreadable(&e))?;
    if found != frame.digest {
        return Err(source.mismatch("it is not the file that the frame was read from"));
    }
    if !is_tiff(&source.bytes(0, source.len().min(8))?) {
        return Err(gain_map::no_dng(&source));
    }
    gain_map::write(&source, frame, patches, &deltas, out)
}

/// Turns a mended copy back into its original by the record that [`write_mended`] gave, and writes that to `out`;
/// the mended copy stays. No existing file is ever replaced.
///
/// # Errors
/// `Usage` if the file is not the one the record is about, or has been changed since; `Broken` if the record is
/// damaged; `Unreadable` and `Unwritable` as for [`write_mended`].
pub fn undo(mended: &Path, record: &Undo, out: &Path) -> Result<Undone, FrameError> {
    refuse_taken(mended, out)?;
    let source = Source::open(mended)?;
    let found = digest_of(source.file()).map_err(|e| source.unreadable(&e))?;
    if found != record.mended {
        return Err(source.mismatch("it is not the copy that the record is about, or was changed since"));
    }
    let damaged = || source.broken("the record of what was changed is damaged");
    let written = match &record.changes {
        Changes::None => output::place(mended, out, |f| source.copy_to(f))?,
        Changes::Bytes(packed) => {
            let bytes = edits::Reversal::new(&source, packed).ok_or_else(damaged)?;
            output::place(mended, out, |f| bytes.write(f))?
        }
        Changes::Blocks(packed) => jpeg::revert(&source, packed, out)?.ok_or_else(damaged)?,
        Changes::Codes(packed) => png::revert(&source, packed, out)?.ok_or_else(damaged)?,
    };
    Ok(if written == record.original { Undone::Bytes } else { Undone::Pixels })
}

/// The original, opened, and the steps of its codes; refused where `out` is taken or frame and patches do not fit.
fn prepared(source: &Path, frame: &Frame, patches: &[Patch], out: &Path) -> Result<(Source, Vec<Delta>), FrameError> {
    refuse_taken(source, out)?;
    let source = Source::open(source)?;
    let (crop, recorded) = (frame.shot.crop, frame.shot.recorded);
    if crop.size() != frame.size() || crop.right() > recorded.width || crop.bottom() > recorded.height {
        return Err(source.mismatch("the frame's crop and size do not agree"));
    }
    let deltas = delta::from_patches(&source, frame, patches)?;
    Ok((source, deltas))
}

/// TIFF, BigTIFF and DNG, by the first bytes.
fn is_tiff(magic: &[u8]) -> bool {
    matches!(magic, [b'I', b'I', 42 | 43, 0, ..] | [b'M', b'M', 0, 42 | 43, ..])
}

fn not_writable(source: &Source) -> FrameError {
    source.unsupported(
        "a copy in this format cannot be written",
        "convert a camera raw to DNG, anything else to TIFF, and mend that",
    )
}

fn footprint(deltas: &[Delta]) -> Vec<Rect> {
    deltas.iter().map(|d| d.window).collect()
}
