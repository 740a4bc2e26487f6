//! Mending through the binary: what is written, what is not, and what happens when a run is cut short.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use motelight_frame::Shot;
use serde_json::Value;

use crate::run::{Run, digests, ledger_file, motelight, names, skipped};
use crate::shoot::{camera_raw, grey, light_of, shoot};

fn mend(out: &Path, more: &[&str]) -> Run {
    let shoot = shoot();
    let mut arguments: Vec<PathBuf> = vec!["mend".into(), shoot.pictures()];
    arguments.extend(["--test-frame".into(), shoot.wall.clone(), "--out".into(), out.to_path_buf()]);
    arguments.extend(more.iter().map(PathBuf::from));
    let arguments: Vec<&dyn AsRef<std::ffi::OsStr>> = arguments.iter().map(|a| a as _).collect();
    motelight(&arguments)
}

fn pictures(run: &Run) -> Vec<Value> {
    let document = run.document();
    assert_eq!(document["schema"], "motelight.mend/1", "{}", run.stderr);
    document["pictures"].as_array().expect("pictures").clone()
}

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a folder")
}

#[test]
fn every_format_is_mended_and_nothing_changes_outside_the_mask() {
    let out = folder();
    let before = digests(&shoot().pictures());
    let run = mend(out.path(), &["--json", "--masks"]);
    assert!(run.code < 2, "{}", run.stderr);
    assert_eq!(digests(&shoot().pictures()), before, "originals are only read");
    let told = pictures(&run);
    assert_eq!(told.len(), 7);
    for picture in &told {
        assert_eq!(picture["error"], Value::Null);
        let path = |key: &str| PathBuf::from(picture[key].as_str().unwrap_or_else(|| panic!("{key}: {picture}")));
        let (original, copy) = (light_of(&path("path")), light_of(&path("output")));
        let mask = grey(&path("mask"));
        assert_eq!(original.shot, copy.shot, "the facts of the shot stay");
        let mut changed = 0;
        for (a, b) in original.planes.iter().zip(copy.planes.iter()) {
            let differs = a.data().iter().zip(b.data()).map(|(p, q)| p != q);
            changed += differs
                .zip(&mask)
                .filter(|(d, m)| {
                    assert!(!d || **m, "{}: a pixel outside the mask changed", picture["path"]);
                    *d
                })
                .count();
        }
        let lifted = picture["motes"].as_array().expect("motes").iter().filter(|m| m["treatment"] != "untouched");
        assert!(changed > 0 && lifted.count() > 0, "{picture}");
    }
    assert!(out.path().join("day/plain.xmp").is_file(), "a sidecar goes with its picture");
    assert!(out.path().join("mend-report.html").is_file());
}

/// The raw library reads what is written here as a camera's own format; the copy is a DNG that holds the same codes but under
/// the shadows, and turns back into them.
#[test]
fn a_camera_s_own_raw_is_mended_into_a_dng() {
    let (folder, out, back) = (folder(), folder(), folder());
    let dng = light_of(&shoot().pictures().join("day/plain.dng"));
    let raw = folder.path().join("DAY_0001.MEF");
    let pitch = dng.shot.pitch.expect("a pitch").value.0;
    camera_raw(&dng, pitch, &raw);
    let before = std::fs::read(&raw).expect("read");
    let given = light_of(&raw);
    assert_eq!((given.size(), given.shot.f_number.map(|f| f.marked())), (dng.size(), Some(16.0)));
    let wall = &shoot().wall;
    let run = motelight(&[&"mend", &raw, &"--test-frame", wall, &"--out", &out.path(), &"--same-body", &"--json"]);
    let told = &pictures(&run)[0];
    assert_eq!(told["error"], Value::Null, "{}", run.stderr);
    let copy = out.path().join("DAY_0001.dng");
    assert_eq!(told["output"].as_str().map(PathBuf::from), Some(copy.clone()));
    assert!(told["notes"].to_string().contains("DNG"), "{told}");
    assert!(told["pixels_changed"].as_u64() > Some(0), "{told}");
    let mended = light_of(&copy);
    let changed = given.planes[0].data().iter().zip(mended.planes[0].data()).filter(|(a, b)| a != b).count();
    assert_eq!(Some(changed as u64), told["pixels_changed"].as_u64());
    let facts = |shot: &Shot| Shot { software: None, edited: None, ..shot.clone() };
    assert_eq!(facts(&mended.shot), facts(&given.shot), "the facts of the shot go along");
    assert_eq!(std::fs::read(&raw).expect("read"), before, "originals are only read");
    assert_eq!(names(out.path()).iter().filter(|n| n.contains("unfinished")).count(), 0);
    let again = motelight(&[&"mend", &raw, &"--test-frame", wall, &"--out", &out.path(), &"--same-body", &"--json"]);
    assert_eq!(pictures(&again)[0]["done_before"], true);
    let undone = motelight(&[&"mend", &"--undo", &copy, &"--out", &back.path(), &"--json"]);
    assert_eq!(undone.code, 0, "{}", undone.stderr);
    assert_eq!(light_of(&back.path().join("DAY_0001.dng")).planes, given.planes);
}

#[test]
fn a_raw_is_mended_by_gain_maps_with_its_data_untouched() {
    let out = folder();
    let run = mend(out.path(), &["--json", "--gain-maps"]);
    assert_eq!(run.code, 2, "{}", run.stderr);
    for picture in pictures(&run) {
        let original = PathBuf::from(picture["path"].as_str().expect("path"));
        if original.extension() != Some("dng".as_ref()) {
            assert!(picture["error"]["message"].as_str().is_some_and(|m| m.contains("gain maps")), "{picture}");
            continue;
        }
        let copy = PathBuf::from(picture["output"].as_str().expect("output"));
        assert!(picture["pixels_changed"].as_u64() > Some(0) && picture["notes"].to_string().contains("Not proved"));
        assert!(std::fs::read(&copy).expect("copy") != std::fs::read(&original).expect("original"));
        let (a, b) = (light_of(&original), light_of(&copy));
        assert!(a.planes == b.planes && a.shot == b.shot, "{picture}");
    }
}

#[test]
fn metadata_of_a_mended_copy_are_those_of_the_original() {
    if Command::new("exiftool").arg("-ver").output().is_err() {
        return skipped("no exiftool: apt-get install libimage-exiftool-perl");
    }
    let out = folder();
    assert!(mend(out.path(), &["--json"]).code < 2);
    let facts = |folder: &Path| {
        // The id of the raw image must change with it (DNG specification); where data lie may.
        let told = Command::new("exiftool")
            .args(["-a", "-G1", "-s", "-json", "-r", "-x", "System:all", "-x", "TileOffsets", "-x", "StripOffsets"])
            .args(["-x", "RawDataUniqueID", "-x", "TileByteCounts", "-x", "StripByteCounts", "-x", "SourceFile"])
            .args(["-ext", "dng", "-ext", "tif", "-ext", "png", "-ext", "jpg"])
            .arg(folder)
            .output()
            .expect("exiftool runs");
        let mut all: Vec<Value> = serde_json::from_slice(&told.stdout).expect("JSON");
        all.iter_mut().for_each(|v| {
            let name = v["SourceFile"].as_str().and_then(|s| s.rsplit('/').next().map(str::to_owned));
            v["SourceFile"] = name.into();
        });
        all.sort_by_key(|v| v["SourceFile"].as_str().map(str::to_owned));
        all
    };
    let (before, after) = (facts(&shoot().pictures().join("day")), facts(&out.path().join("day")));
    assert_eq!(before.len(), 7);
    assert_eq!(before, after);
}

#[test]
fn what_was_finished_is_known_again_and_what_was_changed_is_not_touched() {
    let out = folder();
    let first = mend(out.path(), &["--json"]);
    let done = digests(out.path());
    let again = mend(out.path(), &["--json"]);
    assert_eq!(first.code, again.code, "{}", again.stderr);
    assert!(pictures(&again).iter().all(|p| p["done_before"] == true));
    assert_eq!(digests(out.path()), done);

    let copy = out.path().join("day/eight.tif");
    let mut bytes = std::fs::read(&copy).expect("read");
    bytes.extend(b"edited since");
    std::fs::write(&copy, &bytes).expect("written");
    let third = mend(out.path(), &["--json"]);
    assert_eq!(third.code, 2);
    let failed: Vec<Value> = pictures(&third).into_iter().filter(|p| !p["error"].is_null()).collect();
    assert_eq!(failed.len(), 1);
    assert_eq!(failed[0]["error"]["code"], "unwritable");
    assert_eq!(std::fs::read(&copy).expect("read"), bytes, "somebody's work is not replaced");
}

#[test]
fn a_run_killed_at_any_moment_goes_on_where_it_was_and_comes_to_the_same() {
    let (whole, cut) = (folder(), folder());
    assert!(mend(whole.path(), &[]).code < 2);
    let originals = digests(&shoot().pictures());
    let relative = |folder: &Path| {
        let all = digests(folder);
        let own = |p: &Path| p.strip_prefix(folder).expect("below").to_path_buf();
        all.into_iter().map(|(p, d)| (own(&p), d)).filter(|(p, _)| !p.ends_with(".lock")).collect::<Vec<_>>()
    };
    let wanted = relative(whole.path());
    let finished: BTreeSet<_> = wanted.iter().cloned().collect();
    // Moments from a fixed sequence, spread over the length of a run.
    for step in 0..8u64 {
        let shoot = shoot();
        let mut child = Command::new(env!("CARGO_BIN_EXE_motelight"))
            .env("MOTELIGHT_LEDGER", ledger_file())
            .arg("mend")
            .arg(shoot.pictures())
            .arg("--test-frame")
            .arg(&shoot.wall)
            .arg("--out")
            .arg(cut.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("the binary runs");
        std::thread::sleep(Duration::from_millis(150 + (step * 7919) % 900));
        child.kill().expect("killed, or over");
        child.wait().expect("over");
        for (path, digest) in relative(cut.path()) {
            let hidden = path.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
            let page = path.ends_with("mend-report.html");
            assert!(hidden || page || finished.contains(&(path.clone(), digest)), "{} is not whole", path.display());
        }
    }
    assert!(mend(cut.path(), &[]).code < 2);
    assert_eq!(relative(cut.path()), wanted);
    assert_eq!(digests(&shoot().pictures()), originals);
}

#[test]
fn a_dry_run_says_the_same_and_writes_nothing() {
    let (out, real) = (folder(), folder());
    let dry = mend(out.path(), &["--json", "--dry-run", "--masks"]);
    assert_eq!(names(out.path()), Vec::<String>::new());
    assert_eq!(dry.document()["dry_run"], true);
    let real = mend(real.path(), &["--json"]);
    let motes = |run: &Run| pictures(run).iter().map(|p| p["motes"].clone()).collect::<Vec<_>>();
    assert_eq!(motes(&dry), motes(&real));
}

#[test]
fn mended_copies_are_turned_back_to_the_bit() {
    let (out, back) = (folder(), folder());
    assert!(mend(out.path(), &[]).code < 2);
    let run = motelight(&[&"mend", &"--undo", &out.path(), &"--json", &"--out", &back.path()]);
    assert_eq!(run.code, 0, "{}", run.stderr);
    let document = run.document();
    let told = document["pictures"].as_array().expect("pictures");
    assert_eq!(told.len(), 7);
    for picture in told {
        let restored = PathBuf::from(picture["output"].as_str().expect("restored"));
        let original = shoot().pictures().join(restored.strip_prefix(back.path()).expect("below"));
        if picture["identical"] == "bytes" {
            assert_eq!(std::fs::read(&restored).expect("read"), std::fs::read(&original).expect("read"));
        }
        let (a, b) = (light_of(&restored), light_of(&original));
        assert!(a.planes == b.planes && a.shot == b.shot, "{picture}");
    }
    let packed_otherwise = told.iter().filter(|p| p["identical"] == "pixels").count();
    assert!(packed_otherwise <= 1, "PNG alone is packed otherwise");
}

#[test]
fn a_person_decides_by_name() {
    let out = folder();
    let all = mend(out.path(), &["--json", "--dry-run"]);
    let id = pictures(&all)[0]["motes"][0]["id"].as_str().expect("an id").to_owned();
    let number = id.rsplit('-').next().expect("a number");
    let skipped = mend(out.path(), &["--json", "--dry-run", "--skip", &format!("{number},halved")]);
    let told = pictures(&skipped);
    assert_eq!(told.len(), 6, "a picture was left out");
    for picture in &told {
        let motes = picture["motes"].as_array().expect("motes");
        let mote = motes.iter().find(|m| m["id"] == id.as_str()).expect("on the chart");
        assert_eq!((mote["treatment"].as_str(), mote["reason"].as_str()), (Some("untouched"), Some("skipped")));
    }
    let only = mend(out.path(), &["--json", "--dry-run", "--only", "eight.tif"]);
    assert_eq!(pictures(&only).len(), 1);
    let slip = mend(out.path(), &["--json", "--dry-run", "--skip", "nothing-is-called-so"]);
    assert_eq!(slip.code, 2);
    assert!(slip.stderr.contains("nothing-is-called-so") && slip.stderr.contains("hint:"));
}

#[test]
fn the_chart_of_another_body_is_refused_unless_the_person_vouches_for_it() {
    let out = folder();
    let pictures_of = shoot().pictures();
    let plain = pictures_of.join("day/plain.dng");
    let run = motelight(&[&"mend", &plain, &"--json", &"--test-frame", &shoot().other_wall, &"--out", &out.path()]);
    assert_eq!(run.code, 2);
    let told = pictures(&run);
    assert_eq!(told[0]["error"]["code"], "usage");
    assert!(!out.path().join("plain.dng").exists());
    let vouched = motelight(&[
        &"mend",
        &plain,
        &"--json",
        &"--same-body",
        &"--test-frame",
        &shoot().other_wall,
        &"--out",
        &out.path(),
    ]);
    assert!(vouched.code < 2, "{}", vouched.stderr);
    assert_eq!(pictures(&vouched)[0]["pixels_changed"], 0, "motes that are not there change nothing");
}

#[test]
fn originals_are_never_written_onto() {
    let own = folder();
    let original = own.path().join("plain.dng");
    std::fs::copy(shoot().pictures().join("day/plain.dng"), &original).expect("copied");
    let before = std::fs::read(&original).expect("read");
    let run = motelight(&[&"mend", &original, &"--json", &"--test-frame", &shoot().wall, &"--out", &own.path()]);
    assert_eq!(run.code, 2);
    assert_eq!(pictures(&run)[0]["error"]["code"], "usage");
    assert_eq!(std::fs::read(&original).expect("read"), before);
}

/// A limit on file sizes stands for a full disk: both end a write half way.
#[cfg(unix)]
#[test]
fn a_full_disk_is_a_clear_error_and_the_next_run_finishes() {
    let out = folder();
    let shoot = shoot();
    let told = Command::new("bash")
        .env("MOTELIGHT_LEDGER", ledger_file())
        .args(["-c", "ulimit -f 600; exec \"$@\"", "bash", env!("CARGO_BIN_EXE_motelight"), "mend"])
        .arg(shoot.pictures())
        .args(["--json", "--test-frame"])
        .arg(&shoot.wall)
        .arg("--out")
        .arg(out.path())
        .output()
        .expect("the binary runs");
    assert_eq!(told.status.code(), Some(2));
    let document: Value = serde_json::from_slice(&told.stdout).expect("JSON");
    let errors: Vec<&Value> = document["pictures"].as_array().expect("pictures").iter().map(|p| &p["error"]).collect();
    let refused = errors.iter().filter(|e| e["code"] == "unwritable").count();
    assert!(refused > 0 && errors.iter().all(|e| e.is_null() || e["code"] == "unwritable"), "{errors:?}");
    let unfinished = names(&out.path().join("day")).iter().filter(|n| n.starts_with('.')).count();
    assert_eq!(unfinished, 0, "nothing half-written is left");
    let again = mend(out.path(), &["--json"]);
    assert!(again.code < 2, "{}", again.stderr);
    assert!(pictures(&again).iter().any(|p| p["done_before"] == true));
}
