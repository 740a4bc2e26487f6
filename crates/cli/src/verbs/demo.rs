//! `motelight demo`.

use std::path::PathBuf;

use clap::Args;
use motelight_desk::jobs::mend::{Plan, document, outcome};
use motelight_desk::jobs::{self, Outcome};
use motelight_desk::report::inspection_text;

use crate::common::Common;
use crate::say;
use crate::verbs::mend::line;

/// The demo.
#[derive(Debug, Args)]
pub struct Demo {
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// Makes the demo shoot and runs the whole line on it. Ends well if the line ran: the made-up sensor is dirty by design.
pub fn run(a: &Demo) -> Outcome {
    let folder = a.common.out.clone().unwrap_or_else(|| PathBuf::from("demo-shoot"));
    let made = match jobs::demo(&folder, &a.common.settings(), |step| eprintln!("{step}")) {
        Ok(made) => made,
        Err(e) => {
            say::error(&e);
            return Outcome::Failed;
        }
    };
    if a.common.json {
        say::document(&document(Some(&made.basis), &Plan::default(), &made.pictures));
    } else {
        if let Some(inspection) = made.basis.inspection() {
            say::text(&inspection_text(&made.test_frame.display().to_string(), inspection));
        }
        made.pictures.iter().for_each(|p| say::text(&line(p)));
        say::text(&format!("\nOriginals: {}\nMended:    {}", made.shoot.display(), made.mended.display()));
        say::text(&format!("Before and after: {}", made.page.display()));
        if let Some(report) = &made.report {
            say::text(&format!("Report:    {}  (open it in a browser)", report.display()));
        }
    }
    if outcome(&made.pictures) == Outcome::Failed { Outcome::Failed } else { Outcome::Clear }
}
