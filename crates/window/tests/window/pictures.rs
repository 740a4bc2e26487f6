//! Pictures of the screens, kept small. They want a software Vulkan driver, so that every machine draws the same.

use std::path::Path;

use eframe::egui::Key;
use egui_kittest::{Harness, SnapshotOptions};
use motelight_window::App;
use motelight_window::state::Step;

use crate::drive::{Drive, setup};
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

/// Drivers of other versions round glyphs and edges in their own way.
fn options() -> SnapshotOptions {
    SnapshotOptions::new().threshold(2.0).max_failed_pixels(1500)
}

#[test]
fn the_screens_look_as_they_did() {
    if !driver() {
        return;
    }
    let made = made();
    let mut drive = Drive::new();
    let app = setup(drive.folder.path());
    drive.window = Harness::builder().with_size([1280.0, 800.0]).wgpu().build_eframe(|cc| App::new(&cc.egui_ctx, app));
    drive.steps();
    drive.window.snapshot_options("start", &options());
    drive.drop(&made.before);
    drive.until("the verdict", |app| app.found().judged.is_some());
    drive.go(Step::Cleaning);
    drive.until_idle();
    drive.window.snapshot_options("cleaning", &options());
    drive.key(Key::L);
    drive.key(Key::F1);
    drive.window.snapshot_options("keys-light", &options());
}
