//! What the pass did, and whether the sensor is clear enough.

use eframe::egui::{Grid, RichText, Ui};
use motelight_desk::report::{headline, shown, verdict};
use motelight_motes::advise::Action;
use motelight_motes::recheck::{Fate, Status};

use super::body::booked_ui;
use super::chart::{Dot, chart_ui, sensor_mm};
use super::pieces::{Page, button, fact, main_button, troubles_ui};
use crate::command::{Command, Commands};
use crate::found::Rechecks;
use crate::state::Step;
use crate::theme::{self, Mood};

const WORDS: [(Status, &str); 5] = [
    (Status::Gone, "gone"),
    (Status::Stayed, "stayed"),
    (Status::Moved, "moved"),
    (Status::New, "new"),
    (Status::Undecided, "undecided"),
];

/// What became of each mote.
pub fn recheck_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    troubles_ui(page, ui, Step::Recheck);
    let Some(rechecks) = &page.found.rechecked else {
        if page.busy() {
            return theme::title(ui, "The test frames are being held against each other …");
        }
        theme::title(ui, "No second test frame yet");
        theme::text(ui, "After each pass a test frame, with the same lens and settings: it tells what the pass did.");
        button(ui, "Go to the cleaning", Command::Go(Step::Cleaning), commands);
        return;
    };
    let recheck = &rechecks.compare.recheck;
    theme::title(ui, &title(rechecks));
    ui.columns(WORDS.len(), |columns| {
        for (column, (status, word)) in columns.iter_mut().zip(WORDS) {
            fact(page, column, word, &recheck.count(status).to_string());
        }
    });
    if !recheck.residue.is_empty() {
        let n = recheck.residue.len();
        theme::badge(
            ui,
            page.theme,
            Mood::Care,
            format!("A wet pass left residue at {n} places that was not there before."),
        );
    }
    theme::text(ui, verdict(&rechecks.compare.after).headline);
    if let Some(sensor) = sensor_mm(&rechecks.compare.after) {
        chart_ui(page, ui, sensor, &fates(rechecks), page.state.shown.mount, 380.0);
        let other = if page.state.shown.mount { "Picture view (V)" } else { "Mount view (V)" };
        button(ui, other, Command::Mount, commands);
    }
    let action = rechecks.compare.advice.action;
    theme::heading(ui, headline(action));
    theme::text(ui, rechecks.compare.advice.reason.as_str());
    let next = if action == Action::LeaveAlone { "Go on: ready" } else { "Go on to the next pass" };
    main_button(page, ui, next, commands);
    for note in &recheck.notes {
        theme::quiet(ui, page.theme, &shown(note));
    }
    fates_table(page, ui, rechecks);
}

fn title(rechecks: &Rechecks) -> String {
    let recheck = &rechecks.compare.recheck;
    let all = rechecks.compare.before.motes.len();
    match (recheck.count(Status::Gone), recheck.count(Status::New)) {
        (0, 0) => "The pass changed nothing.".into(),
        (gone, 0) => format!("{gone} of {all} motes are gone."),
        (0, new) => format!("Nothing went; {new} came."),
        (gone, new) => format!("{gone} of {all} motes are gone, {new} came."),
    }
}

fn fates(rechecks: &Rechecks) -> Vec<Dot> {
    let compare = &rechecks.compare;
    let pitch_mm = compare.after.pitch_um.unwrap_or(0.0) / 1000.0;
    let dot = |f: &Fate| {
        let (mote, at) = match f.after {
            Some(after) => (compare.after.motes.get(after)?, f.at_after),
            None => (compare.before.motes.get(f.before?)?, f.at_after),
        };
        let word = WORDS.iter().find(|(s, _)| *s == f.status).map_or("", |(_, w)| w);
        let label =
            if f.status == Status::Stayed { mote.number().to_owned() } else { format!("{} {word}", mote.number()) };
        let heavy = f.status != Status::Gone && mote.shows_from.is_some();
        Some(Dot { label, at, width_mm: mote.shadow_width_px.value * pitch_mm, heavy, status: Some(f.status) })
    };
    compare.recheck.fates.iter().filter_map(dot).collect()
}

fn fates_table(page: &Page, ui: &mut Ui, rechecks: &Rechecks) {
    let compare = &rechecks.compare;
    theme::heading(ui, "Mote by mote");
    Grid::new("fates").num_columns(4).spacing([26.0, 6.0]).striped(true).show(ui, |ui| {
        for name in ["before", "after", "what became of it", "how sure"] {
            theme::head(ui, page.theme, name);
        }
        ui.end_row();
        for fate in &compare.recheck.fates {
            let number = |i: Option<usize>, motes: &[motelight_motes::inspect::Mote]| {
                i.and_then(|i| motes.get(i)).map_or("–".to_owned(), |m| m.number().to_owned())
            };
            ui.label(number(fate.before, &compare.before.motes));
            ui.label(number(fate.after, &compare.after.motes));
            let word = WORDS.iter().find(|(s, _)| *s == fate.status).map_or("", |(_, w)| w);
            ui.label(RichText::new(word).strong());
            ui.label(format!("{:.0} %", 100.0 * fate.probability));
            ui.end_row();
        }
    });
}

/// Whether the sensor is clear enough for the work.
pub fn ready_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    let (Some(advice), Some(inspection)) = (page.found.advice(), page.found.inspection()) else {
        theme::title(ui, "Not judged yet");
        theme::text(ui, "Whether the sensor is clear enough follows from a test frame.");
        button(ui, "Go to the test frame", Command::Go(Step::TestFrame), commands);
        return;
    };
    let clear = advice.action == Action::LeaveAlone;
    theme::title(ui, if clear { "Ready." } else { "Not ready yet." });
    let mood = if clear { Mood::Good } else { Mood::Care };
    theme::badge(ui, page.theme, mood, verdict(inspection).headline);
    theme::text(ui, advice.reason.as_str());
    theme::text(ui, advice.stop.as_str());
    booked_ui(page, ui, commands);
    if clear {
        theme::text(ui, "Every further pass would be a risk for nothing.");
        main_button(page, ui, "Go on to a shoot", commands);
    } else {
        main_button(page, ui, "Back to the cleaning", commands);
    }
    if page.found.rechecked.is_some() {
        button(ui, "Write the step card (W)", Command::WriteReport, commands);
    }
    if let Some(card) = page.found.rechecked.as_ref().and_then(|r| r.card.as_ref()) {
        theme::quiet(ui, page.theme, &format!("Step card: {}", shown(&card.display().to_string())));
    }
}
