//! A second test frame held against the first.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use motelight_frame::FNumber;
use motelight_frame::{Fault, Frame, FrameError, read};
use motelight_motes::advise::{Advice, Circumstances, PassKind, PassMade, Situation, advise};
use motelight_motes::inspect::{InspectOptions, Inspection};
use motelight_motes::recheck::{Recheck, Refusal, Side, Status, comparable};

use crate::contract::{AdviceEntry, Compared, ErrorEntry, RecheckDocument};
use crate::jobs::record::{Frames, Memory, rechecked};
use crate::jobs::{Outcome, Settings, write_whole};
use crate::ledger::FrameFacts;
use crate::report::step_card;

/// What is known besides the frames.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Known {
    /// Passes made between the frames, in their order.
    pub passes: Vec<PassKind>,
    /// Largest f-number of the work booked.
    pub booked: Option<FNumber>,
    /// How things stand.
    pub circumstances: Circumstances,
}

/// Two frames compared.
#[derive(Debug, Clone)]
pub struct Compare {
    /// The first frame, judged.
    pub before: Inspection,
    /// The second frame, judged.
    pub after: Inspection,
    /// What became of the motes.
    pub recheck: Recheck,
    /// What to do next.
    pub advice: Advice,
    /// Why nothing was written to the ledger, where it should have been.
    pub unrecorded: Option<FrameError>,
}

/// Why two frames were not compared.
#[derive(Debug)]
pub enum Refused {
    /// One could not be read.
    Unread(FrameError),
    /// They are not of one body, or cannot be judged by.
    Unlike {
        /// The file that it is about.
        path: PathBuf,
        /// Why.
        why: Refusal,
    },
}

/// A recheck.
#[derive(Debug)]
pub struct Rechecked {
    /// The first file.
    pub before: PathBuf,
    /// The second file.
    pub after: PathBuf,
    /// What came of it.
    pub result: Result<Box<Compare>, Refused>,
}

/// Holds `after` against `before`, and writes it to the ledger, where one is given. `each` hears of either frame as it is judged,
/// and says whether to go on.
pub fn recheck(
    before: &Path,
    after: &Path,
    settings: &Settings,
    known: &Known,
    ledger: Option<&Path>,
    each: impl FnMut(&Path) -> ControlFlow<()>,
) -> Rechecked {
    let result = compare([before, after], settings, known, ledger, each).map(Box::new);
    Rechecked { before: before.into(), after: after.into(), result }
}

fn compare(
    paths: [&Path; 2],
    settings: &Settings,
    known: &Known,
    ledger: Option<&Path>,
    mut each: impl FnMut(&Path) -> ControlFlow<()>,
) -> Result<Compare, Refused> {
    let options = InspectOptions { viewings: settings.viewings.clone(), ..InspectOptions::default() };
    let mut judged = |path: &Path| -> Result<(Frame, Inspection), Refused> {
        let frame = read(path, &settings.read).map_err(Refused::Unread)?;
        let inspection = motelight_motes::inspect::inspect(&frame, &options);
        if each(path).is_break() {
            let remedy = "Recheck anew; nothing of this run was kept.";
            return Err(Refused::Unread(FrameError::new(Fault::Usage, path, "the recheck was stopped here", remedy)));
        }
        Ok((frame, inspection))
    };
    let (first, before) = judged(paths[0])?;
    let (second, after) = judged(paths[1])?;
    let side = |frame, inspection| Side { frame, inspection };
    let (one, other) = (side(&first, &before), side(&second, &after));
    let recheck = motelight_motes::recheck::recheck(one, other).map_err(|why| {
        let path = if comparable(one, "first").is_err() { paths[0] } else { paths[1] };
        Refused::Unlike { path: path.into(), why }
    })?;
    let facts = [&first, &second].map(|f| FrameFacts { shot: f.shot.clone(), digest: f.digest.clone() });
    let frames = Frames { paths, facts: facts.each_ref(), inspections: [&before, &after] };
    let remembered = ledger.map(|ledger| rechecked(ledger, &frames, &recheck, &known.passes));
    let (memory, unrecorded) = match remembered {
        Some(Ok(memory)) => (memory, None),
        Some(Err(e)) => (Memory::default(), Some(e)),
        None => (Memory::default(), None),
    };
    let advice = advise(&situation(&after, &recheck, known, &memory));
    Ok(Compare { before, after, recheck, advice, unrecorded })
}

/// How things stand after the second frame: what was told, else what the ledger remembers.
fn situation(after: &Inspection, recheck: &Recheck, known: &Known, memory: &Memory) -> Situation {
    let made = if known.passes.is_empty() { &memory.passes } else { &known.passes };
    let wet = made.iter().filter(|p| **p == PassKind::Swab).count() as u32;
    let changed = recheck.count(Status::Gone) + recheck.count(Status::Moved) + recheck.count(Status::New) > 0;
    let last = made.len().saturating_sub(1);
    let passes = made.iter().enumerate().map(|(i, &kind)| PassMade {
        kind,
        // What single passes did is not known; that the next was made says that the one before did not do.
        changed: Some(i == last && changed),
    });
    let mut situation = Situation::of(after);
    for mote in &mut situation.motes {
        let stayed = recheck.fates.iter().any(|f| f.after == Some(mote.number) && f.status == Status::Stayed);
        let remembered = memory.wet_passes_stayed.iter().find(|m| m.0 == mote.number).map_or(0, |m| m.1);
        mote.wet_passes_stayed = if stayed { remembered.max(wet) } else { 0 };
    }
    Situation {
        residue: recheck.residue.iter().filter(|r| r.after.is_none()).count(),
        booked: known.booked.or(memory.booked),
        passes: passes.collect(),
        circumstances: known.circumstances,
        ..situation
    }
}

/// Writes the step card into a folder.
///
/// # Errors
/// A place that cannot be written to.
pub fn write_card(done: &Compare, out: &Path) -> Result<PathBuf, FrameError> {
    let path = out.join("step-card.html");
    write_whole(&path, step_card(&done.after, &done.advice).as_bytes())?;
    Ok(path)
}

/// The document of a recheck; `card`: the step card that was written.
pub fn document(done: &Rechecked, card: Option<&Path>) -> RecheckDocument {
    let (before, after) = (done.before.display().to_string(), done.after.display().to_string());
    match &done.result {
        Ok(c) => {
            let of = Compared { before: &c.before, after: &c.after, recheck: &c.recheck };
            let card = card.map(|p| p.display().to_string());
            RecheckDocument::compared(before, after, of, AdviceEntry::new(&c.advice, &c.after), card)
        }
        Err(Refused::Unread(e)) => RecheckDocument::failed(before, after, e.into()),
        Err(Refused::Unlike { why: r, .. }) => {
            let error = ErrorEntry { code: r.code.name(), message: r.message.clone(), remedy: r.remedy.clone() };
            RecheckDocument::failed(before, after, error)
        }
    }
}

/// How it ended: what still shows, and residue, is work.
pub fn outcome(done: &Rechecked) -> Outcome {
    match &done.result {
        Err(_) => Outcome::Failed,
        Ok(c) => {
            let shows = c.after.motes.iter().any(|m| m.shows_from.is_some()) || !c.recheck.residue.is_empty();
            let unfit = c.after.fitness.verdict == motelight_motes::inspect::fitness::Verdict::Unfit;
            if shows || unfit { Outcome::Work } else { Outcome::Clear }
        }
    }
}
