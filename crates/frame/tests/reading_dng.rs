//! DNG files of every structure that matters, built byte by byte after the specification (DNG 1.7).

mod reading;

use motelight_frame::{Colour, Encoding, Fault, Layout, Mask, Micrometres, PitchSource, Size};
use rawler::ljpeg92::LjpegCompressor;
use reading::tiff_file::{Directory, Value, file};
use reading::{dng, read_bytes};

const WIDTH: u32 = 48;
const HEIGHT: u32 = 32;

/// A code that tells its own place.
fn code(x: usize, y: usize) -> u16 {
    (1000 + 100 * y + x) as u16
}

fn codes() -> Vec<u16> {
    (0..HEIGHT as usize).flat_map(|y| (0..WIDTH as usize).map(move |x| code(x, y))).collect()
}

fn plain() -> Directory {
    dng(WIDTH, HEIGHT, &codes(), false)
}

fn cropped(directory: Directory) -> Directory {
    directory
        // top, left, bottom, right; then x, y from there
        .with(50829, Value::Long(vec![3, 6, 31, 47]))
        .with(50719, Value::Long(vec![4, 2]))
        .with(50720, Value::Long(vec![30, 20]))
}

#[test]
fn the_default_crop_is_relative_to_the_active_area_and_x_comes_first() {
    let frame = read_bytes("a.dng", &file(false, &cropped(plain()))).expect("read");
    assert_eq!(frame.size(), Size { width: 30, height: 20 });
    assert_eq!((frame.shot.crop.x, frame.shot.crop.y), (10, 5));
    assert_eq!(frame.shot.recorded, Size { width: 48, height: 32 });
    for (x, y) in [(0, 0), (29, 0), (0, 19), (29, 19), (7, 13)] {
        let light = f32::from(code(x + 10, y + 5)) / 65535.0;
        assert!((frame.planes[0].at(x, y) - light).abs() < 1e-6, "{x} {y}");
        assert_eq!(frame.encoding.encode(0, x, y, frame.planes[0].at(x, y)), code(x + 10, y + 5));
    }
}

#[test]
fn mosaic_and_black_levels_start_at_the_active_area() {
    // Active area from (6, 3), crop from (10, 6): four columns and three rows further on.
    let directory = cropped(plain())
        .with(50719, Value::Long(vec![4, 3]))
        .with(50713, Value::Short(vec![2, 2]))
        .with(50714, Value::Rational(vec![(100, 1), (201, 2), (300, 1), (400, 1)]))
        .with(50717, Value::Long(vec![10_000]));
    let frame = read_bytes("a.dng", &file(false, &directory)).expect("read");
    let Layout::Mosaic(cfa) = &frame.layout else { panic!("no mosaic") };
    assert_eq!((cfa.colour(0, 0), cfa.colour(1, 0)), (Colour::Green, Colour::Blue));
    assert_eq!((cfa.colour(0, 1), cfa.colour(1, 1)), (Colour::Red, Colour::Green));
    let Encoding::Levels { black, white, .. } = &frame.encoding else { panic!("no levels") };
    assert_eq!((black.as_slice(), *white), (&[300.0, 400.0, 100.0, 100.5][..], 10_000.0));
    let light = (f32::from(code(11, 7)) - 100.5) / (10_000.0 - 100.5);
    assert!((frame.planes[0].at(1, 1) - light).abs() < 1e-6);
}

#[test]
fn without_a_crop_the_active_area_is_the_picture() {
    let directory = plain().with(50829, Value::Long(vec![2, 4, 30, 44]));
    let frame = read_bytes("a.dng", &file(false, &directory)).expect("read");
    assert_eq!(frame.size(), Size { width: 40, height: 28 });
    assert!((frame.planes[0].at(0, 0) - f32::from(code(4, 2)) / 65535.0).abs() < 1e-6);
}

#[test]
fn a_crop_past_the_picture_is_not_believed_and_said() {
    let directory = plain().with(50719, Value::Long(vec![40, 0])).with(50720, Value::Long(vec![30, 20]));
    let frame = read_bytes("a.dng", &file(false, &directory)).expect("read");
    assert_eq!(frame.size(), Size { width: 48, height: 32 });
    assert!(frame.notes.iter().any(|n| n.contains("default crop")));
}

/// The same codes in every way of storing them.
#[test]
fn every_way_of_storing_gives_the_same_codes() {
    let tile = |x0: usize, y0: usize| -> Vec<u16> {
        // Tiles run over the edge of the picture; what lies there is never seen.
        (0..32 * 32).map(|i| code((x0 + i % 32).min(47), (y0 + i / 32).min(31))).collect()
    };
    let tiled = |blocks: Vec<Vec<u8>>| {
        let counts = blocks.iter().map(|b| b.len() as u32).collect();
        let sized = plain().without(273).without(278).without(279);
        sized
            .with(322, Value::Long(vec![32]))
            .with(323, Value::Long(vec![32]))
            .with(324, Value::Blocks(blocks))
            .with(325, Value::Long(counts))
    };
    let corners = [(0, 0), (32, 0)];
    let lossless = |(x, y): (usize, usize)| {
        let codes = tile(x, y);
        LjpegCompressor::new(&codes, 16, 32, 2, 16, 1, 0, 0).expect("a tile").encode().expect("encoded")
    };
    let packed = |bits: usize, codes: &[u16]| {
        // Most significant bit first, whatever the byte order (TIFF 6.0, FillOrder 1).
        let mut bytes = vec![0u8; (codes.len() * bits).div_ceil(8)];
        for (i, c) in codes.iter().enumerate() {
            (0..bits).filter(|b| c >> (bits - 1 - b) & 1 == 1).for_each(|b| {
                let at = i * bits + b;
                bytes[at / 8] |= 0x80 >> (at % 8);
            });
        }
        bytes
    };
    let strips: Vec<Vec<u8>> =
        codes().chunks(48 * 10).map(|c| c.iter().flat_map(|c| c.to_le_bytes()).collect()).collect();
    let strip_counts: Vec<u32> = strips.iter().map(|s| s.len() as u32).collect();
    let short_counts = strip_counts.iter().map(|c| *c as u16).collect();
    let ways = [
        ("one strip", file(false, &plain())),
        ("big endian", file(true, &dng(WIDTH, HEIGHT, &codes(), true))),
        (
            "four strips",
            file(
                false,
                &plain()
                    .with(273, Value::Blocks(strips.clone()))
                    .with(278, Value::Long(vec![10]))
                    .with(279, Value::Long(strip_counts)),
            ),
        ),
        (
            "short counts",
            file(
                false,
                &plain()
                    .with(273, Value::Blocks(strips))
                    .with(278, Value::Short(vec![10]))
                    .with(279, Value::Short(short_counts)),
            ),
        ),
        ("lossless tiles", file(false, &tiled(corners.map(lossless).to_vec()).with(259, Value::Short(vec![7])))),
        (
            "plain tiles",
            file(
                false,
                &tiled(corners.map(|(x, y)| tile(x, y).iter().flat_map(|c| c.to_le_bytes()).collect()).to_vec()),
            ),
        ),
        (
            "14 bits packed",
            file(
                false,
                &plain()
                    .with(258, Value::Short(vec![14]))
                    .with(273, Value::Blocks(vec![packed(14, &codes())]))
                    .with(279, Value::Long(vec![packed(14, &codes()).len() as u32]))
                    .with(50717, Value::Long(vec![65535])),
            ),
        ),
        (
            "in a sub directory",
            file(
                false,
                &Directory::default()
                    .with(254, Value::Long(vec![1]))
                    .with(256, Value::Long(vec![2]))
                    .with(257, Value::Long(vec![2]))
                    .with(262, Value::Short(vec![2]))
                    .with(50706, Value::Byte(vec![1, 4, 0, 0]))
                    .with(330, Value::Directories(vec![plain().without(50706)])),
            ),
        ),
    ];
    for (name, bytes) in ways {
        let frame = read_bytes("a.dng", &bytes).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(frame.size(), Size { width: 48, height: 32 }, "{name}");
        for (x, y) in [(0, 0), (47, 31), (33, 10), (31, 9), (32, 30)] {
            let found = frame.encoding.encode(0, x, y, frame.planes[0].at(x, y));
            assert_eq!(found, code(x, y), "{name} at {x} {y}");
        }
    }
}

#[test]
fn a_six_by_six_mosaic_is_read_as_one() {
    // The pattern of sensors with twenty greens in thirty-six photosites.
    let pattern = b"GGRGGBGGBGGRBRGRBGGGBGGRGGRGGBRBGBRG";
    let digits = pattern.iter().map(|c| b"RGB".iter().position(|k| k == c).expect("R, G or B") as u8).collect();
    let directory = plain().with(33421, Value::Short(vec![6, 6])).with(33422, Value::Byte(digits));
    let frame = read_bytes("a.dng", &file(false, &directory)).expect("read");
    let Layout::Mosaic(cfa) = &frame.layout else { panic!("no mosaic") };
    assert_eq!(cfa.period(), Size { width: 6, height: 6 });
    assert_eq!((cfa.colour(2, 0), cfa.colour(0, 2), cfa.colour(9, 8)), (Colour::Red, Colour::Blue, Colour::Red));
}

#[test]
fn a_sensor_without_colours_gives_a_grey_plane() {
    let directory = plain()
        .with(262, Value::Short(vec![34892]))
        .without(33421)
        .without(33422)
        .with(50714, Value::Short(vec![1000]));
    let frame = read_bytes("a.dng", &file(false, &directory)).expect("read");
    assert_eq!(frame.layout, Layout::Grey);
    assert!((frame.planes[0].at(5, 0) - 5.0 / 64535.0).abs() < 1e-6);
}

#[test]
fn a_demosaiced_dng_gives_three_planes() {
    let triple: Vec<u16> = codes().iter().flat_map(|c| [*c, c + 1, c + 2]).collect();
    let directory = dng(WIDTH, HEIGHT, &triple, false)
        .with(258, Value::Short(vec![16; 3]))
        .with(262, Value::Short(vec![34892]))
        .with(277, Value::Short(vec![3]))
        .with(50714, Value::Short(vec![7; 3]));
    let frame = read_bytes("a.dng", &file(false, &directory)).expect("read");
    assert_eq!((frame.layout, frame.planes.len()), (Layout::Rgb, 3));
    for (plane, add) in [(0, 0), (1, 1), (2, 2)] {
        let light = (f32::from(code(40, 20)) + add as f32 - 7.0) / (65535.0 - 7.0);
        assert!((frame.planes[plane].at(40, 20) - light).abs() < 1e-6);
    }
}

#[test]
fn photosites_at_the_white_level_are_masked() {
    let directory = plain().with(50717, Value::Long(vec![4000]));
    let frame = read_bytes("a.dng", &file(false, &directory)).expect("read");
    assert!(frame.mask.sound(0, 0));
    assert_eq!(frame.mask.0.at(47, 31) & Mask::CLIPPED, Mask::CLIPPED);
}

#[test]
fn facts_come_from_the_exif_directory_and_the_dng_tags() {
    let exif = Directory::default()
        .with(33434, Value::Rational(vec![(1, 2)]))
        .with(33437, Value::Rational(vec![(22, 1)]))
        .with(34855, Value::Short(vec![100]))
        .with(36867, Value::Ascii("2031:05:04 09:08:07".into()))
        .with(36881, Value::Ascii("+02:00".into()))
        .with(37521, Value::Ascii("25".into()))
        .with(37386, Value::Rational(vec![(50, 1)]))
        .with(42036, Value::Ascii("Hilden 50 mm\0junk".into()))
        // 48 photosites over 36 mm
        .with(41486, Value::Rational(vec![(48_000, 3600)]))
        .with(41487, Value::Rational(vec![(48_000, 3600)]))
        .with(41488, Value::Short(vec![3]));
    for big_endian in [false, true] {
        let directory = dng(WIDTH, HEIGHT, &codes(), big_endian)
            .with(34665, Value::Directories(vec![exif.clone()]))
            .with(50735, Value::Ascii("HK2-0042".into()))
            .with(274, Value::Short(vec![6]))
            .with(271, Value::Ascii("Hilden \0\0".into()));
        let shot = read_bytes("a.dng", &file(big_endian, &directory)).expect("read").shot;
        let body = shot.body.expect("a body");
        assert_eq!((body.make.as_str(), body.model.as_str()), ("Hilden", "K2"));
        assert_eq!(body.serial.as_deref(), Some("HK2-0042"));
        assert_eq!(shot.lens.map(|l| l.model).as_deref(), Some("Hilden 50 mm"));
        assert_eq!(shot.f_number.map(|n| n.marked()), Some(22.0));
        assert_eq!((shot.iso, shot.exposure_seconds), (Some(100.0), Some(0.5)));
        assert_eq!(shot.taken.as_deref(), Some("2031-05-04T09:08:07.25+02:00"));
        assert_eq!(shot.orientation.exif(), 6);
        let pitch = shot.pitch.expect("a pitch");
        assert_eq!(pitch.source, PitchSource::FocalPlaneResolution);
        assert!((pitch.value.0 - Micrometres(750.0).0).abs() < 1e-9);
    }
}

#[test]
fn what_cannot_be_read_is_refused_for_its_reason() {
    let cases = [
        (Fault::Unsupported, "compression 9", plain().with(259, Value::Short(vec![9]))),
        (Fault::Unsupported, "floating point", plain().with(339, Value::Short(vec![3]))),
        (Fault::Unsupported, "staggered", plain().with(50711, Value::Short(vec![2]))),
        (Fault::Unsupported, "other colours", plain().with(33422, Value::Byte(vec![3, 4, 5, 1]))),
        (Fault::Broken, "black and white levels", plain().with(50714, Value::Long(vec![70_000]))),
        (Fault::Broken, "cannot lie in", plain().with(257, Value::Long(vec![HEIGHT * 4]))),
        (Fault::Broken, "cut short", plain().with(279, Value::Long(vec![1 << 20]))),
        (Fault::TooLarge, "4000000000", plain().with(256, Value::Long(vec![4_000_000_000]))),
        (Fault::Broken, "0 x 32", plain().with(256, Value::Long(vec![0]))),
    ];
    for (fault, words, directory) in cases {
        let error = read_bytes("a.dng", &file(false, &directory)).map(|_| ()).expect_err(words);
        assert_eq!(error.fault, fault, "{words}: {error}");
        assert!(error.message.contains(words), "{error} says nothing of '{words}'");
        assert!(!error.remedy.is_empty());
    }
}
