//! Sign-off held against pictures whose content is known.

use std::path::Path;

use motelight_frame::{Digest, Encoding, FNumber, Frame, Layout, Limits, Mask, NoiseModel, Plane, Shot, Size, Tone};
use motelight_frame::{RawDecoder, ReadOptions, read};
use motelight_motes::Viewing;
use motelight_motes::signoff::{Cause, SignOff, SignOffOptions, Verdict, sign_off};
use motelight_synth::random::Random;

const SIZE: Size = Size { width: 1200, height: 800 };

/// A plain sky with grain of half a per cent, each colour dimmed by `left`, the share of light left at a place.
fn looked_over(viewing: Viewing, left: impl Fn(f64, f64) -> [f64; 3]) -> SignOff {
    looked_over_at(None, viewing, left)
}

/// The same of a file that tells its f-number.
fn looked_over_at(f_number: Option<f64>, viewing: Viewing, left: impl Fn(f64, f64) -> [f64; 3]) -> SignOff {
    let mut planes = vec![Plane::filled(SIZE, 0.0f32); 3];
    for y in 0..SIZE.height {
        let mut random = Random::new(5, y as u64);
        for x in 0..SIZE.width {
            let grain = 1.0 + 0.005 * random.normal_pair().0;
            let ground = 0.5 * (0.9 + 0.1 * x as f32 / SIZE.width as f32);
            let part = left(x as f64 + 0.5, y as f64 + 0.5);
            for (plane, part) in planes.iter_mut().zip(part) {
                plane.set(x, y, (ground * grain * part as f32).min(1.0));
            }
        }
    }
    let tone = Tone::new((0..256).map(|c| c as f32 / 255.0).collect()).expect("rising");
    let frame = Frame {
        planes: planes.into(),
        layout: Layout::Rgb,
        encoding: Encoding::Tones(vec![tone; 3]),
        luminance: [0.2126, 0.7152, 0.0722],
        noise: vec![NoiseModel { shot: 0.0, read: 1e-5 }; 3],
        mask: Mask(Plane::filled(SIZE, 0)),
        shot: Shot { f_number: f_number.and_then(FNumber::new), ..Shot::unknown(SIZE) },
        digest: Digest("0".repeat(64)),
        notes: Vec::new(),
    };
    sign_off(&frame, &SignOffOptions { viewings: vec![viewing] })
}

/// A round mark of this width and depth with a soft edge.
fn mark(x: f64, y: f64, width: f64, depth: f64) -> f64 {
    let r = (x - 600.0).hypot(y - 400.0);
    1.0 - depth / (1.0 + ((r - 0.5 * width) / (0.08 * width)).exp())
}

/// What the mark in the middle of the picture is taken for, and the verdict.
fn middle(said: &SignOff) -> (Option<Cause>, Verdict) {
    let there = said.suspects.iter().find(|s| (s.at.x - 600.0).hypot(s.at.y - 400.0) < 4.0);
    (there.map(|s| s.cause), said.verdict)
}

#[test]
fn a_plain_sky_is_clear() {
    assert_eq!(looked_over(Viewing::screen(None), |_, _| [1.0; 3]).verdict, Verdict::Clear);
}

#[test]
fn a_shadow_is_found_where_it_lies_and_alone_counts() {
    let said = looked_over(Viewing::screen(None), |x, y| [mark(x, y, 12.0, 0.15); 3]);
    assert_eq!(said.verdict, Verdict::Suspects);
    assert_eq!(said.suspects.iter().filter(|s| s.counts).count(), 1);
    let first = &said.suspects[0];
    assert!((first.at.x - 600.0).hypot(first.at.y - 400.0) < 1.0, "{first:?}");
}

#[test]
fn a_deeper_shadow_shows_more() {
    let times = |depth: f64| {
        looked_over(Viewing::screen(None), |x, y| [mark(x, y, 12.0, depth); 3]).suspects[0].times_threshold
    };
    assert!(times(0.3) > times(0.15));
}

#[test]
fn a_coloured_spot_does_not_count() {
    let said = looked_over(Viewing::screen(None), |x, y| [1.0, mark(x, y, 12.0, 0.3), 1.0]);
    assert!(said.suspects.iter().any(|s| s.cause == Cause::Coloured && !s.counts), "{:?}", said.suspects);
    assert_eq!(said.verdict, Verdict::Clear);
}

/// 1200 px on 60 cm: a pixel of half a millimetre, 2.4 arcmin from 72 cm (geometry).
#[test]
fn a_picture_too_small_for_its_print_cannot_be_judged() {
    let print = Viewing::standard()[1];
    assert_eq!(looked_over(print, |_, _| [1.0; 3]).verdict, Verdict::CannotJudge);
}

/// h = b N (optics): at f/2.8 and half a millimetre of stand-off no shadow is narrower than 180 µm, 5.9 px of this picture.
#[test]
fn a_file_that_tells_its_f_number_tells_specks_from_shadows() {
    let said = |f_number| looked_over_at(f_number, Viewing::screen(None), |x, y| [mark(x, y, 4.2, 0.4); 3]);
    assert_eq!(middle(&said(None)), (Some(Cause::LikeAShadow), Verdict::Suspects));
    assert_eq!(said(Some(2.8)).verdict, Verdict::Clear);
    let wide = looked_over_at(Some(2.8), Viewing::screen(None), |x, y| [mark(x, y, 14.0, 0.1); 3]);
    assert_eq!(middle(&wide), (Some(Cause::LikeAShadow), Verdict::Suspects));
}

/// No shadow adds light.
#[test]
fn a_dark_mark_among_light_ones_is_the_picture_s_own() {
    let light =
        |x, y| [(450.0, 400.0), (600.0, 520.0)].map(|(a, b)| 1.0 / mark(x + 600.0 - a, y + 400.0 - b, 12.0, 0.2));
    let said =
        looked_over(Viewing::screen(None), |x, y| [mark(x, y, 12.0, 0.15) * light(x, y).iter().product::<f64>(); 3]);
    assert_eq!(middle(&said), (Some(Cause::LightOnesToo), Verdict::Clear));
}

#[test]
fn a_grey_mark_in_a_swarm_of_leaves_is_one_of_them() {
    let leaves = |x, y| {
        [(520.0, 400.0), (600.0, 480.0), (660.0, 360.0)].map(|(a, b)| mark(x + 600.0 - a, y + 400.0 - b, 12.0, 0.4))
    };
    let said = looked_over(Viewing::screen(None), |x, y| {
        let (shadow, leaves) = (mark(x, y, 12.0, 0.3), leaves(x, y).iter().product::<f64>());
        [shadow * leaves, shadow * (0.6 + 0.4 * leaves), shadow * leaves]
    });
    assert_eq!(middle(&said), (Some(Cause::OneOfMany), Verdict::Clear));
}

/// A leaf keeps green light, most of what it keeps: its reflectance has its visible maximum near 550 nm (common knowledge). What
/// is wider than the picture's blur covers what is behind it, so a pale mark is none.
#[test]
fn a_grey_mark_beside_a_green_tree_may_be_a_leaf_and_beside_a_grey_wall_is_a_shadow() {
    let beside = |tree: [f64; 3], depth: f64| {
        looked_over(Viewing::screen(None), |x, y| {
            let scene = if x > 680.0 { tree } else { [1.0; 3] };
            scene.map(|light| light * mark(x, y, 12.0, depth))
        })
    };
    let (green, grey) = ([0.1, 0.2, 0.05], [0.2; 3]);
    assert_eq!(middle(&beside(green, 0.5)), (Some(Cause::BesideLeaves), Verdict::Clear));
    assert_eq!(middle(&beside(green, 0.1)), (Some(Cause::LikeAShadow), Verdict::Suspects));
    assert_eq!(middle(&beside(grey, 0.5)), (Some(Cause::LikeAShadow), Verdict::Suspects));
    let in_a_meadow = looked_over(Viewing::screen(None), |x, y| {
        let scene = if x > 680.0 { [0.1, 0.2, 0.05] } else { [0.8, 1.0, 0.6] };
        scene.map(|light| light * mark(x, y, 12.0, 0.5))
    });
    assert_eq!(middle(&in_a_meadow).0, Some(Cause::LikeAShadow), "no leaf before what is no sky");
}

/// Pixels blur an edge by themselves, and leave too little of a faint small mark's to tell it by (optics: an edge is a quarter of
/// the mote wide, and a mote that takes a twentieth of the light is a fifth of its shadow wide).
#[test]
fn a_faint_mark_of_seven_pixels_is_not_called_sharp() {
    let disc = |x: f64, y: f64| 1.0 - 0.05 * (0.5 + 3.5 - (x - 600.0).hypot(y - 400.0)).clamp(0.0, 1.0);
    let said = looked_over(Viewing::screen(None), |x, y| [disc(x, y); 3]);
    assert_eq!(middle(&said), (Some(Cause::LikeAShadow), Verdict::Suspects));
}

/// The edge of a mote's shadow is as wide as the mote, and a mote that takes a third of the light is more than half as wide as
/// its shadow: optics, depth = (a / b)^2.
#[test]
fn a_dark_disc_with_a_hard_edge_is_no_shadow() {
    let disc = |x: f64, y: f64| if (x - 600.0).hypot(y - 400.0) < 10.0 { 0.65 } else { 1.0 };
    let said = looked_over(Viewing::screen(None), |x, y| [disc(x, y); 3]);
    assert_eq!(middle(&said), (Some(Cause::SharpEdge), Verdict::Clear));
}

/// The same of a long one, a stone on snow: a round mark that explained its ends would have a soft edge.
#[test]
fn a_dark_ellipse_with_a_hard_edge_is_no_shadow() {
    let stone = |x: f64, y: f64| if ((x - 600.0) / 11.0).hypot((y - 400.0) / 7.5) < 1.0 { 0.5 } else { 1.0 };
    let said = looked_over(Viewing::screen(None), |x, y| [stone(x, y); 3]);
    assert_eq!(middle(&said), (Some(Cause::SharpEdge), Verdict::Clear));
    // As long, and as soft as the shadow of a mote is that takes half of the light.
    let soft = |x: f64, y: f64| mark(600.0 + (x - 600.0) / 1.2, 400.0 + (y - 400.0) * 1.2, 18.0, 0.55);
    let said = looked_over(Viewing::screen(None), |x, y| [soft(x, y); 3]);
    assert_eq!(middle(&said), (Some(Cause::LikeAShadow), Verdict::Suspects));
}

/// What is as sharp as the picture's own edges stands in the scene: here these are blurred as by making it larger.
#[test]
fn in_a_soft_picture_a_disc_as_sharp_as_its_blinds_is_no_shadow() {
    const BLUR: f64 = 1.6;
    let said = |blur: f64| {
        looked_over(Viewing::screen(None), |x, y| {
            let edge = |inside: f64, blur: f64| 1.0 / (1.0 + (-1.702 * inside / blur).exp());
            let stripe = |v: f64| edge(8.0 - ((v.rem_euclid(40.0)) - 20.0).abs(), BLUR);
            let blinds = if y > 560.0 { 1.0 - 0.6 * stripe(x) } else { 1.0 };
            let disc = 1.0 - 0.5 * edge(9.0 - (x - 600.0).hypot(y - 400.0), blur);
            [blinds * disc; 3]
        })
    };
    assert_eq!(middle(&said(BLUR)).0, Some(Cause::SharpEdge));
    assert_eq!(middle(&said(3.0)).0, Some(Cause::LikeAShadow), "softer than these");
}

/// A bird far off, in a picture as soft as above: its wings are a strand of even thickness, as sharp as all else.
#[test]
fn wings_as_sharp_as_the_picture_are_no_fibre() {
    let edge = |inside: f64| 1.0 / (1.0 + (-1.702 * inside / 1.3).exp());
    let off_the_wings = |x: f64, y: f64| {
        let x = (x - 600.0).abs();
        let line = |a: (f64, f64), b: (f64, f64)| {
            let (u, v) = (b.0 - a.0, b.1 - a.1);
            let t = (((x - a.0) * u + (y - a.1) * v) / (u * u + v * v)).clamp(0.0, 1.0);
            (x - a.0 - t * u).hypot(y - a.1 - t * v)
        };
        line((0.0, 400.0), (6.0, 393.0)).min(line((6.0, 393.0), (22.0, 397.0)))
    };
    let said = looked_over(Viewing::screen(None), |x, y| {
        let stripe = |v: f64| edge(8.0 - ((v.rem_euclid(40.0)) - 20.0).abs());
        let blinds = if y > 560.0 { 1.0 - 0.6 * stripe(x) } else { 1.0 };
        [blinds * (1.0 - 0.7 * edge(2.0 - off_the_wings(x, y))); 3]
    });
    assert_eq!(said.verdict, Verdict::Clear, "{:?}", said.suspects);
}

#[test]
fn a_bird_is_not_round() {
    let bird = |x: f64, y: f64| mark(600.0 + (x - 600.0) / 2.5, y, 10.0, 0.5);
    let said = looked_over(Viewing::screen(None), |x, y| [bird(x, y); 3]);
    assert_eq!(middle(&said), (Some(Cause::NotRound), Verdict::Clear));
}

/// Distance from the middle line of a bent fibre: two thirds of a half circle about (600, 460).
fn off_the_fibre(x: f64, y: f64) -> f64 {
    let (dx, dy) = (x - 600.0, 460.0 - y);
    let angle = dx.atan2(dy).clamp(-1.05, 1.05);
    (dx - 60.0 * angle.sin()).hypot(dy - 60.0 * angle.cos())
}

/// A thin fibre dims by as much as it covers of the pupil's image: over a round pupil, half a circle across the fibre
/// (optics: the shadow is the pupil, integrated along the fibre).
#[test]
fn a_fibre_counts_where_it_has_the_pupil_s_outline_and_a_wire_does_not() {
    let thick = 14.0;
    let across = |x: f64, y: f64| (1.0 - (2.0 * off_the_fibre(x, y) / thick).powi(2)).max(0.0).sqrt();
    let said = looked_over(Viewing::screen(None), |x, y| [1.0 - 0.15 * across(x, y); 3]);
    let counted: Vec<_> = said.suspects.iter().filter(|s| s.counts).collect();
    assert_eq!(counted.len(), 1, "{:?}", said.suspects);
    // The centre of an arc of 1.05 rad to either side lies 60 sin 1.05 / 1.05 above the circle's.
    let (x, y) = (600.0, 460.0 - 60.0 * 1.05f64.sin() / 1.05);
    assert!((counted[0].at.x - x).hypot(counted[0].at.y - y) < 2.0, "{:?}", counted[0]);

    let wire = |x: f64, y: f64| if off_the_fibre(x, y) < 0.5 * thick { 0.85 } else { 1.0 };
    let said = looked_over(Viewing::screen(None), |x, y| [wire(x, y); 3]);
    assert_eq!(said.verdict, Verdict::Clear, "{:?}", said.suspects);
}

#[test]
fn a_picture_and_its_mirror_image_give_mirrored_suspects() {
    let off = |x: f64, y: f64| mark(x + 150.0, y + 90.0, 12.0, 0.2);
    let (here, there) = (
        looked_over(Viewing::screen(None), |x, y| [off(x, y); 3]),
        looked_over(Viewing::screen(None), |x, y| [off(SIZE.width as f64 - x, y); 3]),
    );
    let (a, b) = (&here.suspects[0], &there.suspects[0]);
    assert!((a.at.x + b.at.x - SIZE.width as f64).abs() < 0.5 && (a.at.y - b.at.y).abs() < 0.5, "{a:?} {b:?}");
}

/// Waves take a fifth more of red than of blue (optics: 0.142 against 0.119), and no tone curve takes more of the lighter colour.
#[test]
fn what_takes_blue_most_or_one_colour_alone_is_no_shadow() {
    let said = |lost: [f64; 3]| {
        looked_over(Viewing::screen(None), |x, y| {
            [0, 1, 2].map(|c| [0.3, 0.5, 0.8][c] * (1.0 - lost[c] * (1.0 - mark(x, y, 12.0, 0.3))))
        })
    };
    assert_eq!(middle(&said([1.0, 0.9, 0.8])), (Some(Cause::LikeAShadow), Verdict::Suspects));
    assert_eq!(middle(&said([1.0, 1.0, 1.6])).0, Some(Cause::Coloured), "a leaf before a sky");
    assert_eq!(middle(&said([1.0, 0.25, 0.25])).0, Some(Cause::Coloured), "a dead red photosite");
}

/// A mast beside a mark is measured piece by piece and is one thing all the same; nor is it one of many beside a drying ring, whose
/// middle is as light as the sky.
#[test]
fn a_mark_beside_a_mast_or_a_drying_ring_counts() {
    let beside_mast = looked_over(Viewing::screen(None), |x, y| {
        let mast = if (x - 660.0).abs() < 4.0 && y > 440.0 { 0.5 } else { 1.0 };
        [mast * mark(x, y, 12.0, 0.3); 3]
    });
    assert_eq!(middle(&beside_mast), (Some(Cause::LikeAShadow), Verdict::Suspects));
    let beside_ring = looked_over(Viewing::screen(None), |x, y| {
        let from_middle = (x - 750.0).hypot(y - 400.0);
        let ring = 1.0 - 0.2 * (-0.5 * ((from_middle - 11.0) / 3.0).powi(2)).exp();
        [ring * mark(x, y, 12.0, 0.15); 3]
    });
    assert_eq!(middle(&beside_ring).0, Some(Cause::LikeAShadow));
}

/// Much of what lies within five widths is a town of roofs; the half above is sky, and there the eye sees it.
#[test]
fn a_wide_mark_in_the_sky_close_above_a_town_counts_and_in_the_town_does_not() {
    let over = |horizon: f64| {
        let said = looked_over(Viewing::screen(None), |x, y| {
            let roof = Random::new(11, ((x / 11.0) as u64) << 16 | (y / 11.0) as u64).unit();
            let town = if y > horizon { 0.3 + 0.6 * roof } else { 1.0 };
            [town * mark(x, y, 18.0, 0.1); 3]
        });
        middle(&said).0
    };
    assert_eq!(over(442.0), Some(Cause::LikeAShadow));
    assert_ne!(over(380.0), Some(Cause::LikeAShadow));
}

/// A mote narrower than the pupil's image gives a shadow as wide as that image at half depth, whatever its own size (optics: b = h / N).
#[test]
fn what_is_narrower_than_shadows_that_agree_is_none() {
    let said = |others: &[f64], width: f64| {
        looked_over(Viewing::screen(None), |x, y| {
            let place = |i: usize| (200.0 + 250.0 * i as f64, [200.0, 620.0][i % 2]);
            let other = |(i, w): (usize, &f64)| mark(x + 600.0 - place(i).0, y + 400.0 - place(i).1, *w, 0.12);
            [mark(x, y, width, 0.2) * others.iter().enumerate().map(other).product::<f64>(); 3]
        })
    };
    assert_eq!(middle(&said(&[14.0, 14.7, 13.4, 14.0], 6.0)), (Some(Cause::NarrowerThanOthers), Verdict::Suspects));
    assert_eq!(middle(&said(&[14.0, 14.7, 13.4, 14.0], 13.0)).0, Some(Cause::LikeAShadow));
    assert_eq!(middle(&said(&[14.0, 14.7, 13.4, 14.0], 24.0)).0, Some(Cause::LikeAShadow), "oil is wider");
    assert_eq!(middle(&said(&[14.0, 14.7], 6.0)).0, Some(Cause::LikeAShadow), "two agree by chance");
    assert_eq!(middle(&said(&[10.0, 14.0, 20.0, 30.0], 6.0)).0, Some(Cause::LikeAShadow), "these do not agree");
}

/// One pupil makes all faint shadows of a picture alike: marks of all widths are stones or stains.
#[test]
fn faint_marks_of_all_widths_are_no_shadows() {
    let said = |widths: [f64; 7]| {
        looked_over(Viewing::screen(None), |x, y| {
            let place = |i: usize| (150.0 + 150.0 * i as f64, [200.0, 400.0, 620.0][i % 3]);
            let one = |(i, w): (usize, &f64)| mark(x + 600.0 - place(i).0, y + 400.0 - place(i).1, *w, 0.25);
            [widths.iter().enumerate().map(one).product(); 3]
        })
    };
    let of_all = said([5.0, 6.6, 8.8, 11.7, 15.5, 20.5, 27.0]);
    assert_eq!(of_all.verdict, Verdict::Clear, "{:?}", of_all.suspects);
    assert!(of_all.suspects.iter().any(|s| s.cause == Cause::OfAllWidths));
    let of_one = said([14.0, 15.0, 13.0, 14.0, 12.5, 14.0, 30.0]);
    assert_eq!(of_one.suspects.iter().filter(|s| s.counts).count(), 7, "{:?}", of_one.suspects);
}

/// Three pixels are too few to tell an edge by; larger things about it tell what it is.
#[test]
fn a_speck_among_stones_is_one() {
    let said = |stones: usize| {
        looked_over(Viewing::screen(None), |x, y| {
            let hard = |(at, r): ((f64, f64), f64)| 1.0 - 0.5 * (0.5 + r - (x - at.0).hypot(y - at.1)).clamp(0.0, 1.0);
            let places = [(500.0, 330.0), (700.0, 350.0), (560.0, 520.0), (690.0, 500.0)];
            let stones: f64 = places[..stones].iter().map(|p| hard((*p, 8.0))).product();
            [stones * mark(x, y, 4.0, 0.4); 3]
        })
    };
    assert_eq!(middle(&said(4)), (Some(Cause::AmongSharpOnes), Verdict::Clear));
    assert_eq!(middle(&said(2)).0, Some(Cause::LikeAShadow), "two tell nothing");
}

/// Beyond white a colour loses more than is seen, and a cloud is nearly white: a hole in it shows the blue of the sky.
#[test]
fn in_a_blown_out_cloud_a_grey_mark_counts_and_a_hole_does_not() {
    let said = |left: [f64; 3]| {
        looked_over(Viewing::screen(None), |x, y| {
            [0, 1, 2].map(|c| [2.4, 2.3, 2.5][c] * (1.0 - (1.0 - left[c]) * (1.0 - mark(x, y, 14.0, 0.999))))
        })
    };
    assert_eq!(middle(&said([0.25; 3])).0, Some(Cause::LikeAShadow));
    assert_eq!(middle(&said([0.1, 0.2, 0.35])).0, Some(Cause::Coloured));
    let tip = looked_over(Viewing::screen(None), |x, y| [2.6 * mark(x, y, 14.0, 0.3); 3]);
    assert_eq!(middle(&tip), (Some(Cause::BlownOut), Verdict::Clear), "only the tip of it shows");
}

/// A photograph's own sky with two motes on its camera's sensor, seen by eye in the raking view. Places by a source extractor
/// (sep 1.4.1 from PyPI on 1 - light / background, 3 sigma, 50 px at least), which finds these two and no other.
#[test]
fn two_real_motes_in_a_real_sky_are_found_and_nothing_else_counts() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/sunset_sky.jpg");
    let reading = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
    let said = sign_off(&read(&path, &reading).expect("read"), &SignOffOptions::default());
    let counted: Vec<_> = said.suspects.iter().filter(|s| s.counts).collect();
    assert_eq!((said.verdict, counted.len()), (Verdict::Suspects, 2), "{counted:?}");
    for (x, y) in [(1083.8, 109.4), (185.4, 502.7)] {
        let near = counted.iter().any(|s| (s.at.x - x).hypot(s.at.y - y) < 1.5);
        assert!(near, "none at {x}, {y}: {counted:?}");
    }
}
