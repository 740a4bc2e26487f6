//! The list of keys.

use eframe::egui::{Grid, Id, Modal, RichText, ScrollArea, Ui};

use super::pieces::button;
use crate::command::{Command, Commands, HELD, KEYS};
use crate::theme;

/// All keys, over everything else.
pub fn keys_ui(ui: &mut Ui, commands: &mut Commands) {
    let modal = Modal::new(Id::unique("keys")).show(ui.ctx(), |ui| {
        ui.set_width(780.0);
        theme::title(ui, "Keys");
        ScrollArea::vertical().max_height(520.0).show(ui, |ui| {
            let mut all: Vec<(&str, &str)> = KEYS.iter().map(|k| (k.written, k.help)).collect();
            all.push((HELD.1, HELD.2));
            all.push(("arrows", "move the picture"));
            all.push(("Tab", "the next control; Space presses it"));
            let half = all.len().div_ceil(2);
            ui.columns(2, |columns| {
                for (column, part) in columns.iter_mut().zip([&all[..half], &all[half..]]) {
                    Grid::new(column.scope_id().with("keys")).num_columns(2).spacing([14.0, 5.0]).show(column, |ui| {
                        for (key, help) in part {
                            ui.label(RichText::new(*key).strong());
                            ui.label(RichText::new(*help).size(theme::SMALL));
                            ui.end_row();
                        }
                    });
                }
            });
        });
        button(ui, "Close", Command::Keys, commands);
    });
    if modal.backdrop_response.clicked() {
        commands.push(Command::Keys);
    }
}
