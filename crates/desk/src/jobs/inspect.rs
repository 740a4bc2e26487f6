//! Test frames judged, one after the other.

use std::path::{Path, PathBuf};

use motelight_frame::{Fault, FrameError, read};
use motelight_motes::inspect::fitness::Verdict;
use motelight_motes::inspect::{InspectOptions, Inspection};

use crate::contract::{FrameEntry, InspectDocument};
use crate::jobs::{Outcome, Settings, Source, write_whole};
use crate::ledger::FrameFacts;
use crate::report::{Pictures, Sheet, inspection_page};

/// One file's result.
#[derive(Debug)]
pub struct Inspected {
    /// The file.
    pub path: PathBuf,
    /// What was found, or why not.
    pub result: Result<Inspection, FrameError>,
    /// What the ledger wants of the frame.
    pub facts: Option<FrameFacts>,
    /// The report that was written.
    pub report: Option<PathBuf>,
}

/// Judges test frames and writes a report each into `out`, where given. `each` hears of every file as it is done.
pub fn inspect(
    sources: &[Source],
    settings: &Settings,
    out: Option<&Path>,
    mut each: impl FnMut(&Inspected),
) -> Vec<Inspected> {
    let mut taken: Vec<PathBuf> = Vec::new();
    let all = sources.iter().map(|source| {
        let report = out.map(|folder| free_name(folder, &source.relative, &mut taken));
        let done = one(source, settings, report);
        each(&done);
        done
    });
    all.collect()
}

fn one(source: &Source, settings: &Settings, report: Option<PathBuf>) -> Inspected {
    let path = source.path.clone();
    let mut facts = None;
    let judged = read(&path, &settings.read).and_then(|frame| {
        facts = Some(FrameFacts { shot: frame.shot.clone(), digest: frame.digest.clone() });
        let options = InspectOptions { viewings: settings.viewings.clone(), ..InspectOptions::default() };
        let inspection = motelight_motes::inspect::inspect(&frame, &options);
        if let Some(report) = &report {
            let name = source.path.display().to_string();
            let pictures = Some(Pictures::of(&frame, &inspection));
            let sheet = Sheet { name: &name, inspection: &inspection, pictures };
            write_whole(report, inspection_page(&[sheet], &[]).as_bytes())?;
        }
        Ok(inspection)
    });
    let report = report.filter(|_| judged.is_ok());
    Inspected { path, result: judged, facts, report }
}

/// A report's name in the output folder that no other report of this run has.
fn free_name(folder: &Path, relative: &Path, taken: &mut Vec<PathBuf>) -> PathBuf {
    let named = |n: usize| {
        let mut name = relative.file_name().unwrap_or_default().to_os_string();
        if n > 1 {
            name.push(format!("-{n}"));
        }
        name.push(".html");
        folder.join(relative.with_file_name(name))
    };
    let path = (1..).map(named).find(|p| !taken.contains(p)).unwrap_or_else(|| named(1));
    taken.push(path.clone());
    path
}

/// The document of a run.
pub fn document(all: &[Inspected]) -> InspectDocument {
    let entry = |i: &Inspected| {
        let path = i.path.display().to_string();
        match &i.result {
            Ok(inspection) => FrameEntry::judged(path, inspection, i.report.as_ref().map(|r| r.display().to_string())),
            Err(e) => FrameEntry::failed(path, e),
        }
    };
    let mut document = InspectDocument::new(all.iter().map(entry).collect());
    // The same file given twice: ids stay unique.
    let mut seen: Vec<String> = Vec::new();
    for mote in document.frames.iter_mut().flat_map(|f| &mut f.motes) {
        let copies = seen.iter().filter(|s| **s == mote.id).count();
        seen.push(mote.id.clone());
        if copies > 0 {
            mote.id = format!("{}.{}", mote.id, copies + 1);
        }
    }
    document
}

/// How a run ended.
pub fn outcome(all: &[Inspected]) -> Outcome {
    let of = |i: &Inspected| match &i.result {
        Err(_) => Outcome::Failed,
        Ok(found) => {
            let unknown = found.f_number.is_none() || found.pitch_um.is_none();
            let shows = found.motes.iter().any(|m| m.shows_from.is_some() || unknown);
            if shows || found.fitness.verdict == Verdict::Unfit { Outcome::Work } else { Outcome::Clear }
        }
    };
    all.iter().map(of).max().unwrap_or(Outcome::Failed)
}

/// An error of a call without any file.
pub fn nothing_given() -> FrameError {
    FrameError::new(Fault::Usage, Path::new("."), "no picture was given", "Name at least one file or folder.")
}
