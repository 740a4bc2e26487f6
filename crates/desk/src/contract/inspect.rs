//! What `motelight inspect --json` says.

use motelight_frame::FrameError;
use motelight_motes::inspect::fitness::{FindingCode, Verdict};
use motelight_motes::inspect::stand_off::StandOffSource;
use motelight_motes::inspect::{Inspection, Kind, Mote};
use motelight_motes::visibility::LimitedBy;
use serde::Serialize;

use crate::contract::{BodyEntry, ErrorEntry};

/// `motelight.inspect/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InspectDocument {
    schema: &'static str,
    /// One entry per file, in the order given.
    pub frames: Vec<FrameEntry>,
}

impl InspectDocument {
    /// A document over these frames.
    pub fn new(frames: Vec<FrameEntry>) -> Self {
        InspectDocument { schema: "motelight.inspect/1", frames }
    }
}

/// One test frame, or why it could not be read.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct FrameEntry {
    pub path: String,
    pub width: Option<usize>,
    pub height: Option<usize>,
    pub f_number: Option<f64>,
    pub iso: Option<f64>,
    pub body: BodyEntry,
    pub pixel_pitch_um: Option<f64>,
    pub fitness: Option<FitnessEntry>,
    pub stand_off_mm: StandOffEntry,
    pub floor_um: Option<f64>,
    pub threshold_snr: Option<f64>,
    pub clear_to: Option<f64>,
    pub clear_to_limited_by: Option<LimitedBy>,
    pub viewing: Vec<String>,
    pub false_motes_per_frame: Option<f64>,
    pub motes: Vec<MoteEntry>,
    pub notes: Vec<String>,
    pub report: Option<String>,
    pub error: Option<ErrorEntry>,
}

/// The stand-off and where it comes from.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct StandOffEntry {
    pub value: Option<f64>,
    pub sigma: Option<f64>,
    pub source: Option<StandOffSource>,
}

/// Verdict and findings.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct FitnessEntry {
    pub verdict: Verdict,
    pub findings: Vec<FindingEntry>,
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct FindingEntry {
    pub code: FindingCode,
    pub verdict: Verdict,
    pub message: String,
    pub remedy: String,
}

/// One mote; `*_sigma` are standard uncertainties of the key before them.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct MoteEntry {
    pub id: String,
    pub x_px: f64,
    pub y_px: f64,
    pub position_sigma_px: f64,
    pub x_mm: Option<f64>,
    pub y_mm: Option<f64>,
    pub depth: f64,
    pub depth_sigma: f64,
    pub shadow_width_px: f64,
    pub shadow_width_sigma_px: f64,
    pub blocked_area_um2: Option<f64>,
    pub blocked_area_sigma_um2: Option<f64>,
    pub equivalent_diameter_um: Option<f64>,
    pub equivalent_diameter_sigma_um: Option<f64>,
    pub shows_from: Option<f64>,
    pub kind: Kind,
    pub snr: f64,
    pub stand_off_mm: Option<f64>,
    pub at_edge: bool,
    pub merged: bool,
    pub under_glass: bool,
}

impl FrameEntry {
    /// A judged frame.
    pub fn judged(path: String, inspection: &Inspection, report: Option<String>) -> Self {
        let stand_off = inspection.stand_off.as_ref();
        FrameEntry {
            path,
            width: Some(inspection.size.width),
            height: Some(inspection.size.height),
            f_number: inspection.f_number.map(|n| n.marked()),
            iso: inspection.iso,
            body: BodyEntry::from(inspection.body.as_ref()),
            pixel_pitch_um: inspection.pitch_um,
            fitness: Some(FitnessEntry {
                verdict: inspection.fitness.verdict,
                findings: inspection
                    .fitness
                    .findings
                    .iter()
                    .map(|f| FindingEntry {
                        code: f.code,
                        verdict: f.verdict,
                        message: f.message.clone(),
                        remedy: f.remedy.clone(),
                    })
                    .collect(),
            }),
            stand_off_mm: StandOffEntry {
                value: stand_off.map(|s| s.height_mm.value),
                sigma: stand_off.map(|s| s.height_mm.sigma),
                source: stand_off.map(|s| s.source),
            },
            floor_um: inspection.floor_um,
            threshold_snr: inspection.threshold_snr,
            clear_to: inspection.clear_to.and_then(|c| c.f_number).map(|n| n.marked()),
            clear_to_limited_by: inspection.clear_to.map(|c| c.limited_by),
            viewing: inspection.viewings.iter().map(ToString::to_string).collect(),
            false_motes_per_frame: Some(inspection.false_motes),
            motes: inspection.motes.iter().map(MoteEntry::from).collect(),
            notes: inspection.notes.clone(),
            report,
            error: None,
        }
    }

    /// A file that could not be judged.
    pub fn failed(path: String, error: &FrameError) -> Self {
        FrameEntry {
            path,
            width: None,
            height: None,
            f_number: None,
            iso: None,
            body: BodyEntry::default(),
            pixel_pitch_um: None,
            fitness: None,
            stand_off_mm: StandOffEntry::default(),
            floor_um: None,
            threshold_snr: None,
            clear_to: None,
            clear_to_limited_by: None,
            viewing: Vec::new(),
            false_motes_per_frame: None,
            motes: Vec::new(),
            notes: Vec::new(),
            report: None,
            error: Some(error.into()),
        }
    }
}

impl From<&Mote> for MoteEntry {
    fn from(m: &Mote) -> Self {
        MoteEntry {
            id: m.id.clone(),
            x_px: m.at_picture.x,
            y_px: m.at_picture.y,
            position_sigma_px: m.at_error_px,
            x_mm: m.at_sensor.map(|p| p.x),
            y_mm: m.at_sensor.map(|p| p.y),
            depth: m.depth.value,
            depth_sigma: m.depth.sigma,
            shadow_width_px: m.shadow_width_px.value,
            shadow_width_sigma_px: m.shadow_width_px.sigma,
            blocked_area_um2: m.blocked_area_um2.map(|e| e.value),
            blocked_area_sigma_um2: m.blocked_area_um2.map(|e| e.sigma),
            equivalent_diameter_um: m.equivalent_diameter_um.map(|e| e.value),
            equivalent_diameter_sigma_um: m.equivalent_diameter_um.map(|e| e.sigma),
            shows_from: m.shows_from.map(|n| n.marked()),
            kind: m.kind,
            snr: m.snr,
            stand_off_mm: m.stand_off_mm.map(|e| e.value),
            at_edge: m.flags.at_edge,
            merged: m.flags.merged,
            under_glass: m.flags.under_glass,
        }
    }
}
