//! The JSON documents: keys are stable, every key is always there, null where nothing is known.

mod inspect;
mod mend;
mod trace;
mod advice;
mod recheck;
mod rake;
mod signoff;
mod ledger;

pub use advice::*;
pub use inspect::*;
pub use ledger::*;
pub use mend::*;
pub use rake::*;
pub use recheck::*;
pub use signoff::*;
pub use trace::*;

use motelight_frame::FrameError;
use serde::{Deserialize, Serialize};

/// The body, as far as the file tells.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct BodyEntry {
    pub make: Option<String>,
    pub model: Option<String>,
    pub serial: Option<String>,
}

impl From<Option<&motelight_frame::Body>> for BodyEntry {
    fn from(body: Option<&motelight_frame::Body>) -> Self {
        BodyEntry {
            make: body.map(|b| b.make.clone()),
            model: body.map(|b| b.model.clone()),
            serial: body.and_then(|b| b.serial.clone()),
        }
    }
}

/// Which part of a run a document is; a whole run has none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PartEntry {
    /// Which, from 1 on.
    pub number: usize,
    /// Of how many.
    pub of: usize,
    /// Tells the run: the same for all parts of the same pictures under the same settings.
    pub run: String,
}

/// What went wrong with one file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ErrorEntry {
    /// Stable code.
    pub code: &'static str,
    /// What is wrong.
    pub message: String,
    /// What to do.
    pub remedy: String,
}

impl From<&FrameError> for ErrorEntry {
    fn from(e: &FrameError) -> Self {
        ErrorEntry { code: e.fault.code(), message: e.message.clone(), remedy: e.remedy.clone() }
    }
}
