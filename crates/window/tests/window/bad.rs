//! What goes wrong is told where it happened, with what to do, and nothing is lost by it.

use motelight_window::state::Step;

use crate::drive::Drive;
use crate::made::made;
use crate::shoot::traced;

#[test]
fn an_unfit_test_frame_gives_no_verdict_and_says_what_to_change() {
    let mut drive = Drive::new();
    drive.drop(&made().unfit);
    drive.until("the judgement", |app| app.found().judged.is_some());
    drive.must_read("No verdict from this frame.");
    drive.must_read("The test frame is unfit.");
    drive.press("Take another test frame");
    assert_eq!(drive.step(), Step::TestFrame);
}

#[test]
fn an_unreadable_file_is_named_and_another_can_be_given() {
    let mut drive = Drive::new();
    drive.drop(&made().broken);
    drive.until("the error", |app| app.found().troubles.contains_key(&Step::TestFrame));
    assert_eq!(drive.step(), Step::TestFrame);
    drive.must_read("broken.dng:");
    drive.must_read("something went wrong here");
    drive.drop(&made().before);
    drive.until("the verdict", |app| app.found().judged.is_some());
    assert!(!drive.reads("broken.dng:"));
}

#[test]
fn a_test_frame_by_another_body_is_not_held_against_the_first() {
    let mut drive = Drive::new();
    drive.drop(&made().before);
    drive.until("the verdict", |app| app.found().judged.is_some());
    drive.go(Step::Cleaning);
    drive.drop(&made().other);
    drive.until("the refusal", |app| app.found().troubles.contains_key(&Step::Recheck));
    drive.must_read("other-body.dng:");
    assert_eq!(drive.window.state().state().sensor.frames.len(), 1, "the first frame still counts");

    // The same where a body was chosen first.
    drive.until("the ledger", |app| !app.found().bodies.is_empty());
    let number = drive.window.state().found().bodies[0].row.number;
    let called = drive.window.state().found().bodies[0].row.called();
    drive.go(Step::Body);
    drive.press(&called);
    assert_eq!(drive.window.state().state().sensor.body, Some(number));
    drive.drop(&made().other);
    drive.until("the refusal", |app| app.found().troubles.contains_key(&Step::TestFrame));
    drive.must_read("not by");
}

/// A full disk and a folder that nobody may write to are the same to the window: the copies cannot be written.
#[test]
fn a_place_that_cannot_be_written_to_is_told_where_the_copies_were_wanted() {
    let mut drive = traced();
    let file = drive.folder.path().join("no-folder");
    std::fs::write(&file, b"a file where a folder is wanted").expect("written");
    drive.go(Step::Mend);
    drive.name("name another folder", &file.join("copies"));
    drive.press("Mend the shoot");
    drive.until("the error", |app| app.found().troubles.contains_key(&Step::Mend));
    drive.must_read("cannot be written to");
    drive.must_read("Check its permissions");
    assert!(drive.window.state().found().mended.is_none());
}

#[test]
fn a_job_that_is_stopped_leaves_the_window_ready_for_the_next() {
    let made = made();
    let mut drive = Drive::new();
    let many = drive.folder.path().join("many");
    std::fs::create_dir(&many).expect("a folder");
    for i in 0..40 {
        std::fs::copy(made.shoot.join(format!("view-{}.jpg", i % 4 + 1)), many.join(format!("{i:02}.jpg")))
            .expect("copied");
    }
    drive.drop(&many);
    drive.until("the pictures", |app| app.found().sources.len() == 40);
    drive.go(Step::Trace);
    drive.drop(&made.before);
    drive.until_idle();
    drive.press("Trace the shoot");
    drive.press("Stop");
    drive.must_read("Stopped: tracing the shoot.");
    assert!(drive.window.state().found().traced.is_none());
    drive.press("Trace the shoot");
    drive.until("the trace", |app| app.found().traced.is_some());
}
