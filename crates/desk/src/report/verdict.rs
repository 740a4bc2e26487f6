//! An inspection in plain words: the verdict, what it rests on, what to do next.

use motelight_frame::FNumber;
use motelight_motes::advise::{Situation, advise};
use motelight_motes::visibility::LimitedBy;

use super::words::{count, number, place, sentence};
use motelight_motes::inspect::fitness::Verdict;
use motelight_motes::inspect::{Inspection, Kind, Mote};

/// What the first screen says.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// A few words: `Clear to f/8.`
    pub headline: String,
    /// One to four sentences.
    pub lead: String,
    /// Steps, first things first.
    pub next: Vec<String>,
}

/// Says an inspection in plain words.
pub fn verdict(inspection: &Inspection) -> Told {
    let Some(rating) = inspection.clear_to.filter(|_| inspection.fitness.verdict != Verdict::Unfit) else {
        return cannot_judge(inspection);
    };
    let showing: Vec<&Mote> = inspection.motes.iter().filter(|m| m.shows_from.is_some()).collect();
    let headline = match (rating.f_number, rating.limited_by) {
        (Some(n), LimitedBy::Floor) => format!("Clear to {n}, as far as this frame can tell."),
        (Some(n), _) => format!("Clear to {n}."),
        (None, LimitedBy::Floor) => "This frame cannot tell.".to_owned(),
        (None, _) => "Not clear at any aperture.".to_owned(),
    };
    let mut lead = Vec::new();
    match (rating.f_number, showing.is_empty()) {
        (Some(n), false) => lead.push(format!("At {n} and wider nothing on the glass shows.")),
        (_, true) => lead.push(nothing_shows(inspection.motes.len())),
        _ => {}
    }
    lead.extend(first_to_show(inspection, &showing));
    if rating.limited_by == LimitedBy::Floor {
        lead.push(beyond_the_floor(inspection, rating.f_number));
    }
    Told { headline, lead: lead.join(" "), next: next_steps(inspection) }
}

fn cannot_judge(inspection: &Inspection) -> Told {
    let findings = &inspection.fitness.findings;
    let mut lead: Vec<String> = findings.iter().map(|f| f.message.clone()).collect();
    if lead.is_empty() {
        lead.push("It does not tell enough about how it was taken.".into());
    }
    if !inspection.motes.is_empty() {
        lead.push("What was found in it all the same is listed below; it is not the whole.".into());
    }
    let mut next: Vec<String> = findings.iter().map(|f| f.remedy.clone()).collect();
    next.push("Then inspect the new frame. This one says neither that the sensor is clean nor that it is not.".into());
    Told { headline: "No verdict from this frame.".into(), lead: lead.join(" "), next }
}

/// `At f/11 three motes would show, the worst of them a grain 32 µm across, in the upper left.`
fn first_to_show(inspection: &Inspection, showing: &[&Mote]) -> Option<String> {
    let worst = showing.first()?;
    let first = worst.shows_from?;
    let there = showing.iter().filter(|m| m.shows_from == Some(first)).count();
    let what = described(worst, inspection);
    let mut told = match there {
        1 => format!("At {first} one mote would show: {what}."),
        n => format!("At {first} {} motes would show, the worst of them {what}.", count(n)),
    };
    let later = showing.len() - there;
    if later > 0 {
        told.push_str(&format!(" {} more would show at smaller apertures.", sentence(&count(later))));
    }
    Some(told)
}

/// `a grain 32 µm across, in the upper left`.
fn described(mote: &Mote, inspection: &Inspection) -> String {
    let one = match mote.kind {
        Kind::Grain => "a grain",
        Kind::Fibre => "a fibre",
        Kind::Residue => "residue of a wet pass",
        Kind::Ring => "a dried ring",
        Kind::Oil => "a spot of oil",
    };
    let across = match (mote.kind, mote.equivalent_diameter_um) {
        (Kind::Grain, Some(um)) => format!(" {} µm across", number(um.value)),
        _ => String::new(),
    };
    format!("{one}{across}, {}", place(mote.at_picture, inspection.size))
}

fn beyond_the_floor(inspection: &Inspection, clear: Option<FNumber>) -> String {
    let floor = inspection.floor_um.map_or_else(String::new, |um| format!(" (under {} µm)", number(um)));
    match clear {
        Some(n) => {
            format!("Past {n} it promises nothing: a mote too small for this frame to show{floor} might be seen there.")
        }
        None => format!("A mote too small for this frame to show{floor} might be seen at every aperture."),
    }
}

fn nothing_shows(found: usize) -> String {
    match found {
        0 => "No mote was found.".into(),
        1 => "One mote lies on the glass; it would not show at any aperture up to f/32.".into(),
        n => format!("{} motes lie on the glass; none would show at any aperture up to f/32.", sentence(&count(n))),
    }
}

/// The one advice, in lines; what passes were made and how things stand is not known here.
fn next_steps(inspection: &Inspection) -> Vec<String> {
    let advice = advise(&Situation::of(inspection));
    let mut steps = vec![format!("{} {}", super::advice::headline(advice.action), advice.reason)];
    steps.extend(advice.steps.iter().cloned());
    steps.extend(super::advice::keep_off(&advice, inspection));
    let numbers = |wanted: &dyn Fn(&Mote) -> bool| {
        let showing = inspection.motes.iter().filter(|m| m.shows_from.is_some() && wanted(m));
        let numbers: Vec<&str> = showing.map(Mote::number).collect();
        (!numbers.is_empty()).then(|| numbers.join(", "))
    };
    if let Some(these) = numbers(&|m| m.kind == Kind::Oil) {
        steps.push(format!("Oil: {these}. Blow, then swab; never brush, it smears."));
    }
    if let Some(these) = numbers(&|m| matches!(m.kind, Kind::Residue | Kind::Ring)) {
        steps.push(format!("Left by an earlier wet pass: {these}. Blowing will not move these."));
    }
    steps.push(advice.stop);
    steps
}

/// The kind's word.
pub fn kind(kind: Kind) -> &'static str {
    match kind {
        Kind::Grain => "grain",
        Kind::Fibre => "fibre",
        Kind::Residue => "residue",
        Kind::Ring => "ring",
        Kind::Oil => "oil",
    }
}

/// What to keep in mind about a mote.
pub fn remarks(mote: &Mote) -> String {
    let flags = mote.flags;
    [
        (flags.under_glass, "likely under the glass: do not swab"),
        (flags.merged, "its shadow overlaps another"),
        (flags.at_edge, "partly outside the picture"),
    ]
    .into_iter()
    .filter_map(|(set, words)| set.then_some(words))
    .collect::<Vec<_>>()
    .join("; ")
}
