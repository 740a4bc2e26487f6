//! A sign-off for the terminal, 100 columns, and the words that page and terminal share.

use motelight_frame::{Orientation, PicturePoint, Size};
use motelight_motes::Estimate;
use motelight_motes::signoff::{Cause, SignOff, Suspect, Verdict, Vouch};

use super::text::{cut, wrapped};
use super::words::{count, number, place, plus_minus, sentence, shown};
use crate::contract::{Answer, AnswerEntry};

/// Suspects that do not count and are listed all the same.
const LOW: usize = 3;

/// One file's answer as plain text. `size` and `orientation` of the file; `motes`: of the shoot, where they are known.
pub fn signoff_text(
    name: &str,
    size: Size,
    orientation: Orientation,
    judged: &SignOff,
    motes: &[AnswerEntry],
) -> String {
    let mut out = vec![cut(format!("{}: {}", shown(name), verdict_word(judged.verdict)))];
    out.extend(wrapped(&summary(judged), "  ", "  "));
    let counting = judged.suspects.iter().filter(|s| s.counts).count();
    for (i, s) in judged.suspects.iter().enumerate().take(counting + LOW) {
        let at = place(where_shown(s, size, orientation), orientation.shown_size(size));
        let mote = s.mote.as_ref().map_or(String::new(), |m| format!(", mote {}", shown(m)));
        let low = if s.counts { String::new() } else { format!("; not counted: {}", cause(s.cause)) };
        let (x, y) = (s.at.x, s.at.y);
        let line = format!("{:>4}  {at} ({x:.0}, {y:.0} px), {}{mote}{low}", i + 1, measured(s));
        out.extend(wrapped(&line, "  ", "        "));
    }
    if !motes.is_empty() {
        out.extend(wrapped(&answers(motes), "  ", "  "));
    }
    out.join("\n")
}

/// The verdict in a word or two.
pub fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Clear => "clear",
        Verdict::Suspects => "suspects",
        Verdict::CannotJudge => "cannot judge",
    }
}

/// What is behind the verdict, in a sentence or two.
pub fn summary(judged: &SignOff) -> String {
    let counting = judged.suspects.iter().filter(|s| s.counts).count();
    let mut told = match (judged.verdict, counting) {
        (Verdict::Clear, _) => "Nothing like a shadow shows where the picture is plain.".to_owned(),
        (Verdict::CannotJudge, _) => "The picture cannot tell for every viewing asked for.".to_owned(),
        (Verdict::Suspects, 1) => "One place looks like a shadow.".to_owned(),
        (Verdict::Suspects, n) => format!("{} places look like shadows.", sentence(&count(n))),
    };
    for vouch in &judged.vouches {
        told += &format!(" {}", vouched(vouch));
    }
    told
}

/// What the picture can vouch for in one viewing.
pub fn vouched(v: &Vouch) -> String {
    let viewing = sentence(&v.viewing.to_string());
    let share = 100.0 * v.plain_share;
    if !v.judged {
        return format!(
            "{viewing}: cannot be judged: the picture is too small for it or too dark ({:.0}\u{a0}px per inch).",
            v.ppi
        );
    }
    let Some(times) = v.finds_from_times_threshold else {
        return format!("{viewing}: hardly a plain place in the picture, and shadows hide in its detail.");
    };
    let finds = if times <= 1.0 {
        "whatever would be noticed there would have been found".to_owned()
    } else {
        format!("shadows of {} times what would be noticed there would have been found", number(times))
    };
    format!("{viewing}: {share:.0}\u{a0}% of the picture is plain enough to judge; {finds} in nine places of ten.")
}

/// Contrast and how far above the threshold.
pub fn measured(s: &Suspect) -> String {
    let percent = Estimate::new(100.0 * s.contrast, 100.0 * s.contrast_sigma);
    format!(
        "{}\u{a0}px wide, {}\u{a0}% darker, {} times what would be noticed",
        number(s.width_px),
        plus_minus(percent),
        number(s.times_threshold)
    )
}

/// Why a place is listed, or listed low.
pub fn cause(cause: Cause) -> &'static str {
    match cause {
        Cause::LikeAShadow => "even, soft and alone on a plain place, as a shadow is",
        Cause::KnownMote => "a mote of the shoot lies here and shows",
        Cause::LightOnesToo => "light marks as clear lie about it",
        Cause::TooNarrow => "too narrow to be told from a speck",
        Cause::NarrowerThanOthers => "narrower than the picture’s other marks, and one lens makes all alike",
        Cause::OfAllWidths => "the marks here are of all widths, and one lens makes all shadows alike",
        Cause::AmongSharpOnes => "too small for its edge to be told, among larger ones with sharp edges",
        Cause::SharpEdge => "its edge is sharper than a shadow’s so faint",
        Cause::NotRound => "not round",
        Cause::BlownOut => "faint in blown-out light, where little shows of what it is",
        Cause::Coloured => "of another colour than light taken away leaves",
        Cause::OneOfMany => "one of many alike near by",
        Cause::BesideLeaves => "leaves lie beside it, and it may be one",
        Cause::AmongDetail => "detail around it may be what makes it",
    }
}

/// The motes of the shoot in a sentence.
pub fn answers(motes: &[AnswerEntry]) -> String {
    let of = |a: Answer| motes.iter().filter(|m| m.answer == a).count();
    let ids =
        |a: Answer| motes.iter().filter(|m| m.answer == a).map(|m| shown(&m.mote_id)).collect::<Vec<_>>().join(", ");
    let mut told = format!("Motes of the shoot: {} not visible", count(of(Answer::NotVisible)));
    if of(Answer::Visible) > 0 {
        told += &format!(", {} visible ({})", count(of(Answer::Visible)), ids(Answer::Visible));
    }
    if of(Answer::OutsideTheCrop) > 0 {
        told += &format!(", {} outside the crop", count(of(Answer::OutsideTheCrop)));
    }
    told + "."
}

/// Where a suspect lies in the picture as it is shown.
pub fn where_shown(s: &Suspect, size: Size, orientation: Orientation) -> PicturePoint {
    orientation.shown(s.at, (size.width as f64, size.height as f64))
}
