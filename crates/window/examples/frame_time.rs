//! What the window costs: `frame_time PICTURE`. How long it takes to the first view, beside the time of reading the picture
//! alone; then the time of a frame of the window's own logic (no drawing) while the picture is panned under 120 marks.
#![allow(clippy::print_stdout, reason = "a measurement is told")]

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use eframe::egui::{Context, Event, Modifiers, PointerButton, Pos2, RawInput, Rect, pos2, vec2};
use motelight_desk::jobs::{Settings, Source};
use motelight_frame::read::raw_child;
use motelight_frame::{Limits, RawDecoder, ReadOptions, read};
use motelight_motes::visibility::Viewing;
use motelight_window::command::{Command, Commands};
use motelight_window::look::{Looker, Spot, Viewer, Wanted};
use motelight_window::state::Shown;
use motelight_window::theme::{Shade, Theme};

const MARKS: usize = 120;
const FRAMES: usize = 600;

/// The viewer in a window of 1280 x 800 that is never drawn.
struct Pane {
    ctx: Context,
    viewer: Viewer,
    spots: Vec<Spot>,
}

impl Pane {
    fn frame(&mut self, events: Vec<Event>) -> Duration {
        let screen = Rect::from_min_size(Pos2::ZERO, vec2(1280.0, 800.0));
        let input = RawInput { screen_rect: Some(screen), events, max_texture_side: Some(8192), ..RawInput::default() };
        let (theme, shown) = (Theme::of(Shade::Dark), Shown::default());
        let begun = Instant::now();
        let _ = self.ctx.run_ui(input, |ui| {
            self.viewer.receive(ui.ctx());
            self.viewer.ui(ui, &theme, &shown, &self.spots, &mut Commands::default());
        });
        begun.elapsed()
    }

    fn until(&mut self, is: impl Fn(&Viewer) -> bool) {
        while !is(&self.viewer) {
            self.frame(Vec::new());
            std::thread::sleep(Duration::from_millis(1));
        }
    }

    fn panned(&mut self, name: &str) {
        let press = |pressed| Event::PointerButton {
            pos: pos2(640.0, 400.0),
            button: PointerButton::Primary,
            pressed,
            modifiers: Modifiers::NONE,
        };
        self.frame(vec![Event::PointerMoved(pos2(640.0, 400.0)), press(true)]);
        let around = |i: usize| {
            let angle = i as f32 * 0.05;
            pos2(640.0 + 500.0 * angle.sin(), 400.0 + 300.0 * (0.7 * angle).cos())
        };
        let mut took: Vec<Duration> = (0..FRAMES).map(|i| self.frame(vec![Event::PointerMoved(around(i))])).collect();
        self.frame(vec![press(false)]);
        took.sort();
        let at = |share: f64| took[((took.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
        println!("{name}, {MARKS} marks, panned: median {:.2} ms, 99 % below {:.2} ms a frame", at(0.5), at(0.99));
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    raw_child::serve_if_asked();
    let path = std::env::args_os().nth(1).map(PathBuf::from).ok_or("name a picture")?;
    let raw = RawDecoder::Child(std::env::current_exe()?);
    let read_options = ReadOptions { limits: Limits::default(), sensor: None, raw };
    let start = Instant::now();
    let size = read(&path, &read_options)?.size();
    let reading = start.elapsed().as_secs_f64();
    println!("{} x {} px, read in {reading:.2} s", size.width, size.height);

    let ctx = Context::default();
    Theme::of(Shade::Dark).apply(&ctx);
    let spots = (0..MARKS).map(|i| spot(i, size.width as f64, size.height as f64)).collect();
    let mut pane = Pane { ctx, viewer: Viewer::new(Looker::new(Arc::new(|| ()))), spots };
    let source = Source { path: path.clone(), relative: path.file_name().unwrap_or_default().into() };
    let settings = Settings { read: read_options, viewings: Viewing::standard() };
    let start = Instant::now();
    pane.viewer.open(Wanted { source, settings, mending: None });
    pane.until(Viewer::is_drawn);
    let first = start.elapsed().as_secs_f64();
    println!("first view after {first:.2} s: {:.2} times the reading alone", first / reading);

    pane.panned("whole picture");
    let spots = pane.spots.clone();
    pane.viewer.command(&Command::ActualSize, &spots);
    pane.panned("1:1");
    Ok(())
}

fn spot(i: usize, width: f64, height: f64) -> Spot {
    // Spread evenly by the golden ratio.
    let x = (i as f64 * 0.618_034).fract() * width;
    let y = (i as f64 + 0.5) / MARKS as f64 * height;
    Spot {
        id: format!("a-{i}"),
        at: (x, y),
        width_px: 30.0,
        shows: i.is_multiple_of(3),
        choice: None,
        words: String::new(),
    }
}
