//! Advice in words, shared by the terminal, the pages and the card.

use motelight_motes::advise::{Action, Advice};
use motelight_motes::inspect::Inspection;

use super::words::number;

/// The action as a sentence of a few words.
pub fn headline(action: Action) -> &'static str {
    match action {
        Action::LeaveAlone => "Leave the glass alone.",
        Action::Blow => "Next: blow.",
        Action::Brush => "Next: brush.",
        Action::Swab => "Next: swab, wet.",
        Action::Workshop => "Next: a workshop.",
        Action::NewTestFrame => "Next: a new test frame.",
    }
}

/// Most places that are named one by one.
const NAMED: usize = 6;

/// `no. 3 at 7 o'clock, 2.1 mm from the bottom edge; ...`.
pub fn aims(advice: &Advice, inspection: &Inspection) -> String {
    let one = |a: &motelight_motes::advise::Aim| {
        let id = inspection.motes.get(a.number).map_or("?", |m| m.number());
        format!("no. {id} at {} o'clock, {} mm from the {}", a.clock, number(a.from_edge_mm), a.side.words())
    };
    let mut told: Vec<String> = advice.aims.iter().take(NAMED).map(one).collect();
    if advice.aims.len() > NAMED {
        told.push(format!("and {} more", advice.aims.len() - NAMED));
    }
    told.join("; ")
}

/// What to keep off, if anything.
pub fn keep_off(advice: &Advice, inspection: &Inspection) -> Option<String> {
    let numbers: Vec<&str> =
        advice.keep_off.iter().filter_map(|&n| inspection.motes.get(n)).map(|m| m.number()).collect();
    (!numbers.is_empty())
        .then(|| format!("Likely under the glass: {}. Do not swab for these; a workshop can tell.", numbers.join(", ")))
}
