//! `motelight trace`.

use std::path::PathBuf;

use clap::Args;
use motelight_desk::jobs::trace::{self as job, BADLY, TracedBody};
use motelight_desk::jobs::{self, Outcome};
use motelight_desk::report::{TraceSheet, shown, trace_text};

use crate::common::Common;
use crate::say;

/// Trace a shoot.
#[derive(Debug, Args)]
pub struct Trace {
    /// Pictures of a shoot, or folders of them, as the camera wrote them
    #[arg(required = true)]
    pub pictures: Vec<PathBuf>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// Traces a shoot.
pub fn run(a: &Trace) -> Outcome {
    let settings = a.common.settings();
    let (sources, errors) = jobs::pictures(&a.pictures);
    errors.iter().for_each(say::error);
    let bar = say::progress(sources.len());
    let shoot = jobs::trace(&sources, &settings, |_| bar.inc(1));
    bar.finish_and_clear();
    shoot.errors.iter().for_each(say::error);
    if shoot.bodies.is_empty() {
        say::error(&job::nothing_to_trace());
    }
    if a.common.json {
        say::document(&job::document(&shoot, &settings));
    } else {
        shoot.bodies.iter().for_each(|body| say::text(&text(body)));
        for (path, reason) in &shoot.left_out {
            say::text(&format!("Left out: {}: {reason}.", shown(&path.display().to_string())));
        }
    }
    let outcome = job::outcome(&shoot);
    if errors.is_empty() { outcome } else { Outcome::Failed }
}

fn text(body: &TracedBody) -> String {
    trace_text(&TraceSheet { traced: &body.traced, names: &body.names(), badly: BADLY })
}
