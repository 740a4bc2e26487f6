//! The engine: what lies on the glass, when it shows, and how to take it out of a picture.
//!
//! Pure functions over [`motelight_frame::Frame`]: no files, no clock, no printing.
//!
//! Modules are listed in the order in which they may import each other (crates/cli/tests/layering).

pub mod measure;
mod density;
pub mod profile;
pub mod optics;
mod lanes;
pub mod diffraction;
pub mod bank;
pub mod form;
pub mod visibility;
mod gauss;
pub mod grid;
pub mod flat;
pub mod inspect;
mod refusal;
pub mod register;
pub mod mend;
pub mod recheck;
pub mod advise;
pub mod rates;
pub mod rake;
pub mod trace;
pub mod signoff;
pub mod answer;

pub use measure::Estimate;
pub use profile::Profile;
pub use visibility::{Picture, Print, Viewing, Visibility};
