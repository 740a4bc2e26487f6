//! Numbers, places and names as a person reads them.

use motelight_frame::{PicturePoint, Size};
use motelight_motes::Estimate;

/// A file's name or another text from outside, made inert for reading: control characters and those that
/// turn or hide the text around them are written out.
pub fn shown(text: &str) -> String {
    let hidden = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
    };
    text.chars().flat_map(|c| if hidden(c) { c.escape_unicode().collect() } else { vec![c] }).collect()
}

/// `no`, `one`, ... `twelve`, then figures.
pub fn count(n: usize) -> String {
    const WORDS: [&str; 13] =
        ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"];
    WORDS.get(n).map_or_else(|| n.to_string(), |w| (*w).to_owned())
}

/// The first letter made large.
pub fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |c| c.to_uppercase().chain(chars).collect())
}

/// Where in the picture, in thirds: `in the upper left`.
pub fn place(at: PicturePoint, size: Size) -> &'static str {
    let third = |v: f64, whole: usize| (3.0 * v / whole.max(1) as f64).clamp(0.0, 2.0) as usize;
    const PLACES: [[&str; 3]; 3] = [
        ["in the upper left", "at the top", "in the upper right"],
        ["at the left", "in the middle", "at the right"],
        ["in the lower left", "at the bottom", "in the lower right"],
    ];
    PLACES[third(at.y, size.height)][third(at.x, size.width)]
}

/// A number with as many digits as mean something: `32`, `4.1`, `0.35`.
pub fn number(value: f64) -> String {
    match value.abs() {
        v if v >= 9.95 => format!("{value:.0}"),
        v if v >= 0.995 => format!("{value:.1}"),
        _ => format!("{value:.2}"),
    }
}

/// How dark a place is against its surroundings: `12.4 % darker`, `0.3 % brighter`. `depth`: share of the light lost.
pub fn darkness(depth: f64) -> String {
    let than = if depth < -0.0005 { "brighter" } else { "darker" };
    format!("{:.1} % {than}", 100.0 * depth.abs())
}

/// The same with its uncertainty: `29 ± 14 % darker`. An uncertainty under a twentieth of a percent is told as that.
pub fn darkness_within(depth: f64, sigma: Option<f64>) -> String {
    let Some(sigma) = sigma else { return darkness(depth) };
    let than = if depth < 0.0 { "brighter" } else { "darker" };
    format!("{} % {than}", plus_minus(Estimate::new(100.0 * depth.abs(), 100.0 * sigma.max(0.0005))))
}

/// `32 ± 2`, to the digits that the uncertainty leaves: two if they are below 20, else one.
pub fn plus_minus(e: Estimate) -> String {
    if !e.value.is_finite() {
        return "not known".to_owned();
    }
    if !(e.sigma.is_finite() && e.sigma > 0.0) {
        return number(e.value);
    }
    let mut digits = -e.sigma.log10().floor();
    if e.sigma * 10f64.powf(digits) < 2.0 {
        digits += 1.0;
    }
    let unit = 10f64.powf(digits);
    let round = |v: f64| (v * unit).round() / unit;
    let places = digits.clamp(0.0, 6.0) as usize;
    format!("{:.places$} ± {:.places$}", round(e.value), round(e.sigma))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_that_turns_the_text_around_is_made_inert() {
        assert_eq!(shown("wall\u{202e}gnp.exe\n"), "wall\\u{202e}gnp.exe\\u{a}");
        assert_eq!(shown("Wände_ñ 夏.dng"), "Wände_ñ 夏.dng");
    }

    /// Rounding rule of the Particle Data Group, in short: two digits of the error up to 20, else one.
    #[test]
    fn values_carry_the_digits_their_error_allows() {
        let told = |value, sigma| plus_minus(Estimate::new(value, sigma));
        assert_eq!(told(31.84, 2.1), "32 ± 2");
        assert_eq!(told(31.84, 1.23), "31.8 ± 1.2");
        assert_eq!(told(0.12345, 0.0042), "0.123 ± 0.004");
        assert_eq!(told(812.0, 35.0), "810 ± 40");
        assert_eq!(told(5.0, 0.0), "5.0");
        assert_eq!(told(f64::NAN, 1.0), "not known");
    }

    #[test]
    fn a_depth_among_detail_carries_how_little_is_known_of_it() {
        assert_eq!(darkness_within(0.291, Some(0.135)), "29 ± 14 % darker");
        assert_eq!(darkness_within(-0.0012, Some(0.0031)), "0.1 ± 0.3 % brighter");
        assert_eq!(darkness_within(0.608, Some(1e-6)), "60.80 ± 0.05 % darker");
        assert_eq!(darkness_within(0.608, None), "60.8 % darker");
    }

    #[test]
    fn corners_are_named_as_the_picture_shows_them() {
        let size = Size { width: 300, height: 200 };
        assert_eq!(place(PicturePoint { x: 5.0, y: 5.0 }, size), "in the upper left");
        assert_eq!(place(PicturePoint { x: 299.9, y: 199.9 }, size), "in the lower right");
        assert_eq!(place(PicturePoint { x: 150.0, y: 100.0 }, size), "in the middle");
        assert_eq!(place(PicturePoint { x: 999.0, y: -9.0 }, size), "in the upper right");
    }
}
