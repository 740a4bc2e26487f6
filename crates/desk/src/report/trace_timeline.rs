//! When each mote came: one line per mote over the pictures of the shoot, with the changes of lens.

use maud::{Markup, html};

use super::marks::short;
use super::trace_text::TraceSheet;
use super::words::shown;

/// Drawing units.
const WIDTH: f64 = 1000.0;
const LEFT: f64 = 70.0;
const ROW: f64 = 22.0;
const TOP: f64 = 54.0;

/// The timeline of all motes that show in a picture or came on the way.
pub fn timeline(sheet: &TraceSheet) -> Markup {
    let traced = sheet.traced;
    let count = traced.pictures.len();
    let mut motes: Vec<_> =
        traced.motes.iter().filter(|m| sheet.shows_in(&m.id) > 0 || m.arrival.after.is_some()).collect();
    motes.sort_by_key(|m| (m.arrival.before, m.arrival.after));
    if motes.is_empty() || count < 2 {
        return html! {};
    }
    let step = (WIDTH - LEFT - 10.0) / count as f64;
    let x = |k: usize| LEFT + k as f64 * step;
    let height = TOP + ROW * motes.len() as f64 + 46.0;
    let lens = |k: usize| traced.pictures[k].lens.as_ref().map(|l| l.model.clone());
    let changes: Vec<usize> = (1..count).filter(|&k| lens(k) != lens(k - 1)).collect();
    let every = (count / 12).max(1);
    let title = "When each mote came";
    html! {
        section {
            h2 { (title) }
            figure {
                svg class="timeline" role="img" aria-label=(title) viewBox=(format!("0 0 {WIDTH} {}", short(height))) {
                    title { (title) }
                    @for (i, k) in std::iter::once(&0).chain(&changes).enumerate() {
                        @let end = changes.get(i).copied().unwrap_or(count);
                        @if *k > 0 { path class="change" d=(format!("M{} 30V{}", short(x(*k)), short(height - 40.0))) {} }
                        // A name that has no room is left out: the caption tells what the lines are.
                        @let name = lens(*k).map(|l| shown(&l)).unwrap_or_default();
                        @if name.chars().count() as f64 * 6.2 < (end - k) as f64 * step { text class="lens" x=(short(x(*k) + 4.0)) y="24" { (name) } }
                    }
                    @for (row, m) in motes.iter().enumerate() {
                        @let y = TOP + ROW * (row as f64 + 0.5);
                        @let end = m.departure.and_then(|d| d.before).unwrap_or(count);
                        @let from = m.arrival.before.unwrap_or(0);
                        @let unsure = m.arrival.after.map_or(0, |a| a + 1);
                        text class="mote" x=(short(LEFT - 10.0)) y=(short(y + 4.0)) { (m.id) }
                        @if unsure < from { path class="unsure" d=(format!("M{} {}H{}", short(x(unsure)), short(y), short(x(from)))) {} }
                        path class="there" d=(format!("M{} {}H{}", short(x(from)), short(y), short(x(end)))) {}
                        @if m.arrival.after.is_some() {
                            path class="came" d=(format!("M{} {}v12", short(x(from)), short(y - 6.0))) {}
                        }
                        @for (k, p) in traced.pictures.iter().enumerate() {
                            @if p.motes.iter().any(|s| s.id == m.id && s.shows) {
                                circle class="shows" cx=(short(x(k) + step / 2.0)) cy=(short(y)) r=(short((step / 2.6).clamp(1.5, 5.0))) {}
                            }
                        }
                    }
                    @for k in (0..count).step_by(every) {
                        text class="number" x=(short(x(k) + step / 2.0)) y=(short(height - 18.0)) { (k + 1) }
                    }
                }
                figcaption {
                    "One line per mote over the pictures in the order they were taken. Upright stroke: it came here; broken line before it: \
                     it may have come as early as this (95 %). Dots: it shows in the picture. Dashed lines across: the lens was changed."
                }
            }
        }
    }
}
