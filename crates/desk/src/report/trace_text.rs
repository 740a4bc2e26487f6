//! A trace for the terminal, 100 columns.

use motelight_motes::trace::{Span, Traced, TracedMote, TracedPicture};

use super::words::{count, number, plus_minus, sentence, shown};

/// One body's trace with the names of its pictures.
#[derive(Debug, Clone, Copy)]
pub struct TraceSheet<'a> {
    /// What was found.
    pub traced: &'a Traced,
    /// Names of the pictures, in the order of `traced.pictures`.
    pub names: &'a [String],
    /// Contrast over what would just be noticed from which on a picture needs mending badly.
    pub badly: f64,
}

impl TraceSheet<'_> {
    /// The body as it is called.
    pub fn body(&self) -> String {
        match &self.traced.body {
            None => "Pictures that do not tell their body".to_owned(),
            Some(b) => {
                let serial = b.serial.as_ref().map_or(String::new(), |s| format!(", number {s}"));
                shown(&format!("{}{serial}", b.kind()))
            }
        }
    }

    /// The one sentence that counts: `31 of 412 pictures need mending, 3 of them badly.`
    pub fn headline(&self) -> String {
        let pictures = &self.traced.pictures;
        let mend = pictures.iter().filter(|p| p.shows()).count();
        let badly = pictures.iter().filter(|p| p.worst() >= self.badly).count();
        match (mend, self.traced.motes.len()) {
            (0, 0) => format!("No motes in {} pictures.", pictures.len()),
            (0, n) => format!("{} of them faint: nothing shows in any of {} pictures.", motes(n), pictures.len()),
            _ if badly == 0 => format!("{mend} of {} pictures need mending, none of them badly.", pictures.len()),
            _ => format!("{mend} of {} pictures need mending, {badly} of them badly.", pictures.len()),
        }
    }

    /// A picture's name.
    pub fn name(&self, k: usize) -> String {
        self.names.get(k).map_or_else(|| format!("picture {}", k + 1), |n| shown(n))
    }

    /// When a mote came, in words.
    pub fn arrival(&self, m: &TracedMote) -> String {
        self.span(&m.arrival, "there from the start")
    }

    /// When it went, in words.
    pub fn departure(&self, m: &TracedMote) -> Option<String> {
        m.departure.as_ref().map(|d| format!("gone {}", self.span(d, "before the first picture")))
    }

    fn span(&self, span: &Span, from_the_start: &str) -> String {
        let lens = if span.lens_changed { ", with a change of lens" } else { "" };
        match (span.after, span.before) {
            (None, None | Some(0)) => from_the_start.to_owned(),
            (None, Some(b)) => format!("by {}{lens}", self.name(b)),
            (Some(a), None) => format!("after {}{lens}", self.name(a)),
            (Some(a), Some(b)) => format!("between {} and {}{lens}", self.name(a), self.name(b)),
        }
    }

    /// In how many pictures a mote shows.
    pub fn shows_in(&self, id: &str) -> usize {
        self.traced.pictures.iter().filter(|p| p.motes.iter().any(|m| m.id == id && m.shows)).count()
    }

    /// The pictures that need mending, the worst first.
    pub fn to_mend(&self) -> Vec<(usize, &TracedPicture)> {
        let mut all: Vec<_> = self.traced.pictures.iter().enumerate().filter(|(_, p)| p.shows()).collect();
        all.sort_by(|a, b| b.1.worst().total_cmp(&a.1.worst()));
        all
    }
}

fn motes(n: usize) -> String {
    sentence(&if n == 1 { "one mote".to_owned() } else { format!("{} motes", count(n)) })
}

/// The summary of one body's pictures.
pub fn trace_text(sheet: &TraceSheet) -> String {
    let traced = sheet.traced;
    let mut out = vec![sheet.body(), String::new(), format!("  {}", sheet.headline())];
    for mote in traced.motes.iter().filter(|m| m.arrival.after.is_some() && sheet.shows_in(&m.id) > 0) {
        let size = number(mote.equivalent_diameter_um.value);
        out.push(format!("  A {size} µm mote ({}) came {}.", shown(&mote.id), sheet.arrival(mote)));
    }
    if !traced.motes.is_empty() {
        out.push(String::new());
        let header = ["mote", "across µm", "right mm", "down mm", "shows from", "shows in", "since"].map(str::to_owned);
        let row = |m: &TracedMote| {
            let scaled = |v: String| if traced.sensor_mm.is_some() { v } else { "?".to_owned() };
            [
                shown(&m.id),
                scaled(plus_minus(m.equivalent_diameter_um)),
                scaled(format!("{:.2}", m.at_mm.0)),
                scaled(format!("{:.2}", m.at_mm.1)),
                m.shows_from.map_or_else(|| "-".to_owned(), |n| n.to_string()),
                sheet.shows_in(&m.id).to_string(),
                [Some(sheet.arrival(m)), sheet.departure(m)].into_iter().flatten().collect::<Vec<_>>().join("; "),
            ]
        };
        let rows: Vec<[String; 7]> = std::iter::once(header).chain(traced.motes.iter().map(row)).collect();
        let widths: Vec<usize> = (0..7).map(|c| rows.iter().map(|r| r[c].chars().count()).max().unwrap_or(0)).collect();
        for row in &rows {
            let cell = |(c, text): (usize, &String)| match c {
                0 | 6 => format!("{text:<w$}", w = widths[c]),
                _ => format!("{text:>w$}", w = widths[c]),
            };
            let line = row.iter().enumerate().map(cell).collect::<Vec<_>>().join("  ");
            out.push(format!("  {}", line.trim_end()));
        }
    }
    let worst = sheet.to_mend();
    if !worst.is_empty() {
        out.push(String::new());
        out.push("  To mend, the worst first:".to_owned());
        for (k, picture) in worst.iter().take(20) {
            let n = picture.motes.iter().filter(|m| m.shows).count();
            let words = if n == 1 { "one mote shows".to_owned() } else { format!("{} motes show", count(n)) };
            let badly = if picture.worst() >= sheet.badly { ", badly" } else { "" };
            out.push(format!("    {}  {}: {words}{badly}", sheet.name(*k), picture.f_number));
        }
        if worst.len() > 20 {
            out.push(format!("    and {} more", worst.len() - 20));
        }
    }
    out.push(String::new());
    let source = if traced.stand_off_measured { "measured in these pictures" } else { "assumed" };
    out.push(format!("  Height of the glass {} mm, {source}.", plus_minus(traced.stand_off_mm)));
    out.push(format!("  False motes to expect among these: {:.2}.", traced.false_motes));
    let viewings: Vec<String> = traced.viewings.iter().map(ToString::to_string).collect();
    out.push(format!("  Judged for {}.", viewings.join(" and ")));
    out.extend(traced.notes.iter().map(|n| format!("  {n}")));
    out.push(String::new());
    out.join("\n")
}
