//! Errors, sorted by who must act.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

/// Who must act, and on what.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// The file is damaged, truncated or not what its name says.
    Broken,
    /// The file is whole, but of a kind that cannot be read or written here.
    Unsupported,
    /// The file asks for more pixels or memory than the limits allow.
    TooLarge,
    /// The file is missing, locked or not readable.
    Unreadable,
    /// The output cannot be written: disk full, no permission, name taken.
    Unwritable,
    /// The call makes no sense: missing sensor size, output onto the original, ...
    Usage,
}

impl Fault {
    /// The stable code used in JSON.
    pub fn code(self) -> &'static str {
        match self {
            Fault::Broken => "broken",
            Fault::Unsupported => "unsupported",
            Fault::TooLarge => "too_large",
            Fault::Unreadable => "unreadable",
            Fault::Unwritable => "unwritable",
            Fault::Usage => "usage",
        }
    }
}

/// An error that names the file, says what is wrong and what to do about it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{}: {message}", path.display())]
pub struct FrameError {
    /// Who must act.
    pub fault: Fault,
    /// The file it is about.
    pub path: PathBuf,
    /// What is wrong, in plain words.
    pub message: String,
    /// What to do about it, in plain words.
    pub remedy: String,
}

impl FrameError {
    /// An error about `path`; `message` says what is wrong, `remedy` what to do.
    pub fn new(fault: Fault, path: &Path, message: impl Into<String>, remedy: impl Into<String>) -> Self {
        FrameError { fault, path: path.to_path_buf(), message: message.into(), remedy: remedy.into() }
    }
}
