//! `motelight inspect`.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::path::Path;

use motelight_synth::sets::{Fault, FrameSpec};
use serde_json::Value;

use crate::run::{digests, make_frame, motelight, names, spec, wall};

const DOCUMENT: [&str; 2] = ["schema", "frames"];
const FRAME: [&str; 13] = [
    "path",
    "width",
    "height",
    "f_number",
    "iso",
    "body",
    "pixel_pitch_um",
    "fitness",
    "stand_off_mm",
    "floor_um",
    "clear_to",
    "motes",
    "error",
];
const BODY: [&str; 3] = ["make", "model", "serial"];
const STAND_OFF: [&str; 3] = ["value", "sigma", "source"];
const MOTE: [&str; 13] = [
    "id",
    "x_px",
    "y_px",
    "x_mm",
    "y_mm",
    "depth",
    "shadow_width_px",
    "blocked_area_um2",
    "equivalent_diameter_um",
    "shows_from",
    "kind",
    "snr",
    "at_edge",
];

fn keys(value: &Value) -> BTreeSet<&str> {
    value.as_object().unwrap_or_else(|| panic!("an object, not {value}")).keys().map(String::as_str).collect()
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("{key} in {value}"))
}

#[test]
fn every_key_is_always_there_and_told_in_the_documentation() {
    let wall = wall();
    let document = motelight(&[&"inspect", &"--json", &wall.dusty, &wall.untold, &"no/such.dng"]).document();
    assert_eq!(document["schema"], "motelight.inspect/1");
    let frames = document["frames"].as_array().expect("frames");
    let motes: Vec<&Value> = frames.iter().flat_map(|f| f["motes"].as_array().expect("motes")).collect();
    assert!(motes.len() > 5);

    let told = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/json.md")).expect("docs");
    let check = |value: &Value, promised: &[&str], same_as: &Value| {
        let there = keys(value);
        for key in promised {
            assert!(there.contains(key), "{key} is missing in {value}");
        }
        for key in &there {
            let named = [format!("`{key}`"), format!("\"{key}\"")].iter().any(|k| told.contains(k));
            assert!(named, "{key} is not told in docs/json.md");
        }
        assert_eq!(there, keys(same_as), "the same keys for all");
    };
    check(&document, &DOCUMENT, &document);
    frames.iter().for_each(|f| check(f, &FRAME, &frames[0]));
    frames.iter().for_each(|f| check(&f["body"], &BODY, &frames[0]["body"]));
    frames.iter().for_each(|f| check(&f["stand_off_mm"], &STAND_OFF, &frames[0]["stand_off_mm"]));
    motes.iter().for_each(|m| check(m, &MOTE, motes[0]));
    check(&frames[0]["fitness"], &["verdict", "findings"], &frames[1]["fitness"]);
    for finding in frames[1]["fitness"]["findings"].as_array().expect("findings") {
        check(finding, &["code", "message", "remedy"], finding);
    }
    check(&frames[2]["error"], &["code", "message", "remedy"], &frames[2]["error"]);
    assert!(frames[0]["error"].is_null() && frames[2]["fitness"].is_null());
}

#[test]
fn places_sizes_and_ratings_of_a_document_agree_with_each_other() {
    let wall = wall();
    let document = motelight(&[&"inspect", &"--json", &wall.dusty]).document();
    let frame = &document["frames"][0];
    assert_eq!((number(frame, "width"), number(frame, "height"), number(frame, "f_number")), (1200.0, 800.0, 16.0));
    let pitch_mm = number(frame, "pixel_pitch_um") / 1000.0;
    let near = |a: f64, b: f64| (a - b).abs() <= 1e-6 * a.abs().max(1.0);
    let mut smallest = f64::INFINITY;
    for mote in frame["motes"].as_array().expect("motes") {
        assert!(near(number(mote, "x_mm"), (number(mote, "x_px") - 600.0) * pitch_mm), "{mote}");
        assert!(near(number(mote, "y_mm"), (number(mote, "y_px") - 400.0) * pitch_mm), "{mote}");
        // The opaque disc of the same area.
        let area = number(mote, "blocked_area_um2");
        assert!(near(number(mote, "equivalent_diameter_um"), (4.0 * area / std::f64::consts::PI).sqrt()), "{mote}");
        assert!((0.0..=1.0).contains(&number(mote, "depth")) && number(mote, "snr") > 0.0, "{mote}");
        smallest = smallest.min(mote["shows_from"].as_f64().unwrap_or(f64::INFINITY));
    }
    // ISO 517 as marked: nothing shows up to `clear_to`, and no mote shows before the next stop.
    let series = [1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0];
    let clear_to = number(frame, "clear_to");
    assert!(series.contains(&clear_to) && series.contains(&smallest), "{clear_to}, {smallest}");
    assert!(clear_to < smallest);
    if frame["clear_to_limited_by"] == "mote" {
        let next = series.iter().find(|s| **s > clear_to);
        assert_eq!(next, Some(&smallest));
    }
}

/// The truth that the synthetic camera writes beside its picture. Plain cases only: how faint a mote may be is for the
/// tests of the engine.
#[test]
fn the_motes_are_where_the_synthetic_camera_put_them() {
    let wall = wall();
    let document = motelight(&[&"inspect", &"--json", &wall.dusty]).document();
    let found = document["frames"][0]["motes"].as_array().expect("motes").clone();
    let truth = std::fs::read_to_string(wall.dusty.with_extension("truth.json")).expect("truth");
    let truth: Value = serde_json::from_str(&truth).expect("JSON");
    let mut sought = 0;
    for mote in truth["motes"].as_array().expect("motes").iter().filter(|m| number(m, "snr") > 100.0) {
        sought += 1;
        let off =
            |f: &Value| (number(f, "x_px") - number(mote, "x_px")).hypot(number(f, "y_px") - number(mote, "y_px"));
        let nearest = found.iter().map(off).fold(f64::INFINITY, f64::min);
        assert!(nearest < 2.0, "{mote} has nothing nearer than {nearest} px");
    }
    assert!(sought >= 3, "{sought} motes to look for");
}

#[test]
fn the_exit_code_tells_nothing_to_do_from_work_from_failure() {
    let wall = wall();
    let code = |arguments: &[&dyn AsRef<OsStr>]| motelight(arguments).code;
    assert_eq!(code(&[&"inspect", &wall.clean]), 0);
    assert_eq!(code(&[&"inspect", &wall.dusty]), 1);
    assert_eq!(code(&[&"inspect", &wall.clean, &wall.dusty]), 1);
    assert_eq!(code(&[&"inspect", &wall.clean, &"no/such.dng"]), 2);
    assert_eq!(code(&[&"inspect"]), 2);
    assert_eq!(code(&[&"inspect", &wall.clean, &"--sensor", &"36"]), 2);
    assert_eq!(code(&[&"clean"]), 2);
    assert_eq!(code(&[&"--help"]), 0);
    assert_eq!(code(&[&"--version"]), 0);
}

#[test]
fn standard_output_holds_the_document_and_nothing_else() {
    let wall = wall();
    let run = motelight(&[&"inspect", &"--json", &"--no-record", &wall.clean, &"no/such.dng"]);
    assert_eq!(run.document()["frames"].as_array().map(Vec::len), Some(2));
    assert!(run.stdout.trim_start().starts_with('{') && run.stdout.trim_end().ends_with('}'));
    assert!(run.stderr.contains("no/such.dng") && run.stderr.contains("hint:"), "{}", run.stderr);
    let plain = motelight(&[&"inspect", &wall.dusty]);
    assert!(plain.stdout.contains("Clear to f/") && plain.stderr.is_empty(), "{}{}", plain.stdout, plain.stderr);
}

#[test]
fn the_same_file_twice_keeps_the_ids_apart_and_a_second_run_gives_the_same_document() {
    let wall = wall();
    let both = motelight(&[&"inspect", &"--json", &wall.dusty, &wall.dusty]);
    let document = both.document();
    let frames = document["frames"].as_array().expect("frames");
    let ids: Vec<&str> =
        frames.iter().flat_map(|f| f["motes"].as_array().expect("motes")).filter_map(|m| m["id"].as_str()).collect();
    assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len());
    assert_eq!(both.stdout, motelight(&[&"inspect", &"--json", &wall.dusty, &wall.dusty]).stdout);
    let alone = motelight(&[&"inspect", &"--json", &wall.dusty]).document();
    assert_eq!(alone["frames"][0], frames[0]);
}

#[test]
fn a_report_is_written_for_every_frame_and_nothing_else_is_touched() {
    let folder = tempfile::tempdir().expect("a folder");
    let (shoot, out) = (folder.path().join("shoot"), folder.path().join("out/pages"));
    std::fs::create_dir_all(shoot.join("b")).expect("a folder");
    std::fs::copy(&wall().dusty, shoot.join("wall.dng")).expect("copied");
    std::fs::copy(&wall().clean, shoot.join("b/wall.dng")).expect("copied");
    let before = digests(&shoot);
    let run = motelight(&[&"inspect", &"--json", &shoot, &"--out", &out]);
    assert_eq!(digests(&shoot), before, "originals are only read");
    assert_eq!(names(folder.path()), ["out", "shoot"]);
    let document = run.document();
    for frame in document["frames"].as_array().expect("frames") {
        let page = std::fs::read_to_string(frame["report"].as_str().expect("a report")).expect("read");
        assert!(page.starts_with("<!DOCTYPE html>") && page.trim_end().ends_with("</html>"));
        assert!(page.contains("wall.dng") && !page.contains("http://") && !page.contains("https://"));
    }
    let mut written: Vec<_> = digests(&out).into_keys().collect();
    written.sort();
    assert_eq!(written.len(), 2, "no left-over beside the reports: {written:?}");
}

#[test]
fn a_given_sensor_serves_where_the_file_does_not_tell_and_never_overrules_it() {
    let wall = wall();
    let of = |document: &Value| document["frames"][0]["pixel_pitch_um"].clone();
    let untold = motelight(&[&"inspect", &"--json", &wall.untold]).document();
    assert!(of(&untold).is_null());
    assert!(untold["frames"][0]["motes"][0]["x_mm"].is_null());
    let given = motelight(&[&"inspect", &"--json", &wall.untold, &"--sensor", &"6x4"]).document();
    assert!((of(&given).as_f64().expect("a pitch") - 5.0).abs() < 1e-9);
    assert!(given["frames"][0]["motes"][0]["x_mm"].is_f64());
    let told = motelight(&[&"inspect", &"--json", &wall.clean]).document();
    let overruled = motelight(&[&"inspect", &"--json", &wall.clean, &"--sensor", &"36x24"]).document();
    assert_eq!(of(&told), of(&overruled));
}

#[test]
fn the_viewing_asked_for_is_stated_and_decides_what_shows() {
    let wall = wall();
    let judged = |more: &[&str]| {
        let mut arguments: Vec<&dyn AsRef<OsStr>> = vec![&"inspect", &"--json", &wall.dusty];
        arguments.extend(more.iter().map(|a| a as &dyn AsRef<OsStr>));
        motelight(&arguments).document()["frames"][0].clone()
    };
    let stated = |frame: &Value, words: &str| {
        let stated = frame["viewing"].as_array().expect("viewing").clone();
        (stated.len(), stated.iter().any(|v| v.as_str().is_some_and(|v| v.contains(words))))
    };
    // Number of motes that show at f/16.
    let showing = |frame: &Value| {
        let motes = frame["motes"].as_array().expect("motes");
        motes.iter().filter(|m| m["shows_from"].as_f64().is_some_and(|n| n <= 16.0)).count()
    };
    assert_eq!(stated(&judged(&[]), "60 × 40 cm"), (2, true));
    let afar = judged(&["--print", "15x10cm", "--distance", "2m"]);
    let near = judged(&["--print", "150x100cm", "--distance", "50cm"]);
    assert_eq!(stated(&afar, "15 × 10 cm print from 2"), (1, true));
    assert!(showing(&afar) < showing(&near), "{} from afar, {} from near", showing(&afar), showing(&near));
}

#[test]
fn frames_that_cannot_be_judged_by_are_called_so_with_the_right_reason() {
    let folder = tempfile::tempdir().expect("a folder");
    let faults = [Fault::WideOpen, Fault::Clipped, Fault::Dark, Fault::HighIso, Fault::Scene];
    for (i, fault) in faults.into_iter().enumerate() {
        let f_number = if fault == Fault::WideOpen { None } else { Some(16.0) };
        let spec = FrameSpec { fault: Some(fault), f_number, ..spec(20 + i as u64, 4) };
        let path = make_frame(folder.path(), fault.code(), &spec, i as u64);
        let run = motelight(&[&"inspect", &"--json", &path]);
        let document = run.document();
        let fitness = &document["frames"][0]["fitness"];
        let findings = fitness["findings"].as_array().expect("findings");
        let codes: Vec<&str> = findings.iter().filter_map(|f| f["code"].as_str()).collect();
        assert!(fitness["verdict"] == "unfit" && codes.contains(&fault.code()), "{fault:?}: {fitness}");
        assert!(findings.iter().all(|f| !f["remedy"].as_str().unwrap_or("").is_empty()));
        assert_eq!(run.code, 1, "{fault:?}");
        let told = motelight(&[&"inspect", &path]).stdout;
        assert!(told.contains("No verdict from this frame"), "{told}");
    }
}
