//! Marks beside leaves: before a sky a small one is round and dark, and no measure of it alone tells it from a shadow.

use std::ops::Range;

use motelight_frame::Frame;

use super::judge;
use super::levels::{Level, about, mean_light, seven_across, usual_light};
use super::result::{Cause, Suspect};

/// What is taken for the ground of a mark, in widths from it.
const AROUND: Range<f64> = 0.9..2.0;
/// How far about a mark leaves are looked for, in widths: they hang together. A guess.
const REACH: f64 = 12.0;
/// What takes so much of the light as a share of the mark's contrast is a thing of the scene.
const AS_DARK: f64 = 0.5;
/// The same over the usual deviation of a cell.
const OVER_GRAIN: f32 = 4.0;
/// Width that a picture's own blur gives to a point, at most, px: that of one enlarged to twice its size. A guess. What is wider
/// covers what is behind it, and is as dark as others of its kind.
const BLUR: f64 = 7.0;
/// Share of what lies about from which things are judged. A guess.
const LEAST: f64 = 0.01;
/// Green kept over blue and over red, each as a share of that of the light around, from which things are green: a leaf's
/// reflectance has its visible maximum near 550 nm, common knowledge; at a leaf's edge the sky shines through. Guesses.
const OVER_BLUE: f64 = 1.03;
/// See `OVER_BLUE`.
const OVER_RED: f64 = 0.95;
/// Light around below which it is night, and a colour tells nothing. A guess.
const NIGHT: f32 = 0.05;
/// Blue over green in the light around, from which it may be a sky: a blue, a grey or a white one. A guess.
const SKY: f64 = 0.9;

/// Takes back what lies beside leaves.
pub(super) fn take_back(suspects: &mut [Suspect], frame: &Frame, levels: &[Level]) {
    if frame.planes.len() == 3 {
        judge::take_back(suspects, Cause::BesideLeaves, |s, _| beside(s, frame, levels));
    }
}

/// Whether green things lie about a mark, as dark as half of it.
fn beside(mark: &Suspect, frame: &Frame, levels: &[Level]) -> bool {
    // Half as fine as a mark is measured on.
    let level = seven_across(levels, 2.0 * mark.width_px);
    let about = |within| about(level, mark.at, mark.width_px, within);
    let around = about(AROUND);
    let (ground, sigma) = usual_light(level, &around);
    if ground < NIGHT {
        return false;
    }
    let dark = ground - ((AS_DARK * mark.contrast) as f32 * ground).max(OVER_GRAIN * sigma);
    let light = |&(i, j): &(usize, usize)| level.light.at(i, j);
    // The mark itself is none of them.
    let mut things = about(1.0..REACH);
    things.retain(|at| light(at) < dark);
    let area = std::f64::consts::PI * (REACH * mark.width_px / level.cell as f64).powi(2);
    if things.len() as f64 <= LEAST * area {
        return false;
    }
    let mean = things.iter().map(|at| f64::from(light(at))).sum::<f64>() / things.len() as f64;
    let as_leaf = (1.0 - mean / f64::from(ground)) * (1.0 - (BLUR / mark.width_px).powi(2));
    if mark.contrast < AS_DARK * as_leaf {
        return false;
    }
    let colours = |cells| [0, 1, 2].map(|c| mean_light(frame, c, level.cell, cells).max(1e-6));
    let (thing, sky) = (colours(&things), colours(&around));
    if sky[2] < SKY * sky[1] {
        return false;
    }
    let [red, green, blue] = [0, 1, 2].map(|c| thing[c] / sky[c]);
    green > OVER_BLUE * blue && green > OVER_RED * red
}
