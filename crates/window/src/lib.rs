//! The window: the whole job on screen, over the same jobs as the command line. Nothing is measured here.
//!
//! Modules are listed in the order in which they may import each other (crates/cli/tests/layering).

pub mod theme;
pub mod state;
pub mod command;
pub mod worker;
pub mod found;
pub mod look;
pub mod views;
pub mod app;
mod carry_out;
mod answers;

pub use app::{App, Setup};
