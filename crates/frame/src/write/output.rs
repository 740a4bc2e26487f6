//! The copy appears whole under its name or not at all, and never over anything that exists.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use crate::error::{Fault, FrameError};
use crate::frame::Digest;
use crate::read::digest::digest_of;

/// Names of copies not finished yet begin like this; such a file left by a killed run may be removed.
pub const UNFINISHED_PREFIX: &str = ".motelight-unfinished-";

/// Fills a temporary file beside `out` and gives it its name when it is whole and on the disk, with the
/// permission bits of `source`. Returns the digest of what was written.
pub(super) fn place(
    source: &Path,
    out: &Path,
    fill: impl FnOnce(&mut File) -> io::Result<()>,
) -> Result<Digest, FrameError> {
    refuse_taken(source, out)?;
    let folder = match out.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let unwritable = |e: io::Error| unwritable(out, &e);
    let permissions = fs::metadata(source).map_err(unwritable)?.permissions();
    let mut temp = tempfile::Builder::new().prefix(UNFINISHED_PREFIX).tempfile_in(folder).map_err(unwritable)?;
    fill(temp.as_file_mut()).map_err(unwritable)?;
    temp.as_file().set_permissions(permissions).map_err(unwritable)?;
    temp.as_file().sync_all().map_err(unwritable)?;
    temp.as_file_mut().seek(SeekFrom::Start(0)).map_err(unwritable)?;
    let digest = digest_of(temp.as_file()).map_err(unwritable)?;
    temp.persist_noclobber(out).map_err(|e| unwritable(e.error))?;
    sync_folder(folder);
    Ok(digest)
}

/// Refuses a name for a copy that is taken.
///
/// # Errors
/// `Usage` if `out` is the source itself, `Unwritable` if anything else bears the name.
pub fn refuse_taken(source: &Path, out: &Path) -> Result<(), FrameError> {
    let Ok(there) = fs::symlink_metadata(out) else { return Ok(()) };
    let same_path = fs::canonicalize(source).ok() == fs::canonicalize(out).ok();
    if same_path || same_file(source, &there) {
        return Err(FrameError::new(
            Fault::Usage,
            out,
            "is the original itself; originals are never written",
            "choose another folder for the mended copies",
        ));
    }
    Err(unwritable(out, &io::Error::from(io::ErrorKind::AlreadyExists)))
}

#[cfg(unix)]
fn same_file(source: &Path, there: &fs::Metadata) -> bool {
    use std::os::unix::fs::MetadataExt;
    fs::metadata(source).is_ok_and(|s| s.dev() == there.dev() && s.ino() == there.ino())
}

#[cfg(not(unix))]
fn same_file(_source: &Path, _there: &fs::Metadata) -> bool {
    false
}

/// Gives a finished copy, written under another name in the same folder, its own name. Whatever bears that already
/// stays, and the copy then goes.
///
/// # Errors
/// `Unwritable`.
pub fn give_name(finished: &Path, out: &Path) -> Result<(), FrameError> {
    let file = tempfile::TempPath::try_from_path(finished).map_err(|e| unwritable(out, &e))?;
    file.persist_noclobber(out).map_err(|e| unwritable(out, &e.error))?;
    sync_folder(out.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new(".")));
    Ok(())
}

/// The name survives a power cut only once the folder itself is on the disk; some file systems refuse
/// that, and then there is nothing more to be done.
fn sync_folder(folder: &Path) {
    #[cfg(unix)]
    if let Ok(dir) = File::open(folder) {
        let _ = dir.sync_all();
    }
    #[cfg(not(unix))]
    let _ = folder;
}

fn unwritable(out: &Path, e: &io::Error) -> FrameError {
    let (what, remedy) = match e.kind() {
        io::ErrorKind::AlreadyExists => {
            ("exists already".to_string(), "choose another folder, or move the older copy away")
        }
        io::ErrorKind::NotFound => ("its folder does not exist".to_string(), "make the folder first"),
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            (format!("cannot be written: {e}"), "choose a folder that may be written to")
        }
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            (format!("cannot be written: {e}"), "make room on the disk and run again; nothing was lost")
        }
        io::ErrorKind::FileTooLarge => (
            format!("cannot be written: {e}"),
            "raise the limit on file sizes or choose another disk, then run again; nothing was lost",
        ),
        _ => (format!("cannot be written: {e}"), "check the disk it is written to, then run again; nothing was lost"),
    };
    FrameError::new(Fault::Unwritable, out, what, remedy)
}

/// Copies the sidecars of `source` (`stem.xmp`, `name.ext.xmp`) beside `out` under `out`'s name; returns
/// what was written. A sidecar that lies there already with the same bytes is left alone.
///
/// # Errors
/// `Unreadable` or `Unwritable`; a different file under the name is never replaced.
pub fn copy_sidecars(source: &Path, out: &Path) -> Result<Vec<PathBuf>, FrameError> {
    let mut written = Vec::new();
    for ending in ["xmp", "XMP"] {
        for named in [stem_named, full_named] {
            let (from, to) = (named(source, ending), named(out, ending));
            if !from.is_file() || written.contains(&to) {
                continue;
            }
            let bytes = fs::read(&from).map_err(|e| {
                FrameError::new(Fault::Unreadable, &from, format!("cannot be read: {e}"), "check its permissions")
            })?;
            if fs::read(&to).is_ok_and(|there| there == bytes) {
                continue;
            }
            place(&from, &to, |f| io::Write::write_all(f, &bytes))?;
            written.push(to);
        }
    }
    Ok(written)
}

fn stem_named(path: &Path, ending: &str) -> PathBuf {
    path.with_extension(ending)
}

fn full_named(path: &Path, ending: &str) -> PathBuf {
    let mut name: OsString = path.as_os_str().to_owned();
    name.push(".");
    name.push(ending);
    PathBuf::from(name)
}
