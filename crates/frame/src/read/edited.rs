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
    if let Some((x, y)) = facts.pixels.filter(|p| !same_sides(*p, stored)) {
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

/// Whether both sizes are the same up to a quarter turn.
pub(super) fn same_sides((x, y): (u32, u32), stored: Size) -> bool {
    let (x, y) = (x as usize, y as usize);
    (x, y) == (stored.width, stored.height) || (y, x) == (stored.width, stored.height)
}
