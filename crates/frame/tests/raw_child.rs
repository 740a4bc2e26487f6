//! The decoding child: same light as in this process, and whatever a damaged file does, a plain error within
//! its time. This test is a program of its own, since it must be able to start itself as the child.

mod reading;

use std::path::Path;
use std::time::{Duration, Instant};

use libtest_mimic::{Arguments, Failed, Trial};
use motelight_frame::read::raw_child;
use motelight_frame::{
    Colour, Fault, FileKind, Frame, FrameError, Layout, Limits, RawDecoder, ReadOptions, Size, read, read_shot,
};
use rawler::ljpeg92::LjpegCompressor;
use reading::tiff_file::{Directory, Value, file};
use reading::{dng, in_process, shared};

fn main() {
    raw_child::serve_if_asked();
    let trials = [
        ("the_child_gives_the_same_frame", the_child_gives_the_same_frame as fn()),
        ("damaged_files_end_in_plain_errors", damaged_files_end_in_plain_errors),
        ("a_child_past_its_memory_is_an_error", a_child_past_its_memory_is_an_error),
        ("a_program_that_is_no_decoder_is_an_error", a_program_that_is_no_decoder_is_an_error),
        ("a_child_that_never_answers_is_ended", a_child_that_never_answers_is_ended),
        ("a_camera_s_own_format_is_read", a_camera_s_own_format_is_read),
        ("malformed_raws_end_in_plain_errors", malformed_raws_end_in_plain_errors),
    ];
    let trials = trials.map(|(name, check)| {
        Trial::test(name, move || {
            check();
            Ok::<(), Failed>(())
        })
    });
    libtest_mimic::run(&Arguments::from_args(), trials.into()).exit();
}

fn by_child() -> ReadOptions {
    let program = std::env::current_exe().expect("this program");
    ReadOptions { raw: RawDecoder::Child(program), ..in_process() }
}

/// A DNG of lossless tiles over a noisy gradient, with a crop.
fn tiled_dng() -> Vec<u8> {
    let code = |x: usize, y: usize| (2000 + 37 * x + 11 * y + (x * 7919 + y * 104_729) % 97) as u16;
    let tile = |(x0, y0): (usize, usize)| {
        let codes: Vec<u16> = (0..64 * 64).map(|i| code(x0 + i % 64, y0 + i / 64)).collect();
        LjpegCompressor::new(&codes, 32, 64, 2, 14, 1, 0, 0).expect("a tile").encode().expect("encoded")
    };
    let tiles = [(0, 0), (64, 0), (0, 64), (64, 64)].map(tile).to_vec();
    let counts = tiles.iter().map(|t| t.len() as u32).collect();
    let directory = dng(120, 100, &[], false)
        .with(258, Value::Short(vec![14]))
        .with(259, Value::Short(vec![7]))
        .without(273)
        .without(278)
        .without(279)
        .with(322, Value::Long(vec![64]))
        .with(323, Value::Long(vec![64]))
        .with(324, Value::Blocks(tiles))
        .with(325, Value::Long(counts))
        .with(50714, Value::Short(vec![512]))
        .with(50719, Value::Long(vec![8, 6]))
        .with(50720, Value::Long(vec![101, 83]));
    file(false, &directory)
}

fn read_at(path: &Path, bytes: &[u8], options: &ReadOptions) -> Result<Frame, FrameError> {
    std::fs::write(path, bytes).expect("written");
    read(path, options)
}

fn the_child_gives_the_same_frame() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut files = vec![(folder.path().join("a.dng"), tiled_dng())];
    if let Some(path) = shared("raw/colorchart.dng") {
        files.push((folder.path().join("b.dng"), std::fs::read(path).expect("bytes")));
    }
    for (path, bytes) in files {
        let child = read_at(&path, &bytes, &by_child()).expect("read by the child");
        let here = read(&path, &in_process()).expect("read here");
        assert_eq!((child.planes, child.mask, child.shot), (here.planes, here.mask, here.shot));
        assert_eq!((child.layout, child.encoding, child.digest), (here.layout, here.encoding, here.digest));
    }
}

/// Truncations and byte flips from a fixed seed over small whole files of every kind: an answer each time,
/// soon, and never a panic (which would end this test).
fn damaged_files_end_in_plain_errors() {
    let folder = tempfile::tempdir().expect("a folder");
    let options =
        ReadOptions { limits: Limits { raw_seconds: 5, memory_bytes: 1 << 30, ..Limits::default() }, ..by_child() };
    for (name, whole, rounds) in [
        ("a.dng", tiled_dng(), 60),
        ("b.tif", small_tiff(), 400),
        ("c.png", small_png(), 300),
        ("d.jpg", small_jpeg(false), 300),
        ("e.jpg", small_jpeg(true), 300),
    ] {
        let path = folder.path().join(name);
        let intact = read_at(&path, &whole, &options).unwrap_or_else(|e| panic!("the whole file: {e}"));
        let mut state = 1u64;
        let mut random = |below: usize| {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 33) as usize % below
        };
        for round in 0..rounds {
            let mut bytes = whole.clone();
            if round % 3 == 0 {
                bytes.truncate(random(whole.len()));
            } else {
                // Structure lies at the ends of these files; half of the flips go there.
                let near = |r: usize| if r < 600 { r } else { whole.len().saturating_sub(r - 599) };
                let at = if round % 3 == 1 { near(random(1200)) } else { random(whole.len()) };
                bytes[at.min(whole.len() - 1)] ^= 1 << random(8);
            }
            let start = Instant::now();
            let answer = read_at(&path, &bytes, &options);
            let facts = read_shot(&path, &options);
            assert!(start.elapsed() < Duration::from_secs(60), "{name} round {round} took {:?}", start.elapsed());
            if let Ok(frame) = &answer
                && round % 3 == 0
            {
                assert!(frame.planes == intact.planes, "{name} round {round}: cut short, yet taken for whole");
            }
            for error in [answer.err(), facts.err()].into_iter().flatten() {
                assert!(!error.message.is_empty() && !error.remedy.is_empty());
                assert_ne!(error.fault, Fault::Usage);
            }
        }
    }
}

fn small_tiff() -> Vec<u8> {
    let codes: Vec<u8> = (0..64 * 48 * 3).map(|i| (i * 31 % 251) as u8).collect();
    let mut out = std::io::Cursor::new(Vec::new());
    let encoder = tiff::encoder::TiffEncoder::new(&mut out).expect("an encoder");
    let mut encoder = encoder.with_compression(tiff::encoder::Compression::Lzw);
    encoder.write_image::<tiff::encoder::colortype::RGB8>(64, 48, &codes).expect("written");
    out.into_inner()
}

fn small_png() -> Vec<u8> {
    let codes: Vec<u8> = (0..64 * 48 * 3).map(|i| (i * 31 % 251) as u8).collect();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, 64, 48);
    encoder.set_color(png::ColorType::Rgb);
    encoder.write_header().and_then(|mut w| w.write_image_data(&codes)).expect("written");
    bytes
}

fn small_jpeg(progressive: bool) -> Vec<u8> {
    let codes: Vec<u8> = (0..64 * 48 * 3).map(|i| (i * 31 % 251) as u8).collect();
    let mut bytes = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, 90);
    encoder.set_progressive(progressive);
    encoder.encode(&codes, 64, 48, jpeg_encoder::ColorType::Rgb).expect("encoded");
    bytes
}

fn a_child_past_its_memory_is_an_error() {
    let folder = tempfile::tempdir().expect("a folder");
    // A mosaic of 64 MB under a limit that the frame just fits, but the child's address space does not.
    let limits = Limits { memory_bytes: 180 << 20, ..Limits::default() };
    let directory = dng(8000, 4000, &vec![9000; 8000 * 4000], false);
    let path = folder.path().join("a.dng");
    let answer = read_at(&path, &file(false, &directory), &ReadOptions { limits, ..by_child() });
    let error = answer.map(|_| ()).expect_err("refused");
    assert!(error.message.contains("memory"), "{error}");
}

fn a_program_that_is_no_decoder_is_an_error() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.dng");
    for program in ["/bin/true", "/nonexistent/program"] {
        let options = ReadOptions { raw: RawDecoder::Child(program.into()), ..in_process() };
        assert!(read_at(&path, &tiled_dng(), &options).is_err());
    }
}

#[cfg(not(unix))]
fn a_child_that_never_answers_is_ended() {}

#[cfg(unix)]
fn a_child_that_never_answers_is_ended() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().expect("a folder");
    let program = folder.path().join("sleeper");
    std::fs::write(&program, "#!/bin/sh\nexec sleep 90\n").expect("written");
    std::fs::set_permissions(&program, std::fs::Permissions::from_mode(0o700)).expect("made a program");
    let limits = Limits { raw_seconds: 1, ..Limits::default() };
    let options = ReadOptions { raw: RawDecoder::Child(program), limits, ..in_process() };
    let start = Instant::now();
    let answer = read_at(&folder.path().join("a.dng"), &tiled_dng(), &options);
    assert!(start.elapsed() < Duration::from_secs(60));
    let error = answer.map(|_| ()).expect_err("ended");
    assert!(error.message.contains("within 12 s"), "{error}");
}

/// A small raw in the simplest of the cameras' own formats: TIFF directories, 12 bits packed, levels and
/// mosaic from the raw library's camera table (black 0, white 4000, RGGB, no margins).
fn a_camera_s_own_format_is_read() {
    let (width, height) = (60usize, 40usize);
    let code = |x: usize, y: usize| (100 + 17 * x + 31 * y) as u16;
    let codes: Vec<u16> = (0..width * height).map(|i| code(i % width, i / width)).collect();
    let packed = codes.chunks(2).flat_map(|c| [(c[0] >> 4) as u8, (c[0] << 4 | c[1] >> 8) as u8, c[1] as u8]).collect();
    let mosaic = dng(width as u32, height as u32, &[], true)
        .without(50706)
        .with(258, Value::Short(vec![12]))
        .with(273, Value::Blocks(vec![packed]))
        .with(279, Value::Long(vec![(width * height * 3 / 2) as u32]));
    let exif = Directory::default()
        .with(33437, Value::Rational(vec![(110, 10)]))
        .with(42033, Value::Ascii("ZD 12".into()))
        .with(36867, Value::Ascii("2030:01:02 03:04:05".into()));
    let root = Directory::default()
        .with(254, Value::Long(vec![1]))
        .with(271, Value::Ascii("Mamiya-OP Co.,Ltd.".into()))
        .with(272, Value::Ascii("MAMIYA ZD".into()))
        .with(274, Value::Short(vec![8]))
        .with(330, Value::Directories(vec![mosaic]))
        .with(34665, Value::Directories(vec![exif]));
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.mef");
    let frame = read_at(&path, &file(true, &root), &by_child()).unwrap_or_else(|e| panic!("{e}"));
    let Layout::Mosaic(cfa) = &frame.layout else { panic!("no mosaic") };
    assert_eq!((cfa.colour(0, 0), cfa.colour(1, 1)), (Colour::Red, Colour::Blue));
    for (x, y) in [(0, 0), (59, 39), (31, 17)] {
        assert!((frame.planes[0].at(x, y) - f32::from(code(x, y)) / 4000.0).abs() < 1e-6);
    }
    let (shot, kind) = read_shot(&path, &by_child()).expect("facts");
    assert_eq!((&shot, kind), (&frame.shot, FileKind::Raw));
    assert_eq!(shot.recorded, Size { width, height });
    assert_eq!((shot.f_number.map(|n| n.marked()), shot.orientation.exif()), (Some(11.0), 8));
    assert_eq!(shot.taken.as_deref(), Some("2030-01-02T03:04:05"));
    let body = shot.body.expect("a body");
    assert_eq!((body.model.as_str(), body.serial.as_deref()), ("MAMIYA ZD", Some("ZD 12")));
}

fn malformed_raws_end_in_plain_errors() {
    for name in ["issue_857_poc.raf", "issue_1887_poc.crw", "issue_839_poc.rw2", "Canon-R6-pruned.CR3"] {
        let Some(path) = shared(&format!("edge/{name}")) else { return };
        let error = read(&path, &by_child()).map(|_| ()).expect_err(name);
        assert!(matches!(error.fault, Fault::Broken | Fault::Unsupported), "{error}");
    }
    // Headers of raw formats with nothing behind them.
    let folder = tempfile::tempdir().expect("a folder");
    let heads: [&[u8]; 5] =
        [b"FUJIFILMCCD-RAW 0201", b"\0\0\0\x18ftypcrx \0\0\0\x01", b"FOVb\0\0", b"\0MRM\0\0\0\x08", b"IIU\0\x08\0\0\0"];
    for head in heads {
        let bytes = [head, &[0; 200]].concat();
        let error = read_at(&folder.path().join("a.raw"), &bytes, &by_child()).map(|_| ()).expect_err("refused");
        assert!(matches!(error.fault, Fault::Broken | Fault::Unsupported), "{error}");
    }
}
