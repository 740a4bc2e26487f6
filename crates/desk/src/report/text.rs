//! An inspection for the terminal, 100 columns.

use motelight_motes::Estimate;

use super::inspection::{percent, shows_from};
use super::verdict::{kind, remarks, verdict};
use super::words::{number, plus_minus, shown};
use motelight_motes::inspect::fitness::Verdict;
use motelight_motes::inspect::stand_off::StandOffSource;
use motelight_motes::inspect::{Inspection, Mote};

const COLUMNS: usize = 100;

/// The verdict, what to do next and the table of motes as plain text.
pub fn inspection_text(name: &str, inspection: &Inspection) -> String {
    let told = verdict(inspection);
    let mut out = vec![shown(name), String::new(), format!("  {}", told.headline)];
    out.extend(wrapped(&told.lead, "  ", "  "));
    if inspection.fitness.verdict == Verdict::UsableWithCare {
        out.push(String::new());
        for finding in &inspection.fitness.findings {
            out.extend(wrapped(&format!("With care: {} {}", finding.message, finding.remedy), "  ", "  "));
        }
    }
    out.push(String::new());
    for (i, step) in told.next.iter().enumerate() {
        out.extend(wrapped(step, &format!("  {}. ", i + 1), "     "));
    }
    if !inspection.motes.is_empty() {
        out.push(String::new());
        out.extend(table(inspection));
    }
    if inspection.fitness.verdict != Verdict::Unfit {
        out.push(String::new());
        out.extend(limits(inspection));
    }
    out.push(String::new());
    out.join("\n")
}

fn table(inspection: &Inspection) -> Vec<String> {
    let header = ["no.", "kind", "shows from", "across µm", "blocked µm²", "depth %", "shadow px", "right", "down"];
    let known = |e: Option<Estimate>| e.map_or_else(|| "?".to_owned(), plus_minus);
    let cells = |m: &Mote| {
        let [right, down] = match m.at_sensor {
            Some(at) => [at.x, at.y].map(|v| format!("{v:.2}")),
            None => [m.at_picture.x, m.at_picture.y].map(|v| format!("{v:.0}")),
        };
        [
            shown(m.number()),
            kind(m.kind).to_owned(),
            shows_from(m, inspection, "-", "?"),
            known(m.equivalent_diameter_um),
            known(m.blocked_area_um2),
            plus_minus(percent(m.depth)),
            plus_minus(m.shadow_width_px),
            right,
            down,
        ]
    };
    let motes = &inspection.motes;
    let rows: Vec<[String; 9]> = std::iter::once(header.map(str::to_owned)).chain(motes.iter().map(cells)).collect();
    let width = |c: usize| rows.iter().map(|r| r[c].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..9).map(width).collect();
    let line = |row: &[String; 9]| {
        let cell = |(c, (text, width)): (usize, (&String, &usize))| match c {
            0 | 1 => format!("{text:<width$}"),
            _ => format!("{text:>width$}"),
        };
        let line = row.iter().zip(&widths).enumerate().map(cell).collect::<Vec<_>>().join("  ");
        cut(format!("  {}", line.trim_end()))
    };
    let unit =
        if inspection.pitch_um.is_some() { "mm from the sensor's centre" } else { "px from the picture's corner" };
    let mut out: Vec<String> = rows.iter().map(line).collect();
    let remarked = motes.iter().map(|m| (m, remarks(m))).filter(|(_, words)| !words.is_empty());
    out.extend(remarked.map(|(m, words)| cut(format!("  {}: {words}", shown(m.number())))));
    out.push(cut(format!("  right, down: {unit}; ±: one standard deviation; '-': not up to f/32")));
    out
}

fn limits(inspection: &Inspection) -> Vec<String> {
    let mut told = Vec::new();
    if let Some(um) = inspection.floor_um {
        told.push(format!("Smallest mote this frame could have shown: {} µm across.", number(um)));
    }
    if let Some(h) = &inspection.stand_off {
        let source = match h.source {
            StandOffSource::Measured => "measured from this frame",
            StandOffSource::Assumed => "assumed: too little in this frame to measure it",
        };
        told.push(format!("Stand-off {} mm, {source}.", plus_minus(h.height_mm)));
    }
    let viewings: Vec<String> = inspection.viewings.iter().map(ToString::to_string).collect();
    told.push(format!("Judged for {}.", viewings.join("; and for ")));
    told.iter().flat_map(|t| wrapped(t, "  ", "  ")).collect()
}

/// Lines of at most [`COLUMNS`], the first after `first`, the others after `other`.
pub(super) fn wrapped(text: &str, first: &str, other: &str) -> Vec<String> {
    let mut lines = vec![first.to_owned()];
    for word in text.split_whitespace() {
        let full = lines.last().is_some_and(|l| l.chars().count() + word.chars().count() + 1 > COLUMNS);
        if full {
            lines.push(other.to_owned());
        }
        if let Some(line) = lines.last_mut() {
            if !line.ends_with(' ') {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}

/// A line of at most [`COLUMNS`].
pub(super) fn cut(line: String) -> String {
    if line.chars().count() <= COLUMNS { line } else { line.chars().take(COLUMNS - 1).chain(['…']).collect() }
}
