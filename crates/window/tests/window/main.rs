//! The real window, driven by its accessible labels through both paths of the job, and through the bad ones.
#![allow(clippy::print_stderr, reason = "a skipped check is told loudly")]

mod drive;
mod made;
mod sensor;
mod shoot;
mod bad;
mod pictures;
