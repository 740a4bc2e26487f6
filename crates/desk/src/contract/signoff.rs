//! What `motelight signoff --json` says.

use motelight_frame::FrameError;
use motelight_motes::signoff::{Cause, Suspect, Verdict, Vouch};
use motelight_motes::visibility::Medium;
use serde::Serialize;

use crate::contract::{ErrorEntry, PartEntry};

pub(crate) const SIGNOFF_SCHEMA: &str = "motelight.signoff/1";

/// `motelight.signoff/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SignOffDocument {
    schema: &'static str,
    /// Which part of a run it is, if it is one.
    pub part: Option<PartEntry>,
    /// One entry per file, in the order given.
    pub files: Vec<SignedFileEntry>,
    /// The conditions judged for.
    pub viewing: Vec<String>,
    /// The trace whose motes were asked for.
    pub trace: Option<String>,
    /// The test frame whose motes were asked for.
    pub test_frame: Option<String>,
    /// The ledger whose test frames were asked for.
    pub ledger: Option<String>,
    /// The contact sheet that was written.
    pub report: Option<String>,
    /// The delivery note that was written; only where at least one file is clear.
    pub delivery_note: Option<String>,
}

impl SignOffDocument {
    /// A document over these files.
    pub fn new(files: Vec<SignedFileEntry>, viewing: Vec<String>) -> Self {
        SignOffDocument {
            schema: SIGNOFF_SCHEMA,
            part: None,
            files,
            viewing,
            trace: None,
            test_frame: None,
            ledger: None,
            report: None,
            delivery_note: None,
        }
    }
}

/// One file, judged, or why not.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct SignedFileEntry {
    pub path: String,
    pub verdict: Option<Verdict>,
    pub width: Option<usize>,
    pub height: Option<usize>,
    pub sha256: Option<String>,
    pub print: Option<PrintEntry>,
    pub suspects: Vec<SuspectEntry>,
    pub vouches_to: VouchesEntry,
    pub original: Option<OriginalEntry>,
    pub motes: Vec<AnswerEntry>,
    pub notes: Vec<String>,
    pub error: Option<ErrorEntry>,
}

impl SignedFileEntry {
    /// A file that could not be judged for a fault of its own.
    pub fn failed(path: String, error: &FrameError) -> Self {
        SignedFileEntry { path, error: Some(error.into()), ..SignedFileEntry::default() }
    }
}

/// The print judged for, as the picture fills it.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct PrintEntry {
    pub width_mm: f64,
    pub height_mm: f64,
    pub distance_mm: f64,
    pub ppi: f64,
}

impl PrintEntry {
    /// The first print among what was asked for.
    pub fn of(vouches: &[Vouch]) -> Option<PrintEntry> {
        vouches.iter().find_map(|v| match v.viewing.medium {
            Medium::Print(print) => Some(PrintEntry {
                width_mm: print.width.0,
                height_mm: print.height.0,
                distance_mm: v.viewing.distance.0,
                ppi: v.ppi,
            }),
            Medium::Screen { .. } => None,
        })
    }
}

/// One suspect.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct SuspectEntry {
    pub number: usize,
    pub x_px: f64,
    pub y_px: f64,
    pub width_px: f64,
    pub contrast: f64,
    pub contrast_sigma: f64,
    pub times_threshold: f64,
    pub snr: f64,
    pub counts: bool,
    pub mote_id: Option<String>,
    pub reason: Cause,
}

impl SuspectEntry {
    /// A suspect by its place in the list.
    pub fn of(index: usize, s: &Suspect) -> Self {
        SuspectEntry {
            number: index + 1,
            x_px: s.at.x,
            y_px: s.at.y,
            width_px: s.width_px,
            contrast: s.contrast,
            contrast_sigma: s.contrast_sigma,
            times_threshold: s.times_threshold,
            snr: s.snr,
            counts: s.counts,
            mote_id: s.mote.clone(),
            reason: s.cause,
        }
    }
}

/// What the file can vouch for, by kind of viewing.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct VouchesEntry {
    pub screen: Option<VouchEntry>,
    pub print: Option<VouchEntry>,
}

/// What it can vouch for in one viewing.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct VouchEntry {
    pub judged: bool,
    pub ppi: f64,
    pub plain_share: f64,
    pub finds_from_times_threshold: Option<f64>,
}

impl VouchesEntry {
    /// The first viewing of each kind.
    pub fn of(vouches: &[Vouch]) -> Self {
        let entry = |v: &Vouch| VouchEntry {
            judged: v.judged,
            ppi: v.ppi,
            plain_share: v.plain_share,
            finds_from_times_threshold: v.finds_from_times_threshold,
        };
        let on_paper = |v: &&Vouch| matches!(v.viewing.medium, Medium::Print(_));
        VouchesEntry {
            screen: vouches.iter().find(|v| !on_paper(v)).map(entry),
            print: vouches.iter().find(on_paper).map(entry),
        }
    }
}

/// The original that a file was made from, and how it was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct OriginalEntry {
    pub path: String,
    pub told_by: String,
    pub matched_share: f64,
    pub position_sigma_px: f64,
    pub turned_degrees: u16,
    pub finished_from_original: [[f64; 3]; 3],
    pub radial: f64,
}

/// How a mote of the shoot stands in a finished picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// It would be seen.
    Visible,
    /// It would not be seen.
    NotVisible,
    /// It lies outside the crop.
    OutsideTheCrop,
}

/// One mote of the shoot.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct AnswerEntry {
    pub mote_id: String,
    pub answer: Answer,
    pub x_px: Option<f64>,
    pub y_px: Option<f64>,
    pub width_px: f64,
    pub contrast: Option<f64>,
    pub contrast_sigma: Option<f64>,
    pub times_threshold: Option<f64>,
}
