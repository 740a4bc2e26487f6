//! A shoot mended by a test frame, picture after picture.

use std::path::{Path, PathBuf};

use motelight_frame::write::{copy_sidecars, write_mended};
use motelight_frame::{Fault, FrameError, read};
use motelight_motes::inspect::{InspectOptions, Inspection};
use motelight_motes::mend::{Chart, MendOptions, Mended, Reason, Refusal, mend as mend_frame};

use crate::contract::{MendDocument, PictureEntry};
use crate::jobs::{Outcome, Settings, Source};

/// One picture's result.
#[derive(Debug)]
pub struct MendedPicture {
    /// The original.
    pub path: PathBuf,
    /// The copy, and what came of the motes; or why there is none.
    pub result: Result<(PathBuf, Mended), FrameError>,
}

/// Reads and judges the test frame that a shoot is mended by.
///
/// # Errors
/// What reading it gives, and a test frame that no chart can be drawn from.
pub fn chart(test_frame: &Path, settings: &Settings) -> Result<(Inspection, Chart), FrameError> {
    let frame = read(test_frame, &settings.read)?;
    let options = InspectOptions { viewings: settings.viewings.clone(), ..InspectOptions::default() };
    let inspection = motelight_motes::inspect::inspect(&frame, &options);
    let chart = Chart::of(&inspection).map_err(|refusal| usage(test_frame, &refusal))?;
    Ok((inspection, chart))
}

/// Mends pictures by a chart, each into a copy of its own below `out`. `each` hears of every picture as it is done.
/// Originals are only read; a copy appears whole or not at all, and replaces nothing.
pub fn mend(
    sources: &[Source],
    chart: &Chart,
    settings: &Settings,
    out: &Path,
    mut each: impl FnMut(&MendedPicture),
) -> Vec<MendedPicture> {
    let mut taken: Vec<&Path> = Vec::new();
    let mut all = Vec::new();
    for source in sources {
        let result = if taken.contains(&source.relative.as_path()) {
            let message = "another picture of this run has the same name";
            Err(FrameError::new(
                Fault::Usage,
                &source.path,
                message,
                "Give their common folder instead, or mend them apart.",
            ))
        } else {
            taken.push(&source.relative);
            one(&source.path, chart, settings, &out.join(&source.relative))
        };
        let done = MendedPicture { path: source.path.clone(), result };
        each(&done);
        all.push(done);
    }
    all
}

fn one(path: &Path, chart: &Chart, settings: &Settings, out: &Path) -> Result<(PathBuf, Mended), FrameError> {
    let frame = read(path, &settings.read)?;
    let mut mended = mend_frame(&frame, chart, &MendOptions::default()).map_err(|refusal| usage(path, &refusal))?;
    if let Some(folder) = out.parent() {
        std::fs::create_dir_all(folder).map_err(|e| {
            let message = format!("the output folder cannot be made: {e}");
            FrameError::new(Fault::Unwritable, folder, message, "Check its permissions and the space left.")
        })?;
    }
    let patches = std::mem::take(&mut mended.patches);
    let written = write_mended(path, &frame, &patches, out)?;
    mended.pixels_changed = written.pixels_changed;
    mended.notes.extend(written.notes);
    copy_sidecars(path, out)?;
    Ok((out.to_path_buf(), mended))
}

fn usage(path: &Path, refusal: &Refusal) -> FrameError {
    FrameError::new(Fault::Usage, path, refusal.message.clone(), refusal.remedy.clone())
}

/// The document of a run.
pub fn document(test_frame: &Path, all: &[MendedPicture]) -> MendDocument {
    let entry = |p: &MendedPicture| {
        let path = p.path.display().to_string();
        match &p.result {
            Ok((output, mended)) => PictureEntry::mended(path, output.display().to_string(), mended),
            Err(e) => PictureEntry::failed(path, e),
        }
    };
    MendDocument::new(test_frame.display().to_string(), all.iter().map(entry).collect())
}

/// How a run ended: shadows that could not be taken out are work that is left, motes that are not there are not.
pub fn outcome(all: &[MendedPicture]) -> Outcome {
    let left = |r: Option<Reason>| matches!(r, Some(Reason::Clipped | Reason::NotRound | Reason::NoBetter));
    let of = |p: &MendedPicture| match &p.result {
        Err(_) => Outcome::Failed,
        Ok((_, mended)) if mended.motes.iter().any(|m| left(m.reason)) => Outcome::Work,
        Ok(_) => Outcome::Clear,
    };
    all.iter().map(of).max().unwrap_or(Outcome::Failed)
}
