//! Mending held against pictures whose clean truth is known: the synthetic camera knows nothing of the engine.

mod scene;

use motelight_frame::{Body, FNumber, Frame};
use motelight_motes::mend::{Choice, MendOptions, Mended, Reason, RefusalCode, Treatment, mend};
use motelight_synth::Mode;
use scene::{Canvases, Place, Taken};

fn mended(taken: &Taken) -> Mended {
    mend(&taken.frame, &taken.chart, &MendOptions::default()).expect("one body")
}

/// What a place came to, dB of peak signal to noise: as the picture was, mended, and divided by the true shadow.
fn median(mut v: Vec<f64>) -> f64 {
    v.sort_unstable_by(f64::total_cmp);
    v[v.len() / 2]
}

#[test]
fn in_a_plain_sky_mending_comes_within_a_decibel_of_the_true_shadow() {
    for mode in [Mode::PupilIntegral, Mode::Fresnel] {
        for stop in [8.0, 16.0] {
            let taken = Taken::of(Canvases::Sky, mode, stop, 20, 3);
            let mended = mended(&taken);
            let places: Vec<Place> = taken.places(&mended).filter(|p| (0.02..0.25).contains(&p.depth)).collect();
            assert!(places.len() > 6, "{} places", places.len());
            let behind = median(places.iter().map(|p| p.exact - p.mended).collect());
            assert!(behind < 1.0, "{mode:?} f/{stop}: {behind} dB behind");
            for p in &places {
                assert!(p.mended > p.shown - 0.1, "{mode:?} f/{stop}: {p:?}");
            }
        }
    }
}

#[test]
fn in_texture_nothing_gets_worse_and_detail_stays() {
    let taken = Taken::of(Canvases::Texture, Mode::Fresnel, 16.0, 20, 5);
    let mended = mended(&taken);
    for p in taken.places(&mended) {
        assert!(p.mended > p.shown - 0.1, "{p:?}");
    }
    // General-purpose inpainting scores 17 to 20 dB in texture (project optics notes, section 6).
    let deep = taken.places(&mended).filter(|p| p.depth > 0.05).map(|p| p.mended).collect();
    assert!(median(deep) > 28.0);
}

#[test]
fn only_pixels_under_a_shadow_and_its_ring_change() {
    let taken = Taken::of(Canvases::Sky, Mode::Fresnel, 16.0, 12, 7);
    let mended = mended(&taken);
    let touched: usize = mended.patches.iter().map(|p| p.mask.data().iter().filter(|&&m| m).count()).sum();
    assert_eq!(touched, mended.pixels_changed);
    let shadowed = taken.shadowed(0.001);
    assert!(touched > 0 && touched <= 2 * shadowed, "{touched} changed, {shadowed} under shadows");
}

#[test]
fn motes_of_another_body_change_nothing() {
    for canvas in [Canvases::Sky, Canvases::Texture] {
        let mut taken = Taken::of(canvas, Mode::Fresnel, 16.0, 20, 11);
        taken.chart = Taken::of(Canvases::Sky, Mode::Fresnel, 16.0, 20, 12).chart;
        let mended = mended(&taken);
        assert!(mended.patches.is_empty(), "{:?}", mended.motes);
        assert!(mended.motes.iter().all(|m| m.treatment == Treatment::Untouched && m.reason.is_some()));
    }
}

#[test]
fn a_chart_is_found_again_through_another_lens() {
    let taken = Taken::through_another_lens(Canvases::Sky, 11.0, 20, 13);
    let mended = mended(&taken);
    let lifted = mended.motes.iter().filter(|m| m.treatment == Treatment::Lifted).count();
    assert!(lifted * 10 >= taken.visible(0.01) * 9, "{lifted} of {}", taken.visible(0.01));
    for p in taken.places(&mended) {
        assert!(p.mended > p.shown - 0.1, "{p:?}");
    }
}

#[test]
fn a_person_has_the_last_word() {
    let taken = Taken::of(Canvases::Sky, Mode::Fresnel, 16.0, 8, 17);
    let id = taken.chart.motes[0].id.clone();
    let options = MendOptions { choices: [(id.clone(), Choice::Skip)].into(), ..MendOptions::default() };
    let mended = mend(&taken.frame, &taken.chart, &options).expect("one body");
    let skipped = mended.motes.iter().find(|m| m.id == id).expect("on the chart");
    assert_eq!((skipped.treatment, skipped.reason), (Treatment::Untouched, Some(Reason::Skipped)));
}

#[test]
fn a_picture_of_another_body_is_refused() {
    let taken = Taken::of(Canvases::Sky, Mode::Fresnel, 16.0, 4, 19);
    let refused = |change: &dyn Fn(&mut Frame)| {
        let mut frame = taken.frame.clone();
        change(&mut frame);
        mend(&frame, &taken.chart, &MendOptions::default()).err().map(|r| r.code)
    };
    let body = |model: &str, serial: Option<&str>| {
        Some(Body { make: "Halden".into(), model: model.into(), serial: serial.map(Into::into) })
    };
    assert_eq!(refused(&|f| f.shot.body = body("Halden H2", Some("H2-004217"))), None);
    assert_eq!(refused(&|f| f.shot.body = body("Halden H2", None)), None);
    assert_eq!(refused(&|f| f.shot.body = body("Halden H2", Some("H2-1"))), Some(RefusalCode::OtherBody));
    assert_eq!(refused(&|f| f.shot.body = body("Halden H3", Some("H2-004217"))), Some(RefusalCode::OtherBody));
    assert_eq!(refused(&|f| f.shot.body = None), Some(RefusalCode::OtherBody));
    assert_eq!(refused(&|f| f.shot.f_number = None), Some(RefusalCode::NoShotFacts));
    let wide_open = refused(&|f| f.shot.f_number = FNumber::new(1.4));
    assert_eq!(wide_open, None);
}
