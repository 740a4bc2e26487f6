//! The pages of a run: the contact sheet for the photographer, the delivery note for the client.

use std::path::{Path, PathBuf};

use motelight_frame::{FrameError, file_digest};
use motelight_motes::signoff::Verdict;

use super::SignedFile;
use crate::jobs::{Settings, write_whole};
use crate::ledger::now;
use crate::report::{DeliveredFile, Delivery, LISTED_FILES, SignedSheet, delivery_note, signoff_page};

/// What was written.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Pages {
    /// The contact sheet.
    pub report: Option<PathBuf>,
    /// The delivery note.
    pub delivery_note: Option<PathBuf>,
    /// The digests of the files, where they are too many for the note.
    pub digests: Option<PathBuf>,
}

/// Writes the pages of a run into a folder; older ones are replaced. No file is clear: no delivery note.
///
/// # Errors
/// `Unwritable`.
pub fn write_pages(all: &[SignedFile], settings: &Settings, folder: &Path) -> Result<Pages, FrameError> {
    let name = |f: &SignedFile| f.path.file_name().unwrap_or(f.path.as_os_str()).to_string_lossy().into_owned();
    let names: Vec<String> = all.iter().map(name).collect();
    let viewings: Vec<String> = settings.viewings.iter().map(ToString::to_string).collect();
    let sheets: Vec<SignedSheet> = all
        .iter()
        .zip(&names)
        .filter_map(|(f, name)| {
            let s = f.result.as_ref().ok()?;
            let views = s.views.as_ref();
            Some(SignedSheet {
                name,
                size: s.size,
                orientation: s.orientation,
                sign_off: &s.sign_off,
                copy: views.map(|v| &v.copy),
                views: views.map_or(&[], |v| v.suspects.as_slice()),
                motes: s.answered.as_ref().map_or(&[], |t| t.answers.as_slice()),
            })
        })
        .collect();
    let failed: Vec<(&str, &FrameError)> =
        all.iter().zip(&names).filter_map(|(f, name)| Some((name.as_str(), f.result.as_ref().err()?))).collect();
    let report = folder.join("signoff-report.html");
    write_whole(&report, signoff_page(&sheets, &failed, &viewings).as_bytes())?;
    let mut pages = Pages { report: Some(report), ..Pages::default() };
    let clear: Vec<DeliveredFile> = all
        .iter()
        .zip(&names)
        .filter_map(|(f, name)| {
            let s = f.result.as_ref().ok().filter(|s| s.sign_off.verdict == Verdict::Clear)?;
            let size = s.orientation.shown_size(s.size);
            Some(DeliveredFile { name, size, sha256: &s.digest.0, vouches: &s.sign_off.vouches })
        })
        .collect();
    let note = folder.join("delivery-note.html");
    if clear.is_empty() {
        // A note of an earlier run would vouch for what is not clear any more.
        let _ = std::fs::remove_file(&note);
        return Ok(pages);
    }
    let mut listed = None;
    if clear.len() > LISTED_FILES {
        let path = folder.join("delivery-files.sha256");
        let lines: String = clear.iter().map(|f| format!("{}  {}\n", f.sha256, f.name)).collect();
        write_whole(&path, lines.as_bytes())?;
        listed = Some(file_digest(&path)?.0);
        pages.digests = Some(path);
    }
    let today = now();
    let delivery = Delivery {
        day: today.day(),
        files: &clear,
        left_out: all.len() - clear.len(),
        viewings: &settings.viewings,
        list_digest: listed.as_deref(),
    };
    write_whole(&note, delivery_note(&delivery).as_bytes())?;
    pages.delivery_note = Some(note);
    Ok(pages)
}
