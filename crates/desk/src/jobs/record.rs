//! Results written to the ledger, and what the ledger remembers. A ledger that cannot be written never makes a job fail: it is
//! a note.

use std::path::Path;

use motelight_frame::{FNumber, FrameError};
use motelight_motes::advise::PassKind;
use motelight_motes::mend::Treatment;
use motelight_motes::recheck::Recheck;

use crate::jobs::mend::Basis;
use crate::jobs::{Inspected, MendedPicture};
use crate::ledger::{FrameFacts, Ledger, Moment, PassEntry, now};

/// What the ledger knows of a body that advice wants to know.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Memory {
    /// Passes made between the two frames.
    pub passes: Vec<PassKind>,
    /// Largest f-number of the shoots to come.
    pub booked: Option<FNumber>,
    /// Wet passes that motes of the second frame stayed through, by number.
    pub wet_passes_stayed: Vec<(usize, u32)>,
}

/// Writes judged test frames down.
///
/// # Errors
/// What the ledger gives; what was written before stays.
pub fn inspected(ledger: &Path, all: &[Inspected]) -> Result<(), FrameError> {
    let mut open = None;
    for one in all {
        let (Ok(inspection), Some(facts)) = (&one.result, &one.facts) else { continue };
        let ledger = opened(&mut open, ledger)?;
        ledger.record_frame(&whole(&one.path), facts, inspection)?;
    }
    Ok(())
}

/// Writes mended pictures down; those that an earlier run had finished are there already.
///
/// # Errors
/// What the ledger gives; what was written before stays.
pub fn mended(ledger: &Path, basis: &Basis, all: &[MendedPicture]) -> Result<(), FrameError> {
    let mut open = None;
    for one in all {
        let Some((mending, output)) = one.result.as_ref().ok().and_then(|m| Some((m, m.output.as_ref()?))) else {
            continue;
        };
        if mending.done_before {
            continue;
        }
        let count = |t: Treatment| mending.motes.iter().filter(|m| m.treatment == t).count();
        let counts = [Treatment::Lifted, Treatment::Filled, Treatment::Untouched].map(count);
        opened(&mut open, ledger)?.record_mended(
            &whole(&one.path),
            &whole(output),
            basis.body(&one.path).as_ref(),
            counts,
        )?;
    }
    Ok(())
}

/// Two frames as a recheck knows them.
pub(super) struct Frames<'a> {
    pub paths: [&'a Path; 2],
    pub facts: [&'a FrameFacts; 2],
    pub inspections: [&'a motelight_motes::inspect::Inspection; 2],
}

/// Writes a recheck down with the passes told, and says what is remembered of the body.
pub(super) fn rechecked(
    ledger: &Path,
    frames: &Frames,
    recheck: &Recheck,
    passes: &[PassKind],
) -> Result<Memory, FrameError> {
    let mut ledger = Ledger::open(ledger)?;
    let mut number = |i: usize| ledger.record_frame(&whole(frames.paths[i]), frames.facts[i], frames.inspections[i]);
    let (Some(before), Some(after)) = (number(0)?, number(1)?) else { return Ok(Memory::default()) };
    if before == after {
        return Ok(Memory::default());
    }
    let comparison = ledger.record_comparison(before, after, recheck)?;
    let all = ledger.frames(None)?;
    let Some(row) = all.iter().find(|f| f.number == after) else { return Ok(Memory::default()) };
    let (body, made) = (row.body, row.taken.clone());
    // Told again for the same two frames: the same passes.
    let known = ledger.passes_of(comparison)?;
    if known.is_empty() {
        for &kind in passes {
            let entry = PassEntry {
                made: made.clone(),
                kind,
                swab: None,
                fluid: None,
                note: None,
                comparison: Some(comparison),
            };
            ledger.add_pass(body, &entry)?;
        }
    }
    let stayed = ledger.stayed(after)?;
    Ok(Memory {
        passes: ledger.passes_of(comparison)?,
        booked: ledger.booked(body, &today())?,
        wet_passes_stayed: stayed.iter().map(|s| (s.mote, s.wet_passes)).collect(),
    })
}

/// Today, from its first second.
fn today() -> Moment {
    let now = now();
    Moment::parse(now.day()).unwrap_or(now)
}

fn opened<'l>(open: &'l mut Option<Ledger>, path: &Path) -> Result<&'l mut Ledger, FrameError> {
    if open.is_none() {
        *open = Some(Ledger::open(path)?);
    }
    open.as_mut().ok_or_else(|| unreachable!("just opened"))
}

/// The path from the root, where the system tells it.
fn whole(path: &Path) -> std::path::PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf())
}
