//! The window in a harness: no display, but every control, key and dropped file.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use eframe::egui::{DroppedFile, Key, Modifiers};
use egui_kittest::kittest::Queryable;
use egui_kittest::{Harness, HarnessBuilder};
use motelight_frame::RawDecoder;
use motelight_window::state::Step;
use motelight_window::{App, Setup};
use tempfile::TempDir;

/// Longest that anything may take here: a busy machine is no failure, a hanging window is.
const PATIENCE: Duration = Duration::from_secs(120);

/// The window and its own folder.
pub struct Drive {
    /// The window.
    pub window: Harness<'static, App>,
    /// Its folder: state, ledger, demo.
    pub folder: Arc<TempDir>,
}

/// A file that is dropped on the window.
#[derive(Debug)]
struct Dropped(PathBuf);

impl DroppedFile for Dropped {
    fn path(&self) -> &Path {
        &self.0
    }

    fn bytes(&self) -> Result<Vec<u8>, String> {
        Err("the window reads files by their paths".into())
    }
}

/// How a window of these tests starts: nobody's own ledger is touched.
pub fn setup(folder: &Path) -> Setup {
    Setup {
        state: Some(folder.join("state.json")),
        ledger: Some(folder.join("ledger.sqlite")),
        demo: folder.join("demo"),
        open: Vec::new(),
        // The pictures are made by these tests.
        raw: RawDecoder::InProcess,
    }
}

impl Drive {
    /// A window for the first time.
    pub fn new() -> Drive {
        Drive::again(Arc::new(tempfile::tempdir().expect("a folder")))
    }

    /// A window in a folder in which one has been before.
    pub fn again(folder: Arc<TempDir>) -> Drive {
        Drive::built(Harness::builder(), folder)
    }

    fn built(harness: HarnessBuilder<App>, folder: Arc<TempDir>) -> Drive {
        let setup = setup(folder.path());
        let window = harness.with_size([1280.0, 800.0]).build_eframe(|cc| App::new(&cc.egui_ctx, setup));
        let mut drive = Drive { window, folder };
        drive.steps();
        drive
    }

    /// A window for the first time that is drawn as well, `scale` pixels to a point.
    pub fn drawn(scale: f32) -> Drive {
        let harness = Harness::builder().with_pixels_per_point(scale).wgpu();
        Drive::built(harness, Arc::new(tempfile::tempdir().expect("a folder")))
    }

    /// A few frames, and every control has a name.
    pub fn steps(&mut self) {
        self.window.run_steps(4);
        self.window.check_accessibility();
    }

    /// Frames until something is so.
    pub fn until(&mut self, what: &str, is: impl Fn(&App) -> bool) {
        let start = Instant::now();
        while !is(self.window.state()) {
            let troubles = &self.window.state().found().troubles;
            assert!(start.elapsed() < PATIENCE, "waited in vain for: {what}; {troubles:?}");
            std::thread::sleep(Duration::from_millis(5));
            self.window.step();
        }
        self.steps();
    }

    /// Until nothing runs any more.
    pub fn until_idle(&mut self) {
        self.until("the end of the job", |app| app.found().running.is_none());
    }

    /// Presses a button.
    pub fn press(&mut self, label: &str) {
        self.window.get_by_label(label).click_accesskit();
        self.steps();
    }

    /// Presses a key.
    pub fn key(&mut self, key: Key) {
        self.window.key_press(key);
        self.steps();
    }

    /// Presses a key with others held.
    pub fn keys(&mut self, held: Modifiers, key: Key) {
        self.window.key_press_modifiers(held, key);
        self.steps();
    }

    /// Drops a file or folder.
    pub fn drop(&mut self, path: &Path) {
        self.window.input_mut().dropped_files.push(Arc::new(Dropped(path.to_path_buf())));
        self.steps();
    }

    /// Goes to a step by its stop on the path.
    pub fn go(&mut self, step: Step) {
        let way = if Step::SENSOR.contains(&step) { "The sensor" } else { "A shoot" };
        let label = format!("{way}: {}", step.name());
        self.window.get_by_label_contains(&label).click_accesskit();
        self.steps();
        assert_eq!(self.window.state().state().step, step);
    }

    /// Writes a path into a field and takes it.
    pub fn name(&mut self, field: &str, path: &Path) {
        let id = eframe::egui::Id::unique(("path field", field));
        let typed = path.display().to_string();
        self.window.ctx.data_mut(|d| d.insert_temp(id, typed));
        self.steps();
        let label = format!("take what was typed: {field}");
        self.press(&label);
    }

    /// Whether something can be read on the screen.
    pub fn reads(&self, words: &str) -> bool {
        self.window.query_all_by_label_contains(words).next().is_some()
    }

    /// What must be read on the screen.
    #[track_caller]
    pub fn must_read(&self, words: &str) {
        assert!(self.reads(words), "not on the screen: {words}");
    }

    /// The step one is at.
    pub fn step(&self) -> Step {
        self.window.state().state().step
    }
}
