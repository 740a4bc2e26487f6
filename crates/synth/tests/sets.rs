//! Truth, test frames, views.

use motelight_synth::scene::{View, Wall};
use motelight_synth::sets::{Fault, FrameSpec, PictureSpec, picture, test_frame};
use motelight_synth::tone::srgb_decode;
use motelight_synth::{
    Camera, Canvas, Depth, Exposure, Format, Glass, Lens, Mode, Mote, Shape, Shot, Tone, encode, truth, write::Endian,
};

/// A small even frame with one mote in its middle, and room for noise around it.
fn small(seed: u64, diameter_um: f64) -> Exposure {
    let mut camera = Camera::new(160, 160, 5.0);
    (camera.prnu, camera.hot_per_million, camera.dead_per_million) = (0.0, 0.0, 0.0);
    camera.full_well_e = 12_000.0;
    let mote = Mote { id: 1, at_mm: [0.01, 0.02], shape: Shape::Grain { diameter_um }, stand_off_mm: None };
    let wall = Canvas::Wall(Wall::even([160, 160], 0.5));
    Exposure::new(camera, Lens::new(60.0), Shot::new(16.0, seed), vec![mote], Mode::PupilIntegral, wall)
}

fn mean_and_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (mean, (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}

/// Signal to noise ratio of a matched filter: its mean response over the spread of its response, over many pictures
/// that differ in nothing but noise (Kay, "Fundamentals of Statistical Signal Processing", vol. 2, section 4.3).
#[test]
fn a_matched_filter_gets_the_ratio_told_for_raw() {
    let told = truth(&small(1, 20.0), None, None).motes[0].snr;
    let responses: Vec<f64> = (0..250)
        .map(|seed| {
            let exposure = small(seed, 20.0);
            let mosaic = exposure.mosaic(Glass::AsItIs);
            let camera = &exposure.camera;
            let gain = f64::from(camera.white - camera.black) / camera.full_well_e;
            let mut response = 0.0;
            for (i, &sample) in mosaic.samples.iter().enumerate() {
                let (x, y) = (i % 160, i / 160);
                let colour = camera.cfa.colour(x, y);
                let full = camera.full_well_e * camera.neutral[colour];
                let mean = f64::from(exposure.light(x as i64, y as i64)[colour]) * full;
                let got = (f64::from(sample) - f64::from(camera.black)) / gain;
                let loss = f64::from(exposure.shadows[0].loss_at(colour, x as i64, y as i64));
                response += mean * loss * (mean - got) / (mean + camera.read_noise_e.powi(2));
            }
            response
        })
        .collect();
    let (mean, sd) = mean_and_sd(&responses);
    // The spread of 250 responses is known to 4.5 %.
    assert!((mean / sd / told - 1.0).abs() < 0.14, "{} against {told}", mean / sd);
}

#[test]
fn a_matched_filter_gets_the_ratio_told_for_rendered_files() {
    let format = Format::Tiff(Depth::Sixteen, Endian::Little, Tone::Srgb);
    let (mut responses, mut told) = (Vec::new(), Vec::new());
    for seed in 0..200 {
        let exposure = small(seed, 20.0);
        let seen = encode(&exposure, format, Glass::AsItIs).expect("it encodes").seen.expect("pixels");
        if seed < 20 {
            told.push(truth(&exposure, Some((&seen, Tone::Srgb)), None).motes[0].snr);
        }
        let mut response = 0.0;
        for (i, pixel) in seen.samples.chunks_exact(3).enumerate() {
            let (x, y) = ((i % 160) as i64, (i / 160) as i64);
            let code = |c: usize| srgb_decode(f32::from(pixel[c]) / 65535.0);
            let luminance = 0.2126 * code(0) + 0.7152 * code(1) + 0.0722 * code(2);
            let clean = exposure.light(x, y)[1];
            response += f64::from(exposure.shadows[0].loss_at(1, x, y) * (1.0 - luminance / clean));
        }
        responses.push(response);
    }
    let ((mean, sd), (told, _)) = (mean_and_sd(&responses), mean_and_sd(&told));
    assert!((mean / sd / told - 1.0).abs() < 0.2, "{} against {told}", mean / sd);
}

#[test]
fn the_same_seed_gives_the_same_file_and_another_gives_another() {
    let frame = |seed| {
        let spec = FrameSpec { width: 240, height: 160, ..FrameSpec::new(seed, 3) };
        encode(&test_frame(&spec), motelight_synth::sets::format(0), Glass::AsItIs).expect("it encodes").bytes
    };
    assert!(frame(4) == frame(4));
    assert!(frame(4) != frame(5));
}

#[test]
fn motes_of_a_test_frame_lie_inside_it_and_have_the_sizes_told() {
    let spec = FrameSpec { width: 900, height: 600, ..FrameSpec::new(8, 40) };
    let exposure = test_frame(&spec);
    let told = truth(&exposure, None, None);
    assert!(told.motes.len() >= 38);
    for (mote, truth) in exposure.motes.iter().zip(&told.motes) {
        if let Shape::Grain { diameter_um } | Shape::Irregular { diameter_um, .. } = mote.shape {
            let error = truth.equivalent_diameter_um / diameter_um - 1.0;
            assert!(error.abs() < 0.02, "{diameter_um} um told as {}", truth.equivalent_diameter_um);
            assert!((5.0..=100.0).contains(&diameter_um));
        }
        let mm = [truth.x_px - 450.0, truth.y_px - 300.0].map(|px| px * told.pitch_um / 1000.0);
        assert!((mm[0] - truth.x_mm).abs() < 1e-9 && (mm[1] - truth.y_mm).abs() < 1e-9);
    }
}

#[test]
fn every_fault_has_a_code_of_its_own() {
    let codes: std::collections::BTreeSet<&str> = Fault::ALL.iter().map(|fault| fault.code()).collect();
    assert_eq!(codes.len(), Fault::ALL.len());
}

/// Exif 2.32, orientation: 6 has the stored first row at the right side of the picture, 8 at its left side.
#[test]
fn a_view_held_sideways_is_the_upright_view_turned() {
    let upright = View::Harbour.paint(120, 180, 1, 2);
    for orientation in [6, 8] {
        let stored = View::Harbour.paint(180, 120, orientation, 2);
        assert_eq!((stored.width, stored.height), (180, 120));
        for (row, column) in [(0, 0), (0, 179), (119, 0), (50, 70)] {
            let (x, y) = if orientation == 6 { (119 - row, column) } else { (row, 179 - column) };
            assert_eq!(stored.light[row * 180 + column], upright.light[y * 120 + x], "{orientation}: {row}, {column}");
        }
    }
}

#[test]
fn views_are_neither_black_nor_burnt() {
    for view in View::ALL {
        let painting = view.paint(180, 120, 1, 5);
        let mean: f32 = painting.light.iter().map(|light| light[1]).sum::<f32>() / painting.light.len() as f32;
        assert!((0.05..0.7).contains(&mean), "{view:?}: mean {mean}");
        let burnt = painting.light.iter().filter(|light| light[1] >= 1.0).count();
        assert!(burnt * 50 < painting.light.len(), "{view:?}: {burnt} pixels at full scale");
        assert!(painting.light.iter().flatten().all(|v| v.is_finite() && *v >= 0.0), "{view:?}");
    }
}

#[test]
fn pictures_share_the_dust_of_their_body() {
    let body = FrameSpec { width: 300, height: 200, ..FrameSpec::new(3, 12) };
    let spec = PictureSpec { absent: vec![2, 5], ..PictureSpec::new(View::ClearSky, 9, 11.0) };
    let (frame, taken) = (test_frame(&body), picture(&body, &spec));
    assert_eq!(taken.motes.len(), 10);
    assert!(taken.motes.iter().all(|mote| frame.motes.contains(mote) && mote.id != 2 && mote.id != 5));
    assert_eq!(frame.camera.serial, taken.camera.serial);
}
