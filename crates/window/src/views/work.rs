//! The pictures that need work, and each before and after.

use eframe::egui::{self, RichText, Ui};
use motelight_desk::contract::RepairEntry;
use motelight_desk::jobs::trace::BADLY;
use motelight_desk::report::{darkness, darkness_within};
use motelight_motes::mend::{Choice, Treatment};
use motelight_motes::trace::Sighting;

use super::folder::wall_ui;
use super::pieces::{Page, button, troubles_ui};
use crate::command::{Command, Commands};
use crate::found::Found;
use crate::look::{Spot, Viewer};
use crate::state::{State, Step};
use crate::theme::{self, Mood};
use crate::worker::name;

/// The pictures in which something shows, the worst first.
pub fn needs_work_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    if page.found.traced.is_none() {
        theme::title(ui, "Not traced yet");
        theme::text(ui, "Which pictures need work follows from the trace; all of them can be looked at meanwhile.");
        button(ui, "Go to the trace", Command::Go(Step::Trace), commands);
        return all_pictures(page, ui, commands);
    }
    let worst = page.found.needs_work();
    match worst.len() {
        0 => theme::title(ui, "Nothing shows in any picture."),
        1 => theme::title(ui, "One picture needs work."),
        n => theme::title(ui, &format!("{n} pictures need work.")),
    }
    theme::quiet(ui, page.theme, &format!("Judged for {}. The worst come first.", page.state.looked.words()));
    for (path, picture) in worst {
        let showing = picture.motes.iter().filter(|m| m.shows).count();
        let badly = picture.worst() >= BADLY;
        ui.horizontal(|ui| {
            let name = name(path);
            let open = egui::Button::new(RichText::new(&name)).min_size(egui::vec2(260.0, 0.0));
            let response = ui.add(open);
            if response.clicked() {
                commands.push(Command::Picture(path.to_path_buf()));
            }
            let motes = if showing == 1 { "one mote shows".to_owned() } else { format!("{showing} motes show") };
            let how = format!(
                "{motes}, up to {:.1} times what would just be noticed, at {}",
                picture.worst(),
                picture.f_number
            );
            let (mood, words) = if badly { (Mood::Bad, format!("badly: {how}")) } else { (Mood::Care, how) };
            ui.vertical(|ui| {
                ui.add_space(6.0);
                theme::badge(ui, page.theme, mood, words);
            });
        });
    }
    ui.add_space(6.0);
    super::pieces::main_button(page, ui, "Look at the worst", commands);
    theme::heading(ui, "All pictures");
    all_pictures(page, ui, commands);
}

fn all_pictures(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    let sources = &page.found.sources;
    let height = ui.spacing().interact_size.y;
    let per_row = (ui.available_width() / 240.0).floor().max(1.0) as usize;
    let rows = sources.len().div_ceil(per_row);
    egui::ScrollArea::vertical().id_salt("pictures").max_height(260.0).show_rows(ui, height, rows, |ui, seen| {
        for row in seen {
            ui.horizontal(|ui| {
                for source in sources.iter().skip(row * per_row).take(per_row) {
                    let words = name(&source.path);
                    let open = egui::Button::new(&words).min_size(egui::vec2(228.0, 0.0)).truncate();
                    if ui.add(open).on_hover_text(format!("look at {words}")).clicked() {
                        commands.push(Command::Picture(source.path.clone()));
                    }
                }
            });
        }
    });
}

/// No picture has been chosen yet.
pub fn no_picture_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    theme::title(ui, "Which picture?");
    troubles_ui(page, ui, Step::BeforeAfter);
    all_pictures(page, ui, commands);
    if page.found.sources.is_empty() {
        button(ui, "Go to the folder", Command::Go(Step::Folder), commands);
    }
}

/// The motes of the picture: as they would be mended, where there is something to mend by, else as traced.
pub fn spots(state: &State, found: &Found, viewer: &Viewer) -> Vec<Spot> {
    let Some((path, source)) = state.shoot.picture.as_ref().and_then(|p| Some((p, found.source(p)?))) else {
        return Vec::new();
    };
    let picture = source.relative.to_string_lossy();
    let repairs = if viewer.path() == Some(path) { viewer.motes() } else { &[] };
    if repairs.is_empty() {
        let traced = found.traced_picture(path).map_or(&[][..], |p| &p.motes);
        return traced.iter().map(|s| traced_spot(s, state.choice(&picture, &s.id))).collect();
    }
    let mut all: Vec<(&RepairEntry, bool)> =
        repairs.iter().map(|r| (r, r.treatment != Treatment::Untouched || r.still_shows)).collect();
    all.sort_by(|(a, shows_a), (b, shows_b)| {
        shows_b.cmp(shows_a).then(b.depth_foretold.abs().total_cmp(&a.depth_foretold.abs()))
    });
    all.into_iter().map(|(r, shows)| repair_spot(r, shows, state.choice(&picture, &r.id))).collect()
}

fn traced_spot(s: &Sighting, choice: Option<Choice>) -> Spot {
    let why = s.reason.map_or("shows", |r| r.words());
    Spot {
        id: s.id.clone(),
        at: (s.x_px, s.y_px),
        width_px: s.width_px,
        shows: s.shows,
        choice,
        words: format!("{why}, {}", darkness(s.depth)),
    }
}

fn repair_spot(r: &RepairEntry, shows: bool, choice: Option<Choice>) -> Spot {
    let done = match r.treatment {
        Treatment::Lifted => "lifted",
        Treatment::Filled => "filled",
        Treatment::Untouched => "untouched",
    };
    let depth = match (r.depth_before, r.depth_after) {
        (Some(before), Some(after)) => {
            format!("{}, then {}", darkness_within(before, r.depth_sigma), darkness_within(after, r.depth_sigma))
        }
        (Some(before), None) => darkness_within(before, r.depth_sigma),
        _ => format!("foretold {}", darkness(r.depth_foretold)),
    };
    let parts = [done.to_owned(), r.reason.map_or(String::new(), |r| r.words().to_owned()), depth];
    let still = if r.still_shows { ", still shows" } else { "" };
    let words = parts.into_iter().filter(|p| !p.is_empty()).collect::<Vec<_>>().join(", ") + still;
    Spot { id: r.id.clone(), at: (r.x_px, r.y_px), width_px: r.shadow_width_px, shows, choice, words }
}

/// The motes of the picture, and what was decided about each.
pub fn motes_ui(page: &Page, ui: &mut Ui, viewer: &Viewer, spots: &[Spot], commands: &mut Commands) {
    let Some(path) = &page.state.shoot.picture else { return };
    theme::title(ui, &name(path));
    ui.horizontal_wrapped(|ui| {
        button(ui, "Picture before", Command::PreviousPicture, commands);
        button(ui, "Next picture", Command::NextPicture, commands);
    });
    troubles_ui(page, ui, Step::BeforeAfter);
    let mended = viewer.seen().is_some_and(|s| s.has_after());
    match (page.found.basis(), mended) {
        (None, _) => wall_ui(page, ui, commands),
        (Some(_), true) => theme::text(ui, "Shown as it would be mended; hold B to see it as it was."),
        (Some(_), false) if viewer.path() == Some(path) => theme::text(ui, "Nothing would be changed in this picture."),
        _ => {}
    }
    let showing = spots.iter().filter(|s| s.shows).count();
    theme::heading(ui, &format!("{} motes, {showing} of them show", spots.len()));
    theme::quiet(ui, page.theme, "M mends, S skips, U leaves it to the measurement, Ctrl Z takes back.");
    for (i, spot) in spots.iter().enumerate() {
        let here = viewer.mote() == Some(i);
        ui.horizontal(|ui| {
            ui.spacing_mut().button_padding.x = 9.0;
            ui.spacing_mut().item_spacing.x = 5.0;
            let number = egui::Button::selectable(here, spot.number()).min_size(egui::vec2(44.0, 0.0));
            if ui.add(number).on_hover_text(format!("show mote {}", spot.number())).clicked() {
                commands.push(Command::Mote(i));
            }
            for (choice, word) in [(Choice::Mend, "mend"), (Choice::Skip, "skip")] {
                let chosen = spot.choice == Some(choice);
                let response = ui.add(egui::Button::selectable(chosen, word));
                let told = format!("{word} mote {}", spot.number());
                response.widget_info(|| egui::WidgetInfo::selected(egui::Role::Button, true, chosen, &told));
                if response.clicked() {
                    commands.push(Command::Choose(spot.id.clone(), (!chosen).then_some(choice)));
                }
            }
            ui.add(egui::Label::new(RichText::new(&spot.words).size(theme::SMALL).color(page.theme.quiet)).truncate())
                .on_hover_text(&spot.words);
        });
    }
    ui.add_space(6.0);
    super::pieces::main_button(page, ui, "Go on to mending", commands);
}
