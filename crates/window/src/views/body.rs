//! The first steps of the sensor's path: which body, and a test frame of it.

use eframe::egui::{self, RichText, Ui};
use motelight_desk::report::shown;
use motelight_frame::body_kind;

use super::pieces::{Page, button, drop_ui, fact, take_ui, troubles_ui};
use crate::command::{Command, Commands};
use crate::state::Step;
use crate::theme::{self, Mood};
use crate::worker::BodyCard;

/// The bodies of the ledger, each with how it stands.
pub fn body_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    theme::title(ui, "Which body?");
    troubles_ui(page, ui, Step::Body);
    if page.found.bodies.is_empty() {
        theme::text(ui, "The ledger knows no body yet. It learns of one from the first test frame.");
    }
    for card in &page.found.bodies {
        body_card(page, ui, card, commands);
    }
    ui.add_space(8.0);
    button(ui, "Go on to the test frame", Command::Go(Step::TestFrame), commands);
}

fn body_card(page: &Page, ui: &mut Ui, card: &BodyCard, commands: &mut Commands) {
    let row = &card.row;
    let chosen = page.state.sensor.body == Some(row.number);
    let called = shown(&row.called());
    theme::card(ui, page.theme, |ui| {
        ui.set_min_width((ui.available_width() - 4.0).min(theme::MEASURE + 60.0));
        ui.horizontal(|ui| {
            if ui.radio(chosen, RichText::new(&called).size(theme::HEADING)).clicked() {
                commands.push(Command::Body(row.number));
            }
            theme::quiet(ui, page.theme, &shown(&body_kind(&row.make, &row.model)));
        });
        ui.columns(3, |columns| {
            let clear = row.clear_to.map_or("no aperture told".into(), |f| format!("f/{f}"));
            fact(page, &mut columns[0], "clear to", &clear);
            let last = row.last_test_frame.as_ref().map_or("none yet".into(), |m| m.day().to_owned());
            fact(page, &mut columns[1], "last test frame", &last);
            fact(page, &mut columns[2], "test frames, passes", &format!("{}, {}", row.test_frames, row.passes));
        });
        let (mood, next) = next_step(page, card);
        theme::badge(ui, page.theme, mood, next);
        if let Some(last) = card.last.as_ref().filter(|_| chosen) {
            button(ui, "Go on from its last test frame", Command::TestFrame(last.path.clone().into()), commands);
        }
    });
}

/// What to do next about a body, by its last test frame.
fn next_step(page: &Page, card: &BodyCard) -> (Mood, String) {
    let wanted = page.state.sensor.booked;
    match (&card.last, card.row.clear_to) {
        (None, _) => (Mood::Plain, "Next: take a test frame.".into()),
        (Some(_), Some(clear)) if clear >= 0.99 * wanted => {
            (Mood::Good, format!("Clear enough for f/{wanted}, as of that test frame: leave the glass alone."))
        }
        (Some(_), Some(clear)) => {
            (Mood::Care, format!("Past f/{clear} motes may show. Next: a fresh test frame, then clean."))
        }
        (Some(_), None) => (Mood::Care, "Its last test frame could not promise anything. Next: a fresh one.".into()),
    }
}

/// How to take a test frame, and how to hand it over.
pub fn test_frame_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    theme::title(ui, "A test frame");
    for line in [
        "A plain, bright, evenly lit wall fills the frame from close by, focus at infinity.",
        "Smallest aperture, f/16 or smaller; base ISO; bright but not clipped.",
        "Half a second, and move the camera during it: the wall’s own marks blur away.",
    ] {
        theme::text(ui, line);
    }
    ui.add_space(6.0);
    drop_ui(page, ui, "Drop the test frame here");
    take_ui(ui, "name the file", ("Open …", Command::OpenFile), Command::TestFrame, commands);
    watch_ui(page, ui, commands);
    troubles_ui(page, ui, Step::TestFrame);
    if page.found.inspection().is_some() {
        button(ui, "Go on to the verdict", Command::Go(Step::Verdict), commands);
    }
}

/// Watching a folder for the next test frame.
pub fn watch_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    match &page.state.sensor.watch {
        Some(folder) => {
            ui.horizontal_wrapped(|ui| {
                let name = crate::worker::name(folder);
                theme::badge(ui, page.theme, Mood::Plain, format!("Waiting for a new picture in “{name}”."));
                button(ui, "Watch no longer", Command::Watch(None), commands);
            });
        }
        None => {
            let open = ("Watch a folder …", Command::OpenWatch);
            take_ui(ui, "name the folder to watch", open, |p| Command::Watch(Some(p)), commands);
        }
    }
}

/// The f-number that is cleaned for.
pub fn booked_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    ui.horizontal_wrapped(|ui| {
        ui.label("Clear wanted to");
        for stop in [5.6, 8.0, 11.0, 16.0, 22.0] {
            let here = (page.state.sensor.booked - stop).abs() < 0.01;
            if ui.add(egui::Button::selectable(here, format!("f/{stop}"))).clicked() {
                commands.push(Command::Booked(stop));
            }
        }
    });
}
