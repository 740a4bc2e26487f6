//! A shoot traced: pictures sorted by body, lens and time, read small, and judged together.

mod cache;
mod part;
mod shelf;
mod sort;
mod watch;

pub use part::{gather, is_part, write_part};
pub use watch::{News, watch};

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use motelight_frame::{Fault, FileKind, FrameError, Reduced, Shot, read_reduced, read_shot};
use motelight_motes::inspect::stand_off::StandOffSource;
use motelight_motes::trace::{Boiled, Known, LOWEST_MM, TraceOptions, Traced, Tracer, View, cell_for};
use motelight_motes::visibility::Viewing;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::contract::{
    BodyEntry, LeftOutEntry, SightingEntry, TraceDocument, TracedBodyEntry, TracedMoteEntry, TracedPictureEntry,
    TracedStandOffEntry, UnreadEntry,
};
use crate::jobs::mend::Basis;
use crate::jobs::trace::cache::Cache;
use crate::jobs::trace::shelf::Shelf;
use crate::jobs::trace::sort::{by_body, pairs_joined};
use crate::jobs::{GoOn, Outcome, Settings, Source, write_whole};
use crate::ledger::Ledger;
use crate::report::{TracePart, TraceSheet, trace_page};

/// One body's pictures, judged together.
#[derive(Debug, Serialize, Deserialize)]
pub struct TracedBody {
    /// What was found.
    pub traced: Traced,
    /// The files, in the order of `traced.pictures`.
    pub files: Vec<PictureFile>,
}

impl TracedBody {
    /// File names of the pictures.
    pub fn names(&self) -> Vec<String> {
        let name = |f: &PictureFile| f.path.file_name().unwrap_or(f.path.as_os_str()).to_string_lossy().into_owned();
        self.files.iter().map(name).collect()
    }
}

/// One picture, which may lie there as several files.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct PictureFile {
    /// The file that was measured.
    pub path: PathBuf,
    /// Other files of the same exposure.
    pub also: Vec<PathBuf>,
    shot: Shot,
}

/// A shoot, judged.
#[derive(Debug)]
pub struct TracedShoot {
    /// The bodies, those with the most pictures first.
    pub bodies: Vec<TracedBody>,
    /// Pictures that could not be used, and why.
    pub left_out: Vec<(PathBuf, String)>,
    /// Pictures that could not be read.
    pub errors: Vec<FrameError>,
    /// The report that was written.
    pub report: Option<PathBuf>,
}

/// Pictures read side by side before they are added in order: bounds the memory.
const SIDE_BY_SIDE: usize = 4;
/// Contrast over what would just be noticed from which on a picture needs mending badly: a guess.
pub const BADLY: f64 = 3.0;

/// Traces a shoot. `each` hears of every picture as it is read, and may stop the job: then it says so as an error. What was found is kept by the digests of the files, so
/// that the same pictures are not judged twice.
/// `known`: what test frames of the bodies say, priors that the pictures may overrule.
pub fn trace<R: GoOn>(
    sources: &[Source],
    settings: &Settings,
    known: &[Known],
    each: impl Fn(&Path) -> R + Sync,
) -> TracedShoot {
    let cache = Cache::open(sources, settings, known);
    if let Some(found) = cache.as_ref().and_then(Cache::get) {
        sources.iter().for_each(|s| _ = each(&s.path));
        return found;
    }
    let stopped = AtomicBool::new(false);
    let goes_on = |path: &Path| {
        stopped.fetch_or(!each(path).goes_on(), Ordering::Relaxed);
        !stopped.load(Ordering::Relaxed)
    };
    let files = sources.par_iter().map(|s| opened(&s.path, settings)).collect();
    let shoot = traced(files, &settings.viewings, known, &|path| viewed(path, settings), goes_on);
    if let Some(cache) = cache.filter(|_| shoot.errors.is_empty()) {
        cache.put(&shoot);
    }
    shoot
}

/// A picture's facts.
fn opened(path: &Path, settings: &Settings) -> Result<(PictureFile, FileKind), FrameError> {
    let (shot, kind) = read_shot(path, &settings.read)?;
    Ok((PictureFile { path: path.to_path_buf(), also: Vec::new(), shot }, kind))
}

/// `view` gives a picture's view; `each` is asked after every picture whether to go on.
fn traced(
    opened: Vec<Result<(PictureFile, FileKind), FrameError>>,
    viewings: &[Viewing],
    known: &[Known],
    view: &(impl Fn(&Path) -> Result<View, FrameError> + Sync),
    each: impl Fn(&Path) -> bool + Sync,
) -> TracedShoot {
    let (mut files, mut errors) = (Vec::new(), Vec::new());
    for one in opened {
        match one {
            Ok(file) => files.push(file),
            Err(e) => errors.push(e),
        }
    }
    let mut left_out = Vec::new();
    let mut bodies = Vec::new();
    for group in by_body(pairs_joined(files), &mut left_out) {
        let body = group.first().and_then(|f| f.shot.body.as_ref());
        // A test frame that does not name its body is taken at the person's word.
        let known = known.iter().find(|k| k.body.as_ref().zip(body).is_none_or(|(a, b)| a == b));
        let options = TraceOptions { viewings: viewings.to_vec(), known: known.cloned() };
        bodies.extend(one_body(group, options, view, &each, &mut errors));
    }
    bodies.retain(|b| !b.files.is_empty());
    bodies.sort_by_key(|b| std::cmp::Reverse(b.files.len()));
    for (number, body) in bodies.iter_mut().enumerate().skip(1) {
        renumber(&mut body.traced, number + 1);
    }
    TracedShoot { bodies, left_out, errors, report: None }
}

fn one_body(
    group: Vec<PictureFile>,
    options: TraceOptions,
    view: &(impl Fn(&Path) -> Result<View, FrameError> + Sync),
    each: &(impl Fn(&Path) -> bool + Sync),
    errors: &mut Vec<FrameError>,
) -> Option<TracedBody> {
    let mut tracer = Tracer::new(options, &group.iter().map(|f| &f.shot).collect::<Vec<_>>());
    let (mut files, mut shelf) = (Vec::new(), Shelf::default());
    for some in group.chunks(SIDE_BY_SIDE) {
        let boiled: Vec<(Result<Boiled, FrameError>, bool)> = some
            .par_iter()
            .map(|file| {
                let boiled = view(&file.path).map(Boiled::of);
                (boiled, each(&file.path))
            })
            .collect();
        if !boiled.iter().all(|(_, goes_on)| *goes_on) {
            errors.push(stopped(&some[0].path));
            return None;
        }
        for (file, (boiled, _)) in some.iter().zip(boiled) {
            match boiled {
                Ok(boiled) => {
                    shelf.put(tracer.add(boiled));
                    files.push(file.clone());
                }
                Err(e) => errors.push(e),
            }
        }
    }
    Some(TracedBody { traced: tracer.finish(|k| shelf.get(k)), files })
}

/// The error of a trace that was told to stop.
fn stopped(path: &Path) -> FrameError {
    let remedy = "Trace the shoot anew; nothing of this run was kept.";
    FrameError::new(Fault::Usage, path, "the trace was stopped before this picture", remedy)
}

/// What is known of the bodies before the pictures of a shoot are looked at: by a test frame, else by the ledger.
///
/// # Errors
/// What reading them gives, and a test frame that no chart can be drawn from.
pub fn known(test_frame: Option<&Path>, ledger: Option<&Path>, settings: &Settings) -> Result<Vec<Known>, FrameError> {
    match (test_frame, ledger) {
        (Some(wall), _) => Ok(vec![by_test_frame(wall, settings)?]),
        (None, Some(ledger)) => Ledger::open_existing(ledger)?.map_or(Ok(Vec::new()), |l| l.known()),
        (None, None) => Ok(Vec::new()),
    }
}

fn by_test_frame(test_frame: &Path, settings: &Settings) -> Result<Known, FrameError> {
    let basis = Basis::test_frame(test_frame, settings)?;
    let chart = basis.chart(test_frame)?;
    let motes = chart.motes.iter().map(|m| (m.at.x, m.at.y)).collect();
    Ok(Known { body: chart.body.clone(), stand_off_mm: chart.stand_off_mm, motes })
}

fn reduced(path: &Path, settings: &Settings) -> Result<Reduced, FrameError> {
    read_reduced(path, &settings.read, |shot, size| cell_for(shot, size, LOWEST_MM))
}

fn viewed(path: &Path, settings: &Settings) -> Result<View, FrameError> {
    reduced(path, settings).map(View::of)
}

/// Ids of the second body and further ones carry its number, so that they are unique in a document.
fn renumber(traced: &mut Traced, number: usize) {
    for mote in &mut traced.motes {
        mote.id = format!("b{number}-{}", mote.id);
    }
    for sighting in traced.pictures.iter_mut().flat_map(|p| &mut p.motes) {
        sighting.id = format!("b{number}-{}", sighting.id);
    }
}

/// Writes the page of a run into a folder and gives its path.
///
/// # Errors
/// Where it cannot be written.
pub fn write_report(shoot: &TracedShoot, settings: &Settings, folder: &Path) -> Result<PathBuf, FrameError> {
    let names: Vec<Vec<String>> = shoot.bodies.iter().map(TracedBody::names).collect();
    let parts: Vec<TracePart> = shoot
        .bodies
        .iter()
        .zip(&names)
        .map(|(body, names)| {
            let read = |k: usize| {
                let path = &body.files.get(k)?.path;
                // Small copies need no more; the picture itself is not judged again.
                read_reduced(path, &settings.read, |_, size| (size.width.max(size.height) / 420).clamp(1, 16)).ok()
            };
            TracePart::new(TraceSheet { traced: &body.traced, names, badly: BADLY }, read)
        })
        .collect();
    let left_out: Vec<(String, String)> =
        shoot.left_out.iter().map(|(p, why)| (p.display().to_string(), why.clone())).collect();
    let path = folder.join("trace.html");
    write_whole(&path, trace_page(&parts, &left_out, &shoot.errors).as_bytes())?;
    Ok(path)
}

/// The document of a run.
pub fn document(shoot: &TracedShoot, viewings: &[Viewing]) -> TraceDocument {
    let mut document = TraceDocument::new(shoot.bodies.iter().map(body_entry).collect());
    let left_out =
        |(path, reason): &(PathBuf, String)| LeftOutEntry { path: path.display().to_string(), reason: reason.clone() };
    document.left_out = shoot.left_out.iter().map(left_out).collect();
    document.errors = shoot.errors.iter().map(UnreadEntry::from).collect();
    document.viewing = viewings.iter().map(ToString::to_string).collect();
    document.report = shoot.report.as_ref().map(|r| r.display().to_string());
    document
}

fn body_entry(body: &TracedBody) -> TracedBodyEntry {
    let traced = &body.traced;
    let paths: Vec<String> = body.files.iter().map(|f| f.path.display().to_string()).collect();
    let shows_in = |id: &str| traced.pictures.iter().filter(|p| p.motes.iter().any(|m| m.id == id && m.shows)).count();
    TracedBodyEntry {
        body: BodyEntry {
            make: traced.body.as_ref().map(|b| b.make.clone()),
            model: traced.body.as_ref().map(|b| b.model.clone()),
            serial: traced.body.as_ref().and_then(|b| b.serial.clone()),
        },
        stand_off_mm: TracedStandOffEntry {
            value: traced.stand_off_mm.value,
            sigma: traced.stand_off_mm.sigma,
            source: if traced.stand_off_measured { StandOffSource::Measured } else { StandOffSource::Assumed },
        },
        reference_lens: traced.reference_lens.as_ref().map(|l| l.model.clone()),
        false_motes: traced.false_motes,
        pictures_to_mend: traced.pictures.iter().filter(|p| p.shows()).count(),
        pictures_to_mend_badly: traced.pictures.iter().filter(|p| p.worst() >= BADLY).count(),
        chart: traced
            .motes
            .iter()
            .map(|m| TracedMoteEntry::of(m, traced.sensor_mm.is_some(), shows_in(&m.id), &paths))
            .collect(),
        pictures: traced
            .pictures
            .iter()
            .zip(&body.files)
            .map(|(p, f)| TracedPictureEntry {
                path: f.path.display().to_string(),
                also: f.also.iter().map(|p| p.display().to_string()).collect(),
                taken: p.taken.clone(),
                width: p.size.width,
                height: p.size.height,
                pixel_pitch_um: traced.sensor_mm.map(|(w, _)| 1000.0 * w / p.size.width.max(1) as f64),
                f_number: p.f_number_told.then(|| p.f_number.marked()),
                lens: p.lens.as_ref().map(|l| l.model.clone()),
                orientation: p.orientation,
                transform: p.transform,
                weight: p.weight,
                motes: p.motes.iter().map(SightingEntry::from).collect(),
            })
            .collect(),
        notes: traced.notes.clone(),
    }
}

/// How a run ended.
pub fn outcome(shoot: &TracedShoot) -> Outcome {
    if !shoot.errors.is_empty() || shoot.bodies.is_empty() {
        return Outcome::Failed;
    }
    let shows = shoot.bodies.iter().flat_map(|b| &b.traced.pictures).any(|p| p.shows());
    if shows { Outcome::Work } else { Outcome::Clear }
}

/// The error of a call that names nothing to trace.
pub fn nothing_to_trace() -> FrameError {
    let remedy = "Give the pictures of a shoot as the camera wrote them, or their folder.";
    FrameError::new(Fault::Usage, Path::new("."), "there is no picture that could be traced", remedy)
}
