//! Open test pictures read, mended and read again.
#![allow(clippy::unwrap_used)]

mod support;

use motelight_frame::{Encoding, Fault, Limits, RawDecoder, ReadOptions, read, write_mended};
use support::{bytes, disc, inside, masked, metadata, shared};

/// Files of every kind that is read.
const NAMES: [&str; 9] = [
    "raw/colorchart.dng",
    "edge/flower-rgb-contig-16.tif",
    "edge/P3-sRGB-color-ring.png",
    "orientation/Landscape_3.jpg",
    "photos/IMG_2222.JPG",
    "photos/iptc-mess.jpg",
    "edge/tahoe-gps.jpg",
    "edge/flower.png.im_q85_420_progr.jpg",
    "edge/tower_progressive.jpg",
];

#[test]
fn what_is_read_can_be_mended_and_only_the_masks_change() {
    let options = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
    let dir = tempfile::tempdir().unwrap();
    for name in NAMES {
        let Some(source) = shared(name) else { return };
        let before = read(&source, &options).unwrap();
        let size = before.size();
        let (w, h) = (size.width as f64, size.height as f64);
        let patches = [disc(&before, (w * 0.3, h * 0.25), 25.0, 0.1), disc(&before, (w - 2.0, h * 0.7), 9.0, 0.2)];
        let out = dir.path().join(source.file_name().unwrap());
        let digest = bytes(&source);
        let written = write_mended(&source, &before, &patches, &out).unwrap_or_else(|e| panic!("{e}"));
        assert!(bytes(&source) == digest, "{name}: the original was written to");
        let after = read(&out, &options).unwrap();
        assert_eq!(before.shot, after.shot, "{name}");
        let blocks = name.to_lowercase().ends_with("jpg");
        let mut changed = 0;
        for (p, plane) in before.planes.iter().enumerate() {
            for y in 0..size.height {
                for x in (0..size.width).filter(|&x| plane.at(x, y) != after.planes[p].at(x, y)) {
                    changed += 1;
                    let allowed = if blocks { inside(&written.footprint, x, y) } else { masked(&patches, x, y) };
                    assert!(allowed, "{name}: ({x}, {y})");
                }
            }
        }
        assert!(changed > 0 && written.pixels_changed > 0, "{name}");
        if let Encoding::Levels { white, .. } = before.encoding {
            // Raw: all that rounding to whole codes leaves.
            let patch = &patches[0];
            let light = patch.planes[0].at(25, 25);
            let got = after.planes[0].at(patch.window.x + 25, patch.window.y + 25);
            assert!((light - got).abs() < 0.51 / (white - 2056.0), "{name}: {got} for {light}");
        }
        let read = |path| metadata(path, &["FileName", "Directory", "FileSize", "FileModifyDate"]);
        if let (Some(before), Some(after)) = (read(&source), read(&out)) {
            assert_eq!(before, after, "{name}");
        }
    }
}

#[test]
fn a_raw_of_another_kind_is_refused_before_anything_is_written() {
    let Some(dng) = shared("raw/colorchart.dng") else { return };
    let options = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
    let frame = read(&dng, &options).unwrap();
    let Some(raf) = shared("edge/issue_857_poc.raf") else { return };
    let dir = tempfile::tempdir().unwrap();
    let e = write_mended(&raf, &frame, &[], &dir.path().join("out.raf")).unwrap_err();
    assert_eq!(e.fault, Fault::Unsupported);
    assert!(std::fs::read_dir(dir.path()).unwrap().next().is_none());
}
