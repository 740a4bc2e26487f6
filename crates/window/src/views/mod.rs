//! What is drawn of each step: functions of what was chosen and found; what is asked for goes into the commands.

mod pieces;
mod path;
mod chart;
mod start;
mod body;
mod verdict;
mod cleaning;
mod recheck;
mod folder;
mod timeline;
mod work;
mod deliver;
mod keys;

pub use keys::keys_ui;
pub use path::path_ui;
pub use pieces::{Page, status_ui};

use eframe::egui::{Panel, ScrollArea, Ui};

use crate::command::Commands;
use crate::found::Found;
use crate::look::{Spot, Viewer};
use crate::state::{State, Step};

/// The shadows that are marked on the picture of this step.
pub fn spots(state: &State, found: &Found, viewer: &Viewer) -> Vec<Spot> {
    match state.step {
        Step::Verdict => found.inspection().map(verdict::spots).unwrap_or_default(),
        Step::BeforeAfter => work::spots(state, found, viewer),
        _ => Vec::new(),
    }
}

/// Draws the step that one is at.
pub fn step_ui(page: &Page, ui: &mut Ui, viewer: &mut Viewer, spots: &[Spot], commands: &mut Commands) {
    match page.state.step {
        Step::Verdict if page.found.inspection().is_some() => {
            words(ui, 390.0, |ui| verdict::verdict_ui(page, ui, commands));
            verdict::looked_at(page, ui, viewer, spots, commands);
        }
        Step::Cleaning if page.found.inspection().is_some() => {
            words(ui, 500.0, |ui| cleaning::cleaning_ui(page, ui, commands));
            cleaning::where_to_go(page, ui, commands);
        }
        Step::BeforeAfter if page.state.shoot.picture.is_some() => {
            words(ui, 390.0, |ui| work::motes_ui(page, ui, viewer, spots, commands));
            verdict::looked_at(page, ui, viewer, spots, commands);
        }
        step => {
            ScrollArea::vertical().id_salt(step).auto_shrink(false).show(ui, |ui| {
                let width = ui.available_width().min(1020.0);
                ui.set_max_width(width);
                match step {
                    Step::Start => start::start_ui(page, ui, commands),
                    Step::Body => body::body_ui(page, ui, commands),
                    Step::TestFrame => body::test_frame_ui(page, ui, commands),
                    Step::Verdict => verdict::verdict_ui(page, ui, commands),
                    Step::Cleaning => cleaning::cleaning_ui(page, ui, commands),
                    Step::Recheck => recheck::recheck_ui(page, ui, commands),
                    Step::Ready => recheck::ready_ui(page, ui, commands),
                    Step::Folder => folder::folder_ui(page, ui, commands),
                    Step::Trace => folder::trace_ui(page, ui, commands),
                    Step::NeedsWork => work::needs_work_ui(page, ui, commands),
                    Step::BeforeAfter => work::no_picture_ui(page, ui, commands),
                    Step::Mend => deliver::mend_ui(page, ui, commands),
                    Step::SignOff => deliver::sign_off_ui(page, ui, commands),
                    Step::DeliveryNote => deliver::delivery_note_ui(page, ui, commands),
                }
            });
        }
    }
}

/// Words on the left; all the room on the right is for a picture.
fn words(ui: &mut Ui, width: f32, words: impl FnOnce(&mut Ui)) {
    let frame = eframe::egui::Frame::new();
    Panel::left("words").frame(frame).resizable(false).show_separator_line(false).exact_size(width).show(ui, |ui| {
        ScrollArea::vertical().id_salt("words").auto_shrink(false).show(ui, |ui| {
            ui.set_max_width(width - 24.0);
            words(ui);
        });
    });
}
