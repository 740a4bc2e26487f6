//! The page of a traced shoot: chart, when each mote came, and the pictures that need work.

use maud::{Markup, html};
use motelight_frame::{FrameError, Micrometres, Reduced, SensorPoint};

use super::chart::{self, ChartMote, SensorSize};
use super::page::page;
use super::trace_contact::{Contact, contact_sheet};
use super::trace_text::TraceSheet;
use super::trace_timeline::timeline;
use super::words::{plus_minus, shown};

/// One body's part of the page.
#[derive(Debug)]
pub struct TracePart<'a> {
    /// What was found, with the names of the pictures.
    pub sheet: TraceSheet<'a>,
    /// Small copies of pictures that need work, the worst first.
    pub contacts: Vec<Contact>,
}

/// Most pictures on a contact sheet.
pub const MOST_CONTACTS: usize = 60;

impl<'a> TracePart<'a> {
    /// A part; `read` gives the picture of a number as it is read on cells, `None` where it cannot be read again.
    pub fn new(sheet: TraceSheet<'a>, read: impl Fn(usize) -> Option<Reduced>) -> TracePart<'a> {
        let worst = sheet.to_mend();
        let contacts = worst.iter().take(MOST_CONTACTS).filter_map(|(k, _)| Contact::of(*k, &read(*k)?)).collect();
        TracePart { sheet, contacts }
    }
}

/// The report of a shoot as one HTML file that needs nothing else.
pub fn trace_page(parts: &[TracePart], left_out: &[(String, String)], errors: &[FrameError]) -> String {
    let title = match parts {
        [one] => format!("{} · {}", one.sheet.body(), one.sheet.headline()),
        many => format!("{} bodies traced", many.len()),
    };
    let body = html! {
        @for part in parts { (section(part)) }
        @if !left_out.is_empty() || !errors.is_empty() {
            section {
                h2 { "Not used" }
                @for (path, reason) in left_out { p { b { (shown(path)) } ": " (reason) "." } }
                @for e in errors { p { b { (shown(&e.path.to_string_lossy())) } ": " (shown(&e.message)) " " (shown(&e.remedy)) } }
            }
        }
        footer { "Motelight. Originals are read, never written." }
    };
    page(&title, &body)
}

fn section(part: &TracePart) -> Markup {
    let (sheet, traced) = (&part.sheet, part.sheet.traced);
    let viewings: Vec<String> = traced.viewings.iter().map(ToString::to_string).collect();
    html! {
        section class="frame" {
            (facts(sheet))
            h1 { (sheet.headline()) }
            p class="lead" { (lead(sheet)) }
            p class="seen-as" {
                "Judged for " (viewings.join("; and for ")) ". A shadow counts where the picture around it is plain enough to show it."
            }
            @if !traced.motes.is_empty() {
                (charts(sheet))
                (timeline(sheet))
                (contact_sheet(sheet, &part.contacts))
                (table(sheet))
            }
            (method(sheet))
        }
    }
}

fn facts(sheet: &TraceSheet) -> Markup {
    let pictures = &sheet.traced.pictures;
    let mut lenses: Vec<String> = Vec::new();
    for lens in pictures.iter().filter_map(|p| p.lens.as_ref()) {
        if !lenses.contains(&lens.model) {
            lenses.push(lens.model.clone());
        }
    }
    let day = |p: Option<&motelight_motes::trace::TracedPicture>| {
        p.and_then(|p| p.taken.as_deref()).map(|t| shown(&t.chars().take(16).collect::<String>()).replacen('T', " ", 1))
    };
    let span = match (day(pictures.first()), day(pictures.last())) {
        (Some(a), Some(b)) if a != b => format!("{a} to {b}"),
        (Some(a), _) | (None, Some(a)) => a,
        _ => "time not told".to_owned(),
    };
    html! {
        header class="facts" {
            span { b { (sheet.body()) } }
            span { (pictures.len()) " pictures · " (shown(&lenses.join(", "))) }
            span { (span) }
        }
    }
}

fn lead(sheet: &TraceSheet) -> String {
    let arrived: Vec<_> = sheet.traced.motes.iter().filter(|m| m.arrival.after.is_some()).collect();
    let showing = arrived.iter().filter(|m| sheet.shows_in(&m.id) > 0).count();
    match (sheet.traced.motes.len(), arrived.len()) {
        (0, _) => "Nothing stays at one place of the sensor while the scenes change.".to_owned(),
        (_, 0) => "All of it was there when the shoot began.".to_owned(),
        (n, a) => format!("{} of {n} motes came on the way, {showing} of those show.", a),
    }
}

fn charts(sheet: &TraceSheet) -> Markup {
    let traced = sheet.traced;
    let Some((width_mm, height_mm)) = traced.sensor_mm else { return html! {} };
    let sensor = SensorSize { width_mm, height_mm };
    let largest = traced.pictures.iter().map(|p| p.f_number.exact()).fold(1.0, f64::max);
    let pupil_um = traced.stand_off_mm.value * 1000.0 / largest;
    let motes: Vec<ChartMote> = traced
        .motes
        .iter()
        .map(|m| ChartMote {
            id: m.id.clone(),
            at: SensorPoint { x: m.at_mm.0, y: m.at_mm.1 },
            shadow: Micrometres(pupil_um.max(m.equivalent_diameter_um.value)),
            shows: sheet.shows_in(&m.id) > 0,
        })
        .collect();
    let shown = "As a picture in landscape format shows it. Bold: shows in a picture.";
    chart::both_views(sensor, &motes, shown, "shadows as at the smallest aperture")
}

fn table(sheet: &TraceSheet) -> Markup {
    let traced = sheet.traced;
    let to_scale = traced.sensor_mm.is_some();
    let scaled = |text: String| if to_scale { text } else { "?".to_owned() };
    html! {
        section {
            h2 { "All motes" }
            div class="scroll" {
                table {
                    thead {
                        tr {
                            th { "mote" }
                            th class="n" { "across" span class="unit" { "µm" } }
                            th class="n" { "right" span class="unit" { "mm" } }
                            th class="n" { "down" span class="unit" { "mm" } }
                            th class="n" { "shows from" }
                            th class="n" { "shows in" span class="unit" { "pictures" } }
                            th class="n" { "certain" span class="unit" { "%" } }
                            th { "since" }
                        }
                    }
                    tbody {
                        @for m in &traced.motes {
                            @let n = sheet.shows_in(&m.id);
                            tr class=[(n > 0).then_some("shows")] {
                                td { (m.id) }
                                td class="n" { (scaled(plus_minus(m.equivalent_diameter_um))) }
                                td class="n" { (scaled(format!("{:.2}", m.at_mm.0))) }
                                td class="n" { (scaled(format!("{:.2}", m.at_mm.1))) }
                                td class="n" { (m.shows_from.map_or_else(|| "–".to_owned(), |n| n.to_string())) }
                                td class="n" { (n) }
                                td class="n" { (format!("{:.1}", 100.0 * m.probability.min(0.999))) }
                                td { (sheet.arrival(m)) @if let Some(gone) = sheet.departure(m) { "; " (gone) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn method(sheet: &TraceSheet) -> Markup {
    let traced = sheet.traced;
    let source = if traced.stand_off_measured {
        "measured from the shadows themselves"
    } else {
        "assumed: these pictures do not tell it"
    };
    html! {
        section class="method" {
            h2 { "How this was found" }
            p {
                "No test frame was used. Each picture was asked, place by place, whether it is darker there than around, in units of how \
                 much that varies nearby; the answers were added up over all pictures in the order they were taken, none of them counting for \
                 much alone. What stays in place while scenes change, and grows with the f-number as shadows do, is a mote. Pictures of the same \
                 view count as one."
            }
            ul {
                li { "Height of the glass: " (plus_minus(traced.stand_off_mm)) " mm, " (source) "." }
                li { "False motes to expect among these: " (format!("{:.2}", traced.false_motes)) "." }
                li { "A mote came between the two pictures named with at least 95 % probability." }
                @if let Some(lens) = &traced.reference_lens {
                    li { "Places are those of the shadows through " (shown(&lens.model)) "; another lens moves them a little." }
                }
                @for note in &traced.notes { li { (note) } }
            }
        }
    }
}
