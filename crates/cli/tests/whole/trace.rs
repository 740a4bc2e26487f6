//! `motelight trace` from outside, and `mend` by what it found.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::OnceLock;

use motelight_synth::sets::{ShootSpec, ShootTruth, shoot};
use tempfile::TempDir;

use crate::run::{command, digests, motelight};

/// A shoot and its trace.
pub struct Traced {
    folder: TempDir,
    truth: ShootTruth,
}

impl Traced {
    /// Folder of the pictures.
    pub fn pictures(&self) -> PathBuf {
        self.folder.path().join("day")
    }

    /// The trace's document.
    pub fn document(&self) -> PathBuf {
        self.folder.path().join("trace.json")
    }
}

/// A shoot of sixteen pictures and its trace, made once for all tests.
pub fn traced() -> &'static Traced {
    static TRACED: OnceLock<Traced> = OnceLock::new();
    TRACED.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let spec = ShootSpec { width: 1600, height: 1066, motes: 16, ..ShootSpec::new(24, 16) };
        let (_, truth) = shoot(&spec, &folder.path().join("day")).expect("written");
        let out = folder.path().join("report");
        let run = motelight(&[&"trace", &folder.path().join("day"), &"--json", &"--out", &out]);
        assert_eq!(run.code, 1, "{}", run.stderr);
        std::fs::write(folder.path().join("trace.json"), &run.stdout).expect("written");
        assert!(out.join("trace.html").is_file());
        Traced { folder, truth }
    })
}

#[test]
fn what_a_trace_says_to_show_is_a_mote_of_the_shoot() {
    let shoot = traced();
    let text = std::fs::read_to_string(shoot.document()).expect("written");
    let document: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let (mut right, mut all) = (0, 0);
    for picture in document["bodies"][0]["pictures"].as_array().expect("pictures") {
        let name = Path::new(picture["path"].as_str().expect("a path")).file_name().expect("a name");
        let truth = shoot.truth.pictures.iter().find(|p| p.file == name.to_string_lossy()).expect("of the shoot");
        for mote in picture["motes"].as_array().expect("motes").iter().filter(|m| m["shows"] == true) {
            let of = |key: &str| mote[key].as_f64().expect("a number");
            let near = |m: &motelight_synth::MoteTruth| {
                (m.x_px - of("x_px")).hypot(m.y_px - of("y_px")) < 0.5 * m.shadow_width_px.max(4.0)
            };
            all += 1;
            right += usize::from(truth.truth.motes.iter().any(near));
        }
    }
    assert!(all > 30, "{all} shadows that show");
    // One mote in twenty may be false (the promise is one a shoot).
    assert!(20 * right >= 19 * all, "{right} of {all}");
}

#[test]
fn a_trace_made_before_and_one_made_now_mend_alike() {
    let shoot = traced();
    let before = digests(&shoot.pictures());
    let by = format!("--trace={}", shoot.document().display());
    let out = |name: &str| shoot.folder.path().join(name);
    let (first, second) = (out("mended-by-document"), out("mended-by-trace"));
    let by_document = motelight(&[&"mend", &shoot.pictures(), &by, &"--out", &first, &"--json"]);
    assert!(by_document.code < 2, "{}", by_document.stderr);
    let by_trace = motelight(&[&"mend", &shoot.pictures(), &"--trace", &"--out", &second]);
    assert!(by_trace.code < 2, "{}", by_trace.stderr);
    let pictures = |folder: &Path| {
        let jpeg = |p: &PathBuf| p.extension().is_some_and(|e| e == "jpg");
        let all = digests(folder).into_iter().filter(|(p, _)| jpeg(p));
        all.map(|(p, digest)| (p.file_name().map(ToOwned::to_owned), digest)).collect::<BTreeMap<_, _>>()
    };
    assert_eq!(pictures(&first).len(), 16);
    assert_eq!(pictures(&first), pictures(&second));
    assert_eq!(digests(&shoot.pictures()), before, "originals are only read");

    let document = by_document.document();
    assert_eq!(document["trace"], shoot.document().display().to_string());
    assert!(document["test_frame"].is_null());
    let lifted = |p: &serde_json::Value| {
        let motes = p["motes"].as_array().expect("motes");
        motes.iter().filter(|m| m["treatment"] == "lifted").count()
    };
    assert!(document["pictures"].as_array().expect("pictures").iter().map(lifted).sum::<usize>() > 30);

    let again = motelight(&[&"mend", &shoot.pictures(), &"--trace", &"--out", &first]);
    assert_eq!(again.stdout.matches("(done before)").count(), 16, "{}", again.stdout);
}

#[test]
fn a_picture_that_the_trace_does_not_know_is_refused_and_the_rest_goes_on() {
    let shoot = traced();
    let stranger = shoot.folder.path().join("stranger.jpg");
    let known = shoot.pictures().join("picture-0002.jpg");
    std::fs::copy(&known, &stranger).expect("copied");
    let by = format!("--trace={}", shoot.document().display());
    let run = motelight(&[&"mend", &stranger, &known, &by, &"--dry-run", &"--json"]);
    assert_eq!(run.code, 2);
    let document = run.document();
    assert_eq!(document["pictures"][0]["error"]["code"], "usage");
    assert!(document["pictures"][1]["error"].is_null(), "{}", document["pictures"][1]);
    assert!(run.stderr.contains("stranger.jpg: the trace does not know this picture"), "{}", run.stderr);

    for (name, text) in [("empty.json", ""), ("other.json", r#"{"schema": "motelight.inspect/1", "frames": []}"#)] {
        let file = shoot.folder.path().join(name);
        std::fs::write(&file, text).expect("written");
        let run = motelight(&[&"mend", &known, &format!("--trace={}", file.display()), &"--dry-run"]);
        assert_eq!(run.code, 2);
        assert!(run.stderr.contains(name) && run.stderr.contains("hint"), "{}", run.stderr);
    }
}

#[test]
fn a_growing_folder_is_followed_until_it_goes_away() {
    let shoot = traced();
    let folder = tempfile::tempdir().expect("a folder");
    let card = folder.path().join("card");
    std::fs::create_dir(&card).expect("made");
    let copy = |k: usize| {
        let name = format!("picture-{k:04}.jpg");
        std::fs::copy(shoot.pictures().join(&name), card.join(&name)).expect("copied");
    };
    (1..=8).for_each(copy);
    let mut child = command(&[&"trace", &"--watch", &card]).stdout(Stdio::piped()).spawn().expect("started");
    let mut lines = BufReader::new(child.stdout.take().expect("piped")).lines().map(|l| l.expect("UTF-8"));
    let mut heard = Vec::new();
    for (count, more) in [(8, (9..=16).collect()), (16, Vec::new())] {
        loop {
            let line = lines.next().expect("it goes on while the folder is there");
            let taken = line == format!("{count} pictures taken in");
            heard.push(line);
            if taken {
                break;
            }
        }
        more.into_iter().for_each(copy);
    }
    std::fs::remove_dir_all(&card).expect("removed");
    heard.extend(lines);
    let code = child.wait().expect("ended").code();
    let wipe = heard.iter().filter(|l| l.starts_with("wipe before you go on: a ")).count();
    let arrived = shoot.truth.motes.iter().filter(|m| m.first > 0).count();
    assert!(arrived > 0 && wipe > 0 && wipe <= arrived + 1, "{arrived} arrived: {heard:?}");
    assert_eq!(code, Some(1));
}
