//! The step card: one page for the bench, on paper or on a phone.

use maud::{Markup, html};
use motelight_frame::{Micrometres, SensorPoint};
use motelight_motes::advise::{Action, Advice};
use motelight_motes::inspect::Inspection;

use super::advice::{headline, keep_off};
use super::chart::{ChartMote, SensorSize, mount_view};
use super::page::card_page;
use super::words::{number, shown};

/// Places that stand in the list; the drawing has all.
const LISTED: usize = 8;

/// The card for one body and one advice, as one HTML file that needs nothing else.
pub fn step_card(inspection: &Inspection, advice: &Advice) -> String {
    let body = inspection.body.as_ref().map_or_else(
        || "Body not known".to_owned(),
        |b| b.serial.as_ref().map_or_else(|| shown(&b.model), |s| format!("{} no. {}", shown(&b.model), shown(s))),
    );
    let clear = inspection
        .clear_to
        .and_then(|c| c.f_number)
        .map_or_else(|| "clear at no aperture".to_owned(), |n| format!("clear to {n}"));
    let touched = matches!(advice.action, Action::Blow | Action::Brush | Action::Swab);
    let body = html! {
        header class="facts" {
            span { b { (body) } }
            span { (clear) "; wanted: " (advice.wanted) @if !advice.wanted_told { " (assumed)" } }
        }
        div class="card" {
            h1 { (headline(advice.action)) }
            p class="lead" { (advice.reason) }
            @if touched { div class="sizes" { (sizes(advice)) } }
            div class="bench" {
                ol { @for step in &advice.steps { li { (step) } } }
                @if let Some(drawing) = drawing(inspection, advice) { figure { (drawing) (places(inspection, advice)) } }
            }
            p class="stop" { b { "When to stop. " } (advice.stop) }
            p { b { "Risk. " } (advice.risk) }
            @if let Some(words) = keep_off(advice, inspection) { p { b { "Keep off. " } (words) } }
            @if !advice.cautions.is_empty() {
                h2 { "Have in mind" }
                ul { @for caution in &advice.cautions { li { (caution) } } }
            }
        }
        footer { "Common practice, no promise: the camera’s manual comes first." }
    };
    card_page("Step card", &body)
}

/// Swab, drops, strokes, large.
fn sizes(advice: &Advice) -> Markup {
    let mut told = Vec::new();
    if let Some(swab) = &advice.swab {
        told.push(("swab", swab.words()));
    }
    if let Some(drops) = advice.drops {
        told.push(("fluid", format!("{drops} drops")));
    }
    if let Some(strokes) = advice.strokes {
        let words = if strokes == 1 {
            "1 light stroke".to_owned()
        } else {
            format!("{strokes}: one there, turn over, one back")
        };
        told.push(("strokes", words));
    }
    html! { @for (what, how) in told { span { small { (what) } br; (how) } } }
}

/// The motes to aim at, in the mount, with the body about it.
fn drawing(inspection: &Inspection, advice: &Advice) -> Option<Markup> {
    let pitch = inspection.pitch_um?;
    if advice.aims.is_empty() {
        return None;
    }
    let mm = |px: usize| px as f64 * pitch / 1000.0;
    let sensor = SensorSize { width_mm: mm(inspection.size.width), height_mm: mm(inspection.size.height) };
    let motes: Vec<ChartMote> = advice
        .aims
        .iter()
        .filter_map(|a| inspection.motes.get(a.number))
        .filter_map(|m| {
            let SensorPoint { x, y } = m.at_sensor?;
            Some(ChartMote {
                id: m.number().to_owned(),
                at: SensorPoint { x, y },
                shadow: Micrometres(m.shadow_width_px.value * pitch),
                shows: true,
            })
        })
        .collect();
    Some(mount_view(sensor, &motes))
}

fn places(inspection: &Inspection, advice: &Advice) -> Markup {
    html! {
        figcaption { "Looking into the mount, body upright. The body is a sketch: mind top plate and grip." }
        table {
            thead { tr { th { "no." } th { "clock" } th { "from the nearest edge" } } }
            tbody { @for a in advice.aims.iter().take(LISTED) { tr {
                td { b { (inspection.motes.get(a.number).map_or("?", |m| m.number())) } }
                td { (a.clock) " o’clock" }
                td { (number(a.from_edge_mm)) " mm, " (a.side.words()) }
            } } }
        }
        @if advice.aims.len() > LISTED { p class="more" { "and " (advice.aims.len() - LISTED) " more in the drawing" } }
    }
}
