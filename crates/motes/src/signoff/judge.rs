//! What a mark is taken for.

use super::patch::{Mark, Tint};
use super::result::Cause;
use super::seek::Place;

/// Beyond a colour's full scale less this it is clipped and tells nothing.
const CLIPPED: f64 = 0.96;

/// Bounds of what a shadow can look like in a finished picture.
///
/// All are guesses with a reason, none is fitted to a set of pictures.
mod bound {
    /// Strongest part of the surroundings over the mark: half the contrast at which it would compete with it.
    pub const UNREST: f64 = 0.35;
    /// Contrast over the usual differences around it: a mark at twice the threshold stands at 10 (Rose's 5, see
    /// `visibility`), of which a fifth is left for the error of the spread.
    pub const STANDS_OUT: f64 = 8.0;
    /// What a tenth of normal deviations exceed, in standard deviations.
    pub const NORMAL_TENTH: f64 = 1.645;
    /// Share of the mark that no round mark of any softness explains: a blob stretched by half leaves 0.1.
    pub const UNEXPLAINED: f64 = 0.18;
    /// Long over short axis: motes are up to 1.8 times as long as wide, and blurred by the pupil.
    pub const ELONGATION: f64 = 1.7;
    /// Blur of the edge in widths: a mote of width a under a pupil image of width b has an edge of about
    /// min(a, b) / max(a, b), and a depth of (a / b)^2: at a depth of 1 % an edge of a tenth.
    pub const SOFTNESS: f64 = 0.05;
    /// Cells across below which an edge cannot be told.
    pub const EDGE_CELLS: f64 = 6.5;
    /// Least and greatest loss of a colour over that of the luminance, as logarithms of the light left: a shadow takes
    /// the same share of each, and tone curves of editors differ by that much in slope between the colours of a sky.
    pub const TINT: (f64, f64) = (0.55, 1.7);
    /// Comparable places in the surroundings, share of those looked at.
    pub const ALIKE: usize = 6;
}

/// What a mark is taken for; [`Cause::LikeAShadow`] where nothing speaks against it.
/// `colours` is asked only where all else fits.
/// `noticed`: contrast that would just be noticed there, grain apart.
pub(super) fn cause(mark: &Mark, place: &Place, noticed: f64, colours: impl FnOnce() -> Vec<Tint>) -> Cause {
    if place.alike >= bound::ALIKE {
        return Cause::OneOfMany;
    }
    // Plain is where nothing else of that size would be noticed: detail that shows by itself hides a shadow.
    let plain = mark.unrest < bound::UNREST.min(noticed / mark.contrast);
    if !plain || mark.contrast < standing_out(place) {
        return Cause::AmongDetail;
    }
    if mark.elongation > bound::ELONGATION || mark.unexplained > bound::UNEXPLAINED {
        return Cause::NotRound;
    }
    if mark.width_cells >= bound::EDGE_CELLS && mark.softness < bound::SOFTNESS {
        return Cause::SharpEdge;
    }
    if coloured(mark, &colours()) {
        return Cause::Coloured;
    }
    Cause::LikeAShadow
}

/// Contrast from which a place stands out of its surroundings.
fn standing_out(place: &Place) -> f64 {
    bound::STANDS_OUT * place.sigma.max(place.strongest / bound::NORMAL_TENTH)
}

/// Whether a place might count once it is measured: its contrast through the filter is less than that over its own disc,
/// by two fifths at most.
pub(super) fn may_count(place: &Place) -> bool {
    place.alike < bound::ALIKE && place.contrast > 0.6 * standing_out(place)
}

fn coloured(mark: &Mark, colours: &[Tint]) -> bool {
    colours.iter().filter(|t| t.ground < CLIPPED).any(|t| {
        let error = 3.0 * t.sigma;
        let (least, most) = bound::TINT;
        let lost = |contrast: f64| -libm::log((1.0 - contrast).max(0.01));
        let of_light = lost(mark.contrast);
        lost(t.contrast + error) < least * of_light || lost(t.contrast - error) > most * of_light
    })
}
