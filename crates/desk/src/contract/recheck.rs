//! What `motelight recheck --json` says.

use motelight_motes::inspect::Inspection;
use motelight_motes::recheck::{Doubt, Fate, Recheck, ResidueKind, SameBody, Status};
use serde::Serialize;

use crate::contract::{AdviceEntry, BodyEntry, ErrorEntry};

/// `motelight.recheck/1`.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct RecheckDocument {
    schema: &'static str,
    pub before: String,
    pub after: String,
    pub body: BodyEntry,
    pub same_body: Option<SameBody>,
    pub transform: Option<TransformEntry>,
    pub motes: Vec<FateEntry>,
    pub residue: Vec<ResidueEntry>,
    pub by_ratio: Option<bool>,
    pub clear_to_before: Option<f64>,
    pub clear_to_after: Option<f64>,
    pub floor_um_before: Option<f64>,
    pub floor_um_after: Option<f64>,
    pub advice: Option<AdviceEntry>,
    pub notes: Vec<String>,
    pub card: Option<String>,
    pub error: Option<ErrorEntry>,
}

/// `after = turned(scale * before + (dx, dy))`, mm from the sensor's centre.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct TransformEntry {
    pub scale: f64,
    pub dx_mm: f64,
    pub dy_mm: f64,
    pub turned_degrees: u16,
    pub matched: bool,
    pub motes: usize,
}

/// What became of one mote.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct FateEntry {
    pub status: Status,
    pub before_id: Option<String>,
    pub after_id: Option<String>,
    pub x_mm: f64,
    pub y_mm: f64,
    pub after_x_mm: f64,
    pub after_y_mm: f64,
    pub equivalent_diameter_um: Option<f64>,
    pub probability: f64,
    pub doubt: Option<Doubt>,
}

/// Residue that was not there before.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct ResidueEntry {
    pub x_mm: f64,
    pub y_mm: f64,
    pub length_mm: f64,
    pub width_mm: f64,
    pub contrast: f64,
    pub kind: ResidueKind,
    pub angle_degrees: Option<f64>,
    pub after_id: Option<String>,
}

/// A comparison with what it was made from.
#[derive(Debug, Clone, Copy)]
#[allow(missing_docs, reason = "fields say what they are")]
pub struct Compared<'a> {
    pub before: &'a Inspection,
    pub after: &'a Inspection,
    pub recheck: &'a Recheck,
}

impl RecheckDocument {
    /// Two frames that could not be compared.
    pub fn failed(before: String, after: String, error: ErrorEntry) -> Self {
        RecheckDocument {
            schema: "motelight.recheck/1",
            before,
            after,
            body: BodyEntry::default(),
            same_body: None,
            transform: None,
            motes: Vec::new(),
            residue: Vec::new(),
            by_ratio: None,
            clear_to_before: None,
            clear_to_after: None,
            floor_um_before: None,
            floor_um_after: None,
            advice: None,
            notes: Vec::new(),
            card: None,
            error: Some(error),
        }
    }

    /// Two frames of one body.
    pub fn compared(before: String, after: String, of: Compared, advice: AdviceEntry, card: Option<String>) -> Self {
        let clear = |i: &Inspection| i.clear_to.and_then(|c| c.f_number).map(|n| n.marked());
        let t = &of.recheck.transform;
        RecheckDocument {
            schema: "motelight.recheck/1",
            before,
            after,
            body: BodyEntry::from(of.after.body.as_ref()),
            same_body: Some(of.recheck.body),
            transform: Some(TransformEntry {
                scale: t.scale,
                dx_mm: t.dx_mm,
                dy_mm: t.dy_mm,
                turned_degrees: t.turn.degrees(),
                matched: t.matched,
                motes: t.motes,
            }),
            motes: of.recheck.fates.iter().map(|f| fate(f, of)).collect(),
            residue: of
                .recheck
                .residue
                .iter()
                .map(|r| ResidueEntry {
                    x_mm: r.at.x,
                    y_mm: r.at.y,
                    length_mm: r.length_mm,
                    width_mm: r.width_mm,
                    contrast: r.contrast,
                    kind: r.kind,
                    angle_degrees: r.angle.map(f64::to_degrees),
                    after_id: r.after.and_then(|j| of.after.motes.get(j)).map(|m| m.id.clone()),
                })
                .collect(),
            by_ratio: Some(of.recheck.by_ratio),
            clear_to_before: clear(of.before),
            clear_to_after: clear(of.after),
            floor_um_before: of.before.floor_um,
            floor_um_after: of.after.floor_um,
            advice: Some(advice),
            notes: of.recheck.notes.clone(),
            card,
            error: None,
        }
    }
}

fn fate(f: &Fate, of: Compared) -> FateEntry {
    let before = f.before.and_then(|i| of.before.motes.get(i));
    let after = f.after.and_then(|j| of.after.motes.get(j));
    let at = if before.is_some() { f.at_before } else { f.at_after };
    FateEntry {
        status: f.status,
        before_id: before.map(|m| m.id.clone()),
        after_id: after.map(|m| m.id.clone()),
        x_mm: at.x,
        y_mm: at.y,
        after_x_mm: f.at_after.x,
        after_y_mm: f.at_after.y,
        equivalent_diameter_um: before.or(after).and_then(|m| m.equivalent_diameter_um).map(|d| d.value),
        probability: f.probability,
        doubt: f.doubt,
    }
}
