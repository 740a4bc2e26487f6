//! Which of the ways: the decision alone.

use motelight_frame::FNumber;

use super::{Action, PassKind, Situation};
use crate::inspect::Kind;
use crate::inspect::fitness::Verdict;
use crate::visibility::LimitedBy;

/// What was decided, and why.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Choice {
    pub action: Action,
    /// One sentence.
    pub reason: String,
}

/// Wet passes after which a mote that stayed is none of the user's (common practice, no source).
const WET_PASSES: u32 = 3;
/// Few enough motes, one stop short, to be mended in the pictures instead of wetting the glass. A guess.
const FEW: usize = 2;
/// Short side above which no ordinary swab fits, mm (common practice, no source: 33 mm is the widest).
pub(super) const LARGEST_SHORT_SIDE_MM: f64 = 35.0;

pub(super) fn choose(s: &Situation) -> Choice {
    let is = |action: Action, reason: String| Choice { action, reason };
    let assumed = if s.booked.is_none() { " (assumed: nothing booked was told)" } else { "" };
    let wanted = s.wanted();
    let last = s.passes.last();

    if s.fitness == Verdict::Unfit {
        return is(
            Action::NewTestFrame,
            "This test frame cannot be judged by, so nothing is known of the glass.".into(),
        );
    }
    if last.is_some_and(|p| p.changed.is_none()) {
        return is(Action::NewTestFrame, "No test frame has shown yet what the last pass did.".into());
    }
    let showing: Vec<_> = s.showing().collect();
    if s.clear_enough() && s.residue == 0 {
        let reason = format!("The sensor is clear to {}, and {wanted} is the most that is wanted{assumed}.", told(s));
        return is(Action::LeaveAlone, reason);
    }
    if showing.is_empty() && s.residue == 0 {
        let by_floor = s.clear_to.is_none_or(|c| c.limited_by == LimitedBy::Floor);
        return if by_floor {
            let reason =
                format!("Nothing shows, but this frame could not have shown what would be seen at {wanted}{assumed}.");
            is(Action::NewTestFrame, reason)
        } else {
            is(Action::LeaveAlone, format!("Nothing on the glass shows at {wanted} or wider{assumed}."))
        };
    }
    // What a person can do something about.
    let within_reach: Vec<_> = showing.iter().filter(|m| !m.under_glass && m.wet_passes_stayed < WET_PASSES).collect();
    if within_reach.is_empty() && s.residue == 0 {
        let reason = "All that shows lies likely under the glass or is damage to it, which no pass takes away.".into();
        return is(Action::Workshop, reason);
    }
    let c = s.circumstances;
    if c.manual_forbids {
        return is(Action::Workshop, "The manual or the warranty forbids cleaning, or leaves it in doubt.".into());
    }
    if c.cold_or_misted {
        return is(
            Action::LeaveAlone,
            "The body is cold or misted: let it come to the room's warmth and dry first.".into(),
        );
    }
    if c.battery_low {
        let reason =
            "The battery is not full: if power fails, mirror or shutter close on the tool, so charge it first.";
        return is(Action::LeaveAlone, reason.into());
    }

    let blown = s.made(PassKind::Blow) > 0;
    let last_blow = s.passes.iter().rev().find(|p| p.kind == PassKind::Blow);
    let blows_still_help = last.is_some_and(|p| p.kind == PassKind::Blow && p.changed == Some(true));
    let many = count(showing.len() + s.residue);
    if !blown {
        let why = if c.grit {
            "with grit about, blowing comes before anything touches the glass"
        } else {
            "blowing risks least"
        };
        return is(Action::Blow, format!("{many} at {wanted}{assumed}, and {why}."));
    }
    if blows_still_help || (c.grit && last_blow.is_some_and(|p| p.changed != Some(false))) {
        return is(
            Action::Blow,
            format!("The last blow still took something away, and {} at {wanted}{assumed}.", lower(&many)),
        );
    }
    if c.on_location {
        let reason = "Blowing is done, and what touches the glass can wait for a still, clean room.".into();
        return is(Action::LeaveAlone, reason);
    }
    let smears = |k: Kind| matches!(k, Kind::Oil | Kind::Residue | Kind::Ring);
    let may_brush = !c.grit && s.residue == 0 && !within_reach.iter().any(|m| smears(m.kind));
    let wet = s.made(PassKind::Swab);
    if may_brush && s.made(PassKind::Brush) == 0 && wet == 0 {
        return is(Action::Brush, format!("{many} at {wanted}{assumed} and stayed when blown on."));
    }
    if s.residue == 0 && within_reach.len() <= FEW && one_stop_short(s, wanted) {
        let reason = format!(
            "Almost clear enough: {} only at {wanted}{assumed}, and mending that in the pictures risks less than wetting the glass.",
            lower(&many)
        );
        return is(Action::LeaveAlone, reason);
    }
    if s.sensor_mm.is_some_and(|(w, h)| w.min(h) > LARGEST_SHORT_SIDE_MM) {
        let reason = "Dry passes did not do, and a sensor this large is nothing for an ordinary swab.".into();
        return is(Action::Workshop, reason);
    }
    if wet >= WET_PASSES as usize && within_reach.len() < showing.len() {
        let reason =
            "Three wet passes were made and what shows stayed: it is likely under the glass or damage to the coating.";
        return is(Action::Workshop, reason.into());
    }
    let why = if s.residue > 0 {
        "The last wet pass left residue, which only a fresh swab with less fluid takes up".to_owned()
    } else if within_reach.iter().any(|m| smears(m.kind)) {
        "Oil or residue shows, which a brush would smear".to_owned()
    } else if c.grit {
        "What blowing left shows, and a brush must not be drawn over grit".to_owned()
    } else {
        format!("{many} at {wanted}{assumed} and stayed through the dry passes")
    };
    is(Action::Swab, format!("{why}."))
}

fn one_stop_short(s: &Situation, wanted: FNumber) -> bool {
    let to = s.clear_to.and_then(|c| c.f_number);
    // A full stop is a factor of sqrt 2.
    to.is_some_and(|n| n.exact() * 1.5 > wanted.exact())
}

fn told(s: &Situation) -> String {
    s.clear_to.and_then(|c| c.f_number).map_or_else(|| "no aperture".into(), |n| n.to_string())
}

fn count(n: usize) -> String {
    if n == 1 { "One mote shows".into() } else { format!("{n} motes show") }
}

fn lower(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_lowercase().chain(chars).collect())
}
