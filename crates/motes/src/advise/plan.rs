//! The words of a decision: risk, steps, sizes, cautions, when to stop. All common practice, no published source, but for the
//! hazards of 2-propanol, which are those of its safety sheets (GHS H225, H319).

use serde::{Deserialize, Serialize};

use super::aim::aim;
use super::choose::{Choice, LARGEST_SHORT_SIDE_MM};
use super::{Action, Advice, Situation};

/// Width of a swab.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SwabSize {
    /// Of the trade's sizes or, for other sensors, about the short side.
    Millimetres(f64),
    /// The sensor's size is not known: about as wide as its short side.
    ShortSide,
}

/// The swab for a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Swab {
    /// Its width.
    pub size: SwabSize,
}

impl Swab {
    /// The swab that passes between the frame walls of this sensor; `None` where there is none.
    fn of(sensor_mm: Option<(f64, f64)>) -> Option<Swab> {
        let Some((width, height)) = sensor_mm else { return Some(Swab { size: SwabSize::ShortSide }) };
        let short = width.min(height);
        // Sizes sold for 17.3 x 13, APS-C, 36 x 24 and 44 x 33 mm.
        let sold = [(12.0..14.0, 12.0), (14.0..17.5, 16.0), (22.0..26.0, 24.0), (31.0..LARGEST_SHORT_SIDE_MM, 33.0)];
        let size = sold.iter().find(|(range, _)| range.contains(&short)).map_or(short.floor(), |(_, mm)| *mm);
        (short <= LARGEST_SHORT_SIDE_MM).then_some(Swab { size: SwabSize::Millimetres(size) })
    }

    /// In words.
    pub fn words(&self) -> String {
        match self.size {
            SwabSize::Millimetres(mm) => format!("about {mm:.0} mm wide"),
            SwabSize::ShortSide => "about as wide as the sensor's short side".into(),
        }
    }
}

/// Drops of fluid on a swab's tip.
const DROPS: u8 = 2;

pub(super) fn plan(s: &Situation, choice: Choice) -> Advice {
    let action = choice.action;
    let touched = matches!(action, Action::Blow | Action::Brush | Action::Swab);
    let swab = if action == Action::Swab { Swab::of(s.sensor_mm) } else { None };
    let keep_off: Vec<usize> =
        s.motes.iter().filter(|m| m.under_glass || m.wet_passes_stayed >= 3).map(|m| m.number).collect();
    let aims = match s.sensor_mm.filter(|_| touched) {
        Some(sensor) => {
            s.showing().filter(|m| !keep_off.contains(&m.number)).map(|m| aim(m.number, m.at, sensor)).collect()
        }
        None => Vec::new(),
    };
    Advice {
        action,
        reason: choice.reason,
        risk: risk(action).into(),
        wanted: s.wanted(),
        wanted_told: s.booked.is_some(),
        aims,
        keep_off,
        strokes: match action {
            Action::Brush => Some(1),
            Action::Swab => Some(2),
            _ => None,
        },
        drops: (action == Action::Swab).then_some(DROPS),
        steps: steps(s, action, swab.as_ref()),
        swab,
        stop: stop(s, action),
        cautions: if touched { cautions(action) } else { Vec::new() },
    }
}

fn risk(action: Action) -> &'static str {
    match action {
        Action::LeaveAlone => {
            "None to the glass; what shows now will show in pictures until it is mended or cleaned away."
        }
        Action::Blow => "Small: loose dust may land elsewhere on the glass or go deeper into the body.",
        Action::Brush => "Some: a brush drags what it meets over the glass and smears oil.",
        Action::Swab => {
            "The largest of the three: streaks, a scratch from a grain under the swab, fluid at the glass's edge."
        }
        Action::Workshop => "Cost and days without the body; a workshop answers for its work.",
        Action::NewTestFrame => "None.",
    }
}

fn steps(s: &Situation, action: Action, swab: Option<&Swab>) -> Vec<String> {
    let own = |lines: &[&str]| lines.iter().map(|l| (*l).to_owned()).collect::<Vec<String>>();
    let frame = "Take a new test frame with the same lens and settings, and hold it against the last one.";
    let ready = "Full battery in; let the camera shake the dust off, if it can; then its own cleaning position.";
    match action {
        Action::LeaveAlone => own(&["Leave the glass alone; mend in the pictures what shows there."]),
        Action::NewTestFrame => own(&[
            "Fill the frame with a plain, bright, evenly lit wall from close by, focus at infinity.",
            "Smallest aperture the lens has, base ISO, bright but not clipped, half a second while moving the camera.",
        ]),
        Action::Workshop => own(&[
            "Take the body to an authorised workshop, with this chart.",
            "Until then keep tools off the glass and mend in the pictures what shows there.",
        ]),
        Action::Blow => {
            let mut steps = own(&[
                "Purge the blower away from the body; wipe flange, mount, rear element and caps.",
                ready,
                "Mount facing down, tip outside the mount: ten firm puffs.",
            ]);
            if s.circumstances.grit {
                steps.push(
                    "Grit: go on until a new test frame shows no change, before anything touches the glass.".into(),
                );
            }
            steps.push(frame.into());
            steps
        }
        Action::Brush => own(&[
            "Freshen a clean, dry sensor brush with a few puffs of the blower, outside the body.",
            ready,
            "One light stroke along the long side; lift off; put the brush away clean.",
            frame,
        ]),
        Action::Swab => {
            let width = swab.map_or_else(String::new, |w| format!(", {}", w.words()));
            vec![
                "Blow once more, so that no loose grain is dragged along.".to_owned(),
                ready.to_owned(),
                format!("A fresh swab{width}: two drops of fluid on its tip, never on the glass; wait a few seconds, too wet leaves streaks."),
                "One stroke along the long side with even light pressure, turn it over, one stroke back: then it is used up.".to_owned(),
                "Let the glass dry before the power goes off.".to_owned(),
                frame.to_owned(),
            ]
        }
    }
}

fn stop(s: &Situation, action: Action) -> String {
    let wanted = s.wanted();
    let wet = s.passes.iter().filter(|p| p.kind == super::PassKind::Swab).count();
    match action {
        Action::Blow => {
            format!("Stop as soon as a test frame is clear to {wanted}, or when a blow changes nothing any more.")
        }
        Action::Brush => {
            format!("One stroke, then a test frame: stop if it is clear to {wanted}, and do not brush a second time.")
        }
        Action::Swab if wet >= 2 => "This is the last: what stays through three wet passes is a workshop's job.".into(),
        Action::Swab => format!("Stop when a test frame is clear to {wanted}; after three wet passes in any case."),
        Action::LeaveAlone => "Stop here: every pass is a risk.".into(),
        Action::Workshop => "Stop here: nothing more is won on the bench.".into(),
        Action::NewTestFrame => "Touch nothing until there is a frame to judge by.".into(),
    }
}

fn cautions(action: Action) -> Vec<String> {
    let mut all = vec![
        "Use the body's own cleaning position and a full battery: if power fails, mirror or shutter close on the tool.",
        "A still, clean room and good light; the mount open as briefly as can be.",
        "What is touched is the cover glass, not the silicon; it still scratches: never a dry swab, never a used one.",
        "A stabilised sensor moves: no force, and only in the body's cleaning position.",
        "Never canned gas; never blow at or touch a closed shutter curtain; not while the body is cold or misted.",
    ];
    if action == Action::Swab {
        all.push(
            "Fluid must suit the glass's coating: read its own safety sheet; isopropyl alcohol is highly flammable and irritates \
             the eyes: ventilate, no flames or sparks, shut the bottle.",
        );
    }
    all.push("The camera's manual and its warranty terms come first; where they forbid cleaning, or in doubt: an authorised workshop.");
    all.into_iter().map(str::to_owned).collect()
}
