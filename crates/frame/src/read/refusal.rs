//! Why the raw library's side of the work came to nothing.

use std::path::Path;

use rawler::rawsource::RawSource;
use serde::{Deserialize, Serialize};

/// Why the picture is not decoded.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Refusal {
    pub why: Why,
    pub message: String,
}

/// The kinds of [`Refusal`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Why {
    Unsupported,
    Broken,
    OutOfMemory,
    Unwritable,
}

impl Refusal {
    pub fn unsupported(message: impl Into<String>) -> Refusal {
        Refusal { why: Why::Unsupported, message: message.into() }
    }

    pub fn broken(message: impl Into<String>) -> Refusal {
        Refusal { why: Why::Broken, message: message.into() }
    }
}

impl From<rawler::RawlerError> for Refusal {
    fn from(error: rawler::RawlerError) -> Self {
        match error {
            rawler::RawlerError::Unsupported { make, model, .. } if make.is_empty() && model.is_empty() => {
                Refusal::unsupported("it is damaged, or of no format that is known here")
            }
            rawler::RawlerError::Unsupported { what, make, model, .. } => {
                Refusal::unsupported(format!("{what} ({make} {model})"))
            }
            rawler::RawlerError::DecoderFailed(why) => {
                let why = why.lines().next().unwrap_or_default().to_owned();
                if why.contains("nsupported") { Refusal::unsupported(why) } else { Refusal::broken(why) }
            }
        }
    }
}

/// Opens a raw file for the raw library.
pub(super) fn open(path: &Path) -> Result<RawSource, Refusal> {
    RawSource::new(path).map_err(|e| match e.kind() {
        std::io::ErrorKind::OutOfMemory => Refusal { why: Why::OutOfMemory, message: e.to_string() },
        _ => Refusal::broken(e.to_string()),
    })
}
