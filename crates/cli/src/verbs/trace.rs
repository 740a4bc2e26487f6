//! `motelight trace`.

use std::path::{Path, PathBuf};

use clap::Args;
use motelight_desk::jobs::trace::{self as job, BADLY, News, TracedBody};
use motelight_desk::jobs::{self, Outcome, Part, Settings, Source};
use motelight_desk::report::{TraceSheet, shown, trace_text};
use motelight_frame::{Fault, FrameError};
use motelight_motes::trace::Known;

use crate::common::Common;
use crate::say;

/// Trace a shoot.
#[derive(Debug, Args)]
pub struct Trace {
    /// Pictures of a shoot, or folders of them, as the camera wrote them
    #[arg(required_unless_present = "watch")]
    pub pictures: Vec<PathBuf>,
    /// A test frame by the same body: its motes are looked for first, its glass height is taken where pictures do not tell it
    /// (default: the newest one of the body in the ledger)
    #[arg(long, value_name = "WALL")]
    pub test_frame: Option<PathBuf>,
    /// Follow a growing folder (tethered camera, card being copied) and speak up when a new mote will show
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["pictures", "json", "test_frame"])]
    pub watch: Option<PathBuf>,
    /// Only read part K of N of the pictures, on one of N machines, into a part file below --out; `motelight merge` judges all
    /// parts as one run would
    #[arg(long, value_name = "K/N", requires = "out", conflicts_with_all = ["watch", "json"])]
    pub part: Option<Part>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// Traces a shoot.
pub fn run(a: &Trace) -> Outcome {
    let settings = a.common.settings();
    if let Some(folder) = &a.watch {
        return watch(folder, &settings);
    }
    let known = match known(a.test_frame.as_deref(), &a.common, &settings) {
        Ok(known) => known,
        Err(e) => {
            say::error(&e);
            return Outcome::Failed;
        }
    };
    let (sources, errors) = jobs::pictures(&a.pictures);
    errors.iter().for_each(say::error);
    if let (Some(part), Some(out)) = (a.part, &a.common.out) {
        let outcome = read_part(&sources, part, &settings, &known, out);
        return if errors.is_empty() { outcome } else { Outcome::Failed };
    }
    let bar = say::progress(sources.len());
    let mut shoot = jobs::trace(&sources, &settings, &known, |_| bar.inc(1));
    bar.finish_and_clear();
    if shoot.bodies.is_empty() {
        say::error(&job::nothing_to_trace());
    }
    if let Some(out) = &a.common.out {
        match job::write_report(&shoot, &settings, out) {
            Ok(path) => shoot.report = Some(path),
            Err(e) => shoot.errors.push(e),
        }
    }
    shoot.errors.iter().for_each(say::error);
    if a.common.json {
        say::document(&job::document(&shoot, &settings.viewings));
    } else {
        shoot.bodies.iter().for_each(|body| say::text(&text(body)));
        for (path, reason) in &shoot.left_out {
            say::text(&format!("Left out: {}: {reason}.", shown(&path.display().to_string())));
        }
        if let Some(report) = &shoot.report {
            say::text(&format!("Report: {}", shown(&report.display().to_string())));
        }
    }
    let outcome = job::outcome(&shoot);
    if errors.is_empty() { outcome } else { Outcome::Failed }
}

fn read_part(sources: &[Source], part: Part, settings: &Settings, known: &[Known], out: &Path) -> Outcome {
    let bar = say::progress(part.share(sources.len()).len());
    let written = job::write_part(sources, part, settings, known, out, |_| bar.inc(1));
    bar.finish_and_clear();
    match written {
        Ok((path, errors)) => {
            errors.iter().for_each(say::error);
            say::text(&format!("Part file: {}", shown(&path.display().to_string())));
            if errors.is_empty() { Outcome::Clear } else { Outcome::Failed }
        }
        Err(e) => {
            say::error(&e);
            Outcome::Failed
        }
    }
}

/// What is known of the bodies: by the test frame that was named, else by the ledger. A ledger that cannot be read stops nothing.
pub fn known(wall: Option<&Path>, common: &Common, settings: &Settings) -> Result<Vec<Known>, FrameError> {
    let known = job::known(wall, common.ledger().as_deref(), settings);
    known.or_else(|e| match wall {
        Some(_) => Err(e),
        None => {
            say::error(&e);
            Ok(Vec::new())
        }
    })
}

/// Follows a folder until it goes away or the program is interrupted.
fn watch(folder: &Path, settings: &Settings) -> Outcome {
    if !folder.is_dir() {
        let remedy = "Name the folder into which the pictures are being written.";
        say::error(&FrameError::new(Fault::Usage, folder, "there is no such folder", remedy));
        return Outcome::Failed;
    }
    let mut outcome = Outcome::Clear;
    job::watch(folder, settings, |news| match news {
        News::Taken(n) => say::text(&format!("{n} pictures taken in")),
        News::Mote(sentence) => {
            outcome = outcome.max(Outcome::Work);
            say::text(&sentence);
        }
        News::Failed(e) => say::error(&e),
    });
    outcome
}

fn text(body: &TracedBody) -> String {
    trace_text(&TraceSheet { traced: &body.traced, names: &body.names(), badly: BADLY })
}
