//! `motelight merge`.

use std::path::PathBuf;

use clap::Args;
use motelight_desk::jobs::merge::merge;
use motelight_desk::jobs::{Outcome, Settings, trace};
use motelight_frame::FrameError;

use crate::common::reading;
use crate::say;

/// Put parts together.
#[derive(Debug, Args)]
pub struct Merge {
    /// All parts of one run with --part: part files of `trace`, or documents of `mend --json` or `signoff --json`
    #[arg(required = true)]
    pub parts: Vec<PathBuf>,
    /// Folder for the page of a trace
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

/// Writes the document that one run would have written to standard output.
pub fn run(a: &Merge) -> Outcome {
    let done = if a.parts.iter().any(|p| trace::is_part(p)) { traced(a) } else { joined(a) };
    done.unwrap_or_else(|e| {
        say::error(&e);
        Outcome::Failed
    })
}

fn joined(a: &Merge) -> Result<Outcome, FrameError> {
    let merged = merge(&a.parts)?;
    say::document(&merged);
    Ok(merged.outcome)
}

fn traced(a: &Merge) -> Result<Outcome, FrameError> {
    let (mut shoot, viewings) = trace::gather(&a.parts, |_| ())?;
    if shoot.bodies.is_empty() {
        say::error(&trace::nothing_to_trace());
    }
    if let Some(out) = &a.out {
        let settings = Settings { read: reading(None), viewings: viewings.clone() };
        match trace::write_report(&shoot, &settings, out) {
            Ok(path) => shoot.report = Some(path),
            Err(e) => shoot.errors.push(e),
        }
    }
    shoot.errors.iter().for_each(say::error);
    say::document(&trace::document(&shoot, &viewings));
    Ok(trace::outcome(&shoot))
}
