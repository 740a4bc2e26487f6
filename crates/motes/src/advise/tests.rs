//! The table of cases. Each case names the line of common practice that it follows (no published source); it was written
//! before the function that it tests.

use motelight_frame::{FNumber, SensorPoint};

use super::*;
use crate::visibility::LimitedBy;

fn stop(n: f64) -> FNumber {
    FNumber::new(n).expect("an f-number")
}

/// A mote that shows from that stop on, in the picture's upper left.
fn mote(number: usize, kind: Kind, from: f64) -> Lying {
    Lying {
        number,
        at: SensorPoint { x: -10.0 - number as f64, y: -6.0 },
        shows_from: FNumber::new(from),
        kind,
        under_glass: false,
        wet_passes_stayed: 0,
    }
}

/// A 36 x 24 mm sensor, clear to f/8, four grains that show at f/11, f/16 booked, nothing done yet.
fn dusty() -> Situation {
    Situation {
        sensor_mm: Some((36.0, 24.0)),
        fitness: Verdict::Fit,
        clear_to: Some(ClearTo { f_number: Some(stop(8.0)), limited_by: LimitedBy::Mote }),
        motes: (0..4).map(|i| mote(i, Kind::Grain, 11.0)).collect(),
        residue: 0,
        booked: Some(stop(16.0)),
        viewings: Viewing::standard(),
        passes: Vec::new(),
        circumstances: Circumstances::default(),
    }
}

fn passes(kinds: &[(PassKind, bool)]) -> Vec<PassMade> {
    kinds.iter().map(|&(kind, changed)| PassMade { kind, changed: Some(changed) }).collect()
}

const BLOWN: &[(PassKind, bool)] = &[(PassKind::Blow, false)];
const DRY: &[(PassKind, bool)] = &[(PassKind::Blow, false), (PassKind::Brush, false)];

fn clear_to(n: f64, by: LimitedBy) -> Option<ClearTo> {
    Some(ClearTo { f_number: FNumber::new(n), limited_by: by })
}

/// One case: what it is, the line it follows, the situation, what is to be done.
type Case = (&'static str, &'static str, Situation, Action);

fn cases() -> Vec<Case> {
    use Action::{Blow, Brush, LeaveAlone, NewTestFrame, Swab, Workshop};
    let with = |change: &dyn Fn(&mut Situation)| {
        let mut s = dusty();
        change(&mut s);
        s
    };
    let how = |change: &dyn Fn(&mut Circumstances)| {
        let mut s = dusty();
        change(&mut s.circumstances);
        s
    };
    vec![
        (
            "a spotless sensor",
            "Stop when the sensor is clear enough for the work: every pass is a risk.",
            with(&|s| {
                s.motes.clear();
                s.clear_to = clear_to(32.0, LimitedBy::SeriesEnd);
            }),
            LeaveAlone,
        ),
        (
            "booked at f/8 only",
            "Stop when the sensor is clear enough for the work: every pass is a risk.",
            with(&|s| s.booked = Some(stop(8.0))),
            LeaveAlone,
        ),
        (
            "booked wide open, oil that shows only at f/11",
            "Below about f/5.6 most are gone. Stop when the sensor is clear enough for the work.",
            with(&|s| {
                s.booked = Some(stop(2.8));
                s.motes[0].kind = Kind::Oil;
            }),
            LeaveAlone,
        ),
        ("grains, nothing done yet", "Cleaning, from least to most risk: blow.", dusty(), Blow),
        (
            "the blower moved something, more may go",
            "Cleaning, from least to most risk. Dry first; wet only for what stayed.",
            with(&|s| s.passes = passes(&[(PassKind::Blow, true)])),
            Blow,
        ),
        (
            "grains that stayed after blowing",
            "brush: a clean dry sensor brush; one light stroke.",
            with(&|s| s.passes = passes(BLOWN)),
            Brush,
        ),
        (
            "grains that stayed after blowing and brushing",
            "Dry first; wet only for what stayed.",
            with(&|s| s.passes = passes(DRY)),
            Swab,
        ),
        (
            "grit, nothing done yet",
            "Grit: blow until nothing changes before anything touches the glass.",
            how(&|c| c.grit = true),
            Blow,
        ),
        (
            "grit, the last blow still changed something",
            "Grit: blow until nothing changes before anything touches the glass.",
            with(&|s| {
                s.circumstances.grit = true;
                s.passes = passes(&[(PassKind::Blow, true), (PassKind::Blow, true)]);
            }),
            Blow,
        ),
        (
            "grit, blown, but no test frame told whether that changed anything",
            "Grit: blow until nothing changes before anything touches the glass. After each pass a new test frame.",
            with(&|s| {
                s.circumstances.grit = true;
                s.passes = vec![PassMade { kind: PassKind::Blow, changed: None }];
            }),
            NewTestFrame,
        ),
        (
            "grit, blown until nothing changed",
            "brush: not on grit.",
            with(&|s| {
                s.circumstances.grit = true;
                s.passes = passes(BLOWN);
            }),
            Swab,
        ),
        (
            "oil, nothing done yet",
            "Oil spots: blow, then swab, never brush.",
            with(&|s| s.motes[0].kind = Kind::Oil),
            Blow,
        ),
        (
            "oil after blowing",
            "Oil spots: blow, then swab, never brush. brush: not on oil (it smears and spoils the brush).",
            with(&|s| {
                s.motes[0].kind = Kind::Oil;
                s.passes = passes(BLOWN);
            }),
            Swab,
        ),
        (
            "residue after blowing",
            "brush: not on residue. A fresh wet pass can leave residue.",
            with(&|s| {
                s.motes[1].kind = Kind::Residue;
                s.passes = passes(BLOWN);
            }),
            Swab,
        ),
        (
            "a first wet pass that left a streak",
            "too wet leaves streaks; a mote that stays through three wet passes is a workshop's job (two are left).",
            with(&|s| {
                s.motes.truncate(1);
                s.residue = 1;
                s.passes = passes(&[(PassKind::Blow, false), (PassKind::Brush, false), (PassKind::Swab, true)]);
            }),
            Swab,
        ),
        (
            "only motes under the glass",
            "likely under the glass or damage to the coating: a workshop's job.",
            with(&|s| s.motes.iter_mut().for_each(|m| m.under_glass = true)),
            Workshop,
        ),
        (
            "one under the glass, grains on it",
            "Cleaning, from least to most risk: blow.",
            with(&|s| s.motes[0].under_glass = true),
            Blow,
        ),
        (
            "motes that stayed through three wet passes",
            "A mote that stays through three wet passes is likely under the glass or damage: a workshop's job.",
            with(&|s| {
                s.motes.iter_mut().for_each(|m| m.wet_passes_stayed = 3);
                s.passes = passes(&[
                    (PassKind::Blow, false),
                    (PassKind::Swab, false),
                    (PassKind::Swab, false),
                    (PassKind::Swab, false),
                ]);
            }),
            Workshop,
        ),
        (
            "the third wet pass comes up",
            "A mote that stays through three wet passes ... (the third may still be made).",
            with(&|s| {
                s.motes.iter_mut().for_each(|m| m.wet_passes_stayed = 2);
                s.passes = passes(&[
                    (PassKind::Blow, false),
                    (PassKind::Brush, false),
                    (PassKind::Swab, true),
                    (PassKind::Swab, true),
                ]);
            }),
            Swab,
        ),
        (
            "almost clear enough: two faint grains left one stop short, dry passes made",
            "Stop when the sensor is clear enough for the work: every pass is a risk.",
            with(&|s| {
                s.clear_to = clear_to(11.0, LimitedBy::Mote);
                s.motes = vec![mote(0, Kind::Grain, 16.0), mote(1, Kind::Grain, 16.0)];
                s.passes = passes(DRY);
            }),
            LeaveAlone,
        ),
        (
            "almost clear enough, nothing done yet",
            "Cleaning, from least to most risk: blow.",
            with(&|s| {
                s.clear_to = clear_to(11.0, LimitedBy::Mote);
                s.motes = vec![mote(0, Kind::Grain, 16.0)];
            }),
            Blow,
        ),
        (
            "large format, dry passes made",
            "swab: larger than 44 x 33 mm: ask the workshop.",
            with(&|s| {
                s.sensor_mm = Some((53.4, 40.0));
                s.passes = passes(DRY);
            }),
            Workshop,
        ),
        (
            "large format, nothing done yet",
            "Cleaning, from least to most risk: blow.",
            with(&|s| s.sensor_mm = Some((53.4, 40.0))),
            Blow,
        ),
        (
            "the manual forbids it",
            "Follow the camera's manual and its warranty terms; where they forbid cleaning, or in doubt, a workshop.",
            how(&|c| c.manual_forbids = true),
            Workshop,
        ),
        (
            "the manual forbids it, but nothing needs doing",
            "Stop when the sensor is clear enough for the work.",
            with(&|s| {
                s.circumstances.manual_forbids = true;
                s.booked = Some(stop(5.6));
            }),
            LeaveAlone,
        ),
        (
            "low battery",
            "a full battery: if power fails, mirror or shutter close on the tool.",
            how(&|c| c.battery_low = true),
            LeaveAlone,
        ),
        ("cold or misted", "Not while the body is cold or misted.", how(&|c| c.cold_or_misted = true), LeaveAlone),
        (
            "on location, dry passes made",
            "A still, clean room. Not on location where it can wait.",
            with(&|s| {
                s.circumstances.on_location = true;
                s.passes = passes(DRY);
            }),
            LeaveAlone,
        ),
        (
            "a test frame that cannot be judged by",
            "Unfit follows from what the frame could not have shown.",
            with(&|s| s.fitness = Verdict::Unfit),
            NewTestFrame,
        ),
        (
            "nothing shows, but the frame could not have shown what would at f/16",
            "Smallest aperture the lens has. What the frame could not have shown.",
            with(&|s| {
                s.motes.clear();
                s.clear_to = clear_to(8.0, LimitedBy::Floor);
            }),
            NewTestFrame,
        ),
        (
            "a swab was used and no test frame taken since",
            "After each pass a new test frame.",
            with(&|s| {
                s.passes = passes(DRY);
                s.passes.push(PassMade { kind: PassKind::Swab, changed: None });
            }),
            NewTestFrame,
        ),
    ]
}

#[test]
fn advice_follows_common_practice_case_by_case() {
    let all = cases();
    assert!(all.len() >= 20);
    let wrong: Vec<String> = all
        .iter()
        .filter(|(.., situation, action)| advise(situation).action != *action)
        .map(|(name, line, situation, action)| {
            let told = advise(situation);
            format!("{name}: wanted {action:?}, told {:?} ({}); line: {line}", told.action, told.reason)
        })
        .collect();
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn every_advice_gives_one_reason_in_one_sentence_and_says_the_risk() {
    for (name, _, situation, _) in cases() {
        let told = advise(&situation);
        for sentence in [&told.reason, &told.risk, &told.stop] {
            let inner = sentence.trim_end_matches('.');
            assert!(sentence.ends_with('.') && !inner.contains(". "), "{name}: {sentence}");
        }
    }
}

/// Common practice, no source: about 24 mm for 36 x 24 mm, 16 mm for APS-C, 12 mm for 17.3 x 13 mm, 33 mm for 44 x 33 mm.
#[test]
fn the_swab_is_as_wide_as_the_short_side() {
    let table = [
        ((36.0, 24.0), 24.0),
        ((35.9, 23.9), 24.0),
        ((23.5, 15.6), 16.0),
        ((22.3, 14.9), 16.0),
        ((17.3, 13.0), 12.0),
        ((43.8, 32.9), 33.0),
        ((24.0, 36.0), 24.0),
    ];
    for (sensor, width) in table {
        let told = advise(&Situation { sensor_mm: Some(sensor), passes: passes(DRY), ..dusty() });
        assert_eq!(told.swab.map(|s| s.size), Some(SwabSize::Millimetres(width)), "{sensor:?}");
    }
    let unknown = advise(&Situation { sensor_mm: None, passes: passes(DRY), ..dusty() });
    assert_eq!(unknown.swab.map(|s| s.size), Some(SwabSize::ShortSide));
}

/// Common practice, no source: two drops on the swab's tip, never on the glass; one stroke, turn it over, one stroke back;
/// one light stroke of the brush.
#[test]
fn a_swab_takes_two_drops_and_two_strokes_a_brush_one() {
    let swab = advise(&Situation { passes: passes(DRY), ..dusty() });
    assert_eq!((swab.drops, swab.strokes), (Some(2), Some(2)));
    let steps = swab.steps.join(" ");
    for words in [
        "two drops",
        "tip",
        "never on the glass",
        "turn it over",
        "along the long side",
        "dry before the power goes off",
    ] {
        assert!(steps.contains(words), "{words}: {steps}");
    }
    let brush = advise(&Situation { passes: passes(BLOWN), ..dusty() });
    assert_eq!((brush.drops, brush.strokes, brush.swab), (None, Some(1), None));
    let blow = advise(&dusty());
    assert_eq!((blow.drops, blow.strokes, blow.swab), (None, None, None));
}

#[test]
fn cautions_come_with_every_plan_that_touches_the_body_and_with_no_other() {
    for (name, _, situation, _) in cases() {
        let told = advise(&situation);
        let touched = matches!(told.action, Action::Blow | Action::Brush | Action::Swab);
        assert_eq!(!told.cautions.is_empty(), touched, "{name}");
        if touched {
            let all = told.cautions.join(" ");
            for words in ["full battery", "manual", "cleaning position", "never a used one"] {
                assert!(all.contains(words), "{name}: {words}");
            }
            assert_eq!(
                all.contains("flammable"),
                told.action == Action::Swab,
                "{name}: fluid is told where it is used"
            );
        }
    }
}

#[test]
fn what_lies_under_the_glass_is_never_aimed_at() {
    let mut situation = dusty();
    situation.motes[2].under_glass = true;
    let told = advise(&situation);
    assert!(told.aims.iter().all(|a| a.number != 2) && told.keep_off == [2]);
    assert_eq!(told.aims.len(), 3);
}

/// What does not show in the work is no reason to touch the glass.
#[test]
fn only_what_shows_in_the_work_booked_is_aimed_at() {
    let mut situation = dusty();
    situation.motes[3].shows_from = FNumber::new(32.0);
    assert_eq!(advise(&situation).aims.len(), 3);
}

#[test]
fn an_assumed_aperture_is_said_to_be_assumed() {
    let told = advise(&Situation { booked: None, ..dusty() });
    assert!(!told.wanted_told && told.reason.contains("assumed"), "{}", told.reason);
}
