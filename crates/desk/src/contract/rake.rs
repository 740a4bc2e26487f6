//! What `motelight rake --json` says.

use serde::Serialize;

use crate::contract::ErrorEntry;

/// `motelight.rake/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct RakeDocument {
    schema: &'static str,
    pub path: String,
    pub output: Option<String>,
    pub width: Option<usize>,
    pub height: Option<usize>,
    pub strength: f64,
    pub scale: f64,
    pub scale_px: Option<f64>,
    pub error: Option<ErrorEntry>,
}

impl RakeDocument {
    /// A document on one picture that was not drawn.
    pub fn of(path: String, strength: f64, scale: f64) -> Self {
        RakeDocument {
            schema: "motelight.rake/1",
            path,
            output: None,
            width: None,
            height: None,
            strength,
            scale,
            scale_px: None,
            error: None,
        }
    }
}
