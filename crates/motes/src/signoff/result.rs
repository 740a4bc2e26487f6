//! What a sign-off says of one finished picture.

use motelight_frame::PicturePoint;
use serde::{Deserialize, Serialize};

use crate::visibility::Viewing;

/// The answer for one picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Nothing like a shadow shows in any viewing asked for, where the picture can tell.
    Clear,
    /// At least one place would be seen and looks like a shadow.
    Suspects,
    /// The picture cannot tell: too small for a viewing, or too dark.
    CannotJudge,
}

/// Why a place is listed, or listed low.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// Round or of even thickness, soft, darker than around and alone on a plain place, as a shadow is.
    LikeAShadow,
    /// A mote of the shoot lies here and shows.
    KnownMote,
    /// Narrower than a shadow can be at the f-number that the file tells, or no wider than a dead photosite shows.
    TooNarrow,
    /// Narrower than the other marks in the picture, and all shadows share the width of the lens's pupil.
    NarrowerThanOthers,
    /// The faint marks in the picture are of all widths, and shadows share that of the lens's pupil.
    OfAllWidths,
    /// As dark as one, but its edge is sharper than a shadow's at any f-number that leaves it so faint.
    SharpEdge,
    /// Too small for its edge to be told, and larger marks about it have sharp edges.
    AmongSharpOnes,
    /// Not round: a bird, a twig, a wire.
    NotRound,
    /// Faint, in light that is blown out: what it is like does not show there.
    BlownOut,
    /// Other colours than light taken away leaves.
    Coloured,
    /// One of many alike near by: leaves, a printed screen, a pattern.
    OneOfMany,
    /// Green things lie about it, and a leaf before a sky is as round and dark.
    BesideLeaves,
    /// Lighter marks as clear as it lie about it, and no shadow makes those: the picture's own texture.
    LightOnesToo,
    /// Detail around it may be what makes it.
    AmongDetail,
}

/// A place in a finished picture that looks like a shadow, or that someone might take for one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Suspect {
    /// Centre, picture coordinates.
    pub at: PicturePoint,
    /// Width at half depth, px; of a fibre, that of the disc of its area.
    pub width_px: f64,
    /// Mean light lost over the disc it is seen best by, 0 to 1, and its standard uncertainty.
    pub contrast: f64,
    /// Standard uncertainty of the contrast, from the local grain.
    pub contrast_sigma: f64,
    /// Contrast over the contrast that would just be noticed, in the viewing that shows it best; uncertain by
    /// [`crate::visibility::UNCERTAINTY_DB`].
    pub times_threshold: f64,
    /// Contrast over its uncertainty from local grain and texture.
    pub snr: f64,
    /// Whether it counts for the verdict; others are listed below, with the cause.
    pub counts: bool,
    /// Why it is listed, or listed low.
    pub cause: Cause,
    /// Whether it is long: a fibre's.
    pub fibre: bool,
    /// The mote of the shoot that lies there.
    pub mote: Option<String>,
}

/// What a picture can vouch for in one viewing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Vouch {
    /// The viewing.
    pub viewing: Viewing,
    /// Resolution of the picture in that viewing, px per inch.
    pub ppi: f64,
    /// Share of the picture that is plain enough to judge, 0 to 1.
    pub plain_share: f64,
    /// Faintest shadow that would have been found in nine of ten plain places, in multiples of what would just be
    /// noticed; `None` where next to nothing is plain.
    pub finds_from_times_threshold: Option<f64>,
    /// Whether the picture can be judged for this viewing: not if it is too small for it, or dark all over.
    pub judged: bool,
}

/// What a sign-off says of one picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SignOff {
    /// The answer over all viewings.
    pub verdict: Verdict,
    /// By viewing, in the order asked for.
    pub vouches: Vec<Vouch>,
    /// Worst first; those that count before those that do not.
    pub suspects: Vec<Suspect>,
    /// What should be known.
    pub notes: Vec<String>,
}
