//! Damaged, hostile and misplaced files: each is refused in plain words, and the rest goes on.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::run::{motelight, wall};

fn entry<'a>(document: &'a Value, name: &str) -> &'a Value {
    let frames = document["frames"].as_array().expect("frames");
    let found = frames.iter().find(|f| f["path"].as_str().is_some_and(|p| p.ends_with(name)));
    found.unwrap_or_else(|| panic!("{name} in {document}"))
}

/// A JPEG whose frame header claims 65 500 x 65 500 pixels.
fn absurd(jpeg: &[u8]) -> Vec<u8> {
    let mut bytes = jpeg.to_vec();
    let at = bytes.windows(2).position(|w| w == [0xff, 0xc0]).expect("a frame header");
    bytes[at + 5..at + 9].copy_from_slice(&[0xff, 0xdc, 0xff, 0xdc]);
    bytes
}

#[test]
fn bad_files_are_refused_one_by_one_and_the_good_ones_are_judged() {
    let folder = tempfile::tempdir().expect("a folder");
    let dng = std::fs::read(&wall().clean).expect("read");
    let jpeg = std::fs::read(&wall().untold).expect("read");
    let put = |name: &str, bytes: &[u8]| -> PathBuf {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).expect("written");
        path
    };
    let cases = [
        (put("empty.dng", b""), "broken"),
        (put("cut.dng", &dng[..dng.len() / 2]), "broken"),
        (put("header.dng", &dng[..100]), "broken"),
        (put("cut.jpg", &jpeg[..jpeg.len() / 2]), "broken"),
        (put("absurd.jpg", &absurd(&jpeg)), "too_large"),
        (put("diary.tif", b"dear diary, today I cleaned my sensor"), "unsupported"),
        (folder.path().join("gone.dng"), "unreadable"),
        (PathBuf::from("/dev/null"), "unreadable"),
    ];
    let mut arguments: Vec<PathBuf> = vec!["inspect".into(), "--json".into()];
    arguments.extend(cases.iter().map(|(path, _)| path.clone()));
    arguments.push(wall().clean.clone());
    let arguments: Vec<&dyn AsRef<std::ffi::OsStr>> = arguments.iter().map(|a| a as _).collect();
    let run = motelight(&arguments);
    assert_eq!(run.code, 2);
    let document = run.document();
    for (path, code) in &cases {
        let name = path.file_name().and_then(|n| n.to_str()).expect("a name");
        let error = &entry(&document, name)["error"];
        assert_eq!(error["code"], *code, "{name}: {error}");
        for key in ["message", "remedy"] {
            assert!(error[key].as_str().is_some_and(|t| t.len() > 10), "{name}: {error}");
        }
        assert!(run.stderr.lines().any(|l| l.starts_with("error: ") && l.contains(name)), "{name}: {}", run.stderr);
    }
    assert!(!run.stderr.contains("panicked"), "{}", run.stderr);
    let good = entry(&document, "clean.dng");
    assert!(good["error"].is_null() && good["fitness"]["verdict"] != "unfit", "{good}");
}

#[test]
fn a_mislabelled_picture_is_read_as_what_it_is_and_said_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("really-a-jpeg.dng");
    std::fs::copy(&wall().untold, &path).expect("copied");
    let document = motelight(&[&"inspect", &"--json", &path]).document();
    let frame = &document["frames"][0];
    assert!(frame["error"].is_null() && frame["width"] == 1200);
    let notes: Vec<&str> = frame["notes"].as_array().expect("notes").iter().filter_map(Value::as_str).collect();
    assert!(notes.iter().any(|n| n.contains(".dng") && n.contains("JPEG")), "{notes:?}");
}

#[test]
fn an_empty_folder_is_an_error_and_a_folder_of_other_files_too() {
    let folder = tempfile::tempdir().expect("a folder");
    for _ in 0..2 {
        let run = motelight(&[&"inspect", &"--json", &folder.path()]);
        assert_eq!(run.code, 2);
        assert!(run.stderr.contains("no pictures"), "{}", run.stderr);
        assert_eq!(run.document()["frames"], Value::Array(Vec::new()));
        std::fs::write(folder.path().join("notes.txt"), "nothing here").expect("written");
    }
}

/// A name cannot leave its place in the page, the document or the terminal.
#[cfg(unix)]
#[test]
fn hostile_names_stay_names() {
    use std::os::unix::ffi::OsStringExt;
    let folder = tempfile::tempdir().expect("a folder");
    let hostile = [
        OsString::from("<img src=x onerror=alert(1)>.jpg"),
        OsString::from("\"quoted\" & 'so on'.jpg"),
        OsString::from("two\nlines\u{1b}[31m.jpg"),
        OsString::from("-rf.jpg"),
        OsString::from_vec(b"caf\xe9.jpg".to_vec()),
    ];
    for name in &hostile {
        std::fs::copy(&wall().untold, folder.path().join(name)).expect("copied");
    }
    let out = tempfile::tempdir().expect("a folder");
    let run = motelight(&[&"inspect", &"--json", &folder.path(), &"--out", &out.path()]);
    let document = run.document();
    let frames = document["frames"].as_array().expect("frames");
    assert_eq!(frames.len(), hostile.len());
    assert!(frames.iter().all(|f| f["error"].is_null()), "{}", run.stderr);
    let mut pages = 0;
    for entry in std::fs::read_dir(out.path()).expect("a folder").flatten() {
        let page = std::fs::read_to_string(entry.path()).expect("read");
        assert!(!page.contains("<img src=x"), "{:?}", entry.file_name());
        pages += 1;
    }
    assert_eq!(pages, hostile.len());
    let told = motelight(&[&"inspect", &folder.path()]).stdout;
    assert!(!told.contains('\u{1b}'), "no control codes reach the terminal");
    missing_names_are_told_safely(folder.path());
}

/// Errors name the file on standard error: there, too, a name sends no control codes.
#[cfg(unix)]
fn missing_names_are_told_safely(folder: &Path) {
    let run = motelight(&[&"inspect", &folder.join("gone\u{1b}[2J.dng")]);
    assert!(run.code == 2 && run.stderr.contains("gone") && !run.stderr.contains('\u{1b}'), "{:?}", run.stderr);
}
