//! Touched places of a mended picture, small: before, after, and after as raking view, side by side in one strip.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use motelight_frame::{Frame, Orientation, Patch, PicturePoint, Pixels, Plane, Rect, Size};
use motelight_motes::mend::Treatment;
use motelight_motes::rake::{RakeOptions, rake};
use serde::{Deserialize, Serialize};

use super::pictures::{Piece, code, png_bytes, strength_for};
use crate::contract::RepairEntry;

/// A touched place, ready for an `img` element.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct View {
    /// The mote's id.
    pub id: String,
    /// Side of the place, px of the picture.
    pub side_px: usize,
    /// How strongly the raking view raises differences.
    pub raised: f64,
    /// The strip as a `data:` URI.
    pub uri: String,
}

/// Most places shown of one picture.
const MOST: usize = 4;
/// Side of a tile, px.
const TILE: usize = 112;
/// Gap between tiles, px.
const GAP: usize = 4;

/// A place to be shown.
#[derive(Debug, Clone, PartialEq)]
pub struct ViewPlace {
    /// Where it lies.
    pub window: Rect,
    id: String,
    depth: f64,
}

/// The places worth showing: what still shows first, then the deepest.
pub fn view_places(size: Size, motes: &[RepairEntry]) -> Vec<ViewPlace> {
    let mut worth: Vec<&RepairEntry> =
        motes.iter().filter(|m| m.treatment != Treatment::Untouched || m.still_shows).collect();
    let depth = |m: &RepairEntry| m.depth_before.unwrap_or(m.depth_foretold).abs();
    worth.sort_by(|a, b| b.still_shows.cmp(&a.still_shows).then(depth(b).total_cmp(&depth(a))));
    let place = |m: &RepairEntry| {
        let radius = Pixels((1.1 * m.shadow_width_px).clamp(24.0, 200.0));
        let window = Rect::around(PicturePoint { x: m.x_px, y: m.y_px }, radius, size)?;
        Some(ViewPlace { window, id: m.id.clone(), depth: m.depth_foretold })
    };
    worth.into_iter().filter_map(place).take(MOST).collect()
}

/// A place as it looks: red, green, blue codes, row by row.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    size: Size,
    codes: Vec<[u8; 3]>,
    /// What the light was multiplied by, so that before and after are shown alike.
    gain: f32,
}

/// How a part of the frame looks. Of a mosaic the light alone, without colour.
pub fn look(frame: &Frame, window: Rect) -> Look {
    shown_by(&Piece::of(frame, window), None)
}

fn shown_by(piece: &Piece, gain: Option<f32>) -> Look {
    let size = piece.window.size();
    if piece.is_coloured() {
        let code = |i: usize| [0, 1, 2].map(|c| code(piece.planes[c].data()[i]));
        return Look { size, codes: (0..size.area()).map(code).collect(), gain: 1.0 };
    }
    let grey = piece.grey();
    // The middle of the place goes to a light grey.
    let gain = gain.unwrap_or_else(|| 0.4 / median(&grey).max(1e-4));
    Look { size: grey.size(), codes: grey.data().iter().map(|&v| [code(v * gain); 3]).collect(), gain }
}

fn median(grey: &Plane) -> f32 {
    let mut all = grey.data().to_vec();
    let middle = all.len() / 2;
    if all.is_empty() { 1.0 } else { *all.select_nth_unstable_by(middle, f32::total_cmp).1 }
}

impl ViewPlace {
    /// The strip of a place of a frame that is mended by these patches.
    pub fn view(&self, frame: &Frame, patches: &[Patch]) -> Option<View> {
        let piece = Piece::of(frame, self.window);
        let before = shown_by(&piece, None);
        let piece = piece.mended(patches);
        let after = shown_by(&piece, Some(before.gain));
        let raised = strength_for(self.depth);
        let scale = Pixels(self.window.width.max(self.window.height) as f64);
        let relief = rake(&piece.grey(), &RakeOptions { scale, strength: raised });
        let relief = Look::raised(&relief);
        let width = 3 * TILE + 2 * GAP;
        let mut strip = vec![[0xfb; 3]; width * TILE];
        for (k, tile) in [&before, &after, &relief].into_iter().enumerate() {
            tile.draw(&mut strip, width, k * (TILE + GAP));
        }
        let mut bytes = Vec::new();
        let encoder = jpeg_encoder::Encoder::new(&mut bytes, 82);
        let (w, h) = (u16::try_from(width).ok()?, u16::try_from(TILE).ok()?);
        encoder.encode(strip.as_flattened(), w, h, jpeg_encoder::ColorType::Rgb).ok()?;
        let uri = format!("data:image/jpeg;base64,{}", STANDARD.encode(bytes));
        Some(View { id: self.id.clone(), side_px: self.window.width, raised, uri })
    }
}

impl Look {
    /// Upright, reduced by whole numbers to at most `longest` px, as a `data:` URI of a JPEG.
    pub(super) fn uri(&self, orientation: Orientation, longest: usize) -> Option<String> {
        let by = self.size.width.max(self.size.height).div_ceil(longest).max(1);
        let small = Size { width: self.size.width / by, height: self.size.height / by };
        let mean = |i: usize| {
            let (x, y) = (i % small.width * by, i / small.width * by);
            let block = (y..y + by).flat_map(|y| &self.codes[y * self.size.width + x..][..by]);
            let sum = block.fold([0u32; 3], |sum, code| [0, 1, 2].map(|c| sum[c] + u32::from(code[c])));
            sum.map(|s| (s / (by * by) as u32) as u8)
        };
        let shown = orientation.upright(Plane::from_vec(small, (0..small.area()).map(mean).collect()));
        let mut bytes = Vec::new();
        let encoder = jpeg_encoder::Encoder::new(&mut bytes, 90);
        let (w, h) = (u16::try_from(shown.width()).ok()?, u16::try_from(shown.height()).ok()?);
        encoder.encode(shown.data().as_flattened(), w, h, jpeg_encoder::ColorType::Rgb).ok()?;
        Some(format!("data:image/jpeg;base64,{}", STANDARD.encode(bytes)))
    }

    /// A raking view as a look.
    pub(super) fn raised(relief: &Plane<u8>) -> Look {
        Look { size: relief.size(), codes: relief.data().iter().map(|&v| [v; 3]).collect(), gain: 1.0 }
    }

    /// Draws it into a strip as a square tile: averaged where it is larger, repeated where it is smaller.
    fn draw(&self, strip: &mut [[u8; 3]], width: usize, left: usize) {
        let side = self.size.width.max(self.size.height).max(1);
        let span = |i: usize| (i * side / TILE, ((i + 1) * side).div_ceil(TILE).max(i * side / TILE + 1));
        for y in 0..TILE {
            for x in 0..TILE {
                let ((x0, x1), (y0, y1)) = (span(x), span(y));
                let (mut sum, mut count) = ([0u32; 3], 0);
                for j in y0..y1.min(self.size.height) {
                    for i in x0..x1.min(self.size.width) {
                        let code = self.codes[j * self.size.width + i];
                        (0..3).for_each(|c| sum[c] += u32::from(code[c]));
                        count += 1;
                    }
                }
                if count > 0 {
                    strip[y * width + left + x] = sum.map(|s| (s / count) as u8);
                }
            }
        }
    }
}

/// A mask as 8-bit grey PNG.
pub fn mask_png(mask: &Plane<u8>) -> Option<Vec<u8>> {
    png_bytes(mask)
}
