//! A shoot mended: by a chart, picture after picture, each into a copy of its own with a record beside it.
//!
//! Originals are only read. A copy appears whole or not at all, after its record; what an earlier run with the same
//! settings finished is recognised by content and left as it is.

mod basis;
mod choose;
mod record;
mod one;
mod preview;
mod run;
mod turn_back;

use std::path::{Path, PathBuf};

use motelight_frame::FrameError;
use motelight_motes::mend::Reason;

use crate::contract::{MendDocument, PartEntry, PictureEntry, RepairEntry};
use crate::jobs::originals::Originals;
use crate::jobs::{Outcome, Part, Settings, Source, write_whole};
use crate::report::{MendedSheet, View, mended_page};

pub use basis::{Basis, TraceBasis, body_of};
pub use choose::Choices;
pub use preview::preview;
pub use record::RECORDS;
pub use run::mend;
pub use turn_back::{TurnedBack, turn_back};

/// What a run is to do.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Plan {
    /// Where the copies go; not needed for a dry run.
    pub out: Option<PathBuf>,
    /// Only say what would be done.
    pub dry_run: bool,
    /// Folder for masks of what was changed, where they are wanted.
    pub masks: Option<PathBuf>,
    /// Raws are left as they are and get the correction as gain maps beside their data.
    pub gain_maps: bool,
    /// What the person decided about motes and pictures.
    pub choices: Choices,
    /// The person says that the pictures are of the chart's body, whatever the files tell.
    pub same_body: bool,
    /// The pictures are finished ones, made from these.
    pub originals: Option<Originals>,
    /// Which part of the pictures is mended; none: all.
    pub part: Option<Part>,
}

/// One picture's result.
#[derive(Debug)]
pub struct MendedPicture {
    /// The original.
    pub path: PathBuf,
    /// What came of it, or why nothing did.
    pub result: Result<Mending, FrameError>,
}

/// What came of one picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Mending {
    /// The mended copy; of a dry run where it would be.
    pub output: Option<PathBuf>,
    /// The mask that was written.
    pub mask: Option<PathBuf>,
    /// Whether an earlier run had finished it.
    pub done_before: bool,
    /// What came of the motes.
    pub motes: Vec<RepairEntry>,
    /// Pixels that differ from the original's.
    pub pixels_changed: usize,
    /// What should be known.
    pub notes: Vec<String>,
    /// The worst of the touched places, before and after.
    pub views: Vec<View>,
}

impl Mending {
    /// Whether something is left that dividing could not take out, or that would still be seen.
    pub fn leaves_work(&self) -> bool {
        leaves_work(&self.motes)
    }
}

/// Whether something is left in a picture that dividing could not take out, or that would still be seen.
pub(super) fn leaves_work(motes: &[RepairEntry]) -> bool {
    let left = |r: Option<Reason>| matches!(r, Some(Reason::Clipped | Reason::NotRound | Reason::NoBetter));
    let chosen = |r: Option<Reason>| matches!(r, Some(Reason::Skipped));
    motes.iter().any(|m| left(m.reason) || (m.still_shows && !chosen(m.reason)))
}

/// The document of a run.
pub fn document(basis: Option<&Basis>, plan: &Plan, all: &[MendedPicture]) -> MendDocument {
    let entry = |p: &MendedPicture| {
        let path = p.path.display().to_string();
        match &p.result {
            Ok(m) => PictureEntry {
                path,
                output: m.output.as_ref().map(|o| o.display().to_string()),
                mask: m.mask.as_ref().map(|o| o.display().to_string()),
                done_before: m.done_before,
                motes: m.motes.clone(),
                pixels_changed: Some(m.pixels_changed),
                notes: m.notes.clone(),
                error: None,
            },
            Err(e) => PictureEntry::failed(path, e),
        }
    };
    let named = |b: &&Basis, trace: bool| matches!(b, Basis::Trace(_)) == trace;
    let name = |trace: bool| basis.filter(|b| named(b, trace)).map(|b| b.name().to_owned());
    MendDocument::new(name(false), name(true), plan.dry_run, all.iter().map(entry).collect())
}

/// What a document says of the part of a run that it is; `sources`: all pictures of the run.
pub fn part_entry(plan: &Plan, sources: &[Source], basis: &Basis, settings: &Settings) -> Option<PartEntry> {
    let told = || {
        let Plan { dry_run, gain_maps, choices, same_body, originals, .. } = plan;
        let originals = originals.as_ref().map(Originals::mark);
        format!("mend {} {dry_run:?} {gain_maps:?} {choices:?} {same_body} {originals:?}", basis.name())
    };
    plan.part.map(|part| part.entry(sources, settings, &told()))
}

/// Writes the page of a run beside the copies, that of a part under a name of its own; an older page is replaced.
///
/// # Errors
/// `Unwritable`.
pub fn write_report(
    basis: &Basis,
    settings: &Settings,
    out: &Path,
    part: Option<Part>,
    all: &[MendedPicture],
) -> Result<PathBuf, FrameError> {
    let common = common_folder(all);
    let short = |p: &MendedPicture| p.path.strip_prefix(&common).unwrap_or(&p.path).display().to_string();
    let names: Vec<String> = all.iter().map(short).collect();
    let sheets: Vec<MendedSheet> = all
        .iter()
        .zip(&names)
        .filter_map(|(p, name)| {
            let m = p.result.as_ref().ok()?;
            Some(MendedSheet { name, motes: &m.motes, views: &m.views, notes: &m.notes })
        })
        .collect();
    let failed: Vec<(String, String)> = all
        .iter()
        .zip(&names)
        .filter_map(|(p, name)| Some((name.clone(), p.result.as_ref().err()?.message.clone())))
        .collect();
    let viewing: Vec<String> = settings.viewings.iter().map(ToString::to_string).collect();
    let path = out.join(part.map_or("mend-report.html".into(), |part| format!("mend-report-{part}.html")));
    write_whole(&path, mended_page(basis.name(), &viewing, &sheets, &failed).as_bytes())?;
    Ok(path)
}

/// The deepest folder that holds all pictures.
fn common_folder(all: &[MendedPicture]) -> PathBuf {
    let first = all.first().and_then(|p| p.path.parent()).unwrap_or(Path::new(""));
    let fits = |a: &&Path| all.iter().all(|p| p.path.starts_with(a));
    first.ancestors().find(fits).map(Path::to_path_buf).unwrap_or_default()
}

/// How a run ended: shadows that could not be taken out are work that is left, motes that are not there are not.
pub fn outcome(all: &[MendedPicture]) -> Outcome {
    let of = |p: &MendedPicture| match &p.result {
        Err(_) => Outcome::Failed,
        Ok(mending) if mending.leaves_work() => Outcome::Work,
        Ok(_) => Outcome::Clear,
    };
    all.iter().map(of).max().unwrap_or(Outcome::Failed)
}
