//! How a picture would look mended, before anything is written.

use motelight_frame::{FrameError, Rect};

use super::one::Shared;
use super::{Basis, Plan};
use crate::contract::RepairEntry;
use crate::jobs::look::Seen;
use crate::jobs::{Settings, Source};

/// A picture made ready to be looked at, before and after mending by these choices, and what would come of its motes.
///
/// # Errors
/// As mending gives.
pub fn preview(
    source: &Source,
    basis: &Basis,
    settings: &Settings,
    plan: &Plan,
) -> Result<(Seen, Vec<RepairEntry>), FrameError> {
    let shared = Shared { basis, settings, plan };
    let (mut frame, mended) = shared.light_of(source, &shared.options(source))?;
    let mut seen = Seen::of(&frame);
    let whole = Rect::whole(frame.size());
    mended.patches.iter().for_each(|patch| patch.put(&mut frame.planes, whole));
    mended.patches.iter().for_each(|patch| seen.change(&frame, patch.window));
    Ok((seen, mended.motes.iter().map(RepairEntry::from).collect()))
}
