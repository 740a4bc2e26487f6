//! Geometry of a shadow: where it falls, how wide and how deep it is, by closed forms.
//!
//! A mote of diameter `a` lies at stand-off `h` over the photosites; the exit pupil, `P` away, shines
//! through f-number `N`. Each photosite sees the glass through a disc of diameter `b = h/N`; the light
//! it loses is the part of that disc which the mote covers. Projective geometry (Born & Wolf, ch. 4).

use motelight_frame::{FNumber, Micrometres, Millimetres};

/// Common area of two discs with radii `p` and `q` whose centres lie `d` apart (any one unit; its square).
///
/// Closed form of circle-circle intersection, e.g. Weisstein, MathWorld.
pub fn overlap_area(p: f64, q: f64, d: f64) -> f64 {
    let (small, large) = (p.min(q), p.max(q));
    if d <= large - small {
        return std::f64::consts::PI * small * small;
    }
    if d >= large + small {
        return 0.0;
    }
    let angle = |near: f64, far: f64| ((d * d + near * near - far * far) / (2.0 * d * near)).clamp(-1.0, 1.0).acos();
    let kite = (-d + small + large) * (d + small - large) * (d - small + large) * (d + small + large);
    small * small * angle(small, large) + large * large * angle(large, small) - 0.5 * kite.max(0.0).sqrt()
}

/// Diameter of the disc on the glass through which a photosite sees the pupil: `b = h/N`, with the exact
/// f-number that the marking stands for (the exit pupil far away; [`scale`] corrects for a near one).
pub fn pupil_disc(stand_off: Millimetres, f_number: FNumber) -> Micrometres {
    Micrometres(stand_off.0 * 1000.0 / f_number.exact())
}

/// How much larger than on the glass everything stands on the sensor: `1 / (1 - h/P)`, with the exit pupil
/// `P` from the sensor. Shadows are displaced outwards by the same factor about the foot of the pupil's axis.
pub fn scale(stand_off: Millimetres, exit_pupil: Millimetres) -> f64 {
    1.0 / (1.0 - stand_off / exit_pupil)
}

/// Displacement of all shadows when the pupil's centre stands `shift` off the sensor's axis: `-shift h / (P - h)`.
pub fn shift_on_sensor(shift: Millimetres, stand_off: Millimetres, exit_pupil: Millimetres) -> Millimetres {
    Millimetres(-shift.0 * stand_off.0 / (exit_pupil.0 - stand_off.0))
}

/// Light lost at distance `r` from the centre of the shadow of an opaque disc, without diffraction.
pub fn lost_geometric(mote: Micrometres, pupil: Micrometres, r: Micrometres) -> f64 {
    overlap_area(mote.0 / 2.0, pupil.0 / 2.0, r.0) / (std::f64::consts::PI * pupil.0 * pupil.0 / 4.0)
}

/// Diameter of the opaque disc that blocks `area` µm².
pub fn equivalent_diameter(area_um2: f64) -> Micrometres {
    Micrometres((4.0 * area_um2.max(0.0) / std::f64::consts::PI).sqrt())
}

/// Area of the opaque disc of that diameter, µm².
pub fn disc_area_um2(diameter: Micrometres) -> f64 {
    std::f64::consts::PI * diameter.0 * diameter.0 / 4.0
}

/// Blocked area at which a matched filter with white noise has a signal-to-noise ratio of `snr`:
/// `A = (sqrt(pi)/2) snr sigma p b`, sigma the noise per sample of pitch `p` relative to the level
/// (a mote much smaller than the pupil's disc `b`, backdrop known). µm².
pub fn area_at_snr_um2(snr: f64, sigma: f64, pitch: Micrometres, pupil: Micrometres) -> f64 {
    0.5 * std::f64::consts::PI.sqrt() * snr * sigma * pitch.0 * pupil.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values computed once with an independent program (numpy), project optics notes, section 2.
    #[test]
    fn discs_overlap_as_the_table_says() {
        let unit = [
            (0.0, std::f64::consts::PI),
            (0.5, 2.152109),
            (1.0, 1.228370),
            (1.5, 0.453312),
            (1.9, 0.041846),
            (2.0, 0.0),
        ];
        for (d, area) in unit {
            assert!((overlap_area(1.0, 1.0, d) - area).abs() < 1e-6, "d = {d}");
        }
        let uneven = [
            (1.0, std::f64::consts::PI),
            (1.5, 2.392550),
            (2.0, 1.403066),
            (2.5, 0.522419),
            (2.9, 0.048317),
            (3.0, 0.0),
        ];
        for (d, area) in uneven {
            assert!((overlap_area(1.0, 2.0, d) - area).abs() < 1e-6, "d = {d}");
            assert_eq!(overlap_area(1.0, 2.0, d), overlap_area(2.0, 1.0, d));
        }
    }

    /// The same source: depth against radius for a small and a large mote.
    #[test]
    fn a_shadow_fades_outwards_as_the_table_says() {
        let small =
            [(22.5, 0.160000), (25.0, 0.152082), (30.0, 0.123493), (37.5, 0.073182), (45.0, 0.027428), (52.5, 0.0)];
        for (r, lost) in small {
            let got = lost_geometric(Micrometres(30.0), Micrometres(75.0), Micrometres(r));
            assert!((got - lost).abs() < 1e-6, "r = {r}: {got}");
        }
        let large = [(12.5, 1.0), (25.0, 0.834888), (50.0, 0.419249), (75.0, 0.085243), (87.5, 0.0)];
        for (r, lost) in large {
            let got = lost_geometric(Micrometres(100.0), Micrometres(75.0), Micrometres(r));
            assert!((got - lost).abs() < 1e-6, "r = {r}: {got}");
        }
    }

    /// Astronomers find dust by distance = spot diameter times f-ratio: 700 px of 3.76 µm at f/8 are 21.06 mm
    /// (a public observatory FAQ on "dust donuts"; the page says about 21 mm).
    #[test]
    fn the_astronomers_rule_for_dust_is_ours() {
        let disc = Micrometres(700.0 * 3.76);
        let stand_off = Millimetres(21.056);
        let f8 = FNumber::new(8.0).expect("in range");
        assert!((pupil_disc(stand_off, f8) / disc - 1.0).abs() < 1e-9);
    }

    /// Monte Carlo of 400 000 rays: 4.846154 mm for a mote at 5 mm, P = 60, h = 1.5, lens shifted by 11 mm
    /// (project optics notes 2.7); corner displacement at 21.6 mm for h = 1.5 (same section).
    #[test]
    fn shadows_move_with_the_exit_pupil() {
        let (h, p) = (Millimetres(1.5), Millimetres(60.0));
        let at = 5.0 * scale(h, p) + shift_on_sensor(Millimetres(11.0), h, p).0;
        assert!((at - 4.846154).abs() < 1e-6, "{at}");
        for (p, um) in [(40.0, 842.0), (60.0, 554.0), (100.0, 329.0), (200.0, 163.0)] {
            let moved = 21.6 * (scale(h, Millimetres(p)) - 1.0) * 1000.0;
            assert!((moved - um).abs() < 0.6, "P = {p}: {moved} µm");
        }
    }

    /// Project optics notes, section 5: k = 5.5, p = 4.36 µm, sigma = 1 %, h = 1.5 mm.
    #[test]
    fn the_smallest_findable_area_is_the_formulas() {
        for (n, area) in [(8.0, 39.8), (16.0, 19.9)] {
            let b = pupil_disc(Millimetres(1.5), FNumber::new(n).expect("in range"));
            let got = area_at_snr_um2(5.5, 0.01, Micrometres(4.36), b);
            assert!((got - area).abs() < 0.1, "f/{n}: {got}");
        }
    }
}
