//! `motelight signoff` and `motelight rake` from outside.

use std::path::{Path, PathBuf};

use motelight_frame::Size;
use motelight_synth::scene::View;
use motelight_synth::sets::{FrameSpec, PictureSpec, picture, write};
use motelight_synth::write::Chroma;
use motelight_synth::{Format, Mode, Tone};
use serde_json::Value;

use crate::run::{digests, ledger_file, motelight, names};
use crate::shoot::light_of;

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
