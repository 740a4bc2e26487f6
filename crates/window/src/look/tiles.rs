//! Parts of pictures as textures: those looked at last are kept, the rest is given back.

use std::collections::BTreeMap;

use eframe::egui::{ColorImage, Context, TextureHandle, TextureOptions};
use motelight_frame::{self as frame, Size};

use super::looker::Part;

/// Longest side of a tile, px; never more than the graphics driver takes.
const SIDE: usize = 512;
/// Textures kept: 256 of half a thousand pixels square are 256 MB.
const KEPT: usize = 256;

/// Textures by part.
#[derive(Default)]
pub struct Tiles {
    all: BTreeMap<Part, (TextureHandle, u64)>,
    now: u64,
}

impl Tiles {
    /// The side of a tile that the driver takes.
    pub fn side(ctx: &Context) -> usize {
        ctx.input(|i| i.max_texture_side).clamp(64, SIDE)
    }

    /// Begins a frame: what is asked for from here on is newer than all before.
    pub fn begin(&mut self) {
        self.now += 1;
    }

    /// The texture of a part, if it has been drawn.
    pub fn get(&mut self, part: &Part) -> Option<&TextureHandle> {
        let (texture, used) = self.all.get_mut(part)?;
        *used = self.now;
        Some(texture)
    }

    /// Keeps what was drawn.
    pub fn put(&mut self, ctx: &Context, part: Part, image: ColorImage) {
        // Single pixels are squares; reduced ones are blended.
        let options = TextureOptions { magnification: eframe::egui::TextureFilter::Nearest, ..TextureOptions::LINEAR };
        let texture = ctx.load_texture("tile", image, options);
        self.all.insert(part, (texture, self.now));
        while self.all.len() > KEPT {
            let Some(oldest) = self.all.iter().min_by_key(|(_, (_, used))| *used).map(|(part, _)| *part) else { break };
            self.all.remove(&oldest);
        }
    }

    /// Whether nothing has been drawn yet.
    pub fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    /// Forgets all.
    pub fn clear(&mut self) {
        self.all.clear();
    }
}

/// The tiles of a level that a part of it touches, those nearest to its middle first.
pub fn touched(seen: frame::Rect, level: Size, side: usize) -> Vec<frame::Rect> {
    let mut all = Vec::new();
    for y in (seen.y / side * side..seen.bottom().min(level.height)).step_by(side) {
        for x in (seen.x / side * side..seen.right().min(level.width)).step_by(side) {
            all.push(frame::Rect { x, y, width: side.min(level.width - x), height: side.min(level.height - y) });
        }
    }
    let middle = (seen.x + seen.width / 2, seen.y + seen.height / 2);
    let far = |t: &frame::Rect| {
        let (x, y) = (t.x + t.width / 2, t.y + t.height / 2);
        x.abs_diff(middle.0).pow(2) + y.abs_diff(middle.1).pow(2)
    };
    all.sort_by_key(far);
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_cover_what_is_seen_once_and_end_with_the_picture() {
        let level = Size { width: 1300, height: 900 };
        let seen = frame::Rect { x: 500, y: 300, width: 700, height: 700 };
        let tiles = touched(seen, level, 512);
        assert_eq!(tiles.len(), 6);
        assert!(tiles.iter().all(|t| t.right() <= 1300 && t.bottom() <= 900));
        let covered = |x: usize, y: usize| {
            tiles.iter().filter(|t| (t.x..t.right()).contains(&x) && (t.y..t.bottom()).contains(&y)).count()
        };
        for (x, y) in [(500, 300), (511, 899), (512, 512), (1199, 700)] {
            assert_eq!(covered(x, y), 1, "{x} {y}");
        }
    }
}
