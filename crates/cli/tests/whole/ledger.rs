//! `motelight ledger`, and what the other commands write into it.

use std::path::Path;

use serde_json::Value;

use crate::run::{Run, motelight, wall};

struct Book {
    folder: tempfile::TempDir,
}

impl Book {
    fn new() -> Book {
        Book { folder: tempfile::tempdir().expect("a folder") }
    }

    fn file(&self) -> std::path::PathBuf {
        self.folder.path().join("ledger.sqlite")
    }

    fn run(&self, words: &[&str]) -> Run {
        let file = self.file();
        let mut all: Vec<&dyn AsRef<std::ffi::OsStr>> = vec![&"ledger", &"--ledger", &file];
        all.extend(words.iter().map(|w| w as &dyn AsRef<std::ffi::OsStr>));
        motelight(&all)
    }

    fn told(&self, words: &[&str]) -> Value {
        let mut words = words.to_vec();
        words.push("--json");
        let run = self.run(&words);
        assert!(run.code < 2, "{words:?}: {}", run.stderr);
        run.document()
    }
}

#[test]
fn an_inspected_frame_is_in_the_ledger_and_its_body_has_a_story() {
    let book = Book::new();
    assert_eq!(book.told(&[])["bodies"], Value::Array(Vec::new()));
    let wall = wall();
    motelight(&[&"inspect", &"--no-record", &"--ledger", &book.file(), &wall.dusty]);
    assert!(!book.file().exists(), "nothing was to be recorded");
    motelight(&[&"inspect", &"--ledger", &book.file(), &wall.dusty]);
    motelight(&[&"recheck", &"--ledger", &book.file(), &wall.dusty, &wall.dusty]);

    let bodies = book.told(&["list"]);
    assert_eq!(bodies["schema"], "motelight.ledger/1");
    assert_eq!(bodies["bodies"][0]["test_frames"], 1);
    book.told(&["body", "1", "--name", "Field body", "--quote", "65 EUR", "--pictures", "900"]);
    book.told(&["supply", "swabs 24 mm", "--bought", "12", "--paid", "31.00 EUR"]);
    book.told(&["pass", "field body", "--kind", "swab", "--swab", "swabs 24 mm"]);
    assert_eq!(book.told(&["supply"])["stock"][0]["stock"], 11.0);
    let story = book.told(&["show", "Field body"]);
    assert_eq!(story["story"]["passes"][0]["kind"], "swab");
    assert_eq!(story["outlook"]["quote"][0], 65.0);
    book.told(&[
        "shoot",
        "Harbour",
        "--from",
        "2031-05-01",
        "--to",
        "2031-05-04",
        "--booked",
        "f/16",
        "--body",
        "Field body",
    ]);
    let ready = book.run(&["ready", "--shoot", "harbour", "--json"]);
    assert_eq!((ready.code, &ready.document()["ready"]["ready"]), (1, &Value::Bool(false)));
    assert!(book.told(&["pack", "Field body", "--days", "5"])["before_trip"].is_string());
    assert!(book.run(&["show", "Field body"]).stdout.contains("Clear to, test frame by test frame"));
}

#[test]
fn an_export_is_taken_back_by_another_ledger() {
    let book = Book::new();
    motelight(&[&"inspect", &"--ledger", &book.file(), &wall().dusty]);
    let out = book.folder.path().join("out");
    book.told(&["export", "--out", &out.to_string_lossy()]);
    for from in [out.join("ledger.json"), out.clone()] {
        let other = Book::new();
        other.told(&["import", &from.to_string_lossy()]);
        let again = other.folder.path().join("again");
        other.told(&["export", "--out", &again.to_string_lossy()]);
        let read = |folder: &Path| std::fs::read(folder.join("ledger.json")).expect("read");
        assert_eq!(read(&out), read(&again));
    }
}

#[test]
fn a_ledger_that_cannot_be_written_is_a_note_and_no_failure() {
    let wall = wall();
    let folder = tempfile::tempdir().expect("a folder");
    let letter = folder.path().join("letter.txt");
    std::fs::write(&letter, "no ledger").expect("written");
    let run = motelight(&[&"inspect", &"--json", &"--ledger", &letter, &wall.clean]);
    assert_eq!(run.code, 0, "{}", run.stderr);
    assert!(run.stderr.contains("note: not written to the ledger"), "{}", run.stderr);
    assert_eq!(std::fs::read(&letter).expect("read"), b"no ledger");
    let listed = motelight(&[&"ledger", &"--json", &"--ledger", &letter]);
    assert_eq!((listed.code, &listed.document()["error"]["code"]), (2, &Value::from("broken")));
}
