//! Pieces that several steps use.

use std::path::PathBuf;

use eframe::egui::{self, Id, ProgressBar, RichText, Ui, vec2};
use motelight_desk::report::shown;
use motelight_frame::FrameError;

use crate::command::{Command, Commands};
use crate::found::Found;
use crate::state::{State, Step};
use crate::theme::{self, Mood, Theme};

/// What there is to be drawn.
#[derive(Clone, Copy)]
pub struct Page<'a> {
    /// What was chosen.
    pub state: &'a State,
    /// What was found.
    pub found: &'a Found,
    /// How it looks.
    pub theme: &'a Theme,
}

impl Page<'_> {
    /// Whether a job is running.
    pub fn busy(&self) -> bool {
        self.found.running.is_some()
    }
}

/// A button that asks for something.
pub fn button(ui: &mut Ui, words: &str, command: Command, commands: &mut Commands) {
    if ui.button(words).clicked() {
        commands.push(command);
    }
}

/// The button that the Enter key presses too.
pub fn main_button(page: &Page, ui: &mut Ui, words: &str, commands: &mut Commands) {
    let clicked = ui.add_enabled_ui(!page.busy(), |ui| theme::main_button(ui, page.theme, words).clicked()).inner;
    if clicked {
        commands.push(Command::Main);
    }
}

/// What went wrong in this step, and what to do.
pub fn troubles_ui(page: &Page, ui: &mut Ui, step: Step) {
    for e in page.found.troubles.get(&step).into_iter().flatten() {
        trouble_ui(page, ui, e);
    }
}

/// One thing that went wrong.
pub fn trouble_ui(page: &Page, ui: &mut Ui, e: &FrameError) {
    theme::card(ui, page.theme, |ui| {
        ui.set_min_width((ui.available_width() - 4.0).min(theme::MEASURE));
        let file = crate::worker::name(&e.path);
        theme::badge(ui, page.theme, Mood::Bad, format!("{file}: {}.", shown(&e.message).trim_end_matches('.')));
        theme::text(ui, shown(&e.remedy));
    });
}

/// A field for a path beside a button that opens a dialog: not every system has dialogs, and keys alone must do.
pub fn take_ui(
    ui: &mut Ui,
    what: &str,
    open: (&str, Command),
    take: impl FnOnce(PathBuf) -> Command,
    commands: &mut Commands,
) {
    ui.horizontal(|ui| {
        button(ui, open.0, open.1, commands);
        let id = Id::unique(("path field", what));
        let mut typed: String = ui.data_mut(|d| d.get_temp(id)).unwrap_or_default();
        let name = ui.label(format!("or {what}:")).id;
        let field = ui.add(egui::TextEdit::singleline(&mut typed).desired_width(260.0)).labelled_by(name);
        let enter = field.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
        let some = !typed.trim().is_empty();
        let take_it = ui.add_enabled(some, egui::Button::new("Take"));
        let told = format!("take what was typed: {what}");
        take_it.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, some, &told));
        let pressed = take_it.clicked();
        if (enter || pressed) && some {
            commands.push(take(PathBuf::from(typed.trim())));
            typed.clear();
        }
        ui.data_mut(|d| d.insert_temp(id, typed));
    });
}

/// The place where files may be dropped.
pub fn drop_ui(page: &Page, ui: &mut Ui, words: &str) {
    let size = vec2(ui.available_width().min(theme::MEASURE), 96.0);
    let (area, response) = ui.allocate_exact_size(size, egui::Sense::hover());
    theme::dashed_frame(ui, page.theme, area);
    let font = egui::FontId::proportional(theme::BODY);
    ui.painter().text(area.center(), egui::Align2::CENTER_CENTER, words, font, page.theme.quiet);
    theme::told(&response, words);
}

/// How pictures will be looked at: all that is said of what shows holds for this.
pub fn looked_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    let mut looked = page.state.looked.clone();
    ui.horizontal_wrapped(|ui| {
        ui.checkbox(&mut looked.screen, "100 % on a screen");
        let mut print = looked.print_cm.is_some();
        ui.checkbox(&mut print, "a print of");
        let (mut width, mut height) = looked.print_cm.unwrap_or((60.0, 40.0));
        ui.add_enabled_ui(print, |ui| {
            side_ui(ui, "print width", &mut width);
            ui.label("×");
            side_ui(ui, "print height", &mut height);
        });
        looked.print_cm = print.then_some((width, height));
        let mut told = looked.distance_cm.is_some();
        ui.add_enabled(print, egui::Checkbox::new(&mut told, "seen from"));
        let mut distance = looked.distance_cm.unwrap_or_else(|| width.hypot(height).round());
        ui.add_enabled_ui(print && told, |ui| side_ui(ui, "viewing distance", &mut distance));
        looked.distance_cm = told.then_some(distance);
    });
    if looked != page.state.looked {
        commands.push(Command::Looked(looked));
    }
}

fn side_ui(ui: &mut Ui, name: &str, cm: &mut f64) {
    let value = egui::DragValue::new(cm).range(5.0..=1000.0).max_decimals(1).suffix(" cm");
    ui.add(value).on_hover_text(name);
}

/// A fact: its name small, its value below.
pub fn fact(page: &Page, ui: &mut Ui, name: &str, value: &str) {
    ui.vertical(|ui| {
        ui.spacing_mut().item_spacing.y = 2.0;
        theme::quiet(ui, page.theme, name);
        ui.add(egui::Label::new(RichText::new(value).size(theme::HEADING)).wrap());
    });
}

/// The strip below: what runs, how far it is, how to stop it; what was just done.
pub fn status_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    ui.horizontal_centered(|ui| match &page.found.running {
        Some(running) => {
            ui.add(egui::Spinner::new().size(18.0));
            ui.label(running.words);
            if let Some((share, left)) = running.left() {
                let (done, of, name) = running.progress.as_ref().map_or((0, 0, ""), |(d, o, n)| (*d, *o, n.as_str()));
                ui.add(ProgressBar::new(share).desired_width(220.0).desired_height(10.0));
                ui.label(format!("{done} of {of}"));
                theme::quiet(ui, page.theme, &format!("{name}  {left}"));
            }
            ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                button(ui, "Stop", Command::Cancel, commands);
            });
        }
        None => {
            if let Some(e) = &page.found.unrecorded {
                theme::badge(ui, page.theme, Mood::Care, format!("Not written to the ledger: {e}. {}", e.remedy));
            } else if let Some(said) = &page.found.said {
                theme::quiet(ui, page.theme, said);
            }
            ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
                button(ui, "Keys (F1)", Command::Keys, commands);
                let shade = match page.state.shade.other() {
                    theme::Shade::Light => "Light",
                    theme::Shade::Dark => "Dark",
                };
                button(ui, shade, Command::Shade, commands);
            });
        }
    });
}
