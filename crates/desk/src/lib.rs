//! The working day: jobs, reports, demo.
//!
//! Modules are listed in the order in which they may import each other (tests/layering.rs).

pub mod contract;
pub mod report;
pub mod jobs;
