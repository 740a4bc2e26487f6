//! All pictures of a run: side by side, within bounded memory, under one lock.

use std::collections::BTreeSet;
use std::fs::File;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;

use motelight_frame::{Fault, FrameError};

use super::basis::Basis;
use super::one::Shared;
use super::record::RECORDS;
use super::{MendedPicture, Mending, Plan};
use crate::jobs::room::{Room, cost};
use crate::jobs::{GoOn, Settings, Source, UNFINISHED};

/// Mends pictures by a chart, each into a copy of its own below the plan's folder, as many at a time as processors and
/// memory allow. `each` hears of every picture as it is done, and may stop the run: pictures in work are finished, the rest is left out
/// of the results, which come in the order of the sources.
///
/// # Errors
/// Choices that name nothing, a missing folder for the copies, or a folder that another run is writing to.
pub fn mend<R: GoOn>(
    sources: &[Source],
    basis: &Basis,
    settings: &Settings,
    plan: &Plan,
    each: &mut impl FnMut(&MendedPicture) -> R,
) -> Result<Vec<MendedPicture>, FrameError> {
    let ids = basis.ids();
    plan.choices.check(sources, &ids)?;
    let _lock = match &plan.out {
        _ if plan.dry_run => None,
        Some(out) => Some(Lock::take(out, sources, plan.part.is_some())?),
        None => {
            let remedy = "Name a folder for the mended copies: --out mended";
            return Err(FrameError::new(Fault::Usage, Path::new("--out"), "no output folder was given", remedy));
        }
    };
    let shared = Shared { basis, settings, plan };
    let mut wanted: Vec<usize> =
        (0..sources.len()).filter(|&i| plan.choices.picture(&sources[i].relative, &ids)).collect();
    let twice = twice(sources, &wanted);
    let share = plan.part.map_or(0..sources.len(), |part| part.share(sources.len()));
    wanted.retain(|i| share.contains(i));
    let (next, room) = (AtomicUsize::new(0), Room::new());
    let (tell, told) = mpsc::channel();
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(wanted.len().max(1));
    let mut all: Vec<Option<MendedPicture>> = wanted.iter().map(|_| None).collect();
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let (tell, wanted, twice, shared, next, room) = (tell.clone(), &wanted, &twice, &shared, &next, &room);
            scope.spawn(move || {
                loop {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    let Some(&k) = wanted.get(i) else { return };
                    let source = &sources[k];
                    let result = match twice.contains(&k) {
                        true => Err(named_twice(source)),
                        false => guarded(shared, source, room),
                    };
                    if tell.send((i, result)).is_err() {
                        return;
                    }
                }
            });
        }
        drop(tell);
        for (i, result) in told {
            let done = MendedPicture { path: sources[wanted[i]].path.clone(), result };
            if !each(&done).goes_on() {
                next.store(wanted.len(), Ordering::Relaxed);
            }
            all[i] = Some(done);
        }
    });
    Ok(all.into_iter().flatten().collect())
}

/// One picture within its share of the memory; a mistake of ours in one picture does not end the run.
fn guarded(shared: &Shared, source: &Source, room: &Room) -> Result<Mending, FrameError> {
    let _share = room.take(cost(shared.settings, source));
    catch_unwind(AssertUnwindSafe(|| shared.one(source))).unwrap_or_else(|_| {
        let message = "the program made a mistake over this picture; nothing was written for it";
        Err(FrameError::new(Fault::Unsupported, &source.path, message, "Leave it out, and tell us about it."))
    })
}

/// Pictures whose copies would have the name of an earlier one.
fn twice(sources: &[Source], wanted: &[usize]) -> BTreeSet<usize> {
    let mut taken = BTreeSet::new();
    wanted.iter().copied().filter(|&i| !taken.insert(sources[i].relative.as_path())).collect()
}

fn named_twice(source: &Source) -> FrameError {
    let message = "another picture of this run has the same name";
    FrameError::new(Fault::Usage, &source.path, message, "Give their common folder instead, or mend them apart.")
}

/// Keeps a second run out of the folder; the system gives it free when this process ends, however it ends.
struct Lock(#[allow(dead_code, reason = "held, not used")] File);

impl Lock {
    /// Takes the folder and sweeps away what a killed run left unfinished. Parts of a run share it: what is unfinished may be
    /// another's, and stays until a whole run comes.
    fn take(out: &Path, sources: &[Source], shared: bool) -> Result<Lock, FrameError> {
        let failed = |e: std::io::Error| {
            let message = format!("the output folder cannot be written to: {e}");
            FrameError::new(Fault::Unwritable, out, message, "Check its permissions and the space left.")
        };
        std::fs::create_dir_all(out.join(RECORDS)).map_err(failed)?;
        let file = File::create(out.join(RECORDS).join(".lock")).map_err(failed)?;
        match if shared { file.try_lock_shared() } else { file.try_lock() } {
            Ok(()) if shared => return Ok(Lock(file)),
            Ok(()) => {}
            Err(std::fs::TryLockError::WouldBlock) => {
                let remedy = "Wait for it to end, or choose another folder.";
                return Err(FrameError::new(Fault::Unwritable, out, "another run is writing to this folder", remedy));
            }
            // Some network folders know no locks; then nothing keeps two runs apart but the person.
            Err(std::fs::TryLockError::Error(_)) => {}
        }
        let below = |s: &Source| s.relative.parent().map(Path::to_path_buf).unwrap_or_default();
        let folders: BTreeSet<PathBuf> = sources.iter().map(below).collect();
        for folder in folders {
            sweep(&out.join(&folder));
            sweep(&out.join(RECORDS).join(&folder));
        }
        Ok(Lock(file))
    }
}

/// Removes files of our own that were never finished.
fn sweep(folder: &Path) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        if name.starts_with(UNFINISHED) && entry.file_type().is_ok_and(|t| t.is_file()) {
            // What cannot be removed is in nobody's way: its name is never given.
            let _ = std::fs::remove_file(entry.path());
        }
    }
}
