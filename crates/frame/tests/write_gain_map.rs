//! Gain maps: found by exiftool, applied here as the DNG specification 1.7 says (opcode 9, from memory), the data behind them
//! decoded by the raw library.
#![allow(clippy::unwrap_used)]

mod support;

use std::path::Path;

use motelight_frame::{
    Encoding, Fault, Frame, Limits, Patch, RawDecoder, ReadOptions, Rect, Size, Undone, Written, read, write_gain_maps,
    write_mended,
};
use support::dng::{self, CROP, SIZE, decode};
use support::tiff_file::{self, Kind, RGB16, Value};
use support::{disc, exiftool, masked, metadata, picture, rggb};

/// Top, left, bottom, right.
const ACTIVE: [u64; 4] = [3, 5, 212, 325];

fn kind(big_endian: bool) -> Kind {
    Kind { samples: 1, photometric: 32803, big_endian, bits: 14, piece: Size { width: 0, height: 50 }, ..RGB16 }
}

fn file_of(kind: Kind, codes: &[u16], more: Vec<(u16, Value)>) -> Vec<u8> {
    // The second stands beyond the new entry, so that the table must stay in order.
    let mut tags = vec![(50829, Value::Long(ACTIVE.to_vec())), (51125, Value::Short(vec![0, 0]))];
    tags.extend(more);
    dng::make(kind, codes, 16383, tags)
}

fn frame_of(file: &[u8], codes: &[u16]) -> Frame {
    let levels = Encoding::Levels { period: Size { width: 1, height: 1 }, black: vec![512.0], white: 16383.0 };
    let frame = support::cropped_frame(rggb(), levels, SIZE, codes, 1, CROP);
    Frame { digest: support::digest(file), ..frame }
}

/// Writes the copy as `out.dng` beside `source.dng`, turns it back, and gives it back.
fn mend(dir: &Path, file: &[u8], frame: &Frame, patches: &[Patch]) -> (Vec<u8>, Written) {
    let m = support::write_and_undo(write_gain_maps, dir, "dng", file, frame, patches);
    assert!(m.undone == Undone::Bytes && m.back == file, "the copy was not turned back");
    (m.out, m.written)
}

/// The second opcode list as exiftool finds it.
fn list_of(path: &Path) -> Option<Vec<u8>> {
    exiftool(path, &["-b", "-OpcodeList2"])
}

struct Reader<'a>(&'a [u8]);

impl Reader<'_> {
    fn take<const N: usize>(&mut self) -> [u8; N] {
        let (head, rest) = self.0.split_first_chunk::<N>().expect("the list is long enough");
        self.0 = rest;
        *head
    }
    fn word(&mut self) -> u32 {
        u32::from_be_bytes(self.take())
    }
    fn real(&mut self) -> f64 {
        f64::from_be_bytes(self.take())
    }
}

/// What the list multiplies the light of the active area by, as the specification says: the place of a pixel is its middle in
/// shares of the area, between points the gain is interpolated, beyond them that of the last point counts.
fn applied(list: &[u8], area: Size) -> Vec<f64> {
    let mut all = vec![1.0; area.area()];
    let mut r = Reader(list);
    for _ in 0..r.word() {
        let [id, version, flags, length] = [r.word(), r.word(), r.word(), r.word()];
        let end = r.0.len() - length as usize;
        if id == 9 {
            assert_eq!((version, flags), (0x0103_0000, 1));
            let [top, left, bottom, right, plane, planes, row_pitch, col_pitch, down, across] =
                std::array::from_fn(|_| r.word() as usize);
            let [step_v, step_h, origin_v, origin_h] = std::array::from_fn(|_| r.real());
            assert_eq!((plane, planes, r.word()), (0, 1, 1));
            assert_eq!(length as usize, 76 + 4 * down * across);
            let gains: Vec<f32> = (0..down * across).map(|_| f32::from_be_bytes(r.take())).collect();
            let point = |v: f64, n: usize| (v.clamp(0.0, (n - 1) as f64).floor() as usize).min(n.saturating_sub(2));
            for y in (top..bottom).step_by(row_pitch) {
                for x in (left..right).step_by(col_pitch) {
                    let v = ((y as f64 + 0.5) / area.height as f64 - origin_v) / step_v;
                    let h = ((x as f64 + 0.5) / area.width as f64 - origin_h) / step_h;
                    let (i, j) = (point(v, down), point(h, across));
                    let at = |i: usize, j: usize| f64::from(gains[i.min(down - 1) * across + j.min(across - 1)]);
                    let (v, h) = ((v - i as f64).clamp(0.0, 1.0), (h - j as f64).clamp(0.0, 1.0));
                    let row = |i: usize| at(i, j) * (1.0 - h) + at(i, j + 1) * h;
                    all[y * area.width + x] *= row(i) * (1.0 - v) + row(i + 1) * v;
                }
            }
        }
        if id != 9 {
            r.0 = &r.0[length as usize..];
        }
        assert_eq!(r.0.len(), end, "an opcode is as long as it says");
    }
    assert!(r.0.is_empty());
    all
}

/// Holds what the list does to the frame's light against the patches.
fn compare(list: &[u8], frame: &Frame, patches: &[Patch], area: Rect) -> usize {
    let gains = applied(list, area.size());
    let (crop, mut with_gain) = (frame.shot.crop, 0);
    for (i, &gain) in gains.iter().enumerate() {
        let (x, y) = (i % area.width + area.x, i / area.width + area.y);
        let inside = (crop.x..crop.right()).contains(&x) && (crop.y..crop.bottom()).contains(&y);
        let (fx, fy) = (x.wrapping_sub(crop.x), y.wrapping_sub(crop.y));
        if !inside || !masked(patches, fx, fy) {
            assert!((gain - 1.0).abs() < 1e-9, "({x}, {y}) outside the masks: {gain}");
            continue;
        }
        let last = patches.iter().rfind(|p| masked(std::slice::from_ref(*p), fx, fy)).unwrap();
        let wanted = last.planes[0].at(fx - last.window.x, fy - last.window.y);
        let light = f64::from(frame.planes[0].at(fx, fy)) * gain;
        assert!((light - f64::from(wanted)).abs() <= 1e-6 * f64::from(wanted).abs() + 1e-9, "({x}, {y})");
        with_gain += usize::from(gain != 1.0);
    }
    with_gain
}

fn patches_of(frame: &Frame) -> Vec<Patch> {
    // Two that overlap, and one at the corner.
    vec![
        disc(frame, (60.0, 90.0), 22.0, 0.2),
        disc(frame, (75.0, 95.0), 18.0, 0.1),
        disc(frame, (299.0, 198.0), 15.0, 0.3),
    ]
}

#[test]
fn the_data_stay_and_the_gains_give_the_light_of_the_patches() {
    let dir = tempfile::tempdir().unwrap();
    let area = Rect { x: 5, y: 3, width: 320, height: 209 };
    for big_endian in [false, true] {
        let codes = picture(SIZE, 1, 14, 7);
        let file = file_of(kind(big_endian), &codes, vec![(51111, Value::Byte(vec![9; 16]))]);
        let frame = frame_of(&file, &codes);
        let patches = patches_of(&frame);
        let (out, written) = mend(dir.path(), &file, &frame, &patches);
        let path = dir.path().join("out.dng");
        assert!(decode(&path) == codes, "the sensor data changed");
        assert!(written.notes.iter().any(|n| n.contains("Not proved")), "{:?}", written.notes);
        // Only the head of the file was changed, to point to the new table; all else was added.
        let differs: Vec<usize> = (0..file.len()).filter(|&i| out[i] != file[i]).collect();
        assert!(differs.iter().all(|at| (4..8).contains(at)), "{differs:?}");
        let mut tags = tiff_file::tags(&file);
        tags.push(51009);
        tags.sort_unstable();
        assert_eq!(tiff_file::tags(&out), tags);
        let Some(list) = list_of(&path) else { return };
        assert_eq!(compare(&list, &frame, &patches, area), written.pixels_changed);
        assert!(written.pixels_changed > 2000);
        let told = |name: &str| metadata(&dir.path().join(name), &["OpcodeList2", "FileSize", "FileName"]);
        assert_eq!(told("source.dng"), told("out.dng"));
    }
}

#[test]
fn a_maker_s_own_opcodes_stay_and_come_after() {
    let dir = tempfile::tempdir().unwrap();
    // One opcode of 4 bytes that nobody knows.
    let own: Vec<u8> = [1u32, 4711, 0x0101_0000, 1, 4, 7].iter().flat_map(|n| n.to_be_bytes()).collect();
    let codes = picture(SIZE, 1, 14, 7);
    let file = file_of(kind(false), &codes, vec![(51009, Value::Byte(own.clone()))]);
    let frame = frame_of(&file, &codes);
    let patches = patches_of(&frame);
    mend(dir.path(), &file, &frame, &patches);
    let path = dir.path().join("out.dng");
    assert!(decode(&path) == codes);
    let Some(list) = list_of(&path) else { return };
    assert_eq!(list[..4], 4u32.to_be_bytes());
    assert!(list.ends_with(&own[4..]));
    compare(&list, &frame, &patches, Rect { x: 5, y: 3, width: 320, height: 209 });
}

/// Raw image in a sub-directory behind a thumbnail and a preview, as converters write it.
#[test]
fn a_raw_in_a_sub_directory_is_found_again_and_its_previews_are_mended() {
    let dir = tempfile::tempdir().unwrap();
    let file = dng::converted(dir.path(), &file_of(kind(false), &picture(SIZE, 1, 14, 5), dng::matrix()));
    let source = dir.path().join("source.dng");
    std::fs::write(&source, &file).unwrap();
    let options = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
    let frame = read(&source, &options).unwrap();
    let patches = [disc(&frame, (130.0, 90.0), 31.0, 0.2)];
    let (_, written) = mend(dir.path(), &file, &frame, &patches);
    let out = dir.path().join("out.dng");
    assert!(!written.notes.iter().any(|n| n.contains("smaller picture")), "{:?}", written.notes);
    assert_eq!(decode(&out), decode(&source));
    let again = read(&out, &options).unwrap();
    assert!(again.planes == frame.planes && again.shot == frame.shot);
    let Some(list) = list_of(&out) else { return };
    // The converter keeps the active area, in which our frame may begin anywhere.
    let area = exiftool(&out, &["-s3", "-ActiveArea"]).unwrap();
    let sides: Vec<usize> = String::from_utf8(area).unwrap().split_whitespace().map(|n| n.parse().unwrap()).collect();
    let &[top, left, bottom, right] = sides.as_slice() else { panic!("{sides:?}") };
    let area = Rect { x: left, y: top, width: right - left, height: bottom - top };
    assert_eq!(compare(&list, &frame, &patches, area), written.pixels_changed);
}

#[test]
fn nothing_to_change_gives_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let codes = picture(SIZE, 1, 14, 3);
    let file = file_of(kind(true), &codes, Vec::new());
    let frame = frame_of(&file, &codes);
    let (out, written) = mend(dir.path(), &file, &frame, &[disc(&frame, (60.0, 90.0), 22.0, 0.0)]);
    assert!(out == file && written.pixels_changed == 0 && written.notes.is_empty());
}

#[test]
fn what_gain_maps_cannot_do_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let codes = picture(SIZE, 1, 14, 7);
    let file = file_of(kind(false), &codes, Vec::new());
    let frame = frame_of(&file, &codes);
    let patches = patches_of(&frame);
    let (out, _) = mend(dir.path(), &file, &frame, &patches);
    let (mended, twice) = (dir.path().join("out.dng"), dir.path().join("twice.dng"));
    // The shadows still stand in the data: a second mending would take them out twice.
    let again = Frame { digest: support::digest(&out), ..frame.clone() };
    for refused in [write_gain_maps(&mended, &again, &patches, &twice), write_mended(&mended, &again, &patches, &twice)]
    {
        let e = refused.unwrap_err();
        assert!(e.fault == Fault::Unsupported && e.remedy.contains("original"), "{e:?}");
    }
    // Another file than the frame's.
    let e = write_gain_maps(&mended, &frame, &patches, &twice).unwrap_err();
    assert_eq!(e.fault, Fault::Usage);
    // No DNG.
    let tiff = dir.path().join("plain.tif");
    let codes = picture(SIZE, 3, 16, 7);
    let file = tiff_file::make(Kind { piece: Size { width: 0, height: 50 }, ..RGB16 }, SIZE, &codes, Vec::new());
    std::fs::write(&tiff, &file).unwrap();
    let tone = Encoding::Tones(vec![support::srgb(16); 3]);
    let frame = support::frame(motelight_frame::Layout::Rgb, tone, SIZE, &codes, 3);
    let frame = Frame { digest: support::digest(&file), ..frame };
    let e = write_gain_maps(&tiff, &frame, &[], &twice).unwrap_err();
    assert!(e.fault == Fault::Unsupported && !twice.exists(), "{e:?}");
}
