//! A trace shared out: each part reads its pictures small and keeps them in a file; all of them together are judged as one run.
//!
//! A part file: eight bytes that name the format, the cells of its pictures one after the other (16 bits, little-endian), what
//! there is to tell of them as JSON, and the length of that in the last eight bytes.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs::File;
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use motelight_frame::{Fault, FileKind, FrameError, Plane, Reduced, Shot, Size};
use motelight_motes::trace::{Known, View};
use motelight_motes::visibility::Viewing;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::contract::PartEntry;
use crate::jobs::merge::{complete, no_part, unreadable};
use crate::jobs::trace::{PictureFile, SIDE_BY_SIDE, TracedShoot, opened, reduced, traced};
use crate::jobs::{GoOn, Part, Settings, Source, UNFINISHED};

const MAGIC: &[u8; 8] = b"motetra1";

/// What there is to tell of a part.
#[derive(Serialize, Deserialize)]
struct Told {
    part: PartEntry,
    viewings: Vec<Viewing>,
    known: Vec<Known>,
    pictures: Vec<Picture>,
}

#[derive(Serialize, Deserialize)]
struct Picture {
    /// As the system names it, Unicode or not.
    path: OsString,
    /// Its facts, or why they cannot be read.
    opened: Result<(FileKind, Shot), Unread>,
    /// Where its cells lie, or why there are none.
    cells: Result<Cells, Unread>,
}

/// A picture read small.
#[derive(Serialize, Deserialize)]
struct Cells {
    cell: usize,
    size: Size,
    shot: Shot,
    spikes: Vec<(u32, u32)>,
    cells: Size,
    at: u64,
}

#[derive(Clone, Serialize, Deserialize)]
struct Unread {
    path: OsString,
    fault: Fault,
    message: String,
    remedy: String,
}

impl From<FrameError> for Unread {
    fn from(e: FrameError) -> Self {
        Unread { path: e.path.into_os_string(), fault: e.fault, message: e.message, remedy: e.remedy }
    }
}

impl Unread {
    fn error(&self) -> FrameError {
        FrameError::new(self.fault, Path::new(&self.path), self.message.as_str(), self.remedy.as_str())
    }
}

/// Reads a part's share of the pictures small and writes them into a file below `folder`. Gives its path and the pictures
/// that could not be read. `each` hears of every picture, and may stop the job: then nothing is written.
///
/// # Errors
/// `Unwritable`; a job that was stopped.
pub fn write_part<R: GoOn>(
    sources: &[Source],
    part: Part,
    settings: &Settings,
    known: &[Known],
    folder: &Path,
    each: impl Fn(&Path) -> R + Sync,
) -> Result<(PathBuf, Vec<FrameError>), FrameError> {
    let path = folder.join(format!("trace-{part}.part"));
    let failed = |e: std::io::Error| {
        let remedy = "Check that the folder is writable and the disk is not full.";
        FrameError::new(Fault::Unwritable, &path, format!("it cannot be written: {e}"), remedy)
    };
    std::fs::create_dir_all(folder).map_err(failed)?;
    let file = tempfile::Builder::new().prefix(UNFINISHED).tempfile_in(folder).map_err(failed)?;
    let mut out = BufWriter::new(file);
    out.write_all(MAGIC).map_err(failed)?;
    let (mut at, mut pictures) = (MAGIC.len() as u64, Vec::new());
    for some in sources[part.share(sources.len())].chunks(SIDE_BY_SIDE) {
        let read: Vec<_> = some
            .par_iter()
            .map(|s| {
                let opened = opened(&s.path, settings);
                let reduced = opened.is_ok().then(|| reduced(&s.path, settings));
                (opened, reduced, each(&s.path).goes_on())
            })
            .collect();
        for (source, (opened, reduced, goes_on)) in some.iter().zip(read) {
            if !goes_on {
                return Err(super::stopped(&source.path));
            }
            let opened = opened.map(|(file, kind)| (kind, file.shot)).map_err(Unread::from);
            let cells = match (&opened, reduced) {
                (_, Some(Ok(small))) => {
                    let bytes: Vec<u8> = small.ln.data().iter().flat_map(|v| v.to_le_bytes()).collect();
                    out.write_all(&bytes).map_err(failed)?;
                    let Reduced { ln, cell, size, shot, spikes } = small;
                    let begins = at;
                    at += bytes.len() as u64;
                    Ok(Cells { cell, size, shot, spikes, cells: ln.size(), at: begins })
                }
                (_, Some(Err(e))) => Err(e.into()),
                (Err(e), None) => Err(e.clone()),
                (Ok(_), None) => continue,
            };
            pictures.push(Picture { path: source.path.clone().into_os_string(), opened, cells });
        }
    }
    let errors = pictures.iter().filter_map(|p| Some(p.cells.as_ref().err()?.error())).collect();
    let entry = part.entry(sources, settings, &format!("trace {known:?}"));
    let told = Told { part: entry, viewings: settings.viewings.clone(), known: known.to_vec(), pictures };
    let text = serde_json::to_vec(&told).map_err(|e| failed(e.into()))?;
    out.write_all(&text).and_then(|()| out.write_all(&(text.len() as u64).to_le_bytes())).map_err(failed)?;
    let file = out.into_inner().map_err(|e| failed(e.into_error()))?;
    file.as_file().sync_all().map_err(failed)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // Temporary files are private; another machine's user is to read this one.
        file.as_file().set_permissions(std::fs::Permissions::from_mode(0o644)).map_err(failed)?;
    }
    file.persist(&path).map_err(|e| failed(e.error))?;
    Ok((path, errors))
}

/// Whether a file is a part of a trace.
pub fn is_part(path: &Path) -> bool {
    let mut first = [0u8; 8];
    File::open(path).and_then(|mut f| f.read_exact(&mut first)).is_ok() && first == *MAGIC
}

/// An open part.
struct Opened {
    path: PathBuf,
    file: Mutex<File>,
    told: Told,
}

impl Opened {
    fn open(path: &Path) -> Result<Opened, FrameError> {
        let read = |e: std::io::Error| unreadable(path, &e);
        let mut file = File::open(path).map_err(read)?;
        let length = file.metadata().map_err(read)?.len();
        let mut last = [0u8; 8];
        if !is_part(path) || length < 16 {
            return Err(no_part(path));
        }
        file.seek(SeekFrom::End(-8)).and_then(|_| file.read_exact(&mut last)).map_err(read)?;
        let told = u64::from_le_bytes(last);
        let Some(begins) = (length - 8).checked_sub(told).filter(|b| *b >= 8) else { return Err(damaged(path)) };
        let mut text = vec![0u8; (length - 8 - begins) as usize];
        file.seek(SeekFrom::Start(begins)).and_then(|_| file.read_exact(&mut text)).map_err(read)?;
        let told: Told = serde_json::from_slice(&text).map_err(|_| damaged(path))?;
        // No picture may claim cells that are not there.
        let held = |c: &Cells| {
            let bytes = c.cells.width.checked_mul(c.cells.height).and_then(|n| n.checked_mul(2));
            bytes.and_then(|n| c.at.checked_add(n as u64)).is_some_and(|end| c.at >= 8 && end <= begins)
        };
        if !told.pictures.iter().filter_map(|p| p.cells.as_ref().ok()).all(held) {
            return Err(damaged(path));
        }
        Ok(Opened { path: path.to_path_buf(), file: Mutex::new(file), told })
    }

    fn view(&self, picture: &Picture) -> Result<View, FrameError> {
        let held = picture.cells.as_ref().map_err(Unread::error)?;
        let mut bytes = vec![0u8; 2 * held.cells.area()];
        {
            let mut file = self.file.lock().map_err(|_| damaged(&self.path))?;
            let read = file.seek(SeekFrom::Start(held.at)).and_then(|_| file.read_exact(&mut bytes));
            read.map_err(|e| unreadable(&self.path, &e))?;
        }
        let cells = bytes.chunks_exact(2).map(|b| i16::from_le_bytes([b[0], b[1]])).collect();
        let Cells { cell, size, shot, spikes, .. } = held;
        let (size, shot, spikes) = (*size, shot.clone(), spikes.clone());
        Ok(View::of(Reduced { ln: Plane::from_vec(held.cells, cells), cell: *cell, size, shot, spikes }))
    }
}

/// Judges the pictures of all parts of a trace as one run would. Gives the conditions judged for as well.
///
/// # Errors
/// Files that are no parts or damaged, parts that are missing or come twice, parts of different runs.
pub fn gather<R: GoOn>(
    paths: &[PathBuf],
    each: impl Fn(&Path) -> R + Sync,
) -> Result<(TracedShoot, Vec<Viewing>), FrameError> {
    let mut parts = paths.iter().map(|p| Opened::open(p)).collect::<Result<Vec<_>, _>>()?;
    complete(parts.iter().map(|p| (p.path.as_path(), &p.told.part)))?;
    parts.sort_by_key(|p| p.told.part.number);
    let of_all = || parts.iter().flat_map(|part| part.told.pictures.iter().map(move |p| (part, p)));
    let places: BTreeMap<&Path, (&Opened, &Picture)> =
        of_all().map(|(part, p)| (Path::new(&p.path), (part, p))).collect();
    let opened = of_all()
        .map(|(_, p)| {
            let (kind, shot) = p.opened.as_ref().map_err(Unread::error)?;
            Ok((PictureFile { path: PathBuf::from(&p.path), also: Vec::new(), shot: shot.clone() }, *kind))
        })
        .collect();
    let view = |path: &Path| match places.get(path) {
        Some((part, picture)) => part.view(picture),
        None => Err(no_part(path)),
    };
    let Told { viewings, known, .. } = &parts[0].told;
    let shoot = traced(opened, viewings, known, &view, |path| each(path).goes_on());
    Ok((shoot, viewings.clone()))
}

fn damaged(path: &Path) -> FrameError {
    FrameError::new(Fault::Broken, path, "this part of a trace is damaged", "Run this part again, then merge.")
}
