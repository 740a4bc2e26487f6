//! Plots of the ledger as SVG: greys only, labels on the lines themselves.

use maud::{Markup, html};

use super::ledger_text::number_short;
use super::marks::short;
use crate::ledger::{ChartMote, FrameRow, Moment, PassRow};

const WIDTH: f64 = 1000.0;
const HEIGHT: f64 = 330.0;
const LEFT: f64 = 62.0;
const RIGHT: f64 = 110.0;
/// The plot of sizes stands in half a column, where letters of the same size need a smaller drawing.
const SIZES_WIDTH: f64 = 470.0;
const SIZES_RIGHT: f64 = 16.0;
const TOP: f64 = 16.0;
const BOTTOM: f64 = 62.0;
/// Full stops of the axis (ISO 517 markings).
const STOPS: [f64; 11] = [1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0];

/// `clear to` over time, the passes on the same axis, what is booked as a line.
pub fn clear_to_plot(frames: &[FrameRow], passes: &[PassRow], booked: f64) -> Markup {
    let moments = || frames.iter().map(|f| &f.taken).chain(passes.iter().map(|p| &p.made));
    let (Some(first), Some(last)) = (moments().min(), moments().max()) else { return html! {} };
    let span = last.days_since(first).max(1.0);
    let x = |m: &Moment| LEFT + 10.0 + m.days_since(first) / span * (WIDTH - LEFT - RIGHT - 20.0);
    let place = |n: f64| 2.0 * n.max(1.0).log2() / 10.0;
    let y = |n: f64| TOP + (1.0 - place(n)) * (HEIGHT - TOP - BOTTOM);
    // A rating holds until something is known to have changed: steps, not slopes.
    let mut line = String::new();
    for (i, f) in frames.iter().enumerate() {
        let (at, level) = (short(x(&f.taken)), short(y(f.clear_to.unwrap_or(1.0))));
        line += &if i == 0 { format!("M{at} {level}") } else { format!("H{at}V{level}") };
    }
    let base = HEIGHT - BOTTOM;
    html! {
        svg class="plot" viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img" aria-label="Clear to over time, with the passes" {
            @for n in STOPS {
                path class="grid" d=(format!("M{LEFT} {}H{}", short(y(n)), WIDTH - RIGHT)) {}
                text class="axis end" x=(LEFT - 8.0) y=(short(y(n) + 4.0)) { "f/" (number_short(n)) }
            }
            path class="booked" d=(format!("M{LEFT} {}H{}", short(y(booked)), WIDTH - RIGHT)) {}
            text class="axis" x=(WIDTH - RIGHT + 8.0) y=(short(y(booked) + 4.0)) { "booked f/" (number_short(booked)) }
            path class="line" d=(line) {}
            @for f in frames {
                circle class=(if f.limited_by.as_deref() == Some("floor") { "dot open" } else { "dot" })
                    cx=(short(x(&f.taken))) cy=(short(y(f.clear_to.unwrap_or(1.0)))) r="4" {
                    title { (f.taken.day()) ", " (super::ledger_text::stop(f.clear_to)) }
                }
            }
            @for p in passes {
                path class=(format!("pass {}", p.kind)) d=(format!("M{} {}v16", short(x(&p.made)), base + 4.0)) {}
                text class="axis mid" x=(short(x(&p.made))) y=(short(base + 32.0)) { (p.kind.chars().next().unwrap_or(' ')) title { (p.kind) ", " (p.made.day()) } }
            }
            text class="axis" x=(LEFT) y=(HEIGHT - 8.0) { (first.day()) }
            text class="axis end" x=(WIDTH - RIGHT) y=(HEIGHT - 8.0) { (last.day()) }
        }
    }
}

/// Levels of IEST-STD-CC1246D drawn for reference.
const LEVELS: [f64; 3] = [100.0, 200.0, 300.0];

/// Particles of at least `um` on a surface of that cleanliness level, per 0.1 m²:
/// log10 n = 0.926 (log10² L - log10² x) (MIL-STD-1246C / IEST-STD-CC1246D, as given by Borson 2005).
pub fn cleanliness_count(level: f64, um: f64) -> f64 {
    10f64.powf(0.926 * (level.log10().powi(2) - um.log10().powi(2)))
}

/// How many motes are at least so large, against cleanliness levels scaled to the sensor.
pub fn sizes_plot(chart: &[ChartMote], sensor_mm: Option<(f64, f64)>) -> Markup {
    let mut sizes: Vec<f64> = chart.iter().filter_map(|m| m.um).collect();
    sizes.sort_by(|a, b| b.total_cmp(a));
    if sizes.is_empty() {
        return html! {};
    }
    let (low, high) = (5.0f64, 200.0f64);
    let most = (sizes.len() as f64 * 1.5).max(10.0);
    let x = |um: f64| LEFT + (um / low).ln() / (high / low).ln() * (SIZES_WIDTH - LEFT - SIZES_RIGHT);
    let y = |n: f64| TOP + (1.0 - (n.max(0.5) / 0.5).ln() / (most / 0.5).ln()) * (HEIGHT - TOP - BOTTOM);
    let steps: String = sizes
        .iter()
        .enumerate()
        .map(|(i, um)| {
            let at = short(x(um.clamp(low, high)));
            let (from, to) = (short(y(i as f64)), short(y(i as f64 + 1.0)));
            if i == 0 { format!("M{at} {}V{to}", short(HEIGHT - BOTTOM)) } else { format!("H{at}M{at} {from}V{to}") }
        })
        .collect();
    let share = sensor_mm.map(|(w, h)| w * h / 1e5);
    html! {
        svg class="plot" viewBox=(format!("0 0 {SIZES_WIDTH} {HEIGHT}")) role="img" aria-label="Count of motes by size" {
            @for um in [5.0, 10.0, 20.0, 50.0, 100.0, 200.0] {
                path class="grid" d=(format!("M{} {TOP}V{}", short(x(um)), HEIGHT - BOTTOM)) {}
                text class="axis mid" x=(short(x(um))) y=(HEIGHT - BOTTOM + 22.0) { (um) }
            }
            @for n in [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0] { @if n < most {
                path class="grid" d=(format!("M{LEFT} {}H{}", short(y(n)), SIZES_WIDTH - SIZES_RIGHT)) {}
                text class="axis end" x=(LEFT - 8.0) y=(short(y(n) + 4.0)) { (n) }
            } }
            @if let Some(share) = share { @for level in LEVELS {
                @let points: Vec<(f64, f64)> = (0..=40).map(|i| low * (high / low).powf(f64::from(i) / 40.0))
                    .map(|um| (um, share * cleanliness_count(level, um))).filter(|p| p.1 >= 0.5 && p.1 <= most).collect();
                @if let Some(end) = points.last() {
                    path class="level" d=(points.iter().enumerate().map(|(i, p)| format!("{}{} {}", if i == 0 { "M" } else { "L" }, short(x(p.0)), short(y(p.1)))).collect::<String>()) {}
                    text class="axis" x=(short(x(end.0) + 3.0)) y=(short(y(end.1) - 6.0)) { (level) }
                }
            } }
            path class="line" d=(steps) {}
            text class="axis mid" x=(short(0.5 * (LEFT + SIZES_WIDTH - SIZES_RIGHT))) y=(HEIGHT - 8.0) { "at least so many µm across" }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Table of MIL-STD-1246C / IEST-STD-CC1246D (counts per 0.1 m², as published by Borson 2005 and in the standard's table).
    #[test]
    fn counts_by_size_are_those_of_the_cleanliness_table() {
        let table = [
            (100.0, 5.0, 1785.0),
            (100.0, 15.0, 265.0),
            (100.0, 25.0, 78.4),
            (100.0, 50.0, 10.7),
            (200.0, 25.0, 1240.0),
            (200.0, 100.0, 15.8),
            (300.0, 25.0, 7455.0),
            (300.0, 100.0, 95.1),
            (500.0, 250.0, 26.4),
            (50.0, 15.0, 24.7),
        ];
        for (level, um, count) in table {
            let got = cleanliness_count(level, um);
            assert!((got / count - 1.0).abs() < 0.006, "level {level}, {um} µm: {got} against {count}");
        }
        assert!((cleanliness_count(200.0, 200.0) - 1.0).abs() < 1e-9);
    }
}
