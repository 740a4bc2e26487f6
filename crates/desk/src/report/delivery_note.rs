//! The delivery note: one printed page for the client's folder, that promises no more than was measured.

use maud::{Markup, html};
use motelight_frame::Size;
use motelight_motes::signoff::Vouch;
use motelight_motes::visibility::{Medium, Viewing};

use super::page::note_page;
use super::words::{count, sentence, shown};

/// Files that find room on the page with their digests; more are listed in a file beside the note.
pub const LISTED_FILES: usize = 12;
/// Letters of a name that find room in a line.
const NAME: usize = 84;

/// One file that is delivered.
#[derive(Debug, Clone, Copy)]
pub struct DeliveredFile<'a> {
    /// Its name.
    pub name: &'a str,
    /// Size as shown.
    pub size: Size,
    /// SHA-256, hexadecimal.
    pub sha256: &'a str,
    /// What it can vouch for.
    pub vouches: &'a [Vouch],
}

/// What a note says.
#[derive(Debug, Clone, Copy)]
pub struct Delivery<'a> {
    /// Day of the look, `YYYY-MM-DD`.
    pub day: &'a str,
    /// Files that are clear.
    pub files: &'a [DeliveredFile<'a>],
    /// Files looked at that are not clear or could not be read.
    pub left_out: usize,
    /// How they were judged.
    pub viewings: &'a [Viewing],
    /// Digest of the list of files, where they are too many for the page.
    pub list_digest: Option<&'a str>,
}

/// The page.
pub fn delivery_note(d: &Delivery) -> String {
    let body = html! {
        header class="facts" {
            span { b { "Delivery note" } }
            span { (d.day) }
        }
        h1 { (title(d.files.len())) }
        p class="lead" { "No shadow of a speck on the sensor was found in " (these(d.files.len())) " that would be noticed when " (they(d.files.len())) " looked at like this:" }
        dl { @for v in d.viewings { (viewing(v)) } }
        (files(d))
        @if d.left_out > 0 { p { (sentence(&count(d.left_out))) @if d.left_out == 1 { " further file was" } @else { " further files were" } " looked at and " @if d.left_out == 1 { "is" } @else { "are" } " not covered by this note." } }
        h2 { "Method" }
        p { "Each file was searched at every size such a shadow can have in these viewings, in linear light, on its plain parts. What was found \
            was held against the contrast that an attentive observer just notices, by published measurements." }
        h2 { "Not promised" }
        ul {
            li { (plainness(d)) " Shadows within detail were not looked for; they are hidden there." }
            li { "Individual eyes, other light, a nearer look or a larger print can show more. Thresholds of vision are known to a factor of about 1.5." }
            li { "A look of this kind finds most such marks, not every one. It says nothing of focus, colour or anything else." }
            li { "The note holds for exactly the files with these digests. A copy that was changed or saved again is another file." }
        }
        footer { "Written by Motelight from measurements of the files." }
    };
    note_page(&format!("Delivery note, {}", d.day), &body)
}

fn title(n: usize) -> String {
    if n == 1 { "One picture, looked over".into() } else { format!("{} pictures, looked over", sentence(&count(n))) }
}

fn these(n: usize) -> &'static str {
    if n == 1 { "this file" } else { "these files" }
}

fn they(n: usize) -> &'static str {
    if n == 1 { "it is" } else { "they are" }
}

fn viewing(v: &Viewing) -> Markup {
    let distance = format!("{:.0} cm", v.distance.0 / 10.0);
    let (what, how) = match v.medium {
        Medium::Print(print) => {
            let cm = |mm: f64| (mm.round() / 10.0).to_string();
            let size = format!("{} × {} cm", cm(print.width.0), cm(print.height.0));
            ("Print", format!("{size}, seen from {distance} or farther, in good reading light (500 lx, ISO 3664 P2)"))
        }
        Medium::Screen { ppi } => ("Screen", format!("100 %, {ppi:.0} px per inch, seen from {distance} or farther")),
    };
    html! { dt { (what) } dd { (how) } }
}

/// The least plain share of all files.
fn plainness(d: &Delivery) -> String {
    let least = d.files.iter().flat_map(|f| f.vouches).map(|v| v.plain_share).fold(1.0, f64::min);
    let share = (100.0 * least).floor();
    match d.files.len() {
        1 if share < 1.0 => "Only the plain parts were judged, and the picture has hardly any.".to_owned(),
        _ if share < 1.0 => "Only the plain parts were judged, and at least one picture has hardly any.".to_owned(),
        1 => format!("Only the plain parts were judged: {share:.0}\u{a0}% of the picture."),
        _ => format!("Only the plain parts were judged: at least {share:.0}\u{a0}% of each picture."),
    }
}

fn files(d: &Delivery) -> Markup {
    if let Some(digest) = d.list_digest {
        return html! {
            p { (sentence(&count(d.files.len()))) " files, listed with their SHA-256 digests in " b { "delivery-files.sha256" } " beside this note. \
                SHA-256 of that list:" }
            p class="digest" { (digest) }
        };
    }
    html! {
        table {
            thead { tr { th { "file" span class="unit" { "SHA-256" } } th class="n" { "size" span class="unit" { "px" } } } }
            tbody { @for f in d.files { tr {
                td { (short_name(f.name)) span class="digest" { (f.sha256) } }
                td class="n" { (f.size.width) " × " (f.size.height) }
            } } }
        }
    }
}

/// A name in one line: the middle of a longer one is left out.
fn short_name(name: &str) -> String {
    let letters: Vec<char> = shown(name).chars().collect();
    if letters.len() <= NAME {
        return letters.into_iter().collect();
    }
    let half = NAME / 2;
    letters[..half].iter().chain(&['…']).chain(&letters[letters.len() - half..]).collect()
}
