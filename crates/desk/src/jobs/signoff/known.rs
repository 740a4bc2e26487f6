//! The trace of the shoot, asked about finished files: each is brought together with its original, and each mote of that is looked
//! for where it must lie.

use std::path::{Path, PathBuf};

use motelight_frame::{Body, Fault, Frame, FrameError, PicturePoint};
use motelight_motes::answer::standing;
use motelight_motes::register::Registration;
use motelight_motes::signoff::{Cause, SignOff, Suspect, Verdict};

use super::Traced;
use crate::contract::{
    Answer, AnswerEntry, OriginalEntry, SightingEntry, TraceDocument, TracedBodyEntry, TracedPictureEntry,
};
use crate::jobs::Settings;
use crate::jobs::mend::{body_of, trace_document};
use crate::jobs::originals::Originals;

/// A traced shoot and where its originals lie.
#[derive(Debug)]
pub struct KnownShoot {
    /// The trace's file.
    pub path: PathBuf,
    document: TraceDocument,
    originals: Originals,
    /// Body and picture of each original.
    places: Vec<(usize, usize)>,
}

impl KnownShoot {
    /// Reads a trace and finds its pictures in a folder, by their names.
    ///
    /// # Errors
    /// A file that is no trace, and a folder that holds none of its pictures.
    pub fn open(trace: &Path, folder: &Path) -> Result<KnownShoot, FrameError> {
        let document = trace_document(trace)?;
        let there = Originals::open(folder)?.files;
        let (mut files, mut places) = (Vec::new(), Vec::new());
        for (b, body) in document.bodies.iter().enumerate() {
            for (k, picture) in body.pictures.iter().enumerate() {
                // The file that was measured, else one of the same exposure.
                let names = std::iter::once(&picture.path).chain(&picture.also).map(|p| Path::new(p).file_name());
                let found = names.flatten().find_map(|name| there.iter().find(|f| f.file_name() == Some(name)));
                if let Some(file) = found {
                    files.push(file.clone());
                    places.push((b, k));
                }
            }
        }
        if files.is_empty() {
            let remedy = "Name the folder of the pictures that were traced.";
            return Err(FrameError::new(Fault::Usage, folder, "none of the trace’s pictures lies here", remedy));
        }
        Ok(KnownShoot { path: trace.to_path_buf(), document, originals: Originals { files }, places })
    }

    /// The motes of a finished file's original, mote by mote, and the body that took it; or in words why not.
    pub(super) fn ask(
        &self,
        path: &Path,
        frame: &Frame,
        settings: &Settings,
    ) -> Result<(Traced, Option<Body>), String> {
        let found = self.originals.find(path, frame, settings).map_err(|why| match why {
            None => "No original of the trace fits this file: judged without the trace.".to_owned(),
            Some(e) => format!("Judged without the trace: {}.", e.words()),
        })?;
        let way = found.way;
        let (body, picture) = self.entries(found.number).ok_or("The trace does not hold together.")?;
        let answers = picture.motes.iter().map(|m| answer(m, picture, frame, &way, settings)).collect();
        let (finished_from_original, radial) = way.matrix();
        let original = OriginalEntry {
            path: self.originals.files[found.number].display().to_string(),
            matched_share: way.matched_share,
            position_sigma_px: way.sigma_px,
            turned_degrees: 90 * u16::from(way.quarter_turns),
            finished_from_original,
            radial,
        };
        Ok((Traced { original, answers }, body_of(&body.body)))
    }

    fn entries(&self, original: usize) -> Option<(&TracedBodyEntry, &TracedPictureEntry)> {
        let &(body, picture) = self.places.get(original)?;
        let body = self.document.bodies.get(body)?;
        Some((body, body.pictures.get(picture)?))
    }
}

/// One mote, looked for where it must lie.
fn answer(
    mote: &SightingEntry,
    picture: &TracedPictureEntry,
    frame: &Frame,
    way: &Registration,
    settings: &Settings,
) -> AnswerEntry {
    // Raw and rendered files of one exposure differ by a few pixels.
    let (sx, sy) = (
        way.original.width as f64 / picture.width.max(1) as f64,
        way.original.height as f64 / picture.height.max(1) as f64,
    );
    let from = PicturePoint { x: mote.x_px * sx, y: mote.y_px * sy };
    let size = frame.size();
    let at = way.finished_from_original(from);
    let width_px = way.scale_at(from).map_or(0.0, |s| s * sx * mote.shadow_width_px);
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

/// Names the suspects that are motes of the trace, and adds those motes that show and were not suspected.
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
                mote: Some(mote.mote_id.clone()),
            });
        }
    }
    judged.suspects.sort_by(|a, b| b.counts.cmp(&a.counts).then(b.times_threshold.total_cmp(&a.times_threshold)));
    if judged.suspects.iter().any(|s| s.counts) {
        judged.verdict = Verdict::Suspects;
    }
}
