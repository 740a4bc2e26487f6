//! The sheet every report is printed on: one file, nothing fetched, nothing run.

use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("style.css");
const CARD: &str = include_str!("card.css");
const SIGN: &str = include_str!("signoff.css");
const NOTE: &str = include_str!("note.css");

/// Nothing may be loaded but the pictures and the style that the file itself holds.
const POLICY: &str =
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// A whole page. `title` stands in the browser's tab.
pub fn page(title: &str, body: &Markup) -> String {
    sheet(title, body, "")
}

/// A whole page that prints on one.
pub fn card_page(title: &str, body: &Markup) -> String {
    sheet(title, body, CARD)
}

/// The contact sheet of a sign-off.
pub fn sign_page(title: &str, body: &Markup) -> String {
    sheet(title, body, SIGN)
}

/// The delivery note: it prints on one page.
pub fn note_page(title: &str, body: &Markup) -> String {
    sheet(title, body, NOTE)
}

fn sheet(title: &str, body: &Markup, more_style: &str) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light";
                title { (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(more_style)) }
            }
            body { main { (body) } }
        }
    }
    .into_string()
}

/// What a session of cleaning should have in mind (common practice, no source).
pub fn cautions() -> Markup {
    html! {
        section class="cautions" {
            h2 { "Before anything touches the glass" }
            ul {
                li { "Use the body’s own cleaning position and a full battery. If power fails, mirror or shutter close on the tool." }
                li { "A still, clean room and good light; the mount open as briefly as can be. Not on location where it can wait." }
                li { "What is touched is the cover glass, not the silicon. It still scratches: never a dry swab, never a used one." }
                li { "A stabilised sensor moves: no force, and only in the body’s cleaning position." }
                li { "Never canned gas. Never blow at or touch a closed shutter curtain. Not while the body is cold or misted." }
                li { "Fluid must suit the glass’s coating; read its own safety sheet. Isopropyl alcohol is highly flammable and \
                      irritates the eyes: ventilate, no flames or sparks, shut the bottle. Ask the carrier before flying with it." }
                li { "The camera’s manual and its warranty terms come first. Where they forbid cleaning, or in doubt: an authorised workshop." }
            }
        }
    }
}
