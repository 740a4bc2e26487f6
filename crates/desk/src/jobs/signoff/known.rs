//! The trace of the shoot, asked about finished files.
use super::Traced;
use crate::contract::AnswerEntry;
use crate::jobs::Settings;
use motelight_frame::{Body, Frame, FrameError};
use motelight_motes::signoff::SignOff;
use std::path::{Path, PathBuf};
/// A traced shoot and its originals.
#[derive(Debug)]
pub struct KnownShoot {
    /// The document.
    pub path: PathBuf,
}
impl KnownShoot {
    /// Opens.
    pub fn open(trace: &Path, _originals: &Path) -> Result<KnownShoot, FrameError> {
        Ok(KnownShoot { path: trace.into() })
    }
    pub(super) fn ask(&self, _p: &Path, _f: &Frame, _s: &Settings) -> Result<(Traced, Option<Body>), String> {
        Err("not yet".into())
    }
}
pub(super) fn among_suspects(_judged: &mut SignOff, _answers: &[AnswerEntry]) {}
