//! The application: what was chosen, what was found, the two threads that work for it, and every command carried out.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use eframe::egui::{self, CentralPanel, Context, Frame, Margin, Panel, Ui};
use motelight_desk::jobs::mend::Plan;
use motelight_desk::jobs::recheck::Known;
use motelight_desk::jobs::{Settings, Source, places};
use motelight_desk::ledger::default_path;
use motelight_frame::{Limits, RawDecoder, ReadOptions};

use crate::command::{Command, Commands};
use crate::found::{Found, Running};
use crate::look::{Looker, Spot, Viewer, Wanted};
use crate::state::{State, Step};
use crate::theme::{PATH_WIDTH, Theme};
use crate::views::{Page, keys_ui, path_ui, spots, status_ui, step_ui};
use crate::worker::{Desk, Job, Pair, Worker};

/// How the window is started.
#[derive(Debug, Clone)]
pub struct Setup {
    /// Where choices are written down; `None`: nowhere.
    pub state: Option<PathBuf>,
    /// The ledger; `None`: nothing is written down.
    pub ledger: Option<PathBuf>,
    /// Where the demo shoot goes.
    pub demo: PathBuf,
    /// Files and folders to begin with.
    pub open: Vec<PathBuf>,
    /// Where raws are decoded.
    pub raw: RawDecoder,
}

impl Setup {
    /// As a user's own window starts: everything in the user's own folders.
    pub fn of_user() -> Setup {
        // Where the program's own file cannot be found, raws are decoded in this process rather than not at all.
        let raw = std::env::current_exe().map_or(RawDecoder::InProcess, RawDecoder::Child);
        let (state, demo) = (places::state_path(), places::demo_folder());
        Setup { state, ledger: default_path(), demo, open: Vec::new(), raw }
    }
}

/// How long after a change the choices are written down.
const PAUSE: Duration = Duration::from_millis(400);

/// The application.
pub struct App {
    pub(crate) setup: Setup,
    pub(crate) state: State,
    pub(crate) found: Found,
    pub(crate) worker: Worker,
    pub(crate) viewer: Viewer,
    pub(crate) commands: Commands,
    theme: Theme,
    pub(crate) dressed: bool,
    pub(crate) keys: bool,
    kept: State,
    changed: Option<Instant>,
    /// What the picture in the viewer was read for, to tell when it must be read anew.
    wanted: Option<(PathBuf, String)>,
}

impl App {
    /// The window as it was left, or at the start.
    pub fn new(ctx: &Context, setup: Setup) -> App {
        let state = setup.state.as_deref().map(State::read).unwrap_or_default();
        let waker = ctx.clone();
        let wake: Arc<dyn Fn() + Send + Sync> = Arc::new(move || waker.request_repaint());
        let mut app = App {
            theme: Theme::of(state.shade),
            dressed: false,
            keys: false,
            kept: state.clone(),
            changed: None,
            wanted: None,
            found: Found::default(),
            worker: Worker::new(wake.clone()),
            viewer: Viewer::new(Looker::new(wake)),
            commands: Commands::default(),
            state,
            setup,
        };
        app.resume();
        app
    }

    /// What was chosen.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// What was found.
    pub fn found(&self) -> &Found {
        &self.found
    }

    /// The picture that is looked at.
    pub fn viewer(&self) -> &Viewer {
        &self.viewer
    }

    /// Finds anew what the last choices led to.
    fn resume(&mut self) {
        self.ask(Job::Bodies, Step::Body);
        self.judge();
        if let Some(folder) = self.state.shoot.folder.clone() {
            self.ask(Job::List(folder), Step::Folder);
        }
        self.worker.watch(self.state.sensor.watch.as_ref());
        for path in self.setup.open.clone() {
            self.commands.push(Command::Take(path));
        }
    }

    /// Judges the test frames anew.
    pub(crate) fn judge(&mut self) {
        match self.state.sensor.frames.as_slice() {
            [] => {}
            [one] => self.ask(Job::Inspect(one.clone(), None), Step::TestFrame),
            [.., before, after] => {
                let pair = self.pair(before.clone(), after.clone(), None);
                self.ask(pair, Step::Recheck);
            }
        }
    }

    pub(crate) fn pair(&self, before: PathBuf, after: PathBuf, card: Option<PathBuf>) -> Job {
        let known = Known {
            passes: self.state.sensor.made.clone(),
            booked: self.state.booked(),
            circumstances: self.state.sensor.circumstances,
        };
        Job::Recheck(Box::new(Pair { before, after, known, card }))
    }

    /// What the jobs need to know.
    pub(crate) fn desk(&self) -> Desk {
        let read = ReadOptions { limits: Limits::default(), sensor: None, raw: self.setup.raw.clone() };
        Desk { settings: Settings { read, viewings: self.state.looked.viewings() }, ledger: self.setup.ledger.clone() }
    }

    /// Asks for a job on behalf of a step.
    pub(crate) fn ask(&mut self, job: Job, step: Step) {
        self.found.clear(step);
        let (words, quiet) = (job.words(), matches!(job, Job::Bodies));
        let number = self.worker.ask(&self.desk(), job);
        if !quiet {
            self.found.begins(Running { number, words, step, since: Instant::now(), progress: None });
            self.found.said = None;
        }
    }

    pub(crate) fn spots(&self) -> Vec<Spot> {
        spots(&self.state, &self.found, &self.viewer)
    }

    /// Reads the picture of this step, if it is not the one that is there.
    fn look(&mut self) {
        let source = match self.state.step {
            Step::Verdict => self
                .found
                .frame()
                .map(|path| Source { path: path.to_path_buf(), relative: path.file_name().unwrap_or_default().into() }),
            Step::BeforeAfter => self.state.shoot.picture.as_ref().and_then(|p| self.found.source(p)).cloned(),
            _ => None,
        };
        let Some(source) = source else { return };
        let mending = match (self.state.step, self.found.basis()) {
            (Step::BeforeAfter, Some(basis)) => {
                let plan = Plan { choices: self.choices(std::slice::from_ref(&source)), ..Plan::default() };
                Some((basis.clone(), plan))
            }
            _ => None,
        };
        let how = mending.as_ref().map(|(basis, plan)| format!("{} {:?}", basis.name(), plan.choices));
        let key = (source.path.clone(), how.unwrap_or_default());
        if self.wanted.as_ref() != Some(&key) {
            self.wanted = Some(key);
            self.viewer.open(Wanted { source, settings: self.desk().settings, mending });
        }
    }

    fn keep(&mut self, ctx: &Context) {
        let Some(path) = &self.setup.state else { return };
        if self.state != self.kept {
            let since = *self.changed.get_or_insert_with(Instant::now);
            if since.elapsed() >= PAUSE {
                self.viewer.keep(path, &self.state);
                self.kept = self.state.clone();
                self.changed = None;
            } else {
                ctx.request_repaint_after(PAUSE);
            }
        }
    }
}

impl Drop for App {
    fn drop(&mut self) {
        if let Some(path) = self.setup.state.as_ref().filter(|_| self.state != self.kept) {
            self.viewer.keep(path, &self.state);
        }
    }
}

impl eframe::App for App {
    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        let ctx = ui.ctx().clone();
        if !self.dressed {
            self.theme = Theme::of(self.state.shade);
            self.theme.apply(&ctx);
            self.dressed = true;
        }
        self.hear();
        if let Some(e) = self.viewer.receive(&ctx) {
            self.found.unrecorded = Some(e);
        }
        if !ctx.egui_wants_keyboard_input() {
            ctx.input_mut(|input| self.commands.listen(input));
        }
        for file in ctx.input(|i| i.raw.dropped_files.clone()) {
            self.commands.push(Command::Take(file.path().to_path_buf()));
        }
        self.draw(ui);
        let all: Vec<Command> = self.commands.drain().collect();
        if !all.is_empty() {
            ctx.request_repaint();
        }
        for command in all {
            self.carry_out(&ctx, command);
        }
        self.look();
        self.keep(&ctx);
    }

    fn clear_color(&self, _visuals: &egui::Visuals) -> [f32; 4] {
        self.theme.page.to_normalized_gamma_f32()
    }

    fn persist_egui_memory(&self) -> bool {
        false
    }
}

impl App {
    fn draw(&mut self, ui: &mut Ui) {
        let theme = self.theme;
        let spots = self.spots();
        let page = Page { state: &self.state, found: &self.found, theme: &theme };
        let commands = &mut self.commands;
        let side = Frame::new().fill(theme.panel).inner_margin(Margin::symmetric(10, 6));
        Panel::left("path")
            .frame(side)
            .resizable(false)
            .exact_size(PATH_WIDTH)
            .show(ui, |ui| path_ui(&page, ui, commands));
        let strip = Frame::new().fill(theme.panel).inner_margin(Margin::symmetric(18, 6));
        Panel::bottom("status")
            .frame(strip)
            .resizable(false)
            .exact_size(52.0)
            .show(ui, |ui| status_ui(&page, ui, commands));
        let inner = Frame::new().fill(theme.page).inner_margin(Margin::symmetric(24, 16));
        CentralPanel::no_frame().frame(inner).show(ui, |ui| step_ui(&page, ui, &mut self.viewer, &spots, commands));
        if self.keys {
            keys_ui(ui, commands);
        }
    }
}
