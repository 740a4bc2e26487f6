//! `motelight demo`.

use std::path::PathBuf;

use clap::Args;
use motelight_desk::jobs::mend::{Plan, document, outcome};
use motelight_desk::jobs::{self, Outcome};
use motelight_desk::report::{inspection_text, recheck_text};

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
        if let Ok(compare) = &made.rechecked.result {
            say::text(&format!(
                "\n{}",
                recheck_text(&compare.before, &compare.after, &compare.recheck, &compare.advice)
            ));
        }
        let pages = [
            ("Originals", Some(&made.shoot)),
            ("Mended", Some(&made.mended)),
            ("What lies on the sensor", made.report.as_ref()),
            ("Before and after", Some(&made.page)),
            ("Sign-off", made.pages.report.as_ref()),
            ("Delivery note", made.pages.delivery_note.as_ref()),
            ("Step card for the bench", made.card.as_ref()),
            ("Ledger", Some(&made.ledger)),
        ];
        say::text("\nOpen the pages in a browser:");
        for (what, path) in pages.iter().filter_map(|(what, path)| Some((what, path.as_ref()?))) {
            say::text(&format!("  {what:<24}{}", path.display()));
        }
    }
    if outcome(&made.pictures) == Outcome::Failed { Outcome::Failed } else { Outcome::Clear }
}
