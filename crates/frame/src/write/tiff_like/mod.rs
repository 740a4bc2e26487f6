//! A mended copy of a TIFF or DNG: a byte copy in which only the touched strips or tiles are coded anew, in
//! place where they fit, else at the end of the file with their table entries pointing there.

mod raster;
mod previews;
pub(super) mod gain_map;

use std::fs::File;
use std::path::Path;

use sha2::{Digest as _, Sha256};

use self::raster::{Piece, RESAVE, Raster};
use super::delta::{self, Delta, Steps};
use super::edits::Edits;
use super::source::Source;
use super::{Undo, Written, footprint, output};
use crate::coding::{Coding, JPEG, UNCOMPRESSED};
use crate::error::FrameError;
use crate::frame::{Encoding, Frame, Layout};
use crate::ifd::{Directory, Tiff, tag};
use crate::space::{Rect, Size};

/// PhotometricInterpretation: one tone, RGB, the mosaic and the linear colours of a DNG.
const BLACK_IS_ZERO: u64 = 1;
const RGB: u64 = 2;
const CFA: u64 = 32803;
const LINEAR_RAW: u64 = 34892;

/// Writes the copy.
pub(super) fn write(source: &Source, frame: &Frame, deltas: &[Delta], out: &Path) -> Result<Written, FrameError> {
    let mut file = Layouts::read(source)?;
    let raw = matches!(frame.encoding, Encoding::Levels { .. });
    if raw && !file.directories[0].has(tag::DNG_VERSION) {
        return Err(super::not_writable(source));
    }
    let d = directory_of(&mut file, frame, raw)?;
    if raw {
        gain_map::refuse_earlier_maps(&mut file, &d)?;
    }
    let (at, raster) = (d.at, samples_of(&mut file, &d, frame, raw)?);
    let claims = claims(&file, &raster);
    let steps = deltas.iter().map(Delta::rounded).collect();
    let mut mending = Mending { file: &file, frame, raster: &raster, claims, edits: Edits::new(source), steps };
    mending.pieces()?;
    let mut notes = Vec::new();
    let pixels_changed = mending.steps.iter().map(Steps::pixels_changed).sum();
    let mut edits = mending.edits;
    if pixels_changed > 0 {
        renew_identity(&file, &mut edits, &mut notes)?;
        let mut again = Layouts::read(source)?;
        let left = if raw { previews::mend(&mut again, at, frame, deltas, &mut edits)? } else { file.further(at) };
        if left > 0 {
            notes.push(PREVIEW_LEFT.to_owned());
        }
    }
    let undo = place(source, frame, &edits, out)?;
    Ok(Written { pixels_changed, footprint: footprint(deltas), notes, undo })
}

/// Puts the copy in its place; how to turn it back.
fn place(source: &Source, frame: &Frame, edits: &Edits, out: &Path) -> Result<Undo, FrameError> {
    let changes = edits.record()?;
    let mended = output::place(source.path(), out, |f| edits.write(f))?;
    Ok(Undo { original: frame.digest.clone(), mended, changes })
}

const PREVIEW_LEFT: &str = "a smaller picture inside the file was left as it was and still shows the shadows";

/// All directories of a file, and numbers in its byte order.
struct Layouts<'a> {
    source: &'a Source,
    tiff: Tiff<&'a File>,
    /// The first one first.
    directories: Vec<Directory>,
}

impl<'a> Layouts<'a> {
    fn read(source: &'a Source) -> Result<Self, FrameError> {
        let tiff = Tiff::open(source.file()).ok().flatten();
        let mut tiff = tiff.ok_or_else(|| source.broken("it does not begin as a TIFF does"))?;
        let directories = tiff.all();
        if directories.is_empty() {
            return Err(source.broken("its first directory cannot be read"));
        }
        Ok(Layouts { source, tiff, directories })
    }

    /// How many pictures there are beside that of the directory at `at`.
    fn further(&self, at: u64) -> usize {
        self.directories.iter().filter(|d| d.at != at && d.has(tag::IMAGE_WIDTH)).count()
    }

    /// The whole numbers of a tag, none if absent.
    fn numbers(&mut self, d: &Directory, tag: u16) -> Vec<u64> {
        self.tiff.numbers(d, tag).into_iter().map(|v| v as u64).collect()
    }

    fn first(&mut self, d: &Directory, tag: u16, default: u64) -> u64 {
        self.numbers(d, tag).first().copied().unwrap_or(default)
    }

    /// Bytes of the count in front of a directory's entries, of one entry and of an offset.
    fn widths(&self) -> (u64, u64, u64) {
        if self.tiff.wide() { (8, 20, 8) } else { (2, 12, 4) }
    }

    /// How many entries stand in a directory's table, those that could not be made sense of among them.
    fn entry_count(&self, d: &Directory) -> Result<u64, FrameError> {
        Ok(self.tiff.number(&self.source.bytes(d.at, self.widths().0)?))
    }

    /// Those entries as changed so far, and the link to the next directory behind them.
    fn table(&self, d: &Directory, edits: &Edits) -> Result<(Vec<Vec<u8>>, Vec<u8>), FrameError> {
        let (count_size, entry_size, offset_size) = self.widths();
        let length = self.entry_count(d)? * entry_size;
        let entries = edits.read(d.at + count_size, length)?;
        let link = edits.read(d.at + count_size + length, offset_size)?;
        Ok((entries.chunks_exact(entry_size as usize).map(<[u8]>::to_vec).collect(), link))
    }

    /// The tag of an entry.
    fn tag_of(&self, entry: &[u8]) -> u16 {
        self.tiff.number(&entry[..2]) as u16
    }

    /// `size` bytes of a number; `None` if it does not fit.
    fn encoded(&self, number: u64, size: u64) -> Option<Vec<u8>> {
        if size < 8 && number >> (8 * size) != 0 {
            return None;
        }
        let mut bytes = number.to_le_bytes()[..size as usize].to_vec();
        if self.tiff.big_endian() {
            bytes.reverse();
        }
        Some(bytes)
    }
}

/// The directory that the frame was read from: of a rendered picture the first one, of a raw the first full one of the
/// recorded size.
fn directory_of(file: &mut Layouts, frame: &Frame, raw: bool) -> Result<Directory, FrameError> {
    let source = file.source;
    let wanted = match (&frame.layout, raw) {
        (Layout::Mosaic(_), _) => CFA,
        (Layout::Grey, _) => BLACK_IS_ZERO,
        (Layout::Rgb, false) => RGB,
        (Layout::Rgb, true) => LINEAR_RAW,
    };
    let count = if raw { file.directories.len() } else { 1 };
    let directories = file.directories[..count].to_vec();
    for d in directories {
        let (width, height) = (file.first(&d, tag::IMAGE_WIDTH, 0), file.first(&d, tag::IMAGE_LENGTH, 0));
        let size = Size { width: width as usize, height: height as usize };
        let full = !raw || file.first(&d, tag::NEW_SUBFILE_TYPE, 0) == 0;
        if full && size == frame.shot.recorded && file.first(&d, tag::PHOTOMETRIC, u64::MAX) == wanted {
            return Ok(d);
        }
    }
    let (w, h) = (frame.shot.recorded.width, frame.shot.recorded.height);
    Err(source.mismatch(format!("no full picture of {w} x {h} that the frame could come from")))
}

/// How the samples of that directory stand; refused where they could not be written back.
fn samples_of(file: &mut Layouts, d: &Directory, frame: &Frame, raw: bool) -> Result<Raster, FrameError> {
    let source = file.source;
    let r = Raster::read(file, d, frame.shot.recorded)?;
    if r.samples < frame.planes.len() {
        return Err(source.mismatch("its pixels have fewer samples than the frame has planes"));
    }
    let lossy = (r.compression == JPEG && !raw).then(|| "a JPEG inside a TIFF cannot be written back".to_string());
    match lossy.or_else(|| coding(file, &r, r.size.width, 1, r.samples).refusal()) {
        Some(why) => Err(source.unsupported(why, if raw { RECONVERT } else { RESAVE })),
        None => Ok(r),
    }
}

const RECONVERT: &str = "convert it to a DNG with lossless compression and mend that";

fn coding(file: &Layouts, r: &Raster, row: usize, rows: usize, step: usize) -> Coding {
    Coding {
        compression: r.compression,
        predictor: r.predictor,
        bits: r.bits,
        big_endian: file.tiff.big_endian(),
        row,
        step,
        rows,
    }
}

struct Mending<'a> {
    file: &'a Layouts<'a>,
    frame: &'a Frame,
    raster: &'a Raster,
    claims: Vec<(u64, u64)>,
    edits: Edits<'a>,
    steps: Vec<Steps>,
}

impl Mending<'_> {
    fn pieces(&mut self) -> Result<(), FrameError> {
        let raster = self.raster;
        for piece in raster.pieces().filter(|p| p.first_sample < self.frame.planes.len()) {
            let rows = self.rows_touched(&piece);
            if rows.is_empty() {
                continue;
            }
            let alone = self.claims.iter().filter(|c| c.0 < piece.at + piece.len && piece.at < c.1).count() == 1;
            if raster.compression == UNCOMPRESSED {
                self.patch_rows(&piece, rows, alone)?;
            } else {
                self.recode(&piece, alone)?;
            }
        }
        Ok(())
    }

    /// Rows of the piece that any patch has steps for.
    fn rows_touched(&self, piece: &Piece) -> Vec<usize> {
        let (crop, rect) = (self.frame.shot.crop, piece.rect);
        let columns = rect.x.max(crop.x)..rect.right().min(crop.right());
        if columns.is_empty() {
            return Vec::new();
        }
        let columns = columns.start - crop.x..columns.end - crop.x;
        let touched = |y: usize| {
            let row = (rect.y + y).checked_sub(crop.y);
            row.is_some_and(|row| self.steps.iter().any(|s| s.touch(row, columns.clone())))
        };
        (0..rect.height).filter(|&y| touched(y)).collect()
    }

    /// Uncompressed samples: only the touched bytes of the touched rows change.
    fn patch_rows(&mut self, piece: &Piece, rows: Vec<usize>, alone: bool) -> Result<(), FrameError> {
        let source = self.file.source;
        let c = coding(self.file, self.raster, piece.rect.width * piece.samples, 1, piece.samples);
        let row_bytes = c.row_bytes() as u64;
        if piece.len < row_bytes * piece.rect.height as u64 {
            return Err(source.broken("a strip or tile is shorter than its rows"));
        }
        if !alone {
            return Err(source.unsupported("two of its strips or tiles share the same bytes", RESAVE));
        }
        for y in rows {
            let at = piece.at + y as u64 * row_bytes;
            let old = self.edits.read(at, row_bytes)?;
            let mut codes = c.decode(&old).map_err(|e| source.broken(e))?;
            let row = Rect { y: piece.rect.y + y, height: 1, ..piece.rect };
            self.step_codes(&Piece { rect: row, ..*piece }, &mut codes)?;
            let mut new = c.encode(&codes, &old).map_err(|e| source.broken(e))?;
            if let (Some(last), Some(&pad)) = (new.last_mut(), old.last()) {
                // The unused bits at the end of a packed row stay what they were.
                let unused = row_bytes as usize * 8 - c.row * c.bits as usize;
                *last |= pad & ((1u16 << unused) - 1) as u8;
            }
            self.edits.replace(at, &new)?;
        }
        Ok(())
    }

    /// A compressed piece: decoded, changed, coded anew and read back before it is used.
    fn recode(&mut self, piece: &Piece, alone: bool) -> Result<(), FrameError> {
        let source = self.file.source;
        let c = coding(self.file, self.raster, piece.rect.width * piece.samples, piece.rect.height, piece.samples);
        let old = source.bytes(piece.at, piece.len)?;
        let before = c.decode(&old).map_err(|e| match self.raster.compression {
            JPEG => source.unsupported(e, RECONVERT),
            _ => source.broken(format!("a strip or tile cannot be read: {e}")),
        })?;
        let mut codes = before.clone();
        self.step_codes(piece, &mut codes)?;
        if codes == before {
            return Ok(());
        }
        let new = c.encode(&codes, &old).map_err(|e| source.unsupported(e, RESAVE))?;
        let [(offset_at, offset_size), (count_at, count_size)] = self.raster.slots(piece);
        if alone && new.len() as u64 <= piece.len {
            self.edits.replace(piece.at, &new)?;
        } else {
            let at = self.edits.append(&new);
            let at = self.file.encoded(at, offset_size).ok_or_else(|| {
                source.unsupported("the mended copy would grow past what its offsets can hold", "save it as BigTIFF")
            })?;
            self.edits.replace(offset_at, &at)?;
        }
        let count = self.file.encoded(new.len() as u64, count_size).ok_or_else(|| {
            source.unsupported("a strip or tile would grow past what its byte count can hold", RESAVE)
        })?;
        self.edits.replace(count_at, &count)
    }

    /// Adds the steps to the codes of a piece, after holding the codes against the frame's light.
    fn step_codes(&mut self, piece: &Piece, codes: &mut [u16]) -> Result<(), FrameError> {
        let (crop, rect) = (self.frame.shot.crop, piece.rect);
        let planes = self.frame.planes.len().min(piece.first_sample + piece.samples);
        for steps in &mut self.steps {
            let w = steps.window;
            let (left, right) = ((w.x + crop.x).max(rect.x), (w.right() + crop.x).min(rect.right()));
            let (top, bottom) = ((w.y + crop.y).max(rect.y), (w.bottom() + crop.y).min(rect.bottom()));
            for (x, y) in (top..bottom).flat_map(|y| (left..right).map(move |x| (x, y))) {
                let at = (x - crop.x, y - crop.y);
                let pixel = ((y - rect.y) * rect.width + x - rect.x) * piece.samples;
                for p in piece.first_sample..planes {
                    let step = steps.at(p, at.0, at.1);
                    if step == 0 {
                        continue;
                    }
                    let stored = &mut codes[pixel + p - piece.first_sample];
                    let (code, slack) = (self.raster.code_of(*stored), self.raster.slack(*stored));
                    let agrees = delta::hold_against(self.frame, p, at, code, slack);
                    agrees.map_err(|e| self.file.source.mismatch(e))?;
                    let new = self.raster.stepped(&self.frame.encoding, *stored, step);
                    steps.became(p, at.0, at.1, i32::from(new) - i32::from(*stored));
                    *stored = new;
                }
            }
        }
        Ok(())
    }
}

impl Raster {
    /// The code that a stored value stands for (DNG LinearizationTable; past its end, its last entry).
    fn code_of(&self, stored: u16) -> u16 {
        match &self.table {
            Some(t) => t[usize::from(stored).min(t.len() - 1)],
            None => stored,
        }
    }

    /// The stored value for the code that lies `step` from that of `stored`.
    fn stepped(&self, encoding: &Encoding, stored: u16, step: i32) -> u16 {
        let old = i32::from(self.code_of(stored));
        let most = match encoding {
            // A raw code past the white level would read as clipped light anyhow.
            Encoding::Levels { white, .. } => (white.round() as i32).max(old),
            Encoding::Tones(_) => i32::from(u16::MAX),
        };
        let wanted = (old + step).clamp(0, most);
        match &self.table {
            None => wanted.min((1 << self.bits) - 1) as u16,
            Some(t) => {
                // DNG: the table rises; of the entries around the wanted code the nearer one is stored.
                let end = t.len().min(1 << self.bits) - 1;
                let above = t.partition_point(|&v| i32::from(v) < wanted).min(end);
                let below = above.saturating_sub(1);
                let nearer_below = wanted - i32::from(t[below]) < i32::from(t[above]) - wanted;
                (if nearer_below { below } else { above }) as u16
            }
        }
    }

    /// Codes by which a reader may be off: some dither between the entries of a table.
    fn slack(&self, stored: u16) -> u16 {
        let step = |to: u16| self.code_of(to).abs_diff(self.code_of(stored));
        match &self.table {
            Some(_) => 1 + step(stored.saturating_add(1)).max(step(stored.saturating_sub(1))),
            None => 0,
        }
    }
}

/// The byte ranges that something in the file lays claim to: pieces, directories, values. A piece whose
/// range anything else shares must not be overwritten in place.
fn claims(file: &Layouts, raster: &Raster) -> Vec<(u64, u64)> {
    let mut claims: Vec<(u64, u64)> = raster.pieces().map(|p| (p.at, p.at.saturating_add(p.len))).collect();
    let (count_size, entry_size, offset_size) = file.widths();
    for d in &file.directories {
        claims.push((d.at, d.at + count_size + d.entries.len() as u64 * entry_size + offset_size));
        claims.extend(d.entries.values().filter_map(|e| Some((e.at, e.at + e.bytes()?))));
    }
    claims
}

/// A DNG names its raw image by digests and an id; the mended one is another image. The digests are taken
/// out (they are optional, and a wrong one makes readers call the file damaged); the id is changed to one
/// derived from the old id and the changes, as the DNG specification asks of whoever changes raw data.
fn renew_identity(file: &Layouts, edits: &mut Edits, notes: &mut Vec<String>) -> Result<(), FrameError> {
    for d in &file.directories {
        if let Some(id) = d.entries.get(&tag::RAW_DATA_UNIQUE_ID).filter(|e| e.bytes() == Some(16)) {
            let mut hash = Sha256::new();
            hash.update(edits.read(id.at, 16)?);
            edits.new_bytes().for_each(|b| hash.update(b));
            edits.replace(id.at, &hash.finalize()[..16])?;
            notes.push("the id of the raw image was changed, since the raw image was".into());
        }
    }
    for d in &file.directories {
        if d.has(tag::RAW_IMAGE_DIGEST) || d.has(tag::NEW_RAW_IMAGE_DIGEST) {
            drop_digests(file, edits, d)?;
            notes.push("the digest of the raw image was taken out, since it no longer holds".into());
        }
    }
    Ok(())
}

fn drop_digests(file: &Layouts, edits: &mut Edits, d: &Directory) -> Result<(), FrameError> {
    let (count_size, entry_size, _) = file.widths();
    let (mut entries, link) = file.table(d, edits)?;
    let dropped = entries.len();
    entries.retain(|e| ![tag::RAW_IMAGE_DIGEST, tag::NEW_RAW_IMAGE_DIGEST].contains(&file.tag_of(e)));
    let dropped = dropped - entries.len();
    let count = file.encoded(entries.len() as u64, count_size);
    let mut new = count.ok_or_else(|| file.source.broken("a directory with an absurd number of entries"))?;
    new.extend(entries.concat());
    new.extend(link);
    new.resize(new.len() + dropped * entry_size as usize, 0);
    edits.replace(d.at, &new)
}
