//! What a whole shoot costs in memory: `whole_shoot FOLDER` goes the way of a shoot in the window, without drawing: the folder is
//! listed and traced, and every picture is opened as it is and as it would be mended.
#![allow(clippy::print_stdout, reason = "a measurement is told")]

use std::path::PathBuf;
use std::time::Duration;

use eframe::egui::Key;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use motelight_frame::RawDecoder;
use motelight_window::{App, Setup};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args_os().nth(1).map(PathBuf::from).ok_or("name a folder of JPEGs")?;
    let own = tempfile::tempdir()?;
    let setup = Setup {
        state: Some(own.path().join("state.json")),
        ledger: Some(own.path().join("ledger.sqlite")),
        demo: own.path().join("demo"),
        open: vec![folder],
        raw: RawDecoder::InProcess,
    };
    let mut window = Harness::builder().with_size([1280.0, 800.0]).build_eframe(|cc| App::new(&cc.egui_ctx, setup));
    until(&mut window, |app| !app.found().sources.is_empty() && app.found().running.is_none());
    let pictures = window.state().found().sources.len();
    println!("{pictures} pictures listed: {:.0} MB", peak_mb());
    press(&mut window, "Trace the shoot");
    until(&mut window, |app| app.found().traced.is_some());
    println!("traced: {:.0} MB", peak_mb());
    press(&mut window, "Go on to what needs work");
    press(&mut window, "Look at the worst");
    let ready = |app: &App| app.viewer().is_drawn() && app.viewer().path() == app.viewer().asked();
    let mut last = None;
    for i in 1..=pictures {
        until(&mut window, ready);
        if window.state().viewer().path() == last.as_ref() {
            break;
        }
        last = window.state().viewer().path().cloned();
        if i % 50 == 0 {
            println!("{i} pictures opened: {:.0} MB", peak_mb());
        }
        window.key_press(Key::PageDown);
        window.run_steps(4);
    }
    println!("all: {:.0} MB (at most 2000 is wanted)", peak_mb());
    Ok(())
}

fn until(window: &mut Harness<'_, App>, is: impl Fn(&App) -> bool) {
    while !is(window.state()) {
        std::thread::sleep(Duration::from_millis(5));
        window.step();
    }
    window.run_steps(4);
}

fn press(window: &mut Harness<'_, App>, label: &str) {
    window.get_by_label(label).click_accesskit();
    window.run_steps(4);
}

/// The most memory that this process has held, MB.
fn peak_mb() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:")).unwrap_or("0");
    line.split_whitespace().next().and_then(|kb| kb.parse().ok()).unwrap_or(0.0) / 1000.0
}
