//! `motelight signoff`.

use std::ops::ControlFlow;
use std::path::PathBuf;

use clap::{ArgGroup, Args};
use motelight_desk::jobs::signoff::{self as job, KnownShoot, Pages, SignedFile};
use motelight_desk::jobs::{self, Outcome, Part};
use motelight_desk::report::{shown, signoff_text};
use motelight_frame::{Fault, FrameError};

use crate::common::Common;
use crate::say;

/// Sign finished pictures off.
#[derive(Debug, Args)]
#[command(group(ArgGroup::new("motes").args(["trace", "test_frame"])))]
pub struct SignOff {
    /// Finished pictures, or folders of them; they are only read
    #[arg(required = true)]
    pub pictures: Vec<PathBuf>,
    /// The trace of the shoot (what `trace --json` wrote): each of its motes is answered for
    #[arg(long, value_name = "TRACE.json", requires = "originals")]
    pub trace: Option<PathBuf>,
    /// A test frame by the body of the originals: each of its motes that its original shows is answered for
    #[arg(long, value_name = "WALL", requires = "originals")]
    pub test_frame: Option<PathBuf>,
    /// Folder of the originals that the pictures were made from. With neither a trace nor a test frame, the ledger's test frames of
    /// their bodies tell the motes
    #[arg(long, value_name = "DIR")]
    pub originals: Option<PathBuf>,
    /// Look over only part K of N of the pictures, on one of N machines. With --json its document is for `motelight merge`.
    /// Writes nothing to the ledger, and no pages
    #[arg(long, value_name = "K/N", conflicts_with = "out")]
    pub part: Option<Part>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// Signs finished pictures off.
pub fn run(a: &SignOff) -> Outcome {
    let settings = a.common.settings();
    let shoot = match (&a.trace, &a.test_frame, &a.originals) {
        (Some(trace), _, Some(originals)) => KnownShoot::traced(trace, originals).map(Some),
        (_, Some(wall), Some(originals)) => KnownShoot::by_test_frame(wall, originals, &settings).map(Some),
        (None, None, Some(originals)) => match a.common.ledger() {
            Some(ledger) => KnownShoot::recorded(&ledger, originals, &settings).map(Some),
            None => {
                let remedy = "Name a trace or a test frame, or leave --no-record out so that the ledger is asked.";
                Err(FrameError::new(Fault::Usage, originals, "nothing tells the motes of these originals", remedy))
            }
        },
        _ => Ok(None),
    };
    let shoot = match shoot {
        Ok(shoot) => shoot,
        Err(e) => {
            say::error(&e);
            return Outcome::Failed;
        }
    };
    let (sources, errors) = jobs::pictures(&a.pictures);
    errors.iter().for_each(say::error);
    let share = &sources[a.part.map_or(0..sources.len(), |part| part.share(sources.len()))];
    let bar = say::progress(share.len());
    let all = job::sign_off_all(share, &settings, shoot.as_ref(), a.common.out.is_some(), &mut |done| {
        bar.suspend(|| match &done.result {
            Ok(_) if a.common.json => {}
            Ok(_) => say::text(&told(done)),
            Err(e) => say::error(e),
        });
        bar.inc(1);
        ControlFlow::Continue(())
    });
    bar.finish_and_clear();
    if let Some(Err(e)) =
        a.common.ledger().filter(|_| a.part.is_none()).map(|ledger| jobs::record::signed_off(&ledger, &all))
    {
        say::unrecorded(&e);
    }
    let mut outcome = if share.is_empty() && a.part.is_some() { Outcome::Clear } else { job::outcome(&all) };
    let pages = match a.common.out.as_ref().map(|out| job::write_pages(&all, &settings, out)) {
        Some(Ok(pages)) => pages,
        Some(Err(e)) => {
            say::error(&e);
            outcome = Outcome::Failed;
            Pages::default()
        }
        None => Pages::default(),
    };
    if a.common.json {
        let mut document = job::document(&all, &settings, shoot.as_ref(), &pages);
        document.part = a.part.map(|part| {
            part.entry(
                &sources,
                &settings,
                &format!("signoff {:?} {:?} {:?}", document.trace, document.test_frame, document.ledger),
            )
        });
        say::document(&document);
    } else {
        let written = [("Contact sheet", &pages.report), ("Delivery note", &pages.delivery_note)];
        for (what, path) in written.iter().filter_map(|(what, path)| Some((what, path.as_ref()?))) {
            say::text(&format!("{what}: {}", shown(&path.display().to_string())));
        }
    }
    if errors.is_empty() { outcome } else { Outcome::Failed }
}

fn told(file: &SignedFile) -> String {
    let Ok(s) = &file.result else { return String::new() };
    let motes = s.answered.as_ref().map_or(&[][..], |t| &t.answers);
    signoff_text(&file.path.display().to_string(), s.size, s.orientation, &s.sign_off, motes)
}
