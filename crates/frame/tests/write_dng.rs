//! Mended DNGs, judged by the raw library's own decoder and by exiftool.
#![allow(clippy::unwrap_used)]

mod support;

use std::path::Path;

use motelight_frame::{
    Encoding, Fault, Frame, Limits, Patch, RawDecoder, ReadOptions, Rect, Size, Undone, Written, read, write_mended,
};
use support::dng::{self, CROP, SIZE, decode};
use support::tiff_file::{self, Kind, RGB16, Value};
use support::{bytes, disc, metadata, picture, rggb, wanted};

fn levels(white: f32) -> Encoding {
    Encoding::Levels { period: Size { width: 2, height: 2 }, black: vec![512.0, 513.0, 511.0, 512.5], white }
}

fn kinds() -> Vec<Kind> {
    let mosaic = Kind { samples: 1, photometric: 32803, ..RGB16 };
    let tile = Size { width: 64, height: 48 };
    let mut kinds = Vec::new();
    for big_endian in [false, true] {
        for bits in [10, 12, 14, 16] {
            kinds.push(Kind { big_endian, bits, piece: Size { width: 0, height: 50 }, ..mosaic });
            for lossless in [(1, 2), (1, 1), (4, 2), (6, 1), (7, 2)] {
                kinds.push(Kind { big_endian, bits, compression: 7, piece: tile, lossless, ..mosaic });
            }
        }
        kinds.push(Kind { big_endian, piece: tile, ..mosaic });
    }
    kinds
}

fn make(kind: Kind, codes: &[u16], more: Vec<(u16, Value)>) -> Vec<u8> {
    dng::make(kind, codes, 65535, more)
}

fn mosaic_frame(codes: &[u16], bits: u32) -> Frame {
    support::cropped_frame(rggb(), levels(((1u32 << bits) - 1) as f32), SIZE, codes, 1, CROP)
}

fn mend(dir: &Path, file: &[u8], frame: &Frame, patches: &[Patch]) -> (Vec<u8>, Written) {
    let m = support::mend_and_undo(dir, "dng", file, frame, patches);
    assert!(m.undone == Undone::Bytes && m.back == file, "the copy was not turned back");
    (m.out, m.written)
}

fn compare(frame: &Frame, patches: &[Patch], before: &[u16], after: &[u16], what: &str) -> usize {
    let (crop, width) = (frame.shot.crop, frame.shot.recorded.width);
    let mut changed = 0;
    for (i, (&old, &new)) in before.iter().zip(after).enumerate() {
        let (x, y) = (i % width, i / width);
        let inside = (crop.x..crop.right()).contains(&x) && (crop.y..crop.bottom()).contains(&y);
        let code = if inside { wanted(frame, patches, 0, x - crop.x, y - crop.y) } else { None };
        assert_eq!(new, code.unwrap_or(old), "{what}: ({x}, {y})");
        changed += usize::from(new != old);
    }
    changed
}

#[test]
fn the_raw_library_sees_the_wanted_codes_under_the_masks_and_the_old_ones_elsewhere() {
    let dir = tempfile::tempdir().unwrap();
    for kind in kinds() {
        let codes = picture(SIZE, 1, kind.bits, 7);
        let file = make(kind, &codes, Vec::new());
        let frame = mosaic_frame(&codes, kind.bits);
        let patches = [disc(&frame, (60.0, 90.0), 22.0, 0.2), disc(&frame, (299.0, 198.0), 15.0, 0.1)];
        let (_, written) = mend(dir.path(), &file, &frame, &patches);
        assert!(decode(&dir.path().join("source.dng")) == codes, "{kind:?}");
        let changed = compare(&frame, &patches, &codes, &decode(&dir.path().join("out.dng")), &format!("{kind:?}"));
        assert_eq!(written.pixels_changed, changed, "{kind:?}");
        assert!(changed > 1000, "{kind:?}: {changed}");
    }
}

#[test]
fn a_patch_that_changes_no_light_gives_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    for kind in kinds() {
        let codes = picture(SIZE, 1, kind.bits, 3);
        let file = make(kind, &codes, vec![(51111, Value::Byte(vec![9; 16]))]);
        let frame = mosaic_frame(&codes, kind.bits);
        let (out, written) = mend(dir.path(), &file, &frame, &[disc(&frame, (60.0, 90.0), 22.0, 0.0)]);
        assert!(out == file && written.pixels_changed == 0 && written.notes.is_empty(), "{kind:?}");
    }
}

#[test]
fn untouched_tiles_keep_their_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let kind = kinds().into_iter().find(|k| k.compression == 7 && k.bits == 14).unwrap();
    let codes = picture(SIZE, 1, 14, 5);
    let file = make(kind, &codes, Vec::new());
    let frame = mosaic_frame(&codes, 14);
    // Wholly inside the tile of columns 64 to 127 and rows 48 to 95.
    let (out, _) = mend(dir.path(), &file, &frame, &[disc(&frame, (85.0, 65.0), 10.0, 0.2)]);
    let at = file.iter().zip(&out).filter(|(a, b)| a != b).count();
    let tile = 64 * 48 * 2;
    assert!(at < tile && out.len() < file.len() + tile, "{at} bytes, {} longer", out.len() - file.len());
}

#[test]
fn digests_of_the_raw_image_are_taken_out_and_its_id_changes() {
    let dir = tempfile::tempdir().unwrap();
    for (big_endian, big_tiff) in [(false, false), (true, false), (false, true)] {
        let kind = Kind {
            samples: 1,
            photometric: 32803,
            big_endian,
            big_tiff,
            piece: Size { width: 0, height: 214 },
            ..RGB16
        };
        let codes = picture(SIZE, 1, 16, 5);
        let identity = |tag| (tag, Value::Byte((1..=16).collect()));
        let file = make(kind, &codes, vec![identity(50781), identity(50972), identity(51111)]);
        let frame = mosaic_frame(&codes, 16);
        let (out, written) = mend(dir.path(), &file, &frame, &[disc(&frame, (85.0, 65.0), 10.0, 0.2)]);
        assert_eq!(written.notes.len(), 2);
        let kept: Vec<u16> = tiff_file::tags(&file).into_iter().filter(|tag| ![50972, 51111].contains(tag)).collect();
        assert_eq!(tiff_file::tags(&out), kept);
        if big_tiff {
            // exiftool 12.57 does not read a DNG that is a BigTIFF.
            continue;
        }
        let read = |name: &str| metadata(&dir.path().join(name), &[]);
        let (Some(before), Some(after)) = (read("source.dng"), read("out.dng")) else { return };
        let only_before: Vec<&str> = before.lines().filter(|l| !after.contains(l)).collect();
        let named = ["RawDataUniqueID", "RawImageDigest"];
        assert!(
            only_before.len() == 3 && only_before.iter().all(|l| named.iter().any(|n| l.contains(n))),
            "{only_before:?}"
        );
        assert!(!after.contains("Warning"), "{after}");
    }
}

#[test]
fn a_linearisation_table_is_turned_round() {
    let dir = tempfile::tempdir().unwrap();
    // Square-root coding: 10 bits stand for 16.
    let table: Vec<u64> = (0..1024u64).map(|v| v * v / 16).collect();
    let kind = Kind {
        bits: 10,
        samples: 1,
        photometric: 32803,
        compression: 7,
        piece: Size { width: 64, height: 48 },
        ..RGB16
    };
    let stored = picture(SIZE, 1, 10, 5);
    let codes: Vec<u16> = stored.iter().map(|&s| table[usize::from(s)] as u16).collect();
    let file = make(kind, &stored, vec![(50712, Value::Short(table.clone()))]);
    let frame = mosaic_frame(&codes, 16);
    let patches = [disc(&frame, (85.0, 65.0), 20.0, 0.2)];
    let (out, written) = mend(dir.path(), &file, &frame, &patches);
    assert!(written.pixels_changed > 1000);
    // The same file without its table: what is decoded then are the stored values.
    let bare = |file: &[u8]| {
        let entry = 50712u16.to_le_bytes();
        let at = file.windows(4).rposition(|w| w[..2] == entry && w[2..] == [3, 0]).unwrap();
        let mut file = file.to_vec();
        file[at..at + 2].copy_from_slice(&50713u16.to_le_bytes());
        file[at + 4..at + 8].copy_from_slice(&2u32.to_le_bytes());
        file[at + 8..at + 12].copy_from_slice(&[1, 0, 1, 0]);
        let path = dir.path().join("bare.dng");
        std::fs::write(&path, file).unwrap();
        decode(&path)
    };
    let (before, after) = (bare(&file), bare(&out));
    assert!(before == stored);
    for (i, (&old, &new)) in before.iter().zip(&after).enumerate() {
        let (x, y) = (i % SIZE.width, i / SIZE.width);
        let inside = (CROP.x..CROP.right()).contains(&x) && (CROP.y..CROP.bottom()).contains(&y);
        match if inside { wanted(&frame, &patches, 0, x - CROP.x, y - CROP.y) } else { None } {
            None => assert_eq!(old, new),
            Some(code) => {
                let off = |s: u16| table[usize::from(s)].abs_diff(u64::from(code));
                assert!(off(new) <= off(new - 1) && off(new) <= off(new + 1), "({x}, {y}): {new} for {code}");
            }
        }
    }
}

#[test]
fn a_real_dng_is_mended_and_keeps_its_metadata() {
    let Some(path) = support::shared("raw/colorchart.dng") else { return };
    let file = bytes(&path);
    let codes = decode(&path);
    let recorded = Size { width: 1888, height: 1182 };
    // ActiveArea 26 152 (top, left) and DefaultCropOrigin 0 0 (x, y).
    let crop = Rect { x: 152, y: 26, width: 1734, height: 1156 };
    let levels = Encoding::Levels { period: Size { width: 1, height: 1 }, black: vec![2056.0], white: 15000.0 };
    let frame = support::cropped_frame(rggb(), levels, recorded, &codes, 1, crop);
    let patches = [disc(&frame, (800.0, 500.0), 31.0, 0.2), disc(&frame, (3.0, 3.0), 31.0, 0.2)];
    let dir = tempfile::tempdir().unwrap();
    let (out, _) = mend(dir.path(), &file, &frame, &patches);
    assert!(out.len() == file.len());
    assert!(compare(&frame, &patches, &codes, &decode(&dir.path().join("out.dng")), "colorchart") > 2500);
    let read = |name: &str| metadata(&dir.path().join(name), &["FileName"]);
    if let (Some(before), Some(after)) = (read("source.dng"), read("out.dng")) {
        assert_eq!(before, after);
    }
}

/// Raw image in a sub-directory behind a thumbnail and a JPEG preview, as converters write it.
#[test]
fn a_converted_dng_is_read_mended_and_judged() {
    let dir = tempfile::tempdir().unwrap();
    let (source, out) = (dir.path().join("source.dng"), dir.path().join("out.dng"));
    let kind = Kind { samples: 1, photometric: 32803, bits: 14, piece: Size { width: 0, height: 50 }, ..RGB16 };
    let file = make(kind, &picture(SIZE, 1, 14, 5), dng::matrix());
    std::fs::write(&source, dng::converted(dir.path(), &file)).unwrap();

    let options = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
    let frame = read(&source, &options).unwrap();
    let patches = [disc(&frame, (130.0, 90.0), 31.0, 0.2), disc(&frame, (3.0, 3.0), 20.0, 0.1)];
    let written = write_mended(&source, &frame, &patches, &out).unwrap();
    assert!(!written.notes.iter().any(|n| n.contains("smaller picture")), "{:?}", written.notes);
    thumbnail_is_mended(&source, &out, frame.size(), (130.0, 90.0));
    let changed = compare(&frame, &patches, &decode(&source), &decode(&out), "converted");
    assert!(changed > 2500 && changed == written.pixels_changed);
    let back = dir.path().join("back.dng");
    assert_eq!(motelight_frame::undo(&out, &written.undo, &back).unwrap(), Undone::Bytes);
    assert!(bytes(&back) == bytes(&source));
    // Where the mended previews stand, and how long they are, may change.
    let moved = ["FileName", "FileSize", "TileOffsets", "TileByteCounts", "StripOffsets", "StripByteCounts"];
    let preview = ["PreviewImageStart", "PreviewImageLength", "PreviewImage "];
    let read = |path| metadata(path, &[&moved[..], &preview].concat());
    if let (Some(before), Some(after)) = (read(&source), read(&out)) {
        assert_eq!(before, after);
    }
}

/// The first picture of the file, as a general reader has it, is brighter where the shadow was and the same far from it.
fn thumbnail_is_mended(before: &Path, after: &Path, whole: Size, at: (f64, f64)) {
    let thumbnail = |path: &Path| {
        let mut decoder = tiff::decoder::Decoder::new(std::fs::File::open(path).unwrap()).unwrap();
        let (width, height) = decoder.dimensions().unwrap();
        match decoder.read_image().unwrap() {
            tiff::decoder::DecodingResult::U8(codes) => (width as usize, height as usize, codes),
            _ => panic!("8 bits"),
        }
    };
    let ((width, height, old), (_, _, new)) = (thumbnail(before), thumbnail(after));
    let scale = (width as f64 / whole.width as f64, height as f64 / whole.height as f64);
    let (mut brighter, mut other) = (0, 0);
    for i in 0..width * height {
        let (x, y) = (((i % width) as f64 + 0.5) / scale.0, ((i / width) as f64 + 0.5) / scale.1);
        let far = (x - at.0).hypot(y - at.1) > 36.0 && x.hypot(y) > 30.0;
        let step = (0..3).map(|c| i32::from(new[i * 3 + c]) - i32::from(old[i * 3 + c])).sum::<i32>();
        assert!(!far || step == 0, "({x}, {y})");
        brighter += usize::from(step > 0 && !far);
        other += usize::from(step <= 0 && (x - at.0).hypot(y - at.1) < 15.0);
    }
    assert!(brighter > 10 && brighter > 4 * other, "{brighter} brighter, {other} not");
}

#[test]
fn a_raw_that_is_no_dng_is_refused_with_the_way_out() {
    let dir = tempfile::tempdir().unwrap();
    let codes = picture(SIZE, 1, 16, 5);
    let kind = Kind { samples: 1, photometric: 32803, piece: Size { width: 0, height: 50 }, ..RGB16 };
    let source = dir.path().join("source.nef");
    std::fs::write(&source, tiff_file::make(kind, SIZE, &codes, Vec::new())).unwrap();
    let frame = mosaic_frame(&codes, 16);
    let e = write_mended(&source, &frame, &[], &dir.path().join("out.nef")).unwrap_err();
    assert_eq!(e.fault, Fault::Unsupported);
    assert!(e.remedy.contains("DNG"), "{}", e.remedy);
    assert!(!dir.path().join("out.nef").exists());
}

#[test]
fn a_frame_of_another_picture_is_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let kind = Kind { samples: 1, photometric: 32803, piece: Size { width: 0, height: 50 }, ..RGB16 };
    let source = dir.path().join("source.dng");
    std::fs::write(&source, make(kind, &picture(SIZE, 1, 16, 5), Vec::new())).unwrap();
    let frame = mosaic_frame(&picture(SIZE, 1, 16, 6), 16);
    let patch = disc(&frame, (85.0, 65.0), 10.0, 0.2);
    let e = write_mended(&source, &frame, &[patch], &dir.path().join("out.dng")).unwrap_err();
    assert_eq!(e.fault, Fault::Usage);
    assert!(!dir.path().join("out.dng").exists());
}
