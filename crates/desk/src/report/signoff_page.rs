//! The contact sheet of a sign-off: per file the verdict, what it vouches for, and the suspects at print scale.

use maud::{Markup, html};
use motelight_frame::{FrameError, Orientation, Size};
use motelight_motes::signoff::{SignOff, Suspect, Verdict};
use motelight_motes::visibility::{Medium, UNCERTAINTY_DB, Viewing};

use super::marks::{self, Mark, short};
use super::page::sign_page;
use super::signoff_text::{answers, cause, measured, summary, verdict_word, vouched, where_shown};
use super::signoff_views::SuspectView;
use super::words::{count, number, place, sentence, shown};
use crate::contract::AnswerEntry;

/// One file of the page.
#[derive(Debug, Clone, Copy)]
pub struct SignedSheet<'a> {
    /// Its name.
    pub name: &'a str,
    /// Size as stored.
    pub size: Size,
    /// How it is shown.
    pub orientation: Orientation,
    /// What was found.
    pub sign_off: &'a SignOff,
    /// A small copy, upright.
    pub copy: Option<&'a (String, Size)>,
    /// Its worst places.
    pub views: &'a [SuspectView],
    /// Motes of the shoot.
    pub motes: &'a [AnswerEntry],
}

impl SignedSheet<'_> {
    fn counting(&self) -> usize {
        self.sign_off.suspects.iter().filter(|s| s.counts).count()
    }

    fn worst(&self) -> f64 {
        let counting = self.sign_off.suspects.iter().filter(|s| s.counts);
        counting.map(|s| s.times_threshold).fold(0.0, f64::max)
    }
}

/// The whole page. `failed`: files that could not be read, by name.
pub fn signoff_page(sheets: &[SignedSheet], failed: &[(&str, &FrameError)], viewings: &[String]) -> String {
    let mut order: Vec<&SignedSheet> = sheets.iter().collect();
    order.sort_by(|a, b| {
        let rank = |s: &SignedSheet| match s.sign_off.verdict {
            Verdict::Suspects => 0,
            Verdict::CannotJudge => 1,
            Verdict::Clear => 2,
        };
        rank(a).cmp(&rank(b)).then(b.worst().total_cmp(&a.worst())).then(a.name.cmp(b.name))
    });
    let (clear, open): (Vec<&SignedSheet>, Vec<&SignedSheet>) =
        order.into_iter().partition(|s| s.sign_off.verdict == Verdict::Clear);
    let title = headline(&open, clear.len(), failed.len());
    let body = html! {
        header class="facts" {
            span { b { "Sign-off" } }
            span { (plural(sheets.len() + failed.len(), "file")) }
        }
        h1 { (title) }
        p class="seen-as" { "Judged for " (viewings.join("; and for ")) "." }
        @if !failed.is_empty() {
            div class="fitness" {
                @for (name, e) in failed { p { b { (shown(name)) } ": " (shown(&e.message)) ". " (shown(&e.remedy)) } }
            }
        }
        @for sheet in &open { (file(sheet)) }
        @if !clear.is_empty() {
            section {
                h2 { "Clear" }
                div class="scroll" { (clear_table(&clear)) }
            }
        }
        section class="method" {
            h2 { "How it was judged" }
            p { "Every plain place is searched for soft round marks darker than their surroundings, of every width that a mote’s shadow can \
                have in these viewings, and each is held against the contrast that an observer would just notice there. That contrast is \
                known to a factor of " (format!("{:.1}", 10f64.powf(UNCERTAINTY_DB / 20.0))) ". Detail hides shadows, and hides them from \
                this search as well: busy parts of a picture are not judged." }
            p { "Left of each pair the place as it is seen, as large as in the print where a print was asked for; right the same place as \
                raking view, its small differences strongly raised. Places numbered in light type do not count for the verdict; each says why." }
        }
        footer { "Motelight. The files are read, never written." }
    };
    sign_page(&title, &body)
}

fn plural(n: usize, thing: &str) -> String {
    if n == 1 { format!("one {thing}") } else { format!("{} {thing}s", count(n)) }
}

fn headline(open: &[&SignedSheet], clear: usize, failed: usize) -> String {
    let suspects = open.iter().filter(|s| s.sign_off.verdict == Verdict::Suspects).count();
    let unsure = open.len() - suspects + failed;
    match (suspects, unsure, clear) {
        (0, 0, 0) => "No files".into(),
        (0, 0, 1) => "The file is clear".into(),
        (0, 0, n) => format!("All {} files are clear", count(n)),
        (0, n, _) => format!("{} could not be judged", sentence(&plural(n, "file"))),
        (1, _, _) => "One file has suspects".into(),
        (n, _, _) => format!("{} files have suspects", sentence(&count(n))),
    }
}

fn file(sheet: &SignedSheet) -> Markup {
    let suspects = &sheet.sign_off.suspects;
    let (counting, low): (Vec<&SuspectView>, Vec<&SuspectView>) =
        sheet.views.iter().partition(|v| suspects.get(v.index).is_some_and(|s| s.counts));
    html! {
        section class="file" {
            h2 { (shown(sheet.name)) " " span class="soft" { (verdict_word(sheet.sign_off.verdict)) } }
            div class="told" {
                @if let Some(copy) = sheet.copy { (overview(sheet, copy)) }
                div {
                    p { (summary_only(sheet)) }
                    ul { @for v in &sheet.sign_off.vouches { li { (vouched(v)) } } }
                    @if !sheet.motes.is_empty() { p { (answers(sheet.motes)) } }
                    @for note in &sheet.sign_off.notes { p class="soft" { (shown(note)) } }
                }
            }
            @if !counting.is_empty() { div class="pairs" { @for v in &counting { (pair(sheet, v)) } } }
            @if sheet.counting() > counting.len() { p class="soft" { "and " (sheet.counting() - counting.len()) " more, fainter" } }
            @if !low.is_empty() {
                h3 { "Looked at, not counted" }
                div class="pairs" { @for v in &low { (pair(sheet, v)) } }
            }
        }
    }
}

/// The first sentence; the viewings are told in a list of their own.
fn summary_only(sheet: &SignedSheet) -> String {
    summary(&SignOff { vouches: Vec::new(), ..sheet.sign_off.clone() })
}

fn overview(sheet: &SignedSheet, (uri, size): &(String, Size)) -> Markup {
    let (width, height) = (size.width as f64, size.height as f64);
    let scale = width / sheet.orientation.shown_size(sheet.size).width.max(1) as f64;
    let mark = |(i, s): (usize, &Suspect)| {
        let at = where_shown(s, sheet.size, sheet.orientation);
        let (x, y) = (at.x * scale, at.y * scale);
        Mark { id: (i + 1).to_string(), x, y, width: s.width_px * scale, shows: s.counts }
    };
    let shown_here = |i: &usize| sheet.views.iter().any(|v| v.index == *i);
    let marks: Vec<Mark> =
        sheet.sign_off.suspects.iter().enumerate().filter(|(i, _)| shown_here(i)).map(mark).collect();
    html! {
        // No higher than what is told beside it needs.
        figure style=(format!("max-width:{}px", short(width.min(380.0 * width / height.max(1.0))))) {
            div class="raking" {
                img src=(uri) width=(size.width) height=(size.height) alt=(format!("{}, small", shown(sheet.name)));
                svg viewBox=(format!("0 0 {width} {height}")) { (marks::draw(&marks, 1.2, [0.0, 0.0, width, height])) }
            }
        }
    }
}

fn pair(sheet: &SignedSheet, view: &SuspectView) -> Markup {
    let Some(s) = sheet.sign_off.suspects.get(view.index) else { return html! {} };
    let at = place(where_shown(s, sheet.size, sheet.orientation), sheet.orientation.shown_size(sheet.size));
    let (width, height) = view.sides_mm;
    let sides = format!("width:{}mm;height:{}mm", short(width), short(height));
    let mark = Mark {
        id: String::new(),
        x: view.at.0 * width,
        y: view.at.1 * height,
        width: view.width * width,
        shows: s.counts,
    };
    html! {
        figure class="pair" {
            div class="tiles" {
                img style=(sides) src=(view.seen) alt=(format!("Place {} as it is seen", view.index + 1));
                div class="raking" style=(sides) {
                    img src=(view.raised) alt=(format!("Place {} as raking view", view.index + 1));
                    svg viewBox=(format!("0 0 {} {}", short(width), short(height))) {
                        (marks::draw(&[mark], 25.4 / 96.0, [0.0, 0.0, width, height]))
                    }
                }
            }
            figcaption {
                @if s.counts { b { (view.index + 1) } } @else { (view.index + 1) }
                " " (at) ": " (measured(s))
                @if let Some(mote) = &s.mote { "; mote " (shown(mote)) }
                @if !s.counts { "; " (cause(s.cause)) }
                "."
            }
        }
    }
}

fn clear_table(clear: &[&SignedSheet]) -> Markup {
    let viewings = clear.first().map_or(&[][..], |s| &s.sign_off.vouches);
    let traced = clear.iter().any(|s| !s.motes.is_empty());
    html! {
        table {
            thead { tr {
                th { "file" }
                th class="n" { "size" span class="unit" { "px" } }
                @for v in viewings { th class="n" { (medium(&v.viewing)) span class="unit" { "px per inch; % plain; finds from" } } }
                @if traced { th { "motes of the shoot" } }
            } }
            tbody { @for s in clear {
                @let size = s.orientation.shown_size(s.size);
                tr {
                    td { (shown(s.name)) }
                    td class="n" { (size.width) " × " (size.height) }
                    @for v in &s.sign_off.vouches {
                        td class="n" {
                            (format!("{:.0}; {:.0}; ", v.ppi, 100.0 * v.plain_share))
                            @if let Some(times) = v.finds_from_times_threshold { (number(times.max(1.0))) " ×" } @else { "–" }
                        }
                    }
                    @if traced { td { @if !s.motes.is_empty() { (answers(s.motes)) } } }
                }
            } }
        }
        p class="soft" { "Plain: share of the picture that is plain enough to judge. Finds from: the faintest shadow that would have been found in nine \
            plain places of ten, in multiples of what would just be noticed." }
    }
}

fn medium(viewing: &Viewing) -> &'static str {
    match viewing.medium {
        Medium::Print(_) => "print",
        Medium::Screen { .. } => "screen",
    }
}
