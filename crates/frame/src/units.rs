//! Units as types. A bare number never crosses a module border without its unit in its type or name.

use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident, $symbol:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl std::ops::Add for $name { type Output = Self; fn add(self, o: Self) -> Self { Self(self.0 + o.0) } }
        impl std::ops::Sub for $name { type Output = Self; fn sub(self, o: Self) -> Self { Self(self.0 - o.0) } }
        impl std::ops::Mul<f64> for $name { type Output = Self; fn mul(self, k: f64) -> Self { Self(self.0 * k) } }
        impl std::ops::Div<f64> for $name { type Output = Self; fn div(self, k: f64) -> Self { Self(self.0 / k) } }
        impl std::ops::Div for $name { type Output = f64; fn div(self, o: Self) -> f64 { self.0 / o.0 } }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                match f.precision() {
                    Some(p) => write!(f, "{:.p$} {}", self.0, $symbol),
                    None => write!(f, "{} {}", self.0, $symbol),
                }
            }
        }
    };
}

unit!(/// Lengths on the glass and on the sensor, micrometres.
    Micrometres, "µm");
unit!(/// Lengths on the sensor, in the camera and on paper, millimetres.
    Millimetres, "mm");
unit!(/// Lengths in a picture, full pixels of the default crop.
    Pixels, "px");

impl From<Millimetres> for Micrometres {
    fn from(mm: Millimetres) -> Self {
        Micrometres(mm.0 * 1000.0)
    }
}

impl From<Micrometres> for Millimetres {
    fn from(um: Micrometres) -> Self {
        Millimetres(um.0 / 1000.0)
    }
}

/// An f-number as marked on the lens and written in Exif, e.g. 22.
///
/// The marked numbers of ISO 517:2008 are rounded; [`FNumber::exact`] gives the number the marking
/// stands for (22 means 2^(9/2) = 22.627).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct FNumber(f64);

/// Full stops of ISO 517:2008 as marked, f/1 to f/45, with the exact number 2^(k/2).
const STOPS: [f64; 12] = [1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0];

/// Third and half stops as marked, and their place in the series as `(marked, k)`: exact = 2^(k/12).
/// Thirds have even k of 2 or 4 past a full stop (multiple of 6), halves k of 3.
const BETWEEN: [(f64, i32); 33] = [
    (1.1, 2),
    (1.2, 3),
    (1.6, 8),
    (1.7, 9),
    (1.8, 10),
    (2.2, 14),
    (2.4, 15),
    (2.5, 16),
    (3.2, 20),
    (3.3, 21),
    (3.5, 22),
    (4.5, 26),
    (4.8, 27),
    (5.0, 28),
    (6.3, 32),
    (6.7, 33),
    (7.1, 34),
    (9.0, 38),
    (9.5, 39),
    (10.0, 40),
    (13.0, 44),
    (14.0, 46),
    (18.0, 50),
    (19.0, 51),
    (20.0, 52),
    (25.0, 56),
    (27.0, 57),
    (29.0, 58),
    (36.0, 62),
    (38.0, 63),
    (40.0, 64),
    (51.0, 68),
    (57.0, 70),
];

impl FNumber {
    /// An f-number as marked; `None` unless finite and within 0.5 to 512 (Exif writes 0 for "unknown").
    pub fn new(marked: f64) -> Option<Self> {
        (marked.is_finite() && (0.5..=512.0).contains(&marked)).then_some(FNumber(marked))
    }

    /// The number as marked.
    pub fn marked(self) -> f64 {
        self.0
    }

    /// The exact number the marking stands for (ISO 517:2008, series 2^(k/2), thirds 2^(k/6));
    /// a number that is no marking of the series is taken as it is.
    pub fn exact(self) -> f64 {
        if let Some(k) = STOPS.iter().position(|s| (s - self.0).abs() < 0.02) {
            return 2f64.powf(k as f64 / 2.0);
        }
        match BETWEEN.iter().find(|(m, _)| (m - self.0).abs() < 0.02) {
            Some(&(_, k)) => 2f64.powf(f64::from(k) / 12.0),
            None => self.0,
        }
    }

    /// The full stops from f/1 to f/32 in ascending order: what `shows from` and `clear to` are told in.
    pub fn stops() -> impl DoubleEndedIterator<Item = FNumber> {
        STOPS.iter().take(11).map(|&s| FNumber(s))
    }
}

impl std::fmt::Display for FNumber {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "f/{}", (self.0 * 10.0).round() / 10.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 517:2008 series 2^(k/2) and thirds 2^(k/6).
    #[test]
    fn markings_stand_for_the_exact_series() {
        let table = [
            (1.4, 2f64.sqrt()),
            (2.8, 2.8284),
            (5.6, 5.6569),
            (11.0, 11.3137),
            (22.0, 22.6274),
            (45.0, 45.2548),
            (9.0, 8.98),
            (10.0, 10.08),
            (13.0, 12.70),
            (14.0, 14.25),
            (18.0, 17.96),
            (20.0, 20.16),
            (8.0, 8.0),
            (16.0, 16.0),
        ];
        for (marked, exact) in table {
            let got = FNumber::new(marked).expect("in range").exact();
            assert!((got - exact).abs() < 0.006, "f/{marked}: {got} against {exact}");
        }
    }

    #[test]
    fn every_marking_rounds_to_its_exact_number() {
        for (marked, k) in BETWEEN {
            let exact = 2f64.powf(f64::from(k) / 12.0);
            assert!((exact / marked - 1.0).abs() < 0.05, "f/{marked} against {exact}");
        }
    }

    #[test]
    fn unknown_apertures_are_no_apertures() {
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e6] {
            assert_eq!(FNumber::new(bad), None);
        }
    }
}
