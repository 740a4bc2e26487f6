//! Shadows of every size for one stand-off and f-number, looked up instead of computed.

use motelight_frame::Micrometres;

use crate::diffraction::Shadowing;
use crate::optics::{disc_area_um2, equivalent_diameter};
use crate::profile::Profile;

/// Round shadows on the sensor by the area blocked on the glass, for one [`Shadowing`].
///
/// Between neighbours the shape (lost light per blocked area) runs straight in ln diameter; they stand so close
/// that the diameter changes by a quarter and the width by a fourteenth at most.
#[derive(Debug, Clone)]
pub struct Bank {
    shadowing: Shadowing,
    diameters: Vec<f64>,
    shapes: Vec<Vec<f64>>,
    step: f64,
}

/// The shadow of one blocked area: lost light and its slope with the area, over the radius.
#[derive(Debug, Clone)]
pub struct Shape {
    per_step: f64,
    /// Side by side, for they are always asked together.
    samples: Vec<[f64; 2]>,
}

/// Smallest diameter with a shape of its own: below it a mote is a point and only its area counts.
const SMALLEST: f64 = 6.0;

impl Bank {
    /// A bank for motes up to `largest`.
    pub fn new(shadowing: Shadowing, largest: Micrometres) -> Bank {
        Bank::finer(shadowing, largest, 1.0)
    }

    /// A bank whose diameters stand `fineness` times as close: what is looked up between them errs by the square
    /// less.
    pub fn finer(shadowing: Shadowing, largest: Micrometres, fineness: f64) -> Bank {
        let b = shadowing.pupil.0;
        let mut diameters = vec![SMALLEST];
        let mut a = SMALLEST;
        while a < largest.0 {
            // Width goes as sqrt(a^2 + b^2).
            let wider = ((1.0 + 0.15 / fineness) * (a * a + b * b) - b * b).sqrt();
            a = wider.min((1.0 + 0.25 / fineness) * a);
            diameters.push(a);
        }
        let motes: Vec<Micrometres> = diameters.iter().map(|&d| Micrometres(d)).collect();
        let profiles = shadowing.profiles(&motes);
        let step = profiles[0].step().0;
        let shapes = profiles
            .iter()
            .zip(&motes)
            .map(|(p, &m)| p.samples().iter().map(|v| v / disc_area_um2(m)).collect())
            .collect();
        Bank { shadowing, diameters, shapes, step }
    }

    /// What the shadows are of.
    pub fn shadowing(&self) -> &Shadowing {
        &self.shadowing
    }

    /// Largest blocked area with a shape of its own, µm².
    pub fn largest_area_um2(&self) -> f64 {
        disc_area_um2(Micrometres(self.diameters[self.diameters.len() - 1]))
    }

    /// The shadow of an opaque disc that blocks `area_um2` (taken as at least 1 µm²).
    pub fn shape(&self, area_um2: f64) -> Shape {
        let area = area_um2.max(1.0);
        let diameter = equivalent_diameter(area).0;
        let above = self.diameters.partition_point(|&d| d < diameter).clamp(1, self.diameters.len() - 1);
        let (low, high) = (self.diameters[above - 1], self.diameters[above]);
        let span = (high / low).ln();
        let t = ((diameter / low).ln() / span).clamp(0.0, 1.0);
        // d(shape)/dA at fixed radius: t runs with ln d = ln A / 2.
        let rate = if t > 0.0 && t < 1.0 { 0.5 / (span * area) } else { 0.0 };
        let between = |(p, q): (&f64, &f64)| {
            let shape = p + (q - p) * t;
            [area * shape, shape + area * (q - p) * rate]
        };
        let samples = self.shapes[above - 1].iter().zip(&self.shapes[above]).map(between).collect();
        Shape { per_step: 1.0 / self.step, samples }
    }

    /// The shadow as a profile.
    pub fn profile(&self, area_um2: f64) -> Profile {
        let lost = self.shape(area_um2).samples.iter().map(|s| s[0]).collect();
        Profile::on_grid(Micrometres(self.step), lost)
    }
}

impl Shape {
    /// At `r` µm from the centre: light lost, its slope with r per µm, its slope with the area per µm².
    #[inline]
    pub fn at(&self, r: f64) -> (f64, f64, f64) {
        let at = r * self.per_step;
        let i = at as usize;
        let Some(&[here, next]) = self.samples.get(i..).and_then(<[_]>::first_chunk) else { return (0.0, 0.0, 0.0) };
        let t = at - i as f64;
        let rise = [next[0] - here[0], next[1] - here[1]];
        (here[0] + t * rise[0], rise[0] * self.per_step, here[1] + t * rise[1])
    }
}

#[cfg(test)]
mod tests {
    use motelight_frame::{FNumber, Millimetres};

    use super::*;
    use crate::diffraction::{Edge, Light};

    #[test]
    fn a_looked_up_shadow_is_the_computed_one() {
        for (h, n) in [(0.7, 22.0), (1.5, 16.0)] {
            let n = FNumber::new(n).expect("in range");
            let shadowing = Shadowing::new(Millimetres(h), n, Edge::WAVE, Light::mixed([1.0, 2.0, 1.0]));
            let bank = Bank::new(shadowing.clone(), Micrometres(250.0));
            for a in [8.0, 13.0, 29.0, 55.0, 97.0] {
                let exact = shadowing.profile(Micrometres(a));
                let shape = bank.shape(disc_area_um2(Micrometres(a)));
                for r in [0.0, 10.0, 25.0, 40.0, 60.0] {
                    let (got, expected) = (shape.at(r).0, exact.lost_at(Micrometres(r)));
                    assert!(
                        (got - expected).abs() < 0.03 * exact.depth().max(0.01),
                        "h {h}, a {a}, r {r}: {got} against {expected}"
                    );
                }
            }
        }
    }

    #[test]
    fn slopes_are_those_of_the_values() {
        let shadowing = Shadowing::new(
            Millimetres(1.2),
            FNumber::new(16.0).expect("in range"),
            Edge::WAVE,
            Light::of(motelight_frame::Colour::Green),
        );
        let bank = Bank::new(shadowing, Micrometres(200.0));
        for area in [100.0, 700.0, 4000.0] {
            let (low, high) = (bank.shape(area * 0.999), bank.shape(area * 1.001));
            for r in [3.0, 31.0, 50.0] {
                let numeric = (high.at(r).0 - low.at(r).0) / (area * 0.002);
                let got = bank.shape(area).at(r).2;
                assert!(
                    (got - numeric).abs() < 0.02 * numeric.abs() + 1e-6,
                    "A {area}, r {r}: {got} against {numeric}"
                );
            }
        }
    }
}
