//! The advice as documents tell it.

use motelight_motes::advise::{Action, Advice, Aim, MountSide, SwabSize};
use motelight_motes::inspect::Inspection;
use serde::Serialize;

/// What to do next.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct AdviceEntry {
    pub action: Action,
    pub reason: String,
    pub risk: String,
    pub f_number: f64,
    pub f_number_told: bool,
    pub aims: Vec<AimEntry>,
    pub keep_off: Vec<String>,
    pub swab_mm: Option<f64>,
    pub strokes: Option<u8>,
    pub drops: Option<u8>,
    pub steps: Vec<String>,
    pub stop: String,
    pub cautions: Vec<String>,
}

/// One mote to aim at, looking into the mount with the body upright.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct AimEntry {
    pub id: String,
    pub clock: u8,
    pub from_centre_mm: f64,
    pub edge: MountSide,
    pub from_edge_mm: f64,
}

impl AdviceEntry {
    /// Advice on this inspection's motes.
    pub fn new(advice: &Advice, inspection: &Inspection) -> Self {
        let id = |number: usize| inspection.motes.get(number).map_or_else(|| number.to_string(), |m| m.id.clone());
        let aim = |a: &Aim| AimEntry {
            id: id(a.number),
            clock: a.clock,
            from_centre_mm: a.from_centre_mm,
            edge: a.side,
            from_edge_mm: a.from_edge_mm,
        };
        AdviceEntry {
            action: advice.action,
            reason: advice.reason.clone(),
            risk: advice.risk.clone(),
            f_number: advice.wanted.marked(),
            f_number_told: advice.wanted_told,
            aims: advice.aims.iter().map(aim).collect(),
            keep_off: advice.keep_off.iter().map(|&n| id(n)).collect(),
            swab_mm: advice.swab.and_then(|s| match s.size {
                SwabSize::Millimetres(mm) => Some(mm),
                SwabSize::ShortSide => None,
            }),
            strokes: advice.strokes,
            drops: advice.drops,
            steps: advice.steps.clone(),
            stop: advice.stop.clone(),
            cautions: advice.cautions.clone(),
        }
    }
}
