//! What the shadows of one picture share: the width of the pupil's image.
//!
//! A mote that takes part of the light, and is narrower than the pupil's image, gives a shadow as wide at half depth as that
//! image, whatever its own size (optics: `b = h / N`); one stand-off and one f-number hold for a whole picture. So its faint
//! shadows are of one width. What is clearly narrower is no shadow: a stain, a hole, a dead photosite; and where faint marks are of
//! all widths, they are stones, flies or stains.

use super::judge::{self, Least};
use super::result::{Cause, Suspect};

/// Contrast up to which a mote is surely narrower than the pupil's image: a round one as wide takes 0.58 over its own width, and
/// one half as long again as wide is as long at 0.4.
const FAINT: f64 = 0.45;
/// How far widths that agree lie from one another, as a ratio: they are measured to a tenth, and straightening an
/// architect's verticals stretches a picture by as much from end to end. A guess.
const AGREE: f64 = 1.18;
/// How far they may at most: straightened as much as anyone would, and a mark among texture is measured to a fifth. A guess.
const LOOSELY: f64 = 1.35;
/// Faint marks that must agree: two do by chance.
const ENOUGH: usize = 3;
/// Width over theirs below which a mark is none of them. Motes lie on one glass; one under it, at half its height, would be
/// taken back too, and is listed with the reason. A guess.
const NARROWER: f64 = 0.65;
/// Faint marks that tell whether they agree.
const TELLING: usize = 6;
/// Share of these that must: long ones and those that let light through are wider. A guess.
const MOST: f64 = 0.5;
/// Sharp things about a mark that tell of it.
const SHARP: usize = 3;

/// Takes back marks too small for their edges to be told, where sharp things that are no smaller lie about.
pub(super) fn among_sharp(suspects: &mut [Suspect], least: &Least, reach: f64) {
    judge::take_back(suspects, Cause::AmongSharpOnes, |s, all| {
        let about = || all.iter().filter(|m| m.at.distance(s.at).0 < reach && m.width_px > s.width_px);
        let sharp = about().filter(|m| m.cause == Cause::SharpEdge).count();
        let soft = || about().filter(|m| m.counts && least.tells(m)).count();
        !least.tells(s) && sharp >= SHARP && sharp > soft()
    });
}

/// Takes back marks narrower than those that agree, where these are the more, and all where they do not.
pub(super) fn agree(suspects: &mut [Suspect]) {
    let faint = |s: &&Suspect| s.counts && !s.fibre && s.contrast < FAINT;
    let mut widths: Vec<f64> = suspects.iter().filter(faint).map(|s| s.width_px).collect();
    let near = |w: f64| alike(&widths, w, AGREE);
    // Few shadows are wider than most.
    let wider = |w: f64| widths.iter().filter(|v| **v > AGREE * w).count();
    let most = |n: usize, of: usize| n as f64 > MOST * of as f64;
    let fits = |w: &f64| near(*w) >= ENOUGH && most(near(*w), near(*w) + wider(*w));
    let common = widths.iter().copied().filter(fits).max_by_key(|w| near(*w));
    if let Some(common) = common {
        let narrower = |w: f64| w < NARROWER * common;
        let against = suspects.iter().filter(|s| s.counts && narrower(s.width_px)).count();
        if near(common) > against {
            judge::take_back(suspects, Cause::NarrowerThanOthers, |s, _| narrower(s.width_px));
        }
        // Those that agree are no worse for what is narrower.
        widths.retain(|w| !narrower(*w));
    }
    let largest = widths.iter().map(|w| alike(&widths, *w, LOOSELY)).max().unwrap_or(0);
    if widths.len() >= TELLING && !most(largest, widths.len()) {
        judge::take_back(suspects, Cause::OfAllWidths, |_, _| true);
    }
}

/// How many widths lie within a ratio of one.
fn alike(widths: &[f64], one: f64, ratio: f64) -> usize {
    widths.iter().filter(|w| (1.0 / ratio..ratio).contains(&(**w / one))).count()
}
