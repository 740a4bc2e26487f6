//! The working day: jobs, reports, demo.
//!
//! Modules are listed in the order in which they may import each other (crates/cli/tests/layering).

pub mod ledger;
pub mod contract;
pub mod report;
pub mod jobs;
