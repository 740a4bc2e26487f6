//! Which part of a picture is seen, and how large. All in points of the screen and pixels of the picture as shown.

use eframe::egui::{Pos2, Rect, Vec2, vec2};
use motelight_frame::{self as frame, Size};

/// Closest: a pixel of the picture on so many points.
const CLOSEST: f32 = 40.0;

/// Where one looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Viewport {
    /// The place of the picture in the middle of the pane, px.
    centre: Vec2,
    /// Points per pixel of the picture; `None`: the whole picture.
    zoom: Option<f32>,
}

impl Default for Viewport {
    fn default() -> Self {
        Viewport { centre: Vec2::ZERO, zoom: None }
    }
}

/// A picture in a pane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placing {
    /// The pane.
    pub pane: Rect,
    /// Size of the picture, px.
    pub size: Vec2,
    /// Points per pixel of the picture.
    pub zoom: f32,
    /// Place of the picture's first corner on the screen.
    pub origin: Pos2,
}

impl Viewport {
    /// The whole picture.
    pub fn fit(&mut self) {
        self.zoom = None;
    }

    /// How a picture lies in a pane.
    pub fn placing(&self, pane: Rect, size: Size) -> Placing {
        let size = vec2(size.width.max(1) as f32, size.height.max(1) as f32);
        let whole = whole(pane, size);
        let zoom = self.zoom.map_or(whole, |z| z.clamp(whole.min(1.0), CLOSEST));
        let half = 0.5 * pane.size() / zoom;
        // A side that fits stands in the middle; one that does not is never left.
        let inside = |centre: f32, half: f32, side: f32| {
            if 2.0 * half >= side { 0.5 * side } else { centre.clamp(half, side - half) }
        };
        let centre = match self.zoom {
            None => 0.5 * size,
            Some(_) => vec2(inside(self.centre.x, half.x, size.x), inside(self.centre.y, half.y, size.y)),
        };
        Placing { pane, size, zoom, origin: pane.center() - centre * zoom }
    }

    /// Closer or further away by a factor, with `about` held in its place.
    pub fn zoom_by(&mut self, factor: f32, about: Pos2, now: &Placing) {
        self.zoom_to(now.zoom * factor, about, now);
    }

    /// To so many points per pixel, with `about` held in its place.
    pub fn zoom_to(&mut self, zoom: f32, about: Pos2, now: &Placing) {
        let least = whole(now.pane, now.size).min(1.0);
        if zoom <= least * 1.001 && least < 1.0 {
            return self.fit();
        }
        let zoom = zoom.clamp(least, CLOSEST);
        let place = now.picture(about);
        self.zoom = Some(zoom);
        self.centre = place - (about - now.pane.center()) / zoom;
    }

    /// Moves the picture by so many points.
    pub fn pan(&mut self, by: Vec2, now: &Placing) {
        if self.zoom.is_some() {
            self.centre = now.picture(now.pane.center()) - by / now.zoom;
        }
    }

    /// Brings a place into the middle, at least as close as `zoom`.
    pub fn show(&mut self, place: Vec2, zoom: f32, now: &Placing) {
        self.zoom = Some(if self.zoom.is_some() { now.zoom.max(zoom) } else { zoom });
        self.centre = place;
    }
}

fn whole(pane: Rect, size: Vec2) -> f32 {
    (pane.width() / size.x).min(pane.height() / size.y).max(1e-4)
}

impl Placing {
    /// The place of the picture under a point of the screen, px.
    pub fn picture(&self, at: Pos2) -> Vec2 {
        (at - self.origin) / self.zoom
    }

    /// Where a place of the picture is on the screen.
    pub fn screen(&self, x: f32, y: f32) -> Pos2 {
        self.origin + vec2(x, y) * self.zoom
    }

    /// The whole picture on the screen.
    pub fn all(&self) -> Rect {
        Rect::from_min_size(self.origin, self.size * self.zoom)
    }

    /// The part that is seen, in pixels of a level of `reduced` pixels of the picture to one of its own.
    pub fn seen(&self, reduced: f32) -> Option<frame::Rect> {
        let (from, to) = (self.picture(self.pane.min), self.picture(self.pane.max));
        let low = |v: f32| (v / reduced).floor().max(0.0) as usize;
        let high = |v: f32, side: f32| (v.min(side) / reduced).ceil().max(0.0) as usize;
        let (x, y) = (low(from.x), low(from.y));
        let (right, bottom) = (high(to.x, self.size.x), high(to.y, self.size.y));
        (right > x && bottom > y).then(|| frame::Rect { x, y, width: right - x, height: bottom - y })
    }

    /// Where a part of a level is on the screen.
    pub fn place(&self, part: frame::Rect, reduced: f32) -> Rect {
        let corner = |x: usize, y: usize| self.screen(x as f32 * reduced, y as f32 * reduced);
        Rect::from_min_max(corner(part.x, part.y), corner(part.right(), part.bottom()))
    }

    /// The level whose pixels are just not larger than those of the screen.
    pub fn level(&self, levels: usize, points_per_pixel: f32) -> usize {
        let reduced = points_per_pixel / self.zoom;
        let level = reduced.max(1.0).log2().floor() as usize;
        level.min(levels.saturating_sub(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use eframe::egui::pos2;

    const PANE: Rect = Rect { min: Pos2 { x: 100.0, y: 50.0 }, max: Pos2 { x: 1100.0, y: 650.0 } };
    const SIZE: Size = Size { width: 8000, height: 6000 };

    #[test]
    fn the_whole_picture_lies_in_the_middle_of_its_pane() {
        let placing = Viewport::default().placing(PANE, SIZE);
        assert_eq!(placing.zoom, 0.1);
        assert!((placing.all().center() - PANE.center()).length() < 0.01);
        assert!(PANE.expand(0.1).contains_rect(placing.all()));
    }

    #[test]
    fn what_lies_under_the_pointer_stays_there_when_one_goes_closer() {
        let mut view = Viewport::default();
        let about = pos2(700.0, 400.0);
        let before = view.placing(PANE, SIZE);
        let place = before.picture(about);
        view.zoom_by(6.0, about, &before);
        let after = view.placing(PANE, SIZE);
        assert!((after.screen(place.x, place.y) - about).length() < 0.1);
        assert!((after.zoom - 0.6).abs() < 1e-4);
    }

    #[test]
    fn the_picture_is_never_left() {
        let mut view = Viewport::default();
        view.zoom_to(1.0, PANE.center(), &view.placing(PANE, SIZE));
        for by in [vec2(1e6, 1e6), vec2(-1e7, 300.0), vec2(f32::MAX, -1e9)] {
            view.pan(by, &view.placing(PANE, SIZE));
            assert!(view.placing(PANE, SIZE).all().expand(0.5).contains_rect(PANE));
        }
        view.zoom_by(1e-6, PANE.center(), &view.placing(PANE, SIZE));
        assert_eq!(view, Viewport { zoom: None, ..view }, "out of bounds is the whole picture");
    }

    #[test]
    fn a_mote_is_brought_into_the_middle_unless_it_lies_at_the_edge() {
        let mut view = Viewport::default();
        view.show(vec2(4000.0, 2000.0), 1.0, &view.placing(PANE, SIZE));
        let placing = view.placing(PANE, SIZE);
        assert!((placing.screen(4000.0, 2000.0) - PANE.center()).length() < 0.01);
        view.show(vec2(2.0, 3.0), 1.0, &placing);
        assert!(PANE.contains(view.placing(PANE, SIZE).screen(2.0, 3.0)));
    }

    #[test]
    fn levels_follow_the_magnification() {
        let at = |zoom: f32| Placing { pane: PANE, size: vec2(8000.0, 6000.0), zoom, origin: PANE.min }.level(4, 1.0);
        assert_eq!([at(4.0), at(1.0), at(0.6), at(0.5), at(0.2), at(0.01)], [0, 0, 0, 1, 2, 3]);
    }
}
