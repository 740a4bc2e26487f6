//! The report of an inspection.

use maud::{Markup, html};
use motelight_frame::{Frame, FrameError, Micrometres, Pixels, Rect};
use motelight_motes::Estimate;
use motelight_motes::inspect::fitness::Verdict;
use motelight_motes::inspect::stand_off::StandOffSource;
use motelight_motes::inspect::{Inspection, Mote};
use motelight_motes::visibility::UNCERTAINTY_DB;

use super::chart::{self, ChartMote, SensorSize};
use super::marks::{self, Mark};
use super::page::{cautions, page};
use super::pictures::{Tile, cut_out, overview, strength_for};
use super::verdict::{kind, remarks, verdict};
use super::words::{number, place, plus_minus, sentence, shown};

/// One inspected file.
pub struct Sheet<'a> {
    /// The file's name as the reader should see it; shown as text only.
    pub name: &'a str,
    /// What was found.
    pub inspection: &'a Inspection,
    /// Its pictures; without them the report has none.
    pub pictures: Option<Pictures>,
}

/// What a report shows of a frame itself. Small, so that many frames can be reported on one after another.
#[derive(Debug, Clone, PartialEq)]
pub struct Pictures {
    taken: Option<String>,
    overview: Option<Tile>,
    /// By place in the list of motes, with the strength they are drawn at.
    cut_outs: Vec<(usize, Tile, f64)>,
}

/// Motes cut out large, at most.
const CUT_OUTS: usize = 8;
/// Side of a cut-out in shadow widths.
const CUT_OUT_WIDTHS: f64 = 3.5;
/// Width of the raking view on the page, screen pixels.
const RAKING_WIDTH: f64 = 690.0;

impl Pictures {
    /// The raking view of a frame and the cut-outs of its worst motes.
    pub fn of(frame: &Frame, inspection: &Inspection) -> Pictures {
        let cut = |(i, mote): (usize, &Mote)| {
            let radius = Pixels((0.5 * CUT_OUT_WIDTHS * mote.shadow_width_px.value).clamp(16.0, 400.0));
            let window = Rect::around(mote.at_picture, radius, frame.size())?;
            let strength = strength_for(mote.depth.value);
            Some((i, cut_out(frame, window, strength)?, strength))
        };
        Pictures {
            taken: frame.shot.taken.clone(),
            overview: overview(frame),
            cut_outs: inspection.motes.iter().take(CUT_OUTS).enumerate().filter_map(cut).collect(),
        }
    }
}

/// The report as one HTML file that needs nothing else. `failed`: files that could not be read.
pub fn inspection_page(sheets: &[Sheet<'_>], failed: &[FrameError]) -> String {
    let title = match sheets {
        [one] => format!("{} · {}", shown(one.name), verdict(one.inspection).headline),
        many => format!("{} test frames", many.len()),
    };
    let body = html! {
        @for sheet in sheets { (section(sheet)) }
        @if !failed.is_empty() {
            section class="frame" {
                h2 { "Not read" }
                @for error in failed {
                    p { b { (shown(&error.path.to_string_lossy())) } ": " (shown(&error.message)) " " (shown(&error.remedy)) }
                }
            }
        }
        footer { "Motelight. Originals are read, never written." }
    };
    page(&title, &body)
}

/// From which stop on a mote shows; `never` if up to f/32 it does not, `unknown` where the optics are not known.
pub(super) fn shows_from(mote: &Mote, inspection: &Inspection, never: &str, unknown: &str) -> String {
    let known = inspection.pitch_um.is_some() && inspection.f_number.is_some();
    mote.shows_from.map_or_else(|| (if known { never } else { unknown }).to_owned(), |n| n.to_string())
}

/// A fraction as per cent.
pub(super) fn percent(fraction: Estimate) -> Estimate {
    Estimate::new(100.0 * fraction.value, 100.0 * fraction.sigma)
}

fn section(sheet: &Sheet<'_>) -> Markup {
    let inspection = sheet.inspection;
    let told = verdict(inspection);
    let judged = inspection.fitness.verdict != Verdict::Unfit;
    let pictures = sheet.pictures.as_ref();
    html! {
        section class="frame" {
            (facts(sheet))
            h1 { (told.headline) }
            p class="lead" { (told.lead) }
            @if judged { (seen_as(inspection)) }
            @if inspection.fitness.verdict == Verdict::UsableWithCare { (findings(inspection)) }
            div class="answer" {
                @if let Some(tile) = pictures.and_then(|p| p.overview.as_ref()) { (raking_view(inspection, tile)) }
                div class="next" {
                    h2 { (if judged { "What to do" } else { "For the next test frame" }) }
                    ol { @for step in &told.next { li { (step) } } }
                }
            }
            @if judged && inspection.motes.iter().any(|m| m.shows_from.is_some()) { (cautions()) }
            @if !inspection.motes.is_empty() {
                (charts(inspection))
                @if let Some(pictures) = pictures { (cut_outs(inspection, pictures)) }
                (table(inspection))
            }
            (method(inspection))
        }
    }
}

fn facts(sheet: &Sheet<'_>) -> Markup {
    let inspection = sheet.inspection;
    let body = inspection.body.as_ref().map(|b| {
        let serial = b.serial.as_ref().map_or_else(String::new, |s| format!(", no. {}", shown(s)));
        format!("{}{serial}", shown(&b.kind()))
    });
    let taken = sheet.pictures.as_ref().and_then(|p| p.taken.as_deref());
    let exposure = [
        inspection.f_number.map(|n| n.to_string()),
        inspection.iso.map(|iso| format!("ISO {iso:.0}")),
        taken.map(|t| shown(t).replacen('T', " ", 1)),
    ];
    html! {
        header class="facts" {
            span { "Test frame " b { (shown(sheet.name)) } }
            span { (body.unwrap_or_else(|| "body not known".to_owned())) }
            span { (exposure.into_iter().flatten().collect::<Vec<_>>().join(" · ")) }
        }
    }
}

fn seen_as(inspection: &Inspection) -> Markup {
    let viewings: Vec<String> = inspection.viewings.iter().map(ToString::to_string).collect();
    html! {
        p class="seen-as" {
            "Judged for " (viewings.join("; and for ")) ". The eye goes over the picture and is not told where to look; the shadow \
             lies in a plain bright part, such as a sky."
        }
    }
}

fn findings(inspection: &Inspection) -> Markup {
    html! {
        div class="fitness" {
            p { b { "Usable with care." } }
            @for finding in &inspection.fitness.findings { p { (finding.message) " " (finding.remedy) } }
        }
    }
}

fn raking_view(inspection: &Inspection, tile: &Tile) -> Markup {
    let (w, h) = (tile.size.width as f64, tile.size.height as f64);
    let by = tile.reduced_by as f64;
    let marks: Vec<Mark> = inspection
        .motes
        .iter()
        .map(|m| Mark {
            id: m.number().to_owned(),
            x: m.at_picture.x / by,
            y: m.at_picture.y / by,
            width: m.shadow_width_px.value / by,
            shows: m.shows_from.is_some(),
        })
        .collect();
    html! {
        figure {
            div class="raking" {
                img src=(tile.uri) width=(tile.size.width) height=(tile.size.height) alt="Raking view of the test frame";
                svg viewBox=(format!("0 0 {w} {h}")) aria-hidden="true" { (marks::draw(&marks, w / RAKING_WIDTH, [0.0, 0.0, w, h])) }
            }
            figcaption {
                "Raking view of the whole frame, as recorded: small differences are raised about eightfold, the light’s own fall-off is taken out. "
                "Corner ticks mark the motes; heavy ticks and a bold id mean that it shows at f/32 or wider."
            }
        }
    }
}

fn charts(inspection: &Inspection) -> Markup {
    let Some(pitch) = inspection.pitch_um else { return html! {} };
    let mm = |pixels: usize| pixels as f64 * pitch / 1000.0;
    let sensor = SensorSize { width_mm: mm(inspection.size.width), height_mm: mm(inspection.size.height) };
    let motes: Vec<ChartMote> = inspection
        .motes
        .iter()
        .filter_map(|m| {
            Some(ChartMote {
                id: m.number().to_owned(),
                at: m.at_sensor?,
                shadow: Micrometres(m.shadow_width_px.value * pitch),
                shows: m.shows_from.is_some(),
            })
        })
        .collect();
    chart::both_views(sensor, &motes, "As the picture shows it.", "shadows drawn to scale")
}

fn cut_outs(inspection: &Inspection, pictures: &Pictures) -> Markup {
    let motes = &inspection.motes;
    let tiles: Vec<(&Mote, &Tile, f64)> =
        pictures.cut_outs.iter().filter_map(|(i, tile, strength)| Some((motes.get(*i)?, tile, *strength))).collect();
    let um = |px: usize| inspection.pitch_um.map(|um| format!(" or {:.0} µm", px as f64 * um)).unwrap_or_default();
    html! {
        section {
            h2 { (if motes.len() > CUT_OUTS { "The worst, enlarged" } else { "Enlarged" }) }
            div class="worst" {
                @for (mote, tile, strength) in tiles {
                    figure {
                        img class="cut" src=(tile.uri) width=(tile.size.width) height=(tile.size.height)
                            alt=(format!("Mote {}, raking view", shown(mote.number())));
                        figcaption {
                            b { (shown(mote.number())) } " " (kind(mote.kind)) ", " (place(mote.at_picture, inspection.size)) br;
                            "raised ×" (format!("{strength:.0}")) ", " (tile.size.width) " px" (um(tile.size.width)) " wide"
                        }
                    }
                }
            }
        }
    }
}

fn table(inspection: &Inspection) -> Markup {
    let known = inspection.pitch_um.is_some();
    let unit = if known { "mm" } else { "px" };
    let at_f = inspection.f_number.map_or_else(String::new, |n| format!(" at {n}"));
    html! {
        section {
            h2 { (if inspection.motes.len() == 1 { "The mote in figures" } else { "All motes, worst first" }) }
            div class="scroll" {
                table {
                    thead { tr {
                        th { "id" }
                        th { "kind" }
                        th class="n" { "shows from" }
                        th class="n" { "across" span class="unit" { "µm" } }
                        th class="n" { "blocked area" span class="unit" { "µm²" } }
                        th class="n" { "depth" (at_f) span class="unit" { "%" } }
                        th class="n" { "shadow" span class="unit" { "px" } }
                        th class="n" { "right" span class="unit" { (unit) } }
                        th class="n" { "down" span class="unit" { (unit) } }
                        th class="n" { "signal to noise" }
                        th { "remarks" }
                    } }
                    tbody { @for mote in &inspection.motes { (row(mote, inspection)) } }
                }
            }
            p class="seen-as" { "± is one standard deviation. Across: diameter of the opaque disc that blocks as much light. Right and down: from the \
                " (if known { "sensor’s centre" } else { "upper left corner" }) ", as the picture shows it." }
        }
    }
}

fn row(mote: &Mote, inspection: &Inspection) -> Markup {
    let [right, down] = match mote.at_sensor {
        Some(at) => [at.x, at.y].map(|v| format!("{v:.2}").replace('-', "−")),
        None => [mote.at_picture.x, mote.at_picture.y].map(|v| format!("{v:.0}")),
    };
    let known = |e: Option<Estimate>| e.map_or_else(|| "not known".to_owned(), plus_minus);
    html! {
        tr class=(if mote.shows_from.is_some() { "shows" } else { "" }) {
            td { (shown(mote.number())) }
            td { (kind(mote.kind)) }
            td class="n" { (shows_from(mote, inspection, "not to f/32", "not known")) }
            td class="n" { (known(mote.equivalent_diameter_um)) }
            td class="n" { (known(mote.blocked_area_um2)) }
            td class="n" { (plus_minus(percent(mote.depth))) }
            td class="n" { (plus_minus(mote.shadow_width_px)) }
            td class="n" { (right) }
            td class="n" { (down) }
            td class="n" { (format!("{:.0}", mote.snr)) }
            td { (sentence(&remarks(mote))) }
        }
    }
}

fn method(inspection: &Inspection) -> Markup {
    let factor = 10f64.powf(UNCERTAINTY_DB / 20.0);
    html! {
        section class="method" {
            h2 { "How this was judged, and its limits" }
            @if let Some(h) = &inspection.stand_off {
                p {
                    "Stand-off of the motes above the photosites: " (plus_minus(h.height_mm)) " mm, "
                    (match h.source {
                        StandOffSource::Measured => format!("measured from {} shadows of this frame", h.shadows),
                        StandOffSource::Assumed => "assumed, since this frame holds too little to measure it".to_owned(),
                    })
                    ". From it and the blocked area follows the shadow at any other aperture; the blocked area stays the same at all of them."
                }
            }
            @if let Some(um) = inspection.floor_um {
                p { "The smallest mote this frame would have shown for certain (99 %) is " (number(um)) " µm across. Of anything \
                     smaller it says nothing." }
            }
            p { "Motes that are not there: about " (number(inspection.false_motes)) " to be expected in a frame like this." }
            p {
                "A mote shows where its shadow’s contrast passes the threshold measured for discs of its apparent size (Ashraf, Mantiuk and \
                 Chapiro 2022; Blackwell 1946 for the smallest), times a field factor of 2.4 for an eye that was not told where to look. That \
                 factor is a guess after Blackwell’s and Taylor’s practice. Between people and from day to day thresholds differ by a factor of \
                 about " (format!("{factor:.1}")) ": a mote one stop beyond the rating may be seen by a sharp eye, or missed by a tired one. \
                 A steep tone curve makes shadows plainer than told here."
            }
            @if !inspection.notes.is_empty() { ul { @for note in &inspection.notes { li { (shown(note)) } } } }
        }
    }
}
