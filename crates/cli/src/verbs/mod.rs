//! One file per verb: arguments in, job called, result said.

pub mod inspect;
pub mod trace;
pub mod mend;
pub mod merge;
pub mod recheck;
pub mod signoff;
pub mod rake;
pub mod ledger;
pub mod window;
pub mod demo;
