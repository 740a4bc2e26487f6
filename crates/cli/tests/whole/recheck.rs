//! `motelight recheck`.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use motelight_synth::sets::{format, test_frame, write};
use motelight_synth::{Exposure, Mote};
use serde_json::Value;
use tempfile::TempDir;

use crate::run::{motelight, spec, wall};

/// A body before and after a dry pass, and another body.
struct Pair {
    _folder: TempDir,
    before: PathBuf,
    after: PathBuf,
    nameless: [PathBuf; 2],
    other: PathBuf,
}

fn pair() -> Pair {
    let folder = tempfile::tempdir().expect("a folder");
    let save = |exposure: &Exposure, name: &str| {
        let path = folder.path().join(name).with_extension("dng");
        write(exposure, format(0), None, &path, &path.with_extension("truth.json")).expect("written");
        path
    };
    let first = test_frame(&spec(3, 14));
    let kept: Vec<Mote> = first.motes.iter().filter(|m| m.id % 2 == 0).cloned().collect();
    let mut shot = first.shot.clone();
    shot.seed += 1;
    shot.orientation = if shot.orientation == 6 { 1 } else { 6 };
    let second = Exposure::new(first.camera.clone(), first.lens.clone(), shot, kept, first.mode, first.canvas.clone());
    let without = |exposure: &Exposure| {
        let mut exposure = exposure.clone();
        exposure.camera.serial = None;
        exposure
    };
    Pair {
        before: save(&first, "before"),
        after: save(&second, "after"),
        nameless: [
            save(&without(&first), "nameless-before"),
            save(&without(&test_frame(&spec(8, 14))), "nameless-other"),
        ],
        other: save(&test_frame(&spec(9, 14)), "other"),
        _folder: folder,
    }
}

fn ids(document: &Value, key: &str) -> BTreeSet<String> {
    let motes = document["motes"].as_array().expect("motes");
    motes.iter().filter_map(|m| m[key].as_str().map(str::to_owned)).collect()
}

fn inspected(path: &Path) -> BTreeSet<String> {
    let document = motelight(&[&"inspect", &"--json", &path]).document();
    ids(&document["frames"][0], "id")
}

#[test]
fn half_of_the_motes_go_and_the_turned_camera_does_not_matter() {
    let pair = pair();
    let run = motelight(&[&"recheck", &"--json", &"--booked", &"f/16", &pair.before, &pair.after]);
    assert_eq!(run.code, 1, "{}", run.stderr);
    let document = run.document();
    assert_eq!((&document["schema"], &document["error"]), (&"motelight.recheck/1".into(), &Value::Null));
    assert_eq!(ids(&document, "before_id"), inspected(&pair.before));
    assert_eq!(ids(&document, "after_id"), inspected(&pair.after));
    let motes = document["motes"].as_array().expect("motes");
    let count = |status: &str| motes.iter().filter(|m| m["status"] == status).count();
    assert!(count("gone") >= 4 && count("stayed") >= 4, "{motes:?}");
    assert_eq!(count("moved") + count("new"), 0, "{motes:?}");
    let scale = document["transform"]["scale"].as_f64().expect("a scale");
    assert!((scale - 1.0).abs() < 1e-3 && document["same_body"] == "serial");
    assert_eq!(document["residue"].as_array().map(Vec::len), Some(0));
    assert!(document["advice"]["action"].is_string() && document["advice"]["f_number_told"] == true);

    let refused = motelight(&[&"recheck", &"--json", &pair.before, &pair.other]);
    assert_eq!(refused.code, 2);
    assert_eq!(refused.document()["error"]["code"], "other_body");
    assert_eq!(refused.document().as_object().map(|o| o.len()), document.as_object().map(|o| o.len()), "the same keys");
    assert!(refused.stderr.contains("number"), "the reason is told: {}", refused.stderr);

    let [a, b] = &pair.nameless;
    let strangers = motelight(&[&"recheck", &"--json", a, b]);
    assert_eq!((strangers.code, &strangers.document()["error"]["code"]), (2, &"other_body".into()));
    let known = motelight(&[&"recheck", &"--json", a, &pair.after]).document();
    assert_eq!(known["same_body"], "chart");
}

#[test]
fn a_frame_held_against_itself_has_all_stayed() {
    let wall = wall();
    let document = motelight(&[&"recheck", &"--json", &wall.dusty, &wall.dusty]).document();
    let motes = document["motes"].as_array().expect("motes");
    assert!(motes.len() > 4 && motes.iter().all(|m| m["status"] == "stayed" && m["before_id"] == m["after_id"]));
    let clean = motelight(&[&"recheck", &wall.clean, &wall.clean]);
    assert_eq!(clean.code, 0, "{}", clean.stdout);
}

#[test]
fn what_cannot_be_compared_says_why() {
    let wall = wall();
    for (a, b) in [(&wall.dusty, &wall.untold), (&wall.untold, &wall.dusty)] {
        let run = motelight(&[&"recheck", &"--json", a, b]);
        assert_eq!(run.code, 2);
        assert!(run.document()["error"]["remedy"].is_string());
    }
    let missing = motelight(&[&"recheck", &"--json", &wall.dusty, &"no/such.dng"]);
    assert_eq!((missing.code, &missing.document()["error"]["code"]), (2, &"unreadable".into()));
}

#[test]
fn every_key_is_told_in_the_documentation() {
    let told = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/json.md")).expect("docs");
    let wall = wall();
    let document = motelight(&[&"recheck", &"--json", &wall.dusty, &wall.clean]);
    // Two bodies: refused, all the same with every key.
    let document = document.document();
    for key in document.as_object().expect("an object").keys() {
        assert!(told.contains(&format!("`{key}`")) || told.contains(&format!("\"{key}\"")), "{key} is not told");
    }
}
