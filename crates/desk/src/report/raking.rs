//! A raking view as a picture of its own, as large as the picture it is of.

use motelight_frame::{Frame, Pixels, Rect, Size};
use motelight_motes::rake::{RakeOptions, rake};

use super::pictures::{grey_window, png_named};

/// What a raking view's file says of itself, by which it is known again.
pub const RAKED_BY: &str = "motelight rake";

/// A raking view.
#[derive(Debug, Clone)]
pub struct RakingView {
    /// The file: 8-bit grey PNG.
    pub png: Vec<u8>,
    /// Its size, upright.
    pub size: Size,
    /// Scale, px of the picture.
    pub scale_px: f64,
}

/// Draws a picture, upright, as raking view. `scale`: share of the picture's long side up to which differences are kept.
/// `None` where it is too large for a PNG.
pub fn raking_view(frame: Frame, scale: f64, strength: f64) -> Option<RakingView> {
    let Size { width, height } = frame.size();
    let scale_px = (scale * width.max(height) as f64).max(1.0);
    let grey = grey_window(&frame, Rect::whole(frame.size()));
    let orientation = frame.shot.orientation;
    // The picture itself is the larger part of the memory and is not needed any more.
    drop(frame);
    let relief = orientation.upright(rake(&grey, &RakeOptions { scale: Pixels(scale_px), strength }));
    Some(RakingView { png: png_named(&relief, RAKED_BY)?, size: relief.size(), scale_px })
}

/// Whether the bytes are a raking view drawn here.
pub fn is_raking_view(bytes: &[u8]) -> bool {
    let Ok(reader) = png::Decoder::new(std::io::Cursor::new(bytes)).read_info() else { return false };
    reader.info().uncompressed_latin1_text.iter().any(|t| t.keyword == "Software" && t.text == RAKED_BY)
}

#[cfg(test)]
mod tests {
    use motelight_frame::Plane;

    use super::*;

    #[test]
    fn a_raking_view_is_known_again_and_another_picture_is_not() {
        let grey = Plane::filled(Size { width: 8, height: 4 }, 128u8);
        assert!(is_raking_view(&png_named(&grey, RAKED_BY).expect("drawn")));
        assert!(!is_raking_view(&super::super::pictures::png_bytes(&grey).expect("drawn")));
        assert!(!is_raking_view(b"no picture at all"));
    }
}
