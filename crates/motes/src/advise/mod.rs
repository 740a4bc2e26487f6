//! What to do about a sensor: leave it alone, blow, brush, swab, or take it to a workshop.
//!
//! In: what a test frame showed, what is booked, which passes were made and how things stand. Out: [`Advice`], the one that
//! terminal, document, report and card all tell. Common practice, no published source, unless one is named; guidance, never a
//! promise: the camera's own manual comes first.

mod aim;
mod choose;
mod plan;
#[cfg(test)]
mod tests;

pub use aim::{Aim, MountSide};
pub use plan::{Swab, SwabSize};

use motelight_frame::{FNumber, SensorPoint};
use serde::{Deserialize, Serialize};

use crate::inspect::fitness::Verdict;
use crate::inspect::{Inspection, Kind};
use crate::visibility::{ClearTo, Viewing};

/// One act of cleaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PassKind {
    /// Hand blower.
    Blow,
    /// Dry sensor brush.
    Brush,
    /// Wet swab.
    Swab,
}

/// A pass that was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct PassMade {
    /// What was done.
    pub kind: PassKind,
    /// Whether it changed anything; `None` where no test frame followed it.
    pub changed: Option<bool>,
}

/// What is best done next.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// Nothing, or nothing now.
    LeaveAlone,
    /// A hand blower.
    Blow,
    /// A dry brush.
    Brush,
    /// A wet swab.
    Swab,
    /// An authorised workshop.
    Workshop,
    /// A test frame that can be judged by, before anything else.
    NewTestFrame,
}

/// How things stand around the camera. Everything not known is `false`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Circumstances {
    /// Sand or other grit may be on the glass (beach, desert).
    pub grit: bool,
    /// The body is not at a clean, still, well-lit place.
    pub on_location: bool,
    /// The battery is not full.
    pub battery_low: bool,
    /// The body is cold or misted.
    pub cold_or_misted: bool,
    /// The camera's manual or warranty forbids cleaning, or there is doubt.
    pub manual_forbids: bool,
}

/// A mote as advice needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct Lying {
    /// Its number in the inspection.
    pub number: usize,
    /// Where it lies.
    pub at: SensorPoint,
    /// Smallest stop at which it shows; `None`: not up to f/32.
    pub shows_from: Option<FNumber>,
    /// What it looks like.
    pub kind: Kind,
    /// Whether it likely lies under the glass.
    pub under_glass: bool,
    /// Wet passes it stayed through.
    pub wet_passes_stayed: u32,
}

/// All that advice is given from.
#[derive(Debug, Clone, PartialEq)]
pub struct Situation {
    /// Width and height of the sensor, mm, if known.
    pub sensor_mm: Option<(f64, f64)>,
    /// Whether the last test frame can be judged by.
    pub fitness: Verdict,
    /// Its rating.
    pub clear_to: Option<ClearTo>,
    /// The motes on the glass.
    pub motes: Vec<Lying>,
    /// What a wet pass left that the chart does not list as a mote.
    pub residue: usize,
    /// Largest f-number of the work booked; `None`: not told.
    pub booked: Option<FNumber>,
    /// For what nothing may show.
    pub viewings: Vec<Viewing>,
    /// Passes made since cleaning began, the latest last.
    pub passes: Vec<PassMade>,
    /// How things stand.
    pub circumstances: Circumstances,
}

impl Situation {
    /// As one inspected frame tells it, nothing known of passes and circumstances.
    pub fn of(inspection: &Inspection) -> Situation {
        let lying = |(number, m): (usize, &crate::inspect::Mote)| {
            Some(Lying {
                number,
                at: m.at_sensor?,
                shows_from: m.shows_from,
                kind: m.kind,
                under_glass: m.flags.under_glass,
                wet_passes_stayed: 0,
            })
        };
        let side = |px: usize| inspection.pitch_um.map(|p| px as f64 * p / 1000.0);
        Situation {
            sensor_mm: side(inspection.size.width).zip(side(inspection.size.height)),
            fitness: inspection.fitness.verdict,
            clear_to: inspection.clear_to,
            motes: inspection.motes.iter().enumerate().filter_map(lying).collect(),
            residue: 0,
            booked: None,
            viewings: inspection.viewings.clone(),
            passes: Vec::new(),
            circumstances: Circumstances::default(),
        }
    }

    /// The stop that is cleaned for: what is booked, else [`USUAL`].
    pub fn wanted(&self) -> FNumber {
        self.booked.unwrap_or_else(usual)
    }

    /// Whether nothing shows up to the stop that is cleaned for.
    fn clear_enough(&self) -> bool {
        let to = self.clear_to.and_then(|c| c.f_number);
        to.is_some_and(|n| n.exact() >= self.wanted().exact() * 0.99)
    }

    /// Motes that show at the stop that is cleaned for, or wider.
    fn showing(&self) -> impl Iterator<Item = &Lying> {
        let wanted = self.wanted().exact() * 1.01;
        self.motes.iter().filter(move |m| m.shows_from.is_some_and(|n| n.exact() <= wanted))
    }

    fn made(&self, kind: PassKind) -> usize {
        self.passes.iter().filter(|p| p.kind == kind).count()
    }
}

/// The f-number that is cleaned for where none is told: few pictures are taken at a smaller aperture. A guess.
pub const USUAL: f64 = 16.0;

fn usual() -> FNumber {
    FNumber::new(USUAL).unwrap_or_else(|| unreachable!("f/16 is an f-number"))
}

/// What to do, why, and how.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    /// What is best done next.
    pub action: Action,
    /// Why, in one sentence.
    pub reason: String,
    /// What can go wrong, in one sentence.
    pub risk: String,
    /// The f-number that is cleaned for, and whether somebody told it.
    pub wanted: FNumber,
    /// Whether `wanted` was told; if not it is assumed.
    pub wanted_told: bool,
    /// The motes to aim at, worst first.
    pub aims: Vec<Aim>,
    /// Motes to keep off: likely under the glass or damage.
    pub keep_off: Vec<usize>,
    /// The swab for this sensor, where one is used.
    pub swab: Option<Swab>,
    /// Strokes of brush or swab.
    pub strokes: Option<u8>,
    /// Drops of fluid.
    pub drops: Option<u8>,
    /// What to do, step by step.
    pub steps: Vec<String>,
    /// When to stop.
    pub stop: String,
    /// What to have in mind while anything is done to the glass; empty where nothing is.
    pub cautions: Vec<String>,
}

/// The advice for a situation.
pub fn advise(situation: &Situation) -> Advice {
    let choice = choose::choose(situation);
    plan::plan(situation, choice)
}
