//! What mending a picture came to.

use std::collections::BTreeMap;

use motelight_frame::Patch;
use serde::{Deserialize, Serialize};

use crate::mend::place::Placement;
use crate::visibility::Viewing;

/// What to mend.
#[derive(Debug, Clone, PartialEq)]
pub struct MendOptions {
    /// Probability from which on a shadow counts as there.
    pub certainty: f64,
    /// What the person decided about single motes, by id.
    pub choices: BTreeMap<String, Choice>,
    /// Whether the chart is used even if the files do not tell that it is of the picture's body.
    pub any_body: bool,
    /// Under which viewings no shadow may show. What could show in none of them is left as it is.
    pub viewings: Vec<Viewing>,
}

impl Default for MendOptions {
    fn default() -> Self {
        MendOptions { certainty: 0.9, choices: BTreeMap::new(), any_body: false, viewings: Viewing::standard() }
    }
}

/// What a person decides about a mote.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Choice {
    /// Take it out, even where the picture does not show it.
    Mend,
    /// Leave it.
    Skip,
}

/// What was done about a shadow.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Treatment {
    /// Divided out: the detail under it is kept.
    Lifted,
    /// Rebuilt from what lies around.
    Filled,
    /// Left as it was.
    Untouched,
}

/// Why a shadow was left as it was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// The picture shows none there.
    NotPresent,
    /// The picture's detail hides it, if it is there.
    HiddenByDetail,
    /// At full scale nothing can be measured or divided.
    Clipped,
    /// It lies outside the picture.
    OutsidePicture,
    /// At this f-number it takes less light than could be seen under the viewings asked for.
    TooFaint,
    /// No round shadow, and its own form is not known well enough here.
    NotRound,
    /// Dividing it out did not make it fainter.
    NoBetter,
    /// The person said so.
    Skipped,
}

impl Reason {
    /// In plain words.
    pub fn words(self) -> &'static str {
        match self {
            Reason::NotPresent => "not there",
            Reason::HiddenByDetail => "hidden by detail",
            Reason::Clipped => "in clipped light",
            Reason::OutsidePicture => "outside the picture",
            Reason::TooFaint => "too faint at this f-number",
            Reason::NotRound => "not round, form unknown here",
            Reason::NoBetter => "dividing it out made it no fainter",
            Reason::Skipped => "skipped by choice",
        }
    }
}

/// What came of one mote of the chart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outcome {
    /// The mote's id.
    pub id: String,
    /// Where its shadow stands, or would stand, px.
    pub x_px: f64,
    /// The same, down.
    pub y_px: f64,
    /// What was done.
    pub treatment: Treatment,
    /// Why it was left; `None` where it was not.
    pub reason: Option<Reason>,
    /// Depth of the shadow as the picture showed it, 0 to 1, in green or luminance; `None` if not measured, or
    /// if detail drowns it.
    pub depth_before: Option<f64>,
    /// What is left of it, below 0: brighter than around.
    pub depth_after: Option<f64>,
    /// Standard error of both depths, from the picture around.
    pub depth_error: Option<f64>,
    /// Diameter of the shadow's geometric edge, px.
    pub shadow_width_px: f64,
    /// Depth that the chart foretells.
    pub depth_foretold: f64,
    /// Foretold depth over the error: how well the picture could have shown it.
    pub snr: Option<f64>,
    /// Probability that it is there.
    pub probability: Option<f64>,
    /// Whether what is left would still be seen on plain ground under the viewings asked for, as far as the picture
    /// tells.
    pub still_shows: bool,
}

/// A picture, mended.
#[derive(Debug, Clone, Serialize)]
pub struct Mended {
    /// What came of each mote, in the chart's order.
    pub motes: Vec<Outcome>,
    /// Where the chart lies in the picture.
    pub placement: Placement,
    /// Probability that the chart holds in this picture at all.
    pub holds: f64,
    /// Pixels with new light.
    pub pixels_changed: usize,
    /// What should be known, in plain words.
    pub notes: Vec<String>,
    /// The new light: lifted first, filled after. No two windows overlap.
    #[serde(skip)]
    pub patches: Vec<Patch>,
}
