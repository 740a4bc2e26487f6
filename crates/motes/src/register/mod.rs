//! Where the places of an original lie in a picture that was finished from it.
//!
//! In: both pictures in the logarithm of light, reduced ([`Small`]). Out: a [`Registration`], original to finished, with its
//! uncertainty; or why there is none ([`Unmatched`]). Found are turns by quarters, crop, scale, rotation by a few degrees and
//! perspective (a homography), and a term of lens correction (radial, of third order). Tone curves, sharpening and lossy
//! compression are put up with: patches are compared by their normalised correlation. Corners matched by such patches give
//! hypotheses (random sample consensus, Fischler and Bolles 1981); corners matched again at finer resolution through the best of
//! them give the fit (Gauss-Newton with Huber's weights, k = 1.345). Pictures joined from several, or from something else than this
//! original, are told by the parts that the fit does not explain.

mod layer;
mod corner;
mod warp;
mod guess;
mod refine;

use serde::{Deserialize, Serialize};

pub use layer::Small;
pub use warp::Registration;

use crate::register::layer::Layer;

/// Why an original and a finished picture were not brought together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unmatched {
    /// Too little detail in either to tell.
    NoDetail,
    /// The finished picture was not made from this original.
    OtherPicture,
    /// Parts of it come from elsewhere: joined, blended or retouched on a large scale.
    Joined,
}

impl Unmatched {
    /// In plain words.
    pub fn words(self) -> &'static str {
        match self {
            Unmatched::NoDetail => "there is too little detail to find its place in the original",
            Unmatched::OtherPicture => "it was not made from this original",
            Unmatched::Joined => {
                "parts of it do not come from this original: it seems to be joined or blended from several pictures"
            }
        }
    }
}

/// Long side of the finished picture, cells, when hypotheses are sought.
const COARSE: f64 = 480.0;
/// Long sides of the original, as shares of that: a crop leaves half of it to all of it.
const CROPS: [f64; 4] = [1.0, 1.25, 1.56, 1.95];

/// Brings an original and a finished picture together. `quarter_turn`: by how many quarters clockwise the original was likely turned;
/// the others are tried after it.
///
/// # Errors
/// Why they do not fit.
pub fn register(original: &Small, finished: &Small, quarter_turn: u8) -> Result<Registration, Unmatched> {
    let coarse = finished.layer(COARSE);
    let corners = corner::corners(&coarse, corner::PER_BLOCK);
    if corners.len() < guess::LEAST {
        return Err(Unmatched::NoDetail);
    }
    let layers: Vec<Layer> = CROPS.iter().map(|c| original.layer(COARSE * c)).collect();
    let found: Vec<Vec<(f64, f64)>> = layers.iter().map(|l| corner::corners(l, corner::PER_BLOCK)).collect();
    if found.iter().all(|f| f.len() < guess::LEAST) {
        return Err(Unmatched::NoDetail);
    }
    let wanted = corner::described(&coarse, &corners, 0);
    let mut refused = Unmatched::OtherPicture;
    for turn in [0, 2, 1, 3].map(|t| (quarter_turn + t) % 4) {
        let described: Vec<_> =
            layers.iter().zip(&found).map(|(layer, at)| corner::described(layer, at, turn)).collect();
        let matches = guess::matches(&described, &wanted);
        let Some(guess) = guess::homography(&matches) else { continue };
        match refine::refined(original, finished, guess, turn) {
            Ok(registration) => return Ok(registration),
            Err(why) => refused = why,
        }
        if refused == Unmatched::Joined {
            break;
        }
    }
    Err(refused)
}
