//! `motelight recheck`.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use motelight_desk::jobs::Outcome;
use motelight_desk::jobs::recheck::{self as job, Known, Refused};
use motelight_desk::report::{recheck_text, shown};
use motelight_frame::{FNumber, Fault, FrameError};
use motelight_motes::advise::{Circumstances, PassKind};

use crate::common::Common;
use crate::say;

/// Hold a second test frame against the first.
#[derive(Debug, Args)]
pub struct Recheck {
    /// The test frame from before
    pub before: PathBuf,
    /// The test frame from after
    pub after: PathBuf,
    /// A pass made between the two; once per pass, in their order
    #[arg(long = "pass", value_name = "KIND")]
    pub passes: Vec<Pass>,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub advice: Standing,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// A kind of pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
#[allow(missing_docs, reason = "the words say it")]
pub enum Pass {
    Blow,
    Brush,
    Swab,
}

impl From<Pass> for PassKind {
    fn from(pass: Pass) -> PassKind {
        match pass {
            Pass::Blow => PassKind::Blow,
            Pass::Brush => PassKind::Brush,
            Pass::Swab => PassKind::Swab,
        }
    }
}

/// What advice depends on besides the frames.
#[derive(Debug, Args)]
pub struct Standing {
    /// Largest f-number of the work booked: f/11 (default: assumed f/16)
    #[arg(long, value_name = "F", value_parser = f_number)]
    pub booked: Option<FNumber>,
    /// Sand or other grit may be on the glass
    #[arg(long)]
    pub grit: bool,
    /// Not at a clean, still place
    #[arg(long)]
    pub on_location: bool,
    /// The battery is not full
    #[arg(long)]
    pub battery_low: bool,
    /// The body is cold or misted
    #[arg(long)]
    pub cold: bool,
    /// The manual or the warranty forbids cleaning, or leaves it in doubt
    #[arg(long)]
    pub manual_forbids: bool,
}

impl Standing {
    /// For the jobs.
    pub fn circumstances(&self) -> Circumstances {
        Circumstances {
            grit: self.grit,
            on_location: self.on_location,
            battery_low: self.battery_low,
            cold_or_misted: self.cold,
            manual_forbids: self.manual_forbids,
        }
    }
}

/// Reads `f/11`, `F11` or `11`.
pub fn f_number(text: &str) -> Result<FNumber, String> {
    let digits = text.trim().trim_start_matches(['f', 'F']).trim_start_matches('/');
    digits.parse().ok().and_then(FNumber::new).ok_or_else(|| "give an f-number, such as f/11".into())
}

/// Holds the second frame against the first.
pub fn run(a: &Recheck) -> Outcome {
    let known = Known {
        passes: a.passes.iter().map(|&p| p.into()).collect(),
        booked: a.advice.booked,
        circumstances: a.advice.circumstances(),
    };
    let ledger = a.common.ledger();
    let settings = a.common.settings();
    let go_on = |_: &Path| ControlFlow::Continue(());
    let done = job::recheck(&a.before, &a.after, &settings, &known, ledger.as_deref(), go_on);
    if let Some(e) = done.result.as_ref().ok().and_then(|c| c.unrecorded.as_ref()) {
        say::unrecorded(e);
    }
    let card = match done.result.as_ref().ok().zip(a.common.out.as_ref()).map(|(c, out)| job::write_card(c, out)) {
        Some(Ok(path)) => Some(path),
        Some(Err(e)) => {
            say::error(&e);
            return Outcome::Failed;
        }
        None => None,
    };
    match &done.result {
        Ok(_) if a.common.json => {}
        Ok(c) => {
            say::text(&format!(
                "{}\n{}\n",
                shown(&a.before.display().to_string()),
                shown(&a.after.display().to_string())
            ));
            say::text(&recheck_text(&c.before, &c.after, &c.recheck, &c.advice));
            if let Some(card) = &card {
                say::text(&format!("  Step card: {}\n", shown(&card.display().to_string())));
            }
        }
        Err(Refused::Unread(e)) => say::error(e),
        Err(Refused::Unlike { path, why }) => {
            say::error(&FrameError::new(Fault::Usage, path, why.message.as_str(), why.remedy.as_str()));
        }
    }
    if a.common.json {
        say::document(&job::document(&done, card.as_deref()));
    }
    job::outcome(&done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn f_numbers_are_read_as_people_write_them() {
        for text in ["f/11", "F11", "11", " f/11"] {
            assert_eq!(f_number(text).map(FNumber::marked), Ok(11.0), "{text}");
        }
        assert!(f_number("wide open").is_err() && f_number("0").is_err());
    }
}
