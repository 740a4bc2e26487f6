//! The ledger as a page: every body's story with its plots.

use maud::{Markup, html};

use super::chart::{self, ChartMote as Drawn, SensorSize};
use super::ledger_text::{number_short, outlook_lines, pass_words, stop};
use super::page::page;
use super::plot::{clear_to_plot, sizes_plot};
use super::words::{number, shown};
use crate::ledger::{Outlook, Spent, Stock, Story};
use motelight_frame::{Micrometres, SensorPoint};

/// All bodies' stories with their outlooks, and the supplies, as one HTML file that needs nothing else.
pub fn ledger_page(stories: &[(Story, Outlook)], stock: &[Stock], spent: &[Spent]) -> String {
    let body = html! {
        header class="facts" { span { b { "The ledger" } } span { (stories.len()) (if stories.len() == 1 { " body" } else { " bodies" }) } }
        @for (story, outlook) in stories { (section(story, outlook, spent)) }
        @if !stock.is_empty() { (supplies(stock)) }
        footer { "Motelight. Odds and intervals rest on what was recorded; they are no promise." }
    };
    page("The ledger", &body)
}

fn section(story: &Story, outlook: &Outlook, spent: &[Spent]) -> Markup {
    let last = story.test_frames.last();
    html! {
        section class="frame" {
            h1 { (shown(&story.body.called())) }
            p class="lead" {
                @match last {
                    Some(f) => { "Clear to " (stop(f.clear_to)) " on " (f.taken.day()) "." }
                    None => { "No test frame yet." }
                }
            }
            @for line in outlook_lines(outlook, spent) { p { (line) } }
            figure {
                (clear_to_plot(&story.test_frames, &story.passes, outlook.f_number))
                figcaption {
                    "Clear to, test frame by test frame; an open dot is limited by what its frame could have shown. \
                     Below the axis: passes, a thin tick for a blow, a wider one for a brush, the widest for a swab."
                }
            }
            @if !story.chart.is_empty() {
                div class="charts" {
                    figure { (sizes_plot(&story.chart, story.body.sensor_mm))
                        figcaption { "Motes of the last chart at least so large. Grey: cleanliness levels 100, 200 and 300 of surfaces (IEST-STD-CC1246D), scaled to the \
                            sensor; their slope is that of cleaned surfaces, an exposed one collects otherwise." } }
                    @if let Some(sensor) = story.body.sensor_mm { figure { (last_chart(story, sensor)) figcaption { b { "Mount view" } " of the last chart." } } }
                }
            }
            @if !story.stayed.is_empty() {
                h2 { "Stayed through passes" }
                ul { @for m in &story.stayed { li {
                    "No. " (m.mote + 1) @if let Some(um) = m.chart.um { ", " (number(um)) " µm" }
                    ": " (m.passes) (if m.passes == 1 { " pass, " } else { " passes, " }) (m.wet_passes) " wet, since " (m.since.day())
                    @if m.wet_passes >= 3 { b { ". Likely under the glass or damage: a workshop’s job" } } "."
                } } }
            }
            @if !story.passes.is_empty() {
                h2 { "Passes" }
                ul { @for p in &story.passes { li { (p.made.day()) ": " (pass_words(p)) } } }
            }
        }
    }
}

fn last_chart(story: &Story, (width_mm, height_mm): (f64, f64)) -> Markup {
    let one = |(i, m): (usize, &crate::ledger::ChartMote)| {
        Some(Drawn {
            id: (i + 1).to_string(),
            at: SensorPoint { x: m.x_mm?, y: m.y_mm? },
            shadow: Micrometres(m.um.unwrap_or(10.0)),
            shows: m.from.is_some(),
        })
    };
    let motes: Vec<Drawn> = story.chart.iter().enumerate().filter_map(one).collect();
    chart::mount_view(SensorSize { width_mm, height_mm }, &motes)
}

fn supplies(stock: &[Stock]) -> Markup {
    html! {
        section {
            h2 { "Supplies" }
            table {
                thead { tr { th { "supply" } th class="n" { "stock" } th { "unit" } th class="n" { "each" } th {} } }
                tbody { @for s in stock { tr {
                    td { (shown(&s.name)) }
                    td class="n" { (number_short(s.stock)) }
                    td { (shown(&s.unit)) }
                    td class="n" { @if let Some(c) = s.unit_cost { (format!("{c:.2} ")) (shown(s.currency.as_deref().unwrap_or(""))) } }
                    td { @if s.low.is_some_and(|low| s.stock < low) || s.stock <= 0.0 { "low" } }
                } } }
            }
        }
    }
}
