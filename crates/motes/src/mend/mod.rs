//! Shadows taken out of a picture: each mote of a chart foretold, looked for, and divided out if it is there.
//!
//! In: a [`Frame`] and the [`Chart`] of its body. Out: [`Mended`], the new light of the touched pixels and what
//! came of every mote. The steps:
//!
//! 1. *Foretell* (`cast`): the shadow of each mote at the picture's f-number, by colour.
//! 2. *Place* (`place`): scale and translation of the whole chart, from all shadows together.
//! 3. *Ask* (`question`, `evidence`): how much of each shadow the picture shows, against how far the same question
//!    strays at places around; all answers pooled tell which motes are there.
//! 4. *Fit* (`fit`): place and strength, held by what was foretold.
//! 5. *Lift* (`lift`): divided out in linear light, per colour, and looked at again.

mod refusal;
mod chart;
mod cells;
mod cast;
mod shadow;
mod question;
mod evidence;
mod response;
mod fit;
mod place;
mod lift;
mod result;
mod subject;
mod scene;

pub use chart::{Chart, ChartMote};
pub use place::Placement;
pub use refusal::{Refusal, RefusalCode};
pub use result::{Choice, MendOptions, Mended, Outcome, Reason, Treatment};

use motelight_frame::{Frame, Patch};
use rayon::prelude::*;

use crate::mend::cells::Cutout;
use crate::mend::evidence::pool;
use crate::mend::lift::{Lift, clusters, lifted, patch};
use crate::mend::scene::{Neighbour, Scene};
use crate::mend::subject::Subject;

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
    subjects.iter_mut().for_each(|s| scene.aim(s, &placement));
    let holds = ask(&scene, &mut subjects, &placement, options);
    let tone = scene.tone(&subjects);
    settle(&scene, &mut subjects, &placement, tone);
    let (patches, pixels_changed) = take_out(&scene, &mut subjects);
    notes.extend(scene.note_on_tone(tone));
    Ok(Mended {
        motes: subjects.into_iter().map(Subject::outcome).collect(),
        placement,
        holds,
        pixels_changed,
        notes,
        patches,
    })
}

/// Finds out which shadows are there; twice where they overlap, the second time with the others divided out.
/// Gives back the probability that the chart holds at all.
fn ask(scene: &Scene, subjects: &mut [Subject], placement: &Placement, options: &MendOptions) -> f64 {
    let places: Vec<(f64, f64, f64)> = subjects.iter().map(|s| (s.x, s.y, s.width)).collect();
    let mut others: Vec<Neighbour> = Vec::new();
    let mut holds = 0.0;
    for round in 0..2 {
        subjects.par_iter_mut().enumerate().for_each(|(i, s)| {
            let open = matches!(s.reason, None | Some(Reason::NotPresent | Reason::HiddenByDetail));
            if open && (round == 0 || scene.crowded(s, i, &others)) {
                scene.ask(s, i, &places, &others);
            }
        });
        let asked: Vec<usize> = (0..subjects.len()).filter(|&i| subjects[i].evidence.is_some()).collect();
        let ratios: Vec<f64> = asked.iter().filter_map(|&i| subjects[i].evidence.map(|e| e.ln_ratio)).collect();
        let pooled = pool(&ratios, placement.tried_ln);
        for (&i, p) in asked.iter().zip(&pooled.probabilities) {
            subjects[i].probability = Some(*p);
        }
        subjects.iter_mut().for_each(|s| s.decide(options));
        holds = pooled.holds;
        others = scene.neighbours(subjects);
    }
    holds
}

/// Fits all shadows that are there, each with the others divided out, so that overlapping ones come apart.
fn settle(scene: &Scene, subjects: &mut [Subject], placement: &Placement, tone: f64) {
    subjects.iter_mut().for_each(|s| s.tone = tone);
    for _ in 0..3 {
        let others = scene.neighbours(subjects);
        subjects.par_iter_mut().enumerate().for_each(|(i, s)| {
            if s.fit.is_none() || scene.crowded(s, i, &others) {
                scene.settle(s, i, placement, &others);
            }
        });
    }
    let places: Vec<(f64, f64, f64)> = subjects.iter().map(|s| (s.x, s.y, s.width)).collect();
    let others = scene.neighbours(subjects);
    subjects.par_iter_mut().enumerate().for_each(|(i, s)| scene.settle_tones(s, i, &places, &others));
}

/// Divides out all shadows that are to go, looks again, and puts back what that did not help.
fn take_out(scene: &Scene, subjects: &mut [Subject]) -> (Vec<Patch>, usize) {
    let lifts: Vec<Lift> = subjects.iter().enumerate().filter_map(|(i, s)| scene.lift(i, s)).collect();
    let margin = subjects.iter().filter(|s| s.there()).map(|s| s.shadow.window - 0.5 * s.width).fold(0.0, f64::max);
    let layout = &scene.frame.layout;
    let done: Vec<_> = clusters(scene.frame, lifts, margin)
        .into_par_iter()
        .map(|mut cluster| {
            let mut verdicts = Vec::new();
            let left = |i: usize, cutout: &Cutout| subjects[i].left_in(&scene.scheme.cells(cutout));
            loop {
                let (cutout, changed) = lifted(layout, &cluster);
                let looked: Vec<Option<f64>> = cluster.lifts.iter().map(|l| left(l.mote, &cutout)).collect();
                let bad = (0..looked.len()).find(|&k| {
                    let i = cluster.lifts[k].mote;
                    let alone = cluster.lifts.len() == 1;
                    let without = if alone { cluster.cutout.clone() } else { lifted(layout, &cluster.without(k)).0 };
                    !subjects[i].helped(left(i, &without), looked[k])
                });
                match bad {
                    Some(k) => verdicts.push((cluster.lifts.remove(k).mote, None)),
                    None => {
                        verdicts.extend(cluster.lifts.iter().zip(looked).map(|(l, left)| (l.mote, Some(left))));
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
