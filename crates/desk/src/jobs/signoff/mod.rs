//! Finished pictures looked over one last time, each on its own and, where the motes of the shoot are known, mote by mote.
//!
//! Files are only read. Each worker holds one picture at a time, and all of them together a bounded amount of memory.

mod known;
mod pages;
mod recorded;

use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;

use motelight_frame::{Body, Digest, Fault, FrameError, Orientation, Size, read};
use motelight_motes::signoff::{SignOff, SignOffOptions, Verdict, sign_off};

use crate::contract::{
    AnswerEntry, OriginalEntry, PrintEntry, SignOffDocument, SignedFileEntry, SuspectEntry, VouchesEntry,
};
use crate::jobs::room::{Room, cost};
use crate::jobs::{Outcome, Settings, Source};
use crate::report::{SuspectView, small_copy, suspect_views};

pub use known::KnownShoot;
use known::ToldBy;
pub use pages::{Pages, write_pages};

/// One file's result.
#[derive(Debug)]
pub struct SignedFile {
    /// The file.
    pub path: PathBuf,
    /// What was found, or why not.
    pub result: Result<Signed, FrameError>,
}

/// What was found in one file.
#[derive(Debug, Clone)]
pub struct Signed {
    /// Size as stored.
    pub size: Size,
    /// How it is to be shown.
    pub orientation: Orientation,
    /// Digest of its bytes.
    pub digest: Digest,
    /// The body, where the file or its original tells it.
    pub body: Option<Body>,
    /// What the look over gave; with motes of the shoot among the suspects.
    pub sign_off: SignOff,
    /// What became of the motes of its original, where that was found.
    pub answered: Option<Answered>,
    /// A small copy and the suspects' places as pictures; only of files that are not clear.
    pub views: Option<Views>,
}

/// The motes of the shoot in one finished file.
#[derive(Debug, Clone, PartialEq)]
pub struct Answered {
    /// The original and the way from it.
    pub original: OriginalEntry,
    /// Mote by mote.
    pub answers: Vec<AnswerEntry>,
}

/// Pictures for the contact sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Views {
    /// The whole picture, upright, as a `data:` URI, and its size.
    pub copy: (String, Size),
    /// The worst places.
    pub suspects: Vec<SuspectView>,
}

/// Looks files over, as many at a time as processors and memory allow. `each` hears of every file as it is done, and says whether
/// to go on; the results come in the order of the sources, without those that were not looked at any more. `pictures`: whether
/// small pictures of suspects are wanted.
pub fn sign_off_all(
    sources: &[Source],
    settings: &Settings,
    shoot: Option<&KnownShoot>,
    pictures: bool,
    each: &mut dyn FnMut(&SignedFile) -> ControlFlow<()>,
) -> Vec<SignedFile> {
    let (next, room) = (AtomicUsize::new(0), Room::new());
    let beside = shoot.map_or(0, |s| s.cost);
    let (tell, told) = mpsc::channel();
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(sources.len().max(1));
    let mut all: Vec<Option<SignedFile>> = sources.iter().map(|_| None).collect();
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let (tell, next, room) = (tell.clone(), &next, &room);
            scope.spawn(move || {
                while let Some((i, source)) =
                    Some(next.fetch_add(1, Ordering::Relaxed)).and_then(|i| Some((i, sources.get(i)?)))
                {
                    let _share = room.take(cost(settings, source) + beside);
                    if tell.send((i, guarded(source, settings, shoot, pictures))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(tell);
        for (i, result) in told {
            let done = SignedFile { path: sources[i].path.clone(), result };
            if each(&done).is_break() {
                next.store(sources.len(), Ordering::Relaxed);
            }
            all[i] = Some(done);
        }
    });
    all.into_iter().flatten().collect()
}

/// A mistake of ours over one file does not end the run.
fn guarded(
    source: &Source,
    settings: &Settings,
    shoot: Option<&KnownShoot>,
    pictures: bool,
) -> Result<Signed, FrameError> {
    catch_unwind(AssertUnwindSafe(|| one(source, settings, shoot, pictures))).unwrap_or_else(|_| {
        let message = "the program made a mistake over this picture; it was not judged";
        Err(FrameError::new(Fault::Unsupported, &source.path, message, "Leave it out, and tell us about it."))
    })
}

fn one(source: &Source, settings: &Settings, shoot: Option<&KnownShoot>, pictures: bool) -> Result<Signed, FrameError> {
    let mut frame = read(&source.path, &settings.read)?;
    let mut judged = sign_off(&frame, &SignOffOptions { viewings: settings.viewings.clone() });
    let mut body = frame.shot.body.clone();
    let mut answered = None;
    if let Some(shoot) = shoot {
        match shoot.ask(&source.path, &frame, settings) {
            Ok((answers, found)) => {
                known::among_suspects(&mut judged, &answers.answers);
                body = body.or(found);
                answered = Some(answers);
            }
            Err(why) => judged.notes.push(why),
        }
    }
    judged.notes.append(&mut frame.notes);
    let views = if pictures && judged.verdict != Verdict::Clear {
        let suspects = suspect_views(&frame, &judged);
        small_copy(&frame).map(|copy| Views { copy, suspects })
    } else {
        None
    };
    Ok(Signed {
        size: frame.size(),
        orientation: frame.shot.orientation,
        digest: frame.digest.clone(),
        body,
        sign_off: judged,
        answered,
        views,
    })
}

/// The document of a run.
pub fn document(all: &[SignedFile], settings: &Settings, shoot: Option<&KnownShoot>, pages: &Pages) -> SignOffDocument {
    let viewing = settings.viewings.iter().map(ToString::to_string).collect();
    let mut document = SignOffDocument::new(all.iter().map(entry).collect(), viewing);
    let said = |p: &PathBuf| p.display().to_string();
    match shoot.map(KnownShoot::told_by) {
        Some(ToldBy::Trace(file)) => document.trace = Some(file),
        Some(ToldBy::TestFrame(file)) => document.test_frame = Some(file),
        Some(ToldBy::Ledger(file)) => document.ledger = Some(file),
        None => {}
    }
    document.report = pages.report.as_ref().map(said);
    document.delivery_note = pages.delivery_note.as_ref().map(said);
    document
}

fn entry(file: &SignedFile) -> SignedFileEntry {
    let path = file.path.display().to_string();
    match &file.result {
        Err(e) => SignedFileEntry::failed(path, e),
        Ok(s) => SignedFileEntry {
            path,
            verdict: Some(s.sign_off.verdict),
            width: Some(s.size.width),
            height: Some(s.size.height),
            sha256: Some(s.digest.0.clone()),
            print: PrintEntry::of(&s.sign_off.vouches),
            suspects: s.sign_off.suspects.iter().enumerate().map(|(i, one)| SuspectEntry::of(i, one)).collect(),
            vouches_to: VouchesEntry::of(&s.sign_off.vouches),
            original: s.answered.as_ref().map(|t| t.original.clone()),
            motes: s.answered.as_ref().map(|t| t.answers.clone()).unwrap_or_default(),
            notes: s.sign_off.notes.clone(),
            error: None,
        },
    }
}

/// How a run ended.
pub fn outcome(all: &[SignedFile]) -> Outcome {
    let of = |f: &SignedFile| match f.result.as_ref().map(|s| s.sign_off.verdict) {
        Ok(Verdict::Clear) => Outcome::Clear,
        Ok(Verdict::Suspects) => Outcome::Work,
        Ok(Verdict::CannotJudge) | Err(_) => Outcome::Failed,
    };
    all.iter().map(of).max().unwrap_or(Outcome::Failed)
}
