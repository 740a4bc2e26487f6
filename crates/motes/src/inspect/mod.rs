//! One test frame judged: what lies on the glass, at which apertures it shows, what the frame could not have shown.

pub mod fitness;
pub mod seek;
pub mod fit;
pub mod stand_off;
pub mod extended;
pub mod scatter;
pub mod find;
mod shape;
mod tint;
mod forms;
mod judge;
mod normal;

use motelight_frame::{Body, FNumber, Frame, PicturePoint, SensorPoint, Size};
use serde::{Deserialize, Serialize};

use crate::flat::Flat;
use crate::form::Form;
use crate::measure::Estimate;
use crate::visibility::{ClearTo, Viewing};
use find::Found;
use fitness::{FindingCode, Fitness, Verdict};
use stand_off::StandOff;

/// What to judge by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InspectOptions {
    /// The conditions under which nothing may show.
    pub viewings: Vec<Viewing>,
    /// False motes per frame that are put up with.
    pub false_motes: f64,
    /// Whether the forms of what is not round are measured: mending wants them.
    pub forms: bool,
}

impl Default for InspectOptions {
    /// 100 % on screen and a 60 x 40 cm print; one false mote in ten frames.
    fn default() -> Self {
        InspectOptions { viewings: Viewing::standard(), false_motes: 0.1, forms: false }
    }
}

/// What kind of thing a mote is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A speck.
    Grain,
    /// Longer than three times its width.
    Fibre,
    /// A wide faint patch or streak, as a wet pass leaves.
    Residue,
    /// Darker around than in the middle: where a drop dried.
    Ring,
    /// A soft round spot of lubricant.
    Oil,
}

/// What to keep in mind about a mote.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct MoteFlags {
    /// Part of its shadow lies outside the picture.
    pub at_edge: bool,
    /// Its shadow overlaps another's.
    pub merged: bool,
    /// Its stand-off lies clearly below the others': likely under the glass. Do not swab.
    pub under_glass: bool,
}

/// One mote on the glass, measured by its shadow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Mote {
    /// Unique among frames: the first six digits of the file's digest and a number, worst mote first.
    pub id: String,
    /// Centre of the shadow in the picture.
    pub at_picture: PicturePoint,
    /// Standard error of the centre along each axis, px.
    pub at_error_px: f64,
    /// Centre of the shadow on the sensor; `None` where the pixel pitch is unknown.
    pub at_sensor: Option<SensorPoint>,
    /// Light lost at the centre, 0 to 1, in green or luminance.
    pub depth: Estimate,
    /// Full width at half depth, px: of what is not round along its short axis, of a ring that of the whole.
    pub shadow_width_px: Estimate,
    /// Integral of the lost light, µm²; `None` where the pixel pitch is unknown.
    pub blocked_area_um2: Option<Estimate>,
    /// Diameter of the opaque disc with that blocked area, µm.
    pub equivalent_diameter_um: Option<Estimate>,
    /// Smallest full stop at which it shows under the viewings; `None`: not up to f/32, or unknown.
    pub shows_from: Option<FNumber>,
    /// What it looks like.
    pub kind: Kind,
    /// Signal-to-noise ratio of the matched filter.
    pub snr: f64,
    /// Its own stand-off, where it can be told, mm.
    pub stand_off_mm: Option<Estimate>,
    /// What to keep in mind.
    pub flags: MoteFlags,
    /// What casts its shadow, where that was asked for and is not round.
    #[serde(skip)]
    pub form: Option<Form>,
}

impl Mote {
    /// The number that stands beside its marks: the id without the frame's part.
    pub fn number(&self) -> &str {
        self.id.rsplit('-').next().unwrap_or(&self.id)
    }
}

/// One test frame, judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Inspection {
    /// Size of the default crop.
    pub size: Size,
    /// Pixel pitch, µm.
    pub pitch_um: Option<f64>,
    /// The f-number as marked.
    pub f_number: Option<FNumber>,
    /// ISO speed.
    pub iso: Option<f64>,
    /// The body.
    pub body: Option<Body>,
    /// Whether the frame can be judged by.
    pub fitness: Fitness,
    /// Height of the glass; `None` where f-number or pitch is unknown.
    pub stand_off: Option<StandOff>,
    /// Equivalent diameter of the smallest mote that this frame would have shown with 99 % certainty, µm.
    pub floor_um: Option<f64>,
    /// Signal-to-noise ratio from which on a shadow is believed; `None` where nothing was looked for.
    pub threshold_snr: Option<f64>,
    /// The rating of the sensor; `None` where it cannot be told.
    pub clear_to: Option<ClearTo>,
    /// The motes, worst first.
    pub motes: Vec<Mote>,
    /// False motes to expect in a frame like this.
    pub false_motes: f64,
    /// The conditions judged for.
    pub viewings: Vec<Viewing>,
    /// What the reader of the file wants said.
    pub notes: Vec<String>,
}

/// Judges one test frame.
///
/// Does not fail: a frame that cannot be judged by says so in its fitness, with no motes where the
/// picture is no plain wall.
pub fn inspect(frame: &Frame, options: &InspectOptions) -> Inspection {
    let flat = Flat::of(frame, find::wants_fine_cells(frame));
    let setting = find::setting_of(frame, &flat);
    let sought = find::sought(&flat, &setting);
    let fitness = fitness::judge(frame, &flat, &sought);
    // In a picture of something, everything is a mote.
    let plain = !(fitness.verdict == Verdict::Unfit
        && [FindingCode::Scene, FindingCode::WallSharp].iter().any(|&c| fitness.has(c)));
    let found = if plain { find::find(frame, &flat, &setting, &sought, options) } else { Found::nothing() };
    judge::judge(frame, &setting, fitness, &found, options)
}
