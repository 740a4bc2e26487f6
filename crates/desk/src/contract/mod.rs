//! The JSON documents: keys are stable, every key is always there, null where nothing is known.

mod inspect;
mod mend;
mod trace;

pub use inspect::*;
pub use mend::*;
pub use trace::*;

use motelight_frame::FrameError;
use serde::Serialize;

/// The body, as far as the file tells.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct BodyEntry {
    pub make: Option<String>,
    pub model: Option<String>,
    pub serial: Option<String>,
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
