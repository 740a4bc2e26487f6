//! Suspects of a finished picture, each as large as in the print: as it is seen, and as raking view.

use motelight_frame::{Frame, PicturePoint, Pixels, Rect, Size};
use motelight_motes::rake::{RakeOptions, rake};
use motelight_motes::signoff::SignOff;
use motelight_motes::visibility::Medium;

use super::mended_views::{Look, look};
use super::pictures::{self, grey_window, strength_for};

/// A suspect, ready for the page.
#[derive(Debug, Clone, PartialEq)]
pub struct SuspectView {
    /// Its place in the list of suspects.
    pub index: usize,
    /// As it is seen, a `data:` URI.
    pub seen: String,
    /// The same place as raking view.
    pub raised: String,
    /// How strongly the raking view raises differences.
    pub strength: f64,
    /// Width and height on paper or screen, mm.
    pub sides_mm: (f64, f64),
    /// Centre of the suspect within the tile, upright, and its width; shares of the tile's width and height.
    pub at: (f64, f64),
    /// Width of the suspect, a share of the tile's width.
    pub width: f64,
}

/// Side of a tile, mm: two beside each other twice fit a printed page.
const SIDE_MM: f64 = 42.0;
/// Longest side of a tile, px: 254 px per inch at its size.
const TILE: usize = 420;
/// Suspects shown of one picture, that count and that do not.
const MOST: (usize, usize) = (12, 4);
/// Longest side of the whole picture's copy, px.
const COPY: usize = 560;

/// The whole picture, small and upright, as a `data:` URI, and its size.
pub fn small_copy(frame: &Frame) -> Option<(String, Size)> {
    pictures::small_copy(frame, COPY)
}

/// The suspects worth showing, in the size of the print that was asked for, or of 100 % on screen.
pub fn suspect_views(frame: &Frame, judged: &SignOff) -> Vec<SuspectView> {
    let print = judged.vouches.iter().find(|v| matches!(v.viewing.medium, Medium::Print(_)));
    let Some(ppi) = print.or(judged.vouches.first()).map(|v| v.ppi).filter(|p| *p > 0.0) else { return Vec::new() };
    let (counting, low): (Vec<_>, Vec<_>) = judged.suspects.iter().enumerate().partition(|(_, s)| s.counts);
    let worth = counting.into_iter().take(MOST.0).chain(low.into_iter().take(MOST.1));
    worth.filter_map(|(i, s)| view(frame, i, s.at, s.width_px, s.contrast, ppi)).collect()
}

fn view(frame: &Frame, index: usize, at: PicturePoint, width_px: f64, contrast: f64, ppi: f64) -> Option<SuspectView> {
    let size = frame.size();
    let mm_per_px = 25.4 / ppi;
    let wanted = ((SIDE_MM / mm_per_px).round() as usize).max(16);
    let (width, height) = (wanted.min(size.width), wanted.min(size.height));
    let from = |centre: f64, side: usize, whole: usize| {
        (centre - side as f64 / 2.0).round().clamp(0.0, (whole - side) as f64) as usize
    };
    let window = Rect { x: from(at.x, width, size.width), y: from(at.y, height, size.height), width, height };
    let strength = strength_for(contrast);
    let scale = Pixels(width.max(height) as f64);
    let relief = rake(&grey_window(frame, window), &RakeOptions { scale, strength });
    let orientation = frame.shot.orientation;
    let sides = (width as f64, height as f64);
    let inside = PicturePoint { x: at.x - window.x as f64, y: at.y - window.y as f64 };
    let shown = orientation.shown(inside, sides);
    let upright = orientation.shown_size(window.size());
    let (across, down) = (upright.width as f64, upright.height as f64);
    Some(SuspectView {
        index,
        seen: look(frame, window).uri(orientation, TILE)?,
        raised: Look::raised(&relief).uri(orientation, TILE)?,
        strength,
        sides_mm: (across * mm_per_px, down * mm_per_px),
        at: (shown.x / across, shown.y / down),
        width: width_px / across,
    })
}
