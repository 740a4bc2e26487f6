//! The first steps of a shoot's path: its folder, and the motes traced in it.

use eframe::egui::Ui;
use motelight_desk::jobs::trace::BADLY;
use motelight_desk::report::{TraceSheet, shown};

use super::pieces::{Page, button, drop_ui, looked_ui, main_button, take_ui, trouble_ui, troubles_ui};
use super::timeline::timeline_ui;
use crate::command::{Command, Commands};
use crate::state::Step;
use crate::theme;
use crate::worker::name;

/// Most files of which it is said one by one what is wrong with them.
const NAMED: usize = 8;

/// Which pictures.
pub fn folder_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    match &page.state.shoot.folder {
        None => theme::title(ui, "Which shoot?"),
        Some(folder) if page.busy() && page.found.sources.is_empty() => theme::title(ui, &name(folder)),
        Some(folder) => theme::title(ui, &format!("{}: {} pictures", name(folder), page.found.sources.len())),
    }
    theme::text(ui, "The pictures of one shoot, as the camera wrote them. They are only read.");
    drop_ui(page, ui, "Drop the folder here");
    take_ui(ui, "name the folder", ("Open …", Command::OpenFolder), Command::Take, commands);
    troubles_ui(page, ui, Step::Folder);
    wall_ui(page, ui, commands);
    theme::heading(ui, "What shows is judged for");
    looked_ui(page, ui, commands);
    if !page.found.sources.is_empty() {
        main_button(page, ui, "Trace the shoot", commands);
    }
}

/// The test frame that a shoot is traced with and mended by.
pub fn wall_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    theme::heading(ui, "A test frame by the same body");
    match &page.state.shoot.wall {
        Some(wall) => {
            ui.horizontal_wrapped(|ui| {
                theme::text(ui, format!("{} says what lies on the glass.", name(wall)));
                button(ui, "Without it", Command::Wall(None), commands);
            });
        }
        None => {
            theme::text(
                ui,
                "Not needed: without one the trace of the shoot itself says what lies on the glass. With one mending is surer.",
            );
            take_ui(ui, "name the test frame", ("Choose …", Command::OpenWall), |p| Command::Wall(Some(p)), commands);
        }
    }
}

/// The motes of the shoot, and when each came.
pub fn trace_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    let Some(shoot) = &page.found.traced else {
        theme::title(ui, if page.busy() { "The shoot is being traced …" } else { "Not traced yet" });
        theme::text(ui, "What stays at one place of the sensor while the scenes change is a mote.");
        troubles_ui(page, ui, Step::Trace);
        match page.found.sources.is_empty() {
            true => button(ui, "Go to the folder", Command::Go(Step::Folder), commands),
            false => main_button(page, ui, "Trace the shoot", commands),
        }
        return;
    };
    for (k, body) in shoot.bodies.iter().enumerate() {
        let names = body.names();
        let sheet = TraceSheet { traced: &body.traced, names: &names, badly: BADLY };
        match k {
            0 => theme::title(ui, &sheet.headline()),
            _ => theme::heading(ui, &sheet.headline()),
        }
        theme::quiet(ui, page.theme, &sheet.body());
        timeline_ui(page, ui, &sheet);
        for note in &body.traced.notes {
            theme::quiet(ui, page.theme, &shown(note));
        }
    }
    troubles_ui(page, ui, Step::Trace);
    for e in shoot.errors.iter().take(NAMED) {
        trouble_ui(page, ui, e);
    }
    if shoot.errors.len() > NAMED {
        theme::text(ui, format!("{} more pictures could not be read.", shoot.errors.len() - NAMED));
    }
    for (path, why) in shoot.left_out.iter().take(NAMED) {
        theme::quiet(ui, page.theme, &format!("Left out: {}: {}.", name(path), shown(why)));
    }
    if shoot.left_out.len() > NAMED {
        theme::quiet(ui, page.theme, &format!("{} more were left out.", shoot.left_out.len() - NAMED));
    }
    if !shoot.bodies.is_empty() {
        main_button(page, ui, "Go on to what needs work", commands);
    }
}
