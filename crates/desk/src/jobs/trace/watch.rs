//! A folder that grows while pictures are taken: a tethered camera, a card being copied.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use motelight_frame::{Body, FNumber, FrameError, Shot, read_shot};
use motelight_motes::trace::{Boiled, TraceOptions, TracedMote, Tracer};

use crate::jobs::trace::shelf::Shelf;
use crate::jobs::trace::viewed;
use crate::jobs::{Settings, pictures};
use crate::report::shown;

/// How often the folder is looked at. A file is read once it has kept its size from one look to the next.
const EVERY: Duration = Duration::from_secs(2);
/// Two places nearer than this are one mote, mm.
const SAME_MM: f64 = 0.1;

/// What is heard while a folder is watched.
#[derive(Debug)]
pub enum News {
    /// So many pictures have been taken in.
    Taken(usize),
    /// Something came that will show: a sentence to act on.
    Mote(String),
    /// A picture that could not be read.
    Failed(FrameError),
}

/// One body being followed.
struct Followed {
    tracer: Tracer,
    shelf: Shelf,
    names: Vec<String>,
    told: Vec<(f64, f64)>,
}

/// Follows a folder until it goes away; pictures are taken in the order in which they appear. `hear` is told the news.
pub fn watch(folder: &Path, settings: &Settings, mut hear: impl FnMut(News)) {
    let mut bodies: BTreeMap<Option<Body>, Followed> = BTreeMap::new();
    let mut sizes: BTreeMap<PathBuf, u64> = BTreeMap::new();
    let mut taken: Vec<PathBuf> = Vec::new();
    while folder.is_dir() {
        let (found, _) = pictures(&[folder.to_path_buf()]);
        let mut new: Vec<(Shot, PathBuf)> = Vec::new();
        for source in found {
            if taken.contains(&source.path) {
                continue;
            }
            let size = std::fs::metadata(&source.path).map_or(0, |m| m.len());
            if size == 0 || sizes.insert(source.path.clone(), size) != Some(size) {
                continue;
            }
            taken.push(source.path.clone());
            match read_shot(&source.path, &settings.read) {
                Ok((shot, _)) => new.push((shot, source.path)),
                Err(e) => hear(News::Failed(e)),
            }
        }
        new.sort_by(|a, b| (&a.0.taken, &a.1).cmp(&(&b.0.taken, &b.1)));
        let mut grown: Vec<Option<Body>> = Vec::new();
        for (shot, path) in new {
            let body = shot.body.clone();
            let followed = bodies.entry(body.clone()).or_insert_with(|| {
                Followed::new(&shot, TraceOptions { viewings: settings.viewings.clone(), known: None })
            });
            match followed.take(&path, settings) {
                Ok(()) if grown.contains(&body) => {}
                Ok(()) => grown.push(body),
                Err(e) => hear(News::Failed(e)),
            }
        }
        if !grown.is_empty() {
            hear(News::Taken(bodies.values().map(|b| b.names.len()).sum()));
        }
        for followed in bodies.iter_mut().filter(|(body, _)| grown.contains(body)).map(|(_, f)| f) {
            followed.judge(&mut hear);
        }
        std::thread::sleep(EVERY);
    }
}

impl Followed {
    fn new(first: &Shot, options: TraceOptions) -> Followed {
        // Which apertures will come is not known yet: the grid is laid for f/16.
        let narrow = Shot { f_number: FNumber::new(16.0), ..first.clone() };
        let tracer = Tracer::new(options, &[first, &narrow]);
        Followed { tracer, shelf: Shelf::default(), names: Vec::new(), told: Vec::new() }
    }

    fn take(&mut self, path: &Path, settings: &Settings) -> Result<(), FrameError> {
        self.shelf.put(self.tracer.add(Boiled::of(viewed(path, settings)?)));
        self.names.push(path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned());
        Ok(())
    }

    /// Says what came since the last time and will show.
    fn judge(&mut self, hear: &mut impl FnMut(News)) {
        let traced = self.tracer.finish(|k| self.shelf.get(k));
        for mote in &traced.motes {
            let known = self.told.iter().any(|t| (t.0 - mote.at_mm.0).hypot(t.1 - mote.at_mm.1) < SAME_MM);
            if known {
                continue;
            }
            if let Some(sentence) = self.sentence(mote) {
                self.told.push(mote.at_mm);
                hear(News::Mote(sentence));
            }
        }
    }

    /// `None` for what was there from the start or will not show up to f/16.
    fn sentence(&self, mote: &TracedMote) -> Option<String> {
        mote.arrival.after?;
        let since = self.names.get(mote.arrival.before?)?;
        let shows_from = mote.shows_from.filter(|n| n.marked() <= 16.0)?;
        let size = mote.equivalent_diameter_um.value;
        Some(format!("wipe before you go on: a {size:.0} µm grain since {}, shows from {shows_from}", shown(since)))
    }
}
