//! The last look at a finished picture: shadow-like marks that would be seen, without knowing the camera.
//!
//! In: a [`Frame`] from any editor, and how it will be looked at. Out: the places that look like shadows and would
//! be seen, others listed low with the reason, and for which viewings the picture can tell at all. It needs no facts
//! of the shot: shadows of every size that a glass and a crop can give are looked for; a file that tells its f-number
//! narrows them down.

mod levels;
mod blur;
mod seek;
mod patch;
mod square;
mod strand;
mod leaves;
mod alike;
mod judge;
mod vouch;
mod result;

pub use result::{Cause, SignOff, Suspect, Verdict, Vouch};

use std::cmp::Ordering;

use motelight_frame::{FNumber, Frame, Micrometres, PicturePoint};
use rayon::prelude::*;

use crate::visibility::{Viewing, noticed_contrast};
use judge::Least;
use patch::Mark;
use seek::{Around, Place, Responses, Side};

/// Least stand-off, mm: "less than 1 mm" of filter glass lies before some sensors (laboratory articles on lenses, 2014), and a
/// glass of 0.75 mm and index 1.5 counts as much as 0.5 mm of air.
const LEAST_STAND_OFF: f64 = 0.5;
/// Long side of the sensor where the file does not tell, mm: on a smaller one, and in a crop, shadows are a larger part of
/// the picture.
const SENSOR: f64 = 36.0;
/// Greatest f-number of practice, where the file does not tell.
const SMALLEST_APERTURE: f64 = 22.6;
/// Widest shadow as a share of the long side: 250 µm on that sensor, of which 48 % of the side is in the picture. A guess.
const WIDEST: f64 = 0.0145;
/// Narrowest mark looked for, px: three pixels have a middle and two flanks. What counts is wider (`judge`).
const NARROWEST: f64 = 2.8;
/// Contrast over its uncertainty from which a mark counts. Look-elsewhere: a 24-megapixel picture has some
/// 10^6 independent places over all sizes; normal noise passes 5.5 in one of 50 such pictures.
const SNR: f64 = 5.5;
/// Places that cannot count and are looked at closely all the same, the strongest.
const LOOKED_AT: usize = 100;
/// Places listed that do not count.
const LISTED: usize = 20;

/// What to look for.
#[derive(Debug, Clone, PartialEq)]
pub struct SignOffOptions {
    /// How the picture will be looked at; each is judged.
    pub viewings: Vec<Viewing>,
}

impl Default for SignOffOptions {
    fn default() -> Self {
        SignOffOptions { viewings: Viewing::standard() }
    }
}

/// The eye before one picture.
struct Eye {
    /// Angle of a pixel, arcmin, and luminance of white, cd/m2, by viewing.
    viewings: Vec<(f64, f64)>,
}

impl Eye {
    fn new(frame: &Frame, viewings: &[Viewing]) -> Eye {
        let of = |v: &Viewing| (v.arcmin_per_um(frame.size(), Micrometres(1.0)), v.luminance());
        Eye { viewings: viewings.iter().map(of).collect() }
    }

    /// Least contrast over a disc that would be noticed in any viewing.
    fn noticed(&self, width_px: f64, ground: f64, sigma: f64) -> f64 {
        let one = |&(arcmin, white): &(f64, f64)| {
            noticed_contrast(width_px * arcmin, (white * (ground + f64::from(seek::VEIL))).max(0.01), sigma)
        };
        self.viewings.iter().map(one).fold(f64::MAX, f64::min)
    }
}

/// Widths that shadows can have, px: none is narrower than the pupil's image, h / N (optics: h = b N).
fn widths(frame: &Frame) -> std::ops::Range<f64> {
    let size = frame.size();
    let long = size.width.max(size.height) as f64;
    let f_number = frame.shot.f_number.map_or(SMALLEST_APERTURE, FNumber::exact);
    let narrowest = LEAST_STAND_OFF / f_number / SENSOR * long;
    narrowest.max(NARROWEST)..(WIDEST * long).max(2.0 * narrowest)
}

/// Looks a finished picture over.
pub fn sign_off(frame: &Frame, options: &SignOffOptions) -> SignOff {
    let size = frame.size();
    let eye = Eye::new(frame, &options.viewings);
    let widths = widths(frame);
    let levels = levels::levels(frame, widths.end);
    let mut places: Vec<Place> = Vec::new();
    let mut ledger = vouch::Tally::new(size);
    for (i, level) in levels.iter().enumerate() {
        let cell = level.cell as f64;
        let wanted = [2.83, 4.0, 5.66, 8.0].into_iter().filter(|w| {
            let first = if i == 0 { *w < 4.0 } else { false };
            let last = i + 1 == levels.len() && *w > 6.0;
            (first || last || (4.0..6.0).contains(w)) && (0.84 * widths.start..1.19 * widths.end).contains(&(w * cell))
        });
        for width in wanted {
            let responses = Responses::of(level, width);
            let least = |x: usize, y: usize| {
                let ground = f64::from(level.light.at(x, y));
                0.5 * eye.noticed(width * cell, ground, 0.0)
            };
            for side in [Side::Darker, Side::Lighter] {
                places.extend(responses.places(side, level.cell, least));
            }
            ledger.note(level, &responses);
        }
    }
    let likely = places.iter().filter(|p| judge::may_count(p)).map(|p| (p.x, p.y, p.width));
    let least = Least::new(size, widths.start, blur::of_edges(&levels[0], likely), levels[0].cell);
    let (shadows, mirrored): (Vec<Place>, Vec<Place>) = places.into_iter().partition(|p| p.side == Side::Darker);
    let look = |places: &[Place]| {
        merged(places.par_iter().filter_map(|place| suspect(frame, &levels, place, &least, &eye)).collect())
    };
    let mut suspects = look(&likeliest(shadows, LOOKED_AT));
    judge::against_swarms(&mut suspects, &least);
    leaves::take_back(&mut suspects, frame, &levels);
    // Only what can speak against a dark mark is looked at; a place moves a little when it is measured.
    let reach = judge::mirrored_reach(size);
    let told = |p: &Place| suspects.iter().any(|s| s.counts && (s.at.x - p.x).hypot(s.at.y - p.y) < 1.1 * reach);
    let mut mirrored = look(&likeliest(mirrored.into_iter().filter(told).collect(), 0));
    mirrored.retain(|m| m.counts && stands_up(m, &levels));
    judge::against_mirrored(&mut suspects, &mirrored, reach);
    alike::among_sharp(&mut suspects, &least, reach);
    alike::agree(&mut suspects);
    suspects.sort_by(order);
    let low = suspects.iter().take_while(|s| s.counts).count() + LISTED;
    suspects.truncate(low);
    let vouches = ledger.vouches(&options.viewings, &eye);
    let verdict = if suspects.iter().any(|s| s.counts) {
        Verdict::Suspects
    } else if vouches.iter().all(|v| v.judged) {
        Verdict::Clear
    } else {
        Verdict::CannotJudge
    };
    SignOff { verdict, vouches, suspects, notes: Vec::new() }
}

/// Whether a light mark is lighter than what lies farther about it too; the middle of a drying ring is not.
fn stands_up(mark: &Suspect, levels: &[levels::Level]) -> bool {
    /// Where farther off is, in widths.
    const FARTHER: std::ops::Range<f64> = 2.5..4.0;
    /// Share of its contrast that is left there.
    const LEFT: f64 = 0.3;
    let level = levels::seven_across(levels, mark.width_px);
    let cells = |within| levels::about(level, mark.at, mark.width_px, within);
    let median = |within| f64::from(levels::usual_light(level, &cells(within)).0);
    median(0.0..0.4) > (1.0 + LEFT * mark.contrast) * median(FARTHER)
}

/// Places that might count, and of the others the strongest: detail gives places by the thousand.
fn likeliest(mut places: Vec<Place>, others: usize) -> Vec<Place> {
    places.sort_by(|a, b| judge::may_count(b).cmp(&judge::may_count(a)).then(b.contrast.total_cmp(&a.contrast)));
    let likely = places.partition_point(judge::may_count);
    places.truncate(likely + others);
    places
}

/// A suspect, and how far from its middle others are the same mark, px.
struct Found {
    suspect: Suspect,
    reach: f64,
}

/// A measured place as what it is listed for; `None` where it would not be seen or is no more than grain.
fn suspect(frame: &Frame, levels: &[levels::Level], place: &Place, least: &Least, eye: &Eye) -> Option<Found> {
    let mark = patch::measure(levels, place)?;
    let among = round(frame, levels, &mark, &place.around, least, eye);
    if among.as_ref().is_some_and(|f| f.suspect.counts) {
        return among;
    }
    let beside =
        place.beside.and_then(|side| round(frame, levels, &mark, &side, least, eye)).filter(|f| f.suspect.counts);
    if beside.is_some() {
        return beside;
    }
    let among = among?;
    let maybe_long = matches!(among.suspect.cause, Cause::NotRound | Cause::AmongDetail | Cause::OneOfMany);
    maybe_long.then(|| fibre(frame, levels, place, least, eye)).flatten().or(Some(among))
}

/// A mark as a round shadow in such surroundings.
fn round(
    frame: &Frame,
    levels: &[levels::Level],
    mark: &Mark,
    around: &Around,
    least: &Least,
    eye: &Eye,
) -> Option<Found> {
    let sigma = around.sigma;
    let times = mark.contrast / eye.noticed(mark.width, mark.ground(), sigma);
    let snr = mark.contrast / sigma.max(1e-9);
    if times < 1.0 || snr < SNR {
        return None;
    }
    let noticed = eye.noticed(mark.width, mark.ground(), 0.0);
    let (closer, colours) = (|| patch::closer(levels, mark), || patch::colours(frame, mark));
    let cause = judge::cause(mark, around, least, noticed, closer, colours);
    let suspect = Suspect {
        at: PicturePoint { x: mark.x, y: mark.y },
        width_px: mark.width,
        contrast: mark.contrast,
        contrast_sigma: sigma,
        times_threshold: times,
        snr,
        counts: cause == Cause::LikeAShadow,
        cause,
        fibre: false,
        mote: None,
    };
    Some(Found { reach: 0.6 * mark.width, suspect })
}

/// A place as a fibre's shadow, seen as well as a disc of its area and mean contrast: a guess, for what is longer than the
/// eye sums over is seen a little less well.
fn fibre(frame: &Frame, levels: &[levels::Level], place: &Place, least: &Least, eye: &Eye) -> Option<Found> {
    let strand = strand::measure(levels, place)?;
    let noticed = |sigma: f64| eye.noticed(strand.width, strand.ground, sigma);
    let sigma = strand.sigma * strand.thickness / strand.width;
    let (times, snr) = (strand.contrast / noticed(sigma), strand.contrast / sigma.max(1e-9));
    if times < 1.0 || !judge::is_fibre(&strand, least, noticed(0.0), || strand::colours(frame, &strand)) {
        return None;
    }
    let suspect = Suspect {
        at: PicturePoint { x: strand.x, y: strand.y },
        width_px: strand.width,
        contrast: strand.contrast,
        contrast_sigma: sigma,
        times_threshold: times,
        snr,
        counts: true,
        cause: Cause::LikeAShadow,
        fibre: true,
        mote: None,
    };
    Some(Found { reach: strand.reach, suspect })
}

/// Counting ones first, worst first.
fn order(a: &Suspect, b: &Suspect) -> Ordering {
    b.counts.cmp(&a.counts).then(b.times_threshold.total_cmp(&a.times_threshold))
}

/// One entry per mark, in order.
fn merged(mut all: Vec<Found>) -> Vec<Suspect> {
    all.sort_by(|a, b| order(&a.suspect, &b.suspect));
    let mut kept: Vec<Found> = Vec::new();
    for found in all {
        if kept.iter().all(|k| k.suspect.at.distance(found.suspect.at).0 > k.reach.max(found.reach)) {
            kept.push(found);
        }
    }
    kept.into_iter().map(|k| k.suspect).collect()
}
