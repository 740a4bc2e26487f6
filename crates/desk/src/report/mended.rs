//! The page of a mended shoot: per picture the touched places before and after, what is left first.

use maud::{Markup, html};
use motelight_motes::mend::Treatment;

use super::mended_views::View;
use super::page::page;
use super::words::{count, darkness_within, sentence, shown};
use crate::contract::RepairEntry;

/// One picture of the page.
#[derive(Debug, Clone, Copy)]
pub struct MendedSheet<'a> {
    /// The picture's name.
    pub name: &'a str,
    /// What came of the motes.
    pub motes: &'a [RepairEntry],
    /// Its touched places.
    pub views: &'a [View],
    /// What should be known.
    pub notes: &'a [String],
}

/// Pictures that stand open when the page is opened.
const OPEN: usize = 6;

impl MendedSheet<'_> {
    fn number(&self, treatment: Treatment) -> usize {
        self.motes.iter().filter(|m| m.treatment == treatment).count()
    }

    fn showing(&self) -> usize {
        self.motes.iter().filter(|m| m.still_shows).count()
    }

    fn touched(&self) -> usize {
        self.number(Treatment::Lifted) + self.number(Treatment::Filled)
    }

    /// The deepest shadow that was there.
    fn deepest(&self) -> f64 {
        let touched = self.motes.iter().filter(|m| m.treatment != Treatment::Untouched);
        touched.filter_map(|m| m.depth_before).fold(0.0, f64::max)
    }
}

/// The whole page. `failed`: names of pictures that could not be mended, and why.
pub fn mended_page(
    test_frame: &str,
    viewing: &[String],
    sheets: &[MendedSheet],
    failed: &[(String, String)],
) -> String {
    let mut order: Vec<&MendedSheet> = sheets.iter().collect();
    order.sort_by(|a, b| {
        b.showing().cmp(&a.showing()).then(b.deepest().total_cmp(&a.deepest())).then(a.name.cmp(b.name))
    });
    let (touched, clean): (Vec<&MendedSheet>, Vec<&MendedSheet>) =
        order.into_iter().partition(|s| s.touched() > 0 || s.showing() > 0);
    let body = html! {
        header class="facts sans" {
            span { "Mended by " b { (shown(test_frame)) } }
            span { (sheets.len() + failed.len()) " pictures" }
        }
        h1 { (headline(&touched)) }
        p class="lead" { (lead(sheets, failed.len())) }
        p class="seen-as" { "Judged for " (viewing.join("; and for ")) ", on plain ground; detail hides more." }
        @if !failed.is_empty() { (failures(failed)) }
        @if !touched.is_empty() {
            h2 { "Picture by picture, what needs a look first" }
            p class="seen-as" { "Each strip shows one place: before, after, and after as a raking view, in which small differences \
                are strongly raised. At most four places of a picture are shown, the worst of them." }
            @for (i, sheet) in touched.iter().enumerate() { (picture(sheet, i < OPEN)) }
        }
        @if !clean.is_empty() {
            h2 { "Nothing to take out" }
            p class="names" { (clean.iter().map(|s| shown(s.name)).collect::<Vec<_>>().join(", ")) }
        }
        footer { "Shadows are divided out in linear light, so that the detail under them stays; where less than a quarter of the \
            light was left, the place is rebuilt from around with the picture’s own grain. Originals are untouched; the records \
            beside the copies turn every copy back." }
    };
    page(&format!("Mended: {} pictures", sheets.len()), &body)
}

fn headline(touched: &[&MendedSheet]) -> String {
    let left: usize = touched.iter().map(|s| s.showing()).sum();
    let pictures = touched.iter().filter(|s| s.showing() > 0).count();
    match (touched.len(), left) {
        (0, _) => "Nothing had to be taken out".into(),
        (_, 0) => "What showed no longer shows".into(),
        (_, 1) => "One shadow still shows".into(),
        _ => format!("{} shadows still show, in {}", sentence(&count(left)), plural(pictures, "picture")),
    }
}

fn lead(sheets: &[MendedSheet], failed: usize) -> String {
    let all = |t: Treatment| sheets.iter().map(|s| s.number(t)).sum::<usize>();
    let pictures = sheets.iter().filter(|s| s.touched() > 0).count();
    let (lifted, filled) = (all(Treatment::Lifted), all(Treatment::Filled));
    let mut told = format!("{} lifted", sentence(&plural(lifted, "shadow")));
    if filled > 0 {
        told += &format!(", {} filled", count(filled));
    }
    told += &format!(" in {} of {}.", count(pictures), plural(sheets.len(), "picture"));
    if failed > 0 {
        told += &format!(" {} could not be mended.", sentence(&plural(failed, "picture")));
    }
    told
}

fn plural(n: usize, thing: &str) -> String {
    if n == 1 { format!("one {thing}") } else { format!("{} {thing}s", count(n)) }
}

fn failures(failed: &[(String, String)]) -> Markup {
    html! {
        div class="fitness" {
            @for (name, why) in failed { p { b { (shown(name)) } ": " (shown(why)) } }
        }
    }
}

fn picture(sheet: &MendedSheet, open: bool) -> Markup {
    html! {
        details class="picture" open[open] {
            summary { b { (shown(sheet.name)) } " " span class="soft" { (summary(sheet)) } }
            div class="strips" { @for view in sheet.views { (strip(sheet, view)) } }
            @if !sheet.notes.is_empty() { ul class="soft" { @for note in sheet.notes { li { (shown(note)) } } } }
        }
    }
}

fn summary(sheet: &MendedSheet) -> String {
    let mut parts = Vec::new();
    if sheet.showing() > 0 {
        parts.push(format!("{} still showing", sheet.showing()));
    }
    for (treatment, word) in [(Treatment::Lifted, "lifted"), (Treatment::Filled, "filled")] {
        if sheet.number(treatment) > 0 {
            parts.push(format!("{} {word}", sheet.number(treatment)));
        }
    }
    let left = sheet.number(Treatment::Untouched);
    if left > 0 {
        parts.push(format!("{left} left as they were"));
    }
    parts.join(", ")
}

fn told(depth: Option<f64>, sigma: Option<f64>) -> String {
    depth.map_or_else(|| "not to be told".to_owned(), |depth| darkness_within(depth, sigma))
}

fn strip(sheet: &MendedSheet, view: &View) -> Markup {
    let mote = sheet.motes.iter().find(|m| m.id == view.id);
    let number = view.id.rsplit('-').next().unwrap_or(&view.id);
    html! {
        figure {
            img loading="lazy" width="344" height="112" src=(view.uri)
                alt=(format!("Mote {}: before, after, after as raking view", shown(number)));
            figcaption {
                @if let Some(m) = mote {
                    b { (shown(number)) } " "
                    @match m.treatment {
                        Treatment::Lifted => "lifted",
                        Treatment::Filled => "filled",
                        Treatment::Untouched => { (m.reason.map_or("left", |r| r.words())) }
                    }
                    ", " (told(m.depth_before, m.depth_sigma)) " before, " (told(m.depth_after, m.depth_sigma)) " after"
                    @if m.still_shows { ": still shows" }
                    br;
                }
                (view.side_px) " px wide; raised ×" (format!("{:.0}", view.raised))
            }
        }
    }
}
