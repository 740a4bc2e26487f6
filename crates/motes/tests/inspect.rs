//! Inspection held against test frames whose truth is known: the synthetic camera knows nothing of the engine.
//!
//! Bounds are the project's own promises; the Cramér-Rao bounds are those of the project's optics notes, section 5
//! (general reference: Mendez et al., PASP 2013 and 2014).

mod judged;

use judged::{Judged, Seen, rms};
use motelight_frame::Size;
use motelight_motes::flat::Flat;
use motelight_motes::inspect::Mote;
use motelight_motes::inspect::fitness::Verdict;
use motelight_motes::inspect::stand_off::StandOffSource;
use motelight_synth::Mode;
use motelight_synth::sets::{Fault, FrameSpec};

const MODES: [Mode; 2] = [Mode::PupilIntegral, Mode::Fresnel];
/// Kinds of files by number, as the sets count them: raw, JPEG, TIFF, raw, JPEG, TIFF of 8 bits.
const KINDS: u64 = 6;

/// A frame of 2.6 megapixels.
fn spec(seed: u64, motes: usize, mode: Mode) -> FrameSpec {
    FrameSpec { width: 1980, height: 1320, mode, grains_only: true, ..FrameSpec::new(seed, motes) }
}

#[test]
fn what_should_be_found_is_found_and_measured() {
    let (mut should, mut found, mut false_motes, mut frames) = (0, 0, 0, 0);
    let mut strong: Vec<(bool, Seen)> = Vec::new();
    for (i, mode) in (0..KINDS).zip(MODES.into_iter().cycle()) {
        let judged = Judged::of(&spec(700 + i, 30, mode), i);
        false_motes += judged.false_motes();
        frames += 1;
        for seen in judged.seen().filter(|s| s.diameter_um >= 10.0 && s.snr >= 8.0) {
            should += 1;
            found += usize::from(seen.found.is_some());
            if seen.snr >= 20.0 && seen.alone {
                strong.push((judged.raw_like, seen));
            }
        }
        let height = judged.inspection.stand_off.expect("facts of the shot").height_mm.value;
        let off = height / judged.stand_off_mm - 1.0;
        assert!(off.abs() < 0.05, "frame {i}: stand-off {height} mm, true {} mm", judged.stand_off_mm);
    }
    assert!(should > 60, "{should} motes");
    assert!(found as f64 >= 0.98 * should as f64, "{found} of {should} found");
    assert!(false_motes <= 1, "{false_motes} false motes in {frames} frames");

    let places = strong.iter().filter_map(|(_, s)| s.found.map(|f| f.miss_px / (0.05 * s.width_px).max(0.5)));
    assert!(rms(places) < 1.0, "places are off by more than half a pixel or a twentieth of the width");
    for (raw_like, bound) in [(true, 0.05), (false, 0.10)] {
        let of_kind = strong.iter().filter(|(raw, _)| *raw == raw_like);
        let mut errors: Vec<f64> = of_kind.filter_map(|(_, s)| s.found.map(|f| (f.area_ratio - 1.0).abs())).collect();
        errors.sort_unstable_by(f64::total_cmp);
        let median = errors[errors.len() / 2];
        assert!(median < bound, "median error of area {median}, of {} motes", errors.len());
    }
}

/// One false mote in ten frames is what the threshold is set to: of six frames, two or more in one run of eight.
#[test]
fn a_clean_sensor_gives_hardly_a_mote() {
    let mut found = Vec::new();
    for kind in 0..KINDS {
        let judged = Judged::of(&spec(800 + kind, 0, Mode::Fresnel), kind);
        assert_eq!(judged.inspection.stand_off.map(|s| s.source), Some(StandOffSource::Assumed), "kind {kind}");
        assert!(judged.inspection.floor_um.is_some_and(|f| (2.0..40.0).contains(&f)), "kind {kind}");
        found.extend(judged.inspection.motes.into_iter().map(|m| (kind, m.at_picture, m.snr)));
    }
    assert!(found.len() <= 1, "{found:?}");
}

/// Here a blue photosite is dead, which compression with halved colours makes a soft blue spot of; two more are noise in coarse codes.
#[test]
fn what_darkens_one_colour_is_no_mote() {
    let judged = Judged::of(&FrameSpec { mode: Mode::PupilIntegral, ..FrameSpec::new(7225, 0) }, 4);
    let found: Vec<_> = judged.inspection.motes.iter().map(|m| (m.at_picture, m.snr)).collect();
    assert!(found.is_empty(), "{found:?}");
}

/// The brightest shadows of much dirt are broad and ragged, and a ragged outline looks like a wider image of the pupil.
#[test]
fn much_dirt_tells_the_stand_off_no_worse() {
    for seed in [91010, 91011] {
        let judged = Judged::of(&FrameSpec { mode: Mode::PupilIntegral, ..FrameSpec::new(seed, 80) }, seed);
        let height = judged.inspection.stand_off.expect("facts of the shot").height_mm.value;
        let off = height / judged.stand_off_mm - 1.0;
        assert!(off.abs() < 0.05, "frame {seed}: {height} mm, true {} mm", judged.stand_off_mm);
    }
}

/// Beside what a wet pass leaves a grain is a grain, and a drying ring that no disc explains is one mote.
#[test]
fn grains_by_a_streak_and_rings_are_told() {
    let judged = Judged::of(&FrameSpec { mode: Mode::PupilIntegral, ..FrameSpec::new(93003, 80) }, 93003);
    let (x, y) = (1573.2, 1161.9);
    let told = |m: &&Mote| (m.at_picture.x - x).hypot(m.at_picture.y - y) < 2.0;
    assert!(judged.inspection.motes.iter().any(|m| told(&m)), "a round grain of SNR 42, three widths off a streak");
    for seed in [92006, 92009, 93010] {
        let pieces = Judged::of(&FrameSpec::new(seed, 80), seed).pieces_of("ring");
        assert!(!pieces.is_empty() && pieces.iter().all(|&n| n == 1), "frame {seed}: {pieces:?}");
    }
}

/// Round fits take a drop wider than the pupil's image apart into three grains; together they explain little more than half of its light.
#[test]
fn an_oil_spot_is_one_mote() {
    let judged = Judged::of(&FrameSpec::new(3108, 40), 3108);
    let pieces = judged.pieces_of("oil");
    assert!(!pieces.is_empty() && pieces.iter().all(|&n| n == 1), "{pieces:?}");
}

/// Light passes through a drop, whose shadow is as broad as the drop and not as deep as an opaque disc's.
#[test]
fn what_light_passes_through_is_measured_by_its_outline() {
    let frames = (0..KINDS).zip(MODES.into_iter().cycle());
    let (mut areas, mut widths): (Vec<f64>, Vec<f64>) = frames
        .flat_map(|(i, mode)| Judged::of(&FrameSpec { mode, ..FrameSpec::new(60100 + i, 80) }, i).measures_of("oil"))
        .map(|(area, width)| ((area - 1.0).abs(), (width - 1.0).abs()))
        .unzip();
    areas.sort_unstable_by(f64::total_cmp);
    widths.sort_unstable_by(f64::total_cmp);
    let (of, middle) = (areas.len(), areas.len() / 2);
    assert!(of > 5 && areas[middle] < 0.1 && widths[middle] < 0.1, "area {areas:?}, width {widths:?} of {of}");
}

/// What a wet pass leaves is longer than a shadow and no wider; it answers in many places, and is one thing.
#[test]
fn a_narrow_streak_is_one_residue() {
    for seed in [3101, 3102] {
        let pieces = Judged::of(&FrameSpec::new(seed, 40), seed).pieces_of("residue");
        assert!(!pieces.is_empty() && pieces.iter().all(|&n| n == 1), "frame {seed}: {pieces:?}");
    }
}

/// Converters and lens corrections leave rims that look like hundreds of shadows stronger than any grain.
#[test]
fn a_dark_rim_does_not_measure_the_stand_off() {
    let spec = FrameSpec { mode: Mode::PupilIntegral, ..FrameSpec::new(5204, 60) };
    let judged = Judged::changed(&spec, 5204, |frame| {
        let Size { width, height } = frame.size();
        for plane in frame.planes.iter_mut() {
            for (x, y) in (0..width).map(|x| (x, 0)).chain((1..height).map(|y| (0, y))) {
                plane.set(x, y, 0.5 * plane.at(x, y));
            }
        }
    });
    let height = judged.inspection.stand_off.expect("facts of the shot").height_mm.value;
    assert!((height / judged.stand_off_mm - 1.0).abs() < 0.07, "{height} mm, true {} mm", judged.stand_off_mm);
    let found = judged.seen().filter(|s| s.diameter_um >= 10.0 && s.snr >= 8.0).map(|s| s.found.is_some());
    let (found, missed): (Vec<bool>, Vec<bool>) = found.partition(|f| *f);
    // On the rim itself some are lost.
    assert!(found.len() > 9 * missed.len(), "{} found, {} missed", found.len(), missed.len());
}

#[test]
fn errors_of_faint_motes_stay_near_the_bound_that_noise_sets() {
    let (mut places, mut areas) = (Vec::new(), Vec::new());
    for seed in 0..3 {
        let judged = Judged::of(&spec(900 + seed, 60, Mode::Fresnel), 3 * (seed % 2));
        for seen in judged.seen().filter(|s| s.alone && (8.0..20.0).contains(&s.snr)) {
            let Some(found) = seen.found else { continue };
            places.push(found.miss_px / (std::f64::consts::SQRT_2 * judged.place_bound_px(&seen)));
            areas.push((found.area_ratio - 1.0) * seen.snr);
        }
    }
    assert!(places.len() > 15, "{} motes", places.len());
    let (place, area) = (rms(places.iter().copied()), rms(areas.iter().copied()));
    // A few dozen errors: their rms is known to about a tenth.
    assert!(place < 1.5 * 1.1, "places: {place} times the bound");
    assert!(area < 1.5 * 1.1, "areas: {area} times the bound");
}

/// A wall is as bright as it is: held against its backdrop no part of it is brighter than its noise, to the dim corners and beside
/// two streaks some hundred pixels long, one of which the edge cuts. (Level of windows of 16 x 16 cells in the noise of such; of a normal
/// distribution one in thirty thousand lies four deviations off.)
#[test]
fn beside_large_things_the_backdrop_is_the_walls() {
    let mut levels: Vec<f32> = Vec::new();
    Judged::changed(&FrameSpec::new(77001, 40), 0, |frame| {
        let flat = Flat::of(frame, false);
        let Size { width, height } = flat.size();
        for (x, y) in (0..height / 16).flat_map(|j| (0..width / 16).map(move |i| (16 * i, 16 * j))) {
            let sum: f32 = (y..y + 16).map(|y| flat.loss.row(y)[x..x + 16].iter().sum::<f32>()).sum();
            levels.push(sum / 16.0 / flat.sigma.under(x + 8, y + 8));
        }
    });
    levels.sort_unstable_by(f32::total_cmp);
    let at = |share: f64| levels[(share * levels.len() as f64) as usize];
    assert!(at(0.5).abs() < 0.3, "the middle lies at {}", at(0.5));
    assert!(at(0.25) > -1.2 && at(0.01) > -4.0, "a quarter lies below {}, a hundredth below {}", at(0.25), at(0.01));
}

/// A filter that knows shadow, noise and backdrop finds a mote of signal-to-noise ratio s with the odds of a normal step at its
/// own threshold. Of faint motes as many are found as by one that is nine tenths as good; and the floor is where so
/// many deviations are left as 99 % of a normal distribution want.
#[test]
fn faint_motes_are_found_as_by_a_filter_nine_tenths_as_good_as_the_best() {
    for (seed, kind) in [(920, 0), (921, 3), (922, 2), (923, 2)] {
        let spec = FrameSpec { grains_um: [3.0, 15.0], ..spec(seed, 90, Mode::Fresnel) };
        let judged = Judged::of(&spec, kind);
        let threshold = judged.inspection.threshold_snr.expect("looked for");
        let floor = judged.inspection.floor_um.expect("looked for");
        let (mut found, mut expected, mut variance) = (0.0, 0.0, 0.0);
        let (mut above, mut lost) = (0, 0);
        let mut ends: Vec<f64> = Vec::new();
        for seen in judged.seen().filter(|s| s.alone) {
            let odds = 0.5 * libm::erfc((threshold / 0.9 - seen.snr) / std::f64::consts::SQRT_2);
            expected += odds;
            variance += odds * (1.0 - odds);
            found += f64::from(u8::from(seen.found.is_some()));
            if seen.diameter_um > floor {
                above += 1;
                lost += usize::from(seen.found.is_none());
            }
            let over = seen.snr / (threshold + 2.33);
            if (0.7..1.4).contains(&over) {
                // A small mote's signal goes with its area.
                ends.push(seen.diameter_um / over.sqrt());
            }
        }
        assert!(found > expected - 2.0 * variance.sqrt(), "frame {seed}: {found} found, {expected} expected");
        assert!(above > 30 && lost <= 1 + above / 50, "frame {seed}: {lost} of {above} above the floor are lost");
        ends.sort_unstable_by(f64::total_cmp);
        let end = ends[ends.len() / 2];
        assert!((floor / end - 1.0).abs() < 0.1, "frame {seed}: floor {floor} um, {end} um by the truth");
        assert!(judged.false_motes() <= 1, "frame {seed}: {} false", judged.false_motes());
    }
}

/// The centre of a small mote's shadow is a few wavelengths' business: it swings between next to nothing and more than three times what
/// rays give, as the distance of the wave and the blades of the pupil have it.
#[test]
fn the_depth_of_small_motes_is_that_of_waves() {
    let (mut off, mut pulls) = (Vec::new(), Vec::new());
    for seed in 8100..8104 {
        let judged = Judged::of(&FrameSpec { grains_only: true, ..FrameSpec::new(seed, 60) }, 0);
        let small = judged.seen().filter(|s| s.alone && s.snr >= 16.0 && s.diameter_um < 14.0);
        for found in small.filter_map(|s| s.found) {
            off.push((found.depth_ratio - 1.0).abs());
            pulls.push(found.depth_pull);
        }
    }
    off.sort_unstable_by(f64::total_cmp);
    assert!(off.len() > 15, "{} motes", off.len());
    let median = off[off.len() / 2];
    assert!(median < 0.05, "{median}");
    // What the exit pupil's distance and ragged outlines do is not in the standard error.
    let pull = rms(pulls.into_iter());
    assert!(pull < 2.0, "off by {pull} standard errors");
}

#[test]
fn a_depth_is_foretold_from_f22_to_f11() {
    let (mut raw, mut jpeg): (Vec<f64>, Vec<f64>) = (Vec::new(), Vec::new());
    for (i, mode) in (0..12).zip(MODES.into_iter().cycle()) {
        let spec = FrameSpec { f_number: Some(22.0), ..spec(1000 + i, 30, mode) };
        let judged = Judged::of(&spec, i);
        let off = judged.foretold(&spec, 11.0).into_iter().map(|(foretold, is)| (foretold / is - 1.0).abs());
        if judged.raw_like { raw.extend(off) } else { jpeg.extend(off) }
    }
    raw.sort_unstable_by(f64::total_cmp);
    jpeg.sort_unstable_by(f64::total_cmp);
    assert!(raw.len() > 40 && jpeg.len() > 12, "{} and {} motes", raw.len(), jpeg.len());
    // The project's own promise is a tenth. Grains under 12 um are left out: their centre depends on the light's colours.
    // Ragged motes, some of these, are as deep as round ones only on the whole: hence nine in ten.
    assert!(raw[raw.len() / 2] < 0.05 && raw[raw.len() * 9 / 10] < 0.10, "{raw:.2?}");
    assert!(jpeg[jpeg.len() / 2] < 0.10 && jpeg[jpeg.len() * 8 / 10] < 0.10, "{jpeg:.2?}");
}

#[test]
fn every_fault_is_named_and_a_good_frame_has_none() {
    for (i, fault) in (0..).zip(Fault::ALL) {
        let spec = FrameSpec { fault: Some(fault), ..spec(600 + i, 12, Mode::PupilIntegral) };
        let fitness = Judged::of(&spec, i).inspection.fitness;
        let named = fitness.findings.iter().find(|f| format!("{:?}", f.code) == code_name(fault.code()));
        let findings: Vec<_> = fitness.findings.iter().map(|f| (f.code, f.verdict)).collect();
        assert!(named.is_some(), "{fault:?}: {findings:?}");
        // A file without its facts, or one that left an editor, can still be looked at.
        let harmless = matches!(fault, Fault::NoFacts | Fault::Edited | Fault::Uneven);
        assert!(harmless || fitness.verdict == Verdict::Unfit, "{fault:?}: {findings:?}");
    }
    for seed in 0..KINDS {
        let fitness = Judged::of(&spec(650 + seed, 40, MODES[seed as usize % 2]), seed).inspection.fitness;
        assert_ne!(fitness.verdict, Verdict::Unfit, "{:?}", fitness.findings);
    }
}

/// `wall_sharp` as the variant is named.
fn code_name(code: &str) -> String {
    code.split('_').map(|word| word[..1].to_uppercase() + &word[1..]).collect()
}
