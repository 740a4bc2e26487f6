//! What the jobs have found so far. Nothing of it is kept from one start to the next: it is found anew, or comes from the
//! ledger.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use motelight_desk::jobs::mend::Basis;
use motelight_desk::jobs::recheck::{Compare, Refused};
use motelight_desk::jobs::{Source, TracedShoot};
use motelight_frame::{FNumber, Fault, FrameError};
use motelight_motes::advise::{Advice, Circumstances, Situation, advise};
use motelight_motes::inspect::Inspection;
use motelight_motes::trace::TracedPicture;

use crate::state::Step;
use crate::worker::{BodyCard, MendedShoot, SignedShoot};

/// A test frame, judged.
#[derive(Debug)]
pub struct Judged {
    /// The file.
    pub path: PathBuf,
    /// What was found.
    pub inspection: Inspection,
    /// What to do.
    pub advice: Advice,
    /// The report that was written.
    pub report: Option<PathBuf>,
}

impl Judged {
    /// A judged frame with the advice for how things stand.
    pub fn new(path: PathBuf, inspection: Inspection, booked: Option<FNumber>, how: Circumstances) -> Judged {
        let advice = advice(&inspection, booked, how);
        Judged { path, inspection, advice, report: None }
    }
}

/// The advice for one frame, with nothing known of passes.
pub fn advice(inspection: &Inspection, booked: Option<FNumber>, circumstances: Circumstances) -> Advice {
    advise(&Situation { booked, circumstances, ..Situation::of(inspection) })
}

/// Two test frames, held against each other.
#[derive(Debug)]
pub struct Rechecks {
    /// The first file.
    pub before: PathBuf,
    /// The second file.
    pub after: PathBuf,
    /// What came of it.
    pub compare: Box<Compare>,
    /// The step card that was written.
    pub card: Option<PathBuf>,
}

/// A job that runs.
#[derive(Debug)]
pub struct Running {
    /// Its number.
    pub number: u64,
    /// What is done.
    pub words: &'static str,
    /// The step that it was asked from.
    pub step: Step,
    /// Since when.
    pub since: Instant,
    /// How many of how many things are done, and the name of the last.
    pub progress: Option<(usize, usize, String)>,
}

impl Running {
    /// Share that is done, and the time left in words, as soon as either can be told.
    pub fn left(&self) -> Option<(f32, String)> {
        let (done, of, _) = self.progress.as_ref()?;
        let share = *done as f32 / (*of).max(1) as f32;
        let seconds = self.since.elapsed().as_secs_f32() / share.max(1e-3) * (1.0 - share);
        let words = match seconds {
            s if *done < 2 || s < 1.0 => String::new(),
            s if s < 90.0 => format!("about {:.0} s left", (s / 5.0).ceil() * 5.0),
            s => format!("about {:.0} min left", (s / 60.0).ceil()),
        };
        Some((share, words))
    }
}

/// Everything found so far.
#[derive(Debug, Default)]
pub struct Found {
    /// The bodies of the ledger.
    pub bodies: Vec<BodyCard>,
    /// The latest test frame.
    pub judged: Option<Judged>,
    /// The latest two.
    pub rechecked: Option<Rechecks>,
    /// The pictures of the shoot.
    pub sources: Vec<Source>,
    /// The shoot, traced.
    pub traced: Option<Box<TracedShoot>>,
    /// The test frame that the shoot is mended by, and its file.
    pub wall: Option<(PathBuf, Arc<Basis>)>,
    /// The trace to mend by where there is no test frame.
    pub trace: Option<Arc<Basis>>,
    /// The shoot, mended.
    pub mended: Option<MendedShoot>,
    /// The mended copies, looked over.
    pub signed_off: Option<SignedShoot>,
    /// What went wrong, where it happened.
    pub troubles: BTreeMap<Step, Vec<FrameError>>,
    /// What could not be written to the ledger; results stand all the same.
    pub unrecorded: Option<FrameError>,
    /// The job that runs.
    pub running: Option<Running>,
    /// Jobs that wait for it.
    pub waiting: Vec<Running>,
    /// What was just done, in a few words.
    pub said: Option<String>,
}

impl Found {
    /// Puts down what went wrong where it happened.
    pub fn trouble(&mut self, step: Step, error: FrameError) {
        self.troubles.entry(step).or_default().push(error);
    }

    /// A job was asked for.
    pub fn begins(&mut self, job: Running) {
        match self.running {
            None => self.running = Some(job),
            Some(_) => self.waiting.push(job),
        }
    }

    /// A job is over; gives the step that it was asked from.
    pub fn ends(&mut self, number: u64) -> Option<Step> {
        let over = self.running.take_if(|r| r.number == number)?;
        if !self.waiting.is_empty() {
            self.running = Some(Running { since: Instant::now(), ..self.waiting.remove(0) });
        }
        Some(over.step)
    }

    /// Forgets what went wrong in a step.
    pub fn clear(&mut self, step: Step) {
        self.troubles.remove(&step);
    }

    /// What the shoot is mended by: a test frame, else its trace.
    pub fn basis(&self) -> Option<&Arc<Basis>> {
        self.wall.as_ref().map(|(_, basis)| basis).or(self.trace.as_ref())
    }

    /// Forgets what was found in the shoot.
    pub fn forget_shoot(&mut self) {
        (self.traced, self.trace) = (None, None);
        self.forget_mended();
    }

    /// The delivery note, where one was written.
    pub fn delivery_note(&self) -> Option<&Path> {
        self.signed_off.as_ref()?.pages.as_ref().ok()?.delivery_note.as_deref()
    }

    /// Forgets what came of mending: something it rests on has changed.
    pub fn forget_mended(&mut self) {
        (self.mended, self.signed_off) = (None, None);
    }

    /// The inspection of the latest test frame.
    pub fn inspection(&self) -> Option<&Inspection> {
        let second = self.rechecked.as_ref().map(|r| &r.compare.after);
        second.or_else(|| self.judged.as_ref().map(|j| &j.inspection))
    }

    /// The latest test frame.
    pub fn frame(&self) -> Option<&Path> {
        let second = self.rechecked.as_ref().map(|r| r.after.as_path());
        second.or_else(|| self.judged.as_ref().map(|j| j.path.as_path()))
    }

    /// What to do next about the sensor.
    pub fn advice(&self) -> Option<&Advice> {
        let second = self.rechecked.as_ref().map(|r| &r.compare.advice);
        second.or_else(|| self.judged.as_ref().map(|j| &j.advice))
    }

    /// A picture of the traced shoot by its file.
    pub fn traced_picture(&self, path: &Path) -> Option<&TracedPicture> {
        let bodies = &self.traced.as_ref()?.bodies;
        bodies.iter().find_map(|b| {
            let at = b.files.iter().position(|f| f.path == path || f.also.iter().any(|a| a == path))?;
            b.traced.pictures.get(at)
        })
    }

    /// The pictures in which something shows, the worst first.
    pub fn needs_work(&self) -> Vec<(&Path, &TracedPicture)> {
        let Some(shoot) = &self.traced else { return Vec::new() };
        let mut all: Vec<(&Path, &TracedPicture)> = shoot
            .bodies
            .iter()
            .flat_map(|b| b.files.iter().map(|f| f.path.as_path()).zip(&b.traced.pictures))
            .filter(|(_, p)| p.shows())
            .collect();
        all.sort_by(|a, b| b.1.worst().total_cmp(&a.1.worst()).then(a.0.cmp(b.0)));
        all
    }

    /// The source of a picture.
    pub fn source(&self, path: &Path) -> Option<&Source> {
        self.sources.iter().find(|s| s.path == path)
    }
}

/// A refusal as an error about the second file.
pub fn refusal(refused: Refused) -> FrameError {
    match refused {
        Refused::Unread(e) => e,
        Refused::Unlike { path, why } => FrameError::new(Fault::Usage, &path, why.message, why.remedy),
    }
}
