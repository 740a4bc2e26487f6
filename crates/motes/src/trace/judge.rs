//! In which pictures each mote shows, and the whole told.

use std::collections::BTreeMap;
use std::sync::Arc;

use motelight_frame::{FNumber, Micrometres, Millimetres};
use rayon::prelude::*;

use crate::bank::Bank;
use crate::diffraction::{Edge, Light, Shadowing};
use crate::measure::Estimate;
use crate::optics::disc_area_um2;
use crate::profile::Profile;
use crate::trace::arrive::interval;
use crate::trace::candidate::{Candidate, diameter};
use crate::trace::expect::{SIZES, diameter_um};
use crate::trace::lens::Transform;
use crate::trace::result::{Sighting, Span, Traced, TracedMote, TracedPicture, Unseen};
use crate::trace::settle::Body;
use crate::trace::view::View;
use crate::visibility::{Picture, shows, shows_from};

/// Share of a shadow's depth from which on the scene's own unevenness is taken to hide it. A guess: a spot half as deep
/// again as what lies around it strays is one among many.
const HIDDEN_FROM: f64 = 0.5;
/// How far around a shadow its surroundings count, in widths at half depth.
const SURROUNDINGS: f64 = 1.5;
/// Probability from which on a candidate is called a mote.
const CERTAIN: f64 = 0.95;
/// What an interval of arrival or departure is to hold.
const HOLDS: f64 = 0.95;

/// Tells what was found. `strays`: how much sums over all pictures stray against their errors.
pub(super) fn judge<V: Fn(usize) -> Option<Arc<View>> + Sync>(
    body: &Body<V>,
    candidates: Vec<Candidate>,
    strays: f64,
    height: Estimate,
) -> Traced {
    let tracer = body.tracer;
    let temper = (strays * strays).max(1.0);
    let probability = |c: &Candidate| {
        let evidence = c.story.as_ref().map_or(0.0, |s| s.evidence) / temper;
        let against = if c.known { 0.0 } else { body.ln_prior() };
        1.0 / (1.0 + (against - evidence).exp())
    };
    let mut found: Vec<(Candidate, f64)> = candidates
        .into_iter()
        .map(|c| {
            let p = probability(&c);
            (c, p)
        })
        .collect();
    found.retain(|(_, p)| *p > CERTAIN);
    found.sort_by(|a, b| b.1.total_cmp(&a.1).then(diameter(&b.0).value.total_cmp(&diameter(&a.0).value)));
    let banks = banks(body, &found, height.value);
    let told_pitch = tracer.entries.iter().any(|e| e.shot.pitch.is_some());
    let ids: Vec<String> = (1..=found.len()).map(|i| format!("m{i}")).collect();
    let motes = found.iter().zip(&ids).map(|((c, p), id)| mote(body, c, *p, id, height.value)).collect();
    let pictures = (0..tracer.entries.len()).into_par_iter().map(|k| picture(body, k, &found, &ids, &banks)).collect();
    let first = tracer.entries.first();
    let mut notes = Vec::new();
    if body.stand_off.is_none() && !found.is_empty() {
        notes.push(format!(
            "The pictures do not tell the height of the glass; {:.1} mm is assumed, so sizes and widths are rough.",
            height.value
        ));
    }
    Traced {
        body: first.and_then(|e| e.shot.body.clone()),
        sensor_mm: told_pitch.then_some(tracer.sensor_mm),
        stand_off_mm: height,
        stand_off_measured: body.stand_off.is_some(),
        motes,
        false_motes: found.iter().map(|(_, p)| 1.0 - p).sum::<f64>().max(0.0),
        pictures,
        reference_lens: tracer.entries.iter().find(|e| e.lens == body.reference).and_then(|e| e.shot.lens.clone()),
        viewings: tracer.options.viewings.clone(),
        notes,
    }
}

/// Shadows at every f-number of the shoot.
fn banks<V>(body: &Body<V>, found: &[(Candidate, f64)], height: f64) -> BTreeMap<u64, Bank> {
    if found.is_empty() {
        return BTreeMap::new();
    }
    let mut numbers: Vec<FNumber> = Vec::new();
    for n in body.tracer.entries.iter().map(|e| e.f_number) {
        if !numbers.contains(&n) {
            numbers.push(n);
        }
    }
    numbers
        .par_iter()
        .map(|&n| (n.marked().to_bits(), bank(height, n, found)))
        .collect::<Vec<_>>()
        .into_iter()
        .collect()
}

fn bank(height: f64, n: FNumber, found: &[(Candidate, f64)]) -> Bank {
    let largest = found.iter().map(|(c, _)| diameter(c).value).fold(20.0, f64::max).min(diameter_um(SIZES - 1));
    let shadowing = Shadowing::new(Millimetres(height), n, Edge::RAYS, Light::mixed([1.0, 2.0, 1.0]));
    Bank::new(shadowing, Micrometres(1.2 * largest))
}

fn mote<V: Fn(usize) -> Option<Arc<View>> + Sync>(
    body: &Body<V>,
    c: &Candidate,
    probability: f64,
    id: &str,
    height: f64,
) -> TracedMote {
    let size = diameter(c);
    let area = disc_area_um2(Micrometres(size.value));
    let story = c.story.as_ref();
    let (mut sum, mut squares) = (0.0, 0.0);
    for (k, word) in c.words.iter().enumerate() {
        let there = story.map_or(0.0, |s| s.present[k]);
        if let Some(z) = word.darker {
            let expected = word.expected(c.size());
            sum += there * word.weight * expected * z.min(2.0 * expected);
            squares += there * word.weight * expected * expected;
        }
    }
    let snr = if squares > 0.0 { sum / squares.sqrt() } else { 0.0 };
    let entry = &body.tracer.entries[0];
    let grain = body.tracer.entries.iter().map(|e| e.grain).fold(f64::MAX, f64::min);
    let picture = Picture { size: entry.size, pitch: Micrometres(entry.pitch_um), grain };
    let found = [(c.clone(), 1.0)];
    let profile_at = |n: FNumber| Some(bank(height, n, &found).profile(area));
    let none = || Span { after: None, before: Some(0), probability: 1.0, likeliest: 0, lens_changed: false };
    TracedMote {
        id: id.to_owned(),
        at_mm: c.at,
        at_error_mm: 0.33 * height / body.tracer.largest_n / snr.max(1.0),
        equivalent_diameter_um: size,
        snr,
        probability,
        arrival: story.map_or_else(none, |s| arrival(&s.arrival, &c.words)),
        departure: story.and_then(|s| departure(&s.departure, &c.words)),
        shows_from: shows_from(&picture, &body.tracer.options.viewings, profile_at),
    }
}

fn arrival(probabilities: &[f64], words: &[crate::trace::arrive::Word]) -> Span {
    let (range, probability) = interval(probabilities, HOLDS);
    let likeliest =
        (0..probabilities.len()).max_by(|&a, &b| probabilities[a].total_cmp(&probabilities[b])).unwrap_or(0);
    let (low, high) = (*range.start(), *range.end());
    let lens_changed = (low.max(1)..=high).any(|k| words[k].lens_changed);
    Span { after: low.checked_sub(1), before: Some(high), probability, likeliest, lens_changed }
}

/// `None` where it more likely stayed.
fn departure(probabilities: &[f64], words: &[crate::trace::arrive::Word]) -> Option<Span> {
    let stayed = *probabilities.last()?;
    if stayed >= 0.5 {
        return None;
    }
    let went = &probabilities[..probabilities.len() - 1];
    let (range, probability) = interval(went, HOLDS * (1.0 - stayed));
    let likeliest = (0..went.len()).max_by(|&a, &b| went[a].total_cmp(&went[b])).unwrap_or(0);
    let (low, high) = (*range.start(), *range.end());
    let lens_changed = (low.max(1)..=high).any(|k| words[k].lens_changed);
    Some(Span { after: low.checked_sub(1), before: Some(high), probability, likeliest, lens_changed })
}

fn picture<V: Fn(usize) -> Option<Arc<View>> + Sync>(
    body: &Body<V>,
    k: usize,
    found: &[(Candidate, f64)],
    ids: &[String],
    banks: &BTreeMap<u64, Bank>,
) -> TracedPicture {
    let entry = &body.tracer.entries[k];
    let view = if found.is_empty() { None } else { (body.view)(k) };
    let transform = if found.is_empty() { Transform::STILL } else { body.transforms[entry.lens] };
    let motes = found.iter().zip(ids).filter_map(|((c, _), id)| {
        let there = c.story.as_ref().map_or(0.0, |s| s.present[k]);
        let bank = banks.get(&entry.f_number.marked().to_bits())?;
        let profile = bank.profile(disc_area_um2(Micrometres(diameter(c).value)));
        let seen = Seen { candidate: c, id, there, profile };
        (there > 0.5).then(|| sighting(body, k, view.as_deref(), &seen))?
    });
    TracedPicture {
        source: k,
        size: entry.size,
        f_number: entry.f_number,
        f_number_told: entry.shot.f_number.is_some(),
        lens: entry.shot.lens.clone(),
        taken: entry.shot.taken.clone(),
        orientation: entry.shot.orientation.exif(),
        transform,
        weight: body.weights[k],
        motes: motes.collect(),
    }
}

/// A mote that stands in a picture.
struct Seen<'a> {
    candidate: &'a Candidate,
    id: &'a str,
    there: f64,
    profile: Profile,
}

/// `None` where the place lies outside the picture.
fn sighting<V>(body: &Body<V>, k: usize, view: Option<&View>, seen: &Seen) -> Option<Sighting> {
    let Seen { candidate: c, id, there, profile } = seen;
    let entry = &body.tracer.entries[k];
    let at = body.transforms[entry.lens].apply(c.at);
    let per_mm = 1000.0 / entry.pitch_um;
    let (width, height) = (entry.size.width as f64, entry.size.height as f64);
    let (x_px, y_px) = (at.0 * per_mm + width / 2.0, at.1 * per_mm + height / 2.0);
    if x_px < 0.0 || y_px < 0.0 || x_px >= width || y_px >= height {
        return None;
    }
    let picture = Picture { size: entry.size, pitch: Micrometres(entry.pitch_um), grain: entry.grain };
    let times =
        body.tracer.options.viewings.iter().map(|v| shows(profile, &picture, v).times_threshold).fold(0.0, f64::max);
    let snr = c.words[k].expected(c.size());
    let snr = if snr.is_finite() { snr } else { 0.0 };
    let width_um = profile.width().0;
    let uneven = view.and_then(|view| {
        let cell = view.cell_um();
        let ln_lost = |r: f64| -(1.0 - profile.lost_at(Micrometres(r * cell))).max(0.03).ln();
        view.unevenness(view.cells_at(at), SURROUNDINGS * width_um / cell, ln_lost)
    });
    let reason = match uneven {
        _ if times < 1.0 => Some(Unseen::TooFaint),
        None => Some(Unseen::NotMeasurable),
        Some(uneven) if uneven > HIDDEN_FROM * profile.depth() => Some(Unseen::HiddenByDetail),
        Some(_) => None,
    };
    Some(Sighting {
        id: (*id).to_owned(),
        x_px,
        y_px,
        depth: profile.depth(),
        width_px: width_um / entry.pitch_um,
        shows: reason.is_none(),
        times_threshold: times,
        snr,
        probability: *there,
        reason,
    })
}
