//! Whole shoots of the synthetic camera, which shares no code with the engine, traced.
#![allow(clippy::print_stderr, reason = "a table for a person")]

use std::path::{Path, PathBuf};
use std::sync::Arc;

use motelight_frame::{
    FNumber, Limits, Micrometres, Millimetres, RawDecoder, ReadOptions, Shot, read_reduced, read_shot,
};
use motelight_motes::optics::{area_at_snr_um2, disc_area_um2, pupil_disc};
use motelight_motes::trace::{Boiled, LOWEST_MM, TraceOptions, Traced, Tracer, View, cell_for};
use motelight_synth::sets::{ShootSpec, ShootTruth, Subject, shoot};

fn made(spec: &ShootSpec) -> (tempfile::TempDir, Vec<PathBuf>, ShootTruth) {
    let folder = tempfile::tempdir().expect("a folder");
    let (paths, truth) = shoot(spec, folder.path()).expect("written");
    (folder, paths, truth)
}

fn small(seed: u64, pictures: usize) -> ShootSpec {
    ShootSpec { width: 1200, height: 800, pitch_um: 9.0, motes: 12, ..ShootSpec::new(seed, pictures) }
}

fn options() -> ReadOptions {
    ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess }
}

fn view(path: &Path) -> View {
    View::of(read_reduced(path, &options(), |shot, size| cell_for(shot, size, LOWEST_MM)).expect("a picture"))
}

fn traced(paths: &[PathBuf]) -> Traced {
    let shots: Vec<Shot> = paths.iter().map(|p| read_shot(p, &options()).expect("a picture").0).collect();
    let mut tracer = Tracer::new(TraceOptions::default(), &shots.iter().collect::<Vec<_>>());
    let views: Vec<Arc<View>> = paths.iter().map(|p| Arc::new(tracer.add(Boiled::of(view(p))))).collect();
    tracer.finish(|k| views.get(k).cloned())
}

/// Nearest true mote to a found one in the pictures that show both: its number and the distance in shadow widths.
fn nearest(found: &Traced, id: &str, truth: &ShootTruth) -> Option<(u32, f64)> {
    let mut best: Option<(u32, f64)> = None;
    for (picture, there) in found.pictures.iter().zip(&truth.pictures) {
        let Some(s) = picture.motes.iter().find(|s| s.id == id) else { continue };
        for m in &there.truth.motes {
            let miss = (s.x_px - m.x_px).hypot(s.y_px - m.y_px) / m.shadow_width_px.max(1.0);
            if best.is_none_or(|b| miss < b.1) {
                best = Some((m.id, miss));
            }
        }
    }
    best
}

#[test]
fn motes_of_a_shoot_are_found_where_and_when_they_came() {
    let (_folder, paths, truth) = made(&small(5, 16));
    let found = traced(&paths);
    let mut seen = Vec::new();
    for mote in &found.motes {
        let (id, miss) = nearest(&found, &mote.id, &truth).expect("a true mote");
        // A third of a shadow's width is what the eye and `mend` need.
        assert!(miss < 0.3, "{} lies {miss:.2} widths off {id}", mote.id);
        let first = truth.motes.iter().find(|m| m.id == id).expect("in the truth").first;
        let held = mote.arrival.after.is_none_or(|a| a < first) && mote.arrival.before.is_some_and(|b| b >= first);
        assert!(held, "{id} came with {first}, said {:?}", mote.arrival);
        seen.push(id);
    }
    // Plain in three pictures by the truth: of a signal-to-noise ratio of 8 against the file's noise, in a scene that varies by
    // less than a fifth of the depth.
    for mote in &truth.motes {
        let plain = truth.pictures.iter().filter(|p| {
            p.truth.motes.iter().zip(&p.unevenness).any(|(m, uneven)| {
                m.id == mote.id && m.whole && m.snr > 8.0 && *uneven < 0.2 * m.depth && m.overlaps.is_empty()
            })
        });
        if plain.count() >= 5 {
            assert!(seen.contains(&mote.id), "{} at {:?} was missed", mote.id, mote.glass_mm);
        }
    }
    assert!(seen.len() >= 4, "only {} found", seen.len());
}

#[test]
fn a_shoot_without_motes_has_none() {
    let (_folder, paths, _) = made(&ShootSpec { motes: 0, ..small(11, 12) });
    assert!(traced(&paths).motes.is_empty());
}

#[test]
fn what_stands_still_before_a_tripod_is_no_mote() {
    let (_folder, paths, _) = made(&ShootSpec { motes: 0, subject: Subject::Tripod, ..small(12, 10) });
    let found = traced(&paths);
    assert!(found.motes.is_empty());
    assert!(found.pictures.iter().all(|p| p.weight < 0.2), "the pictures were not seen to be alike");
}

/// Project optics notes, section 5: a matched filter's ratio is `A / (sqrt(pi)/2 sigma p b)`, and grows with the root of the
/// number of pictures. Boxes are not discs and backdrops are not known: between a third and all of it is reached.
#[test]
fn sensitivity_grows_with_the_root_of_the_number_of_pictures() {
    let (_folder, paths, truth) = made(&ShootSpec { subject: Subject::Plain, motes: 10, ..small(13, 32) });
    let (few, all) = (traced(&paths[..8]), traced(&paths));
    let grain = paths.iter().map(|p| view(p).grain).sum::<f64>() / paths.len() as f64;
    let pupil = pupil_disc(Millimetres(truth.stand_off_mm), FNumber::new(11.0).expect("in range"));
    let mut ratios = Vec::new();
    for mote in &all.motes {
        let Some((id, _)) = nearest(&all, &mote.id, &truth).filter(|n| n.1 < 0.3) else { continue };
        let area = disc_area_um2(Micrometres(mote.equivalent_diameter_um.value));
        let foretold = area / area_at_snr_um2(1.0, grain, Micrometres(9.0), pupil) * (paths.len() as f64).sqrt();
        let share = mote.snr / foretold;
        let same = few.motes.iter().find(|m| nearest(&few, &m.id, &truth).is_some_and(|n| n.0 == id && n.1 < 0.3));
        eprintln!("mote {id}: {:.0} of {foretold:.0} foretold, with 8 pictures {:?}", mote.snr, same.map(|m| m.snr));
        // Deep shadows are no longer small against the light: there the formula ends.
        if mote.equivalent_diameter_um.value < 35.0 {
            assert!((0.33..1.1).contains(&share), "{share}");
            ratios.extend(same.map(|s| mote.snr / s.snr));
        }
    }
    assert!(!ratios.is_empty());
    let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
    assert!((mean / 2.0 - 1.0).abs() < 0.25, "four times the pictures: {mean:.2} times the ratio");
}
