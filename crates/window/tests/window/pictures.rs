//! Pictures of the screens, kept small. They want a software Vulkan driver, so that every machine draws the same.

use std::path::Path;

use eframe::egui::Key;
use egui_kittest::SnapshotOptions;
use motelight_window::state::Step;

use crate::drive::Drive;
use crate::made::made;

/// Whether a Vulkan driver is there; without one the test is skipped, loudly, and fails with `CI=true`.
fn driver() -> bool {
    let folders = ["/usr/share/vulkan/icd.d", "/etc/vulkan/icd.d", "/usr/local/share/vulkan/icd.d"];
    let here = |folder: &&str| Path::new(folder).read_dir().is_ok_and(|mut files| files.next().is_some());
    let named = ["VK_DRIVER_FILES", "VK_ICD_FILENAMES"].iter().any(|name| std::env::var_os(name).is_some());
    let found = named || folders.iter().any(here);
    if !found {
        assert!(
            std::env::var_os("CI").is_none_or(|v| v != "true"),
            "no Vulkan driver: apt-get install mesa-vulkan-drivers"
        );
        eprintln!("SKIPPED: pictures of the screens want a Vulkan driver: apt-get install mesa-vulkan-drivers");
    }
    found
}

/// Pixels to a point: the pictures are kept small.
const SCALE: f32 = 0.5;

/// Drivers of other versions round glyphs and edges in their own way, and the numbers of processes change.
fn look(drive: &mut Drive, name: &str) {
    let options = SnapshotOptions::new().threshold(2.0).max_failed_pixels((1500.0 * SCALE * SCALE) as usize);
    drive.steps();
    drive.window.snapshot_options(name, &options);
}

/// Parts of a picture are drawn beside the window's own work.
fn by_and_by(drive: &mut Drive) {
    drive.steps();
    drive.until("the whole picture", |app| app.viewer().is_whole());
}

#[test]
fn the_screens_of_the_sensor_look_as_they_did() {
    if !driver() {
        return;
    }
    let made = made();
    let mut drive = Drive::drawn(SCALE);
    look(&mut drive, "start");
    drive.drop(&made.before);
    drive.until("the verdict", |app| app.found().judged.is_some());
    by_and_by(&mut drive);
    look(&mut drive, "verdict");
    drive.go(Step::TestFrame);
    look(&mut drive, "test-frame");
    drive.go(Step::Cleaning);
    drive.until_idle();
    look(&mut drive, "cleaning");
    drive.drop(&made.after);
    drive.until("the recheck", |app| app.found().rechecked.is_some() && app.found().running.is_none());
    look(&mut drive, "recheck");
    drive.go(Step::Ready);
    look(&mut drive, "ready");
    drive.go(Step::Body);
    look(&mut drive, "body");
    drive.key(Key::L);
    drive.key(Key::F1);
    look(&mut drive, "keys-light");
    drive.key(Key::Escape);
    drive.drop(&made.broken);
    drive.until("the error", |app| app.found().troubles.contains_key(&Step::TestFrame));
    look(&mut drive, "unreadable-light");
}

#[test]
fn the_screens_of_a_shoot_look_as_they_did() {
    if !driver() {
        return;
    }
    let made = made();
    let mut drive = Drive::drawn(SCALE);
    // Copies are written beside the pictures; another test mends the same. Their folder stands on the screen: its name is as
    // wide in every run.
    let place = format!("motelight-{:07}-", std::process::id());
    let place = tempfile::Builder::new().prefix(&place).rand_bytes(0).tempdir().expect("a folder");
    let shoot = place.path().join("Quillhaven");
    std::fs::create_dir(&shoot).expect("a folder");
    for file in std::fs::read_dir(&made.shoot).expect("a folder").flatten() {
        std::fs::copy(file.path(), shoot.join(file.file_name())).expect("copied");
    }
    // What was looked at before must not be seen again under another name.
    drive.drop(&made.before);
    drive.until("the verdict", |app| app.found().judged.is_some());
    by_and_by(&mut drive);
    drive.drop(&shoot);
    drive.until("the pictures", |app| app.found().sources.len() == 4);
    look(&mut drive, "folder");
    drive.go(Step::Trace);
    drive.drop(&made.before);
    drive.until_idle();
    drive.press("Trace the shoot");
    drive.until("the trace", |app| app.found().traced.is_some());
    look(&mut drive, "trace");
    drive.press("Go on to what needs work");
    look(&mut drive, "needs-work");
    drive.press("Look at the worst");
    drive.until("the picture, mended", |app| app.viewer().seen().is_some_and(|s| s.has_after()));
    by_and_by(&mut drive);
    look(&mut drive, "before-after");
    drive.key(Key::D);
    by_and_by(&mut drive);
    look(&mut drive, "side-by-side");
    drive.key(Key::D);
    drive.key(Key::R);
    by_and_by(&mut drive);
    look(&mut drive, "raking");
    drive.key(Key::R);
    drive.go(Step::Mend);
    drive.press("Mend the shoot");
    drive.until("the copies", |app| app.found().mended.is_some());
    look(&mut drive, "mend");
    drive.press("Go on to sign-off");
    drive.press("Look the copies over");
    drive.until("the copies looked over", |app| app.found().signed_off.is_some());
    look(&mut drive, "sign-off");
    drive.press("Go on to the delivery note");
    look(&mut drive, "delivery-note");
}
