//! The shadows against laws and against values from outside.

use std::f64::consts::PI;

use motelight_synth::optics::{Shadow, View, shadow};
use motelight_synth::{Blades, Camera, Lens, Mode, Mote, Rim, Shape};

const MODES: [Mode; 2] = [Mode::PupilIntegral, Mode::Fresnel];

/// A far pupil: nothing is enlarged, so that tables made for parallel light apply.
fn far_lens() -> Lens {
    Lens::new(1e7)
}

/// A camera with photosites fine enough to read profiles from.
fn fine_camera(stand_off_mm: f64) -> Camera {
    let mut camera = Camera::new(801, 801, 1.0);
    camera.stand_off_mm = stand_off_mm;
    camera
}

fn thrown(camera: &Camera, lens: &Lens, f_number: f64, mode: Mode, at_mm: [f64; 2], shape: Shape) -> Shadow {
    let view = View { camera, lens, f_number, mode, fineness: 1 };
    shadow(&view, &Mote { id: 0, at_mm, shape, stand_off_mm: None })
}

fn disc(a: f64, h: f64, n: f64, mode: Mode) -> Shadow {
    thrown(&fine_camera(h), &far_lens(), n, mode, [0.0, 0.0], Shape::Grain { diameter_um: a })
}

/// Mean loss over a ring of pixels about the centre, radius in px (here micrometres).
fn at_radius(s: &Shadow, colour: usize, radius: f64) -> f64 {
    let ring = (0..64).map(|i| {
        let angle = f64::from(i) * PI / 32.0;
        let (x, y) = (s.centre_px[0] + radius * angle.cos(), s.centre_px[1] + radius * angle.sin());
        f64::from(s.loss_at(colour, x.floor() as i64, y.floor() as i64))
    });
    ring.sum::<f64>() / 64.0
}

/// Loss summed within a radius, px.
fn within(s: &Shadow, colour: usize, radius: f64) -> f64 {
    let mut sum = 0.0;
    for row in 0..s.height {
        for column in 0..s.width {
            let (x, y) = ((s.x + column as i64) as f64 + 0.5, (s.y + row as i64) as f64 + 0.5);
            if (x - s.centre_px[0]).hypot(y - s.centre_px[1]) <= radius {
                sum += f64::from(s.loss[colour][row * s.width + column]);
            }
        }
    }
    sum
}

fn total(s: &Shadow, colour: usize) -> f64 {
    s.loss[colour].iter().map(|&v| f64::from(v)).sum()
}

/// Overlap of two circles (Weisstein, "Circle-Circle Intersection", MathWorld), as the values a = 30, b = 75 and
/// a = 100, b = 75 micrometres give: radius, loss.
#[test]
fn straight_rays_give_the_overlap_of_two_circles() {
    let small = [
        (0.0, 0.16),
        (20.0, 0.16),
        (25.0, 0.152082),
        (30.0, 0.123493),
        (37.5, 0.073182),
        (45.0, 0.027428),
        (54.0, 0.0),
    ];
    let large = [(0.0, 1.0), (11.0, 1.0), (25.0, 0.834888), (50.0, 0.419249), (75.0, 0.085243), (89.0, 0.0)];
    for (a, table) in [(30.0, small.as_slice()), (100.0, large.as_slice())] {
        let s = disc(a, 1.2, 16.0, Mode::PupilIntegral);
        for &(radius, loss) in table {
            let got = at_radius(&s, 1, radius);
            assert!((got - loss).abs() < 0.0025, "a = {a}, r = {radius}: {got} against {loss}");
        }
    }
}

/// The blocked light is the same at every f-number: the integral of the loss is the area times s^2.
#[test]
fn no_light_is_lost_or_made_at_any_f_number() {
    let camera = fine_camera(1.2);
    let lens = Lens::new(60.0);
    let scale = 1.0 / (1.0 - 1.2 / 60.0);
    for mode in MODES {
        for f_number in [2.8, 5.6, 11.0, 16.0, 22.0, 32.0] {
            for diameter_um in [8.0, 30.0] {
                let s = thrown(&camera, &lens, f_number, mode, [0.0, 0.0], Shape::Grain { diameter_um });
                let area = PI * diameter_um * diameter_um / 4.0 * scale * scale;
                for colour in 0..3 {
                    let error = total(&s, colour) / area - 1.0;
                    assert!(error.abs() < 0.01, "{mode:?} f/{f_number} a {diameter_um}: off by {error}");
                }
                assert!((s.blocked_area_um2 * scale * scale / area - 1.0).abs() < 0.01);
            }
        }
    }
}

/// Depth of a small disc behind a round pupil is (a / b)^2: it grows as N^2.
#[test]
fn shadows_deepen_as_the_aperture_closes() {
    for mode in MODES {
        let depths: Vec<f64> =
            [4.0, 5.6, 8.0, 11.0, 16.0, 22.0].map(|n| at_radius(&disc(30.0, 1.2, n, mode), 1, 0.0)).to_vec();
        assert!(depths.windows(2).all(|pair| pair[1] > pair[0]), "{mode:?}: {depths:?}");
    }
    for (n, depth) in [(4.0, 0.0100), (8.0, 0.0400), (16.0, 0.1600)] {
        let got = at_radius(&disc(30.0, 1.2, n, Mode::PupilIntegral), 1, 0.0);
        assert!((got - depth).abs() < 0.002, "f/{n}: {got} against {depth}");
    }
}

/// Light summed within a radius, in units of the disc's area: values of an independent wave computation in
/// another language (white light, a = 20 and h = 1000 micrometres, f/16).
#[test]
fn waves_leave_a_bright_ring_outside_the_geometric_edge() {
    let s = disc(20.0, 1.0, 16.0, Mode::Fresnel);
    let area = PI * 100.0;
    for (radius, sum) in [(25.0, 0.747), (31.0, 0.969), (41.0, 1.212), (60.0, 1.078), (80.0, 1.056), (120.0, 1.032)] {
        let got = within(&s, 1, radius) / area;
        assert!((got - sum).abs() < 0.035, "r = {radius}: {got} against {sum}");
    }
    assert!(at_radius(&s, 1, 50.0) < -0.001, "no bright ring");
}

/// Centre depths in single wavelengths, from the same independent computation: .119, .126 and .142 at 450, 550
/// and 650 nm for a = 20, h = 1000 micrometres, f/16.
#[test]
fn shadows_are_slightly_coloured() {
    let mut camera = fine_camera(1.0);
    camera.spectrum = [650.0, 550.0, 450.0].map(|nm| vec![(nm, 1.0)]);
    let s = thrown(&camera, &far_lens(), 16.0, Mode::Fresnel, [0.0; 2], Shape::Grain { diameter_um: 20.0 });
    for (colour, depth) in [0.142, 0.126, 0.119].into_iter().enumerate() {
        let got = at_radius(&s, colour, 0.0);
        assert!((got - depth).abs() < 0.004, "colour {colour}: {got} against {depth}");
    }
}

/// Centre depths by waves in white light, from the same independent computation: h, a, depth at f/16.
#[test]
fn centre_depths_by_waves_agree_with_an_independent_computation() {
    let table = [
        (0.7, 10.0, 0.1207),
        (0.7, 20.0, 0.337),
        (0.7, 40.0, 0.756),
        (0.7, 80.0, 0.939),
        (1.5, 10.0, 0.0193),
        (1.5, 40.0, 0.202),
        (1.5, 80.0, 0.773),
    ];
    for (h, a, depth) in table {
        let mut camera = fine_camera(h);
        camera.spectrum[1] = (0..7).map(|i| (430.0 + 40.0 * f64::from(i), 1.0 / 7.0)).collect();
        let s = thrown(&camera, &far_lens(), 16.0, Mode::Fresnel, [0.0; 2], Shape::Grain { diameter_um: a });
        let got = at_radius(&s, 1, 0.0);
        assert!((got / depth - 1.0).abs() < 0.08, "h {h}, a {a}: {got} against {depth}");
    }
}

/// What stops no light takes none away, yet shows: centre depths .066 and .080 for delays of a quarter and of half
/// a wave, from the same independent computation (a = 20, h = 1000 micrometres, f/16, 550 nm).
#[test]
fn a_clear_delaying_mote_shows_without_blocking() {
    let mut camera = fine_camera(1.0);
    camera.spectrum = [550.0; 3].map(|nm| vec![(nm, 1.0)]);
    for (phase, depth) in [(PI / 2.0, 0.066), (PI, 0.080)] {
        let shape = Shape::Translucent { diameter_um: 20.0, amplitude: 1.0, phase };
        let s = thrown(&camera, &far_lens(), 16.0, Mode::Fresnel, [0.0; 2], shape);
        let got = at_radius(&s, 1, 0.0);
        assert!((got - depth).abs() < 0.006, "delay {phase}: {got} against {depth}");
        assert!(total(&s, 1).abs() < 3.0, "it blocks {} square micrometres", total(&s, 1));
    }
}

/// Large motes throw nearly the same shadow by rays and by waves.
#[test]
fn both_ways_agree_on_large_motes() {
    for (a, limit) in [(80.0, 0.12), (160.0, 0.10)] {
        let rays = disc(a, 1.5, 16.0, Mode::PupilIntegral);
        let waves = disc(a, 1.5, 16.0, Mode::Fresnel);
        for radius in (0..140).step_by(5) {
            let (ray, wave) = (at_radius(&rays, 1, f64::from(radius)), at_radius(&waves, 1, f64::from(radius)));
            assert!((ray - wave).abs() < limit, "a {a}, r {radius}: {ray} and {wave}");
        }
    }
}

/// A small mote shows the pupil upside down, by rays and by waves alike: a pentagon's image is not the same upside
/// down, so the two ways correlate, and do not with one of them turned.
#[test]
fn both_ways_show_the_pupil_the_same_way_round() {
    let camera = Camera::new(400, 400, 4.36);
    let mut lens = Lens::new(60.0);
    lens.blades = Some(Blades { count: 5, rotation: 0.3 });
    let [rays, waves] =
        MODES.map(|mode| thrown(&camera, &lens, 5.6, mode, [0.00218; 2], Shape::Grain { diameter_um: 30.0 }));
    let correlation = |turn: i64| {
        let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
        for y in 150..251 {
            for x in 150..251 {
                let (u, v) = (200 + turn * (x - 200), 200 + turn * (y - 200));
                let (a, b) = (f64::from(rays.loss_at(1, x, y)), f64::from(waves.loss_at(1, u, v)));
                (ab, aa, bb) = (ab + a * b, aa + a * a, bb + b * b);
            }
        }
        ab / (aa * bb).sqrt()
    };
    let (same, turned) = (correlation(1), correlation(-1));
    assert!(same > 0.98 && same > turned + 0.02, "{same} the same way round, {turned} turned");
}

/// A mirrored mote throws a mirrored shadow.
#[test]
fn mirrored_motes_throw_mirrored_shadows() {
    let camera = Camera::new(2000, 2000, 4.36);
    // By waves the windows may differ by a pixel, beyond which the last of the ring is cut off.
    for (mode, limit) in [(Mode::PupilIntegral, 1e-5), (Mode::Fresnel, 4e-4)] {
        let at = [1.3, -0.8];
        let grain = || Shape::Grain { diameter_um: 25.0 };
        let one = thrown(&camera, &Lens::new(70.0), 16.0, mode, at, grain());
        let other = thrown(&camera, &Lens::new(70.0), 16.0, mode, [-at[0], -at[1]], grain());
        for row in 0..one.height as i64 {
            for column in 0..one.width as i64 {
                let (x, y) = (one.x + column, one.y + row);
                let (a, b) = (one.loss_at(1, x, y), other.loss_at(1, 1999 - x, 1999 - y));
                assert!((a - b).abs() < limit, "{mode:?} at {x}, {y}: {a} and {b}");
            }
        }
    }
}

/// A shadow falls outward of its mote by 1 / (1 - h / P), and a pupil shifted by v moves it by
/// -v h / (P - h): c = 5 mm, P = 60, h = 1.5, v = 11 gives 4.846154 mm by ray tracing.
#[test]
fn a_shifted_lens_moves_shadows_the_other_way() {
    let mut camera = Camera::new(4000, 400, 4.0);
    camera.stand_off_mm = 1.5;
    let mut lens = Lens::new(60.0);
    lens.shift_mm = [11.0, 0.0];
    for mode in MODES {
        let s = thrown(&camera, &lens, 16.0, mode, [5.0, 0.0], Shape::Grain { diameter_um: 20.0 });
        let at_mm = (s.centre_px[0] - 2000.0) * 0.004;
        assert!((at_mm - 4.846154).abs() < 1e-4, "{at_mm}");
        // And the light that is lost is where the truth says.
        let mut sum = 0.0;
        for (i, &loss) in s.loss[1].iter().enumerate() {
            sum += f64::from(loss) * ((s.x + (i % s.width) as i64) as f64 + 0.5);
        }
        let centroid = sum / total(&s, 1);
        assert!((centroid - s.centre_px[0]).abs() < 0.08, "{mode:?}: {centroid} against {}", s.centre_px[0]);
    }
}

/// Projection through a random point of the pupil, ray by ray: the mean over many rays is the shadow.
#[test]
fn traced_rays_agree_with_the_pupil_integral() {
    let mut camera = Camera::new(1000, 1000, 4.36);
    camera.stand_off_mm = 1.5;
    let mut lens = Lens::new(60.0);
    lens.blades = Some(Blades { count: 5, rotation: 0.3 });
    lens.shift_mm = [2.0, -1.0];
    let (at, radius) = ([0.4f64, -0.3f64], 0.03);
    let shape = Shape::Grain { diameter_um: 2000.0 * radius };
    let s = thrown(&camera, &lens, 16.0, Mode::PupilIntegral, at, shape);
    // Corners of a pentagon with the area of the round pupil.
    let pupil_radius = 60.0 / 32.0;
    let corner = pupil_radius * (2.0 * PI / (5.0 * (2.0 * PI / 5.0).sin())).sqrt();
    let inside = |x: f64, y: f64| {
        (0..5).all(|i| {
            let turn = 0.3 + PI / 5.0 * f64::from(2 * i + 1);
            x * turn.cos() + y * turn.sin() < corner * (PI / 5.0).cos()
        })
    };
    let mut random = motelight_synth::random::Random::new(5, 5);
    let middle = s.centre_px.map(f64::floor);
    for (dx, dy) in [(0.0, 0.0), (7.0, 0.0), (-7.0, 3.0), (0.0, 9.0), (4.0, -9.0), (11.0, 11.0)] {
        let (mut hits, mut rays) = (0.0, 0.0);
        while rays < 60_000.0 {
            let u = [random.between(-corner, corner), random.between(-corner, corner)];
            if !inside(u[0], u[1]) {
                continue;
            }
            rays += 1.0;
            let on_glass: [f64; 2] = std::array::from_fn(|i| {
                let pixel = middle[i] + [dx, dy][i] + random.unit();
                let x = (pixel - 500.0) * 0.00436;
                x + 1.5 / 60.0 * (u[i] + lens.shift_mm[i] - x)
            });
            if (on_glass[0] - at[0]).hypot(on_glass[1] - at[1]) < radius {
                hits += 1.0;
            }
        }
        let traced = hits / rays;
        let got = f64::from(s.loss_at(1, (middle[0] + dx) as i64, (middle[1] + dy) as i64));
        assert!((got - traced).abs() < 0.008, "at {dx}, {dy}: {got} against {traced}");
    }
}

/// A rim that cuts the pupil makes the shadow narrower and deeper; the blocked area stays.
#[test]
fn a_cut_pupil_makes_a_smaller_deeper_shadow() {
    let camera = Camera::new(4000, 3000, 4.36);
    let round = Lens::new(60.0);
    let mut cut = round.clone();
    cut.rim = Some(Rim { radius_mm: 1.9, slide: 0.25 });
    for mode in MODES {
        let shape = || Shape::Grain { diameter_um: 30.0 };
        let (whole, less) = (
            thrown(&camera, &round, 16.0, mode, [7.0, 5.0], shape()),
            thrown(&camera, &cut, 16.0, mode, [7.0, 5.0], shape()),
        );
        let deepest = |s: &Shadow| s.loss[1].iter().copied().fold(0.0, f32::max);
        assert!(deepest(&less) > 1.2 * deepest(&whole), "{mode:?}");
        assert!((total(&less, 1) / total(&whole, 1) - 1.0).abs() < 0.02, "{mode:?}");
    }
}
