//! The ledger for the terminal, 100 columns.

use motelight_frame::body_kind;

use super::text::{cut, wrapped};
use super::words::{number, sentence, shown};
use crate::ledger::{BodyRow, FrameRow, Outlook, Pack, PassRow, Ready, Spent, Stock, Story};

/// All bodies, one line each.
pub fn bodies_text(bodies: &[BodyRow]) -> String {
    if bodies.is_empty() {
        return "  Nothing is in the ledger yet: inspect a test frame.".into();
    }
    let mut rows =
        vec![["", "body", "serial number", "frames", "passes", "last test frame", "clear to"].map(str::to_owned)];
    rows.extend(bodies.iter().map(|b| {
        [
            b.number.to_string(),
            shown(&b.name.clone().unwrap_or_else(|| body_kind(&b.make, &b.model))),
            shown(b.serial.as_deref().unwrap_or("-")),
            b.test_frames.to_string(),
            b.passes.to_string(),
            b.last_test_frame.as_ref().map_or_else(|| "-".into(), |m| m.day().to_owned()),
            stop(b.clear_to),
        ]
    }));
    columns(&rows, &[0, 3, 4]).join("\n")
}

/// The story of a body: how clear it was, what was done, what it can expect.
pub fn story_text(story: &Story, outlook: &Outlook, spent: &[Spent]) -> String {
    let mut out = vec![format!("  {}", shown(&story.body.called())), String::new()];
    out.extend(clear_to_chart(&story.test_frames, &story.passes, outlook.f_number));
    out.push(String::new());
    for pass in &story.passes {
        out.push(cut(format!("  {}  {}", pass.made.day(), pass_words(pass))));
    }
    if !story.passes.is_empty() {
        out.push(String::new());
    }
    for mote in &story.stayed {
        let um = mote.chart.um.map_or_else(String::new, |um| format!(" of {} µm", number(um)));
        let warning = if mote.wet_passes >= 3 { ": likely under the glass or damage, a workshop's job" } else { "" };
        out.push(cut(format!(
            "  No. {}{um} stayed through {}, {} wet{warning}.",
            mote.mote + 1,
            passes(mote.passes),
            mote.wet_passes
        )));
    }
    for line in outlook_lines(outlook, spent) {
        out.extend(wrapped(&line, "  ", "  "));
    }
    out.push(String::new());
    out.join("\n")
}

/// Rates, forecast and money in sentences.
pub(super) fn outlook_lines(o: &Outlook, spent: &[Spent]) -> Vec<String> {
    let stop = format!("f/{}", number_short(o.f_number));
    let mut lines = Vec::new();
    match o.rate {
        Some(r) => lines.push(format!(
            "{} arrived in {:.0} days of record: {} per {} (95 % credible: {} to {}).",
            sentence(&motes(o.arrived)),
            o.days_seen,
            number(r.mean),
            o.per.words(),
            number(r.low),
            number(r.high)
        )),
        None => {
            lines.push("How fast motes arrive is not known yet: hold test frames against each other (recheck).".into())
        }
    }
    match &o.forecast {
        None => lines.push("No test frame is in the ledger.".into()),
        Some(f) if !f.clear_now => lines.push(format!("Not clear to {stop} now.")),
        Some(f) if o.rate_showing_per_day.is_some() => lines.push(format!(
            "Clear to {stop}. By {} it may be over with one chance in ten, by {} with even odds, by {} with nine in ten.",
            f.earliest.day(),
            f.likely.day(),
            f.latest.day()
        )),
        Some(_) => lines.push(format!("Clear to {stop}; for how long is not known yet.")),
    }
    for s in spent {
        let against = match &o.quote {
            Some((quote, currency)) if *currency == s.currency => {
                format!("; a workshop's cleaning of this body: {quote:.2} {currency}")
            }
            _ => String::new(),
        };
        lines.push(format!(
            "Supplies, all bodies: {:.2} {} bought, {:.2} used up{against}.",
            s.bought, s.currency, s.used
        ));
    }
    lines
}

/// Whether every body is ready, on one screen.
pub fn ready_text(r: &Ready) -> String {
    let head = if r.ready { "Ready." } else { "Not ready." };
    let mut out = vec![
        format!(
            "  {head}  {}: {} to {}, f/{} booked",
            shown(&r.shoot.name),
            r.shoot.starts.day(),
            r.shoot.ends.day(),
            number_short(r.shoot.booked)
        ),
        String::new(),
    ];
    if r.bodies.is_empty() {
        out.push("  No body belongs to this shoot: motelight ledger shoot NAME --body BODY".into());
    }
    for b in &r.bodies {
        let age = b.test_frame_age_days.map_or_else(String::new, |d| format!(" Test frame {d:.0} days old."));
        let mark = if b.ready { "ready    " } else { "not ready" };
        out.extend(wrapped(
            &format!("{mark}  {}: {}{age} {}", shown(&b.body.called()), b.reason, b.advice),
            "  ",
            "             ",
        ));
    }
    out.push(String::new());
    out.extend(r.checklist.iter().flat_map(|line| wrapped(&shown(line), "  [ ]", "      ")));
    out.join("\n")
}

/// What is in stock and what was spent.
pub fn supplies_text(stock: &[Stock], spent: &[Spent]) -> String {
    if stock.is_empty() {
        return "  No supplies yet: motelight ledger supply NAME --bought 12 --paid \"31.00 EUR\"".into();
    }
    let mut rows = vec![["supply", "stock", "unit", "each", ""].map(str::to_owned)];
    rows.extend(stock.iter().map(|s| {
        let each =
            s.unit_cost.map_or_else(|| "-".into(), |c| format!("{c:.2} {}", s.currency.as_deref().unwrap_or("")));
        let low = s.low.is_some_and(|low| s.stock < low) || s.stock <= 0.0;
        [shown(&s.name), number_short(s.stock), shown(&s.unit), shown(&each), (if low { "low" } else { "" }).into()]
    }));
    let mut out = columns(&rows, &[1, 3]);
    out.extend(
        spent.iter().map(|s| format!("  Bought for {:.2} {}, used up {:.2}.", s.bought, shown(&s.currency), s.used)),
    );
    out.join("\n")
}

/// What to take along.
pub fn pack_text(before: &str, pack: Option<&Pack>) -> String {
    let mut out = wrapped(before, "  ", "  ");
    match pack {
        Some(p) => {
            out.extend(wrapped(
                &format!(
                    "For {:.0} days: {} swabs and {} ml of fluid ({} wet passes; in nine cases of ten at most {} that show arrive).",
                    p.days, p.swabs, number_short(p.fluid_ml), p.wet_passes, motes(p.motes_showing_at_most)
                ),
                "  ",
                "  ",
            ));
            out.extend(p.notes.iter().flat_map(|n| wrapped(n, "  ", "  ")));
        }
        None => out.push(
            "  How fast motes arrive is not known yet: pack blower, brush, two swabs, and ask the carrier about fluid."
                .into(),
        ),
    }
    out.join("\n")
}

/// `clear to` over the test frames, the passes below; the line is what is booked.
fn clear_to_chart(frames: &[FrameRow], passes: &[PassRow], booked: f64) -> Vec<String> {
    const STOPS: [f64; 9] = [2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0];
    /// Frames that fit in 100 columns.
    const MOST: usize = 44;
    let frames = &frames[frames.len().saturating_sub(MOST)..];
    let (Some(first), Some(last)) = (frames.first(), frames.last()) else { return Vec::new() };
    let reached = |f: &FrameRow, stop: f64| f.clear_to.is_some_and(|n| n >= stop * 0.99);
    let row = |stop: f64| {
        let line = (booked / stop - 1.0).abs() < 0.02;
        let cell = |f: &FrameRow| match (reached(f, stop), line) {
            (true, _) => "█ ",
            (false, true) => "─ ",
            (false, false) => "  ",
        };
        let note = if line { " booked" } else { "" };
        format!("  {:>5} │{}{note}", format!("f/{}", number_short(stop)), frames.iter().map(cell).collect::<String>())
    };
    let mut out = vec!["  Clear to, test frame by test frame:".to_owned()];
    out.extend(STOPS.iter().rev().map(|&s| cut(row(s))));
    let between = |i: usize| {
        let since = if i == 0 { None } else { frames.get(i - 1) };
        let made = |p: &&PassRow| since.is_some_and(|s| p.made >= s.taken) && p.made <= frames[i].taken;
        let kinds: Vec<&str> = passes.iter().filter(made).map(|p| p.kind.as_str()).collect();
        match () {
            () if kinds.contains(&"swab") => "s ",
            () if kinds.contains(&"brush") => "r ",
            () if kinds.contains(&"blow") => "b ",
            () => "· ",
        }
    };
    out.push(format!("  {:>5} └{}", "", "──".repeat(frames.len())));
    out.push(format!(
        "  {:>5}  {}  b blow, r brush, s swab before it",
        "pass",
        (0..frames.len()).map(between).collect::<String>()
    ));
    out.push(format!("  {:>5}  {} to {}", "", first.taken.day(), last.taken.day()));
    out
}

/// One pass in words.
pub(super) fn pass_words(p: &PassRow) -> String {
    let with: Vec<String> = [&p.swab, &p.fluid].into_iter().flatten().map(|w| shown(w)).collect();
    let with = if with.is_empty() { String::new() } else { format!(" ({})", with.join(", ")) };
    let did = match (p.gone, p.stayed, p.moved, p.new) {
        (Some(gone), Some(stayed), moved, new) => {
            format!(": {gone} gone, {stayed} stayed, {} moved, {} new", moved.unwrap_or(0), new.unwrap_or(0))
        }
        _ => ": no test frame held against the one before yet".into(),
    };
    let note = p.note.as_ref().map_or_else(String::new, |n| format!("; {}", shown(n)));
    format!("{}{with}{did}{note}", p.kind)
}

/// `f/8`, or `none` where the sensor is clear at no aperture or nothing is known.
pub(super) fn stop(clear_to: Option<f64>) -> String {
    clear_to.map_or_else(|| "none".into(), |n| format!("f/{}", number_short(n)))
}

/// A number without needless digits.
pub(super) fn number_short(v: f64) -> String {
    let text = format!("{v:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn motes(n: u64) -> String {
    if n == 1 { "one mote".into() } else { format!("{} motes", super::words::count(n as usize)) }
}

fn passes(n: u32) -> String {
    if n == 1 { "one pass".into() } else { format!("{} passes", super::words::count(n as usize)) }
}

/// Cells in columns; those of `right` set to the right.
fn columns<const N: usize>(rows: &[[String; N]], right: &[usize]) -> Vec<String> {
    let width = |c: usize| rows.iter().map(|r| r[c].chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..N).map(width).collect();
    let line = |row: &[String; N]| {
        let cell = |c: usize| {
            let (text, w) = (&row[c], widths[c]);
            if right.contains(&c) { format!("{text:>w$}") } else { format!("{text:<w$}") }
        };
        cut(format!("  {}", (0..N).map(cell).collect::<Vec<_>>().join("  ").trim_end()))
    };
    rows.iter().map(line).collect()
}
