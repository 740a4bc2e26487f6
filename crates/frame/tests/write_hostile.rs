//! Damaged originals: an error or a sound copy, never a panic, never a file left behind.
#![allow(clippy::unwrap_used)]

mod support;

use std::path::Path;

use motelight_frame::{Encoding, Fault, Frame, Layout, Size, write_mended};
use support::tiff_file::{self, Kind, RGB16, Value};
use support::{Noise, disc, picture, rggb, srgb};

const SIZE: Size = Size { width: 96, height: 64 };

struct Case {
    name: String,
    file: Vec<u8>,
    frame: Frame,
}

fn cases() -> Vec<Case> {
    let mut cases = Vec::new();
    for (compression, predictor, bits) in [(1, 1, 16), (5, 2, 16), (8, 1, 8), (32773, 1, 8)] {
        let kind = Kind { compression, predictor, bits, big_tiff: compression == 5, ..RGB16 };
        let codes = picture(SIZE, 3, bits, 3);
        let frame = support::frame(Layout::Rgb, Encoding::Tones(vec![srgb(bits); 3]), SIZE, &codes, 3);
        cases.push(Case {
            name: format!("TIFF {compression}"),
            file: tiff_file::make(kind, SIZE, &codes, Vec::new()),
            frame,
        });
    }
    let tile = Size { width: 32, height: 32 };
    let raw = Kind { samples: 1, photometric: 32803, bits: 12, compression: 7, piece: tile, ..RGB16 };
    let codes = picture(SIZE, 1, 12, 3);
    let levels = Encoding::Levels { period: Size { width: 1, height: 1 }, black: vec![100.0], white: 4095.0 };
    let tags = vec![(50706, Value::Byte(vec![1, 4, 0, 0])), (51111, Value::Byte(vec![7; 16]))];
    let frame = support::frame(rggb(), levels, SIZE, &codes, 1);
    cases.push(Case { name: "DNG".into(), file: tiff_file::make(raw, SIZE, &codes, tags), frame });
    for progressive in [false, true] {
        let codes = picture(SIZE, 3, 8, 3);
        let mut file = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut file, 90);
        encoder.set_progressive(progressive);
        let bytes: Vec<u8> = codes.iter().map(|&c| c as u8).collect();
        encoder.encode(&bytes, SIZE.width as u16, SIZE.height as u16, jpeg_encoder::ColorType::Rgb).unwrap();
        let frame = support::frame(Layout::Rgb, Encoding::Tones(vec![srgb(8); 3]), SIZE, &codes, 3);
        cases.push(Case { name: format!("JPEG {progressive}"), file, frame });
    }
    let codes = picture(SIZE, 3, 16, 3);
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, SIZE.width as u32, SIZE.height as u32);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Sixteen);
    let bytes: Vec<u8> = codes.iter().flat_map(|c| c.to_be_bytes()).collect();
    encoder.write_header().unwrap().write_image_data(&bytes).unwrap();
    let frame = support::frame(Layout::Rgb, Encoding::Tones(vec![srgb(16); 3]), SIZE, &codes, 3);
    cases.push(Case { name: "PNG".into(), file, frame });
    cases
}

/// Tries to mend; whatever comes of it, the folder holds only what it should.
fn attempt(dir: &Path, case: &Case, file: &[u8]) -> Result<(), Fault> {
    let (source, out) = (dir.join("source"), dir.join("out"));
    std::fs::write(&source, file).unwrap();
    let patch = disc(&case.frame, (50.0, 30.0), 15.0, 0.2);
    let result = write_mended(&source, &case.frame, &[patch], &out);
    let names = std::fs::read_dir(dir).unwrap().count();
    assert_eq!(names, if result.is_ok() { 2 } else { 1 }, "{}", case.name);
    if result.is_ok() {
        std::fs::remove_file(out).unwrap();
    }
    assert!(std::fs::read(&source).unwrap() == file, "{}: the original was written to", case.name);
    result.map(drop).map_err(|e| {
        assert!(!e.message.is_empty() && !e.remedy.is_empty());
        e.fault
    })
}

#[test]
fn a_cut_file_is_an_error() {
    let dir = tempfile::tempdir().unwrap();
    for case in cases() {
        assert_eq!(attempt(dir.path(), &case, &case.file), Ok(()), "{}", case.name);
        let step = (case.file.len() / 64).max(64).next_multiple_of(64);
        for end in (0..case.file.len()).step_by(step) {
            let result = attempt(dir.path(), &case, &case.file[..end]);
            // The directories stand at the end here, and JPEG and PNG must be whole: no cut file will do.
            assert!(result.is_err(), "{} cut at {end}", case.name);
        }
    }
}

#[test]
fn flipped_bytes_never_panic_and_never_leave_anything_behind() {
    let dir = tempfile::tempdir().unwrap();
    let mut noise = Noise(99);
    for case in cases() {
        let tiff = case.name.starts_with("TIFF") || case.name == "DNG";
        for round in 0..120 {
            let mut file = case.file.clone();
            // Every other time in the directory, which stands at the end of the TIFFs, or in the headers.
            let near = if tiff { file.len() - 300..file.len() } else { 0..300 };
            let within = if round % 2 == 0 { near } else { 0..file.len() };
            for _ in 0..=noise.next() % 3 {
                let at = within.start + noise.next() as usize % within.len();
                file[at] = noise.next() as u8;
            }
            let _ = attempt(dir.path(), &case, &file);
        }
    }
}

#[test]
fn directories_that_point_at_each_other_and_absurd_counts_come_to_an_end() {
    let dir = tempfile::tempdir().unwrap();
    let case = &cases()[0];
    let first = u32::from_le_bytes(case.file[4..8].try_into().unwrap()) as usize;
    let entries = usize::from(case.file[first]);
    let next = first + 2 + entries * 12;
    // The chain points back at its start.
    let mut file = case.file.clone();
    file[next..next + 4].copy_from_slice(&(first as u32).to_le_bytes());
    assert_eq!(attempt(dir.path(), case, &file), Ok(()));
    // Every count and every value in turn is as large as can be.
    for entry in 0..entries {
        for field in [4, 8] {
            let mut file = case.file.clone();
            let at = first + 2 + entry * 12 + field;
            file[at..at + 4].fill(0xff);
            let _ = attempt(dir.path(), case, &file);
        }
    }
}

#[test]
fn tiles_that_share_their_bytes_do_not_change_each_other() {
    let dir = tempfile::tempdir().unwrap();
    let kind = Kind { compression: 8, bits: 8, piece: Size { width: 32, height: 32 }, ..RGB16 };
    let codes = vec![100u16; SIZE.area() * 3];
    let mut file = tiff_file::make(kind, SIZE, &codes, Vec::new());
    // All tiles are alike: let all entries of the table of offsets (tag 324) name the first tile.
    let first = u32::from_le_bytes(file[4..8].try_into().unwrap()) as usize;
    let entry = (0..usize::from(file[first])).map(|i| first + 2 + i * 12).find(|&e| file[e..e + 2] == [68, 1]).unwrap();
    let table = u32::from_le_bytes(file[entry + 8..entry + 12].try_into().unwrap()) as usize;
    for i in 1..6 {
        file.copy_within(table..table + 4, table + 4 * i);
    }
    let frame = support::frame(Layout::Rgb, Encoding::Tones(vec![srgb(8); 3]), SIZE, &codes, 3);
    let (source, out) = (dir.path().join("source.tif"), dir.path().join("out.tif"));
    std::fs::write(&source, &file).unwrap();
    let patches = [disc(&frame, (10.0, 10.0), 8.0, 0.3)];
    write_mended(&source, &frame, &patches, &out).unwrap();
    let mut decoder = tiff::decoder::Decoder::new(std::fs::File::open(out).unwrap()).unwrap();
    let tiff::decoder::DecodingResult::U8(mended) = decoder.read_image().unwrap() else { panic!("8 bit") };
    for (i, &code) in mended.iter().enumerate() {
        let (x, y) = (i / 3 % SIZE.width, i / 3 / SIZE.width);
        assert!(code == 100 || support::masked(&patches, x, y), "({x}, {y}): {code}");
    }
    assert!(mended.iter().any(|&c| c > 110));
}
