//! How a stored picture becomes the one that is shown.

use motelight_frame::{Orientation, PicturePoint};

/// How a stored picture becomes the one that is shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// Exif orientation.
    pub orientation: u8,
    /// Size as stored.
    pub stored: (f64, f64),
}

impl Turn {
    fn exif(&self) -> Orientation {
        Orientation::from_exif(self.orientation.into())
    }

    /// A place of the stored picture, as shown.
    pub fn shown(&self, x: f64, y: f64) -> (f64, f64) {
        let at = self.exif().shown(PicturePoint { x, y }, self.stored);
        (at.x, at.y)
    }

    /// Size as shown.
    pub fn size(&self) -> (f64, f64) {
        let (w, h) = self.stored;
        if self.exif().swaps_sides() { (h, w) } else { (w, h) }
    }
}
