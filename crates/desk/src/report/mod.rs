//! Reports: one value in, one page or one text out. Nothing here measures.

mod words;
mod marks;
mod chart;
mod pictures;
mod page;
mod verdict;
mod inspection;
mod text;
mod trace_text;
mod trace_timeline;
mod trace_contact;
mod trace_page;
mod advice;
mod recheck_text;
mod mended_views;
mod mended;
mod card;
mod ledger_text;
mod plot;
mod ledger_page;

pub use advice::{aims, headline, keep_off};
pub use card::step_card;
pub use inspection::{Pictures, Sheet, inspection_page};
pub use ledger_page::ledger_page;
pub use ledger_text::{bodies_text, pack_text, ready_text, story_text, supplies_text};
pub use marks::{Mark, Placed, placed};
pub use mended::{MendedSheet, mended_page};
pub use mended_views::{View, look, mask_png, view_places};
pub use recheck_text::recheck_text;
pub use text::inspection_text;
pub use trace_contact::Turn;
pub use trace_page::{TracePart, trace_page};
pub use trace_text::{TraceSheet, trace_text};
pub use verdict::{Told, kind, remarks, verdict};
pub use words::{number, place, plus_minus, shown};
