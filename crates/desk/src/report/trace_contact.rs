//! The contact sheet: small copies of the pictures that need work, upright, their places marked.

use maud::{Markup, html};
use motelight_frame::read::{LN_STEPS, UNMEASURED};
use motelight_frame::{Plane, Reduced, Size};

use super::marks::{self, Mark};
use super::pictures::jpeg_uri;
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
    turn: Turn,
}

/// How a stored picture becomes the one that is shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// Exif orientation.
    pub orientation: u8,
    /// Size as stored.
    pub stored: (f64, f64),
}

impl Turn {
    /// A place of the stored picture, as shown (Exif 2.32, tag 274).
    pub fn shown(&self, x: f64, y: f64) -> (f64, f64) {
        let (w, h) = self.stored;
        match self.orientation {
            2 => (w - x, y),
            3 => (w - x, h - y),
            4 => (x, h - y),
            5 => (y, x),
            6 => (h - y, x),
            7 => (h - y, w - x),
            8 => (y, w - x),
            _ => (x, y),
        }
    }

    /// Size as shown.
    pub fn size(&self) -> (f64, f64) {
        let (w, h) = self.stored;
        if self.orientation >= 5 { (h, w) } else { (w, h) }
    }
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
        let stored = (small.width as f64, small.height as f64);
        let turn = Turn { orientation: reduced.shot.orientation.exif(), stored };
        let (width, height) = turn.size();
        let size = Size { width: width as usize, height: height as usize };
        let mut grey = Plane::filled(size, 0u8);
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
                let (u, v) = turn.shown(x as f64 + 0.5, y as f64 + 0.5);
                grey.set(u as usize, v as usize, (255.0 * srgb(light)).round() as u8);
            }
        }
        Some(Contact { picture, uri: jpeg_uri(&grey)?, size, turn })
    }
}

/// IEC 61966-2-1.
fn srgb(light: f32) -> f32 {
    let light = light.clamp(0.0, 1.0);
    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
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
    let scale = contact.turn.stored.0 / picture.size.width.max(1) as f64;
    let marks: Vec<Mark> = picture
        .motes
        .iter()
        .filter(|m| m.shows)
        .map(|m| {
            let (x, y) = contact.turn.shown(m.x_px * scale, m.y_px * scale);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Exif 2.32, tag 274: the stored first row is, as shown, at 1 the top, 3 the bottom, 6 the right, 8 the left side; the
    /// first column at 1 the left, 3 the right, 6 the top, 8 the bottom.
    #[test]
    fn the_first_stored_corner_comes_where_the_standard_says() {
        for (orientation, corner) in [
            (1, (0.0, 0.0)),
            (2, (30.0, 0.0)),
            (3, (30.0, 20.0)),
            (4, (0.0, 20.0)),
            (5, (0.0, 0.0)),
            (6, (20.0, 0.0)),
            (7, (20.0, 30.0)),
            (8, (0.0, 30.0)),
        ] {
            let turn = Turn { orientation, stored: (30.0, 20.0) };
            assert_eq!(turn.shown(0.0, 0.0), corner, "{orientation}");
        }
    }
}
