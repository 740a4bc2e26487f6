//! The one thread on which jobs run. Requests go in, answers come out; a running job tells how far it is and can be stopped.

use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::Duration;

use motelight_desk::jobs::mend::{self, Basis, Plan};
use motelight_desk::jobs::recheck::{Known, write_card};
use motelight_desk::jobs::signoff::{KnownShoot, Pages, SignedFile, sign_off_all, write_pages};
use motelight_desk::jobs::trace as tracing;
use motelight_desk::jobs::{
    self, Inspected, MendedPicture, Rechecked, Settings, Source, TracedShoot, pictures, record,
};
use motelight_desk::ledger::{BodyRow, FrameRow, Ledger};
use motelight_frame::{Fault, FrameError};

/// What every job needs to know.
#[derive(Debug, Clone)]
pub struct Desk {
    /// How pictures are read and what for they are judged.
    pub settings: Settings,
    /// The ledger, if anything is to be written down.
    pub ledger: Option<PathBuf>,
}

/// A job.
#[derive(Debug, Clone)]
pub enum Job {
    /// The bodies of the ledger.
    Bodies,
    /// The files of the demo.
    Demo(PathBuf),
    /// A test frame judged; a report written into the folder, where one is named.
    Inspect(PathBuf, Option<PathBuf>),
    /// A test frame held against the one before; a step card written into the folder, where one is named.
    Recheck(Box<Pair>),
    /// The pictures of a folder.
    List(PathBuf),
    /// A shoot traced, with what a test frame says of its body.
    Trace(Vec<Source>, Option<PathBuf>),
    /// The chart of a test frame to mend by.
    Chart(PathBuf),
    /// Pictures mended.
    Mend(Vec<Source>, Arc<Basis>, Plan),
    /// The finished pictures of a folder signed off, with what they were mended by and their originals; the pages lie beside them.
    SignOff(PathBuf, Option<Arc<Basis>>, Vec<Source>),
}

/// Two test frames.
#[derive(Debug, Clone)]
pub struct Pair {
    /// The first.
    pub before: PathBuf,
    /// The second.
    pub after: PathBuf,
    /// What was done in between, and what for.
    pub known: Known,
    /// Where a step card goes, if one is wanted.
    pub card: Option<PathBuf>,
}

impl Job {
    /// What is being done, in words.
    pub fn words(&self) -> &'static str {
        match self {
            Job::Bodies => "Reading the ledger",
            Job::Demo(_) => "Making the demo shoot",
            Job::Inspect(..) => "Judging the test frame",
            Job::Recheck(_) => "Holding the test frames against each other",
            Job::List(_) => "Looking through the folder",
            Job::Trace(..) => "Tracing the shoot",
            Job::Chart(_) => "Reading the test frame to mend by",
            Job::Mend(..) => "Mending",
            Job::SignOff(..) => "Looking the copies over",
        }
    }
}

/// A body, and the last test frame of it.
#[derive(Debug, Clone)]
pub struct BodyCard {
    /// The body.
    pub row: BodyRow,
    /// Its last test frame.
    pub last: Option<FrameRow>,
}

/// What a job gives.
#[derive(Debug)]
pub enum Answer {
    /// The bodies.
    Bodies(Result<Vec<BodyCard>, FrameError>),
    /// The demo's test frame and the folder of its shoot.
    Demo(Result<(PathBuf, PathBuf), FrameError>),
    /// A test frame, and why it was not written down, where it was not.
    Inspected(Box<Inspected>, Option<FrameError>),
    /// Two test frames, and where the step card was written.
    Rechecked(Box<Rechecked>, Option<Result<PathBuf, FrameError>>),
    /// Pictures, and what could not be listed.
    Listed(Vec<Source>, Vec<FrameError>),
    /// A shoot, and what its pictures can be mended by without a test frame.
    Traced(Result<Traced, FrameError>),
    /// A chart to mend by, and the file it is of.
    Chart(PathBuf, Result<Arc<Basis>, FrameError>),
    /// Mended pictures.
    Mended(Result<MendedShoot, FrameError>),
    /// Pictures looked over.
    SignedOff(SignedShoot),
    /// The program made a mistake.
    Mistake(FrameError),
}

/// A traced shoot, and what its pictures can be mended by without a test frame, or why not.
pub type Traced = (Box<TracedShoot>, Result<Arc<Basis>, FrameError>);

/// What came of mending.
#[derive(Debug)]
pub struct MendedShoot {
    /// The pictures, as far as the run came.
    pub pictures: Vec<MendedPicture>,
    /// The page beside the copies.
    pub page: Result<PathBuf, FrameError>,
    /// Why it was not written down, where it was not.
    pub unrecorded: Option<FrameError>,
}

/// What came of signing off.
#[derive(Debug)]
pub struct SignedShoot {
    /// The files.
    pub files: Vec<SignedFile>,
    /// The pages beside them.
    pub pages: Result<Pages, FrameError>,
    /// Why it was not written down, where it was not.
    pub unrecorded: Option<FrameError>,
}

/// What is heard of the worker.
#[derive(Debug)]
pub enum News {
    /// So many of so many things are done; the name of the last.
    Progress(usize, usize, String),
    /// A job is over.
    Done(Box<Answer>),
    /// A file has appeared in the watched folder.
    Arrived(PathBuf),
}

/// The thread, seen from outside.
pub struct Worker {
    jobs: Sender<(u64, Desk, Job)>,
    told: Sender<(u64, News)>,
    news: Receiver<(u64, News)>,
    last: u64,
    stopped: Arc<AtomicU64>,
    wake: Arc<dyn Fn() + Send + Sync>,
    watched: Option<(PathBuf, Arc<AtomicBool>)>,
}

impl Worker {
    /// Starts the thread. `wake` is called whenever there is news.
    pub fn new(wake: Arc<dyn Fn() + Send + Sync>) -> Worker {
        let (jobs, asked) = channel::<(u64, Desk, Job)>();
        let (told, news) = channel();
        let stopped = Arc::new(AtomicU64::new(0));
        let (tell, stop, call) = (told.clone(), stopped.clone(), wake.clone());
        thread::spawn(move || {
            for (number, desk, job) in asked {
                let run = Run { number, desk: &desk, tell: &tell, stop: &stop, wake: &*call };
                if run.is_stopped() {
                    continue;
                }
                let answer = catch_unwind(AssertUnwindSafe(|| run.run(&job))).unwrap_or_else(|_| {
                    let remedy = "What is on the disk is whole. Try again without this file, and tell us about it.";
                    let message = "the program made a mistake here";
                    Answer::Mistake(FrameError::new(Fault::Unsupported, Path::new(job.words()), message, remedy))
                });
                run.say(News::Done(Box::new(answer)));
            }
        });
        Worker { jobs, told, news, last: 0, stopped, wake, watched: None }
    }

    /// Asks for a job; gives its number.
    pub fn ask(&mut self, desk: &Desk, job: Job) -> u64 {
        self.last += 1;
        // The thread ends only with this sender.
        let _ = self.jobs.send((self.last, desk.clone(), job));
        self.last
    }

    /// Stops what is running and what waits.
    pub fn stop(&self) {
        self.stopped.store(self.last, Ordering::Relaxed);
    }

    /// News of jobs that were not stopped.
    pub fn news(&self) -> Vec<(u64, News)> {
        let stopped = self.stopped.load(Ordering::Relaxed);
        self.news.try_iter().filter(|(number, _)| *number > stopped || *number == 0).collect()
    }

    /// Watches a folder for new files, or no longer.
    pub fn watch(&mut self, folder: Option<&PathBuf>) {
        if self.watched.as_ref().map(|(f, _)| f) == folder {
            return;
        }
        if let Some((_, over)) = self.watched.take() {
            over.store(true, Ordering::Relaxed);
        }
        if let Some(folder) = folder {
            let over = Arc::new(AtomicBool::new(false));
            self.watched = Some((folder.clone(), over.clone()));
            let (folder, tell, wake) = (folder.clone(), self.told.clone(), self.wake.clone());
            thread::spawn(move || watch(&folder, &over, &tell, &*wake));
        }
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.stop();
        self.watch(None);
    }
}

/// How often a watched folder is looked at. A file is taken once it has kept its size from one look to the next.
const EVERY: Duration = Duration::from_millis(700);

fn watch(folder: &Path, over: &AtomicBool, tell: &Sender<(u64, News)>, wake: &dyn Fn()) {
    let listed = || {
        let (found, _) = pictures(&[folder.to_path_buf()]);
        found.into_iter().map(|s| (std::fs::metadata(&s.path).map_or(0, |m| m.len()), s.path)).collect::<Vec<_>>()
    };
    let mut known: Vec<PathBuf> = listed().into_iter().map(|(_, path)| path).collect();
    let mut before = Vec::new();
    while !over.load(Ordering::Relaxed) {
        thread::sleep(EVERY);
        let now = listed();
        for file in &now {
            if file.0 > 0 && before.contains(file) && !known.contains(&file.1) {
                known.push(file.1.clone());
                if over.load(Ordering::Relaxed) || tell.send((0, News::Arrived(file.1.clone()))).is_err() {
                    return;
                }
                wake();
            }
        }
        before = now;
    }
}

/// One job being run.
struct Run<'a> {
    number: u64,
    desk: &'a Desk,
    tell: &'a Sender<(u64, News)>,
    stop: &'a AtomicU64,
    wake: &'a dyn Fn(),
}

// What is shared with the threads of a job are atomics, a sender behind a lock of its own, and values.
impl Run<'_> {
    fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed) >= self.number
    }

    fn say(&self, news: News) {
        // Nobody listens any more once the window is shut.
        let _ = self.tell.send((self.number, news));
        (self.wake)();
    }

    fn go_on(&self) -> ControlFlow<()> {
        if self.is_stopped() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    }

    fn run(&self, job: &Job) -> Answer {
        let Desk { settings, ledger } = self.desk;
        match job {
            Job::Bodies => Answer::Bodies(ledger.as_ref().map_or_else(|| Ok(Vec::new()), |l| bodies(l))),
            Job::Demo(folder) => Answer::Demo(jobs::demo::make(folder)),
            Job::Inspect(path, out) => self.inspect(path, out.as_deref()),
            Job::Recheck(pair) => self.recheck(pair),
            Job::List(folder) => {
                let (found, errors) = pictures(std::slice::from_ref(folder));
                Answer::Listed(found, errors)
            }
            Job::Trace(sources, wall) => Answer::Traced(self.trace(sources, wall.as_deref()).map(|shoot| {
                let basis = Basis::traced(tracing::document(&shoot, &settings.viewings)).map(Arc::new);
                (Box::new(shoot), basis)
            })),
            Job::Chart(wall) => Answer::Chart(wall.clone(), Basis::test_frame(wall, settings).map(Arc::new)),
            Job::Mend(sources, basis, plan) => Answer::Mended(self.mend(sources, basis, plan)),
            Job::SignOff(folder, basis, originals) => {
                Answer::SignedOff(self.sign_off(folder, basis.as_ref(), originals))
            }
        }
    }

    fn inspect(&self, path: &Path, out: Option<&Path>) -> Answer {
        let source = Source { path: path.to_path_buf(), relative: path.file_name().unwrap_or_default().into() };
        let mut all = jobs::inspect(&[source], &self.desk.settings, out, |_| ());
        let recorded = match &self.desk.ledger {
            Some(ledger) if !self.is_stopped() => record::inspected(ledger, &all),
            _ => Ok(()),
        };
        match all.pop() {
            Some(one) => Answer::Inspected(Box::new(one), recorded.err()),
            None => Answer::Mistake(jobs::inspect::nothing_given()),
        }
    }

    fn recheck(&self, pair: &Pair) -> Answer {
        let Desk { settings, ledger } = self.desk;
        let mut judged = 0;
        let done = jobs::recheck(&pair.before, &pair.after, settings, &pair.known, ledger.as_deref(), |path| {
            judged += 1;
            self.say(News::Progress(judged, 2, name(path)));
            self.go_on()
        });
        let card = match (&done.result, &pair.card) {
            (Ok(compare), Some(folder)) => Some(write_card(compare, folder)),
            _ => None,
        };
        Answer::Rechecked(Box::new(done), card)
    }

    fn trace(&self, sources: &[Source], wall: Option<&Path>) -> Result<TracedShoot, FrameError> {
        let known = tracing::known(wall, self.desk.ledger.as_deref(), &self.desk.settings)?;
        let (tell, done) = (std::sync::Mutex::new(self.tell.clone()), AtomicUsize::new(0));
        let (stop, number) = (self.stop, self.number);
        let shoot = jobs::trace(sources, &self.desk.settings, &known, |path| {
            let so_far = done.fetch_add(1, Ordering::Relaxed) + 1;
            let news = News::Progress(so_far, sources.len(), name(path));
            if let Ok(tell) = tell.lock() {
                let _ = tell.send((number, news));
            }
            match stop.load(Ordering::Relaxed) >= number {
                true => ControlFlow::Break(()),
                false => ControlFlow::Continue(()),
            }
        });
        if shoot.bodies.is_empty() && shoot.errors.is_empty() { Err(tracing::nothing_to_trace()) } else { Ok(shoot) }
    }

    fn mend(&self, sources: &[Source], basis: &Basis, plan: &Plan) -> Result<MendedShoot, FrameError> {
        let Desk { settings, ledger } = self.desk;
        let mut done = 0;
        let all = mend::mend(sources, basis, settings, plan, &mut |picture| {
            done += 1;
            self.say(News::Progress(done, sources.len(), name(&picture.path)));
            self.go_on()
        })?;
        let recorded = ledger.as_ref().map(|l| record::mended(l, basis, &all));
        let out = plan.out.clone().unwrap_or_default();
        let page = mend::write_report(basis, settings, &out, None, &all);
        Ok(MendedShoot { pictures: all, page, unrecorded: recorded.and_then(Result::err) })
    }

    fn sign_off(&self, folder: &Path, basis: Option<&Arc<Basis>>, originals: &[Source]) -> SignedShoot {
        let Desk { settings, ledger } = self.desk;
        let files = || originals.iter().map(|s| s.path.clone()).collect();
        let shoot = basis.map(|basis| KnownShoot::mended_by(basis.clone(), files(), settings));
        let (sources, _) = pictures(&[folder.to_path_buf()]);
        let mut done = 0;
        let files = sign_off_all(&sources, settings, shoot.as_ref(), true, &mut |file| {
            done += 1;
            self.say(News::Progress(done, sources.len(), name(&file.path)));
            self.go_on()
        });
        // Nobody hears of a job that was stopped, and nothing is to be left of it.
        if self.is_stopped() {
            return SignedShoot { files, pages: Ok(Pages::default()), unrecorded: None };
        }
        let recorded = ledger.as_ref().map(|l| record::signed_off(l, &files));
        let pages = write_pages(&files, settings, folder);
        SignedShoot { files, pages, unrecorded: recorded.and_then(Result::err) }
    }
}

fn bodies(ledger: &Path) -> Result<Vec<BodyCard>, FrameError> {
    let Some(ledger) = Ledger::open_existing(ledger)? else { return Ok(Vec::new()) };
    let card = |row: BodyRow| {
        let last = ledger.frames(Some(row.number))?.pop();
        Ok(BodyCard { row, last })
    };
    ledger.bodies()?.into_iter().map(card).collect()
}

/// A file's name as it is shown.
pub fn name(path: &Path) -> String {
    motelight_desk::report::shown(&path.file_name().unwrap_or(path.as_os_str()).to_string_lossy())
}
