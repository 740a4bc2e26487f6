//! Stated viewing: which print or screen, from how far, in what light.

use std::fmt;
use std::str::FromStr;

use motelight_frame::{Micrometres, Millimetres, Size};
use serde::{Deserialize, Serialize};

/// A print, mm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Print {
    /// As hung: first number of what was asked for.
    pub width: Millimetres,
    /// Second number.
    pub height: Millimetres,
}

/// What is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Medium {
    /// A print of the whole picture.
    Print(Print),
    /// One picture pixel on one screen pixel: 100 %.
    Screen {
        /// Screen pixels per inch.
        ppi: f64,
    },
}

/// How a picture is looked at. Every statement about what shows holds for one of these.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Viewing {
    /// What is looked at.
    pub medium: Medium,
    /// From how far.
    pub distance: Millimetres,
}

/// Luminance of print paper of reflectance 0.85 under 500 lx, cd/m2: viewing condition P2 of ISO 3664
/// (practical appraisal), 0.85 * 500 / pi.
const PAPER: f64 = 135.0;
/// Luminance of a screen's white, cd/m2. Common practice among print photographers (80 to 160), no source.
const SCREEN: f64 = 120.0;
/// A 27-inch screen of 2560 x 1440: a guess at what pictures are most often looked at on.
const SCREEN_PPI: f64 = 110.0;
/// About an arm's length: a guess.
const SCREEN_DISTANCE: Millimetres = Millimetres(600.0);

const ARCMIN_PER_RADIAN: f64 = 60.0 * 180.0 / std::f64::consts::PI;

impl Viewing {
    /// A print seen from `distance`, or from as far as its diagonal is long (common practice, no source)
    /// under ISO 3664 P2 light.
    pub fn print(print: Print, distance: Option<Millimetres>) -> Self {
        let diagonal = Millimetres(print.width.0.hypot(print.height.0));
        Viewing { medium: Medium::Print(print), distance: distance.unwrap_or(diagonal) }
    }

    /// 100 % on a screen of 110 ppi, seen from `distance` or from 60 cm.
    pub fn screen(distance: Option<Millimetres>) -> Self {
        Viewing { medium: Medium::Screen { ppi: SCREEN_PPI }, distance: distance.unwrap_or(SCREEN_DISTANCE) }
    }

    /// What is judged when nothing was asked for: 100 % on screen, and a 60 x 40 cm print.
    pub fn standard() -> Vec<Viewing> {
        let print = Print { width: Millimetres(600.0), height: Millimetres(400.0) };
        vec![Viewing::screen(None), Viewing::print(print, None)]
    }

    /// Luminance of the picture's white, cd/m2, to which the eye is taken to be adapted.
    pub fn luminance(&self) -> f64 {
        match self.medium {
            Medium::Print(_) => PAPER,
            Medium::Screen { .. } => SCREEN,
        }
    }

    /// Angle under which a length on the sensor is seen, arcmin per µm. A picture of another shape than
    /// the print fills it and is cut, long side along long side.
    pub fn arcmin_per_um(&self, size: Size, pitch: Micrometres) -> f64 {
        let mm_per_px = match self.medium {
            Medium::Screen { ppi } => 25.4 / ppi,
            Medium::Print(print) => {
                let long = print.width.0.max(print.height.0) / size.width.max(size.height).max(1) as f64;
                let short = print.width.0.min(print.height.0) / size.width.min(size.height).max(1) as f64;
                long.max(short)
            }
        };
        mm_per_px / pitch.0 / self.distance.0 * ARCMIN_PER_RADIAN
    }
}

/// A distance as people say it: whole cm up to 2 m.
fn said(length: Millimetres) -> String {
    if length.0 < 2000.0 { format!("{:.0} cm", length.0 / 10.0) } else { format!("{:.1} m", length.0 / 1000.0) }
}

impl fmt::Display for Viewing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let distance = said(self.distance);
        match self.medium {
            Medium::Print(Print { width, height }) => {
                let (w, h) = (width.0.round() / 10.0, height.0.round() / 10.0);
                write!(f, "a {w} × {h} cm print from {distance}, in good reading light (500 lx)")
            }
            Medium::Screen { ppi } => write!(f, "100 % on a screen of {ppi:.0} ppi from {distance}"),
        }
    }
}

/// A size or a distance that could not be read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unreadable {
    given: String,
    wanted: &'static str,
}

impl fmt::Display for Unreadable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cannot read '{}': {}", self.given, self.wanted)
    }
}

impl std::error::Error for Unreadable {}

/// A number and the rest of the text.
fn number(text: &str) -> Option<(f64, &str)> {
    let text = text.trim_start();
    let end = text.find(|c: char| !(c.is_ascii_digit() || c == '.' || c == ',')).unwrap_or(text.len());
    let value = text[..end].replace(',', ".").parse::<f64>().ok()?;
    Some((value, text[end..].trim_start()))
}

/// Millimetres in a unit as written.
fn unit(name: &str) -> Option<f64> {
    match name.trim().to_ascii_lowercase().as_str() {
        "mm" => Some(1.0),
        "cm" => Some(10.0),
        "m" => Some(1000.0),
        "in" | "inch" | "\"" => Some(25.4),
        _ => None,
    }
}

impl Print {
    /// Reads `60x40cm`, `900x600mm`, `24x16in`: sides from 1 cm to 50 m.
    ///
    /// # Errors
    /// When the text is no such size; the message says what is wanted.
    pub fn parse(text: &str) -> Result<Print, Unreadable> {
        let read = || {
            let (width, rest) = number(text)?;
            let (height, rest) = number(rest.strip_prefix(['x', 'X', '×'])?)?;
            let mm = unit(rest)?;
            let sides = [width * mm, height * mm];
            sides.iter().all(|s| (10.0..=50_000.0).contains(s)).then_some(sides)
        };
        let wanted = "give a print as width x height and unit, such as 60x40cm, 900x600mm or 24x16in";
        let [width, height] = read().ok_or_else(|| Unreadable { given: text.to_owned(), wanted })?;
        Ok(Print { width: Millimetres(width), height: Millimetres(height) })
    }
}

impl FromStr for Print {
    type Err = Unreadable;
    fn from_str(text: &str) -> Result<Self, Unreadable> {
        Print::parse(text)
    }
}

/// Reads a viewing distance, `60cm`, `0.6m`, `24in`: from 5 cm to 100 m.
///
/// # Errors
/// When the text is no such length; the message says what is wanted.
pub fn parse_distance(text: &str) -> Result<Millimetres, Unreadable> {
    let read = || {
        let (value, rest) = number(text)?;
        let mm = value * unit(rest)?;
        (50.0..=100_000.0).contains(&mm).then_some(Millimetres(mm))
    };
    let wanted = "give a distance with its unit, such as 60cm, 0.6m or 24in";
    read().ok_or_else(|| Unreadable { given: text.to_owned(), wanted })
}

#[cfg(test)]
mod tests {
    use super::*;

    const FULL: Size = Size { width: 8256, height: 5504 };
    const PITCH: Micrometres = Micrometres(4.3605);

    fn print(text: &str) -> Print {
        Print::parse(text).expect("a size")
    }

    #[test]
    fn sizes_are_read_in_every_unit() {
        let same = Print { width: Millimetres(600.0), height: Millimetres(400.0) };
        for text in ["60x40cm", "600x400mm", "60 × 40 cm", "0.6x0.4m", "60,0X40.0CM"] {
            assert_eq!(print(text), same, "{text}");
        }
        assert!((print("24x16in").width.0 - 609.6).abs() < 1e-9);
        assert_eq!(parse_distance("60cm"), Ok(Millimetres(600.0)));
        assert_eq!(parse_distance(" 2 m "), Ok(Millimetres(2000.0)));
    }

    #[test]
    fn nonsense_is_refused_with_an_example() {
        for text in ["", "60x40", "x40cm", "60cm", "0x40cm", "-6x4cm", "60x40km", "1e9x1cm", "60x40cmcm", "NaNxNaNcm"] {
            let error = Print::parse(text).expect_err(text).to_string();
            assert!(error.contains("60x40cm") && error.contains(text));
        }
        for text in ["", "cm", "0cm", "60", "-1m", "1..2cm", "1000m"] {
            assert!(parse_distance(text).is_err(), "{text}");
        }
    }

    /// A print seen from its own diagonal subtends 53.13 degrees: 3.1 px of 8256 x 5504 per arcmin at its
    /// middle (geometry; 1' on a 36 mm sensor = 12.6 µm).
    #[test]
    fn every_print_seen_from_its_diagonal_looks_the_same() {
        for text in ["60x40cm", "90x60cm", "24x16in"] {
            let k = Viewing::print(print(text), None).arcmin_per_um(FULL, PITCH);
            assert!((1.0 / k - 12.6).abs() < 0.05, "{text}: {} µm", 1.0 / k);
        }
    }

    /// 1' on the sensor: 5.82 µm for a 900 mm print at 500 mm, 4.19 µm for 1500 mm at 600 mm (geometry).
    #[test]
    fn near_looks_see_more() {
        for (text, distance, um) in [("900x600mm", 500.0, 5.82), ("1500x1000mm", 600.0, 4.19)] {
            let k = Viewing::print(print(text), Some(Millimetres(distance))).arcmin_per_um(FULL, PITCH);
            assert!((1.0 / k - um).abs() < 0.01, "{text}: {} µm", 1.0 / k);
        }
    }

    #[test]
    fn an_upright_picture_is_printed_upright() {
        let upright = Size { width: FULL.height, height: FULL.width };
        let viewing = Viewing::print(print("60x40cm"), None);
        assert_eq!(viewing.arcmin_per_um(FULL, PITCH), viewing.arcmin_per_um(upright, PITCH));
    }

    #[test]
    fn every_viewing_says_what_it_is() {
        let told: Vec<String> = Viewing::standard().iter().map(ToString::to_string).collect();
        assert_eq!(told[0], "100 % on a screen of 110 ppi from 60 cm");
        assert_eq!(told[1], "a 60 × 40 cm print from 72 cm, in good reading light (500 lx)");
    }
}
