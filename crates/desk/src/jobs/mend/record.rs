//! The record beside a mended copy: what was changed, by which settings, and all that turns it back.

use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

use motelight_frame::{FrameError, Rect, Undo};
use serde::{Deserialize, Serialize};

use crate::contract::RepairEntry;
use crate::jobs::write_whole;
use crate::report::View;

/// Folder of the records, below that of the copies.
pub const RECORDS: &str = "mend-records";

/// What was changed in one picture.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Record {
    /// `motelight.mend-record/1`.
    pub schema: String,
    /// The original, as named in that run.
    pub original: PathBuf,
    /// Settings that decide what comes out, as one text.
    pub made_by: String,
    /// What came of the motes.
    pub motes: Vec<RepairEntry>,
    /// Pixels that differ.
    pub pixels_changed: usize,
    /// Rectangles that hold all of them, px: left, top, width, height.
    pub places: Vec<[usize; 4]>,
    /// What should be known.
    pub notes: Vec<String>,
    /// Digests of both files, and what turns the copy back.
    pub undo: Undo,
    /// The worst places, before and after.
    pub views: Vec<View>,
}

/// Name of this form of record.
pub const SCHEMA: &str = "motelight.mend-record/1";

impl Record {
    /// Where the record of a copy lies.
    pub fn path(out: &Path, relative: &Path) -> PathBuf {
        let mut name = out.join(RECORDS).join(relative).into_os_string();
        name.push(".json");
        PathBuf::from(name)
    }

    /// A record, if there is a whole one.
    pub fn read(path: &Path) -> Option<Record> {
        let record: Record = serde_json::from_reader(BufReader::new(File::open(path).ok()?)).ok()?;
        (record.schema == SCHEMA).then_some(record)
    }

    /// Writes the record; an older one of our own is replaced.
    pub fn write(&self, path: &Path) -> Result<(), FrameError> {
        // Numbers, text and lists cannot fail to become JSON.
        let text = serde_json::to_vec(self).unwrap_or_default();
        write_whole(path, &text)
    }
}

/// Rectangles as a record lists them.
pub fn listed(rects: &[Rect]) -> Vec<[usize; 4]> {
    rects.iter().map(|r| [r.x, r.y, r.width, r.height]).collect()
}
