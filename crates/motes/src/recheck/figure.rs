//! The figure of a mote: how broad and how long it is against a disc of its blocked area.
//!
//! To second order a shadow tells of a mote its area, its middle and its second moments, whatever the pupil (Taylor expansion of the
//! convolution of mote and pupil: moments add). What the moments have over a disc's is therefore the same in every frame, and tells
//! motes of one area apart.

use std::f64::consts::PI;

use nalgebra::{SMatrix, SVector};

use crate::bank::Shape;
use crate::density::normal;

/// Second moments of a mote over those of a disc of its area, in units of a disc's.
#[derive(Debug, Clone, Copy)]
pub(super) struct Figure {
    /// Half the sum of both.
    pub breadth: f64,
    /// Half the difference along the columns and along the diagonals: twice the angle.
    pub length: (f64, f64),
    /// Standard error of the breadth, and of the length along each axis.
    pub sigma: (f64, f64),
    /// Second moment of a disc of its area, µm².
    pub unit_um2: f64,
}

/// Area, middle, breadth, length along two axes, backdrop.
const TERMS: usize = 7;
/// What noise that hangs together from cell to cell adds to the errors. A guess.
const HANGS: f64 = 1.5;

/// Sums for a figure, cell by cell.
pub(super) struct Asked<'a> {
    shape: &'a Shape,
    area_um2: f64,
    normal: SMatrix<f64, TERMS, TERMS>,
    right: SVector<f64, TERMS>,
    cells: usize,
}

impl<'a> Asked<'a> {
    /// Of a mote of a blocked area that casts this shadow if it is a disc.
    pub fn new(shape: &'a Shape, area_um2: f64) -> Self {
        Asked { shape, area_um2, normal: SMatrix::zeros(), right: SVector::zeros(), cells: 0 }
    }

    /// Adds the loss of a cell so far from the middle, µm.
    pub fn add(&mut self, x: f64, y: f64, loss: f64) {
        const STEP: f64 = 2.0;
        let r = x.hypot(y).max(1e-3);
        let (lost, slope, _) = self.shape.at(r);
        let (near, far) = ((r - STEP).max(0.0), r + STEP);
        let bend = (self.shape.at(far).1 - self.shape.at(near).1) / (far - near);
        let (cos, sin) = (x / r, y / r);
        let along = bend - slope / r;
        let terms = SVector::from([
            lost,
            slope * cos,
            slope * sin,
            bend + slope / r,
            along * (cos * cos - sin * sin),
            along * 2.0 * sin * cos,
            1.0,
        ]);
        self.normal.ger(1.0, &terms, &terms, 1.0);
        self.right.axpy(loss, &terms, 1.0);
        self.cells += 1;
    }

    /// The figure, if noise of `sigma` a cell leaves one.
    pub fn figure(mut self, sigma: f64) -> Option<Figure> {
        if self.cells < 4 * TERMS {
            return None;
        }
        // Terms of very different size.
        let scale: SVector<f64, TERMS> = self.normal.diagonal().map(|v| v.max(1e-30).sqrt().recip());
        self.normal = SMatrix::from_diagonal(&scale) * self.normal * SMatrix::from_diagonal(&scale);
        let inverse = self.normal.cholesky()?.inverse();
        let found = (inverse * self.right.component_mul(&scale)).component_mul(&scale);
        let error = |i: usize| HANGS * sigma * inverse[(i, i)].max(0.0).sqrt() * scale[i];
        let unit_um2 = self.area_um2 / (4.0 * PI);
        // A moment of m more stands as m / 2 before the second slope, and both terms hold half of each axis.
        let unit = 0.5 * unit_um2;
        let length = (found[4] / unit, found[5] / unit);
        let sigma = (error(3) / unit, error(4).hypot(error(5)) / unit / 2f64.sqrt());
        found.iter().all(|v| v.is_finite()).then_some(Figure { breadth: found[3] / unit, length, sigma, unit_um2 })
    }
}

/// Takes out what all motes of a frame have in common: the pupil's own figure, against the round one that was assumed.
pub(super) fn freed_of_the_pupil(figures: &mut [Option<Figure>]) {
    let well = |f: &&mut Figure| f.sigma.0 < 0.3;
    let mut common: Vec<f64> = figures.iter_mut().flatten().filter(well).map(|f| f.breadth * f.unit_um2).collect();
    if common.len() < 5 {
        return;
    }
    let middle = common.len() / 2;
    let common = *common.select_nth_unstable_by(middle, f64::total_cmp).1;
    figures.iter_mut().flatten().for_each(|f| f.breadth -= common / f.unit_um2);
}

/// A share of all motes and their standard deviation.
type Sort = (f64, f64);
/// Breadths: of opaque grains, and of what lets light through. Guesses; a grain half as long again as wide has 0.08.
const BREADTHS: [Sort; 2] = [(0.8, 0.1), (0.2, 1.5)];
/// Lengths along each axis: of round ones and of ragged ones. Guesses; one half as long again as wide has 0.4.
const LENGTHS: [Sort; 2] = [(0.5, 0.05), (0.5, 0.4)];
/// What the model does not know of a figure: terms past the second. A guess.
const UNKNOWN: f64 = 0.06;
/// Share of motes that land as they lay; the others are turned. A guess.
const UNTURNED: f64 = 0.5;
/// Share of figures that something else in the window misleads: they tell nothing. A guess.
const MISLED: f64 = 0.05;

/// How much likelier two figures are one mote's than two motes'.
pub(super) fn times_alike(p: &Figure, q: &Figure) -> f64 {
    let (p_error, q_error) = (p.sigma.0.hypot(UNKNOWN), q.sigma.0.hypot(UNKNOWN));
    let breadth = alike(
        &BREADTHS,
        p_error,
        q_error,
        |spread| normal(p.breadth, spread),
        |shrunk, spread| normal(q.breadth - shrunk * p.breadth, spread),
        |spread| normal(q.breadth, spread),
    );
    let (p_error, q_error) = (p.sigma.1.hypot(UNKNOWN), q.sigma.1.hypot(UNKNOWN));
    let [long, other] = [p, q].map(|f| f.length.0.hypot(f.length.1));
    let both = |x: f64, y: f64, spread: f64| normal(x, spread) * normal(y, spread);
    let landed = |shrunk: f64, spread: f64| {
        let as_it_lay = both(q.length.0 - shrunk * p.length.0, q.length.1 - shrunk * p.length.1, spread);
        UNTURNED * as_it_lay + (1.0 - UNTURNED) * turned(other, shrunk * long, spread)
    };
    let length = alike(
        &LENGTHS,
        p_error,
        q_error,
        |spread| both(p.length.0, p.length.1, spread),
        landed,
        |spread| both(q.length.0, q.length.1, spread),
    );
    MISLED + (1.0 - MISLED) * breadth * length
}

/// How much likelier the second of two measurements is, the first given, than if they were of two motes. `first` is how likely the first is
/// with a spread; `same` the second, where the first tells a share of itself and leaves a spread; `any` the second with a spread.
fn alike(
    sorts: &[Sort],
    p_error: f64,
    q_error: f64,
    first: impl Fn(f64) -> f64,
    same: impl Fn(f64, f64) -> f64,
    any: impl Fn(f64) -> f64,
) -> f64 {
    let (mut of_one, mut weight, mut of_two) = (0.0, 0.0, 0.0);
    for &(share, spread) in sorts {
        let (own, noise) = (spread * spread, p_error * p_error);
        let shrunk = own / (own + noise);
        let likely = share * first(spread.hypot(p_error));
        of_one += likely * same(shrunk, (shrunk * noise).sqrt().hypot(q_error));
        weight += likely;
        of_two += share * any(spread.hypot(q_error));
    }
    if weight > 0.0 && of_two > 0.0 { of_one / weight / of_two } else { 1.0 }
}

/// Density in the plane of a vector so long whose true length is `long` and whose angle is anything (Rice, Bell System Technical
/// Journal 24, 1945).
fn turned(other: f64, long: f64, sigma: f64) -> f64 {
    let x = other * long / (sigma * sigma);
    // exp(-(a^2 + b^2) / 2) I0(ab), its exponents joined so that none runs over.
    let miss = (other - long) / sigma;
    (-0.5 * miss * miss).max(-600.0).exp() * bessel_scaled(x) / (2.0 * PI * sigma * sigma)
}

/// exp(-x) I0(x), to 2e-7 (Abramowitz and Stegun, Handbook of Mathematical Functions, 9.8.1 and 9.8.2).
fn bessel_scaled(x: f64) -> f64 {
    let sum = |c: &[f64], t: f64| c.iter().rev().fold(0.0, |sum, c| sum * t + c);
    if x < 3.75 {
        let t = (x / 3.75).powi(2);
        return (-x).exp() * sum(&[1.0, 3.5156229, 3.0899424, 1.2067492, 0.2659732, 0.0360768, 0.0045813], t);
    }
    const FAR: [f64; 9] =
        [0.39894228, 0.01328592, 0.00225319, -0.00157565, 0.00916281, -0.02057706, 0.02635537, -0.01647633, 0.00392377];
    sum(&FAR, 3.75 / x) / x.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figure(breadth: f64, length: (f64, f64), sigma: f64) -> Figure {
        Figure { breadth, length, sigma: (sigma, sigma), unit_um2: 100.0 }
    }

    /// Handbook of Mathematical Functions, table 9.8: e^-x I0(x).
    #[test]
    fn the_bessel_function_is_that_of_the_handbook() {
        for (x, wanted) in [(0.0, 1.0), (1.0, 0.465_759_6), (2.0, 0.308_508_3), (5.0, 0.183_540_8), (10.0, 0.127_833_3)]
        {
            assert!((bessel_scaled(x) - wanted).abs() < 1e-6, "{x}: {}", bessel_scaled(x));
        }
    }

    #[test]
    fn figures_speak_as_loudly_as_they_are_known() {
        let ragged = figure(0.2, (0.5, -0.3), 0.03);
        assert!(times_alike(&ragged, &ragged) > 20.0);
        // Turned by a right angle: half of all motes are.
        let turned = figure(0.2, (-0.5, 0.3), 0.03);
        let (lay, lies) = (times_alike(&ragged, &ragged), times_alike(&ragged, &turned));
        assert!(lies > 3.0 && lies < lay, "{lies} {lay}");
        assert!(times_alike(&ragged, &figure(0.0, (0.0, 0.0), 0.03)) < 0.1);
        // What is not known says nothing, whichever way it came out.
        for other in [figure(9.0, (8.0, -5.0), 10.0), figure(0.0, (0.0, 0.0), 10.0)] {
            let told = times_alike(&figure(-4.0, (6.0, 2.0), 10.0), &other);
            assert!((told - 1.0).abs() < 0.25, "{told}");
        }
    }

    /// Second moments of two discs side by side, by the parallel axis theorem.
    #[test]
    fn two_discs_side_by_side_are_told_from_one_of_their_area() {
        use crate::bank::Bank;
        use crate::diffraction::{Edge, Light, Shadowing};
        use motelight_frame::{FNumber, Micrometres, Millimetres};
        let n = FNumber::new(16.0).expect("positive");
        let shadowing = Shadowing::new(Millimetres(1.3), n, Edge::RAYS, Light::mixed([1.0, 2.0, 1.0]));
        let bank = Bank::new(shadowing, Micrometres(100.0));
        let area = PI * 15.0 * 15.0;
        let shape = bank.shape(area);
        let mut asked = Asked::new(&shape, area);
        let (d, half) = (8.0, bank.shape(0.5 * area));
        for (x, y) in (-30..=30).flat_map(|j| (-30..=30).map(move |i| (f64::from(i) * 4.0, f64::from(j) * 4.0))) {
            let lost = half.at((x - 0.5 * d).hypot(y)).0 + half.at((x + 0.5 * d).hypot(y)).0;
            asked.add(x, y, lost);
        }
        let told = asked.figure(1e-5).expect("many cells");
        let unit = area / (4.0 * PI);
        // Each of the halves has half a disc's moment; along the line d^2 / 4 more.
        let (along, across) = (0.5 * unit + d * d / 4.0, 0.5 * unit);
        let (breadth, length) = (0.5 * (along + across) / unit - 1.0, 0.5 * (along - across) / unit);
        assert!((told.breadth - breadth).abs() < 0.1, "{told:?}, wanted {breadth}");
        assert!((told.length.0 - length).abs() < 0.05 && told.length.1.abs() < 0.01, "{told:?}, wanted {length}");
    }
}
