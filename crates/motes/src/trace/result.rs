//! What a trace finds.

use motelight_frame::{Body, FNumber, Lens, Size};
use serde::{Deserialize, Serialize};

use crate::measure::Estimate;
use crate::trace::lens::Transform;
use crate::visibility::Viewing;

/// What to judge by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TraceOptions {
    /// The conditions under which shadows may show.
    pub viewings: Vec<Viewing>,
    /// What a test frame says of the body.
    pub known: Option<Known>,
}

/// What a test frame says: a mote of its chart is as likely to be there as not before the pictures are looked at, so what
/// is gone is not chased and what is new is found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Known {
    /// The body; pictures of another are judged without it.
    pub body: Option<Body>,
    /// Height of the glass, mm: taken where the pictures do not tell it.
    pub stand_off_mm: Estimate,
    /// Places of the motes, mm from the sensor's centre.
    pub motes: Vec<(f64, f64)>,
}

impl Default for TraceOptions {
    fn default() -> Self {
        TraceOptions { viewings: Viewing::standard(), known: None }
    }
}

/// The motes of one body over a shoot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Traced {
    /// The body, as far as the pictures tell.
    pub body: Option<Body>,
    /// Width and height of the recorded part of the sensor, mm; `None` where no picture tells its pixel pitch.
    pub sensor_mm: Option<(f64, f64)>,
    /// Height of the glass over the photosites, mm, and whether it was measured in these pictures.
    pub stand_off_mm: Estimate,
    /// Whether the pictures told the stand-off; else it was assumed.
    pub stand_off_measured: bool,
    /// The motes, the most certain first. Their places are those of the shadows through the reference lens.
    pub motes: Vec<TracedMote>,
    /// False motes to expect among them.
    pub false_motes: f64,
    /// The pictures in the order they were taken.
    pub pictures: Vec<TracedPicture>,
    /// The lens whose shadows the chart shows.
    pub reference_lens: Option<Lens>,
    /// The conditions judged for.
    pub viewings: Vec<Viewing>,
    /// What should be known, in plain words.
    pub notes: Vec<String>,
}

/// One mote of a shoot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TracedMote {
    /// Its id.
    pub id: String,
    /// Where its shadow stands through the reference lens, mm from the sensor's centre.
    pub at_mm: (f64, f64),
    /// Standard error of the place along each axis, mm.
    pub at_error_mm: f64,
    /// Diameter of the opaque disc of its blocked area, µm.
    pub equivalent_diameter_um: Estimate,
    /// Signal-to-noise ratio of all pictures together.
    pub snr: f64,
    /// Probability that it is one.
    pub probability: f64,
    /// When it came.
    pub arrival: Span,
    /// When it went, if it did.
    pub departure: Option<Span>,
    /// Smallest full stop at which it shows in a plain place under the viewings; `None`: not up to f/32.
    pub shows_from: Option<FNumber>,
}

/// Between which pictures something happened, by their places in [`Traced::pictures`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// Last picture before; `None`: before the first picture.
    pub after: Option<usize>,
    /// First picture after; `None`: after the last picture.
    pub before: Option<usize>,
    /// Probability that it happened between these two.
    pub probability: f64,
    /// The likeliest first picture after it happened.
    pub likeliest: usize,
    /// Whether the lens was changed in between.
    pub lens_changed: bool,
}

/// One picture of a shoot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TracedPicture {
    /// Its number in the order in which the pictures were handed over.
    pub source: usize,
    /// Size of the default crop, px.
    pub size: Size,
    /// The f-number, told or assumed.
    pub f_number: FNumber,
    /// Whether the picture told it.
    pub f_number_told: bool,
    /// The lens.
    pub lens: Option<Lens>,
    /// Time taken.
    pub taken: Option<String>,
    /// Exif orientation.
    pub orientation: u8,
    /// Where the chart lies in this picture.
    pub transform: Transform,
    /// How much it counted: less than 1 where others are of the same view.
    pub weight: f64,
    /// The motes that stand in it.
    pub motes: Vec<Sighting>,
}

impl TracedPicture {
    /// Whether a shadow shows in it.
    pub fn shows(&self) -> bool {
        self.motes.iter().any(|m| m.shows)
    }

    /// The most plainly showing shadow: contrast over what would just be noticed; 0 where none shows.
    pub fn worst(&self) -> f64 {
        self.motes.iter().filter(|m| m.shows).map(|m| m.times_threshold).fold(0.0, f64::max)
    }
}

/// One mote in one picture.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sighting {
    /// The mote's id.
    pub id: String,
    /// Where its shadow stands, px.
    pub x_px: f64,
    /// The same, down.
    pub y_px: f64,
    /// Light lost at its centre.
    pub depth: f64,
    /// Full width at half depth, px.
    pub width_px: f64,
    /// Whether it shows.
    pub shows: bool,
    /// Contrast over what would just be noticed in a plain place.
    pub times_threshold: f64,
    /// Expected answer of the place in standard errors: how well the picture could have shown it.
    pub snr: f64,
    /// Probability that it stands in this picture.
    pub probability: f64,
    /// Why it does not show; `None` where it does.
    pub reason: Option<Unseen>,
}

/// Why a shadow does not show.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unseen {
    /// It takes too little light at this f-number.
    TooFaint,
    /// The picture's detail hides it.
    HiddenByDetail,
    /// At full scale, or in the dark, nothing can be told.
    NotMeasurable,
}

impl Unseen {
    /// In plain words.
    pub fn words(self) -> &'static str {
        match self {
            Unseen::TooFaint => "too faint at this f-number",
            Unseen::HiddenByDetail => "hidden by detail",
            Unseen::NotMeasurable => "in clipped or very dark light",
        }
    }
}
