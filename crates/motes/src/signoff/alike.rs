//! What the shadows of one picture share: the width of the pupil's image.
//!
//! A mote that takes part of the light, and is narrower than the pupil's image, gives a shadow as wide at half depth as that
//! image, whatever its own size (optics: `b = h / N`); one stand-off and one f-number hold for a whole picture. So its faint
//! shadows are of one width, and what is clearly narrower than these is no shadow: a stain, a hole, a dead photosite.

use super::judge;
use super::result::{Cause, Suspect};

/// Contrast up to which a mote is surely narrower than the pupil's image: its share of that area, a guess.
const FAINT: f64 = 0.35;
/// How far widths that agree lie from one another, as a ratio: they are measured to a tenth, and straightening an
/// architect's verticals stretches a picture by as much from end to end. A guess.
const AGREE: f64 = 1.15;
/// Faint marks that must agree: two do by chance.
const ENOUGH: usize = 3;
/// Width over theirs below which a mark is none of them. Motes lie on one glass; one under it, at half its height, would be
/// taken back too, and is listed with the reason. A guess.
const NARROWER: f64 = 0.65;

/// Takes back marks narrower than those that agree, where these are the more.
pub(super) fn agree(suspects: &mut [Suspect]) {
    let widths: Vec<f64> = suspects.iter().filter(|s| s.counts && s.contrast < FAINT).map(|s| s.width_px).collect();
    let near = |w: f64| widths.iter().filter(move |v| (1.0 / AGREE..AGREE).contains(&(**v / w))).count();
    let Some(common) = widths.iter().copied().max_by_key(|w| near(*w)) else { return };
    let narrower = |w: f64| w < NARROWER * common;
    let against = suspects.iter().filter(|s| s.counts && narrower(s.width_px)).count();
    if near(common) >= ENOUGH.max(against + 1) {
        judge::take_back(suspects, Cause::NarrowerThanOthers, |s, _| narrower(s.width_px));
    }
}
