//! The contact sheet: small copies of the pictures that need work, upright, their places marked.

use maud::{Markup, html};
use motelight_frame::read::{LN_STEPS, UNMEASURED};
use motelight_frame::{Orientation, PicturePoint, Plane, Reduced, Size};

use super::marks::{self, Mark};
use super::pictures::{code, jpeg_uri};
use super::trace_text::TraceSheet;
use super::words::count;

/// Longest side of a small copy, px.
const LONG: usize = 420;

/// A small copy of one picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Contact {
    /// Number of the picture in its body's order.
    pub picture: usize,
    uri: String,
    /// Size as shown, upright.
    size: Size,
    /// Size as stored.
    stored: Size,
    orientation: Orientation,
}

impl Contact {
    /// A small copy of a picture read on cells.
    pub fn of(picture: usize, reduced: &Reduced) -> Option<Contact> {
        let cells = reduced.ln.size();
        let by = cells.width.max(cells.height).div_ceil(LONG).max(1);
        let small = Size { width: cells.width / by, height: cells.height / by };
        if small.area() == 0 {
            return None;
        }
        let mut grey = Plane::filled(small, 0u8);
        for y in 0..small.height {
            for x in 0..small.width {
                let mut sum = 0.0f32;
                for j in 0..by {
                    let row = &reduced.ln.row(y * by + j)[x * by..(x + 1) * by];
                    // What could not be measured is clipped far more often than black.
                    sum += row
                        .iter()
                        .map(|&v| if v == UNMEASURED { 1.0 } else { (f32::from(v) / LN_STEPS).exp() })
                        .sum::<f32>();
                }
                let light = sum / (by * by) as f32;
                grey.set(x, y, code(light));
            }
        }
        let orientation = reduced.shot.orientation;
        let grey = orientation.upright(grey);
        Some(Contact { picture, uri: jpeg_uri(&grey)?, size: grey.size(), stored: small, orientation })
    }
}

/// The sheet.
pub fn contact_sheet(sheet: &TraceSheet, contacts: &[Contact]) -> Markup {
    if contacts.is_empty() {
        return html! {};
    }
    let all = sheet.to_mend().len();
    html! {
        section {
            h2 { "What needs mending" }
            @if contacts.len() < all { p { "The " (contacts.len()) " worst of " (all) " pictures." } }
            div class="contacts" { @for c in contacts { (one(sheet, c)) } }
        }
    }
}

fn one(sheet: &TraceSheet, contact: &Contact) -> Markup {
    let Some(picture) = sheet.traced.pictures.get(contact.picture) else { return html! {} };
    let Size { width, height } = contact.size;
    let stored = (contact.stored.width as f64, contact.stored.height as f64);
    let scale = stored.0 / picture.size.width.max(1) as f64;
    let marks: Vec<Mark> = picture
        .motes
        .iter()
        .filter(|m| m.shows)
        .map(|m| {
            let at = PicturePoint { x: m.x_px * scale, y: m.y_px * scale };
            let PicturePoint { x, y } = contact.orientation.shown(at, stored);
            Mark { id: m.id.clone(), x, y, width: (m.width_px * scale).max(8.0), shows: true }
        })
        .collect();
    let words =
        if marks.len() == 1 { "one mote shows".to_owned() } else { format!("{} motes show", count(marks.len())) };
    let badly = if picture.worst() >= sheet.badly { ", badly" } else { "" };
    html! {
        figure {
            div class="raking" {
                img src=(contact.uri) width=(width) height=(height) alt=(sheet.name(contact.picture));
                svg viewBox=(format!("0 0 {width} {height}")) { (marks::draw(&marks, 1.3, [0.0, 0.0, width as f64, height as f64])) }
            }
            figcaption { b { (sheet.name(contact.picture)) } " " (picture.f_number) ": " (words) (badly) }
        }
    }
}
