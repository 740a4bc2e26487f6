//! `motelight signoff` and `motelight rake` from outside.

use std::path::{Path, PathBuf};

use motelight_frame::{Frame, Plane, Size};
use motelight_synth::scene::View;
use motelight_synth::sets::{FrameSpec, PictureSpec, picture, write};
use motelight_synth::write::Chroma;
use motelight_synth::{Format, Mode, Tone};
use serde_json::Value;

use crate::run::{digests, ledger_file, motelight, names};
use crate::shoot::light_of;
use crate::trace::traced;

fn spec(motes: usize) -> FrameSpec {
    FrameSpec { width: 1200, height: 800, mode: Mode::PupilIntegral, grains_only: true, ..FrameSpec::new(51, motes) }
}

/// A picture of plain sky, as a camera's JPEG.
fn sky(folder: &Path, name: &str, motes: usize, orientation: u16) -> PathBuf {
    let of = PictureSpec { orientation, ..PictureSpec::new(View::ClearSky, 3, 22.0) };
    let path = folder.join(name);
    let jpeg = Format::Jpeg(95, Chroma::Full, Tone::Srgb);
    write(&picture(&spec(motes), &of), jpeg, None, &path, &path.with_extension("truth.json")).expect("written");
    path
}

#[test]
fn every_key_is_there_and_the_verdict_is_the_exit_code() {
    let folder = tempfile::tempdir().expect("a folder");
    let dusty = sky(folder.path(), "dusty.jpg", 14, 1);
    let torn = folder.path().join("torn.jpg");
    std::fs::write(&torn, &std::fs::read(&dusty).expect("read")[..4000]).expect("written");
    let before = digests(folder.path());
    let out = tempfile::tempdir().expect("a folder");
    let run = motelight(&[&"signoff", &dusty, &torn, &"--json", &"--out", &out.path(), &"--print", &"90x60cm"]);
    assert_eq!(digests(folder.path()), before, "files are read, never written");
    let document = run.document();
    assert_eq!(document["schema"], "motelight.signoff/1");
    for key in ["files", "viewing", "trace", "report", "delivery_note"] {
        assert!(document.get(key).is_some(), "{key}");
    }
    let files = document["files"].as_array().expect("files");
    let keys = [
        "path",
        "verdict",
        "width",
        "height",
        "sha256",
        "print",
        "suspects",
        "vouches_to",
        "original",
        "motes",
        "notes",
        "error",
    ];
    for file in files {
        for key in keys {
            assert!(file.get(key).is_some(), "{key}");
        }
    }
    assert_eq!(files[1]["error"]["code"], "broken");
    assert_eq!(run.code, 2, "one could not be judged");
    assert_eq!(files[0]["verdict"], "suspects", "{}", run.stdout);
    assert_eq!(files[0]["print"]["width_mm"], 900.0);
    let first = &files[0]["suspects"][0];
    let keys = [
        "number",
        "x_px",
        "y_px",
        "width_px",
        "contrast",
        "contrast_sigma",
        "times_threshold",
        "snr",
        "counts",
        "mote_id",
        "reason",
    ];
    for key in keys {
        assert!(first.get(key).is_some(), "{key}");
    }
    assert!(first["times_threshold"].as_f64().expect("a number") >= 1.0);
    assert!(out.path().join("signoff-report.html").is_file());
    assert!(!out.path().join("delivery-note.html").exists(), "nothing is clear, nothing is promised");
    let alone = motelight(&[&"signoff", &dusty, &"--print", &"90x60cm"]);
    assert_eq!(alone.code, 1, "{}", alone.stdout);
    assert!(alone.stdout.contains("suspects"));
}

#[test]
fn a_clear_file_gets_a_delivery_note_and_a_line_in_the_ledger() {
    let folder = tempfile::tempdir().expect("a folder");
    let clean = sky(folder.path(), "clean_evening.jpg", 0, 1);
    let out = folder.path().join("note");
    let run = motelight(&[&"signoff", &clean, &"--out", &out, &"--screen"]);
    assert_eq!(run.code, 0, "{}{}", run.stdout, run.stderr);
    let note = std::fs::read_to_string(out.join("delivery-note.html")).expect("a note");
    let digest =
        digests(folder.path()).get(&clean).expect("digest").iter().map(|b| format!("{b:02x}")).collect::<String>();
    assert!(note.contains("clean_evening.jpg") && note.contains(&digest));
    let ledger = motelight(&[&"ledger", &"deliveries", &"--ledger", &ledger_file()]);
    assert!(ledger.stdout.contains("clean_evening.jpg, clear"), "{}", ledger.stdout);
}

#[test]
fn a_raking_view_is_upright_and_replaces_nothing_but_another() {
    let folder = tempfile::tempdir().expect("a folder");
    let picture = sky(folder.path(), "upright.jpg", 14, 6);
    let view = folder.path().join("view.png");
    let run = motelight(&[&"rake", &picture, &"--out", &view, &"--json", &"--strength", &"12"]);
    assert_eq!(run.code, 0, "{}", run.stderr);
    let document = run.document();
    for key in ["schema", "path", "output", "width", "height", "strength", "scale", "scale_px", "error"] {
        assert!(document.get(key).is_some(), "{key}");
    }
    assert_eq!((&document["width"], &document["height"]), (&Value::from(800), &Value::from(1200)));
    let light = light_of(&view);
    assert_eq!(light.size(), Size { width: 800, height: 1200 });
    // Another scale, the same name: an older raking view may go.
    assert_eq!(motelight(&[&"rake", &picture, &"--out", &view, &"--scale", &"1%"]).code, 0);
    let other = folder.path().join("other.png");
    std::fs::write(&other, "somebody's work").expect("written");
    for taken in [&other, &picture] {
        let run = motelight(&[&"rake", &picture, &"--out", taken]);
        assert_eq!(run.code, 2);
        assert!(run.stderr.contains("hint:"), "{}", run.stderr);
    }
    assert_eq!(std::fs::read_to_string(&other).expect("still there"), "somebody's work");
    assert_eq!(names(folder.path()).iter().filter(|n| n.starts_with(".motelight")).count(), 0);
}

/// Uncompressed TIFF of 8-bit RGB, sRGB curve (TIFF 6.0, baseline; IEC 61966-2-1).
fn tiff(path: &Path, size: Size, light: impl Fn(usize, usize) -> [f64; 3]) {
    let mut pixels = Vec::new();
    for y in 0..size.height {
        for x in 0..size.width {
            pixels.extend(light(x, y).map(|l| {
                let l = l.clamp(0.0, 1.0);
                let v = if l <= 0.003_130_8 { 12.92 * l } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 };
                (255.0 * v).round() as u8
            }));
        }
    }
    let (w, h) = (size.width as u32, size.height as u32);
    let entries: [(u16, u16, u32, u32); 10] = [
        (256, 4, 1, w),
        (257, 4, 1, h),
        (258, 3, 3, 8 + 2 + 10 * 12 + 4),
        (259, 3, 1, 1),
        (262, 3, 1, 2),
        (273, 4, 1, 8 + 2 + 10 * 12 + 4 + 6),
        (277, 3, 1, 3),
        (278, 4, 1, h),
        (279, 4, 1, 3 * w * h),
        (284, 3, 1, 1),
    ];
    let mut bytes = b"II*\0\x08\0\0\0".to_vec();
    bytes.extend(10u16.to_le_bytes());
    for (tag, kind, count, value) in entries {
        bytes.extend(tag.to_le_bytes());
        bytes.extend(kind.to_le_bytes());
        bytes.extend(count.to_le_bytes());
        bytes.extend(value.to_le_bytes());
    }
    bytes.extend([0; 4]);
    bytes.extend([8, 0, 8, 0, 8, 0]);
    bytes.extend(pixels);
    std::fs::write(path, bytes).expect("written");
}

/// Straightened by 1.5 degrees and cropped to 84 % of the width: where a place of the original comes, px.
fn edited(original: Size, x: f64, y: f64) -> (f64, f64) {
    let (sin, cos) = 1.5f64.to_radians().sin_cos();
    let (dx, dy) = (x - 0.5 * original.width as f64, y - 0.5 * original.height as f64);
    let size = cropped(original);
    (cos * dx - sin * dy + 0.5 * size.width as f64, sin * dx + cos * dy + 0.5 * size.height as f64)
}

fn cropped(original: Size) -> Size {
    Size { width: original.width * 84 / 100, height: original.height * 84 / 100 }
}

fn edit(frame: &Frame, path: &Path) {
    let (from, size) = (frame.size(), cropped(frame.size()));
    let (sin, cos) = (-1.5f64).to_radians().sin_cos();
    let at = |plane: &Plane, x: f64, y: f64| {
        let (i, j) = ((x as usize).min(from.width - 2), (y as usize).min(from.height - 2));
        let (s, t) = (x - i as f64, y - j as f64);
        let v = |i: usize, j: usize| f64::from(plane.at(i, j));
        (v(i, j) * (1.0 - s) + v(i + 1, j) * s) * (1.0 - t) + (v(i, j + 1) * (1.0 - s) + v(i + 1, j + 1) * s) * t
    };
    tiff(path, size, |x, y| {
        let (dx, dy) = (x as f64 + 0.5 - 0.5 * size.width as f64, y as f64 + 0.5 - 0.5 * size.height as f64);
        let (u, v) = (cos * dx - sin * dy + 0.5 * from.width as f64, sin * dx + cos * dy + 0.5 * from.height as f64);
        [0, 1, 2].map(|c| at(&frame.planes[c], (u - 0.5).max(0.0), (v - 0.5).max(0.0)))
    });
}

#[test]
fn each_mote_of_a_trace_is_answered_in_straightened_and_cropped_pictures() {
    let shoot = traced();
    let text = std::fs::read_to_string(shoot.document()).expect("written");
    let trace: Value = serde_json::from_str(&text).expect("JSON");
    let folder = tempfile::tempdir().expect("a folder");
    let entries = trace["bodies"][0]["pictures"].as_array().expect("pictures");
    let mut taken: Vec<&Value> = entries.iter().collect();
    let shows = |p: &Value| p["motes"].as_array().map_or(0, |m| m.iter().filter(|m| m["shows"] == true).count());
    taken.sort_by_key(|p| std::cmp::Reverse(shows(p)));
    taken.truncate(4);
    for picture in &taken {
        let path = Path::new(picture["path"].as_str().expect("a path"));
        let stem = path.file_stem().expect("a name").to_string_lossy();
        edit(&light_of(path), &folder.path().join(format!("{stem}-print.tif")));
    }
    let run = motelight(&[
        &"signoff",
        &folder.path(),
        &"--trace",
        &shoot.document(),
        &"--originals",
        &shoot.pictures(),
        &"--json",
        &"--no-record",
    ]);
    let document = run.document();
    let (mut found, mut right, mut all) = (0, 0, 0);
    let mut wrong = String::new();
    for picture in &taken {
        let stem = Path::new(picture["path"].as_str().expect("a path")).file_stem().expect("a name").to_string_lossy();
        let of_it = |f: &&Value| f["path"].as_str().is_some_and(|p| p.contains(&*stem));
        let file = document["files"].as_array().expect("files").iter().find(of_it).expect("judged");
        let notes = &file["notes"];
        if file["original"].is_null() {
            assert!(notes.to_string().contains("without the trace"), "{notes}");
            continue;
        }
        found += 1;
        assert!(file["original"]["path"].as_str().is_some_and(|p| p.contains(&*stem)));
        let size = |key: &str| picture[key].as_u64().expect("a size") as usize;
        let original = Size { width: size("width"), height: size("height") };
        let finished = cropped(original);
        for mote in file["motes"].as_array().expect("motes") {
            let sighting = picture["motes"].as_array().expect("motes").iter().find(|m| m["id"] == mote["mote_id"]);
            let sighting = sighting.expect("of the trace");
            let number = |v: &Value, key: &str| v[key].as_f64().expect("a number");
            let (x, y) = edited(original, number(sighting, "x_px"), number(sighting, "y_px"));
            let inside = (0.0..finished.width as f64).contains(&x) && (0.0..finished.height as f64).contains(&y);
            let width = number(sighting, "shadow_width_px");
            let off = (number(mote, "x_px") - x).hypot(number(mote, "y_px") - y);
            // As the trace's own promise: within 0.3 of the shadow's width.
            assert!(!inside || off < 0.3 * width.max(4.0), "{stem} {mote}: {off:.2} px off, {width:.1} px wide");
            // At the threshold either answer is right: its uncertainty is a factor of 1.5.
            let clearly = !(0.5..2.0).contains(&number(sighting, "times_threshold"));
            if clearly {
                let wanted = match (inside, sighting["shows"] == true) {
                    (false, _) => "outside_the_crop",
                    (true, true) => "visible",
                    (true, false) => "not_visible",
                };
                all += 1;
                right += usize::from(mote["answer"] == wanted);
                if mote["answer"] != wanted {
                    wrong += &format!("{stem}: wanted {wanted}, trace {sighting}, got {mote}\n");
                }
            }
        }
    }
    assert!(found >= 3, "{found} of {} brought together with their originals", taken.len());
    assert!(10 * right >= 9 * all && all > 10, "{right} of {all} answered rightly\n{wrong}");
}
