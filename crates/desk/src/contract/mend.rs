//! What `motelight mend --json` says.

use motelight_frame::FrameError;
use motelight_motes::mend::{Outcome, Reason, Treatment};
use serde::{Deserialize, Serialize};

use crate::contract::{ErrorEntry, PartEntry};

pub(crate) const MEND_SCHEMA: &str = "motelight.mend/1";

/// `motelight.mend/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MendDocument {
    schema: &'static str,
    /// The test frame that was mended by.
    pub test_frame: Option<String>,
    /// The trace that was mended by.
    pub trace: Option<String>,
    /// Whether this only says what would be done.
    pub dry_run: bool,
    /// Which part of a run it is, if it is one.
    pub part: Option<PartEntry>,
    /// One entry per picture, in the order given.
    pub pictures: Vec<PictureEntry>,
}

impl MendDocument {
    /// A document over these pictures.
    pub fn new(test_frame: Option<String>, trace: Option<String>, dry_run: bool, pictures: Vec<PictureEntry>) -> Self {
        MendDocument { schema: MEND_SCHEMA, test_frame, trace, dry_run, part: None, pictures }
    }
}

/// One picture, mended, or why not.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct PictureEntry {
    pub path: String,
    pub output: Option<String>,
    pub mask: Option<String>,
    pub done_before: bool,
    pub motes: Vec<RepairEntry>,
    pub pixels_changed: Option<usize>,
    pub notes: Vec<String>,
    pub error: Option<ErrorEntry>,
}

/// What came of one mote in one picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct RepairEntry {
    pub id: String,
    pub x_px: f64,
    pub y_px: f64,
    pub treatment: Treatment,
    pub reason: Option<Reason>,
    pub depth_before: Option<f64>,
    pub depth_after: Option<f64>,
    pub depth_sigma: Option<f64>,
    pub depth_foretold: f64,
    pub probability: Option<f64>,
    pub shadow_width_px: f64,
    pub still_shows: bool,
}

impl PictureEntry {
    /// A picture that could not be mended.
    pub fn failed(path: String, error: &FrameError) -> Self {
        PictureEntry {
            path,
            output: None,
            mask: None,
            done_before: false,
            motes: Vec::new(),
            pixels_changed: None,
            notes: Vec::new(),
            error: Some(error.into()),
        }
    }
}

impl From<&Outcome> for RepairEntry {
    fn from(o: &Outcome) -> Self {
        RepairEntry {
            id: o.id.clone(),
            x_px: o.x_px,
            y_px: o.y_px,
            treatment: o.treatment,
            reason: o.reason,
            depth_before: o.depth_before,
            depth_after: o.depth_after,
            depth_sigma: o.depth_error,
            depth_foretold: o.depth_foretold,
            probability: o.probability,
            shadow_width_px: o.shadow_width_px,
            still_shows: o.still_shows,
        }
    }
}

/// `motelight.mend-undo/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UndoDocument {
    schema: &'static str,
    /// One entry per mended copy.
    pub pictures: Vec<UndoEntry>,
}

impl UndoDocument {
    /// A document over these copies.
    pub fn new(pictures: Vec<UndoEntry>) -> Self {
        UndoDocument { schema: "motelight.mend-undo/1", pictures }
    }
}

/// One mended copy, turned back, or why not.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct UndoEntry {
    pub path: String,
    pub output: Option<String>,
    pub identical: Option<&'static str>,
    pub error: Option<ErrorEntry>,
}
