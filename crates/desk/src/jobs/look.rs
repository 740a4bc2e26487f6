//! A picture made ready to be looked at: upright, as codes for a screen, in levels of half the size each, with its light
//! kept finely enough for a raking view.
//!
//! A raw is shown without colour: what counts on a sensor is light, and a mosaic has no colours before somebody decides on
//! them. Rendered pictures are shown in the colours of their own profile, unconverted.

mod turn;
mod level;

use std::path::Path;

use motelight_frame::{Frame, FrameError, Layout, Pixels, Plane, Rect, Shot, Size, read};
use motelight_motes::rake::{RakeOptions, rake};

use crate::jobs::Settings;
use level::{Level, Tones};
pub use turn::Turn;

/// Which of the two is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Version {
    /// As the file has it.
    Before,
    /// Mended.
    After,
}

/// The longest side of the smallest level, px.
const SMALLEST: usize = 1024;

/// A picture ready to be looked at.
#[derive(Debug)]
pub struct Seen {
    /// The facts of the shot.
    pub shot: Shot,
    /// What the reader wants said.
    pub notes: Vec<String>,
    /// From the stored picture to the one that is shown.
    pub turn: Turn,
    tones: Tones,
    levels: Vec<Level>,
    changes: Vec<Change>,
}

/// A changed place: where it lies in each level, upright, and how it looks there.
#[derive(Debug)]
struct Change {
    levels: Vec<(Rect, Level)>,
}

/// Reads a picture to look at.
///
/// # Errors
/// As reading gives.
pub fn look(path: &Path, settings: &Settings) -> Result<Seen, FrameError> {
    read(path, &settings.read).map(|frame| Seen::of(&frame))
}

impl Seen {
    /// A frame ready to be looked at.
    pub fn of(frame: &Frame) -> Seen {
        let stored = frame.size();
        let turn =
            Turn { orientation: frame.shot.orientation.exif(), stored: (stored.width as f64, stored.height as f64) };
        let tones = Tones::of(frame);
        let whole = Rect::whole(stored);
        let mut levels = vec![Level::render(frame, whole, &tones).turned(&turn)];
        while let Some(last) = levels.last().filter(|l| l.size().width.max(l.size().height) > SMALLEST) {
            let next = last.halved();
            if next.size().area() == 0 {
                break;
            }
            levels.push(next);
        }
        let mut notes = frame.notes.clone();
        if matches!(frame.layout, Layout::Mosaic(_)) {
            notes.push("A raw is shown without colour: its light alone.".into());
        }
        Seen { shot: frame.shot.clone(), notes, turn, tones, levels, changes: Vec::new() }
    }

    /// Takes the light of `frame` in a window of the stored picture as how the place looks mended.
    pub fn change(&mut self, frame: &Frame, window: Rect) {
        let step = 1usize << (self.levels.len() - 1);
        let size = self.size();
        // The place upright, out to whole pixels of the smallest level, with a pixel about it for the mosaic's means.
        let seen = corners(&self.turn, window);
        let start = |v: usize| v.saturating_sub(1) / step * step;
        let end = |v: usize, most: usize| ((v + 1).div_ceil(step) * step).min(most);
        let (x, y) = (start(seen.x), start(seen.y));
        let place = Rect {
            x,
            y,
            width: end(seen.right(), size.width).saturating_sub(x),
            height: end(seen.bottom(), size.height).saturating_sub(y),
        };
        let back = Turn {
            orientation: match self.turn.orientation {
                6 => 8,
                8 => 6,
                same => same,
            },
            stored: self.turn.size(),
        };
        let stored = corners(&back, place);
        let turn = Turn { stored: (stored.width as f64, stored.height as f64), ..self.turn };
        let mut levels = vec![(place, Level::render(frame, stored, &self.tones).turned(&turn))];
        for k in 1..self.levels.len() {
            let half = levels[k - 1].1.halved();
            let Size { width, height } = half.size();
            levels.push((Rect { x: place.x >> k, y: place.y >> k, width, height }, half));
        }
        self.changes.push(Change { levels });
    }

    /// Size as shown.
    pub fn size(&self) -> Size {
        self.levels[0].size()
    }

    /// How many levels there are; each is half as wide and high as the one before.
    pub fn levels(&self) -> usize {
        self.levels.len()
    }

    /// Size of a level.
    pub fn level_size(&self, level: usize) -> Size {
        self.levels[level.min(self.levels.len() - 1)].size()
    }

    /// Whether anything was changed by mending.
    pub fn has_after(&self) -> bool {
        !self.changes.is_empty()
    }

    /// Red, green and blue codes of a part of a level, row by row. What lies outside is cut off.
    pub fn codes(&self, level: usize, part: Rect, version: Version) -> (Size, Vec<u8>) {
        let (level, part) = self.inside(level, part);
        let block = self.block(level, part, version);
        (part.size(), block.codes(&self.tones))
    }

    /// A part of a level as raking view. `options.scale` is in pixels of the whole picture, so that the view stays the same
    /// at every magnification.
    pub fn relief(&self, level: usize, part: Rect, version: Version, options: &RakeOptions) -> Plane<u8> {
        let (level, part) = self.inside(level, part);
        let scale = (options.scale.0 / (1usize << level) as f64).max(1.0);
        // Three running means of half-width `scale` reach this far.
        let reach = (3.0 * scale).ceil() as usize;
        let (x, y) = (part.x.saturating_sub(reach), part.y.saturating_sub(reach));
        let about = Rect { x, y, width: part.right() + reach - x, height: part.bottom() + reach - y };
        let (_, about) = self.inside(level, about);
        let light = self.block(level, about, version).light();
        let drawn = rake(&light, &RakeOptions { scale: Pixels(scale), ..*options });
        drawn.window(Rect { x: part.x - about.x, y: part.y - about.y, ..part })
    }

    fn inside(&self, level: usize, part: Rect) -> (usize, Rect) {
        let level = level.min(self.levels.len() - 1);
        let Size { width, height } = self.levels[level].size();
        let (x, y) = (part.x.min(width), part.y.min(height));
        (level, Rect { x, y, width: part.width.min(width - x), height: part.height.min(height - y) })
    }

    fn block(&self, level: usize, part: Rect, version: Version) -> Level {
        let mut block = self.levels[level].part(part);
        if version == Version::After {
            for (place, change) in self.changes.iter().map(|c| &c.levels[level]) {
                block.lay(part, change, *place);
            }
        }
        block
    }
}

/// Where a window of the stored picture lies as shown.
fn corners(turn: &Turn, window: Rect) -> Rect {
    let (a, b) =
        (turn.shown(window.x as f64, window.y as f64), turn.shown(window.right() as f64, window.bottom() as f64));
    let (x, y) = (a.0.min(b.0).max(0.0) as usize, a.1.min(b.1).max(0.0) as usize);
    Rect { x, y, width: (a.0 - b.0).abs() as usize, height: (a.1 - b.1).abs() as usize }
}

#[cfg(test)]
mod tests {
    use super::*;
    use motelight_frame::{Cfa, Colour, Digest, Encoding, Mask, NoiseModel, Orientation};

    /// A frame whose light is told by place; a mosaic or grey.
    fn frame(size: Size, orientation: u32, mosaic: bool, light: impl Fn(usize, usize) -> f32) -> Frame {
        let places = (0..size.height).flat_map(|y| (0..size.width).map(move |x| (x, y)));
        let mut shot = Shot::unknown(size);
        shot.orientation = Orientation::from_exif(orientation);
        let bayer = [Colour::Red, Colour::Green, Colour::Green, Colour::Blue].to_vec();
        let cfa = Cfa::new(Size { width: 2, height: 2 }, bayer).expect("a pattern");
        Frame {
            planes: vec![Plane::from_vec(size, places.map(|(x, y)| light(x, y)).collect())].into(),
            layout: if mosaic { Layout::Mosaic(cfa) } else { Layout::Grey },
            encoding: Encoding::Levels { period: Size { width: 1, height: 1 }, black: vec![0.0], white: 65535.0 },
            luminance: [1.0, 0.0, 0.0],
            noise: vec![NoiseModel { shot: 0.0, read: 0.0 }],
            mask: Mask(Plane::filled(size, 0)),
            shot,
            digest: Digest(String::new()),
            notes: Vec::new(),
        }
    }

    const SIZE: Size = Size { width: 3000, height: 2000 };

    fn red(seen: &Seen, level: usize, x: usize, y: usize, version: Version) -> u8 {
        seen.codes(level, Rect { x, y, width: 1, height: 1 }, version).1[0]
    }

    /// Exif 2.32, tag 274: with 6 the stored first row is the right side as shown, with 8 the left side.
    #[test]
    fn the_picture_stands_upright() {
        let bright_corner = |x: usize, y: usize| if x < 100 && y < 100 { 0.9 } else { 0.1 };
        for (orientation, size, corner) in [
            (1, (3000, 2000), (10, 10)),
            (3, (3000, 2000), (2990, 1990)),
            (6, (2000, 3000), (1990, 10)),
            (8, (2000, 3000), (10, 2990)),
        ] {
            let seen = Seen::of(&frame(SIZE, orientation, false, bright_corner));
            assert_eq!((seen.size().width, seen.size().height), size);
            assert!(red(&seen, 0, corner.0, corner.1, Version::Before) > 200, "{orientation}");
            assert!(red(&seen, 1, corner.0 / 2, corner.1 / 2, Version::Before) > 200, "{orientation}, half the size");
            assert!(red(&seen, 0, size.0 / 2, size.1 / 2, Version::Before) < 120);
        }
    }

    /// Light of three colours of different strength under one filter pattern is one plain grey.
    #[test]
    fn no_filter_pattern_shows_in_a_raw() {
        let light = |x: usize, y: usize| [[0.1, 0.3], [0.3, 0.2]][y % 2][x % 2];
        let seen = Seen::of(&frame(SIZE, 1, true, light));
        let (_, codes) = seen.codes(0, Rect { x: 500, y: 500, width: 40, height: 40 }, Version::Before);
        assert!(codes.iter().all(|c| c.abs_diff(codes[0]) <= 1));
    }

    #[test]
    fn a_mended_place_shows_in_every_level_and_nowhere_else() {
        for orientation in 1..=8 {
            let before = frame(SIZE, orientation, false, |_, _| 0.2);
            let after = frame(SIZE, orientation, false, |_, _| 0.6);
            let mut seen = Seen::of(&before);
            assert!(!seen.has_after());
            let window = Rect { x: 701, y: 1203, width: 64, height: 48 };
            seen.change(&after, window);
            let place = corners(&seen.turn, window);
            for level in 0..seen.levels() {
                let (x, y) = ((place.x + place.width / 2) >> level, (place.y + place.height / 2) >> level);
                let (old, new) = (red(&seen, level, x, y, Version::Before), red(&seen, level, x, y, Version::After));
                assert!(new > old + 40, "{orientation}, level {level}: {old} {new}");
            }
            let far = (place.x.saturating_sub(40), place.y.saturating_sub(40));
            assert_eq!(red(&seen, 0, far.0, far.1, Version::Before), red(&seen, 0, far.0, far.1, Version::After));
        }
    }

    /// The raking view of a part is that of the whole: where it is cut must not show.
    #[test]
    fn a_part_is_raked_like_the_whole() {
        let spot = |x: usize, y: usize| {
            let far = (x as f32 - 1500.0).hypot(y as f32 - 900.0);
            0.4 * (1.0 + 0.0001 * x as f32) * if far < 12.0 { 0.95 } else { 1.0 }
        };
        let seen = Seen::of(&frame(SIZE, 1, false, spot));
        let options = RakeOptions { scale: Pixels(60.0), strength: 8.0 };
        let whole = seen.relief(0, Rect { x: 0, y: 0, width: 3000, height: 2000 }, Version::Before, &options);
        let part = Rect { x: 1400, y: 850, width: 200, height: 100 };
        let drawn = seen.relief(0, part, Version::Before, &options);
        let apart = drawn.data().iter().zip(whole.window(part).data()).map(|(a, b)| a.abs_diff(*b)).max();
        assert!(apart <= Some(2), "{apart:?}");
        assert!(drawn.at(100, 50) < 100, "the spot stands dark in the relief");
    }

    #[test]
    fn what_is_asked_for_outside_is_cut_off() {
        let seen = Seen::of(&frame(Size { width: 30, height: 20 }, 1, false, |_, _| 0.5));
        assert_eq!(seen.levels(), 1);
        let (size, codes) = seen.codes(7, Rect { x: 25, y: 15, width: 100, height: 100 }, Version::After);
        assert_eq!((size.width, size.height, codes.len()), (5, 5, 75));
    }
}
