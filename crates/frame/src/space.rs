//! Points, sizes and the one transform between the picture and the sensor.

use serde::{Deserialize, Serialize};

use crate::units::{Micrometres, Pixels};

/// A place in the picture: full pixels of the default crop before orientation, pixel centres at .5.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PicturePoint {
    /// To the right, px.
    pub x: f64,
    /// Down, px.
    pub y: f64,
}

impl PicturePoint {
    /// Distance to another place.
    pub fn distance(self, other: PicturePoint) -> Pixels {
        Pixels((self.x - other.x).hypot(self.y - other.y))
    }
}

/// A place on the sensor: mm from the centre of the default crop, picture axes before orientation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SensorPoint {
    /// To the picture's right, mm.
    pub x: f64,
    /// To the picture's bottom, mm.
    pub y: f64,
}

/// Width and height, px.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Size {
    /// Pixels in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Size {
    /// Number of pixels.
    pub fn area(self) -> usize {
        self.width * self.height
    }
}

/// A rectangle of whole pixels: left and top inclusive, right = x + width exclusive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Rect {
    /// First column.
    pub x: usize,
    /// First row.
    pub y: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Rect {
    /// All of a picture.
    pub fn whole(size: Size) -> Rect {
        Rect { x: 0, y: 0, width: size.width, height: size.height }
    }

    /// The square of `2 * radius` px around a place, clipped to `within`; `None` if nothing is left.
    pub fn around(at: PicturePoint, radius: Pixels, within: Size) -> Option<Rect> {
        let clip = |v: f64, end: usize| v.clamp(0.0, end as f64) as usize;
        let (x, y) = (clip((at.x - radius.0).floor(), within.width), clip((at.y - radius.0).floor(), within.height));
        let (x1, y1) = (clip((at.x + radius.0).ceil(), within.width), clip((at.y + radius.0).ceil(), within.height));
        (x1 > x && y1 > y).then(|| Rect { x, y, width: x1 - x, height: y1 - y })
    }

    /// First column past the right edge.
    pub fn right(self) -> usize {
        self.x + self.width
    }

    /// First row past the bottom edge.
    pub fn bottom(self) -> usize {
        self.y + self.height
    }

    /// Its size.
    pub fn size(self) -> Size {
        Size { width: self.width, height: self.height }
    }
}

/// The transform between picture px and sensor mm: a scale about the centre of the default crop.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SensorFromPicture {
    /// Size of the default crop.
    pub size: Size,
    /// Pixel pitch.
    pub pitch: Micrometres,
}

impl SensorFromPicture {
    /// Where a place of the picture lies on the sensor.
    pub fn sensor(self, at: PicturePoint) -> SensorPoint {
        let mm = self.pitch.0 / 1000.0;
        SensorPoint { x: (at.x - self.size.width as f64 / 2.0) * mm, y: (at.y - self.size.height as f64 / 2.0) * mm }
    }

    /// Where a place of the sensor stands in the picture (it may lie outside).
    pub fn picture(self, at: SensorPoint) -> PicturePoint {
        let mm = self.pitch.0 / 1000.0;
        PicturePoint { x: at.x / mm + self.size.width as f64 / 2.0, y: at.y / mm + self.size.height as f64 / 2.0 }
    }

    /// A length on the sensor in pixels.
    pub fn pixels(self, length: Micrometres) -> Pixels {
        Pixels(length.0 / self.pitch.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_centre_of_the_picture_is_the_origin_of_the_sensor() {
        let t = SensorFromPicture { size: Size { width: 8256, height: 5504 }, pitch: Micrometres(4.3605) };
        let corner = t.sensor(PicturePoint { x: 0.0, y: 0.0 });
        assert!((corner.x + 18.0).abs() < 0.01 && (corner.y + 12.0).abs() < 0.01);
        let back = t.picture(corner);
        assert!(back.distance(PicturePoint { x: 0.0, y: 0.0 }).0 < 1e-9);
    }

    #[test]
    fn a_window_off_the_picture_is_none() {
        let within = Size { width: 10, height: 10 };
        assert_eq!(Rect::around(PicturePoint { x: -30.0, y: 5.0 }, Pixels(4.0), within), None);
        let edge = Rect::around(PicturePoint { x: 0.5, y: 9.5 }, Pixels(2.0), within);
        assert_eq!(edge, Some(Rect { x: 0, y: 7, width: 3, height: 3 }));
    }
}
