//! A second test frame held against the first: what is gone, stayed, moved or new, and what a wet pass left behind.
//!
//! In: two [`Frame`]s with their [`Inspection`]s. Out: [`Recheck`]. The steps:
//!
//! 1. *Body* (`body`): two files are of one body by serial number, else by make, model and chart, else not at all.
//! 2. *Align* (`align`): scale and translation between the charts, by all motes together, and how sure that is.
//! 3. *Fate* (`fate`): every mote's status with its probability. Where one chart lists a mote and the other does not, the
//!    picture itself is asked (`probe`); what a frame could not have shown is `undecided`. Blocked areas and how broad and long
//!    motes are (`figure`) tell which moved.
//! 4. *Residue* (`residue`): with the same lens and f-number the ratio of the frames, in which pixel gain and shading
//!    cancel, shows wide streaks and drying rings.

mod body;
mod turn;
mod align;
mod figure;
mod probe;
mod fate;
mod ratio;
mod residue;

pub use crate::refusal::{Refusal, RefusalCode};
pub use align::Transform;
pub use body::SameBody;
pub use fate::{Doubt, Fate, Status};
pub use residue::{Residue, ResidueKind};
pub use turn::Turn;

use motelight_frame::{Frame, Shot};
use serde::{Deserialize, Serialize};

use crate::inspect::Inspection;
use crate::inspect::stand_off::StandOffSource;
use crate::recheck::align::{Charts, align};
use crate::recheck::fate::fates;
use crate::recheck::probe::{Ground, at_height};
use crate::recheck::residue::{by_motes, by_ratio};

/// One test frame, with what was found in it.
#[derive(Debug, Clone, Copy)]
pub struct Side<'a> {
    /// The frame.
    pub frame: &'a Frame,
    /// What `inspect` says of it.
    pub inspection: &'a Inspection,
}

/// Two test frames of one body, held against each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recheck {
    /// Why both are taken to be of one body.
    pub body: SameBody,
    /// Where the first chart lies in the second frame.
    pub transform: Transform,
    /// Every mote of both charts: those of the first in their order, then those that only the second has.
    pub fates: Vec<Fate>,
    /// What a wet pass left that was not there before.
    pub residue: Vec<Residue>,
    /// Whether the ratio of the frames was used.
    pub by_ratio: bool,
    /// What a reader should know, in plain words.
    pub notes: Vec<String>,
}

impl Recheck {
    /// How many motes came to this end.
    pub fn count(&self, status: Status) -> usize {
        self.fates.iter().filter(|f| f.status == status).count()
    }
}

/// Holds a second test frame against the first.
///
/// # Errors
/// A [`Refusal`] where the files are not of one body or cannot be told to be, where one tells no f-number or pixel pitch, and
/// where one shows no plain wall.
pub fn recheck(before: Side, after: Side) -> Result<Recheck, Refusal> {
    let mut body = body::same_body(before.frame, after.frame)?;
    comparable(before, "first")?;
    comparable(after, "second")?;
    let mut notes = Vec::new();
    let lens = same_lens(&before.frame.shot, &after.frame.shot);
    // Glass does not rise: of a frame with too little on it to tell, the other tells its height.
    let told = [before, after].map(|s| s.inspection.stand_off.filter(|h| h.source == StandOffSource::Measured));
    let raised = match told {
        [Some(height), None] => [None, Some(at_height(after, height))],
        [None, Some(height)] => [Some(at_height(before, height)), None],
        _ => [None, None],
    };
    if raised.iter().any(Option::is_some) {
        notes.push("One frame alone tells no stand-off of the glass: the other's was used for both.".into());
    }
    let [before, after] = [(before, &raised[0]), (after, &raised[1])]
        .map(|(side, raised)| Side { inspection: raised.as_ref().unwrap_or(side.inspection), ..side });
    let charts = Charts::new(before, after);
    let transform = if body == SameBody::File { Transform::STILL } else { align(&charts, lens, body)? };
    if body == SameBody::MakeAndModel {
        body = SameBody::Chart;
        notes.push(
            "No serial number in both files: taken as one body because make and model agree and the charts match."
                .into(),
        );
    }
    if !transform.matched && body != SameBody::File && !charts.before.is_empty() {
        notes.push(match lens {
            Some(false) => {
                "No mote is in both charts, and the lenses differ: places were compared as far apart as lenses \
                            can move them."
                    .into()
            }
            _ => {
                "No mote is in both charts: places were compared as they stand, as if the lens had not changed.".into()
            }
        });
    }
    if transform.turn != Turn::None {
        notes.push(format!("The second picture was turned by {}° after it was taken.", transform.turn.degrees()));
    }
    let grounds = [Ground::of(before), Ground::of(after)];
    let fates = fates(&charts, &transform, &grounds);

    let same_shot = lens != Some(false) && before.inspection.f_number == after.inspection.f_number;
    let by_ratio_possible = body != SameBody::File
        && same_shot
        && transform.nearly_still(before)
        && before.frame.size() == after.frame.size();
    let residue = match body {
        SameBody::File => Vec::new(),
        _ if by_ratio_possible => by_ratio(before, after, &fates),
        _ => by_motes(after, &fates),
    };
    if !by_ratio_possible && body != SameBody::File {
        notes.push(
            "Lens, f-number or place differ between the frames, so their ratio was not used: faint residue may be missed. \
             Take the next test frame with the same lens and settings."
                .into(),
        );
    }
    Ok(Recheck { body, transform, fates, residue, by_ratio: by_ratio_possible, notes })
}

/// Whether a test frame tells enough to be held against another; `which`: `first` or `second`.
///
/// # Errors
/// What it does not tell.
pub fn comparable(side: Side, which: &str) -> Result<(), Refusal> {
    let inspection = side.inspection;
    if inspection.pitch_um.is_none() || inspection.f_number.is_none() {
        return Err(Refusal::new(
            RefusalCode::NoShotFacts,
            format!("the {which} test frame tells no f-number or no pixel pitch"),
            "use it as the camera wrote it, or give the sensor's size, e.g. --sensor 36x24",
        ));
    }
    if inspection.stand_off.is_none() || inspection.floor_um.is_none() {
        return Err(Refusal::new(
            RefusalCode::UnfitTestFrame,
            format!("the {which} test frame shows no plain surface, so no mote was measured in it"),
            "take it again: a plain bright wall at f/16 or smaller, the camera moved during the exposure",
        ));
    }
    Ok(())
}

/// Whether both were taken through one lens at one focal length; `None` where the files do not tell.
fn same_lens(a: &Shot, b: &Shot) -> Option<bool> {
    let focal = match (a.focal_length, b.focal_length) {
        (Some(a), Some(b)) => Some((a.0 - b.0).abs() < 0.02 * a.0.max(b.0)),
        _ => None,
    };
    match (&a.lens, &b.lens) {
        (Some(a), Some(b))
            if a.model != b.model || (a.serial.is_some() && b.serial.is_some() && a.serial != b.serial) =>
        {
            Some(false)
        }
        (Some(_), Some(_)) => Some(focal.unwrap_or(true)),
        _ => focal.filter(|same| !same),
    }
}
