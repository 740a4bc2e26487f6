//! The path of the sensor, from the first drop to a clear sensor.

use eframe::egui::{Key, Modifiers};
use motelight_desk::ledger::Ledger;
use motelight_motes::advise::{Action, PassKind};
use motelight_window::state::Step;

use crate::drive::Drive;
use crate::made::made;

#[test]
fn from_a_dusty_sensor_to_a_clear_one() {
    let made = made();
    let mut drive = Drive::new();
    for words in ["plain wall here", "folder of a shoot here", "Nothing at hand?"] {
        drive.must_read(words);
    }
    drive.drop(&made.before);
    drive.until("the verdict", |app| app.found().judged.is_some());
    assert_eq!(drive.step(), Step::Verdict);
    drive.must_read("Chart in picture view");
    drive.press("Mount view (V)");
    drive.must_read("Chart in mount view");

    drive.press("Go on to the cleaning");
    assert_eq!(drive.step(), Step::Cleaning);
    assert_eq!(drive.window.state().found().advice().map(|a| a.action), Some(Action::Blow), "dry before wet");
    drive.must_read("Next: blow.");
    drive.must_read("Have in mind");
    drive.must_read("manual and its warranty terms come first");
    drive.must_read("Chart in mount view");
    assert_eq!(drive.window.state().state().sensor.passes, [PassKind::Blow]);

    drive.drop(&made.after);
    drive.until("the recheck", |app| app.found().rechecked.is_some());
    assert_eq!(drive.step(), Step::Recheck);
    drive.must_read("motes are gone");
    drive.must_read("Mote by mote");
    drive.press("Go on to the next pass");
    assert_eq!(drive.step(), Step::Cleaning);

    drive.drop(&made.clean);
    drive.until("the second recheck", |app| app.state().sensor.frames.len() == 3 && app.found().running.is_none());
    drive.keys(Modifiers::ALT, Key::ArrowRight);
    assert_eq!(drive.step(), Step::Ready);

    let ledger = Ledger::open(&drive.folder.path().join("ledger.sqlite")).expect("a ledger");
    let bodies = ledger.bodies().expect("bodies");
    assert_eq!((bodies.len(), bodies[0].test_frames), (1, 3), "all that was shown is in the ledger");
    assert!(bodies[0].passes >= 1);
    drive.go(Step::Body);
    drive.must_read("last test frame");
}

/// What was chosen is there again after the window was lost, and is found anew.
#[test]
fn choices_survive_a_crash() {
    let made = made();
    let mut drive = Drive::new();
    drive.drop(&made.before);
    drive.until("the verdict", |app| app.found().judged.is_some());
    drive.press("f/11");
    drive.key(Key::R);
    let written = drive.folder.path().join("state.json");
    // Each choice is written as it is made: the second may come to the disk a moment after the first.
    let both = |text: String| text.contains("11.0") && text.replace(' ', "").contains("\"raking\":true");
    drive.until("the choices on the disk", |_| std::fs::read_to_string(&written).is_ok_and(both));
    let folder = drive.folder.clone();
    std::mem::forget(drive);

    let mut again = Drive::again(folder);
    assert_eq!(again.step(), Step::Verdict);
    assert!(again.window.state().state().shown.raking);
    again.until("the same verdict", |app| app.found().judged.is_some());
    assert_eq!(again.window.state().state().sensor.booked, 11.0);
}

#[test]
fn the_watched_folder_hands_over_the_next_test_frame() {
    let made = made();
    let mut drive = Drive::new();
    let watched = drive.folder.path().join("card");
    std::fs::create_dir(&watched).expect("a folder");
    std::fs::copy(&made.other, watched.join("old.dng")).expect("copied");
    drive.drop(&made.before);
    drive.until("the verdict", |app| app.found().judged.is_some());
    drive.go(Step::Cleaning);
    drive.name("name the folder to watch", &watched);
    drive.must_read("Waiting for a new picture");
    // What lay there before is not taken; what comes is, once it is whole.
    std::thread::sleep(std::time::Duration::from_millis(900));
    std::fs::copy(&made.after, watched.join("new.dng")).expect("copied");
    drive.until("the recheck", |app| app.found().rechecked.is_some());
    assert_eq!(drive.window.state().found().frame(), Some(watched.join("new.dng").as_path()));
}

#[test]
fn every_key_of_the_list_is_told_and_none_breaks_anything() {
    let mut drive = Drive::new();
    drive.key(Key::F1);
    drive.must_read("take the last choice back");
    drive.must_read("the picture as it was");
    drive.key(Key::Escape);
    assert!(!drive.reads("take the last choice back"));
    for shortcut in motelight_window::command::KEYS {
        // Dialogs and the demo want a person and time.
        let opens = matches!(shortcut.written, "Ctrl O" | "Ctrl D" | "Alt D" | "Enter" | "F1" | "?");
        if !opens {
            drive.keys(shortcut.modifiers, shortcut.key);
        }
    }
}

/// Every step at every system scale, in the smallest window: nothing breaks, everything keeps its name.
#[test]
fn every_step_is_drawn_at_every_scale() {
    let mut drive = Drive::new();
    drive.drop(&made().before);
    drive.until("the verdict", |app| app.found().judged.is_some());
    for scale in [1.0, 1.5, 2.0, 3.0] {
        drive.window.set_pixels_per_point(scale);
        for step in Step::SENSOR.into_iter().chain(Step::SHOOT) {
            drive.go(step);
        }
    }
}
