//! The thread on which pictures are read, cut into tiles and raked, apart from that of the jobs: looking goes on while a job
//! runs. What is wanted is told anew in every frame, so that nothing is worked out that is no longer looked at.

use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread;

use eframe::egui::ColorImage;
use motelight_desk::contract::RepairEntry;
use motelight_desk::jobs::look::{Seen, Version, look};
use motelight_desk::jobs::mend::{Basis, Plan, preview};
use motelight_desk::jobs::{Settings, Source};
use motelight_frame::{self as frame, Fault, FrameError};
use motelight_motes::rake::RakeOptions;

use crate::state::State;

/// A picture to be read.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// The picture.
    pub source: Source,
    /// How it is read.
    pub settings: Settings,
    /// What it is mended by, and how, where it is to be seen mended too.
    pub mending: Option<(Arc<Basis>, Plan)>,
}

/// A part of a level.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Part {
    /// Which picture, by the order in which they were opened.
    pub picture: u64,
    /// Before or after.
    pub version: Version,
    /// The level.
    pub level: usize,
    /// Left, top, width, height, px of the level.
    pub at: [usize; 4],
}

impl Part {
    /// As a rectangle.
    pub fn rect(&self) -> frame::Rect {
        let [x, y, width, height] = self.at;
        frame::Rect { x, y, width, height }
    }
}

/// A part raked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Relief {
    /// The part.
    pub part: Part,
    /// Strength and scale, px of the picture.
    pub options: RakeOptions,
}

/// What is wanted at this moment.
#[derive(Default)]
struct Wishes {
    open: Option<(u64, Wanted)>,
    keep: Option<(PathBuf, State)>,
    seen: Option<Arc<Seen>>,
    relief: VecDeque<Relief>,
    tiles: VecDeque<Part>,
    /// The part that is being drawn.
    drawing: Option<Part>,
    over: bool,
}

/// A picture, and what would come of its motes, where it is to be seen mended.
#[derive(Clone)]
pub struct Opened {
    /// The picture.
    pub seen: Arc<Seen>,
    /// Its motes.
    pub motes: Vec<RepairEntry>,
}

/// What comes back.
pub enum Drawn {
    /// A picture, or why not.
    Picture(u64, PathBuf, Result<Opened, FrameError>),
    /// A tile.
    Tile(Part, ColorImage),
    /// A part in relief.
    Relief(Relief, ColorImage),
    /// The choices could not be written down.
    NotKept(FrameError),
}

/// The thread, seen from outside.
pub struct Looker {
    wishes: Arc<(Mutex<Wishes>, Condvar)>,
    drawn: Receiver<Drawn>,
}

impl Looker {
    /// Starts the thread. `wake` is called whenever something is drawn.
    pub fn new(wake: Arc<dyn Fn() + Send + Sync>) -> Looker {
        let wishes = Arc::new((Mutex::new(Wishes::default()), Condvar::new()));
        let (tell, drawn) = channel();
        let asked = wishes.clone();
        thread::spawn(move || work(&asked, &tell, &*wake));
        Looker { wishes, drawn }
    }

    fn wish(&self, change: impl FnOnce(&mut Wishes)) {
        change(&mut self.wishes.0.lock().unwrap_or_else(PoisonError::into_inner));
        self.wishes.1.notify_one();
    }

    /// Reads a picture; one that waits to be read is forgotten.
    pub fn open(&self, number: u64, wanted: Wanted) {
        self.wish(|w| w.open = Some((number, wanted)));
    }

    /// Writes the choices down; an older state that waits is forgotten.
    pub fn keep(&self, path: PathBuf, state: State) {
        self.wish(|w| w.keep = Some((path, state)));
    }

    /// What of a picture is wanted now, the most wanted first.
    pub(super) fn want(&self, seen: &Arc<Seen>, relief: Vec<Relief>, tiles: Vec<Part>) {
        self.wish(|w| {
            w.seen = Some(seen.clone());
            w.relief = relief.into();
            let drawing = w.drawing;
            w.tiles = tiles.into_iter().filter(|part| Some(*part) != drawing).collect();
        });
    }

    /// What came back since the last time.
    pub fn drawn(&self) -> impl Iterator<Item = Drawn> {
        self.drawn.try_iter()
    }
}

impl Drop for Looker {
    fn drop(&mut self) {
        self.wish(|w| w.over = true);
    }
}

enum Task {
    Open(u64, Box<Wanted>),
    Keep(PathBuf, Box<State>),
    Relief(Arc<Seen>, Relief),
    Tile(Arc<Seen>, Part),
}

fn next(wishes: &(Mutex<Wishes>, Condvar)) -> Option<Task> {
    let mut w = wishes.0.lock().unwrap_or_else(PoisonError::into_inner);
    w.drawing = None;
    loop {
        // What was chosen last is written down even if the window was shut meanwhile.
        if let Some((path, state)) = w.keep.take() {
            return Some(Task::Keep(path, Box::new(state)));
        }
        if w.over {
            return None;
        }
        if let Some((number, wanted)) = w.open.take() {
            return Some(Task::Open(number, Box::new(wanted)));
        }
        if let Some(seen) = w.seen.clone() {
            if let Some(relief) = w.relief.pop_front() {
                return Some(Task::Relief(seen, relief));
            }
            if let Some(part) = w.tiles.pop_front() {
                w.drawing = Some(part);
                return Some(Task::Tile(seen, part));
            }
        }
        w = wishes.1.wait(w).unwrap_or_else(PoisonError::into_inner);
    }
}

fn work(wishes: &(Mutex<Wishes>, Condvar), tell: &Sender<Drawn>, wake: &dyn Fn()) {
    while let Some(task) = next(wishes) {
        let drawn = match task {
            Task::Open(number, wanted) => {
                let path = wanted.source.path.clone();
                let read = catch_unwind(AssertUnwindSafe(|| opened(&wanted))).unwrap_or_else(|_| {
                    let remedy = "Leave it out, and tell us about it.";
                    Err(FrameError::new(
                        Fault::Unsupported,
                        &path,
                        "the program made a mistake over this picture",
                        remedy,
                    ))
                });
                Drawn::Picture(number, path, read)
            }
            Task::Keep(path, state) => match state.write(&path) {
                Ok(()) => continue,
                Err(e) => Drawn::NotKept(e),
            },
            Task::Relief(seen, relief) => {
                let Relief { part, options } = relief;
                let drawn = seen.relief(part.level, part.rect(), part.version, &options);
                Drawn::Relief(relief, ColorImage::from_gray([drawn.width(), drawn.height()], drawn.data()))
            }
            Task::Tile(seen, part) => {
                let (size, codes) = seen.codes(part.level, part.rect(), part.version);
                Drawn::Tile(part, ColorImage::from_rgb([size.width, size.height], &codes))
            }
        };
        if tell.send(drawn).is_err() {
            return;
        }
        wake();
    }
}

fn opened(wanted: &Wanted) -> Result<Opened, FrameError> {
    let (seen, motes) = match &wanted.mending {
        Some((basis, plan)) => preview(&wanted.source, basis, &wanted.settings, plan)?,
        None => (look(&wanted.source.path, &wanted.settings)?, Vec::new()),
    };
    Ok(Opened { seen: Arc::new(seen), motes })
}
