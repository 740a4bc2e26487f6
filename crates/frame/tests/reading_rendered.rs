//! TIFF, PNG and JPEG made here by other libraries, or byte by byte, and read back.

mod reading;

use std::io::Cursor;

use motelight_frame::{Fault, Frame, Layout, Mask, Size};
use reading::read_bytes;
use reading::tiff_file::{Directory, Value, file};

const WIDTH: usize = 50;
const HEIGHT: usize = 37;

/// A code that tells its place and channel.
fn code(x: usize, y: usize, channel: usize) -> u16 {
    (x * 1200 + y * 31 + channel * 400) as u16
}

fn codes(channels: usize) -> Vec<u16> {
    let places = (0..HEIGHT).flat_map(|y| (0..WIDTH).map(move |x| (x, y)));
    places.flat_map(|(x, y)| (0..channels).map(move |c| code(x, y, c))).collect()
}

fn high_bytes(codes: &[u16]) -> Vec<u8> {
    codes.iter().map(|c| (c >> 8) as u8).collect()
}

/// Every pixel of every plane gives back its stored code, shifted right by `shift` bits.
fn assert_codes(name: &str, frame: &Frame, shift: u32) {
    assert_eq!(frame.size(), Size { width: WIDTH, height: HEIGHT }, "{name}");
    assert_eq!(frame.shot.recorded, frame.size(), "{name}");
    assert_eq!(frame.layout, if frame.planes.len() == 3 { Layout::Rgb } else { Layout::Grey }, "{name}");
    for (channel, plane) in frame.planes.iter().enumerate() {
        for (y, x) in (0..HEIGHT).flat_map(|y| (0..WIDTH).map(move |x| (y, x))) {
            let found = frame.encoding.encode(channel, x, y, plane.at(x, y));
            assert_eq!(found, code(x, y, channel) >> shift, "{name}: plane {channel} at {x} {y}");
        }
    }
}

fn read(name: &str, bytes: &[u8]) -> Frame {
    read_bytes(name, bytes).unwrap_or_else(|e| panic!("{name}: {e}"))
}

#[test]
fn png_of_every_kind_gives_its_codes() {
    use png::{BitDepth, ColorType};
    for (kind, channels, keep) in [
        (ColorType::Grayscale, 1, 1),
        (ColorType::GrayscaleAlpha, 2, 1),
        (ColorType::Rgb, 3, 3),
        (ColorType::Rgba, 4, 3),
    ] {
        for depth in [BitDepth::Eight, BitDepth::Sixteen] {
            let wide: Vec<u8> = codes(channels).iter().flat_map(|c| c.to_be_bytes()).collect();
            let (data, shift) = if depth == BitDepth::Eight { (high_bytes(&codes(channels)), 8) } else { (wide, 0) };
            let mut bytes = Vec::new();
            let mut encoder = png::Encoder::new(&mut bytes, WIDTH as u32, HEIGHT as u32);
            encoder.set_color(kind);
            encoder.set_depth(depth);
            let mut writer = encoder.write_header().expect("a head");
            writer.write_image_data(&data).expect("written");
            writer.finish().expect("finished");
            let frame = read("a.png", &bytes);
            assert_eq!(frame.planes.len(), keep);
            assert_codes(&format!("{kind:?} {depth:?}"), &frame, shift);
        }
    }
}

#[test]
fn tiff_of_every_compression_gives_its_codes() {
    use tiff::encoder::{Compression, DeflateLevel, Predictor, TiffEncoder, colortype};
    let ways = [
        ("none", Compression::Uncompressed),
        ("LZW", Compression::Lzw),
        ("deflate", Compression::Deflate(DeflateLevel::Fast)),
        ("PackBits", Compression::Packbits),
    ];
    for (name, way) in ways {
        // TIFF 6.0, section 14: the predictor is for LZW (and, since, Deflate).
        let predictors = if matches!(name, "LZW" | "deflate") { 2 } else { 1 };
        for predictor in [Predictor::None, Predictor::Horizontal].into_iter().take(predictors) {
            let encode = |wide: bool| {
                let mut out = Cursor::new(Vec::new());
                let encoder = TiffEncoder::new(&mut out).expect("an encoder");
                let mut encoder = encoder.with_compression(way).with_predictor(predictor);
                let (w, h) = (WIDTH as u32, HEIGHT as u32);
                if wide {
                    encoder.write_image::<colortype::RGB16>(w, h, &codes(3)).expect("written");
                } else {
                    encoder.write_image::<colortype::RGB8>(w, h, &high_bytes(&codes(3))).expect("written");
                }
                out.into_inner()
            };
            assert_codes(&format!("{name} {predictor:?} 16"), &read("a.tif", &encode(true)), 0);
            assert_codes(&format!("{name} {predictor:?} 8"), &read("a.tif", &encode(false)), 8);
        }
    }
}

#[test]
fn big_tiff_gives_its_codes() {
    let mut out = Cursor::new(Vec::new());
    let mut encoder = tiff::encoder::TiffEncoder::new_big(&mut out).expect("an encoder");
    encoder.write_image::<tiff::encoder::colortype::Gray16>(WIDTH as u32, HEIGHT as u32, &codes(1)).expect("written");
    assert_codes("BigTIFF", &read("a.tif", &out.into_inner()), 0);
}

/// A TIFF directory without data: 16 bits, `channels` samples.
fn tiff_head(channels: u16) -> Directory {
    Directory::default()
        .with(256, Value::Short(vec![WIDTH as u16]))
        .with(257, Value::Short(vec![HEIGHT as u16]))
        .with(258, Value::Short(vec![16; channels.into()]))
        .with(259, Value::Short(vec![1]))
        .with(262, Value::Short(vec![if channels < 3 { 1 } else { 2 }]))
        .with(277, Value::Short(vec![channels]))
}

fn strips(head: Directory, blocks: Vec<Vec<u8>>, rows: u16) -> Directory {
    let counts = blocks.iter().map(|b| b.len() as u32).collect();
    head.with(273, Value::Blocks(blocks)).with(278, Value::Short(vec![rows])).with(279, Value::Long(counts))
}

fn plain_tiff() -> Directory {
    strips(tiff_head(3), vec![codes(3).iter().flat_map(|c| c.to_le_bytes()).collect()], HEIGHT as u16)
}

#[test]
fn tiff_of_every_structure_gives_its_codes() {
    for big_endian in [false, true] {
        let bytes = |codes: &[u16]| -> Vec<u8> {
            codes.iter().flat_map(|c| if big_endian { c.to_be_bytes() } else { c.to_le_bytes() }).collect()
        };
        let in_strips = |channels: usize| codes(channels).chunks(WIDTH * channels * 10).map(bytes).collect::<Vec<_>>();
        let by_plane: Vec<Vec<u8>> = (0..3)
            .flat_map(|c| {
                let plane: Vec<u16> = codes(3).chunks(3).map(|p| p[c]).collect();
                plane.chunks(WIDTH * 10).map(bytes).collect::<Vec<_>>()
            })
            .collect();
        let tile = |x0: usize, y0: usize| -> Vec<u8> {
            let places = (0..32 * 32).map(|i| ((x0 + i % 32).min(WIDTH - 1), (y0 + i / 32).min(HEIGHT - 1)));
            bytes(&places.flat_map(|(x, y)| (0..3).map(move |c| code(x, y, c))).collect::<Vec<u16>>())
        };
        let corners = [(0, 0), (32, 0), (0, 32), (32, 32)];
        let tiles: Vec<Vec<u8>> = corners.iter().map(|(x, y)| tile(*x, *y)).collect();
        let packed = |bytes: &Vec<u8>| {
            weezl::encode::Encoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8).encode(bytes).expect("packed")
        };
        let plane_tile =
            |t: &Vec<u8>, c: usize| t.chunks(6).flat_map(|p| p[2 * c..2 * c + 2].to_vec()).collect::<Vec<u8>>();
        let plane_tiles = (0..3).flat_map(|c| tiles.iter().map(move |t| plane_tile(t, c))).collect();
        let tiled = |head: Directory, blocks: Vec<Vec<u8>>| {
            let counts = blocks.iter().map(|t| t.len() as u32).collect();
            head.with(322, Value::Short(vec![32]))
                .with(323, Value::Short(vec![32]))
                .with(324, Value::Blocks(blocks))
                .with(325, Value::Long(counts))
        };
        let ways = [
            ("strips", strips(tiff_head(3), in_strips(3), 10)),
            ("grey", strips(tiff_head(1), in_strips(1), 10)),
            ("alpha", strips(tiff_head(4).with(338, Value::Short(vec![2])), in_strips(4), 10)),
            ("by plane", strips(tiff_head(3).with(284, Value::Short(vec![2])), by_plane, 10)),
            ("tiles", tiled(tiff_head(3), tiles.clone())),
            ("LZW tiles", tiled(tiff_head(3).with(259, Value::Short(vec![5])), tiles.iter().map(packed).collect())),
            ("tiles by plane", tiled(tiff_head(3).with(284, Value::Short(vec![2])), plane_tiles)),
        ];
        for (name, directory) in ways {
            assert_codes(name, &read("a.tif", &file(big_endian, &directory)), 0);
        }
    }
}

#[test]
fn tiffs_that_are_no_photographs_are_refused_for_their_reason() {
    let tiff = plain_tiff;
    let cases = [
        (Fault::Unsupported, "Lab", tiff().with(262, Value::Short(vec![8]))),
        (Fault::Unsupported, "CMYK", tiff().with(262, Value::Short(vec![5]))),
        (Fault::Unsupported, "palette", tiff().with(262, Value::Short(vec![3]))),
        (Fault::Unsupported, "floating point", tiff().with(339, Value::Short(vec![3; 3]))),
        (Fault::Unsupported, "neither 8 nor 16", tiff().with(258, Value::Short(vec![32; 3]))),
        (Fault::Unsupported, "compressed in a way", tiff().with(259, Value::Short(vec![7]))),
        (Fault::Broken, "strips or tiles of", tiff().with(278, Value::Short(vec![0]))),
        (Fault::Broken, "where all of its picture lies", tiff().with(278, Value::Short(vec![10]))),
        (Fault::Broken, "cut short", tiff().with(279, Value::Long(vec![1 << 20]))),
        (Fault::TooLarge, "more than", tiff().with(256, Value::Long(vec![4_000_000_000]))),
    ];
    for (fault, words, directory) in cases {
        let error = read_bytes("a.tif", &file(false, &directory)).map(|_| ()).expect_err(words);
        assert_eq!(error.fault, fault, "{error}");
        assert!(error.message.contains(words), "{error} says nothing of '{words}'");
    }
}

#[test]
fn jpeg_is_read_in_grey_and_colour_and_its_tone_curve_is_warned_of() {
    use jpeg_encoder::{ColorType, Encoder, SamplingFactor};
    for (kind, channels) in [(ColorType::Luma, 1), (ColorType::Rgb, 3)] {
        for progressive in [false, true] {
            let mut bytes = Vec::new();
            let mut encoder = Encoder::new(&mut bytes, 100);
            encoder.set_sampling_factor(SamplingFactor::F_1_1);
            encoder.set_progressive(progressive);
            encoder.encode(&high_bytes(&codes(channels)), WIDTH as u16, HEIGHT as u16, kind).expect("encoded");
            let frame = read("a.jpg", &bytes);
            assert_eq!(frame.planes.len(), channels);
            for (channel, plane) in frame.planes.iter().enumerate() {
                for (x, y) in [(0, 0), (49, 36), (20, 20), (48, 3)] {
                    let found = frame.encoding.encode(channel, x, y, plane.at(x, y));
                    let wanted = code(x, y, channel) >> 8;
                    assert!(found.abs_diff(wanted) <= 4, "{kind:?}: {found} against {wanted}");
                }
            }
            assert!(frame.notes.iter().any(|n| n.contains("tone curve")));
        }
    }
}

/// Green code maximum in one pixel: clipped there, and only there.
#[test]
fn one_channel_at_its_maximum_clips_the_pixel() {
    let mut samples = high_bytes(&codes(3));
    samples.iter_mut().for_each(|s| *s = (*s).min(254));
    samples[(9 * WIDTH + 5) * 3 + 1] = 255;
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, WIDTH as u32, HEIGHT as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.write_header().and_then(|mut w| w.write_image_data(&samples)).expect("written");
    let frame = read("a.png", &bytes);
    let clipped: Vec<usize> = (0..WIDTH * HEIGHT).filter(|i| frame.mask.0.data()[*i] == Mask::CLIPPED).collect();
    assert_eq!(clipped, vec![9 * WIDTH + 5]);
}

#[test]
fn the_profile_in_the_file_makes_the_light() {
    let icc = include_bytes!("data/AdobeCompat-v4.icc");
    let directory = plain_tiff().with(34675, Value::Undefined(icc.to_vec()));
    let frame = read("a.tif", &file(false, &directory));
    // Little CMS 2.14: code 128 of 255 gives Y = 21.9520 of 100; red weighs 31.1111.
    let light = frame.encoding.decode(1, 0, 0, 128 * 257);
    assert!((light - 0.219520).abs() < 3e-5, "{light}");
    assert!((frame.luminance[0] - 0.311111).abs() < 3e-5);
    assert!(!frame.notes.iter().any(|n| n.contains("assumed")));
}

#[test]
fn a_png_s_own_facts_are_read() {
    let exif = Directory::default().with(272, Value::Ascii("K2".into())).with(274, Value::Short(vec![8]));
    let mut bytes = Vec::new();
    let mut info = png::Info::with_size(WIDTH as u32, HEIGHT as u32);
    info.color_type = png::ColorType::Grayscale;
    info.exif_metadata = Some(file(true, &exif).into());
    let mut encoder = png::Encoder::with_info(&mut bytes, info).expect("an encoder");
    encoder.set_source_gamma(png::ScaledFloat::new(1.0));
    encoder.write_header().and_then(|mut w| w.write_image_data(&high_bytes(&codes(1)))).expect("written");
    let frame = read("a.png", &bytes);
    assert_eq!(frame.shot.body.map(|b| b.model).as_deref(), Some("K2"));
    assert_eq!(frame.shot.orientation.exif(), 8);
    // gAMA 1: codes are light.
    assert!((frame.encoding.decode(0, 0, 0, 51) - 0.2).abs() < 1e-6);
}
