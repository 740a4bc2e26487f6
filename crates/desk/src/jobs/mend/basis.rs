//! What a shoot is mended by.

use std::path::Path;

use motelight_frame::{Fault, FrameError, read};
use motelight_motes::inspect::{InspectOptions, Inspection};
use motelight_motes::mend::{Chart, Refusal};

use crate::jobs::Settings;

/// What a shoot is mended by.
#[derive(Debug, Clone)]
pub enum Basis {
    /// One test frame by the body of the pictures.
    TestFrame {
        /// The file as named.
        name: String,
        /// Digest of its content.
        digest: String,
        /// What was found in it.
        inspection: Box<Inspection>,
        /// The chart drawn from it.
        chart: Chart,
    },
}

impl Basis {
    /// Reads and judges a test frame.
    ///
    /// # Errors
    /// What reading it gives, and a test frame that no chart can be drawn from.
    pub fn test_frame(path: &Path, settings: &Settings) -> Result<Basis, FrameError> {
        let frame = read(path, &settings.read)?;
        let options = InspectOptions { viewings: settings.viewings.clone(), ..InspectOptions::default() };
        let inspection = Box::new(motelight_motes::inspect::inspect(&frame, &options));
        let chart = Chart::of(&inspection).map_err(|refusal| usage(path, &refusal))?;
        Ok(Basis::TestFrame { name: path.display().to_string(), digest: frame.digest.0, inspection, chart })
    }

    /// The chart for a picture.
    pub fn chart(&self) -> &Chart {
        let Basis::TestFrame { chart, .. } = self;
        chart
    }

    /// Its name as given.
    pub fn name(&self) -> &str {
        let Basis::TestFrame { name, .. } = self;
        name
    }

    /// What tells it from any other.
    pub fn digest(&self) -> &str {
        let Basis::TestFrame { digest, .. } = self;
        digest
    }
}

/// A refusal of the engine as an error about a file.
pub(super) fn usage(path: &Path, refusal: &Refusal) -> FrameError {
    FrameError::new(Fault::Usage, path, refusal.message.clone(), refusal.remedy.clone())
}
