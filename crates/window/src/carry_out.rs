//! Every command carried out.

use std::path::{Path, PathBuf};

use eframe::egui::Context;
use motelight_desk::jobs::Source;
use motelight_desk::jobs::mend::{Choices, Plan};
use motelight_motes::advise::{Action, PassKind};
use motelight_motes::inspect::fitness::Verdict;
use motelight_motes::mend::Choice;

use crate::app::App;
use crate::command::Command;
use crate::found::Judged;
use crate::state::{SCALES, STRENGTHS, Step, Way};
use crate::worker::Job;

impl App {
    pub(crate) fn carry_out(&mut self, ctx: &Context, command: Command) {
        match command {
            Command::Keys => self.keys = !self.keys,
            Command::Cancel if self.keys => self.keys = false,
            Command::Cancel => self.cancel(),
            Command::Shade => {
                self.state.shade = self.state.shade.other();
                self.dressed = false;
            }
            Command::Go(step) => self.go(step),
            Command::NextStep => self.go(self.state.step.further(1)),
            Command::PreviousStep => self.go(self.state.step.further(-1)),
            Command::Main => self.main(),
            Command::OpenFile => self.dialog(Command::Take, |d| d.set_title("A test frame").pick_file()),
            Command::OpenFolder => self.dialog(Command::Take, |d| d.set_title("The folder of a shoot").pick_folder()),
            Command::OpenWall => {
                self.dialog(|p| Command::Wall(Some(p)), |d| d.set_title("A test frame by the same body").pick_file());
            }
            Command::OpenOut => self.dialog(Command::Out, |d| d.set_title("Where mended copies go").pick_folder()),
            Command::OpenWatch => {
                self.dialog(
                    |p| Command::Watch(Some(p)),
                    |d| d.set_title("Where test frames will appear").pick_folder(),
                );
            }
            Command::Take(path) => self.take(path),
            Command::Demo => {
                self.state.step = Step::Start;
                self.ask(Job::Demo(self.setup.demo.clone()), Step::Start);
            }
            Command::Mend | Command::Skip | Command::Undecided => self.decide(match command {
                Command::Mend => Some(Choice::Mend),
                Command::Skip => Some(Choice::Skip),
                _ => None,
            }),
            Command::Choose(mote, choice) => self.choose(&mote, choice),
            Command::Undo => self.undo(),
            Command::NextPicture => self.turn_to(1),
            Command::PreviousPicture => self.turn_to(-1),
            Command::Picture(path) => {
                self.state.shoot.picture = Some(path);
                self.go(Step::BeforeAfter);
            }
            Command::Raking => self.state.shown.raking = !self.state.shown.raking,
            Command::Stronger => self.rake(1.25, 1.0),
            Command::Fainter => self.rake(0.8, 1.0),
            Command::Coarser => self.rake(1.0, 1.25),
            Command::Finer => self.rake(1.0, 0.8),
            Command::Rake(strength, scale) => (self.state.shown.strength, self.state.shown.scale) = (strength, scale),
            Command::Beside => self.state.shown.beside = !self.state.shown.beside,
            Command::Marks => self.state.shown.marks = !self.state.shown.marks,
            Command::Mount => self.state.shown.mount = !self.state.shown.mount,
            Command::Fit
            | Command::ActualSize
            | Command::Closer
            | Command::Further
            | Command::NextMote
            | Command::PreviousMote
            | Command::Mote(_) => {
                let spots = self.spots();
                self.viewer.command(&command, &spots);
                ctx.request_repaint();
            }
            Command::WriteReport => self.write_report(),
            Command::Trace => self.trace(),
            Command::MendAll => self.mend(),
            choice => self.set(choice),
        }
    }

    /// Takes a plain choice.
    fn set(&mut self, choice: Command) {
        match choice {
            Command::TestFrame(path) => self.begin(path),
            Command::NextFrame(path) => self.next_frame(path),
            Command::Wall(wall) => {
                self.state.shoot.wall = wall;
                self.read_wall();
            }
            Command::Out(folder) => {
                self.state.shoot.out = Some(folder);
                self.found.clear(Step::Mend);
                self.found.forget_mended();
            }
            Command::Watch(folder) => {
                self.worker.watch(folder.as_ref());
                self.state.sensor.watch = folder;
            }
            Command::Body(number) if self.state.sensor.body != Some(number) => {
                self.state.sensor.body = Some(number);
                self.forget_frames();
            }
            Command::Pass(kind, made) => {
                self.state.sensor.passes.retain(|p| *p != kind);
                if made {
                    self.state.sensor.passes.push(kind);
                    self.state.sensor.passes.sort();
                }
            }
            Command::Circumstances(how) => {
                self.state.sensor.circumstances = how;
                self.advise_anew();
            }
            Command::Booked(stop) => {
                self.state.sensor.booked = stop;
                self.advise_anew();
            }
            Command::Looked(looked) => {
                self.state.looked = looked;
                if self.state.step == Step::SignOff {
                    self.found.signed_off = None;
                    return;
                }
                self.found.forget_shoot();
                self.found.wall = None;
                self.judge();
                self.read_wall();
            }
            _ => {}
        }
    }

    fn cancel(&mut self) {
        if let Some(running) = self.found.running.take() {
            self.worker.stop();
            self.found.waiting.clear();
            self.found.said = Some(format!("Stopped: {}.", running.words.to_lowercase()));
        }
    }

    fn go(&mut self, step: Step) {
        self.state.step = step;
        self.found.said = None;
        if step == Step::BeforeAfter && self.state.shoot.picture.is_none() {
            self.state.shoot.picture = self.found.needs_work().first().map(|(p, _)| p.to_path_buf());
        }
    }

    /// The marked button of the step.
    fn main(&mut self) {
        if self.found.running.is_some() {
            return;
        }
        let clear = self.found.advice().is_some_and(|a| a.action == Action::LeaveAlone);
        match self.state.step {
            Step::Start => self.carry_on(Command::Demo),
            Step::Body => self.go(Step::TestFrame),
            Step::TestFrame if self.found.inspection().is_none() => self.carry_on(Command::OpenFile),
            Step::TestFrame => self.go(Step::Verdict),
            Step::Verdict => {
                let unfit = self.found.inspection().is_none_or(|i| i.fitness.verdict == Verdict::Unfit);
                self.go(if unfit { Step::TestFrame } else { Step::Cleaning });
            }
            Step::Cleaning if self.next_of_demo().is_some() => {
                self.next_of_demo().into_iter().for_each(|next| self.next_frame(next));
            }
            Step::Cleaning => self.dialog(Command::NextFrame, |d| d.set_title("The next test frame").pick_file()),
            Step::Recheck => self.go(if clear { Step::Ready } else { Step::Cleaning }),
            Step::Ready => self.go(if clear { Step::Folder } else { Step::Cleaning }),
            Step::Folder => self.trace(),
            Step::Trace if self.found.traced.is_none() => self.trace(),
            Step::Trace => self.go(Step::NeedsWork),
            Step::NeedsWork => {
                self.state.shoot.picture = self.found.needs_work().first().map(|(p, _)| p.to_path_buf());
                self.go(Step::BeforeAfter);
            }
            Step::BeforeAfter => self.go(Step::Mend),
            Step::Mend if self.found.mended.is_none() => self.mend(),
            Step::Mend => self.go(Step::SignOff),
            Step::SignOff if self.found.signed_off.is_none() => self.sign_off(),
            Step::SignOff => self.go(Step::DeliveryNote),
            Step::DeliveryNote => {}
        }
    }

    /// The demo has its next test frame at hand.
    fn next_of_demo(&self) -> Option<PathBuf> {
        self.found.frame().and_then(motelight_desk::jobs::demo::next_frame)
    }

    fn carry_on(&mut self, command: Command) {
        self.commands.push(command);
    }

    fn dialog(&mut self, then: impl FnOnce(PathBuf) -> Command, ask: impl FnOnce(rfd::FileDialog) -> Option<PathBuf>) {
        if let Some(path) = ask(rfd::FileDialog::new()) {
            self.carry_on(then(path));
        }
    }

    /// A file or folder that came without saying what for: a folder is a shoot, a file a test frame of the path one is on.
    fn take(&mut self, path: PathBuf) {
        if path.is_dir() {
            self.found.forget_shoot();
            self.found.sources.clear();
            self.state.open_shoot(path.clone());
            self.state.step = Step::Folder;
            self.ask(Job::List(path), Step::Folder);
        } else if self.state.step.way() == Some(Way::Shoot) && self.state.step != Step::Folder {
            self.carry_on(Command::Wall(Some(path)));
        } else if matches!(self.state.step, Step::Cleaning | Step::Recheck) && !self.state.sensor.frames.is_empty() {
            self.next_frame(path);
        } else {
            self.begin(path);
        }
    }

    pub(crate) fn forget_frames(&mut self) {
        self.state.sensor.frames.clear();
        self.state.sensor.passes.clear();
        self.state.sensor.made.clear();
        self.found.judged = None;
        self.found.rechecked = None;
        for step in Step::SENSOR {
            self.found.clear(step);
        }
    }

    /// Judges by a first test frame.
    pub(crate) fn begin(&mut self, path: PathBuf) {
        self.forget_frames();
        self.state.sensor.frames.push(path);
        self.state.step = Step::TestFrame;
        self.judge();
    }

    /// Holds a further test frame against the last.
    pub(crate) fn next_frame(&mut self, path: PathBuf) {
        let Some(before) = self.state.sensor.frames.last().cloned() else { return self.begin(path) };
        self.state.step = Step::Recheck;
        self.state.sensor.made = self.state.sensor.passes.clone();
        let pair = self.pair(before, path, None);
        self.ask(pair, Step::Recheck);
    }

    fn advise_anew(&mut self) {
        let (booked, how) = (self.state.booked(), self.state.sensor.circumstances);
        if self.found.rechecked.is_some() {
            self.judge();
        } else if let Some(Judged { inspection, advice, .. }) = &mut self.found.judged {
            *advice = crate::found::advice(inspection, booked, how);
        }
        self.suggest_pass();
    }

    /// What is advised is taken to be what will be done; the person says if it was not.
    pub(crate) fn suggest_pass(&mut self) {
        self.state.sensor.passes = match self.found.advice().map(|a| a.action) {
            Some(Action::Blow) => vec![PassKind::Blow],
            Some(Action::Brush) => vec![PassKind::Brush],
            Some(Action::Swab) => vec![PassKind::Swab],
            _ => Vec::new(),
        };
    }

    fn trace(&mut self) {
        self.found.forget_shoot();
        self.state.step = Step::Trace;
        let job = Job::Trace(self.found.sources.clone(), self.state.shoot.wall.clone());
        self.ask(job, Step::Trace);
    }

    /// Reads the test frame to mend by, if it is not the one that was read.
    pub(crate) fn read_wall(&mut self) {
        let wall = self.state.shoot.wall.clone();
        if self.found.wall.as_ref().map(|(p, _)| p) == wall.as_ref() {
            return;
        }
        self.found.wall = None;
        self.found.forget_mended();
        if let Some(wall) = wall {
            let step = if self.state.step == Step::Mend { Step::Mend } else { Step::BeforeAfter };
            self.ask(Job::Chart(wall), step);
        }
    }

    fn plan(&self) -> Plan {
        Plan { out: self.state.out(), choices: self.choices(&self.found.sources), ..Plan::default() }
    }

    /// The choices about these pictures and the motes that are known.
    pub(crate) fn choices(&self, sources: &[Source]) -> Choices {
        let ids = self.found.basis().map(|basis| basis.ids()).unwrap_or_default();
        self.state.choices(sources, |mote| ids.contains(&mote))
    }

    fn mend(&mut self) {
        let Some(basis) = self.found.basis().cloned() else { return self.read_wall() };
        self.found.forget_mended();
        self.state.step = Step::Mend;
        let job = Job::Mend(self.found.sources.clone(), basis, self.plan());
        self.ask(job, Step::Mend);
    }

    /// Looks the copies over; where nothing was mended yet, there is nothing to look at.
    fn sign_off(&mut self) {
        let Some(out) = self.state.out().filter(|_| self.found.mended.is_some()) else { return self.go(Step::Mend) };
        let job = Job::SignOff(out, self.found.basis().cloned(), self.found.sources.clone());
        self.ask(job, Step::SignOff);
    }

    fn write_report(&mut self) {
        let Some(frame) = self.found.frame().map(Path::to_path_buf) else { return };
        let folder = frame.with_file_name("motelight-reports");
        match &self.found.rechecked {
            Some(r) => {
                let job = self.pair(r.before.clone(), r.after.clone(), Some(folder));
                self.ask(job, Step::Ready);
            }
            None => self.ask(Job::Inspect(frame, Some(folder)), Step::Verdict),
        }
    }

    /// Decides about the mote one looks at.
    fn decide(&mut self, choice: Option<Choice>) {
        let spots = self.spots();
        if let Some(spot) =
            self.viewer.mote().and_then(|i| spots.get(i)).filter(|_| self.state.step == Step::BeforeAfter)
        {
            self.choose(&spot.id.clone(), choice);
        }
    }

    fn choose(&mut self, mote: &str, choice: Option<Choice>) {
        if let Some(picture) = self.relative() {
            self.state.choose(&picture, mote, choice);
            self.found.forget_mended();
        }
    }

    fn undo(&mut self) {
        if let Some((picture, _)) = self.state.undo() {
            self.found.forget_mended();
            let source = self.found.sources.iter().find(|s| s.relative.to_string_lossy() == picture);
            if let Some(source) = source {
                self.state.shoot.picture = Some(source.path.clone());
            }
        }
    }

    fn turn_to(&mut self, by: isize) {
        let all = &self.found.sources;
        let at = all.iter().position(|s| Some(&s.path) == self.state.shoot.picture.as_ref());
        let next = at.map_or(0, |at| (at + all.len()).saturating_add_signed(by) % all.len().max(1));
        if let Some(source) = all.get(next) {
            self.state.shoot.picture = Some(source.path.clone());
        }
    }

    fn rake(&mut self, strength: f64, scale: f64) {
        let shown = &mut self.state.shown;
        shown.strength = (shown.strength * strength).clamp(*STRENGTHS.start(), *STRENGTHS.end());
        shown.scale = (shown.scale * scale).clamp(*SCALES.start(), *SCALES.end());
    }

    /// The picture that is looked at, as choices name it.
    fn relative(&self) -> Option<String> {
        let source = self.found.source(self.state.shoot.picture.as_ref()?)?;
        Some(source.relative.to_string_lossy().into_owned())
    }
}
