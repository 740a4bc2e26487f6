//! A recheck for the terminal, 100 columns.

use motelight_motes::advise::Advice;
use motelight_motes::inspect::{Inspection, Mote};
use motelight_motes::recheck::{Doubt, Fate, Recheck, ResidueKind, Status};

use super::text::{cut, wrapped};
use super::verdict::kind;
use super::words::{count, number, sentence, shown};

/// What became of the motes, what is left, what to do next.
pub fn recheck_text(before: &Inspection, after: &Inspection, recheck: &Recheck, advice: &Advice) -> String {
    let mut out = vec![format!("  {}", headline(recheck)), format!("  {}", rating(before, after))];
    for note in &recheck.notes {
        out.extend(wrapped(note, "  ", "  "));
    }
    if !recheck.fates.is_empty() {
        out.push(String::new());
        out.extend(table(before, after, recheck));
    }
    for r in &recheck.residue {
        let what = match r.kind {
            ResidueKind::Streak => "a streak",
            ResidueKind::Ring => "a dried ring",
            ResidueKind::Patch => "a patch",
        };
        out.push(cut(format!(
            "  Residue: {what} {} x {} mm, {:.1} % deep, {} mm right and {} mm down of the centre",
            number(r.length_mm),
            number(r.width_mm),
            100.0 * r.contrast,
            signed(r.at.x),
            signed(r.at.y),
        )));
    }
    out.push(String::new());
    out.extend(advice_text(advice, after));
    out.join("\n")
}

/// What to do next, why and how.
pub fn advice_text(advice: &Advice, inspection: &Inspection) -> Vec<String> {
    let mut out = vec![format!("  {}", super::advice::headline(advice.action))];
    out.extend(wrapped(&format!("{} Risk: {}", advice.reason, advice.risk), "  ", "  "));
    for (i, step) in advice.steps.iter().enumerate() {
        out.extend(wrapped(step, &format!("  {}. ", i + 1), "     "));
    }
    if !advice.aims.is_empty() {
        out.extend(wrapped(
            &format!("Aim at (looking into the mount, body upright): {}.", super::advice::aims(advice, inspection)),
            "  ",
            "  ",
        ));
    }
    if let Some(words) = super::advice::keep_off(advice, inspection) {
        out.extend(wrapped(&words, "  ", "  "));
    }
    out.extend(wrapped(&advice.stop, "  ", "  "));
    out.push(String::new());
    out
}

/// `Of 14 motes nine are gone, four stayed and one moved; two are new.`
pub(super) fn headline(recheck: &Recheck) -> String {
    let n = |s: Status| recheck.count(s);
    let of = recheck.fates.iter().filter(|f| f.before.is_some()).count();
    let mut parts = Vec::new();
    for (status, word) in [(Status::Gone, "gone"), (Status::Stayed, "stayed"), (Status::Moved, "moved")] {
        if n(status) > 0 {
            parts.push(format!("{} {word}", count(n(status))));
        }
    }
    let undecided = recheck.fates.iter().filter(|f| f.status == Status::Undecided && f.before.is_some()).count();
    if undecided > 0 {
        parts.push(format!("{} undecided", count(undecided)));
    }
    let first = match (of, parts.is_empty()) {
        (0, _) => "There was no mote before".to_owned(),
        (1, _) => format!("The one mote: {}", parts.join(", ")),
        (n, _) => format!("Of {} motes: {}", count(n), parts.join(", ")),
    };
    let new = n(Status::New);
    let unsure = n(Status::Undecided) - undecided;
    let mut told = format!("{first}; {} new", count(new));
    if unsure > 0 {
        told.push_str(&format!(", {} that may have been there before", count(unsure)));
    }
    told.push('.');
    told
}

/// `Clear to f/8 before, to f/16 now.`
pub(super) fn rating(before: &Inspection, after: &Inspection) -> String {
    let to = |i: &Inspection| {
        i.clear_to
            .and_then(|c| c.f_number)
            .map_or_else(|| "clear at no aperture".to_owned(), |n| format!("clear to {n}"))
    };
    format!("{} before, {} now.", sentence(&to(before)), to(after))
}

/// A status with why it is undecided.
pub(super) fn status_words(fate: &Fate) -> &'static str {
    match (fate.status, fate.doubt) {
        (Status::Gone, _) => "gone",
        (Status::Stayed, _) => "stayed",
        (Status::Moved, _) => "moved",
        (Status::New, _) => "new",
        (Status::Undecided, Some(Doubt::BelowFloor)) => "undecided: too small for the other frame",
        (Status::Undecided, Some(Doubt::OutsideFrame)) => "undecided: outside the other frame",
        (Status::Undecided, _) => "undecided: can be read either way",
    }
}

fn table(before: &Inspection, after: &Inspection, recheck: &Recheck) -> Vec<String> {
    let row = |f: &Fate| {
        let first = f.before.and_then(|i| before.motes.get(i));
        let second = f.after.and_then(|j| after.motes.get(j));
        let mote = second.or(first);
        let no = |m: Option<&Mote>| m.map_or_else(|| "-".to_owned(), |m| shown(m.number()));
        let at = if second.is_some() { f.at_after } else { f.at_before };
        [
            no(first),
            no(second),
            mote.map_or_else(String::new, |m| kind(m.kind).to_owned()),
            mote.and_then(|m| m.equivalent_diameter_um).map_or_else(|| "?".to_owned(), |d| number(d.value)),
            mote.and_then(|m| m.shows_from).map_or_else(|| "-".to_owned(), |n| n.to_string()),
            format!("{:.2}", at.x),
            format!("{:.2}", at.y),
            format!("{:.0} %", 100.0 * f.probability),
            status_words(f).to_owned(),
        ]
    };
    let header = ["before", "after", "kind", "µm", "shows from", "right", "down", "sure", "status"].map(str::to_owned);
    let rows: Vec<[String; 9]> = std::iter::once(header).chain(recheck.fates.iter().map(row)).collect();
    let widths: Vec<usize> = (0..9).map(|c| rows.iter().map(|r| r[c].chars().count()).max().unwrap_or(0)).collect();
    let line = |r: &[String; 9]| {
        let cell = |c: usize| match c {
            2 | 8 => format!("{:<w$}", r[c], w = widths[c]),
            _ => format!("{:>w$}", r[c], w = widths[c]),
        };
        cut(format!("  {}", (0..9).map(cell).collect::<Vec<_>>().join("  ").trim_end()))
    };
    rows.iter().map(line).collect()
}

fn signed(v: f64) -> String {
    format!("{v:+.1}")
}
