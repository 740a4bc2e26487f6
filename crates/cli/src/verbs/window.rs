//! `motelight window`.

use std::path::{Path, PathBuf};
use std::process::Command;

use clap::Args;
use motelight_desk::jobs::Outcome;
use motelight_frame::{Fault, FrameError};

use crate::say;

/// Open the window.
#[derive(Debug, Args)]
pub struct Window {
    /// A test frame or the folder of a shoot to begin with
    pub open: Vec<PathBuf>,
    /// Where the window writes its choices down (default: in the user's state folder)
    #[arg(long, value_name = "FILE")]
    pub state: Option<PathBuf>,
    /// The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user's data folder)
    #[arg(long, value_name = "FILE", conflicts_with = "no_record")]
    pub ledger: Option<PathBuf>,
    /// Write nothing to the ledger
    #[arg(long)]
    pub no_record: bool,
}

/// The window's own program, without its system's ending.
const PROGRAM: &str = "motelight-window";

/// Opens the window and waits until it is shut.
pub fn run(a: &Window) -> Outcome {
    let own = std::env::current_exe().unwrap_or_default();
    let program = own.with_file_name(format!("{PROGRAM}{}", std::env::consts::EXE_SUFFIX));
    let mut command = Command::new(&program);
    for (name, value) in [("--state", &a.state), ("--ledger", &a.ledger)] {
        if let Some(value) = value {
            command.arg(name).arg(value);
        }
    }
    if a.no_record {
        command.arg("--no-record");
    }
    match command.args(&a.open).status() {
        Ok(status) if status.success() => Outcome::Clear,
        // It has said why.
        Ok(_) => Outcome::Failed,
        Err(e) => {
            say::error(&missing(&program, &e));
            Outcome::Failed
        }
    }
}

fn missing(program: &Path, e: &std::io::Error) -> FrameError {
    let message = format!("the window's program cannot be started: {e}");
    let remedy = "Put motelight-window beside motelight (build it with: cargo build --release --workspace --bins), or use the \
                  other commands: they can do all that the window can.";
    FrameError::new(Fault::Unreadable, program, message, remedy)
}
