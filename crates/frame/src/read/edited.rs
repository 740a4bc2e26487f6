//! Signs that a rendered picture was changed after the camera wrote it.
//!
//! Only what an open standard makes plain counts: sizes that Exif and the file tell differently, and an
//! XMP history (ISO 16684-1) that names the act. A program's name in the file is no sign, cameras and
//! converters write one too; nor is it a sign that nothing is known about the shot.

use super::facts::Facts;
use crate::space::Size;

/// Acts of XMP's `stEvt:action` that change what the pixels show (ISO 16684-1, ResourceEvent).
const CHANGES: [&str; 6] = ["cropped", "edited", "filtered", "resized", "color_adjusted", "layout_adjusted"];

/// Side ratios that cameras record: 1:1, 7:6, 5:4, 4:3, 3:2, 16:10, 16:9, 2:1, 65:24.
const RATIOS: [f64; 9] = [1.0, 7.0 / 6.0, 1.25, 4.0 / 3.0, 1.5, 1.6, 16.0 / 9.0, 2.0, 65.0 / 24.0];

/// Why the picture looks edited, cropped or resized; `None` where nothing says so.
pub(super) fn sign_of_editing(facts: &Facts, stored: Size) -> Option<String> {
    if let Some((x, y)) = recorded_pixels(facts).find(|p| !same_sides(*p, stored)) {
        return Some(format!(
            "the camera recorded {x} x {y} pixels, the file holds {} x {}: it was cropped or resized",
            stored.width, stored.height
        ));
    }
    let history = facts.xmp.as_deref().unwrap_or_default();
    let act = CHANGES.iter().find(|act| {
        history.contains(&format!("stEvt:action=\"{act}\"")) || history.contains(&format!("<stEvt:action>{act}<"))
    });
    if let Some(act) = act {
        return Some(format!("its history says that it was {}", act.replace('_', " ")));
    }
    // Without a camera's name nothing is known of how the picture came to be.
    let ratio = stored.width.max(stored.height) as f64 / stored.width.min(stored.height).max(1) as f64;
    let usual = RATIOS.iter().any(|r| (ratio / r - 1.0).abs() < 0.03);
    (facts.model.is_some() && !usual)
        .then(|| format!("its sides stand {ratio:.2} : 1, which no camera records: it may have been cropped"))
}

/// The recorded size as Exif and XMP tell it (PixelXDimension and PixelYDimension in both).
pub(super) fn recorded_pixels(facts: &Facts) -> impl Iterator<Item = (u32, u32)> {
    let xmp = facts.xmp.as_deref().unwrap_or_default();
    let in_xmp = number_in(xmp, "exif:PixelXDimension").zip(number_in(xmp, "exif:PixelYDimension"));
    [facts.pixels, in_xmp].into_iter().flatten()
}

/// A whole number of an XMP packet, written as an attribute or as an element.
fn number_in(xmp: &str, name: &str) -> Option<u32> {
    let after = &xmp[xmp.find(name)? + name.len()..];
    let digits = after.strip_prefix("=\"").or_else(|| after.strip_prefix('>'))?;
    digits[..digits.find(|c: char| !c.is_ascii_digit())?].parse().ok()
}

/// Whether both sizes are the same up to a quarter turn.
pub(super) fn same_sides((x, y): (u32, u32), stored: Size) -> bool {
    let (x, y) = (x as usize, y as usize);
    (x, y) == (stored.width, stored.height) || (y, x) == (stored.width, stored.height)
}

#[cfg(test)]
mod tests {
    use super::*;

    const STORED: Size = Size { width: 3000, height: 2000 };

    #[test]
    fn a_size_other_than_the_recorded_one_is_a_sign() {
        let whole = Facts { pixels: Some((3000, 2000)), ..Facts::default() };
        let turned = Facts { pixels: Some((2000, 3000)), ..Facts::default() };
        let cut = Facts { pixels: Some((6000, 4000)), ..Facts::default() };
        let packet = r#"<rdf:Description exif:PixelXDimension="6000" exif:PixelYDimension="4000"/>"#;
        let cut_by_xmp = Facts { xmp: Some(packet.into()), ..whole.clone() };
        assert_eq!(sign_of_editing(&whole, STORED), None);
        assert_eq!(sign_of_editing(&turned, STORED), None);
        assert!(sign_of_editing(&cut, STORED).is_some_and(|s| s.contains("6000 x 4000")));
        assert!(sign_of_editing(&cut_by_xmp, STORED).is_some());
    }

    #[test]
    fn an_act_in_the_history_is_a_sign_and_a_program_s_name_is_none() {
        let history = |act: &str| Facts { xmp: Some(format!(r#"<rdf:li stEvt:action="{act}"/>"#)), ..Facts::default() };
        assert!(sign_of_editing(&history("cropped"), STORED).is_some());
        assert_eq!(sign_of_editing(&history("saved"), STORED), None);
        let named = Facts { software: Some("Converter 3".into()), ..Facts::default() };
        assert_eq!(sign_of_editing(&named, STORED), None);
    }

    #[test]
    fn odd_sides_are_a_sign_only_where_a_camera_is_named() {
        let odd = Size { width: 3000, height: 1300 };
        let named = Facts { model: Some("K2".into()), ..Facts::default() };
        assert!(sign_of_editing(&named, odd).is_some());
        assert_eq!(sign_of_editing(&Facts::default(), odd), None);
    }
}
