use motelight_frame::Millimetres;

use super::threshold::tests::BLACKWELL;
use super::*;
use crate::optics::{lost_geometric, pupil_disc};

/// 36 mm sensor of 8256 x 5504.
const PICTURE: Picture =
    Picture { size: Size { width: 8256, height: 5504 }, pitch: Micrometres(36_000.0 / 8256.0), grain: 0.0 };

fn stop(n: f64) -> FNumber {
    FNumber::new(n).expect("an f-number")
}

fn print(text: &str, distance: Option<f64>) -> Viewing {
    Viewing::print(Print::parse(text).expect("a size"), distance.map(Millimetres))
}

/// The geometric shadow of an opaque disc through a pupil's disc of diameter `blur` on the glass.
fn shadow(mote: f64, blur: f64) -> Profile {
    let step = (mote + blur) / 1000.0;
    let at = |i: u32| lost_geometric(Micrometres(mote), Micrometres(blur), Micrometres(f64::from(i) * step));
    Profile::new(Micrometres(step), (0..=505).map(at).collect()).expect("a profile")
}

fn grain_at(diameter: f64, stand_off_mm: f64) -> impl Fn(FNumber) -> Option<Profile> {
    move |n| Some(shadow(diameter, pupil_disc(Millimetres(stand_off_mm), n).0))
}

/// Least visible blocked areas, µm2, derived from Blackwell's row at 171 cd/m2 as C(b) * pi b^2 / 4, for
/// shadows of h = 0.7 mm at f/16, 1.5 mm at f/16 and 1.5 mm at f/8 on a 36 mm sensor, without field factor.
#[test]
fn the_least_visible_blocked_areas_follow_blackwell() {
    let rows = [
        ("420x280mm", Some(400.0), [23.0, 35.0, 96.0]),
        ("600x400mm", None, [33.0, 49.0, 107.0]),
        ("900x600mm", None, [33.0, 49.0, 107.0]),
        ("900x600mm", Some(500.0), [11.0, 26.0, 87.0]),
        ("1500x1000mm", Some(600.0), [7.0, 23.0, 81.0]),
    ];
    let shadows = [(0.7, 16.0), (1.5, 16.0), (1.5, 8.0)];
    for (size, distance, areas) in rows {
        let viewing = print(size, distance);
        for ((stand_off, n), area) in shadows.into_iter().zip(areas) {
            let mote = (4.0f64 * area / PI).sqrt();
            let profile = shadow(mote, stand_off * 1000.0 / n);
            let times = judged_by(&BLACKWELL, 1.0, &profile, &PICTURE, &viewing).times_threshold;
            assert!((0.8..1.25).contains(&times), "{size} {distance:?} h {stand_off} f/{n}: {times:.2}");
        }
    }
}

/// Conservation of blocked area and Ricco's law: where the shadow is far below the eye's summation area,
/// its width does not matter.
#[test]
fn small_shadows_are_judged_by_blocked_area_alone() {
    let far = print("60x40cm", Some(20_000.0));
    let at = |blur: f64| shows(&shadow(20.0, blur), &PICTURE, &far).times_threshold;
    assert!((at(60.0) / at(30.0) - 1.0).abs() < 0.02);
}

/// Weber's law: above a degree only depth counts.
#[test]
fn large_shadows_are_judged_by_depth_alone() {
    let near = print("300x200cm", Some(300.0));
    let wide = shows(&shadow(400.0, 2000.0), &PICTURE, &near).times_threshold;
    let wider = shows(&shadow(600.0, 3000.0), &PICTURE, &near).times_threshold;
    assert!((wide / wider - 1.0).abs() < 0.02, "{wide} {wider}");
}

#[test]
fn a_darker_shadow_or_a_nearer_look_shows_more_and_grain_hides() {
    let profile = shadow(25.0, 140.0);
    let darker = shadow(30.0, 140.0);
    let mut last = f64::INFINITY;
    for distance in [250.0, 500.0, 1000.0, 2000.0, 8000.0] {
        let viewing = print("60x40cm", Some(distance));
        let times = shows(&profile, &PICTURE, &viewing).times_threshold;
        assert!(times < last);
        assert!(shows(&darker, &PICTURE, &viewing).times_threshold > times);
        assert!(shows(&profile, &Picture { grain: 0.05, ..PICTURE }, &viewing).times_threshold < times);
        last = times;
    }
}

#[test]
fn nothing_does_not_show() {
    let flat = Profile::new(Micrometres(1.0), vec![0.0; 50]).expect("a profile");
    for viewing in Viewing::standard() {
        let seen = shows(&flat, &PICTURE, &viewing);
        assert_eq!(seen.times_threshold, 0.0);
        assert!(!seen.shows());
    }
}

/// Common practice, no source: ordinary grains mostly no longer show below about f/5.6.
#[test]
fn ordinary_grains_vanish_about_where_the_trade_says() {
    let picture = Picture { grain: 0.01, ..PICTURE };
    let mut from = Vec::new();
    for stand_off in [1.0, 1.5, 2.0] {
        for diameter in [20.0, 30.0, 40.0] {
            let n = shows_from(&picture, &Viewing::standard(), grain_at(diameter, stand_off)).expect("shows");
            from.push(n.marked());
        }
    }
    from.sort_by(f64::total_cmp);
    let median = from[from.len() / 2];
    assert!((5.6..=8.0).contains(&median), "shows from {from:?}");
    assert!(from.iter().all(|n| (4.0..=16.0).contains(n)), "shows from {from:?}");
}

#[test]
fn a_mote_too_small_never_shows() {
    assert_eq!(shows_from(&PICTURE, &Viewing::standard(), grain_at(2.0, 1.5)), None);
}

#[test]
fn the_rating_is_the_stop_before_the_first_that_shows() {
    let rated = clear_to([Some(stop(16.0)), None, Some(stop(11.0))], Some(stop(22.0)));
    assert_eq!(rated, ClearTo { f_number: Some(stop(8.0)), limited_by: LimitedBy::Mote });
    let blind = clear_to([None], Some(stop(16.0)));
    assert_eq!(blind, ClearTo { f_number: Some(stop(11.0)), limited_by: LimitedBy::Floor });
    let clean = clear_to([None, None], None);
    assert_eq!(clean, ClearTo { f_number: Some(stop(32.0)), limited_by: LimitedBy::SeriesEnd });
    assert_eq!(clear_to([Some(stop(1.0))], None).f_number, None);
}
