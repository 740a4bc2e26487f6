//! What goes to the terminal: errors in one form, progress only where somebody watches.

use std::io::{IsTerminal, Write};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use motelight_desk::report::shown;
use motelight_frame::FrameError;
use serde::Serialize;

/// Says what is wrong with which file, and what to do.
pub fn error(e: &FrameError) {
    eprintln!("error: {}\n  hint: {}", shown(&e.to_string()), shown(&e.remedy));
}

/// Says that something could not be written to the ledger. The result stands all the same.
pub fn unrecorded(e: &FrameError) {
    eprintln!("note: not written to the ledger: {}\n  hint: {}", shown(&e.to_string()), shown(&e.remedy));
}

/// Prints a document to standard output. A closed pipe is the reader's choice, no error.
pub fn document(document: &impl Serialize) {
    if let Ok(text) = serde_json::to_string_pretty(document) {
        let _ = writeln!(std::io::stdout().lock(), "{text}");
    }
}

/// Prints text to standard output.
pub fn text(text: &str) {
    let _ = writeln!(std::io::stdout().lock(), "{text}");
}

/// A bar on standard error, if that is a terminal and there is more than one thing to wait for.
pub fn progress(things: usize) -> ProgressBar {
    if things < 2 || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::with_draw_target(Some(things as u64), ProgressDrawTarget::stderr());
    if let Ok(style) = ProgressStyle::with_template("{pos} of {len} {bar:30} {eta} left  {wide_msg}") {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(500));
    bar
}
