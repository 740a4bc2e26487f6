//! Why a picture is not mended at all.

use std::fmt;

use serde::Serialize;

/// Why a picture is not mended at all.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Refusal {
    /// What kind of reason.
    pub code: RefusalCode,
    /// What is wrong, in plain words.
    pub message: String,
    /// What to do about it, in plain words.
    pub remedy: String,
}

/// Kinds of reasons.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RefusalCode {
    /// Picture and test frame are not of one body, or cannot be told to be.
    OtherBody,
    /// F-number or pixel pitch are unknown.
    NoShotFacts,
    /// The test frame gave no chart.
    UnfitTestFrame,
}

impl Refusal {
    pub(super) fn new(code: RefusalCode, message: impl Into<String>, remedy: impl Into<String>) -> Refusal {
        Refusal { code, message: message.into(), remedy: remedy.into() }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.message, self.remedy)
    }
}

impl std::error::Error for Refusal {}
