//! What the recorded test frames say to pictures of their bodies.

use std::path::PathBuf;

use motelight_frame::{Body, FrameError};
use motelight_motes::Estimate;
use motelight_motes::trace::Known;

use super::open::Ledger;
use super::when::Moment;

/// A test frame that was recorded and can be used.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedFrame {
    /// The file.
    pub path: PathBuf,
    /// Digest of its content.
    pub digest: String,
    /// The body's number in the ledger.
    pub number: i64,
    /// The body.
    pub body: Body,
    /// When it was taken, else recorded.
    pub taken: Moment,
}

impl Ledger {
    /// All test frames but the unfit ones.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn usable_frames(&self) -> Result<Vec<RecordedFrame>, FrameError> {
        self.rows(
            "SELECT b.id, f.path, f.digest, b.make, b.model, b.serial, f.taken FROM test_frame f JOIN body b ON b.id = f.body_id
             WHERE f.verdict != 'unfit' ORDER BY f.id",
            [],
            |r| {
                Ok(RecordedFrame {
                    number: r.get(0)?,
                    path: r.get::<_, String>(1)?.into(),
                    digest: r.get(2)?,
                    body: Body { make: r.get(3)?, model: r.get(4)?, serial: r.get(5)? },
                    taken: r.get(6)?,
                })
            },
        )
    }

    /// What the newest fit test frame of every body says of it: for pictures of the same body, by its serial number, what to look
    /// for first.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn known(&self) -> Result<Vec<Known>, FrameError> {
        type Row = (String, String, String, i64, f64, f64);
        let newest: Vec<Row> = self.rows(
            "SELECT b.make, b.model, b.serial, f.id, f.stand_off_mm, f.stand_off_sigma_mm
             FROM body b JOIN test_frame f ON f.id =
               (SELECT id FROM test_frame WHERE body_id = b.id AND verdict != 'unfit' ORDER BY taken DESC, id DESC LIMIT 1)
             WHERE b.serial IS NOT NULL AND f.stand_off_mm IS NOT NULL AND f.stand_off_sigma_mm IS NOT NULL ORDER BY b.id",
            [],
            |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?)),
        )?;
        let known = |(make, model, serial, frame, height, sigma): Row| {
            let motes = self.chart(frame)?.iter().filter_map(|m| m.x_mm.zip(m.y_mm)).collect();
            let body = Some(Body { make, model, serial: Some(serial) });
            Ok(Known { body, stand_off_mm: Estimate::new(height, sigma), motes })
        };
        newest.into_iter().map(known).collect()
    }
}
