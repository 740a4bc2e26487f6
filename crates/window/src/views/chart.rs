//! The chart of a sensor: as the picture shows it, or as the eye sees it in the mount.

use eframe::egui::{
    Align2, Color32, FontId, Painter, Pos2, Rect, Sense, Shape, Stroke, StrokeKind, Ui, Vec2, pos2, vec2,
};
use motelight_desk::report::{Mark, placed};
use motelight_frame::SensorPoint;
use motelight_motes::inspect::Inspection;
use motelight_motes::recheck::Status;

use super::pieces::Page;
use crate::look::draw_mark;
use crate::theme::{self, SMALL, Theme};

/// A mote on the chart.
pub struct Dot {
    /// Its number, and a word where there is one.
    pub label: String,
    /// Where it lies, mm.
    pub at: SensorPoint,
    /// Width of its shadow, mm.
    pub width_mm: f64,
    /// Whether it counts: told by the weight of its mark.
    pub heavy: bool,
    /// What became of it.
    pub status: Option<Status>,
}

/// Width and height of the recorded part of the sensor, mm, where it is known.
pub fn sensor_mm(inspection: &Inspection) -> Option<(f64, f64)> {
    let mm = |px: usize| inspection.pitch_um.map(|p| px as f64 * p / 1000.0);
    mm(inspection.size.width).zip(mm(inspection.size.height))
}

/// The motes of an inspection; `only` those numbers, if any are given.
pub fn dots(inspection: &Inspection, only: Option<&[usize]>) -> Vec<Dot> {
    let pitch_mm = inspection.pitch_um.unwrap_or(0.0) / 1000.0;
    let wanted = |i: &usize| only.is_none_or(|o| o.contains(i));
    let motes = inspection.motes.iter().enumerate().filter(|(i, _)| wanted(i));
    let dot = |m: &motelight_motes::inspect::Mote| {
        Some(Dot {
            label: m.number().to_owned(),
            at: m.at_sensor?,
            width_mm: m.shadow_width_px.value * pitch_mm,
            heavy: m.shows_from.is_some(),
            status: None,
        })
    };
    motes.filter_map(|(_, m)| dot(m)).collect()
}

/// Draws a chart as large as there is room for, at most `height` points high.
pub fn chart_ui(page: &Page, ui: &mut Ui, sensor: (f64, f64), dots: &[Dot], mount: bool, height: f32) {
    let width = ui.available_width();
    let height = height.min(0.82 * width);
    let (area, response) = ui.allocate_exact_size(vec2(width, height), Sense::hover());
    let view = if mount { "mount view" } else { "picture view" };
    theme::told(&response, &format!("Chart in {view}: {} motes", dots.len()));
    ui.painter().rect_filled(area, 3.0, page.theme.surround);
    let painter = ui.painter_at(area);
    if mount {
        mount_chart(&painter, page.theme, area, sensor, dots)
    } else {
        picture_chart(&painter, page.theme, area, sensor, dots)
    }
}

fn picture_chart(painter: &Painter, theme: &Theme, area: Rect, sensor: (f64, f64), dots: &[Dot]) {
    let room = area.shrink2(vec2(26.0, 42.0));
    let glass = fitted(room, sensor);
    plain(painter, theme, glass);
    caption(painter, theme, glass.center_top() - vec2(0.0, 31.0), "top of the picture");
    motes(painter, theme, glass, sensor, dots, false);
}

/// The body about it is a sketch, so that nobody wipes the wrong end.
fn mount_chart(painter: &Painter, theme: &Theme, area: Rect, sensor: (f64, f64), dots: &[Dot]) {
    let line = Stroke::new(1.5, theme.on_surround.gamma_multiply(0.75));
    let room = area.shrink2(vec2(16.0, 10.0));
    // The mount's ring about the sensor's corners takes most of the height.
    let ring = (0.46 * room.height()).min(0.33 * room.width());
    let throat = 0.93 * ring;
    let diagonal = sensor.0.hypot(sensor.1);
    let centre = pos2(room.center().x + 0.14 * room.width(), room.bottom() - ring - 0.03 * room.height());
    let scale = 0.9 * 2.0 * throat / diagonal as f32;
    let glass = Rect::from_center_size(centre, vec2(sensor.0 as f32, sensor.1 as f32) * scale);
    let body = Rect::from_min_max(
        pos2((centre.x - ring - 0.62 * ring - 40.0).max(room.left()), centre.y - ring - 0.02 * room.height()),
        pos2((centre.x + ring + 24.0).min(room.right()), room.bottom()),
    );
    painter.rect_stroke(body, 18.0, line, StrokeKind::Inside);
    let top = body.top();
    let hump =
        [vec2(-70.0, 0.0), vec2(-46.0, -20.0), vec2(46.0, -20.0), vec2(70.0, 0.0)].map(|v| pos2(centre.x, top) + v);
    painter.add(Shape::line(hump.to_vec(), line));
    let grip = Rect::from_min_max(body.min, pos2(body.left() + 0.34 * ring, body.bottom()));
    painter.rect_filled(grip, 18.0, theme.on_surround.gamma_multiply(0.14));
    painter.text(grip.center(), Align2::CENTER_CENTER, "grip", FontId::proportional(SMALL), theme.on_surround);
    let release = Rect::from_min_size(pos2(grip.left() + 12.0, top - 9.0), vec2(34.0, 9.0));
    painter.rect_stroke(release, 2.0, line, StrokeKind::Inside);
    painter.circle_stroke(centre, ring, line);
    painter.circle_stroke(centre, throat, Stroke::new(1.0, line.color));
    plain(painter, theme, glass);
    caption(painter, theme, glass.center_top() - vec2(0.0, 32.0), "bottom of the picture");
    caption(painter, theme, glass.center_bottom() + vec2(0.0, 32.0), "top of the picture");
    motes(painter, theme, glass, sensor, dots, true);
}

fn plain(painter: &Painter, theme: &Theme, glass: Rect) {
    let grey = if theme.shade == theme::Shade::Dark { 122 } else { 190 };
    painter.rect_filled(glass, 0.0, Color32::from_gray(grey));
    painter.rect_stroke(glass, 0.0, Stroke::new(1.0, theme.on_surround), StrokeKind::Outside);
}

fn fitted(room: Rect, (width, height): (f64, f64)) -> Rect {
    let size = vec2(width as f32, height as f32);
    let scale = (room.width() / size.x.max(1e-3)).min(room.height() / size.y.max(1e-3));
    Rect::from_center_size(room.center(), size * scale)
}

fn caption(painter: &Painter, theme: &Theme, at: Pos2, words: &str) {
    painter.text(at, Align2::CENTER_CENTER, words, FontId::proportional(SMALL - 1.0), theme.on_surround);
}

/// Where a place of the sensor is seen. In the mount left stays left, top and bottom change places.
fn seen_at(at: SensorPoint, glass: Rect, (width, height): (f64, f64), mount: bool) -> Pos2 {
    let down = if mount { -at.y } else { at.y };
    let share = Vec2::new((at.x / width) as f32, (down / height) as f32);
    glass.center() + share * glass.size()
}

fn motes(painter: &Painter, theme: &Theme, glass: Rect, sensor: (f64, f64), dots: &[Dot], mount: bool) {
    let scale = f64::from(glass.width()) / sensor.0;
    let marks: Vec<Mark> = dots
        .iter()
        .map(|d| {
            let at = seen_at(d.at, glass, sensor, mount);
            Mark { id: d.label.clone(), x: at.x.into(), y: at.y.into(), width: d.width_mm * scale, shows: d.heavy }
        })
        .collect();
    for (mark, dot) in marks.iter().zip(dots) {
        let at = pos2(mark.x as f32, mark.y as f32);
        let radius = (0.5 * mark.width as f32).max(1.6);
        match dot.status {
            // What is gone leaves an empty ring of dashes, what is new stands on a cross, what moved on a line.
            Some(Status::Gone) => {
                painter.circle_stroke(at, radius.max(4.0), Stroke::new(1.0, Color32::from_gray(60)));
            }
            _ => {
                painter.circle_filled(at, radius, Color32::from_gray(40));
            }
        }
    }
    let room = glass.expand(20.0);
    let bounds = [room.left(), room.top(), room.right(), room.bottom()].map(f64::from);
    for (place, mark) in placed(&marks, 1.2, bounds).into_iter().zip(&marks) {
        draw_mark(painter, [theme.on_surround, theme.surround], &place, mark, false);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A picture's top lies on the sensor's lower edge; picture-left stays left (a lens turns the picture by 180 degrees, and
    /// facing the mount mirrors left and right back).
    #[test]
    fn top_and_bottom_change_places_in_the_mount_and_left_stays_left() {
        let glass = Rect::from_min_size(pos2(0.0, 0.0), vec2(360.0, 240.0));
        let upper_left = SensorPoint { x: -9.0, y: -6.0 };
        assert_eq!(seen_at(upper_left, glass, (36.0, 24.0), false), pos2(90.0, 60.0));
        assert_eq!(seen_at(upper_left, glass, (36.0, 24.0), true), pos2(90.0, 180.0));
    }
}
