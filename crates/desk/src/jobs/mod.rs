//! The jobs: one function per verb, shared by all shells. Read, measure, write down, say how it went.

mod room;
mod part;
pub mod places;
pub mod originals;
pub mod look;
pub mod inspect;
pub mod mend;
pub mod trace;
pub mod record;
pub mod recheck;
pub mod signoff;
pub mod merge;
pub mod rake;
pub mod demo;

use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use motelight_frame::{Fault, FrameError, ReadOptions};
use motelight_motes::visibility::Viewing;

pub use demo::{Demo, demo};
pub use inspect::{Inspected, inspect};
pub use mend::{MendedPicture, mend};
pub use part::Part;
pub use recheck::{Rechecked, recheck};
pub use trace::{TracedShoot, trace};

/// What every job needs to know.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// How pictures are read.
    pub read: ReadOptions,
    /// The conditions under which nothing may show.
    pub viewings: Vec<Viewing>,
}

/// How a job ended; the highest of all its parts counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// Nothing shows, nothing to do.
    Clear,
    /// There is work to do.
    Work,
    /// Something failed or cannot be judged.
    Failed,
}

impl Outcome {
    /// The process's exit code.
    pub fn code(self) -> u8 {
        self as u8
    }
}

/// What the listener of a job may answer: nothing, or whether to go on. A job that is told to stop begins no further picture.
pub trait GoOn {
    /// Whether the job goes on.
    fn goes_on(self) -> bool;
}

impl GoOn for () {
    fn goes_on(self) -> bool {
        true
    }
}

impl GoOn for ControlFlow<()> {
    fn goes_on(self) -> bool {
        self.is_continue()
    }
}

/// Ends in capital or small letters by which a picture file in a folder is known. What it really is, its content tells.
const PICTURES: [&str; 37] = [
    "jpg", "jpeg", "jpe", "tif", "tiff", "png", "dng", "ari", "arw", "cr2", "cr3", "crm", "crw", "dcr", "dcs", "erf",
    "iiq", "kdc", "mef", "mos", "mrw", "nef", "nrw", "orf", "ori", "pef", "raf", "raw", "rw2", "rwl", "srw", "3fr",
    "fff", "x3f", "qtk", "gpr", "srf",
];

/// Masks end like this, so that a folder of pictures with masks is still a folder of pictures.
pub const MASK_ENDING: &str = ".mask.png";

/// Files of ours begin like this while they are being written.
pub const UNFINISHED: &str = ".motelight-";

/// One picture to work on, and where below an output folder its copy belongs.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Source {
    /// The file.
    pub path: PathBuf,
    /// Its place below the folder that was given; its name, if it was given itself.
    pub relative: PathBuf,
}

/// The pictures among files and folders (folders recursively, sorted; hidden entries and links to folders are left out).
/// What cannot be listed is an error of its own.
pub fn pictures(given: &[PathBuf]) -> (Vec<Source>, Vec<FrameError>) {
    let (mut found, mut errors) = (Vec::new(), Vec::new());
    for path in given {
        if path.is_dir() {
            let before = found.len();
            walk(path, path, &mut found, &mut errors);
            found[before..].sort();
            if found.len() == before {
                let remedy = "Give a folder that holds pictures, or the pictures themselves.";
                errors.push(FrameError::new(Fault::Usage, path, "there are no pictures in this folder", remedy));
            }
        } else {
            let relative = path.file_name().map_or_else(|| path.clone(), PathBuf::from);
            found.push(Source { path: path.clone(), relative });
        }
    }
    (found, errors)
}

fn walk(root: &Path, folder: &Path, found: &mut Vec<Source>, errors: &mut Vec<FrameError>) {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) => {
            let message = format!("the folder cannot be listed: {e}");
            errors.push(FrameError::new(Fault::Unreadable, folder, message, "Check its permissions."));
            return;
        }
    };
    for entry in entries.flatten() {
        let path = entry.path();
        let hidden = entry.file_name().to_string_lossy().starts_with('.');
        let Ok(kind) = entry.file_type() else { continue };
        if hidden {
            continue;
        }
        if kind.is_dir() {
            walk(root, &path, found, errors);
        } else if known(&path) && (kind.is_file() || path.is_file()) {
            let relative = path.strip_prefix(root).unwrap_or(&path).to_path_buf();
            found.push(Source { path, relative });
        }
    }
}

fn known(path: &Path) -> bool {
    if path.to_string_lossy().ends_with(MASK_ENDING) {
        return false;
    }
    let end = path.extension().map(|e| e.to_string_lossy().to_lowercase());
    end.is_some_and(|e| PICTURES.contains(&e.as_str()))
}

/// Writes a file of our own whole or not at all: beside its place, synced, then moved there.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), FrameError> {
    let failed = |e: std::io::Error| {
        let remedy = "Check that the folder exists, is writable and the disk is not full.";
        FrameError::new(Fault::Unwritable, path, format!("it cannot be written: {e}"), remedy)
    };
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(failed)?;
    let mut file = tempfile::Builder::new().prefix(UNFINISHED).tempfile_in(folder).map_err(failed)?;
    file.write_all(bytes).map_err(failed)?;
    file.as_file().sync_all().map_err(failed)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // Temporary files are private; a report is not.
        file.as_file().set_permissions(std::fs::Permissions::from_mode(0o644)).map_err(failed)?;
    }
    file.persist(path).map_err(|e| failed(e.error))?;
    Ok(())
}
