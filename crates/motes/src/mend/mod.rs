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
//! 5. *Lift* (`lift`): divided out in linear light, per colour, looked at again, and once more corrected by what is left.
//! 6. *Remainder* (`remainder`): what that leaves around the middle, measured ring by ring, divided out as well.
//! 7. *Fill* (`fill`): rebuilt from around where too little light is left to divide.

mod chart;
mod cells;
mod cast;
mod shadow;
mod question;
mod parts;
mod evidence;
mod response;
mod fit;
mod place;
mod lift;
mod remainder;
mod fill;
mod result;
mod subject;
mod scene;

pub use crate::refusal::{Refusal, RefusalCode};
pub use chart::{Chart, ChartMote};
pub use place::Placement;
pub use result::{Choice, MendOptions, Mended, Outcome, Reason, Treatment};

use motelight_frame::{Frame, Patch, PicturePoint, Pixels, Rect};
use rayon::prelude::*;

use crate::mend::cells::Cutout;
use crate::mend::evidence::pool;
use crate::mend::fill::fill;
use crate::mend::lift::{Cluster, Lift, clusters, lifted, patch};
use crate::mend::remainder::{Asked, remainder, wanted};
use crate::mend::scene::{Neighbour, Scene};
use crate::mend::subject::Subject;

/// Takes the shadows of a chart's motes out of a picture.
///
/// # Errors
/// A [`Refusal`] where the picture is not of the chart's body, or does not tell what is needed to foretell its shadows.
pub fn mend(frame: &Frame, chart: &Chart, options: &MendOptions) -> Result<Mended, Refusal> {
    let Sighted { scene, mut subjects, placement, holds, mut notes, tone } = sighted(frame, chart, options)?;
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

/// What mending would make of each mote of a chart, in the chart's order, as far as that can be told with nothing taken out.
///
/// # Errors
/// As [`mend`].
pub fn sight(frame: &Frame, chart: &Chart, options: &MendOptions) -> Result<Vec<Outcome>, Refusal> {
    Ok(sighted(frame, chart, options)?.subjects.into_iter().map(Subject::outcome).collect())
}

/// A picture with its shadows placed, asked for and fitted.
struct Sighted<'a> {
    scene: Scene<'a>,
    subjects: Vec<Subject<'a>>,
    placement: Placement,
    holds: f64,
    tone: f64,
    notes: Vec<String>,
}

fn sighted<'a>(frame: &'a Frame, chart: &'a Chart, options: &MendOptions) -> Result<Sighted<'a>, Refusal> {
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
    Ok(Sighted { scene, subjects, placement, holds, tone, notes })
}

/// Finds out which shadows are there; twice where they overlap, the second time with the others divided out.
/// Gives back the probability that the chart holds at all.
fn ask(scene: &Scene, subjects: &mut [Subject], placement: &Placement, options: &MendOptions) -> f64 {
    let places: Vec<(f64, f64, f64)> = subjects.iter().map(|s| (s.x, s.y, s.width)).collect();
    let mut others: Vec<Neighbour> = Vec::new();
    let mut holds = 0.0;
    for round in 0..2 {
        subjects.par_iter_mut().enumerate().for_each(|(i, s)| {
            if s.votes() && (round == 0 || scene.crowded(s, i, &others)) {
                scene.ask(s, i, &places, &others);
            }
        });
        let asked: Vec<usize> = (0..subjects.len()).filter(|&i| subjects[i].evidence.is_some()).collect();
        let ratios: Vec<f64> = asked.iter().filter_map(|&i| subjects[i].evidence.map(|e| e.ln_ratio)).collect();
        let pooled = pool(&ratios, placement.tried_ln);
        for (&i, p) in asked.iter().zip(&pooled.probabilities) {
            subjects[i].probability = Some(*p);
        }
        subjects.iter_mut().for_each(|s| s.decide(options, !scene.linear()));
        holds = pooled.holds;
        others = scene.neighbours(subjects);
    }
    for s in subjects.iter_mut().filter(|s| s.reason == Some(Reason::Skipped)) {
        (s.evidence, s.probability) = (None, None);
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

/// Divides out all shadows that are to go, looks again, divides once more where that helps, puts back what did not,
/// and fills the cores where too little light was left.
fn take_out(scene: &Scene, subjects: &mut [Subject]) -> (Vec<Patch>, usize) {
    let lifts: Vec<Lift> = subjects.iter().enumerate().filter_map(|(i, s)| scene.lift(i, s)).collect();
    let done: Vec<Done> = clusters(scene.frame, lifts, |lift| subjects[lift.mote].margin())
        .into_par_iter()
        .map(|cluster| take_out_of(scene, subjects, cluster))
        .collect();
    let mut patches = Vec::new();
    for one in done {
        for i in one.put_back {
            subjects[i].reason = Some(Reason::NoBetter);
        }
        for (i, left, filled) in one.gone {
            (subjects[i].left, subjects[i].filled) = (left, filled);
        }
        patches.extend(one.patch);
    }
    let changed = patches.iter().map(|p| p.mask.data().iter().filter(|&&m| m).count()).sum();
    (patches, changed)
}

/// The lifts of a cluster, each with what it leaves.
fn with_remainders(scene: &Scene, subjects: &[Subject], cluster: &Cluster) -> Vec<Lift> {
    let own: Vec<usize> = cluster.lifts.iter().map(|l| l.mote).collect();
    let with = |lift: &Lift| {
        let asked = Asked { at: (lift.x, lift.y), width: subjects[lift.mote].width, reach: lift.reach };
        let middle = PicturePoint { x: lift.x, y: lift.y };
        let around = Rect::around(middle, Pixels(wanted(&asked)), scene.frame.size())?;
        let wide = Cluster { lifts: cluster.lifts.clone(), cutout: Cutout::of(scene.frame, around) };
        let cells = scene.scheme.cells(&lifted(&scene.frame.layout, &wide).0);
        let taken = |x: f64, y: f64| {
            let meets = |s: &Subject| (s.x - x).hypot(s.y - y) < 0.6 * s.width + 1.5 * lift.reach;
            subjects.iter().enumerate().any(|(i, s)| i != lift.mote && meets(s))
        };
        remainder(&cells, &asked, |r| lift.ln_at(1, r).exp(), taken)
    };
    let crowded = |lift: &Lift| {
        let s = &subjects[lift.mote];
        let meets = |o: &Subject| (o.x - s.x).hypot(o.y - s.y) < 0.5 * o.width + lift.reach;
        subjects.iter().enumerate().any(|(i, o)| !own.contains(&i) && meets(o))
    };
    cluster
        .lifts
        .iter()
        .map(|l| Lift { rest: if crowded(l) || l.is_long() { None } else { with(l) }, ..l.clone() })
        .collect()
}

/// What came of one cluster.
struct Done {
    /// Subjects that dividing out did not help.
    put_back: Vec<usize>,
    /// Subjects that are gone, what is left of each, and whether part of it was filled.
    gone: Vec<(usize, Option<f64>, bool)>,
    patch: Option<Patch>,
}

fn take_out_of(scene: &Scene, subjects: &[Subject], mut cluster: Cluster) -> Done {
    let layout = &scene.frame.layout;
    let left = |i: usize, cutout: &Cutout| subjects[i].left_in(&scene.scheme.cells(cutout));
    let look = |cluster: &Cluster| {
        let (cutout, changed) = lifted(layout, cluster);
        let looked: Vec<Option<f64>> = cluster.lifts.iter().map(|l| left(l.mote, &cutout)).collect();
        (cutout, changed, looked)
    };
    let mut put_back = Vec::new();
    let (mut cutout, mut changed, mut looked) = look(&cluster);
    loop {
        let bad = (0..looked.len()).find(|&k| {
            let i = cluster.lifts[k].mote;
            let without = cluster.without(k, subjects[i].margin() + 2.0 * scene.scheme.cell as f64);
            !subjects[i].helped(without.and_then(|w| left(i, &lifted(layout, &w).0)), looked[k])
        });
        let Some(k) = bad else { break };
        put_back.push(cluster.lifts.remove(k).mote);
        (cutout, changed, looked) = look(&cluster);
    }
    let corrected = |(l, left): (&Lift, &Option<f64>)| match subjects[l.mote].correction(*left) {
        Some(times) => l.stronger(times),
        None => l.clone(),
    };
    let again = Cluster { lifts: cluster.lifts.iter().zip(&looked).map(corrected).collect(), ..cluster.clone() };
    let second = look(&again);
    let better = |(a, b): (&Option<f64>, &Option<f64>)| match (a, b) {
        (Some(a), Some(b)) => b.abs() <= a.abs() + 0.01,
        _ => false,
    };
    if again.lifts.iter().zip(&cluster.lifts).any(|(a, b)| a.tone != b.tone) && looked.iter().zip(&second.2).all(better)
    {
        cluster = again;
        (cutout, changed, looked) = second;
    }
    let finer = Cluster { lifts: with_remainders(scene, subjects, &cluster), ..cluster.clone() };
    if finer.lifts.iter().any(|l| l.rest.is_some()) {
        (cutout, changed, looked) = look(&finer);
        cluster = finer;
    }
    let own: Vec<usize> = cluster.lifts.iter().map(|l| l.mote).collect();
    let taken = |x: f64, y: f64| {
        let meets = |s: &Subject| (s.x - x).hypot(s.y - y) < 0.5 * s.width + 0.5 * subjects[own[0]].width;
        subjects.iter().any(meets)
    };
    let filled = if own.is_empty() { Vec::new() } else { fill(scene.frame, &cluster, &mut cutout, taken) };
    let gone = own.iter().zip(looked).zip(filled).map(|((&i, left), filled)| (i, left, filled)).collect();
    Done { put_back, gone, patch: patch(&cutout, &changed) }
}
