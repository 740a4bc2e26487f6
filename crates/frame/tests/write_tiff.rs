//! Mended TIFFs, judged by the tiff crate and by exiftool.
#![allow(clippy::unwrap_used)]

mod support;

use std::io::Cursor;
use std::path::Path;

use motelight_frame::{Encoding, Frame, Layout, Patch, Size, Undone, Written};
use proptest::prelude::*;
use support::tiff_file::{self, Kind, RGB16, Value};
use support::{bytes, disc, masked, metadata, picture, srgb, wanted};

const SIZE: Size = Size { width: 83, height: 61 };

/// Tiles stand out at the edge, but not plane by plane and not with LZW: there tiff 0.11 reads some files wrongly.
fn size_of(kind: Kind) -> Size {
    let judged = !kind.planar && kind.compression != 5;
    if kind.piece.width > 0 && !judged { Size { width: 96, height: 64 } } else { SIZE }
}

/// All samples, interleaved, as the tiff crate reads them.
fn decode(file: &[u8], samples: usize, planar: bool) -> Vec<u16> {
    use tiff::decoder::DecodingResult::{U8, U16};
    let mut decoder = tiff::decoder::Decoder::new(Cursor::new(file)).unwrap();
    let (w, h) = decoder.dimensions().unwrap();
    if !planar {
        return match decoder.read_image().unwrap() {
            U8(v) => v.into_iter().map(u16::from).collect(),
            U16(v) => v,
            _ => panic!("not whole numbers"),
        };
    }
    let mut out = vec![0; (w * h) as usize * samples];
    let (pw, ph) = decoder.chunk_dimensions();
    let (across, down) = (w.div_ceil(pw), h.div_ceil(ph));
    for index in 0..across * down * samples as u32 {
        let (cw, _) = decoder.chunk_data_dimensions(index);
        let values: Vec<u16> = match decoder.read_chunk(index).unwrap() {
            U8(v) => v.into_iter().map(u16::from).collect(),
            U16(v) => v,
            _ => panic!("not whole numbers"),
        };
        let (plane, place) = (index / (across * down), index % (across * down));
        for (i, v) in values.into_iter().enumerate() {
            let (x, y) = (place % across * pw + i as u32 % cw, place / across * ph + i as u32 / cw);
            out[((y * w + x) as usize) * samples + plane as usize] = v;
        }
    }
    out
}

fn frame_of(kind: Kind, codes: &[u16]) -> Frame {
    let layout = if kind.samples < 3 { Layout::Grey } else { Layout::Rgb };
    support::frame(layout, Encoding::Tones(vec![srgb(kind.bits); 3]), size_of(kind), codes, kind.samples)
}

fn mend(dir: &Path, file: &[u8], frame: &Frame, patches: &[Patch]) -> (Vec<u8>, Written) {
    let m = support::mend_and_undo(dir, "tif", file, frame, patches);
    assert!(m.undone == Undone::Bytes && m.back == file, "the copy was not turned back");
    (m.out, m.written)
}

fn kinds() -> Vec<Kind> {
    let mut kinds = Vec::new();
    for big_endian in [false, true] {
        for (compression, predictor) in [(1, 1), (5, 1), (5, 2), (8, 1), (8, 2), (32773, 1)] {
            for bits in [8, 16] {
                for (piece, planar, samples) in [
                    (Size { width: 0, height: 16 }, false, 3),
                    (Size { width: 0, height: 61 }, true, 3),
                    (Size { width: 32, height: 16 }, false, 3),
                    (Size { width: 32, height: 32 }, true, 3),
                    (Size { width: 0, height: 7 }, false, 1),
                    (Size { width: 0, height: 20 }, false, 4),
                ] {
                    let photometric = if samples == 1 { 1 } else { 2 };
                    let big_tiff = big_endian == (bits == 8);
                    kinds.push(Kind {
                        big_endian,
                        big_tiff,
                        bits,
                        samples,
                        compression,
                        predictor,
                        planar,
                        piece,
                        photometric,
                        ..RGB16
                    });
                }
            }
        }
    }
    kinds
}

#[test]
fn only_pixels_under_masks_change_and_they_get_the_wanted_codes() {
    let dir = tempfile::tempdir().unwrap();
    for kind in kinds() {
        let codes = picture(size_of(kind), kind.samples, kind.bits, 7);
        let file = tiff_file::make(kind, size_of(kind), &codes, extra(kind));
        let frame = frame_of(kind, &codes);
        let patches = [disc(&frame, (20.0, 30.0), 9.0, 0.2), disc(&frame, (80.0, 58.0), 12.0, 0.1)];
        let (out, written) = mend(dir.path(), &file, &frame, &patches);
        let mended = decode(&out, kind.samples, kind.planar);
        let mut changed = 0;
        for (i, (&old, &new)) in codes.iter().zip(&mended).enumerate() {
            let width = size_of(kind).width;
            let (x, y, s) = (i / kind.samples % width, i / kind.samples / width, i % kind.samples);
            changed += usize::from(old != new && s == 0);
            match wanted(&frame, &patches, s.min(frame.planes.len() - 1), x, y).filter(|_| s < frame.planes.len()) {
                None => assert_eq!(old, new, "{kind:?} ({x}, {y}) outside"),
                Some(code) if kind.bits == 16 => assert_eq!(new, code, "{kind:?} ({x}, {y}) inside"),
                Some(code) => assert!(new.abs_diff(code) <= 1, "{kind:?} ({x}, {y}): {new} for {code}"),
            }
        }
        assert!(
            changed > 200 && written.pixels_changed >= changed,
            "{kind:?}: {changed} of {}",
            written.pixels_changed
        );
    }
}

fn extra(kind: Kind) -> Vec<(u16, Value)> {
    let mut tags = vec![(305, Value::Ascii("Wind and Weather 2.1")), (700, Value::Byte(b"<x:xmpmeta/>".to_vec()))];
    if kind.samples == 4 {
        tags.push((338, Value::Short(vec![2])));
    }
    tags
}

#[test]
fn a_patch_that_changes_no_light_gives_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    for kind in kinds().into_iter().step_by(5) {
        let codes = picture(size_of(kind), kind.samples, kind.bits, 3);
        let file = tiff_file::make(kind, size_of(kind), &codes, extra(kind));
        let frame = frame_of(kind, &codes);
        let (out, written) = mend(dir.path(), &file, &frame, &[disc(&frame, (40.0, 30.0), 20.0, 0.0)]);
        assert!(out == file && written.pixels_changed == 0, "{kind:?}");
    }
}

#[test]
fn uncompressed_copies_differ_only_in_the_patched_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let codes = picture(SIZE, 3, 16, 3);
    let file = tiff_file::make(RGB16, SIZE, &codes, Vec::new());
    let frame = frame_of(RGB16, &codes);
    let patches = [disc(&frame, (40.0, 30.0), 5.0, 0.2)];
    let (out, _) = mend(dir.path(), &file, &frame, &patches);
    let different = file.iter().zip(&out).filter(|(a, b)| a != b).count();
    assert!(out.len() == file.len() && (100..=6 * 81).contains(&different), "{different}");
}

#[test]
fn with_8_bits_a_shadow_fainter_than_half_a_code_is_lifted_on_the_mean() {
    let dir = tempfile::tempdir().unwrap();
    let kind = Kind { bits: 8, ..RGB16 };
    let codes = vec![118u16; SIZE.area() * 3];
    let file = tiff_file::make(kind, size_of(kind), &codes, Vec::new());
    let frame = frame_of(kind, &codes);
    // sRGB at code 118: light .1812, one code is about .0036 of light, so depth .006 is about .3 codes.
    let mut patch = disc(&frame, (40.0, 30.0), 25.0, 0.0);
    let target = f64::from(frame.planes[0].at(0, 0)) / (1.0 - 0.006);
    patch.planes.iter_mut().for_each(|p| p.data_mut().iter_mut().for_each(|v| *v = target as f32));
    let (out, _) = mend(dir.path(), &file, &frame, std::slice::from_ref(&patch));
    let mended = decode(&out, 3, false);
    let srgb_code = |l: f64| (1.055 * l.powf(1.0 / 2.4) - 0.055) * 255.0;
    let (mut sum, mut count) = (0.0, 0);
    for y in 0..SIZE.height {
        for x in (0..SIZE.width).filter(|&x| masked(std::slice::from_ref(&patch), x, y)) {
            sum += f64::from(mended[(y * SIZE.width + x) * 3 + 1]);
            count += 1;
        }
    }
    let mean = sum / f64::from(count);
    assert!((mean - srgb_code(target)).abs() < 0.02, "{mean} for {}", srgb_code(target));
}

#[test]
fn all_metadata_stays_as_an_independent_reader_sees_it() {
    let dir = tempfile::tempdir().unwrap();
    for kind in [RGB16, Kind { compression: 5, big_endian: true, ..RGB16 }] {
        let codes = picture(SIZE, 3, 16, 11);
        let file = tiff_file::make(kind, size_of(kind), &codes, extra(kind));
        let frame = frame_of(kind, &codes);
        mend(dir.path(), &file, &frame, &[disc(&frame, (40.0, 30.0), 15.0, 0.3)]);
        let leave_out = ["FileName", "StripOffsets", "StripByteCounts", "FileSize"];
        let read = |name: &str| metadata(&dir.path().join(name), &leave_out);
        let (Some(before), Some(after)) = (read("source.tif"), read("out.tif")) else { return };
        assert_eq!(before, after);
        assert!(!after.contains("Warning") && after.contains("Wind and Weather"), "{after}");
    }
}

#[test]
fn a_real_16_bit_tiff_is_mended() {
    let Some(path) = support::shared("edge/flower-rgb-contig-16.tif") else { return };
    let file = bytes(&path);
    let codes = decode(&file, 3, false);
    let size = Size { width: 73, height: 43 };
    let frame = support::frame(Layout::Rgb, Encoding::Tones(vec![srgb(16); 3]), size, &codes, 3);
    let patches = [disc(&frame, (30.0, 20.0), 8.0, 0.2)];
    let dir = tempfile::tempdir().unwrap();
    let (out, _) = mend(dir.path(), &file, &frame, &patches);
    let mended = decode(&out, 3, false);
    for (i, (&old, &new)) in codes.iter().zip(&mended).enumerate() {
        let code = wanted(&frame, &patches, i % 3, i / 3 % 73, i / 3 / 73);
        assert_eq!(new, code.unwrap_or(old));
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn patching_nothing_changes_nothing(which in 0usize..144, seed in 0u64..1000) {
        let kind = kinds()[which];
        let dir = tempfile::tempdir().unwrap();
        let codes = picture(size_of(kind), kind.samples, kind.bits, seed);
        let file = tiff_file::make(kind, size_of(kind), &codes, extra(kind));
        let (out, written) = mend(dir.path(), &file, &frame_of(kind, &codes), &[]);
        prop_assert!(out == file);
        prop_assert_eq!(written.pixels_changed, 0);
    }
}
