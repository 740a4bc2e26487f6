//! Why the engine declines a job: what is wrong, and what to do.

use std::fmt;

use serde::{Deserialize, Serialize};

/// Why a picture is not mended, or two test frames are not held against each other.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refusal {
    /// What kind of reason.
    pub code: RefusalCode,
    /// What is wrong, in plain words.
    pub message: String,
    /// What to do about it, in plain words.
    pub remedy: String,
}

/// Kinds of reasons.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RefusalCode {
    /// The files are not of one body, or cannot be told to be.
    OtherBody,
    /// F-number or pixel pitch are unknown.
    NoShotFacts,
    /// A test frame gave no chart.
    UnfitTestFrame,
}

impl RefusalCode {
    /// Its stable name.
    pub fn name(self) -> &'static str {
        match self {
            RefusalCode::OtherBody => "other_body",
            RefusalCode::NoShotFacts => "no_shot_facts",
            RefusalCode::UnfitTestFrame => "unfit_test_frame",
        }
    }
}

impl Refusal {
    pub(crate) fn new(code: RefusalCode, message: impl Into<String>, remedy: impl Into<String>) -> Refusal {
        Refusal { code, message: message.into(), remedy: remedy.into() }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; {}", self.message, self.remedy)
    }
}

impl std::error::Error for Refusal {}
