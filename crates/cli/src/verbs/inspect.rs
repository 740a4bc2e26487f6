//! `motelight inspect`.

use std::path::PathBuf;

use clap::Args;
use motelight_desk::jobs::{self, Outcome};
use motelight_desk::report::{inspection_text, shown};

use crate::common::Common;
use crate::say;

/// Judge test frames.
#[derive(Debug, Args)]
pub struct Inspect {
    /// Test frames, or folders of them
    #[arg(required = true)]
    pub pictures: Vec<PathBuf>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// Judges test frames.
pub fn run(a: &Inspect) -> Outcome {
    let settings = a.common.settings();
    let (sources, errors) = jobs::pictures(&a.pictures);
    errors.iter().for_each(say::error);
    let bar = say::progress(sources.len());
    let all = jobs::inspect(&sources, &settings, a.common.out.as_deref(), |done| {
        bar.suspend(|| match &done.result {
            Ok(inspection) if !a.common.json => {
                say::text(&inspection_text(&done.path.display().to_string(), inspection));
                if let Some(report) = &done.report {
                    say::text(&format!("  Report: {}\n", shown(&report.display().to_string())));
                }
            }
            Ok(_) => {}
            Err(e) => say::error(e),
        });
        bar.inc(1);
    });
    bar.finish_and_clear();
    if let Some(Err(e)) = a.common.ledger().map(|ledger| jobs::record::inspected(&ledger, &all)) {
        say::unrecorded(&e);
    }
    if a.common.json {
        say::document(&jobs::inspect::document(&all));
    }
    let outcome = jobs::inspect::outcome(&all);
    if errors.is_empty() { outcome } else { Outcome::Failed }
}
