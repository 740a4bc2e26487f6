//! All colours and sizes. A neutral grey surround, so that a picture is judged by itself: ISO 3664 asks for a neutral, matt
//! surround of 10 to 60 % (from memory). State is told by a shape and a word as well; its colours are those of the set that
//! Okabe and Ito proposed for eyes that do not tell red from green (from memory).

use eframe::egui::{
    self, Color32, CornerRadius, FontFamily, FontId, Margin, Rect, Response, Role, Sense, Shape, Stroke, StrokeKind,
    TextStyle, Ui, Vec2, WidgetInfo, pos2, vec2,
};
use serde::{Deserialize, Serialize};

/// Light or dark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Shade {
    /// For a dim room.
    #[default]
    Dark,
    /// For a bright bench.
    Light,
}

impl Shade {
    /// The other one.
    pub fn other(self) -> Shade {
        match self {
            Shade::Dark => Shade::Light,
            Shade::Light => Shade::Dark,
        }
    }
}

/// How a thing stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mood {
    /// As it should be.
    Good,
    /// Wants work or care.
    Care,
    /// Failed, or cannot be judged.
    Bad,
    /// Neither.
    Plain,
}

/// The colours of one shade.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Theme {
    /// Which shade.
    pub shade: Shade,
    /// Text.
    pub ink: Color32,
    /// Text that stands back.
    pub quiet: Color32,
    /// Behind the path.
    pub panel: Color32,
    /// Behind text.
    pub page: Color32,
    /// Behind pictures and charts.
    pub surround: Color32,
    /// Lines on the surround.
    pub on_surround: Color32,
    /// Rules and frames.
    pub line: Color32,
    /// The button to press next, and where one is on the path.
    pub accent: Color32,
    /// On the accent.
    pub on_accent: Color32,
    good: Color32,
    care: Color32,
    bad: Color32,
}

/// Type sizes, points: to be read from a cleaning bench at arm's length.
pub const BODY: f32 = 17.0;
/// Captions.
pub const SMALL: f32 = 14.5;
/// Headings within a page.
pub const HEADING: f32 = 21.0;
/// The one sentence of a page.
pub const TITLE: f32 = 30.0;
/// Width of the path at the side.
pub const PATH_WIDTH: f32 = 226.0;
/// Widest measure of running text.
pub const MEASURE: f32 = 660.0;

const DARK: Theme = Theme {
    shade: Shade::Dark,
    ink: Color32::from_gray(232),
    quiet: Color32::from_gray(176),
    panel: Color32::from_gray(38),
    page: Color32::from_gray(50),
    surround: Color32::from_gray(92),
    on_surround: Color32::from_gray(236),
    line: Color32::from_gray(88),
    accent: Color32::from_rgb(86, 180, 233),
    on_accent: Color32::from_gray(16),
    good: Color32::from_rgb(50, 190, 150),
    care: Color32::from_rgb(240, 178, 62),
    bad: Color32::from_rgb(240, 128, 70),
};

const LIGHT: Theme = Theme {
    shade: Shade::Light,
    ink: Color32::from_gray(26),
    quiet: Color32::from_gray(78),
    panel: Color32::from_gray(206),
    page: Color32::from_gray(228),
    surround: Color32::from_gray(158),
    on_surround: Color32::from_gray(12),
    line: Color32::from_gray(166),
    accent: Color32::from_rgb(0, 84, 138),
    on_accent: Color32::from_gray(250),
    good: Color32::from_rgb(0, 92, 70),
    care: Color32::from_rgb(120, 74, 0),
    bad: Color32::from_rgb(150, 52, 0),
};

impl Theme {
    /// The theme of a shade.
    pub fn of(shade: Shade) -> Theme {
        match shade {
            Shade::Dark => DARK,
            Shade::Light => LIGHT,
        }
    }

    /// The colour that goes with a mood.
    pub fn of_mood(&self, mood: Mood) -> Color32 {
        match mood {
            Mood::Good => self.good,
            Mood::Care => self.care,
            Mood::Bad => self.bad,
            Mood::Plain => self.quiet,
        }
    }

    /// What is pointed at on a picture, whatever the shade.
    pub fn accent_on_picture(&self) -> Color32 {
        DARK.accent
    }

    /// Gives the whole window this look.
    pub fn apply(&self, ctx: &egui::Context) {
        let theme = match self.shade {
            Shade::Dark => egui::Theme::Dark,
            Shade::Light => egui::Theme::Light,
        };
        ctx.set_theme(theme);
        ctx.style_mut_of(theme, |style| self.dress(style));
    }

    fn dress(&self, style: &mut egui::Style) {
        let font = |size| FontId::new(size, FontFamily::Proportional);
        style.text_styles = [
            (TextStyle::Small, font(SMALL)),
            (TextStyle::Body, font(BODY)),
            (TextStyle::Button, font(BODY)),
            (TextStyle::Heading, font(HEADING)),
            (TextStyle::Monospace, FontId::new(BODY - 2.0, FontFamily::Monospace)),
        ]
        .into();
        style.spacing.item_spacing = vec2(10.0, 9.0);
        style.spacing.button_padding = vec2(14.0, 7.0);
        style.spacing.interact_size = vec2(40.0, 32.0);
        style.spacing.icon_width = 20.0;
        style.spacing.icon_width_inner = 12.0;
        style.spacing.slider_width = 150.0;
        style.spacing.window_margin = Margin::same(20);
        style.animation_time = 0.0;
        let v = &mut style.visuals;
        v.panel_fill = self.page;
        v.window_fill = self.panel;
        v.window_stroke = Stroke::new(1.0, self.line);
        v.window_corner_radius = CornerRadius::same(4);
        v.extreme_bg_color = if self.shade == Shade::Dark { Color32::from_gray(30) } else { Color32::from_gray(246) };
        v.faint_bg_color = self.panel;
        v.override_text_color = Some(self.ink);
        v.weak_text_color = Some(self.quiet);
        v.hyperlink_color = self.accent;
        v.selection.bg_fill = self.accent.gamma_multiply(0.45);
        v.selection.stroke = Stroke::new(1.0, self.ink);
        v.slider_trailing_fill = true;
        let fill = |step: i16| {
            let grey = i16::from(self.page.r());
            let by = if self.shade == Shade::Dark { step } else { -step };
            Color32::from_gray((grey + by).clamp(0, 255) as u8)
        };
        for (widget, step, line) in [
            (&mut v.widgets.noninteractive, 0, self.line),
            (&mut v.widgets.inactive, 24, fill(52)),
            (&mut v.widgets.hovered, 40, self.ink),
            (&mut v.widgets.active, 54, self.ink),
            (&mut v.widgets.open, 32, self.ink),
        ] {
            widget.bg_fill = fill(step);
            widget.weak_bg_fill = fill(step);
            widget.bg_stroke = Stroke::new(1.0, line);
            widget.fg_stroke = Stroke::new(1.4, self.ink);
            widget.corner_radius = CornerRadius::same(3);
            widget.expansion = 0.0;
        }
    }
}

/// The shape that goes with a mood: disc with a tick, triangle, square with a cross, ring.
pub fn shape(theme: &Theme, mood: Mood, area: Rect) -> Vec<Shape> {
    let colour = theme.of_mood(mood);
    let on = Stroke::new(0.13 * area.width(), theme.page);
    let at = |x: f32, y: f32| pos2(area.left() + x * area.width(), area.top() + y * area.height());
    match mood {
        Mood::Good => vec![
            Shape::circle_filled(area.center(), 0.5 * area.width(), colour),
            Shape::line(vec![at(0.26, 0.52), at(0.44, 0.7), at(0.75, 0.32)], on),
        ],
        Mood::Care => vec![
            Shape::convex_polygon(vec![at(0.5, 0.02), at(1.0, 0.94), at(0.0, 0.94)], colour, Stroke::NONE),
            Shape::line_segment([at(0.5, 0.32), at(0.5, 0.62)], on),
            Shape::circle_filled(at(0.5, 0.79), 0.07 * area.width(), theme.page),
        ],
        Mood::Bad => vec![
            Shape::rect_filled(area.shrink(0.04 * area.width()), 2.0, colour),
            Shape::line_segment([at(0.28, 0.28), at(0.72, 0.72)], on),
            Shape::line_segment([at(0.72, 0.28), at(0.28, 0.72)], on),
        ],
        Mood::Plain => vec![Shape::circle_stroke(area.center(), 0.42 * area.width(), Stroke::new(1.6, colour))],
    }
}

/// A shape with words beside it.
pub fn badge(ui: &mut Ui, theme: &Theme, mood: Mood, words: impl Into<egui::RichText>) {
    ui.horizontal_top(|ui| {
        let (area, _) = ui.allocate_exact_size(Vec2::splat(1.15 * BODY), Sense::hover());
        ui.painter().extend(shape(theme, mood, area.shrink(1.0)));
        ui.add(egui::Label::new(words.into()).wrap());
    });
}

/// The same on one line, level with what stands beside it in a table.
pub fn badge_in_row(ui: &mut Ui, theme: &Theme, mood: Mood, words: &str) {
    ui.horizontal(|ui| {
        let (area, _) = ui.allocate_exact_size(Vec2::splat(1.15 * BODY), Sense::hover());
        ui.painter().extend(shape(theme, mood, area.shrink(1.0)));
        ui.label(words);
    });
}

/// The one button to press next.
pub fn main_button(ui: &mut Ui, theme: &Theme, words: &str) -> Response {
    let text = egui::RichText::new(words).color(theme.on_accent).size(BODY + 1.0);
    ui.add(egui::Button::new(text).fill(theme.accent).stroke(Stroke::NONE).min_size(vec2(0.0, 36.0)))
}

/// A frame about things that belong together.
pub fn card<R>(ui: &mut Ui, theme: &Theme, contents: impl FnOnce(&mut Ui) -> R) -> R {
    egui::Frame::new()
        .fill(theme.panel)
        .stroke(Stroke::new(1.0, theme.line))
        .corner_radius(4)
        .inner_margin(Margin::same(16))
        .show(ui, contents)
        .inner
}

/// A page's one sentence.
pub fn title(ui: &mut Ui, words: &str) {
    ui.add(egui::Label::new(egui::RichText::new(words).size(TITLE)).wrap());
}

/// A heading within a page.
pub fn heading(ui: &mut Ui, words: &str) {
    ui.add_space(6.0);
    ui.add(egui::Label::new(egui::RichText::new(words).size(HEADING)).wrap());
}

/// Running text.
pub fn text(ui: &mut Ui, words: impl Into<egui::RichText>) {
    ui.add(egui::Label::new(words.into()).wrap());
}

/// Text that stands back.
pub fn quiet(ui: &mut Ui, theme: &Theme, words: &str) {
    ui.add(egui::Label::new(egui::RichText::new(words).color(theme.quiet).size(SMALL)).wrap());
}

/// The head of a column, or the name of a fact: never broken.
pub fn head(ui: &mut Ui, theme: &Theme, words: &str) {
    let text = egui::RichText::new(words).color(theme.quiet).size(SMALL);
    ui.add(egui::Label::new(text).extend());
}

/// A drawn thing told to those who cannot see it.
pub fn told(response: &Response, words: &str) {
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, words));
}

/// A frame about the part of the page where files may be dropped.
pub fn dashed_frame(ui: &Ui, theme: &Theme, area: Rect) {
    let stroke = Stroke::new(1.5, theme.line);
    let corners = [area.left_top(), area.right_top(), area.right_bottom(), area.left_bottom(), area.left_top()];
    ui.painter().extend(Shape::dashed_line(&corners, stroke, 8.0, 6.0));
}

/// A thin frame.
pub fn framed(ui: &Ui, area: Rect, colour: Color32) {
    ui.painter().rect_stroke(area, 0.0, Stroke::new(1.0, colour), StrokeKind::Outside);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// WCAG 2.2: contrast of text 4.5 to 1; relative luminance as IEC 61966-2-1 has it (formula from memory).
    #[test]
    fn text_and_state_stand_out_from_what_is_behind_them() {
        let luminance = |c: Color32| {
            let linear = |v: u8| {
                let v = f64::from(v) / 255.0;
                if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
            };
            0.2126 * linear(c.r()) + 0.7152 * linear(c.g()) + 0.0722 * linear(c.b())
        };
        let contrast = |a: Color32, b: Color32| {
            let (a, b) = (luminance(a), luminance(b));
            (a.max(b) + 0.05) / (a.min(b) + 0.05)
        };
        for theme in [DARK, LIGHT] {
            for behind in [theme.page, theme.panel] {
                for ink in [theme.ink, theme.quiet, theme.good, theme.care, theme.bad, theme.accent] {
                    assert!(contrast(ink, behind) >= 4.5, "{:?}: {ink:?} on {behind:?}", theme.shade);
                }
            }
            assert!(contrast(theme.on_accent, theme.accent) >= 4.5);
            assert!(contrast(theme.on_surround, theme.surround) >= 4.5);
        }
    }

    /// ISO 3664: the surround is neutral, 10 to 60 % (from memory).
    #[test]
    fn the_surround_is_neutral_and_neither_dark_nor_bright() {
        for theme in [DARK, LIGHT] {
            let c = theme.surround;
            assert!(c.r() == c.g() && c.g() == c.b());
            let light = (f64::from(c.r()) / 255.0).powf(2.2);
            assert!((0.1..=0.6).contains(&light), "{light}");
        }
    }
}
