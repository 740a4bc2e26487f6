//! `motelight mend`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::Args;
use motelight_desk::contract::RepairEntry;
use motelight_desk::jobs::mend::{self as job, Basis, Choices, MendedPicture, Mending, Plan, TurnedBack};
use motelight_desk::jobs::originals::Originals;
use motelight_desk::jobs::{self, Outcome, Part, Settings, Source};
use motelight_desk::report::shown;
use motelight_frame::{Fault, FrameError, Undone};
use motelight_motes::mend::Treatment;

use crate::common::Common;
use crate::say;

/// Mend pictures.
#[derive(Debug, Args)]
pub struct Mend {
    /// Pictures, or folders of them; originals are only read
    #[arg(required = true)]
    pub pictures: Vec<PathBuf>,
    /// The test frame by the same body, taken before or after the shoot
    #[arg(long, value_name = "WALL", required_unless_present_any = ["undo", "trace"])]
    pub test_frame: Option<PathBuf>,
    /// Mend by the trace of the shoot instead of a test frame: the document that `motelight trace --json` wrote, or, without
    /// a file, a trace made now of the pictures named
    #[arg(long, value_name = "TRACE", num_args = 0..=1, require_equals = true, conflicts_with = "test_frame")]
    pub trace: Option<Option<PathBuf>>,
    /// The pictures are finished ones, cropped, straightened, toned or resized: folder of the originals they were made from. Each
    /// is brought together with its own, and the shadows are taken out where they lie in it
    #[arg(long, value_name = "DIR")]
    pub originals: Option<PathBuf>,
    /// Say what would be done and write nothing
    #[arg(long)]
    pub dry_run: bool,
    /// Write a mask of what was changed for every picture, as 8-bit PNG (into DIR, or `masks` beside the copies)
    #[arg(long, value_name = "DIR", num_args = 0..=1, require_equals = true)]
    pub masks: Option<Option<PathBuf>>,
    /// Leave the sensor data of raws as they are and write the correction beside them, as gain maps of a DNG. Not proved: no
    /// independent reader that applies them was at hand
    #[arg(long)]
    pub gain_maps: bool,
    /// Mend these motes or pictures and nothing else: a mote's number, a picture's name, or PICTURE:MOTE
    #[arg(long, value_name = "ID", value_delimiter = ',')]
    pub only: Vec<String>,
    /// Leave these motes or pictures as they are
    #[arg(long, value_name = "ID", value_delimiter = ',')]
    pub skip: Vec<String>,
    /// Take these motes out even where a picture does not plainly show them
    #[arg(long = "mend", value_name = "ID", value_delimiter = ',')]
    pub force: Vec<String>,
    /// Pictures and test frame are of one body, whatever the files tell
    #[arg(long)]
    pub same_body: bool,
    /// Mend only part K of N of the pictures, on one of N machines, into the same folder. With --json its document is for
    /// `motelight merge`. Writes nothing to the ledger
    #[arg(long, value_name = "K/N")]
    pub part: Option<Part>,
    /// Turn mended copies back into their originals, by the records beside them
    #[arg(long, conflicts_with_all = ["test_frame", "trace", "originals", "dry_run", "masks", "gain_maps", "only", "skip", "force", "same_body", "part"])]
    pub undo: bool,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

impl Mend {
    fn plan(&self) -> Result<Plan, FrameError> {
        let beside = || self.common.out.as_deref().unwrap_or(Path::new("")).join("masks");
        Ok(Plan {
            out: self.common.out.clone(),
            dry_run: self.dry_run,
            masks: self.masks.as_ref().map(|given| given.clone().unwrap_or_else(beside)),
            gain_maps: self.gain_maps,
            choices: Choices { only: self.only.clone(), skip: self.skip.clone(), mend: self.force.clone() },
            same_body: self.same_body,
            originals: self.originals.as_deref().map(Originals::open).transpose()?,
            part: self.part,
        })
    }
}

/// Mends pictures, or turns mended ones back.
pub fn run(a: &Mend) -> Outcome {
    let (sources, errors) = jobs::pictures(&a.pictures);
    errors.iter().for_each(say::error);
    let done = if a.undo { turned_back(a, &sources) } else { mended(a, &sources) };
    let outcome = done.unwrap_or_else(|e| {
        say::error(&e);
        if a.common.json {
            let plan = Plan { dry_run: a.dry_run, ..Plan::default() };
            say::document(&job::document(None, &plan, &[]));
        }
        Outcome::Failed
    });
    if errors.is_empty() { outcome } else { Outcome::Failed }
}

fn mended(a: &Mend, sources: &[Source]) -> Result<Outcome, FrameError> {
    let (settings, plan) = (a.common.settings(), a.plan()?);
    if plan.out.is_none() && !plan.dry_run {
        return Err(no_folder());
    }
    if a.trace == Some(None) {
        let remedy = "Trace the shoot once, and name the document: --trace=shoot.json";
        let refused = |option: &str, why: &str| Err(FrameError::new(Fault::Usage, Path::new(option), why, remedy));
        if a.part.is_some() {
            return refused("--part", "every part would trace the whole shoot");
        }
        if a.originals.is_some() {
            return refused("--originals", "finished pictures are not traced, their originals are");
        }
    }
    let basis = basis(a, sources, &settings)?;
    let count = a.part.map_or(sources.len(), |part| part.share(sources.len()).len());
    let bar = say::progress(count);
    let all = job::mend(sources, &basis, &settings, &plan, &mut |done| {
        bar.suspend(|| match &done.result {
            Ok(_) if a.common.json => {}
            Ok(_) => say::text(&line(done)),
            Err(e) => say::error(e),
        });
        bar.inc(1);
    })?;
    bar.finish_and_clear();
    if !plan.dry_run
        && plan.part.is_none()
        && let Some(Err(e)) = a.common.ledger().map(|l| jobs::record::mended(&l, &basis, &all))
    {
        say::unrecorded(&e);
    }
    let reported = report(a, &basis, &settings, &plan, &all);
    if a.common.json {
        let mut document = job::document(Some(&basis), &plan, &all);
        document.part = job::part_entry(&plan, sources, &basis, &settings);
        say::document(&document);
    }
    // A part of few pictures may have none to take.
    let done = if all.is_empty() && plan.part.is_some() { Outcome::Clear } else { job::outcome(&all) };
    Ok(if reported { done } else { Outcome::Failed })
}

/// What the pictures are mended by.
fn basis(a: &Mend, sources: &[Source], settings: &Settings) -> Result<Basis, FrameError> {
    match (&a.test_frame, &a.trace) {
        (Some(wall), _) => Basis::test_frame(wall, settings),
        (None, Some(Some(document))) => Basis::trace_file(document),
        (None, _) => {
            let known = super::trace::known(None, &a.common, settings)?;
            let bar = say::progress(sources.len());
            let shoot = jobs::trace(sources, settings, &known, |_| bar.inc(1));
            bar.finish_and_clear();
            Basis::traced(jobs::trace::document(&shoot, &settings.viewings))
        }
    }
}

/// Writes the page of the run, where anything is written at all.
fn report(a: &Mend, basis: &Basis, settings: &Settings, plan: &Plan, all: &[MendedPicture]) -> bool {
    let Some(out) = plan.out.as_ref().filter(|_| !plan.dry_run) else { return true };
    match job::write_report(basis, settings, out, plan.part, all) {
        Ok(page) if a.common.json => eprintln!("Before and after: {}", shown(&page.display().to_string())),
        Ok(page) => say::text(&format!("Before and after: {}", shown(&page.display().to_string()))),
        Err(e) => {
            say::error(&e);
            return false;
        }
    }
    true
}

fn turned_back(a: &Mend, sources: &[Source]) -> Result<Outcome, FrameError> {
    let out = a.common.out.as_ref().ok_or_else(no_folder)?;
    let bar = say::progress(sources.len());
    let all = job::turn_back(sources, out, |done| {
        bar.suspend(|| match &done.result {
            Ok(_) if a.common.json => {}
            Ok((to, how)) => say::text(&format!("{}: {}", shown(&to.display().to_string()), how_far(*how))),
            Err(e) => say::error(e),
        });
        bar.inc(1);
    });
    bar.finish_and_clear();
    if a.common.json {
        say::document(&TurnedBack::document(&all));
    }
    Ok(TurnedBack::outcome(&all))
}

fn how_far(undone: Undone) -> &'static str {
    match undone {
        Undone::Bytes => "the original again, byte for byte",
        Undone::Pixels => "the original's pixels again, bit for bit; only packed otherwise",
    }
}

fn no_folder() -> FrameError {
    let remedy = "Name a folder for what is written: --out mended";
    FrameError::new(Fault::Usage, Path::new("--out"), "no output folder was given", remedy)
}

/// One picture in one line: how many lifted, how many untouched and why.
pub fn line(picture: &MendedPicture) -> String {
    let name = picture.path.file_name().unwrap_or(picture.path.as_os_str()).to_string_lossy().into_owned();
    match &picture.result {
        Ok(mending) => format!("{}: {}", shown(&name), sum(mending)),
        Err(e) => format!("{}: {}", shown(&name), e.message),
    }
}

fn sum(mending: &Mending) -> String {
    let count = |t: Treatment| mending.motes.iter().filter(|m| m.treatment == t).count();
    let mut parts = vec![format!("{} lifted", count(Treatment::Lifted))];
    if count(Treatment::Filled) > 0 {
        parts.push(format!("{} filled", count(Treatment::Filled)));
    }
    let mut reasons: BTreeMap<&str, usize> = BTreeMap::new();
    for reason in mending.motes.iter().filter_map(|m: &RepairEntry| m.reason) {
        *reasons.entry(reason.words()).or_default() += 1;
    }
    if !reasons.is_empty() {
        let why: Vec<String> = reasons.iter().map(|(words, n)| format!("{n} {words}")).collect();
        parts.push(format!("{} untouched ({})", count(Treatment::Untouched), why.join(", ")));
    }
    let showing = mending.motes.iter().filter(|m| m.still_shows).count();
    if showing > 0 {
        parts.push(format!("{showing} still showing"));
    }
    let before = if mending.done_before { " (done before)" } else { "" };
    format!("{}; {} pixels changed{before}", parts.join(", "), mending.pixels_changed)
}
