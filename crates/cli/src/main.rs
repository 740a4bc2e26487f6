//! The command line.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "printing is this program's work")]

mod common;
mod say;
mod verbs;
mod args;

use std::process::ExitCode;

use args::{Arguments, Verb};
use clap::Parser;

fn main() -> ExitCode {
    // A raw is decoded in a child of this same program; if this is that child, its work ends here.
    motelight_frame::read::raw_child::serve_if_asked();
    refuse_to_die_of_large_files();
    let arguments = Arguments::parse();
    let outcome = match arguments.verb {
        Verb::Inspect(a) => verbs::inspect::run(&a),
        Verb::Recheck(a) => verbs::recheck::run(&a),
        Verb::Mend(a) => verbs::mend::run(&a),
        Verb::Trace(a) => verbs::trace::run(&a),
        Verb::SignOff(a) => verbs::signoff::run(&a),
        Verb::Merge(a) => verbs::merge::run(&a),
        Verb::Rake(a) => verbs::rake::run(&a),
        Verb::Ledger(a) => verbs::ledger::run(&a),
        Verb::Window(a) => verbs::window::run(&a),
        Verb::Demo(a) => verbs::demo::run(&a),
    };
    ExitCode::from(outcome.code())
}

/// A limit on file sizes ends a program by a signal unless it is caught; caught, it is an error of that one file like a
/// full disk.
#[cfg(unix)]
fn refuse_to_die_of_large_files() {
    let noticed = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    // Where the system does not allow that, all is as it was.
    let _ = signal_hook::flag::register(signal_hook::consts::SIGXFSZ, noticed);
}

#[cfg(not(unix))]
fn refuse_to_die_of_large_files() {}
