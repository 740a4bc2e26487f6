//! What `motelight ledger ... --json` says.

use serde::Serialize;

use crate::contract::ErrorEntry;
use crate::ledger::{BodyRow, DeliveryRow, Outlook, Pack, PassRow, Ready, ShootRow, Spent, Stock, Story};

/// `motelight.ledger/1`: every key is there, null where it was not asked for.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct LedgerDocument {
    schema: Schema,
    pub file: String,
    pub bodies: Option<Vec<BodyRow>>,
    pub story: Option<Story>,
    pub outlook: Option<Outlook>,
    pub passes: Option<Vec<PassRow>>,
    pub shoots: Option<Vec<ShootRow>>,
    pub deliveries: Option<Vec<DeliveryRow>>,
    pub stock: Option<Vec<Stock>>,
    pub spent: Option<Vec<Spent>>,
    pub ready: Option<Ready>,
    pub pack: Option<Pack>,
    pub before_trip: Option<String>,
    pub written: Option<Vec<String>>,
    pub error: Option<ErrorEntry>,
}

/// The name of the document.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
struct Schema(&'static str);

impl Default for Schema {
    fn default() -> Self {
        Schema("motelight.ledger/1")
    }
}

impl LedgerDocument {
    /// A document on this file with nothing in it yet.
    pub fn of(file: String) -> Self {
        LedgerDocument { file, ..LedgerDocument::default() }
    }
}
