//! Sign-off held against pictures whose content is known.

use motelight_frame::{Digest, Encoding, Frame, Layout, Mask, NoiseModel, Plane, Shot, Size, Tone};
use motelight_motes::Viewing;
use motelight_motes::signoff::{Cause, SignOff, SignOffOptions, Verdict, sign_off};
use motelight_synth::random::Random;

const SIZE: Size = Size { width: 1200, height: 800 };

/// A plain sky with grain of half a per cent, each colour dimmed by `left`, the share of light left at a place.
fn looked_over(viewing: Viewing, left: impl Fn(f64, f64) -> [f64; 3]) -> SignOff {
    let mut planes = vec![Plane::filled(SIZE, 0.0f32); 3];
    for y in 0..SIZE.height {
        let mut random = Random::new(5, y as u64);
        for x in 0..SIZE.width {
            let grain = 1.0 + 0.005 * random.normal_pair().0;
            let ground = 0.5 * (0.9 + 0.1 * x as f32 / SIZE.width as f32);
            let part = left(x as f64 + 0.5, y as f64 + 0.5);
            for (plane, part) in planes.iter_mut().zip(part) {
                plane.set(x, y, ground * grain * part as f32);
            }
        }
    }
    let tone = Tone::new((0..256).map(|c| c as f32 / 255.0).collect()).expect("rising");
    let frame = Frame {
        planes,
        layout: Layout::Rgb,
        encoding: Encoding::Tones(vec![tone; 3]),
        luminance: [0.2126, 0.7152, 0.0722],
        noise: vec![NoiseModel { shot: 0.0, read: 1e-5 }; 3],
        mask: Mask(Plane::filled(SIZE, 0)),
        shot: Shot::unknown(SIZE),
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
