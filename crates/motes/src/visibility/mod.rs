//! Whether a shadow can be seen, under stated viewing.
//!
//! In: a shadow's profile on the sensor, the picture's scale and grain, a viewing. Out: how many times the
//! contrast that would just be noticed. What it takes for granted:
//! - the shadow lies on a plain, bright part of the picture: detail hides motes, this says nothing of how well;
//! - the rendering keeps contrasts as they are in linear light; a steep tone curve raises them;
//! - dark spots are as visible as Blackwell's bright ones (similar or a little more, from memory).
//!
//! Models of brief flashes (such as the standard spatial observer of 2005) are left aside on purpose: their
//! thresholds are 2.5 to 6 times higher than those of discs looked at freely, too lenient for a promise.

mod threshold;
mod viewing;

use std::f64::consts::PI;
use std::fmt;

use motelight_frame::{FNumber, Micrometres, Size};
use serde::{Deserialize, Serialize};

use crate::profile::Profile;
use threshold::{DiscThreshold, FIELD_FACTOR, MEASURED_DISCS, SeenGrain};
pub use viewing::{Medium, Print, Unreadable, Viewing, parse_distance};

/// Uncertainty of [`Visibility::times_threshold`], dB of contrast (3.6 dB: a factor of 1.5): the error that
/// the castleCSF model of the same group leaves over 18 studies and their observers (Ashraf et al., J.
/// Vision 24(4):5, 2024). Ours is fitted to fewer data and cannot claim less.
pub const UNCERTAINTY_DB: f64 = 3.6;

/// The picture that is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Picture {
    /// Size of the default crop.
    pub size: Size,
    /// Pixel pitch.
    pub pitch: Micrometres,
    /// Noise over signal of one pixel where the shadow lies; taken as white.
    pub grain: f64,
}

/// How plainly a shadow shows.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Visibility {
    /// Contrast over the contrast that would just be noticed; from 1 up it shows.
    /// Uncertain by [`UNCERTAINTY_DB`].
    pub times_threshold: f64,
    /// Mean light lost within the disc by which the shadow is seen best.
    pub contrast: f64,
    /// Diameter of that disc, arcmin.
    pub diameter_arcmin: f64,
}

impl Visibility {
    /// Whether it shows.
    pub fn shows(&self) -> bool {
        self.times_threshold >= 1.0
    }
}

impl fmt::Display for Visibility {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{:.1} times what would just be noticed ({:.1} % darker over {:.1} arcmin)",
            self.times_threshold,
            100.0 * self.contrast,
            self.diameter_arcmin
        )
    }
}

/// How plainly a shadow shows to someone who looks the picture over and was not told where to look.
///
/// The eye is taken to judge by the disc that suits it best: over all discs about the shadow's centre, the
/// mean contrast in the disc over the measured threshold of a disc of that size (times a field factor,
/// masked by grain). Small shadows are so judged by their blocked area, large ones by their depth.
pub fn shows(profile: &Profile, picture: &Picture, viewing: &Viewing) -> Visibility {
    judged_by(&MEASURED_DISCS, FIELD_FACTOR, profile, picture, viewing)
}

/// Samples over a profile's reach; the sum over rings errs by less than 0.1 % for a plain disc.
const RINGS: usize = 400;

fn judged_by(eye: &DiscThreshold, factor: f64, profile: &Profile, picture: &Picture, viewing: &Viewing) -> Visibility {
    let scale = viewing.arcmin_per_um(picture.size, picture.pitch);
    let grain = SeenGrain { sigma: picture.grain, pixel_arcmin: picture.pitch.0 * scale };
    let step = profile.reach().0 / RINGS as f64;
    let mut best = Visibility { times_threshold: 0.0, contrast: 0.0, diameter_arcmin: 0.0 };
    let mut lost_um2 = 0.0;
    for i in 0..RINGS {
        let (inner, outer) = (i as f64 * step, (i + 1) as f64 * step);
        let lost = profile.lost_at(Micrometres(0.5 * (inner + outer)));
        lost_um2 += lost * PI * (outer * outer - inner * inner);
        let disc_um2 = PI * outer * outer;
        // A bright spot shows as well as a dark one.
        let contrast = (lost_um2 / disc_um2).abs();
        let times = contrast / eye.masked(disc_um2 * scale * scale, viewing.luminance(), factor, grain);
        if times > best.times_threshold {
            best = Visibility { times_threshold: times, contrast, diameter_arcmin: 2.0 * outer * scale };
        }
    }
    best
}

/// The contrast that would just be noticed over a disc of `diameter_arcmin` on a ground of `luminance` cd/m2 by someone
/// who looks the picture over. `disc_sigma`: standard deviation that grain and texture give the mean over discs of
/// that size, relative to the light.
pub fn noticed_contrast(diameter_arcmin: f64, luminance: f64, disc_sigma: f64) -> f64 {
    let area = PI * diameter_arcmin * diameter_arcmin / 4.0;
    MEASURED_DISCS.masked_over_disc(area, luminance, FIELD_FACTOR, disc_sigma)
}

/// The smallest full stop, f/1 to f/32, at which a mote shows in any of the viewings; `None`: not up to f/32.
///
/// `profile_at` gives the shadow at a stop, or `None` where the optics cannot tell.
///
/// Agrees with the trade's experience (common practice, no source) that ordinary grains no longer show below
/// about f/5.6: with a stand-off of 1 to 2 mm, grains of 20 to 40 µm come out at f/4 to f/16, half of them at
/// f/8 or wider. It does so only with the field factor: at laboratory threshold they would show some two
/// stops earlier.
pub fn shows_from(
    picture: &Picture,
    viewings: &[Viewing],
    profile_at: impl Fn(FNumber) -> Option<Profile>,
) -> Option<FNumber> {
    FNumber::stops()
        .find(|&n| profile_at(n).is_some_and(|profile| viewings.iter().any(|v| shows(&profile, picture, v).shows())))
}

/// Why a sensor is not rated higher.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitedBy {
    /// A mote would show at the next stop.
    Mote,
    /// A mote too small for the test frame to have shown might show at the next stop.
    Floor,
    /// The series ends at f/32.
    SeriesEnd,
}

/// The rating of a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ClearTo {
    /// The largest full stop at which nothing shows; `None`: something shows, or may, even at f/1.
    pub f_number: Option<FNumber>,
    /// What keeps it from being higher.
    pub limited_by: LimitedBy,
}

/// The rating of a sensor from the `shows from` of its motes and of a mote as small as the frame's floor.
pub fn clear_to(motes: impl IntoIterator<Item = Option<FNumber>>, floor: Option<FNumber>) -> ClearTo {
    let least = |a: Option<FNumber>, b: FNumber| Some(a.map_or(b, |a| if b < a { b } else { a }));
    let mote = motes.into_iter().flatten().fold(None, least);
    let (first, limited_by) = match (mote, floor) {
        (None, None) => (None, LimitedBy::SeriesEnd),
        (Some(m), Some(f)) if f < m => (Some(f), LimitedBy::Floor),
        (Some(m), _) => (Some(m), LimitedBy::Mote),
        (None, Some(f)) => (Some(f), LimitedBy::Floor),
    };
    let f_number = FNumber::stops().rfind(|&n| first.is_none_or(|first| n < first));
    ClearTo { f_number, limited_by }
}

#[cfg(test)]
mod tests;
