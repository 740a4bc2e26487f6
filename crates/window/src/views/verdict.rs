//! What the test frame says: how far the sensor is clear, and where the motes lie.

use eframe::egui::{self, Frame, Margin, Panel, RichText, Ui};
use motelight_desk::report::{kind, number, plus_minus, remarks, shown, verdict};
use motelight_motes::inspect::fitness::Verdict;
use motelight_motes::inspect::{Inspection, Mote};

use super::body::booked_ui;
use super::chart::{chart_ui, dots, sensor_mm};
use super::pieces::{Page, button, looked_ui, main_button, troubles_ui};
use crate::command::{Command, Commands};
use crate::look::{Spot, Viewer};
use crate::state::{SCALES, STRENGTHS, Step};
use crate::theme::{self, Mood};

/// The verdict in words.
pub fn verdict_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    troubles_ui(page, ui, Step::Verdict);
    let Some(inspection) = page.found.inspection() else {
        theme::title(ui, "No verdict yet");
        theme::text(ui, "It follows from a test frame.");
        button(ui, "Go to the test frame", Command::Go(Step::TestFrame), commands);
        return;
    };
    let told = verdict(inspection);
    theme::title(ui, &told.headline);
    let (mood, fitness) = match inspection.fitness.verdict {
        Verdict::Fit => (Mood::Good, "The test frame is fit."),
        Verdict::UsableWithCare => (Mood::Care, "The test frame is usable with care."),
        Verdict::Unfit => (Mood::Bad, "The test frame is unfit."),
    };
    theme::badge(ui, page.theme, mood, fitness);
    theme::text(ui, told.lead.as_str());
    for finding in &inspection.fitness.findings {
        theme::text(ui, format!("{} {}", finding.message, finding.remedy));
    }
    facts_ui(page, ui, inspection);
    if inspection.fitness.verdict == Verdict::Unfit {
        main_button(page, ui, "Take another test frame", commands);
    } else {
        main_button(page, ui, "Go on to the cleaning", commands);
    }
    ui.add_space(4.0);
    if let Some(sensor) = sensor_mm(inspection) {
        chart_ui(page, ui, sensor, &dots(inspection, None), page.state.shown.mount, 310.0);
        let other = if page.state.shown.mount { "Picture view (V)" } else { "Mount view (V)" };
        button(ui, other, Command::Mount, commands);
    }
    theme::heading(ui, "Judged for");
    looked_ui(page, ui, commands);
    booked_ui(page, ui, commands);
    for note in &inspection.notes {
        theme::quiet(ui, page.theme, &shown(note));
    }
    match page.found.judged.as_ref().and_then(|j| j.report.as_ref()) {
        Some(report) => theme::quiet(ui, page.theme, &format!("Report: {}", shown(&report.display().to_string()))),
        None => button(ui, "Write the report (W)", Command::WriteReport, commands),
    }
}

fn facts_ui(page: &Page, ui: &mut Ui, inspection: &Inspection) {
    let body = inspection.body.as_ref().map_or("not told".into(), |b| match &b.serial {
        Some(serial) => format!("{} no. {serial}", b.model),
        None => b.model.clone(),
    });
    let mut facts = vec![("body", shown(&body))];
    facts.extend(inspection.f_number.map(|n| ("taken at", n.to_string())));
    facts.push(("motes found", inspection.motes.len().to_string()));
    facts.extend(inspection.floor_um.map(|um| ("floor", format!("{} µm: smaller ones may be there", number(um)))));
    facts.extend(inspection.stand_off.as_ref().map(|s| ("stand-off", format!("{} mm", plus_minus(s.height_mm)))));
    egui::Grid::new("facts").num_columns(2).spacing([16.0, 6.0]).show(ui, |ui| {
        for (name, value) in facts {
            theme::head(ui, page.theme, name);
            ui.add(egui::Label::new(value).wrap());
            ui.end_row();
        }
    });
}

/// The motes of a test frame as spots on its picture.
pub fn spots(inspection: &Inspection) -> Vec<Spot> {
    inspection
        .motes
        .iter()
        .map(|m| Spot {
            id: m.id.clone(),
            at: (m.at_picture.x, m.at_picture.y),
            width_px: m.shadow_width_px.value,
            shows: m.shows_from.is_some(),
            choice: None,
            words: words(m),
        })
        .collect()
}

fn words(m: &Mote) -> String {
    let size = m.equivalent_diameter_um.map(|um| format!("{} µm", plus_minus(um)));
    let shows = m.shows_from.map_or("does not show up to f/32".into(), |n| format!("shows from {n}"));
    let remarks = remarks(m);
    let parts = [Some(kind(m.kind).to_owned()), size, Some(shows), Some(remarks).filter(|r| !r.is_empty())];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// The picture of the step, with its marks.
pub fn looked_at(page: &Page, ui: &mut Ui, viewer: &mut Viewer, spots: &[Spot], commands: &mut Commands) {
    view_bar(page, ui, commands);
    spot_line(page, ui, viewer, spots);
    viewer.ui(ui, page.theme, &page.state.shown, spots, commands);
}

/// What is known of the mote one looks at.
fn spot_line(page: &Page, ui: &mut Ui, viewer: &Viewer, spots: &[Spot]) {
    let frame = Frame::new().fill(page.theme.panel).inner_margin(Margin::symmetric(12, 6));
    Panel::bottom("mote").frame(frame).resizable(false).show_separator_line(false).exact_size(38.0).show(ui, |ui| {
        ui.horizontal_centered(|ui| match viewer.mote().and_then(|i| spots.get(i)) {
            Some(spot) => {
                ui.label(RichText::new(format!("Mote {}", spot.number())).strong());
                ui.add(egui::Label::new(&spot.words).truncate());
            }
            None if spots.is_empty() => theme::quiet(ui, page.theme, "No motes are marked here."),
            None => theme::quiet(ui, page.theme, "N and P go from mote to mote."),
        });
    });
}

/// The controls of the view.
fn view_bar(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    let frame = Frame::new().fill(page.theme.panel).inner_margin(Margin::symmetric(12, 8));
    Panel::top("view").frame(frame).resizable(false).show_separator_line(false).show(ui, |ui| {
        let shown = &page.state.shown;
        let check = |ui: &mut Ui, on: bool, words: &str, command: Command, commands: &mut Commands| {
            let mut on = on;
            if ui.checkbox(&mut on, words).changed() {
                commands.push(command);
            }
        };
        ui.horizontal(|ui| {
            button(ui, "Whole (F)", Command::Fit, commands);
            button(ui, "1:1 (1)", Command::ActualSize, commands);
            check(ui, shown.marks, "Marks (K)", Command::Marks, commands);
            if page.state.step == Step::BeforeAfter {
                check(ui, shown.beside, "Side by side (D)", Command::Beside, commands);
            }
        });
        ui.horizontal(|ui| {
            check(ui, shown.raking, "Raking view (R)", Command::Raking, commands);
            ui.add_enabled_ui(shown.raking, |ui| {
                let (mut strength, mut scale) = (shown.strength, shown.scale);
                ui.spacing_mut().slider_width = 84.0;
                let name = ui.label("strength").id;
                ui.add(egui::Slider::new(&mut strength, STRENGTHS).logarithmic(true).max_decimals(1)).labelled_by(name);
                let name = ui.label("scale").id;
                let slider = egui::Slider::new(&mut scale, SCALES).logarithmic(true).max_decimals(1).suffix(" %");
                ui.add(slider).labelled_by(name).on_hover_text("What is wider is taken out, per cent of the long side");
                if (strength, scale) != (shown.strength, shown.scale) {
                    commands.push(Command::Rake(strength, scale));
                }
            });
        });
    });
}
