//! The desktop window of Motelight.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "what a window cannot show, the terminal is told")]
#![cfg_attr(all(windows, not(debug_assertions)), windows_subsystem = "windows")]

use std::path::PathBuf;
use std::process::ExitCode;

use eframe::egui::{IconData, ViewportBuilder};
use motelight_window::{App, Setup};

const HELP: &str = "The window of Motelight: the whole job on screen.

Usage: motelight-window [OPTIONS] [FILES AND FOLDERS]...

  --state FILE    where choices are written down (default: window.json in the user's state folder)
  --ledger FILE   the ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user's data folder)
  --no-record     write nothing to the ledger
  --demo DIR      where the demo shoot goes (default: in the user's cache folder)
  --help          this text";

fn main() -> ExitCode {
    // A raw is decoded in a child of this same program; if this is that child, its work ends here.
    motelight_frame::read::raw_child::serve_if_asked();
    let setup = match setup(std::env::args_os().skip(1).map(PathBuf::from)) {
        Ok(Some(setup)) => setup,
        Ok(None) => {
            println!("{HELP}");
            return ExitCode::SUCCESS;
        }
        Err(message) => {
            eprintln!("error: {message}\n  hint: motelight-window --help");
            return ExitCode::from(2);
        }
    };
    let viewport = ViewportBuilder::default()
        .with_title("Motelight")
        .with_app_id("motelight")
        .with_icon(icon())
        .with_inner_size([1440.0, 900.0])
        .with_min_inner_size([1024.0, 700.0])
        .with_drag_and_drop(true);
    let options = eframe::NativeOptions { viewport, ..eframe::NativeOptions::default() };
    match eframe::run_native("motelight", options, Box::new(|cc| Ok(Box::new(App::new(&cc.egui_ctx, setup))))) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!(
                "error: the window cannot be opened: {e}\n  hint: It needs a display and a graphics driver (Vulkan or GL; a software one will do)."
            );
            ExitCode::from(2)
        }
    }
}

/// Reads the arguments; nothing where help is asked for.
fn setup(words: impl Iterator<Item = PathBuf>) -> Result<Option<Setup>, String> {
    let mut setup = Setup::of_user();
    let mut words = words;
    while let Some(word) = words.next() {
        let mut value = |name: &str| words.next().ok_or(format!("{name} wants a value"));
        match word.to_str() {
            Some("--help" | "-h") => return Ok(None),
            Some("--state") => setup.state = Some(value("--state")?),
            Some("--ledger") => setup.ledger = Some(value("--ledger")?),
            Some("--demo") => setup.demo = value("--demo")?,
            Some("--no-record") => setup.ledger = None,
            Some(other) if other.starts_with("--") => return Err(format!("there is no option {other}")),
            _ => setup.open.push(word),
        }
    }
    Ok(Some(setup))
}

/// The icon of packaging/motelight.svg, drawn from its few shapes: a grey frame with a mote's corner ticks.
fn icon() -> IconData {
    const SIDE: u32 = 64;
    let pixel = |i: u32| {
        let (x, y) = ((i % SIDE) as f32 + 0.5, (i / SIDE) as f32 + 0.5);
        let far = (x - 32.0).hypot(y - 32.0);
        let (dx, dy) = ((x - 32.0).abs(), (y - 32.0).abs());
        let tick = (18.0..=22.0).contains(&dx.max(dy)) && dx.min(dy) >= 11.0;
        let grey = if far < 8.0 {
            40
        } else if tick {
            255
        } else {
            118
        };
        let corner = (dx - 22.0).max(0.0).hypot((dy - 22.0).max(0.0)) > 9.0;
        [grey, grey, grey, if corner { 0 } else { 255 }]
    };
    IconData { rgba: (0..SIDE * SIDE).flat_map(pixel).collect(), width: SIDE, height: SIDE }
}
