//! Both paths through the job, drawn as lines with a stop for every step.

use eframe::egui::{Align2, FontId, Key, Rect, RichText, Role, Sense, Stroke, Ui, WidgetInfo, pos2, vec2};
use motelight_motes::advise::Action;

use super::pieces::Page;
use crate::command::{Command, Commands};
use crate::state::Step;
use crate::theme::{self, BODY, Mood};

/// Height of a stop.
const STOP: f32 = 40.0;

/// How far a step is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reached {
    Done,
    Ahead,
    Trouble,
}

impl Reached {
    fn words(self) -> &'static str {
        match self {
            Reached::Done => "done",
            Reached::Ahead => "not yet done",
            Reached::Trouble => "something went wrong here",
        }
    }
}

/// Both paths, one below the other.
pub fn path_ui(page: &Page, ui: &mut Ui, commands: &mut Commands) {
    ui.add_space(10.0);
    let name = RichText::new("Motelight").size(theme::HEADING);
    if ui.add(eframe::egui::Button::new(name).frame(false)).on_hover_text("The start").clicked() {
        commands.push(Command::Go(Step::Start));
    }
    ui.add_space(12.0);
    one(page, ui, "The sensor", &Step::SENSOR, commands);
    ui.add_space(18.0);
    one(page, ui, "A shoot", &Step::SHOOT, commands);
}

fn one(page: &Page, ui: &mut Ui, name: &str, steps: &[Step], commands: &mut Commands) {
    theme::quiet(ui, page.theme, name);
    ui.spacing_mut().item_spacing.y = 0.0;
    let reached: Vec<Reached> = steps.iter().map(|s| reached(page, *s)).collect();
    for (i, step) in steps.iter().enumerate() {
        let size = vec2(ui.available_width(), STOP);
        let (area, response) = ui.allocate_exact_size(size, Sense::click());
        let here = page.state.step == *step;
        let words = format!("{name}: {}, {}", step.name(), reached[i].words());
        response.widget_info(|| WidgetInfo::selected(Role::Button, true, here, &words));
        let enter = response.has_focus() && ui.input(|i| i.key_pressed(Key::Space));
        if response.clicked() || enter {
            commands.push(Command::Go(*step));
        }
        let theme = page.theme;
        let painter = ui.painter();
        if here || response.hovered() || response.has_focus() {
            let fill = if here { theme.page } else { theme.line.gamma_multiply(0.35) };
            painter.rect_filled(area.shrink2(vec2(0.0, 2.0)), 4.0, fill);
        }
        let middle = pos2(area.left() + 20.0, area.center().y);
        let line = |done: bool| Stroke::new(if done { 3.0 } else { 1.5 }, if done { theme.ink } else { theme.line });
        let shape = Rect::from_center_size(middle, vec2(20.0, 20.0));
        if i > 0 {
            painter.line_segment([pos2(middle.x, area.top()), shape.center_top()], line(reached[i] == Reached::Done));
        }
        if i + 1 < steps.len() {
            let next = reached[i + 1] == Reached::Done;
            painter.line_segment([shape.center_bottom(), pos2(middle.x, area.bottom())], line(next));
        }
        match reached[i] {
            Reached::Done => painter.extend(theme::shape(theme, Mood::Good, shape)),
            Reached::Trouble => painter.extend(theme::shape(theme, Mood::Bad, shape)),
            Reached::Ahead => {
                painter.circle_filled(middle, 9.0, theme.panel);
                painter.circle_stroke(middle, 9.0, Stroke::new(1.6, if here { theme.ink } else { theme.quiet }));
            }
        }
        if here {
            painter.circle_stroke(middle, 13.5, Stroke::new(2.5, theme.accent));
        }
        let ink = if here || reached[i] != Reached::Ahead { theme.ink } else { theme.quiet };
        let at = pos2(area.left() + 44.0, area.center().y);
        painter.text(at, Align2::LEFT_CENTER, step.name(), FontId::proportional(BODY), ink);
    }
}

fn reached(page: &Page, step: Step) -> Reached {
    let Page { state, found, .. } = page;
    if found.troubles.get(&step).is_some_and(|t| !t.is_empty()) {
        return Reached::Trouble;
    }
    let clear = found.advice().is_some_and(|a| a.action == Action::LeaveAlone);
    let done = match step {
        Step::Start => false,
        Step::Body => state.sensor.body.is_some() || found.inspection().is_some(),
        Step::TestFrame | Step::Verdict => found.inspection().is_some(),
        Step::Cleaning => found.rechecked.is_some() || clear,
        Step::Recheck => found.rechecked.is_some(),
        Step::Ready => clear,
        Step::Folder => !found.sources.is_empty(),
        Step::Trace | Step::NeedsWork => found.traced.is_some(),
        Step::BeforeAfter => !state.shoot.choices.is_empty() || found.mended.is_some(),
        Step::Mend => found.mended.is_some(),
        Step::SignOff => found.signed_off.is_some(),
        Step::DeliveryNote => found.delivery_note().is_some(),
    };
    if done { Reached::Done } else { Reached::Ahead }
}
