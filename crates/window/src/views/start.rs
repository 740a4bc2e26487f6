//! The first thing that is seen.

use eframe::egui::Ui;

use super::pieces::{Page, button, drop_ui, main_button, take_ui, troubles_ui};
use crate::command::{Command, Commands};
use crate::state::Step;
use crate::theme;

/// What to do, in three lines, and the demo.
pub fn start_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    ui.add_space(24.0);
    theme::title(ui, "What lies on your sensor, and pictures without it");
    ui.add_space(10.0);
    for line in [
        "Drop a picture of a plain wall here: it tells how far the sensor is clear, and what to do about it.",
        "Drop the folder of a shoot here: it tells which pictures show motes, and takes them out of copies.",
        "Nothing at hand? The demo makes a wall and a shoot of a camera that does not exist.",
    ] {
        theme::text(ui, line);
    }
    ui.add_space(10.0);
    drop_ui(page, ui, "Drop a test frame or a folder");
    ui.horizontal(|ui| {
        button(ui, "Open a test frame …", Command::OpenFile, commands);
        button(ui, "Open a shoot …", Command::OpenFolder, commands);
        main_button(page, ui, "Make the demo shoot", commands);
    });
    take_ui(ui, "name a file or folder", ("Bodies of the ledger", Command::Go(Step::Body)), Command::Take, commands);
    troubles_ui(page, ui, Step::Start);
    ui.add_space(6.0);
    theme::quiet(ui, page.theme, "Originals are only ever read. Nothing leaves this machine. F1 shows the keys.");
}
