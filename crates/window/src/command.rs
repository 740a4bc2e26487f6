//! Everything that can be done in the window, in one list; the keyboard reaches all of it.

use std::path::PathBuf;

use eframe::egui::{InputState, Key, Modifiers};
use motelight_motes::advise::{Circumstances, PassKind};
use motelight_motes::mend::Choice;

use crate::state::{Looked, Step};

/// One action. Those with a value are reached by controls that the Tab key reaches.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs, reason = "told by `KEYS`, or by the name")]
pub enum Command {
    Keys,
    Cancel,
    Shade,
    Main,
    NextStep,
    PreviousStep,
    OpenFile,
    OpenFolder,
    NextMote,
    PreviousMote,
    NextPicture,
    PreviousPicture,
    Mend,
    Skip,
    Undecided,
    Undo,
    Fit,
    ActualSize,
    Closer,
    Further,
    Raking,
    Stronger,
    Fainter,
    Coarser,
    Finer,
    Beside,
    Marks,
    Mount,
    /// Go to a step.
    Go(Step),
    /// The demo shoot.
    Demo,
    /// Open a dialog for the test frame to mend by.
    OpenWall,
    /// Open a dialog for the folder of mended copies.
    OpenOut,
    /// Open a dialog for the folder to watch for test frames.
    OpenWatch,
    /// A file or folder that was dropped, or named without saying what for.
    Take(PathBuf),
    /// Judge by this test frame and begin anew.
    TestFrame(PathBuf),
    /// The next test frame, to be held against the last.
    NextFrame(PathBuf),
    /// The test frame to mend by.
    Wall(Option<PathBuf>),
    /// Where mended copies go.
    Out(PathBuf),
    /// Watch a folder for test frames, or no longer.
    Watch(Option<PathBuf>),
    /// Choose a body of the ledger.
    Body(i64),
    /// Say that a pass was made since the last test frame, or that it was not.
    Pass(PassKind, bool),
    /// How things stand.
    Circumstances(Circumstances),
    /// The f-number to clean for.
    Booked(f64),
    /// How pictures will be looked at.
    Looked(Looked),
    /// Raking view: strength and scale.
    Rake(f64, f64),
    /// Trace the shoot.
    Trace,
    /// Mend the shoot.
    MendAll,
    /// Look at a picture of the shoot.
    Picture(PathBuf),
    /// Decide about one mote of the picture that is looked at.
    Choose(String, Option<Choice>),
    /// Show a mote in the middle.
    Mote(usize),
    /// Write the report or the step card of the sensor.
    WriteReport,
}

/// One line of the list of keys.
#[derive(Debug, Clone, Copy)]
pub struct Shortcut {
    /// What is done.
    pub command: &'static Command,
    /// Keys to hold.
    pub modifiers: Modifiers,
    /// The key.
    pub key: Key,
    /// The key as it is written on the keyboard.
    pub written: &'static str,
    /// What it does.
    pub help: &'static str,
}

const fn key(command: &'static Command, key: Key, written: &'static str, help: &'static str) -> Shortcut {
    Shortcut { command, modifiers: Modifiers::NONE, key, written, help }
}

const fn with(modifiers: Modifiers, shortcut: Shortcut) -> Shortcut {
    Shortcut { modifiers, ..shortcut }
}

/// The key that shows how the picture looks mended, while it is held.
pub const HELD: (Key, &str, &str) = (Key::B, "B, held", "the picture as it was, while the key is down");

/// All keys.
pub const KEYS: [Shortcut; 36] = [
    key(&Command::Keys, Key::F1, "F1", "this list"),
    key(&Command::Keys, Key::Questionmark, "?", "this list"),
    key(&Command::Main, Key::Enter, "Enter", "the marked button of the step"),
    with(Modifiers::ALT, key(&Command::NextStep, Key::ArrowRight, "Alt right", "the next step of the path")),
    with(Modifiers::ALT, key(&Command::PreviousStep, Key::ArrowLeft, "Alt left", "the step before")),
    with(Modifiers::ALT, key(&Command::Go(Step::Body), Key::Num1, "Alt 1", "the path of the sensor")),
    with(Modifiers::ALT, key(&Command::Go(Step::Folder), Key::Num2, "Alt 2", "the path of a shoot")),
    with(Modifiers::COMMAND, key(&Command::OpenFile, Key::O, "Ctrl O", "open a test frame")),
    with(Modifiers::COMMAND, key(&Command::OpenFolder, Key::D, "Ctrl D", "open the folder of a shoot")),
    key(&Command::Cancel, Key::Escape, "Esc", "stop what is running; close this list"),
    with(Modifiers::COMMAND, key(&Command::Undo, Key::Z, "Ctrl Z", "take the last choice back")),
    key(&Command::NextMote, Key::N, "N", "next mote"),
    key(&Command::PreviousMote, Key::P, "P", "mote before"),
    key(&Command::Mend, Key::M, "M", "mend this mote in this picture"),
    key(&Command::Skip, Key::S, "S", "skip this mote in this picture"),
    key(&Command::Undecided, Key::U, "U", "leave it to the measurement"),
    key(&Command::NextPicture, Key::PageDown, "Page down", "next picture"),
    key(&Command::PreviousPicture, Key::PageUp, "Page up", "picture before"),
    key(&Command::Fit, Key::F, "F", "the whole picture"),
    key(&Command::ActualSize, Key::Num1, "1", "one pixel of the picture on one of the screen"),
    key(&Command::Closer, Key::Plus, "+", "closer"),
    key(&Command::Closer, Key::Equals, "=", "closer"),
    key(&Command::Further, Key::Minus, "-", "further away"),
    key(&Command::Raking, Key::R, "R", "raking view"),
    key(&Command::Stronger, Key::CloseBracket, "]", "raking view: stronger"),
    key(&Command::Fainter, Key::OpenBracket, "[", "raking view: fainter"),
    key(&Command::Coarser, Key::Period, ".", "raking view: larger scale"),
    key(&Command::Finer, Key::Comma, ",", "raking view: smaller scale"),
    key(&Command::Beside, Key::D, "D", "before and after side by side"),
    key(&Command::Marks, Key::K, "K", "marks on the picture, or none"),
    key(&Command::Mount, Key::V, "V", "chart in picture view or mount view"),
    key(&Command::Shade, Key::L, "L", "light or dark"),
    key(&Command::WriteReport, Key::W, "W", "write the report of the sensor"),
    key(&Command::Trace, Key::T, "T", "trace the shoot"),
    with(Modifiers::ALT, key(&Command::Go(Step::Start), Key::Home, "Alt Home", "the start")),
    with(Modifiers::ALT, key(&Command::Demo, Key::D, "Alt D", "the demo shoot")),
];

/// What was asked for in this frame, in order.
#[derive(Debug, Default)]
pub struct Commands(Vec<Command>);

impl Commands {
    /// Asks for something.
    pub fn push(&mut self, command: Command) {
        self.0.push(command);
    }

    /// Everything asked for so far.
    pub fn drain(&mut self) -> impl Iterator<Item = Command> {
        std::mem::take(&mut self.0).into_iter()
    }

    /// Asks for what the keys say. Not to be called while somebody types into a field.
    pub fn listen(&mut self, input: &mut InputState) {
        // A key with a modifier comes first: the same key without must not take it.
        let mut keys: Vec<&Shortcut> = KEYS.iter().collect();
        keys.sort_by_key(|k| k.modifiers.is_none());
        for shortcut in keys {
            // Which key makes a question mark or a plus, and with Shift or without, depends on the keyboard.
            let exact = !matches!(shortcut.key, Key::Questionmark | Key::Plus);
            let pressed = if exact {
                input.count_and_consume_key(shortcut.modifiers, shortcut.key)
            } else {
                input.num_presses(shortcut.key)
            };
            (0..pressed).for_each(|_| self.push(shortcut.command.clone()));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_key_does_two_things() {
        for (i, a) in KEYS.iter().enumerate() {
            let twice = KEYS[i + 1..].iter().find(|b| a.key == b.key && a.modifiers == b.modifiers);
            assert!(twice.is_none(), "{}", a.written);
            assert_ne!(a.key, HELD.0);
        }
    }
}
