//! One file per verb: arguments in, job called, result said.

pub mod demo;
pub mod inspect;
