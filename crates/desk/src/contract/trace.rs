//! What `motelight trace --json` says.

use motelight_frame::FrameError;
use motelight_motes::inspect::stand_off::StandOffSource;
use motelight_motes::trace::{Sighting, Span, TracedMote, Transform, Unseen};
use serde::{Deserialize, Serialize};

use crate::contract::{BodyEntry, ErrorEntry};

const SCHEMA: &str = "motelight.trace/1";

/// `motelight.trace/1`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TraceDocument {
    schema: String,
    /// One entry per body.
    pub bodies: Vec<TracedBodyEntry>,
    /// Pictures that could not be used without fault of theirs, and why.
    pub left_out: Vec<LeftOutEntry>,
    /// Pictures that could not be read; not read back.
    #[serde(skip_deserializing)]
    pub errors: Vec<UnreadEntry>,
    /// The conditions judged for.
    pub viewing: Vec<String>,
    /// The report, if one was written.
    pub report: Option<String>,
}

impl TraceDocument {
    /// A document over these bodies.
    pub fn new(bodies: Vec<TracedBodyEntry>) -> Self {
        let (left_out, errors, viewing) = (Vec::new(), Vec::new(), Vec::new());
        TraceDocument { schema: SCHEMA.to_owned(), bodies, left_out, errors, viewing, report: None }
    }

    /// Whether it is a document of this kind.
    pub fn is_known(&self) -> bool {
        self.schema == SCHEMA
    }
}

/// One body.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct TracedBodyEntry {
    pub body: BodyEntry,
    pub stand_off_mm: TracedStandOffEntry,
    pub reference_lens: Option<String>,
    pub false_motes: f64,
    pub pictures_to_mend: usize,
    pub pictures_to_mend_badly: usize,
    pub chart: Vec<TracedMoteEntry>,
    pub pictures: Vec<TracedPictureEntry>,
    pub notes: Vec<String>,
}

/// The stand-off and where it comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct TracedStandOffEntry {
    pub value: f64,
    pub sigma: f64,
    pub source: StandOffSource,
}

/// One mote.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct TracedMoteEntry {
    pub id: String,
    pub x_mm: Option<f64>,
    pub y_mm: Option<f64>,
    pub position_sigma_mm: Option<f64>,
    pub equivalent_diameter_um: Option<f64>,
    pub equivalent_diameter_sigma_um: Option<f64>,
    pub arrival: SpanEntry,
    pub departure: Option<SpanEntry>,
    pub snr: f64,
    pub probability: f64,
    pub shows_from: Option<f64>,
    pub shows_in: usize,
}

/// Between which pictures, by their paths.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct SpanEntry {
    pub after: Option<String>,
    pub before: Option<String>,
    pub probability: f64,
    pub likeliest: Option<String>,
    pub lens_changed: bool,
}

/// One picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct TracedPictureEntry {
    pub path: String,
    pub also: Vec<String>,
    pub taken: Option<String>,
    pub width: usize,
    pub height: usize,
    pub pixel_pitch_um: Option<f64>,
    pub f_number: Option<f64>,
    pub lens: Option<String>,
    pub orientation: u8,
    pub transform: Transform,
    pub weight: f64,
    pub motes: Vec<SightingEntry>,
}

/// One mote in one picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct SightingEntry {
    pub id: String,
    pub x_px: f64,
    pub y_px: f64,
    pub depth: f64,
    pub shadow_width_px: f64,
    pub shows: bool,
    pub times_threshold: f64,
    pub snr: f64,
    pub probability: f64,
    pub reason: Option<Unseen>,
}

/// A picture that was left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct LeftOutEntry {
    pub path: String,
    pub reason: String,
}

/// A picture that could not be read.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct UnreadEntry {
    pub path: String,
    pub error: ErrorEntry,
}

impl From<&FrameError> for UnreadEntry {
    fn from(e: &FrameError) -> Self {
        UnreadEntry { path: e.path.display().to_string(), error: e.into() }
    }
}

impl SpanEntry {
    /// A span over pictures of these paths.
    pub fn of(span: &Span, paths: &[String]) -> Self {
        let path = |k: usize| paths.get(k).cloned();
        SpanEntry {
            after: span.after.and_then(path),
            before: span.before.and_then(path),
            probability: span.probability,
            likeliest: path(span.likeliest),
            lens_changed: span.lens_changed,
        }
    }
}

impl TracedMoteEntry {
    /// A mote; `to_scale`: whether the pixel pitch is known, so that millimetres are true. `paths`: of the pictures.
    pub fn of(m: &TracedMote, to_scale: bool, shows_in: usize, paths: &[String]) -> Self {
        let scaled = |v: f64| to_scale.then_some(v);
        TracedMoteEntry {
            id: m.id.clone(),
            x_mm: scaled(m.at_mm.0),
            y_mm: scaled(m.at_mm.1),
            position_sigma_mm: scaled(m.at_error_mm),
            equivalent_diameter_um: scaled(m.equivalent_diameter_um.value),
            equivalent_diameter_sigma_um: scaled(m.equivalent_diameter_um.sigma),
            arrival: SpanEntry::of(&m.arrival, paths),
            departure: m.departure.as_ref().map(|d| SpanEntry::of(d, paths)),
            snr: m.snr,
            probability: m.probability,
            shows_from: m.shows_from.map(|n| n.marked()),
            shows_in,
        }
    }
}

impl From<&Sighting> for SightingEntry {
    fn from(s: &Sighting) -> Self {
        SightingEntry {
            id: s.id.clone(),
            x_px: s.x_px,
            y_px: s.y_px,
            depth: s.depth,
            shadow_width_px: s.width_px,
            shows: s.shows,
            times_threshold: s.times_threshold,
            snr: s.snr,
            probability: s.probability,
            reason: s.reason,
        }
    }
}
