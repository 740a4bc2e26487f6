//! When each mote came: one line per mote over the pictures of the shoot.

use eframe::egui::{Align2, FontId, Pos2, Rect, Sense, Shape, Stroke, Ui, pos2, vec2};
use motelight_desk::report::{TraceSheet, shown};
use motelight_motes::trace::TracedMote;

use super::pieces::Page;
use crate::theme::{self, SMALL};

const ROW: f32 = 24.0;
const TOP: f32 = 34.0;
const LEFT: f32 = 64.0;
/// Most lines; those that show in most pictures come first.
const LINES: usize = 24;

/// The motes that show in a picture or came on the way.
pub fn timeline_ui(page: &Page, ui: &mut Ui, sheet: &TraceSheet) {
    let traced = sheet.traced;
    let count = traced.pictures.len();
    let shows_in =
        |m: &TracedMote| traced.pictures.iter().filter(|p| p.motes.iter().any(|s| s.id == m.id && s.shows)).count();
    let mut motes: Vec<(&TracedMote, usize)> =
        traced.motes.iter().map(|m| (m, shows_in(m))).filter(|(m, n)| *n > 0 || m.arrival.after.is_some()).collect();
    if motes.is_empty() || count < 2 {
        return;
    }
    motes.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let left_out = motes.len().saturating_sub(LINES);
    motes.truncate(LINES);
    motes.sort_by_key(|(m, _)| (m.arrival.before, m.arrival.after));
    let size = vec2(ui.available_width() - 4.0, TOP + ROW * motes.len() as f32 + 34.0);
    let (area, response) = ui.allocate_exact_size(size, Sense::hover());
    theme::told(&response, &format!("When each mote came: {} motes over {count} pictures", motes.len()));
    let theme = page.theme;
    let painter = ui.painter_at(area);
    painter.rect_filled(area, 3.0, theme.panel);
    let step = (area.width() - LEFT - 14.0) / count as f32;
    let x = |k: usize| area.left() + LEFT + k as f32 * step;
    let words = |at: Pos2, align, text: String| painter.text(at, align, text, FontId::proportional(SMALL), theme.quiet);
    let lens = |k: usize| traced.pictures[k].lens.as_ref().map(|l| l.model.clone());
    let changes: Vec<usize> = (1..count).filter(|&k| lens(k) != lens(k - 1)).collect();
    let line = Stroke::new(2.0, theme.ink);
    for (i, &k) in std::iter::once(&0).chain(&changes).enumerate() {
        let end = changes.get(i).copied().unwrap_or(count);
        if k > 0 {
            let across = [pos2(x(k), area.top() + 8.0), pos2(x(k), area.bottom() - 30.0)];
            painter.extend(Shape::dashed_line(&across, Stroke::new(1.0, theme.line), 5.0, 4.0));
        }
        // A name that has no room is left out: the line below says what the dashes are.
        let name = lens(k).map(|l| shown(&l)).unwrap_or_default();
        if name.chars().count() as f32 * 7.4 < (end - k) as f32 * step {
            words(pos2(x(k) + 5.0, area.top() + 17.0), Align2::LEFT_CENTER, name);
        }
    }
    for (row, (m, _)) in motes.iter().enumerate() {
        let y = area.top() + TOP + ROW * (row as f32 + 0.5);
        let end = m.departure.and_then(|d| d.before).unwrap_or(count);
        let from = m.arrival.before.unwrap_or(0);
        let unsure = m.arrival.after.map_or(0, |a| a + 1);
        words(pos2(area.left() + LEFT - 12.0, y), Align2::RIGHT_CENTER, m.id.clone());
        if unsure < from {
            let early = [pos2(x(unsure), y), pos2(x(from), y)];
            painter.extend(Shape::dashed_line(&early, line, 4.0, 4.0));
        }
        painter.line_segment([pos2(x(from), y), pos2(x(end), y)], line);
        if m.arrival.after.is_some() {
            painter.rect_filled(Rect::from_center_size(pos2(x(from), y), vec2(3.0, 15.0)), 0.0, theme.ink);
        }
        for (k, p) in traced.pictures.iter().enumerate() {
            if p.motes.iter().any(|s| s.id == m.id && s.shows) {
                painter.circle_filled(pos2(x(k) + 0.5 * step, y), (0.38 * step).clamp(2.0, 6.0), theme.accent);
            }
        }
    }
    for k in (0..count).step_by((count / 12).max(1)) {
        words(pos2(x(k) + 0.5 * step, area.bottom() - 15.0), Align2::CENTER_CENTER, (k + 1).to_string());
    }
    let mut legend = "One line per mote over the pictures in the order they were taken. Upright stroke: it came here; broken \
                      line before it: it may have come as early as this (95 %). Dots: it shows in the picture. Dashes across: \
                      the lens was changed."
        .to_owned();
    if left_out > 0 {
        legend.push_str(&format!(" {left_out} motes that show in the fewest pictures are left out."));
    }
    theme::quiet(ui, theme, &legend);
}
