//! What a place answers where a mote of a given size lies, by the optics.

use motelight_frame::{FNumber, Micrometres, Millimetres};

use crate::diffraction::TYPICAL_EXIT_PUPIL;
use crate::optics::{lost_geometric, pupil_disc, scale};
use crate::trace::sums::{AROUND, BOX, SLANT};

/// Diameters that are told apart, µm, and how much each is larger than the one before.
const SMALLEST: f64 = 3.0;
const RATIO: f64 = 1.17;
/// Number of sizes: up to about 200 µm.
pub const SIZES: usize = 28;
/// Least share of light let through that is counted with.
const DARKEST: f64 = 0.03;

/// Diameter of a size, µm.
pub fn diameter_um(size: usize) -> f64 {
    SMALLEST * RATIO.powi(size as i32)
}

/// Logarithms of the probabilities of all sizes before anything is seen: the same for each step, a guess.
pub fn size_prior() -> Vec<f64> {
    vec![-(SIZES as f64).ln(); SIZES]
}

/// How the logarithm of light falls at a distance from the centre of the shadow of a mote, µm.
pub fn ln_lost(stand_off_mm: f64, f_number: FNumber, diameter_um: f64, r_um: f64) -> f64 {
    let height = Millimetres(stand_off_mm);
    let larger = scale(height, TYPICAL_EXIT_PUPIL);
    let lost =
        lost_geometric(Micrometres(diameter_um * larger), pupil_disc(height, f_number) * larger, Micrometres(r_um));
    -(1.0 - lost).max(DARKEST).ln()
}

/// The answers of all sizes through one f-number, to boxes of a shadow `width_um` wide.
pub fn answers(stand_off_mm: f64, f_number: FNumber, width_um: f64) -> Vec<f64> {
    (0..SIZES)
        .map(|size| {
            let diameter = diameter_um(size);
            let reach = 0.55 * (diameter + stand_off_mm * 1000.0 / f_number.exact()) * 1.1;
            let steps = 48;
            let table: Vec<f64> = (0..=steps)
                .map(|i| ln_lost(stand_off_mm, f_number, diameter, reach * f64::from(i) / f64::from(steps)))
                .collect();
            let lost = |r: f64| {
                let at = r / reach * f64::from(steps);
                let i = at as usize;
                if i + 1 >= table.len() { 0.0 } else { table[i] + (table[i + 1] - table[i]) * (at - i as f64) }
            };
            let mean = |x: f64, y: f64| {
                const POINTS: i32 = 10;
                let point = |i: i32| (f64::from(i) + 0.5) / f64::from(POINTS) - 0.5;
                let side = BOX * width_um;
                let sum: f64 = (0..POINTS * POINTS)
                    .map(|p| lost((x + side * point(p % POINTS)).hypot(y + side * point(p / POINTS))))
                    .sum();
                sum / f64::from(POINTS * POINTS)
            };
            let (far, slant) = (AROUND * width_um, AROUND * SLANT * width_um);
            mean(0.0, 0.0) - 0.5 * (mean(far, 0.0) + mean(slant, slant))
        })
        .collect()
}
