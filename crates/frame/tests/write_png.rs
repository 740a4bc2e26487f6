//! Mended PNGs, judged by the png crate and by exiftool.
#![allow(clippy::unwrap_used)]

mod support;

use std::io::Cursor;
use std::path::Path;

use motelight_frame::{Encoding, Fault, Frame, Layout, Patch, Size, Undone, Written, write_mended};
use png::{BitDepth, ColorType};
use support::{disc, metadata, picture, srgb, wanted};

const SIZE: Size = Size { width: 83, height: 61 };

#[derive(Clone, Copy, Debug)]
struct Kind {
    colour: ColorType,
    bits: u32,
    filter: png::Filter,
    interlaced: bool,
}

fn kinds() -> Vec<Kind> {
    let mut kinds = Vec::new();
    for colour in [ColorType::Grayscale, ColorType::GrayscaleAlpha, ColorType::Rgb, ColorType::Rgba] {
        for bits in [8, 16] {
            for filter in [
                png::Filter::NoFilter,
                png::Filter::Sub,
                png::Filter::Up,
                png::Filter::Avg,
                png::Filter::Paeth,
                png::Filter::Adaptive,
            ] {
                kinds.push(Kind { colour, bits, filter, interlaced: false });
            }
            kinds.push(Kind { colour, bits, filter: png::Filter::NoFilter, interlaced: true });
        }
    }
    kinds
}

fn big_endian(codes: &[u16], bits: u32) -> Vec<u8> {
    if bits == 16 {
        codes.iter().flat_map(|c| c.to_be_bytes()).collect()
    } else {
        codes.iter().map(|&c| c as u8).collect()
    }
}

fn chunk(kind: &[u8; 4], payload: &[u8]) -> Vec<u8> {
    let mut crc = flate2::Crc::new();
    crc.update(kind);
    crc.update(payload);
    [&(payload.len() as u32).to_be_bytes()[..], kind, payload, &crc.sum().to_be_bytes()].concat()
}

/// A PNG with chunks of many kinds before and after the picture data.
fn make(kind: Kind, codes: &[u16]) -> Vec<u8> {
    let samples = kind.colour.samples();
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, SIZE.width as u32, SIZE.height as u32);
    encoder.set_color(kind.colour);
    encoder.set_depth(if kind.bits == 16 { BitDepth::Sixteen } else { BitDepth::Eight });
    encoder.set_filter(kind.filter);
    encoder.set_pixel_dims(Some(png::PixelDimensions { xppu: 11811, yppu: 11811, unit: png::Unit::Meter }));
    encoder.add_itxt_chunk("Title".into(), "Fjord in frost".into()).unwrap();
    let mut writer = encoder.write_header().unwrap();
    writer.write_image_data(&big_endian(codes, kind.bits)).unwrap();
    writer.finish().unwrap();
    let first = file.windows(4).position(|w| w == b"IDAT").unwrap() - 4;
    let end = file.len() - 12;
    let time = chunk(b"tIME", &[7, 233, 11, 3, 9, 30, 0]);
    if !kind.interlaced {
        return [&file[..end], &time, &file[end..]].concat();
    }
    // The png crate writes no interlaced files: passes of Adam7 (PNG, 8.2), without filters.
    let bytes = big_endian(codes, kind.bits);
    let pixel = samples * kind.bits as usize / 8;
    let mut rows = Vec::new();
    for (x0, y0, dx, dy) in
        [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)]
    {
        for y in (y0..SIZE.height).step_by(dy) {
            rows.push(0);
            for x in (x0..SIZE.width).step_by(dx) {
                let at = (y * SIZE.width + x) * pixel;
                rows.extend_from_slice(&bytes[at..at + pixel]);
            }
        }
    }
    let mut zlib = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
    std::io::Write::write_all(&mut zlib, &rows).unwrap();
    let data: Vec<u8> = zlib.finish().unwrap().chunks(700).flat_map(|p| chunk(b"IDAT", p)).collect();
    let mut header = file[16..29].to_vec();
    header[12] = 1;
    [&file[..8], &chunk(b"IHDR", &header), &file[33..first], &data, &time, &file[end..]].concat()
}

fn decode(file: &[u8], bits: u32) -> Vec<u16> {
    let mut reader = png::Decoder::new(Cursor::new(file)).read_info().unwrap();
    let mut bytes = vec![0; reader.output_buffer_size().unwrap()];
    reader.next_frame(&mut bytes).unwrap();
    reader.finish().unwrap();
    match bits {
        16 => bytes.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect(),
        _ => bytes.into_iter().map(u16::from).collect(),
    }
}

fn decode_depth(file: &[u8]) -> BitDepth {
    png::Decoder::new(Cursor::new(file)).read_info().unwrap().info().bit_depth
}

fn frame_of(kind: Kind, codes: &[u16]) -> Frame {
    let grey = matches!(kind.colour, ColorType::Grayscale | ColorType::GrayscaleAlpha);
    let layout = if grey { Layout::Grey } else { Layout::Rgb };
    support::frame(layout, Encoding::Tones(vec![srgb(kind.bits); 3]), SIZE, codes, kind.colour.samples())
}

fn mend(dir: &Path, file: &[u8], frame: &Frame, patches: &[Patch]) -> (Vec<u8>, Written) {
    let m = support::mend_and_undo(dir, "png", file, frame, patches);
    let bits = if decode_depth(file) == BitDepth::Sixteen { 16 } else { 8 };
    assert!(decode(&m.back, bits) == decode(file, bits), "the copy was not turned back");
    assert_eq!(other_chunks(&m.back), other_chunks(file));
    assert_eq!(m.undone == Undone::Bytes, m.back == file);
    (m.out, m.written)
}

/// Kind and bytes of every chunk but the picture data.
fn other_chunks(file: &[u8]) -> Vec<&[u8]> {
    let mut chunks = Vec::new();
    let mut at = 8;
    while at < file.len() {
        let length = u32::from_be_bytes(file[at..at + 4].try_into().unwrap()) as usize;
        if &file[at + 4..at + 8] != b"IDAT" {
            chunks.push(&file[at..at + 12 + length]);
        }
        at += 12 + length;
    }
    chunks
}

#[test]
fn only_pixels_under_masks_change_and_all_other_chunks_stay() {
    let dir = tempfile::tempdir().unwrap();
    for kind in kinds() {
        let samples = kind.colour.samples();
        let codes = picture(SIZE, samples, kind.bits, 7);
        let file = make(kind, &codes);
        let frame = frame_of(kind, &codes);
        assert!(decode(&file, kind.bits) == codes, "{kind:?}");
        let patches = [disc(&frame, (20.0, 30.0), 9.0, 0.2), disc(&frame, (80.0, 58.0), 12.0, 0.1)];
        let (out, written) = mend(dir.path(), &file, &frame, &patches);
        let mended = decode(&out, kind.bits);
        let mut changed = 0;
        for (i, (&old, &new)) in codes.iter().zip(&mended).enumerate() {
            let (x, y, s) = (i / samples % SIZE.width, i / samples / SIZE.width, i % samples);
            changed += usize::from(s == 0 && old != new);
            match wanted(&frame, &patches, s.min(frame.planes.len() - 1), x, y).filter(|_| s < frame.planes.len()) {
                None => assert_eq!(old, new, "{kind:?} ({x}, {y})"),
                Some(code) => assert!(new.abs_diff(code) <= u16::from(kind.bits == 8), "{kind:?} ({x}, {y})"),
            }
        }
        assert!(changed > 200 && written.pixels_changed >= changed, "{kind:?}");
        assert_eq!(other_chunks(&file), other_chunks(&out), "{kind:?}");
    }
}

#[test]
fn a_patch_that_changes_no_light_gives_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    for kind in kinds() {
        let codes = picture(SIZE, kind.colour.samples(), kind.bits, 3);
        let file = make(kind, &codes);
        let frame = frame_of(kind, &codes);
        let (out, written) = mend(dir.path(), &file, &frame, &[disc(&frame, (40.0, 30.0), 20.0, 0.0)]);
        assert!(out == file && written.pixels_changed == 0, "{kind:?}");
    }
}

#[test]
fn metadata_stays_as_an_independent_reader_sees_it() {
    let dir = tempfile::tempdir().unwrap();
    let kind = Kind { colour: ColorType::Rgb, bits: 16, filter: png::Filter::Adaptive, interlaced: false };
    let codes = picture(SIZE, 3, 16, 3);
    let frame = frame_of(kind, &codes);
    mend(dir.path(), &make(kind, &codes), &frame, &[disc(&frame, (40.0, 30.0), 20.0, 0.2)]);
    let read = |name: &str| metadata(&dir.path().join(name), &["FileName", "FileSize"]);
    let (Some(before), Some(after)) = (read("source.png"), read("out.png")) else { return };
    assert_eq!(before, after);
    assert!(after.contains("Fjord in frost") && !after.contains("Warning"), "{after}");
}

#[test]
fn a_palette_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let mut file = Vec::new();
    let mut encoder = png::Encoder::new(&mut file, 4, 4);
    encoder.set_color(ColorType::Indexed);
    encoder.set_palette(vec![0, 0, 0, 255, 255, 255]);
    encoder.write_header().unwrap().write_image_data(&[0; 16]).unwrap();
    let source = dir.path().join("source.png");
    std::fs::write(&source, file).unwrap();
    let size = Size { width: 4, height: 4 };
    let frame = support::frame(Layout::Rgb, Encoding::Tones(vec![srgb(8); 3]), size, &[0; 48], 3);
    let e = write_mended(&source, &frame, &[], &dir.path().join("out.png")).unwrap_err();
    assert_eq!(e.fault, Fault::Unsupported);
}
