//! The path of a shoot, from its folder to mended copies.

use eframe::egui::{Key, Modifiers};
use motelight_desk::ledger::Ledger;
use motelight_motes::mend::{Choice, Treatment};
use motelight_window::App;
use motelight_window::state::Step;

use crate::drive::Drive;
use crate::made::made;

fn shown(app: &App) -> bool {
    app.viewer().path().is_some() && app.viewer().path() == app.viewer().asked()
}

/// A window with the shoot traced, by the test frame of its body.
pub fn traced() -> Drive {
    let made = made();
    let mut drive = Drive::new();
    drive.drop(&made.shoot);
    drive.until("the pictures", |app| app.found().sources.len() == 4);
    drive.must_read("Quillhaven: 4 pictures");
    drive.go(Step::Trace);
    // On this path a single file is the test frame to mend by.
    drive.drop(&made.before);
    drive.until_idle();
    drive.press("Trace the shoot");
    drive.until("the trace", |app| app.found().traced.is_some());
    drive
}

#[test]
fn from_a_folder_to_mended_copies() {
    let made = made();
    let mut drive = traced();
    drive.must_read("need mending");
    drive.must_read("When each mote came");
    drive.press("Go on to what needs work");
    assert_eq!(drive.step(), Step::NeedsWork);
    drive.press("Look at the worst");
    assert_eq!(drive.step(), Step::BeforeAfter);
    drive.until("the picture, mended", |app| shown(app) && app.viewer().seen().is_some_and(|s| s.has_after()));
    drive.must_read(", after");

    // B, held, shows it as it was; D shows both.
    drive.window.key_down(Key::B);
    drive.steps();
    drive.must_read(", before");
    drive.window.key_up(Key::B);
    drive.steps();
    assert!(!drive.reads(", before"));
    drive.key(Key::D);
    drive.must_read(", before");
    drive.must_read(", after");

    // The first mote, skipped by key; taken back; skipped again.
    drive.key(Key::N);
    assert_eq!(drive.window.state().viewer().mote(), Some(0));
    drive.key(Key::S);
    let choices = |drive: &Drive| drive.window.state().state().shoot.choices.clone();
    assert_eq!(choices(&drive).values().collect::<Vec<_>>(), [&Choice::Skip]);
    drive.keys(Modifiers::COMMAND, Key::Z);
    assert!(choices(&drive).is_empty());
    drive.key(Key::S);
    let skipped = choices(&drive).keys().next().cloned().expect("a choice");

    drive.press("Go on to mending");
    drive.must_read("0 to mend, 1 to skip");
    drive.press("Mend the shoot");
    drive.until("the copies", |app| app.found().mended.is_some());
    drive.must_read("4 pictures are mended.");
    let out = made.shoot.with_file_name("Quillhaven-mended");
    for name in ["view-1.jpg", "view-2.jpg", "view-3.jpg", "view-4.jpg", "mend-report.html"] {
        assert!(out.join(name).is_file(), "{name}");
    }
    let mended = drive.window.state().found().mended.as_ref().expect("mended");
    let lifted = |t: Treatment| {
        let motes = mended.pictures.iter().filter_map(|p| p.result.as_ref().ok()).flat_map(|m| &m.motes);
        motes.filter(|m| m.treatment == t).count()
    };
    assert!(lifted(Treatment::Lifted) > 4, "skies show motes at f/16");
    let (picture, mote) = skipped.rsplit_once(':').expect("PICTURE:MOTE");
    let of = mended.pictures.iter().find(|p| p.path.ends_with(picture)).and_then(|p| p.result.as_ref().ok());
    let entry = of.and_then(|m| m.motes.iter().find(|m| m.id == mote)).expect("the skipped mote");
    assert_eq!(entry.treatment, Treatment::Untouched);

    let ledger = Ledger::open(&drive.folder.path().join("ledger.sqlite")).expect("a ledger");
    assert_eq!(ledger.deliveries().expect("rows").len(), 4, "what was mended is in the ledger");
    drive.press("Go on to sign-off");
    drive.must_read("seen from");
    drive.press("Look the copies over");
    drive.until("the copies looked over", |app| app.found().signed_off.is_some());
    drive.must_read("of 4 pictures are clear.");
    let files = &drive.window.state().found().signed_off.as_ref().expect("looked over").files;
    for file in files {
        let answered = file.result.as_ref().expect("judged").answered.as_ref();
        assert!(
            answered.is_some_and(|a| !a.answers.is_empty()),
            "{}: its original’s motes are known",
            file.path.display()
        );
    }
    drive.must_read("none visible");
    assert!(out.join("signoff-report.html").is_file());
    assert!(ledger.deliveries().expect("rows").len() > 4, "what was signed off is in the ledger");
    drive.press("Go on to the delivery note");
    assert_eq!(drive.step(), Step::DeliveryNote);
    drive.must_read("no more than was measured");
}

#[test]
fn keys_go_through_the_pictures_and_the_raking_view() {
    let mut drive = traced();
    drive.go(Step::BeforeAfter);
    drive.until("a picture", shown);
    let first = drive.window.state().viewer().path().cloned();
    drive.key(Key::PageDown);
    drive.until("another picture", |app| shown(app) && app.viewer().path() != first.as_ref());
    drive.key(Key::PageUp);
    drive.until("the first again", |app| shown(app) && app.viewer().path() == first.as_ref());
    let strength = |drive: &Drive| drive.window.state().state().shown.strength;
    let before = strength(&drive);
    drive.key(Key::R);
    drive.key(Key::CloseBracket);
    assert!(strength(&drive) > before);
    for key in [Key::Num1, Key::Plus, Key::Minus, Key::ArrowLeft, Key::F, Key::K, Key::K, Key::P, Key::M, Key::U] {
        drive.key(key);
    }
    assert!(drive.window.state().state().shoot.choices.is_empty(), "undecided again");
}
