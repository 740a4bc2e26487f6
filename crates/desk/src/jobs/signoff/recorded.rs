//! The test frames that the ledger knows, each read again when an original of its body asks for it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use motelight_frame::{Fault, FrameError, Shot};

use crate::jobs::Settings;
use crate::jobs::mend::Basis;
use crate::ledger::{Ledger, Moment, PassRow, RecordedFrame};

/// The ledger, as far as its test frames go.
#[derive(Debug)]
pub struct Recorded {
    /// Its file.
    pub path: PathBuf,
    frames: Vec<RecordedFrame>,
    passes: Vec<PassRow>,
    /// What was read of them so far, by digest; or in words why it could not be.
    read: Mutex<BTreeMap<String, Result<Arc<Basis>, String>>>,
}

impl Recorded {
    /// Opens a ledger.
    ///
    /// # Errors
    /// One that is not there, cannot be read, or holds no usable test frame.
    pub fn open(path: &Path) -> Result<Recorded, FrameError> {
        let (frames, passes) = match Ledger::open_existing(path)? {
            Some(ledger) => (ledger.usable_frames()?, ledger.passes(None)?),
            None => (Vec::new(), Vec::new()),
        };
        if frames.is_empty() {
            let remedy = "Inspect a test frame first, or name one with --test-frame.";
            return Err(FrameError::new(Fault::Usage, path, "the ledger knows no usable test frame", remedy));
        }
        Ok(Recorded { path: path.to_path_buf(), frames, passes, read: Mutex::default() })
    }

    /// The test frame to ask an original by, read; or in words why there is none.
    pub fn basis(&self, shot: &Shot, settings: &Settings) -> Result<Arc<Basis>, String> {
        let body = shot.body.as_ref().ok_or("the original does not tell its body")?;
        let own = self.frames.iter().filter(|f| f.body == *body);
        let frame = match shot.taken.as_deref().and_then(Moment::parse) {
            // Passes in between take motes away; time only adds some, and what the original does not show is not asked for.
            Some(taken) => {
                let days = |f: &RecordedFrame| taken.days_since(&f.taken).abs();
                let passes = |f: &RecordedFrame| self.passes_between(f, &taken);
                own.min_by(|a, b| passes(a).cmp(&passes(b)).then(days(a).total_cmp(&days(b))))
            }
            None => own.max_by(|a, b| a.taken.cmp(&b.taken)),
        };
        let frame = frame.ok_or("it knows no usable test frame of this body")?;
        let mut read = self.read.lock().unwrap_or_else(PoisonError::into_inner);
        read.entry(frame.digest.clone()).or_insert_with(|| again(frame, settings)).clone()
    }

    /// Passes made over a frame's body between it and another moment.
    fn passes_between(&self, frame: &RecordedFrame, other: &Moment) -> usize {
        let (from, to) = (other.min(&frame.taken), other.max(&frame.taken));
        self.passes.iter().filter(|p| p.body == frame.number && (from..=to).contains(&&p.made)).count()
    }
}

fn again(frame: &RecordedFrame, settings: &Settings) -> Result<Arc<Basis>, String> {
    let name = frame.path.display();
    let basis = Basis::test_frame(&frame.path, settings).map_err(|e| format!("{name}: {}", e.message))?;
    if basis.whole_digest() != Some(&frame.digest) {
        return Err(format!("{name} is no longer the test frame that was recorded"));
    }
    Ok(Arc::new(basis))
}
