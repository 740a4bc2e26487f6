//! The motes of a shoot, asked about finished files: each file is brought together with its original, and each mote that stands in
//! that is looked for where it must lie.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use motelight_frame::{Body, Fault, Frame, FrameError, PicturePoint, Size, read};
use motelight_motes::answer::standing;
use motelight_motes::mend::{ChartMote, MendOptions, Outcome, Reason, Treatment, sight};
use motelight_motes::optics::equivalent_diameter;
use motelight_motes::register::Registration;
use motelight_motes::signoff::{Cause, SignOff, Suspect, Verdict};

use super::Answered;
use super::recorded::Recorded;
use crate::contract::{Answer, AnswerEntry, OriginalEntry, SightingEntry, TracedBodyEntry, TracedPictureEntry};
use crate::jobs::mend::{Basis, TraceBasis, body_of};
use crate::jobs::originals::{Found, Originals};
use crate::jobs::room::cost;
use crate::jobs::{Settings, Source};

/// A shoot whose motes are known, and where its originals lie.
#[derive(Debug)]
pub struct KnownShoot {
    told: Told,
    originals: Originals,
    /// Memory that looking at an original takes beside the finished file, bytes.
    pub(super) cost: u64,
}

/// What tells which motes stand in an original.
#[derive(Debug)]
enum Told {
    /// A test frame, of which each original is asked what it shows; or a trace, which knows.
    Basis(Arc<Basis>),
    /// The ledger's test frames, each original asked by the one of its body that lies nearest.
    Ledger(Recorded),
}

/// The file that tells the motes of a shoot.
pub(super) enum ToldBy {
    Trace(String),
    TestFrame(String),
    Ledger(String),
}

/// The motes that stand in one original.
struct Standing {
    /// The size in which their places are told.
    size: Size,
    body: Option<Body>,
    motes: Vec<Expected>,
}

/// One mote in an original.
struct Expected {
    id: String,
    at: PicturePoint,
    /// Full width of its shadow at half depth, px.
    width_px: f64,
    depth: f64,
}

impl KnownShoot {
    /// A trace, of whose pictures at least one lies in the folder, under its name.
    ///
    /// # Errors
    /// A file that is no trace, and a folder that holds none of its pictures.
    pub fn traced(trace: &Path, folder: &Path) -> Result<KnownShoot, FrameError> {
        let trace = TraceBasis::open(trace)?;
        let mut originals = Originals::open(folder)?;
        originals.files.retain(|file| trace.entry(file).is_ok());
        if originals.files.is_empty() {
            let remedy = "Name the folder of the pictures that were traced.";
            return Err(FrameError::new(Fault::Usage, folder, "none of the trace’s pictures lies here", remedy));
        }
        Ok(KnownShoot { told: Told::Basis(Arc::new(Basis::Trace(Box::new(trace)))), originals, cost: 0 })
    }

    /// A test frame by the body of a folder's pictures.
    ///
    /// # Errors
    /// A test frame that no chart can be drawn from, and a folder without pictures.
    pub fn by_test_frame(wall: &Path, folder: &Path, settings: &Settings) -> Result<KnownShoot, FrameError> {
        let basis = Basis::test_frame(wall, settings)?;
        Ok(KnownShoot::mended_by(Arc::new(basis), Originals::open(folder)?.files, settings))
    }

    /// What these pictures were mended by.
    pub fn mended_by(basis: Arc<Basis>, originals: Vec<PathBuf>, settings: &Settings) -> KnownShoot {
        let cost = if matches!(*basis, Basis::TestFrame { .. }) { dearest(&originals, settings) } else { 0 };
        KnownShoot { told: Told::Basis(basis), originals: Originals { files: originals }, cost }
    }

    /// The test frames in a ledger.
    ///
    /// # Errors
    /// A ledger that is not there or cannot be read, and a folder without pictures.
    pub fn recorded(ledger: &Path, folder: &Path, settings: &Settings) -> Result<KnownShoot, FrameError> {
        let told = Told::Ledger(Recorded::open(ledger)?);
        let originals = Originals::open(folder)?;
        let cost = dearest(&originals.files, settings);
        Ok(KnownShoot { told, originals, cost })
    }

    /// The trace, the test frame or the ledger that tells the motes.
    pub(super) fn told_by(&self) -> ToldBy {
        match &self.told {
            Told::Ledger(ledger) => ToldBy::Ledger(ledger.path.display().to_string()),
            Told::Basis(basis) => match &**basis {
                Basis::TestFrame { name, .. } => ToldBy::TestFrame(name.clone()),
                Basis::Trace(_) => ToldBy::Trace(basis.name().to_owned()),
            },
        }
    }

    /// The motes of a finished file's original, mote by mote, and the body that took it; or in words why not.
    pub(super) fn ask(
        &self,
        path: &Path,
        frame: &Frame,
        settings: &Settings,
    ) -> Result<(Answered, Option<Body>), String> {
        let without = match self.told_by() {
            ToldBy::Trace(_) => "the trace",
            ToldBy::TestFrame(_) => "the test frame",
            ToldBy::Ledger(_) => "the ledger’s test frames",
        };
        let found = self.originals.find(path, frame, settings).map_err(|why| match why {
            None => format!("None of the originals fits this file: judged without {without}."),
            Some(e) => format!("Judged without {without}: {}.", e.words()),
        })?;
        let (told_by, standing) =
            self.standing(&found, settings).map_err(|why| format!("Judged without {without}: {why}."))?;
        let way = found.way;
        let answers = standing.motes.iter().map(|m| answer(m, standing.size, frame, &way, settings)).collect();
        let (finished_from_original, radial) = way.matrix();
        let original = OriginalEntry {
            path: self.originals.files[found.number].display().to_string(),
            told_by,
            matched_share: way.matched_share,
            position_sigma_px: way.sigma_px,
            turned_degrees: 90 * u16::from(way.quarter_turns),
            finished_from_original,
            radial,
        };
        Ok((Answered { original, answers }, standing.body))
    }

    /// The motes that stand in an original, and the file that tells them; or in words why they are not known.
    fn standing(&self, original: &Found, settings: &Settings) -> Result<(String, Standing), String> {
        let file = &self.originals.files[original.number];
        let basis = match &self.told {
            Told::Basis(basis) => basis.clone(),
            Told::Ledger(ledger) => ledger.basis(&original.shot, settings)?,
        };
        let standing = match &*basis {
            Basis::TestFrame { .. } => by_test_frame(&basis, file, settings),
            Basis::Trace(trace) => {
                trace.entry(file).map(|(body, picture)| by_trace(body, picture)).map_err(|e| e.message)
            }
        };
        Ok((basis.name().to_owned(), standing?))
    }
}

/// Memory that the largest of these takes, bytes.
fn dearest(files: &[PathBuf], settings: &Settings) -> u64 {
    let of = |f: &PathBuf| cost(settings, &Source { path: f.clone(), relative: f.clone() });
    files.iter().map(of).max().unwrap_or(0)
}

fn by_trace(body: &TracedBodyEntry, picture: &TracedPictureEntry) -> Standing {
    let of = |m: &SightingEntry| Expected {
        id: m.id.clone(),
        at: PicturePoint { x: m.x_px, y: m.y_px },
        width_px: m.shadow_width_px,
        depth: m.depth,
    };
    Standing {
        size: Size { width: picture.width, height: picture.height },
        body: body_of(&body.body),
        motes: picture.motes.iter().map(of).collect(),
    }
}

/// The original looked at as for mending.
fn by_test_frame(basis: &Basis, original: &Path, settings: &Settings) -> Result<Standing, String> {
    let frame = read(original, &settings.read).map_err(|e| e.message)?;
    let chart = basis.chart(original).map_err(|e| e.message)?;
    let options = MendOptions { viewings: settings.viewings.clone(), ..MendOptions::default() };
    let seen = sight(&frame, &chart, &options).map_err(|refusal| refusal.message)?;
    let pitch = frame.shot.pitch.map_or(chart.pitch, |p| p.value);
    let expected = |(m, of): (&Outcome, &ChartMote)| {
        // What is too faint as it was taken, a steep tone curve may bring out. What the original does not show, or hides, cannot
        // be seen in what was made of it.
        let stands = m.treatment != Treatment::Untouched || m.reason == Some(Reason::TooFaint);
        // Two discs, the mote and the pupil's image, overlap by half the smaller where one's edge runs through the other's middle:
        // a shadow is at half its depth as wide as the larger, and at its edge as wide as both.
        let own = equivalent_diameter(of.blocked_area_um2.value).0 / pitch.0;
        let width_px = own.max(m.shadow_width_px - own);
        let at = PicturePoint { x: m.x_px, y: m.y_px };
        stands.then(|| Expected { id: m.id.clone(), at, width_px, depth: m.depth_before.unwrap_or(m.depth_foretold) })
    };
    let motes = seen.iter().zip(&chart.motes).filter_map(expected).collect();
    Ok(Standing { size: frame.size(), body: frame.shot.body, motes })
}

/// One mote, looked for where it must lie. `told_in`: the size of the original that its place is told in.
fn answer(mote: &Expected, told_in: Size, frame: &Frame, way: &Registration, settings: &Settings) -> AnswerEntry {
    // Raw and rendered files of one exposure differ by a few pixels.
    let (sx, sy) = (
        way.original.width as f64 / told_in.width.max(1) as f64,
        way.original.height as f64 / told_in.height.max(1) as f64,
    );
    let from = PicturePoint { x: mote.at.x * sx, y: mote.at.y * sy };
    let size = frame.size();
    let at = way.finished_from_original(from);
    let width_px = way.scale_at(from).map_or(0.0, |s| s * sx * mote.width_px);
    let inside = at.is_some_and(|p| {
        (0.0..size.width as f64).contains(&p.x) && (0.0..size.height as f64).contains(&p.y) && width_px > 0.0
    });
    let at = at.unwrap_or(PicturePoint { x: f64::NAN, y: f64::NAN });
    let stands = if inside { standing(frame, at, width_px, &settings.viewings) } else { None };
    let answer = match (inside, &stands) {
        (false, _) => Answer::OutsideTheCrop,
        (true, Some(s)) if s.visible(mote.depth) => Answer::Visible,
        (true, _) => Answer::NotVisible,
    };
    AnswerEntry {
        mote_id: mote.id.clone(),
        answer,
        x_px: at.x.is_finite().then_some(at.x),
        y_px: at.y.is_finite().then_some(at.y),
        width_px,
        contrast: stands.map(|s| s.contrast),
        contrast_sigma: stands.map(|s| s.contrast_sigma),
        times_threshold: stands.map(|s| s.times_threshold),
    }
}

/// Names the suspects that are motes of the shoot, and adds those motes that show and were not suspected.
pub(super) fn among_suspects(judged: &mut SignOff, answers: &[AnswerEntry]) {
    for mote in answers.iter().filter(|a| a.answer != Answer::OutsideTheCrop) {
        let (Some(x), Some(y)) = (mote.x_px, mote.y_px) else { continue };
        let at = PicturePoint { x, y };
        let near = |s: &&mut Suspect| s.at.distance(at).0 < 0.6 * s.width_px.max(mote.width_px);
        let visible = mote.answer == Answer::Visible;
        if let Some(suspect) = judged.suspects.iter_mut().find(near) {
            suspect.mote = Some(mote.mote_id.clone());
            if visible {
                (suspect.counts, suspect.cause) = (true, Cause::KnownMote);
            }
        } else if let (true, Some(contrast), Some(sigma), Some(times_threshold)) =
            (visible, mote.contrast, mote.contrast_sigma, mote.times_threshold)
        {
            judged.suspects.push(Suspect {
                at,
                width_px: mote.width_px,
                contrast,
                contrast_sigma: sigma,
                times_threshold,
                snr: contrast / sigma.max(1e-9),
                counts: true,
                cause: Cause::KnownMote,
                fibre: false,
                mote: Some(mote.mote_id.clone()),
            });
        }
    }
    judged.suspects.sort_by(|a, b| b.counts.cmp(&a.counts).then(b.times_threshold.total_cmp(&a.times_threshold)));
    if judged.suspects.iter().any(|s| s.counts) {
        judged.verdict = Verdict::Suspects;
    }
}
