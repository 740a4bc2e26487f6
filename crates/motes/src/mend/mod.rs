//! Shadows taken out of a picture: each mote of a chart foretold, looked for, and divided out if it is there.
//!
//! In: a [`Frame`] and the [`Chart`] of its body. Out: [`Mended`], the new light of the touched pixels and what
//! came of every mote. The steps:
//!
//! 1. *Foretell* (`cast`): the shadow of each mote at the picture's f-number, by colour.
//! 2. *Place* (`place`): scale and translation of the whole chart, from all shadows together.
//! 3. *Ask* (`probe`, `evidence`): how much of each shadow the picture shows, against how far the same question
//!    strays at places around; all answers pooled tell which motes are there.
//! 4. *Fit* (`fit`): place and strength, held by what was foretold.
//! 5. *Lift* (`lift`): divided out in linear light, per colour, and looked at again.

mod refusal;
mod chart;
mod cells;
mod cast;
mod probe;
mod evidence;
mod response;
mod fit;
mod place;
mod lift;
mod result;
mod subject;

pub use chart::{Chart, ChartMote};
pub use place::Placement;
pub use refusal::{Refusal, RefusalCode};
pub use result::{Choice, MendOptions, Mended, Outcome, Reason, Treatment};

use motelight_frame::Frame;
use rayon::prelude::*;

use crate::mend::evidence::pool;
use crate::mend::lift::{Lift, clusters, lifted, patch};
use crate::mend::subject::{Scene, Subject};

/// Takes the shadows of a chart's motes out of a picture.
///
/// # Errors
/// A [`Refusal`] where the picture is not of the chart's body, or does not tell what is needed to foretell its shadows.
pub fn mend(frame: &Frame, chart: &Chart, options: &MendOptions) -> Result<Mended, Refusal> {
    let mut notes = Vec::new();
    match chart.holds_for(frame.shot.body.as_ref()) {
        Ok(note) => notes.extend(note),
        Err(refusal) if !options.any_body => return Err(refusal),
        Err(refusal) => notes.push(format!("Mended all the same: {}.", refusal.message)),
    }
    let f_number = frame.shot.f_number.ok_or_else(|| {
        Refusal::new(
            RefusalCode::NoShotFacts,
            "the picture does not tell its f-number",
            "use the picture as the camera wrote it, with its Exif data",
        )
    })?;
    let scene = Scene::new(frame, chart, f_number, chart.pitch_in(frame)?);
    let mut subjects = scene.subjects(options);
    let placement = scene.place(&subjects);
    subjects.par_iter_mut().for_each(|s| scene.aim(s, &placement));
    let places: Vec<(f64, f64, f64)> = subjects.iter().map(|s| (s.x, s.y, s.width)).collect();
    subjects.par_iter_mut().enumerate().for_each(|(i, s)| scene.ask(s, i, &places));

    let asked: Vec<usize> = (0..subjects.len()).filter(|&i| subjects[i].evidence.is_some()).collect();
    let ratios: Vec<f64> = asked.iter().map(|&i| subjects[i].ln_ratio()).collect();
    let pooled = pool(&ratios, placement.tried_ln);
    for (&i, p) in asked.iter().zip(&pooled.probabilities) {
        subjects[i].probability = Some(*p);
    }
    subjects.iter_mut().for_each(|s| s.decide(options));
    let tone = scene.tone(&subjects);
    subjects.par_iter_mut().for_each(|s| scene.settle(s, &placement, tone));

    let (patches, pixels_changed) = take_out(&scene, &mut subjects);
    if let Some(note) = scene.note_on_tone(tone) {
        notes.push(note);
    }
    Ok(Mended {
        motes: subjects.into_iter().map(Subject::outcome).collect(),
        placement,
        holds: pooled.holds,
        pixels_changed,
        notes,
        patches,
    })
}

/// Divides out all shadows that are to go, looks again, and puts back what that did not help.
fn take_out(scene: &Scene, subjects: &mut [Subject]) -> (Vec<motelight_frame::Patch>, usize) {
    let lifts: Vec<Lift> = subjects.iter().enumerate().filter_map(|(i, s)| scene.lift(i, s)).collect();
    let margin = subjects.iter().filter(|s| s.reason.is_none()).map(|s| s.shadow.window).fold(0.0, f64::max);
    let layout = &scene.frame.layout;
    let done: Vec<_> = clusters(scene.frame, lifts, margin)
        .into_par_iter()
        .map(|mut cluster| {
            let mut verdicts = Vec::new();
            loop {
                let (cutout, changed) = lifted(layout, &cluster);
                let looked: Vec<(usize, Option<f64>)> =
                    cluster.lifts.iter().map(|l| (l.mote, scene.left(&subjects[l.mote], &cutout))).collect();
                let bad = looked.iter().position(|&(i, left)| !subjects[i].helped(left));
                match bad {
                    Some(k) => {
                        cluster.lifts.remove(k);
                        verdicts.push((looked[k].0, None));
                    }
                    None => {
                        verdicts.extend(looked.into_iter().map(|(i, left)| (i, Some(left))));
                        return (verdicts, patch(&cutout, &changed));
                    }
                }
            }
        })
        .collect();
    let mut patches = Vec::new();
    for (verdicts, patch) in done {
        for (i, verdict) in verdicts {
            match verdict {
                Some(left) => subjects[i].left = left,
                None => subjects[i].reason = Some(Reason::NoBetter),
            }
        }
        patches.extend(patch);
    }
    let changed = patches.iter().map(|p| p.mask.data().iter().filter(|&&m| m).count()).sum();
    (patches, changed)
}
