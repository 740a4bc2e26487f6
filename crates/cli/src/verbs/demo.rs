//! `motelight demo`.

use motelight_desk::jobs::Outcome;

use crate::args::Demo;

/// Makes the demo shoot and runs the whole line on it.
pub fn run(_a: &Demo) -> Outcome {
    Outcome::Failed
}
