//! The files, read back by readers that are not ours.

use std::io::Cursor;
use std::ops::Range;
use std::sync::Arc;

use exif::{In, Tag};
use motelight_synth::scene::Wall;
use motelight_synth::write::{Chroma, Compression, Depth, Endian};
use motelight_synth::{
    Borders, Camera, Canvas, Cfa, Exposure, Format, Glass, Lens, Mode, Mote, Shape, Shot, Tone, develop, encode, truth,
};

/// A small picture with a mote, borders, an odd size and a sideways camera.
fn exposure(cfa: &str) -> Exposure {
    let mut camera = Camera::new(358, 302, 4.36);
    camera.cfa = Cfa::new(cfa).expect("a square pattern");
    camera.borders = Borders { masked_left: 10, masked_top: 6, lit: 4 };
    let mut shot = Shot::new(16.0, 11);
    shot.orientation = 6;
    shot.exposure_s = 1.0 / 125.0;
    let mote = Mote { id: 3, at_mm: [0.21, -0.13], shape: Shape::Grain { diameter_um: 60.0 }, stand_off_mm: None };
    let wall = Canvas::Wall(Wall::even([358, 302], 0.5));
    Exposure::new(camera, Lens::new(60.0), shot, vec![mote], Mode::PupilIntegral, wall)
}

fn bytes(exposure: &Exposure, format: Format) -> Vec<u8> {
    encode(exposure, format, Glass::AsItIs).expect("it encodes").bytes
}

#[test]
fn a_raw_reader_finds_every_sample_where_it_was_put() {
    // The last is a pattern of six by six, as some cameras have it.
    for pattern in ["RGGB", "GBRG", "GGRGGBGGBGGRBRGRBGGGBGGRGGRGGBRBGBRG"] {
        let exposure = exposure(pattern);
        let mosaic = exposure.mosaic(Glass::AsItIs);
        for compression in [Compression::None, Compression::Lossless] {
            for format in [
                Format::Dng(compression, Endian::Little),
                Format::Dng(compression, Endian::Big),
                Format::DngWithPreview(compression, Endian::Little),
            ] {
                let file = bytes(&exposure, format);
                let source = rawler::rawsource::RawSource::new_from_shared_vec(Arc::new(file));
                let decoder = rawler::get_decoder(&source).expect("a decoder");
                let raw = decoder.raw_image(&source, &Default::default(), false).expect("an image");
                let rawler::RawImageData::Integer(samples) = &raw.data else { panic!("integer samples expected") };
                assert_eq!((raw.width, raw.height), (mosaic.width, mosaic.height));
                assert!(samples[..] == mosaic.samples[..], "{format:?}: samples differ");
                let crop = raw.crop_area.expect("a crop");
                assert_eq!((crop.p.x, crop.p.y, crop.d.w, crop.d.h), (14, 10, 358, 302));
                let active = raw.active_area.expect("an active area");
                assert_eq!((active.p.x, active.p.y), (10, 6));
                assert_eq!(raw.whitelevel.0, vec![16_000]);
                let facts = decoder.raw_metadata(&source, &Default::default()).expect("metadata");
                assert_eq!((facts.make.as_str(), facts.model.as_str()), ("Halden", "Halden H2"));
                assert_eq!(facts.exif.serial_number.as_deref(), Some("H2-004217"));
                assert_eq!(facts.exif.orientation, Some(6));
                let number = facts.exif.fnumber.expect("an f-number");
                assert!((f64::from(number.n) / f64::from(number.d) - 16.0).abs() < 1e-6);
            }
        }
    }
}

#[test]
fn a_tiff_reader_finds_every_sample() {
    let exposure = exposure("RGGB");
    for (depth, endian) in
        [(Depth::Eight, Endian::Big), (Depth::Sixteen, Endian::Little), (Depth::Sixteen, Endian::Big)]
    {
        let picture = encode(&exposure, Format::Tiff(depth, endian, Tone::Srgb), Glass::AsItIs).expect("it encodes");
        let seen = picture.seen.expect("a rendered picture");
        let mut reader = tiff::decoder::Decoder::new(Cursor::new(&picture.bytes)).expect("a TIFF");
        assert_eq!(reader.dimensions().expect("a size"), (358, 302));
        match reader.read_image().expect("pixels") {
            tiff::decoder::DecodingResult::U8(samples) => assert!(samples == seen.to_8_bit()),
            tiff::decoder::DecodingResult::U16(samples) => assert!(samples == seen.samples),
            _ => panic!("unexpected sample type"),
        }
    }
}

#[test]
fn a_png_reader_finds_every_sample() {
    let exposure = exposure("RGGB");
    for depth in [Depth::Eight, Depth::Sixteen] {
        let picture = encode(&exposure, Format::Png(depth, Tone::Srgb), Glass::AsItIs).expect("it encodes");
        let seen = picture.seen.expect("a rendered picture");
        let mut reader = png::Decoder::new(Cursor::new(&picture.bytes)).read_info().expect("a PNG");
        let mut samples = vec![0; reader.output_buffer_size().expect("a size")];
        reader.next_frame(&mut samples).expect("pixels");
        let expected: Vec<u8> = match depth {
            Depth::Eight => seen.to_8_bit(),
            Depth::Sixteen => seen.samples.iter().flat_map(|v| v.to_be_bytes()).collect(),
        };
        assert!(samples == expected, "{depth:?}");
    }
}

/// The embedded profile says the power by which the codes were made.
#[test]
fn a_colour_library_reads_the_tone_out_of_the_profile() {
    let exposure = exposure("RGGB");
    for (tone, light) in [(Tone::Power, 0.5f32.powf(1.8)), (Tone::Srgb, 0.214_041)] {
        let file = bytes(&exposure, Format::Png(Depth::Sixteen, tone));
        let reader = png::Decoder::new(Cursor::new(&file)).read_info().expect("a PNG");
        let profile = reader.info().icc_profile.as_deref().expect("a profile");
        let profile = moxcms::ColorProfile::new_from_slice(profile).expect("a readable profile");
        let curve = profile.green_trc.expect("a curve").make_linear_evaluator().expect("an evaluator");
        assert!((curve.evaluate_value(0.5) - light).abs() < 1e-3, "{tone:?}: {}", curve.evaluate_value(0.5));
    }
}

#[test]
fn an_exif_reader_finds_the_facts_of_the_shot() {
    let exposure = exposure("RGGB");
    let formats = [
        Format::Dng(Compression::None, Endian::Little),
        Format::Dng(Compression::Lossless, Endian::Big),
        Format::DngWithPreview(Compression::Lossless, Endian::Little),
        Format::Tiff(Depth::Sixteen, Endian::Big, Tone::Srgb),
        Format::Png(Depth::Eight, Tone::Power),
        Format::Jpeg(92, Chroma::Halved, Tone::Camera),
    ];
    for format in formats {
        let file = bytes(&exposure, format);
        let read = exif::Reader::new().read_from_container(&mut Cursor::new(&file)).expect("Exif");
        let text = |tag| read.get_field(tag, In::PRIMARY).map(|f| f.display_value().to_string()).unwrap_or_default();
        assert_eq!(text(Tag::Model), "\"Halden H2\"", "{format:?}");
        assert_eq!(text(Tag::BodySerialNumber), "\"H2-004217\"");
        assert_eq!(text(Tag::LensModel), "\"Ornell 50mm f/2\"");
        assert_eq!(text(Tag::FNumber), "16");
        assert_eq!(text(Tag::ExposureTime), "1/125");
        assert_eq!(text(Tag::PhotographicSensitivity), "100");
        assert_eq!(text(Tag::FocalLength), "50");
        assert_eq!(text(Tag::DateTimeOriginal), "2024-05-14 10:30:00");
        assert_eq!(text(Tag::FocalPlaneResolutionUnit), "cm");
        let field = read.get_field(Tag::FocalPlaneXResolution, In::PRIMARY).expect("a resolution");
        let exif::Value::Rational(per_cm) = &field.value else { panic!("a fraction expected") };
        assert!((10_000.0 / per_cm[0].to_f64() - 4.36).abs() < 1e-5);
        assert_eq!(read.get_field(Tag::Orientation, In::PRIMARY).and_then(|f| f.value.get_uint(0)), Some(6));
    }
}

/// The loss read out of the files at the place told is the loss told.
#[test]
fn every_file_shows_the_mote_where_the_truth_says() {
    let exposure = exposure("GRBG");
    for format in [Format::Tiff(Depth::Sixteen, Endian::Little, Tone::Srgb), Format::Jpeg(95, Chroma::Full, Tone::Srgb)]
    {
        let picture = encode(&exposure, format, Glass::AsItIs).expect("it encodes");
        let clean = encode(&exposure, format, Glass::Clean).expect("it encodes").seen.expect("pixels");
        let seen = picture.seen.expect("pixels");
        let told = truth(&exposure, Some((&seen, Tone::Srgb)), None);
        let mote = &told.motes[0];
        let green = |picture: &motelight_synth::Rendered| {
            let mut sum = 0.0;
            for y in mote.y_px as usize - 2..mote.y_px as usize + 3 {
                for x in mote.x_px as usize - 2..mote.x_px as usize + 3 {
                    let code = f32::from(picture.samples[(y * picture.width + x) * 3 + 1]) / 65535.0;
                    sum += motelight_synth::tone::srgb_decode(code);
                }
            }
            f64::from(sum)
        };
        let depth = 1.0 - green(&seen) / green(&clean);
        assert!((depth - mote.depth).abs() < 0.01, "{format:?}: {depth} against {}", mote.depth);
        assert!(mote.snr > 20.0 && mote.snr < mote.snr_independent * 1.3, "{} {}", mote.snr, mote.snr_independent);
    }
}

/// Light-shielded photosites beside the picture are no neighbours to a converter.
#[test]
fn shielded_photosites_do_not_darken_the_rim_of_a_converted_picture() {
    let mut exposure = exposure("RGGB");
    exposure.camera.borders = Borders { masked_left: 9, masked_top: 5, lit: 0 };
    let picture = develop(&exposure.camera, &exposure.mosaic(Glass::Clean), Tone::Srgb);
    let mean = |xs: Range<usize>, ys: Range<usize>, colour: usize| {
        let codes = ys.flat_map(|y| xs.clone().map(move |x| (y * picture.width + x) * 3 + colour));
        let codes: Vec<f64> = codes.map(|i| f64::from(picture.samples[i])).collect();
        codes.iter().sum::<f64>() / codes.len() as f64
    };
    for colour in 0..3 {
        let (top, left) = (mean(0..358, 0..1, colour), mean(0..1, 0..302, colour));
        let (below, beside) = (mean(0..358, 4..8, colour), mean(4..8, 0..302, colour));
        assert!((top / below - 1.0).abs() < 0.02, "colour {colour}: {top} against {below}");
        assert!((left / beside - 1.0).abs() < 0.02, "colour {colour}: {left} against {beside}");
    }
}

/// With the same seed the noise is the same, with motes and without: away from the shadow not one code differs.
#[test]
fn a_clean_glass_changes_nothing_away_from_the_shadow() {
    let exposure = exposure("RGGB");
    let (dirty, clean) = (exposure.mosaic(Glass::AsItIs), exposure.mosaic(Glass::Clean));
    let shadow = &exposure.shadows[0];
    let mut changed = 0;
    for (i, (a, b)) in dirty.samples.iter().zip(&clean.samples).enumerate() {
        let (x, y) = ((i % dirty.width) as i64 - 14, (i / dirty.width) as i64 - 10);
        let touched = shadow.loss_at(0, x, y) != 0.0 || shadow.loss_at(1, x, y) != 0.0;
        assert!(a == b || touched, "at {x}, {y}");
        changed += usize::from(a != b);
    }
    assert!(changed > 300);
}

/// The photon transfer relation of EMVA 1288: variance over mean of the electrons is 1, plus read noise.
#[test]
fn noise_follows_the_photon_transfer_relation() {
    let mut exposure = exposure("RGGB");
    exposure.shadows.clear();
    exposure.camera.prnu = 0.0;
    (exposure.camera.hot_per_million, exposure.camera.dead_per_million) = (0.0, 0.0);
    exposure.lens.falloff = 0.0;
    let mosaic = exposure.mosaic(Glass::Clean);
    let camera = &exposure.camera;
    let gain = f64::from(camera.white - camera.black) / camera.full_well_e;
    for colour in 0..3 {
        let samples: Vec<f64> = (0..camera.width * camera.height)
            .map(|i| (i % camera.width + 14, i / camera.width + 10))
            .filter(|&(x, y)| camera.cfa.colour(x, y) == colour)
            .map(|(x, y)| (f64::from(mosaic.samples[y * mosaic.width + x]) - f64::from(camera.black)) / gain)
            .collect();
        let n = samples.len() as f64;
        let mean = samples.iter().sum::<f64>() / n;
        let variance = samples.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n;
        let expected = mean + camera.read_noise_e.powi(2) + 1.0 / (12.0 * gain * gain);
        assert!((mean / (0.5 * camera.full_well_e * camera.neutral[colour]) - 1.0).abs() < 0.002);
        assert!((variance / expected - 1.0).abs() < 5.0 * (2.0 / n).sqrt(), "{variance} against {expected}");
    }
}
