//! The cleaning, one pass at a time: what to do, where, with which cautions, and then the next test frame.

use eframe::egui::{self, RichText, Ui};
use motelight_desk::report::{headline, keep_off};
use motelight_motes::advise::{Action, Advice, PassKind};

use super::body::{booked_ui, watch_ui};
use super::chart::{chart_ui, dots, sensor_mm};
use super::pieces::{Page, button, drop_ui, fact, main_button, take_ui, troubles_ui};
use crate::command::{Command, Commands};
use crate::state::Step;
use crate::theme::{self, Mood};

/// One pass.
pub fn cleaning_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    let (Some(advice), Some(inspection)) = (page.found.advice(), page.found.inspection()) else {
        theme::title(ui, "Nothing to go by yet");
        theme::text(ui, "What to clean, and how, follows from a test frame.");
        button(ui, "Go to the test frame", Command::Go(Step::TestFrame), commands);
        return;
    };
    theme::title(ui, headline(advice.action));
    ui.add(egui::Label::new(RichText::new(&advice.reason).size(theme::BODY + 1.0)).wrap());
    circumstances_ui(page, ui, commands);
    booked_ui(page, ui, commands);
    tools_ui(page, ui, advice);
    if !advice.aims.is_empty() {
        theme::text(ui, format!("Aim at {}.", motelight_desk::report::aims(advice, inspection)));
    }
    if let Some(words) = keep_off(advice, inspection) {
        theme::badge(ui, page.theme, Mood::Care, words);
    }
    theme::heading(ui, "Step by step");
    for (i, step) in advice.steps.iter().enumerate() {
        ui.horizontal_top(|ui| {
            ui.label(RichText::new(format!("{}", i + 1)).strong());
            theme::text(ui, step.as_str());
        });
    }
    theme::text(ui, advice.stop.as_str());
    theme::quiet(ui, page.theme, &format!("Risk: {}", advice.risk));
    cautions_ui(page, ui, advice);
    next_frame_ui(page, ui, advice, commands);
}

/// Where on the glass to go, as large as there is room for.
pub fn where_to_go(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    let (Some(advice), Some(inspection)) = (page.found.advice(), page.found.inspection()) else { return };
    let aims: Vec<usize> = advice.aims.iter().map(|a| a.number).collect();
    let height = ui.available_height() - 120.0;
    let words = match sensor_mm(inspection) {
        Some(sensor) => {
            chart_ui(page, ui, sensor, &dots(inspection, Some(&aims)), true, height);
            "Looking into the mount, body upright. The body is a sketch: mind top plate and grip."
        }
        None => "The file does not tell the sensor’s size, so that no chart can be drawn.",
    };
    theme::quiet(ui, page.theme, words);
    ui.add_space(6.0);
    ui.horizontal(|ui| {
        main_button(page, ui, "Next test frame", commands);
        if advice.action == Action::LeaveAlone {
            button(ui, "Stop here: ready", Command::Go(Step::Ready), commands);
        }
    });
}

fn tools_ui(page: &Page, ui: &mut Ui, advice: &Advice) {
    let mut tools: Vec<(&str, String)> = Vec::new();
    tools.extend(advice.swab.as_ref().map(|s| ("swab", s.words())));
    tools.extend(advice.drops.map(|d| ("fluid", format!("{d} drops"))));
    tools.extend(
        advice.strokes.map(|s| ("strokes", if s == 1 { "1, light".into() } else { format!("{s}: there, turn, back") })),
    );
    if !tools.is_empty() {
        ui.columns(tools.len(), |columns| {
            for (column, (name, value)) in columns.iter_mut().zip(&tools) {
                fact(page, column, name, value);
            }
        });
    }
}

fn cautions_ui(page: &Page, ui: &mut Ui, advice: &Advice) {
    if advice.cautions.is_empty() {
        return;
    }
    theme::card(ui, page.theme, |ui| {
        theme::badge(ui, page.theme, Mood::Care, RichText::new("Have in mind").size(theme::HEADING));
        for caution in &advice.cautions {
            theme::text(ui, caution.as_str());
        }
    });
}

fn circumstances_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    let mut how = page.state.sensor.circumstances;
    ui.horizontal_wrapped(|ui| {
        ui.checkbox(&mut how.grit, "sand or grit");
        ui.checkbox(&mut how.on_location, "on location");
        ui.checkbox(&mut how.battery_low, "battery not full");
        ui.checkbox(&mut how.cold_or_misted, "body cold or misted");
        ui.checkbox(&mut how.manual_forbids, "manual or warranty forbids it");
    });
    if how != page.state.sensor.circumstances {
        commands.push(Command::Circumstances(how));
    }
}

/// What was done, and the test frame after it.
fn next_frame_ui(page: &Page, ui: &mut Ui, advice: &Advice, commands: &mut Commands) {
    theme::heading(ui, "Then");
    if !matches!(advice.action, Action::NewTestFrame) {
        ui.horizontal_wrapped(|ui| {
            ui.label("Done since the last test frame:");
            for (kind, words) in [(PassKind::Blow, "blow"), (PassKind::Brush, "brush"), (PassKind::Swab, "swab")] {
                let mut made = page.state.sensor.passes.contains(&kind);
                if ui.checkbox(&mut made, words).changed() {
                    commands.push(Command::Pass(kind, made));
                }
            }
        });
    }
    drop_ui(page, ui, "Drop the next test frame here: same lens, same settings");
    take_ui(ui, "name the next test frame", ("Open …", Command::Main), Command::NextFrame, commands);
    watch_ui(page, ui, commands);
    troubles_ui(page, ui, Step::Cleaning);
}
