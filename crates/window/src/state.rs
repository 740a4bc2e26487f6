//! What the person has chosen: plain values, written down after every change, so that a crash loses nothing. What jobs find
//! is not in here: it is found anew, or comes from the ledger.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use motelight_desk::jobs::mend::Choices;
use motelight_desk::jobs::{Source, write_whole};
use motelight_frame::{FNumber, FrameError, Millimetres};
use motelight_motes::advise::{Circumstances, PassKind, USUAL};
use motelight_motes::mend::Choice;
use motelight_motes::visibility::{Print, Viewing};
use serde::{Deserialize, Serialize};

use crate::theme::Shade;

/// The two paths through the job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// From a body to a sensor that is clear enough.
    Sensor,
    /// From a folder of pictures to what is delivered.
    Shoot,
}

/// One step of a path.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs, reason = "told by `name`")]
pub enum Step {
    #[default]
    Start,
    Body,
    TestFrame,
    Verdict,
    Cleaning,
    Recheck,
    Ready,
    Folder,
    Trace,
    NeedsWork,
    BeforeAfter,
    Mend,
    SignOff,
    DeliveryNote,
}

impl Step {
    /// The way of the sensor.
    pub const SENSOR: [Step; 6] =
        [Step::Body, Step::TestFrame, Step::Verdict, Step::Cleaning, Step::Recheck, Step::Ready];
    /// The way of a shoot.
    pub const SHOOT: [Step; 7] =
        [Step::Folder, Step::Trace, Step::NeedsWork, Step::BeforeAfter, Step::Mend, Step::SignOff, Step::DeliveryNote];

    /// In words.
    pub fn name(self) -> &'static str {
        match self {
            Step::Start => "Start",
            Step::Body => "Body",
            Step::TestFrame => "Test frame",
            Step::Verdict => "Verdict and chart",
            Step::Cleaning => "Cleaning",
            Step::Recheck => "Recheck",
            Step::Ready => "Ready",
            Step::Folder => "Folder",
            Step::Trace => "Trace",
            Step::NeedsWork => "Needs work",
            Step::BeforeAfter => "Before and after",
            Step::Mend => "Mend",
            Step::SignOff => "Sign-off",
            Step::DeliveryNote => "Delivery note",
        }
    }

    /// Which path it lies on.
    pub fn way(self) -> Option<Way> {
        match self {
            Step::Start => None,
            step if Step::SENSOR.contains(&step) => Some(Way::Sensor),
            _ => Some(Way::Shoot),
        }
    }

    /// The step `by` further along its path; stays at its ends.
    pub fn further(self, by: isize) -> Step {
        let along: &[Step] = match self.way() {
            None => return if by > 0 { Step::Body } else { Step::Start },
            Some(Way::Sensor) => &Step::SENSOR,
            Some(Way::Shoot) => &Step::SHOOT,
        };
        let at = along.iter().position(|s| *s == self).unwrap_or(0);
        along[at.saturating_add_signed(by).min(along.len() - 1)]
    }
}

/// Choices about the sensor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Sensor {
    /// The body, by its number in the ledger.
    pub body: Option<i64>,
    /// The test frames of this cleaning in the order they were taken; the last is the one judged by.
    pub frames: Vec<PathBuf>,
    /// Passes made since the last of them.
    pub passes: Vec<PassKind>,
    /// Passes made between the last two of them.
    pub made: Vec<PassKind>,
    /// How things stand.
    pub circumstances: Circumstances,
    /// The f-number that is cleaned for.
    pub booked: f64,
    /// A folder in which the next test frame will appear.
    pub watch: Option<PathBuf>,
}

impl Default for Sensor {
    fn default() -> Self {
        Sensor {
            body: None,
            frames: Vec::new(),
            passes: Vec::new(),
            made: Vec::new(),
            circumstances: Circumstances::default(),
            booked: USUAL,
            watch: None,
        }
    }
}

/// Choices about a shoot.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Shoot {
    /// Its folder.
    pub folder: Option<PathBuf>,
    /// The test frame to mend by, where one was named.
    pub wall: Option<PathBuf>,
    /// Where mended copies go.
    pub out: Option<PathBuf>,
    /// The picture that is looked at.
    pub picture: Option<PathBuf>,
    /// What was decided, by `PICTURE:MOTE`.
    pub choices: BTreeMap<String, Choice>,
    /// What was there before each change of a choice, the latest last.
    pub undo: Vec<(String, Option<Choice>)>,
}

/// How pictures will be looked at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Looked {
    /// At 100 % on a screen.
    pub screen: bool,
    /// As a print of this size, cm.
    pub print_cm: Option<(f64, f64)>,
    /// From this far, cm; `None`: the print's diagonal.
    pub distance_cm: Option<f64>,
}

impl Default for Looked {
    fn default() -> Self {
        Looked { screen: true, print_cm: Some((60.0, 40.0)), distance_cm: None }
    }
}

impl Looked {
    /// For the jobs; at least one.
    pub fn viewings(&self) -> Vec<Viewing> {
        let mm = |cm: f64| Millimetres(10.0 * cm);
        let mut all = Vec::new();
        if self.screen || self.print_cm.is_none() {
            all.push(Viewing::screen(None));
        }
        if let Some((width, height)) = self.print_cm {
            all.push(Viewing::print(Print { width: mm(width), height: mm(height) }, self.distance_cm.map(mm)));
        }
        all
    }

    /// In a few words.
    pub fn words(&self) -> String {
        let print = self.print_cm.map(|(w, h)| format!("a {w:.0} × {h:.0} cm print"));
        match (self.screen, print) {
            (true, Some(print)) => format!("100 % on a screen and {print}"),
            (false, Some(print)) => print,
            (_, None) => "100 % on a screen".into(),
        }
    }
}

/// How a picture is shown.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Shown {
    /// As raking view.
    pub raking: bool,
    /// Strength of the raking view.
    pub strength: f64,
    /// Scale of the raking view, per cent of the picture's long side.
    pub scale: f64,
    /// Before and after side by side.
    pub beside: bool,
    /// Charts as seen in the mount.
    pub mount: bool,
    /// Marks on the picture.
    pub marks: bool,
}

impl Default for Shown {
    fn default() -> Self {
        // The engine's own defaults are for a long side of 1600 px: 60 px of it.
        Shown { raking: false, strength: 8.0, scale: 3.75, beside: false, mount: false, marks: true }
    }
}

/// Bounds of the raking view's strength: from hardly raised to grain alone.
pub const STRENGTHS: std::ops::RangeInclusive<f64> = 1.0..=60.0;
/// Bounds of its scale, per cent of the long side.
pub const SCALES: std::ops::RangeInclusive<f64> = 0.1..=20.0;

/// All choices.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct State {
    /// Where on the paths one is.
    pub step: Step,
    /// Light or dark.
    pub shade: Shade,
    /// The sensor.
    pub sensor: Sensor,
    /// The shoot.
    pub shoot: Shoot,
    /// How pictures will be looked at.
    pub looked: Looked,
    /// How a picture is shown.
    pub shown: Shown,
}

/// Choices that can be taken back.
const UNDO: usize = 200;

impl State {
    /// What was written down last; the start where nothing was, or where it cannot be understood.
    pub fn read(path: &Path) -> State {
        std::fs::read(path).ok().and_then(|text| serde_json::from_slice(&text).ok()).unwrap_or_default()
    }

    /// Writes the choices down, whole or not at all.
    ///
    /// # Errors
    /// A place that cannot be written to.
    pub fn write(&self, path: &Path) -> Result<(), FrameError> {
        // Plain values cannot fail to become JSON.
        write_whole(path, &serde_json::to_vec_pretty(self).unwrap_or_default())
    }

    /// The f-number that is cleaned for.
    pub fn booked(&self) -> Option<FNumber> {
        FNumber::new(self.sensor.booked)
    }

    /// Where mended copies go: as chosen, else beside the shoot.
    pub fn out(&self) -> Option<PathBuf> {
        let beside = |folder: &PathBuf| {
            let name = folder.file_name()?.to_string_lossy().into_owned();
            Some(folder.with_file_name(format!("{name}-mended")))
        };
        self.shoot.out.clone().or_else(|| self.shoot.folder.as_ref().and_then(beside))
    }

    /// What was decided about a mote in a picture.
    pub fn choice(&self, picture: &str, mote: &str) -> Option<Choice> {
        self.shoot.choices.get(&format!("{picture}:{mote}")).copied()
    }

    /// Decides, or takes the decision away; can be undone.
    pub fn choose(&mut self, picture: &str, mote: &str, choice: Option<Choice>) {
        let key = format!("{picture}:{mote}");
        let before = self.put(&key, choice);
        if before != choice {
            self.shoot.undo.push((key, before));
            let over = self.shoot.undo.len().saturating_sub(UNDO);
            self.shoot.undo.drain(..over);
        }
    }

    /// Takes the last decision back; gives the picture and mote it was about.
    pub fn undo(&mut self) -> Option<(String, String)> {
        let (key, before) = self.shoot.undo.pop()?;
        self.put(&key, before);
        key.rsplit_once(':').map(|(p, m)| (p.to_owned(), m.to_owned()))
    }

    fn put(&mut self, key: &str, choice: Option<Choice>) -> Option<Choice> {
        match choice {
            Some(choice) => self.shoot.choices.insert(key.to_owned(), choice),
            None => self.shoot.choices.remove(key),
        }
    }

    /// The decisions about these pictures and motes, for the job. Those about others are left out: they were made by another
    /// test frame, or about a picture that has gone.
    pub fn choices(&self, sources: &[Source], known: impl Fn(&str) -> bool) -> Choices {
        let about = |wanted: Choice| {
            let here = |key: &&String| {
                let Some((picture, mote)) = key.rsplit_once(':') else { return false };
                known(mote) && sources.iter().any(|s| s.relative.to_string_lossy() == picture)
            };
            self.shoot.choices.iter().filter(|(_, c)| **c == wanted).map(|(k, _)| k).filter(here).cloned().collect()
        };
        Choices { only: Vec::new(), skip: about(Choice::Skip), mend: about(Choice::Mend) }
    }

    /// Takes up another folder: what was chosen for the one before no longer counts.
    pub fn open_shoot(&mut self, folder: PathBuf) {
        let wall = self.shoot.wall.take();
        if self.shoot.folder.as_ref() != Some(&folder) {
            self.shoot = Shoot { folder: Some(folder), wall, ..Shoot::default() };
        } else {
            self.shoot.wall = wall;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn choices_survive_being_written_down() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("deep/state.json");
        let mut state = State { step: Step::Mend, ..State::default() };
        state.sensor.frames.push("wall.dng".into());
        state.choose("a.jpg", "3", Some(Choice::Skip));
        state.write(&path).expect("written");
        assert_eq!(State::read(&path), state);
        std::fs::write(&path, b"{ torn").expect("written");
        assert_eq!(State::read(&path), State::default(), "a torn file is no reason not to start");
    }

    #[test]
    fn a_choice_is_taken_back_to_what_was_there_before() {
        let mut state = State::default();
        state.choose("a.jpg", "3", Some(Choice::Skip));
        state.choose("a.jpg", "3", Some(Choice::Mend));
        state.choose("a.jpg", "3", Some(Choice::Mend));
        assert_eq!(state.undo(), Some(("a.jpg".into(), "3".into())));
        assert_eq!(state.choice("a.jpg", "3"), Some(Choice::Skip), "the same choice twice is one change");
        state.undo();
        assert_eq!((state.choice("a.jpg", "3"), state.undo()), (None, None));
    }

    #[test]
    fn only_choices_about_pictures_that_are_there_go_to_the_job() {
        let mut state = State::default();
        state.choose("here.jpg", "x-1", Some(Choice::Skip));
        state.choose("gone.jpg", "x-2", Some(Choice::Mend));
        let source = Source { path: "/p/here.jpg".into(), relative: "here.jpg".into() };
        state.choose("here.jpg", "y-1", Some(Choice::Mend));
        let choices = state.choices(&[source], |mote| mote.starts_with("x-"));
        assert_eq!((choices.skip, choices.mend.len()), (vec!["here.jpg:x-1".to_owned()], 0));
    }

    #[test]
    fn the_paths_have_ends() {
        assert_eq!(Step::Body.further(-1), Step::Body);
        assert_eq!(Step::Ready.further(1), Step::Ready);
        assert_eq!(Step::Folder.further(2), Step::NeedsWork);
        assert_eq!(Step::Start.further(1), Step::Body);
    }
}
