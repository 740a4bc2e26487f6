//! A mended copy of a JPEG: the touched blocks' coefficients change, all others stay bit for bit; every segment and
//! whatever follows the picture stays as it is.

mod anatomy;
mod blocks;
mod coefficients;
mod multi_picture;

use std::io::{self, Write as _};
use std::path::Path;

use self::anatomy::{Anatomy, Colours, Refusal, Scan};
use self::blocks::BlockStep;
use self::coefficients::{Coefficients, Plan};
use super::delta::Delta;
use super::record::{Changes, Packer, Unpacker};
use super::source::Source;
use super::{Undo, Written, output};
use crate::error::FrameError;
use crate::frame::{Digest, Frame, Layout};
use crate::space::{Rect, Size};

const RESAVE: &str = "save it as a plain JPEG or as a TIFF and mend that";

/// Writes the copy.
pub(super) fn write(source: &Source, frame: &Frame, deltas: &[Delta], out: &Path) -> Result<Written, FrameError> {
    let file = source.bytes(0, source.len())?;
    let anatomy = Anatomy::read(&file).map_err(|r| refused(source, r))?;
    fits(source, frame, &anatomy)?;
    let steps = blocks::steps(&anatomy, deltas);
    if steps.is_empty() {
        let mended = output::place(source.path(), out, |f| f.write_all(&file))?;
        let undo = Undo { original: frame.digest.clone(), mended, changes: Changes::None };
        return Ok(Written { pixels_changed: 0, footprint: Vec::new(), notes: Vec::new(), undo });
    }
    let mut coefficients = Coefficients::read(&file[..anatomy.end]).map_err(|e| source.broken(e))?;
    hold_against(frame, &anatomy, &mut coefficients, &steps).map_err(|e| source.mismatch(e))?;
    let recoded = recode(&file, &anatomy, coefficients, steps).map_err(|e| source.broken(e))?;
    let mended = output::place(source.path(), out, |f| f.write_all(&recoded.bytes))?;
    let footprint: Vec<Rect> = recoded.steps.iter().map(|s| blocks::reach(&anatomy, s)).collect();
    let pixels_changed = pixels_changed(deltas, &footprint);
    let changes = Changes::Blocks(record(&file, &anatomy, &recoded.steps).map_err(|e| source.unreadable(&e))?);
    let undo = Undo { original: frame.digest.clone(), mended, changes };
    Ok(Written { pixels_changed, footprint, notes: Vec::new(), undo })
}

/// A JPEG within another file, with its touched blocks changed; `None` if none are.
pub(super) fn patched(file: &[u8], deltas: &[Delta]) -> Result<Option<Vec<u8>>, String> {
    let anatomy = Anatomy::read(file).map_err(|e| format!("{e:?}"))?;
    let steps = blocks::steps(&anatomy, deltas);
    if steps.is_empty() || anatomy.components.len() != 3 {
        return Ok(None);
    }
    let coefficients = Coefficients::read(&file[..anatomy.end])?;
    recode(file, &anatomy, coefficients, steps).map(|r| Some(r.bytes))
}

/// What the copy lacks: the file's own tables and scans, and what was added to which coefficients.
fn record(file: &[u8], anatomy: &Anatomy, steps: &[BlockStep]) -> io::Result<String> {
    let mut packer = Packer::default();
    let tables: Vec<_> = anatomy.table_segments(file).collect();
    packer.number(tables.len() as u64);
    for (at, bytes) in tables {
        packer.number(at as u64);
        packer.bytes(bytes);
    }
    packer.number(anatomy.scans.len() as u64);
    anatomy.scans.iter().for_each(|scan| scan.pack(&mut packer));
    packer.number(steps.len() as u64);
    for step in steps {
        [step.component, step.row, step.column].iter().for_each(|&n| packer.number(n as u64));
        step.add.iter().for_each(|&a| packer.signed(a.into()));
    }
    packer.finish()
}

/// Turns a copy back: its coefficients are those of the original again, under the original's own tables and in its
/// scans. `None` if the record is damaged.
pub(super) fn revert(mended: &Source, packed: &str, out: &Path) -> Result<Option<Digest>, FrameError> {
    let file = mended.bytes(0, mended.len())?;
    let anatomy = Anatomy::read(&file).map_err(|r| refused(mended, r))?;
    let Some(Record { tables, scans, steps }) = Record::reversed(packed) else { return Ok(None) };
    // With the original's tables in front the picture ends elsewhere than in the file it was read from.
    let Some(shell) = anatomy.with_tables(&file, &tables) else { return Ok(None) };
    let mut shell_anatomy = Anatomy::read(&shell).map_err(|r| refused(mended, r))?;
    shell_anatomy.scans = scans;
    let coefficients = Coefficients::read(&file[..anatomy.end]).map_err(|e| mended.broken(e))?;
    let mut original = recode(&shell, &shell_anatomy, coefficients, steps).map_err(|e| mended.broken(e))?;
    multi_picture::shift(&mut original.bytes, anatomy.end, shell_anatomy.end);
    output::place(mended.path(), out, |f| f.write_all(&original.bytes)).map(Some)
}

/// What a record holds, its steps turned round.
struct Record {
    tables: Vec<(usize, Vec<u8>)>,
    scans: Vec<Scan>,
    steps: Vec<BlockStep>,
}

impl Record {
    fn reversed(packed: &str) -> Option<Self> {
        let mut from = Unpacker::new(packed)?;
        let tables = (0..from.count()?).map(|_| Some((from.size()?, from.bytes()?.to_vec()))).collect::<Option<_>>()?;
        let scans = (0..from.count()?).map(|_| Scan::unpack(&mut from)).collect::<Option<_>>()?;
        let steps = (0..from.count()?).map(|_| {
            let (component, row, column) = (from.size()?, from.size()?, from.size()?);
            let mut add = [0; 64];
            for a in &mut add {
                *a = i16::try_from(-from.signed()?).ok()?;
            }
            Some(BlockStep { component, row, column, add })
        });
        Some(Record { tables, scans, steps: steps.collect::<Option<_>>()? })
    }
}

fn refused(source: &Source, refusal: Refusal) -> FrameError {
    match refusal {
        Refusal::Broken(what) => source.broken(what),
        Refusal::Unsupported(what) => source.unsupported(format!("{what} cannot be written back"), RESAVE),
    }
}

/// The frame must be of this picture, and the sampling factors such that samples cover whole pixels.
fn fits(source: &Source, frame: &Frame, anatomy: &Anatomy) -> Result<(), FrameError> {
    let size = Size { width: anatomy.width, height: anatomy.height };
    if size != frame.shot.recorded || size != frame.size() {
        return Err(source.mismatch(format!("the JPEG is {} x {}, the frame is not", size.width, size.height)));
    }
    let grey = anatomy.colours == Colours::Grey;
    if (frame.layout == Layout::Grey) != grey || frame.planes.len() != anatomy.components.len() {
        return Err(source.mismatch("the frame has other planes than the JPEG"));
    }
    let most = |f: fn(&anatomy::Component) -> usize| anatomy.components.iter().map(f).max().unwrap_or(1);
    let (h, v) = (most(|c| c.h), most(|c| c.v));
    if anatomy.components.iter().any(|c| h % c.h != 0 || v % c.v != 0) {
        return Err(source.unsupported("a JPEG with fractional sampling cannot be written back", RESAVE));
    }
    Ok(())
}

/// The touched blocks' stored means must be those of the frame's light: a frame of another file, or decoded
/// otherwise than the standard says, would be mended wrongly.
fn hold_against(
    frame: &Frame,
    anatomy: &Anatomy,
    coefficients: &mut Coefficients,
    steps: &[BlockStep],
) -> Result<(), String> {
    // Rounding to whole codes on reading takes half a code at most from the mean, the conversion of colours as
    // much again; clipping can take any amount.
    const SLACK: f32 = 2.0;
    for step in steps.iter().filter(|s| s.component == 0) {
        let Some(read) = blocks::mean(anatomy, frame, step) else { continue };
        let block = coefficients.row(0, step.row)?.get(step.column).ok_or("a block past the edge")?;
        let quantisation = anatomy.components[0].quantisation[0];
        let stored = f32::from(block[0]) * f32::from(quantisation) / 8.0 + 128.0;
        if (stored - read).abs() > SLACK {
            let (row, column) = (step.row, step.column);
            return Err(format!("block ({column}, {row}) has mean {stored:.1} where the frame was read as {read:.1}"));
        }
    }
    Ok(())
}

/// A file with changed coefficients and its index of further pictures corrected, and what was really added to them.
struct Recoded {
    bytes: Vec<u8>,
    steps: Vec<BlockStep>,
}

/// Adds the steps. The file's own Huffman tables are kept where they can code the result, so that nothing but the
/// coded data changes; else tables are made anew. What is returned has been read back: its coefficients
/// are those wanted.
fn recode(
    file: &[u8],
    anatomy: &Anatomy,
    mut coefficients: Coefficients,
    mut steps: Vec<BlockStep>,
) -> Result<Recoded, String> {
    for step in &mut steps {
        let (component, row, column) = (step.component, step.row, step.column);
        let block = coefficients.row(component, row)?.get_mut(column).ok_or("a block past the edge")?;
        for (k, (stored, add)) in block.iter_mut().zip(&mut step.add).enumerate() {
            // T.81, F.1.2: what Huffman coding of 8-bit pictures can hold. What stands there already may stay.
            let (low, high) = if k == 0 { (-1024, 1023) } else { (-1023, 1023) };
            let wanted = stored.saturating_add(*add).clamp(low.min(*stored), high.max(*stored));
            *add = wanted - *stored;
            *stored = wanted;
        }
    }
    if anatomy.tables_stand_first() {
        let bytes = write_with_own_tables(&mut coefficients, file, anatomy)?;
        // A symbol that the file's tables do not know would be lost without a word: so read back.
        if reads_back(&bytes, &mut coefficients)? {
            return Ok(Recoded::new(file, anatomy, bytes, steps));
        }
    }
    let (script, restart_interval) = (anatomy.script(false), anatomy.restart_interval);
    let plan = Plan { tables: None, scans: script, restart_interval };
    let stream = coefficients.write(&plan)?;
    let bytes = anatomy.with_scans_of(file, &stream, &taken_apart(&stream)?);
    if !reads_back(&bytes, &mut coefficients)? {
        return Err("the written coefficients do not read back as they should".into());
    }
    Ok(Recoded::new(file, anatomy, bytes, steps))
}

impl Recoded {
    fn new(file: &[u8], anatomy: &Anatomy, mut bytes: Vec<u8>, steps: Vec<BlockStep>) -> Self {
        // What follows the picture is the same in both.
        let end = bytes.len() - (file.len() - anatomy.end);
        multi_picture::shift(&mut bytes, anatomy.end, end);
        Recoded { bytes, steps }
    }
}

fn write_with_own_tables(from: &mut Coefficients, file: &[u8], anatomy: &Anatomy) -> Result<Vec<u8>, String> {
    let (script, restart_interval) = (anatomy.script(true), anatomy.restart_interval);
    let plan = Plan { tables: Some(&anatomy.tables), scans: script, restart_interval };
    let stream = from.write(&plan)?;
    Ok(anatomy.with_data_of(file, &stream, &taken_apart(&stream)?))
}

fn taken_apart(stream: &[u8]) -> Result<Anatomy, String> {
    Anatomy::read(stream).map_err(|e| format!("the written JPEG cannot be taken apart: {e:?}"))
}

fn reads_back(bytes: &[u8], wanted: &mut Coefficients) -> Result<bool, String> {
    let Ok(mut back) = Coefficients::read(bytes) else { return Ok(false) };
    back.same_as(wanted)
}

fn pixels_changed(deltas: &[Delta], changed: &[Rect]) -> usize {
    let holds = |r: &Rect, x: usize, y: usize| (r.x..r.right()).contains(&x) && (r.y..r.bottom()).contains(&y);
    let count = |d: &Delta| {
        let near: Vec<Rect> = changed.iter().filter(|r| meets(r, &d.window)).copied().collect();
        let wanted = |x: usize, y: usize| d.planes.iter().any(|p| p.at(x, y) != 0.0);
        (0..d.window.height)
            .map(|y| {
                let row: Vec<&Rect> = near.iter().filter(|r| (r.y..r.bottom()).contains(&(d.window.y + y))).collect();
                (0..d.window.width)
                    .filter(|&x| wanted(x, y) && row.iter().any(|r| holds(r, d.window.x + x, d.window.y + y)))
                    .count()
            })
            .sum::<usize>()
    };
    deltas.iter().map(count).sum()
}

fn meets(a: &Rect, b: &Rect) -> bool {
    a.x < b.right() && b.x < a.right() && a.y < b.bottom() && b.y < a.bottom()
}
