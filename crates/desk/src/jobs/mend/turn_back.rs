//! Mended copies turned back into their originals by their records.

use std::path::{Path, PathBuf};

use motelight_frame::{Fault, FrameError, Undone, undo};

use super::record::{RECORDS, Record};
use crate::contract::{UndoDocument, UndoEntry};
use crate::jobs::{Outcome, Source};

/// One copy turned back, or why not.
#[derive(Debug)]
pub struct TurnedBack {
    /// The mended copy.
    pub path: PathBuf,
    /// The restored original, and how far it is the same.
    pub result: Result<(PathBuf, Undone), FrameError>,
}

/// Turns mended copies back, each into a file of its own below `out`; the copies stay. `each` hears of every one.
pub fn turn_back(sources: &[Source], out: &Path, mut each: impl FnMut(&TurnedBack)) -> Vec<TurnedBack> {
    let all = sources.iter().map(|source| {
        let done = TurnedBack { path: source.path.clone(), result: one(source, out) };
        each(&done);
        done
    });
    all.collect()
}

fn one(source: &Source, out: &Path) -> Result<(PathBuf, Undone), FrameError> {
    let record = record_of(&source.path).ok_or_else(|| {
        let message = format!("there is no record of it in a folder {RECORDS} beside it");
        let remedy = "Keep the folder of records together with the mended copies.";
        FrameError::new(Fault::Usage, &source.path, message, remedy)
    })?;
    let to = out.join(&source.relative);
    if let Some(folder) = to.parent() {
        std::fs::create_dir_all(folder).map_err(|e| {
            let message = format!("the output folder cannot be made: {e}");
            FrameError::new(Fault::Unwritable, folder, message, "Check its permissions and the space left.")
        })?;
    }
    let how = undo(&source.path, &record.undo, &to)?;
    Ok((to, how))
}

/// The record of a mended copy: looked for below every folder that holds it.
fn record_of(copy: &Path) -> Option<Record> {
    let copy = std::path::absolute(copy).ok()?;
    copy.ancestors().skip(1).find_map(|folder| {
        let relative = copy.strip_prefix(folder).ok()?;
        Record::read(&Record::path(folder, relative))
    })
}

impl TurnedBack {
    /// The document of a run.
    pub fn document(all: &[TurnedBack]) -> UndoDocument {
        let entry = |t: &TurnedBack| UndoEntry {
            path: t.path.display().to_string(),
            output: t.result.as_ref().ok().map(|(to, _)| to.display().to_string()),
            identical: t.result.as_ref().ok().map(|(_, how)| match how {
                Undone::Bytes => "bytes",
                Undone::Pixels => "pixels",
            }),
            error: t.result.as_ref().err().map(Into::into),
        };
        UndoDocument::new(all.iter().map(entry).collect())
    }

    /// How a run ended.
    pub fn outcome(all: &[TurnedBack]) -> Outcome {
        let failed = all.is_empty() || all.iter().any(|t| t.result.is_err());
        if failed { Outcome::Failed } else { Outcome::Clear }
    }
}
