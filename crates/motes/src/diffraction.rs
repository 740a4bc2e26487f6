//! The shadow with diffraction: round opaque motes through a round pupil, in closed form per spatial
//! frequency.
//!
//! A uniform scene fills the pupil incoherently, so the shadow on the sensor is the near-field (Fresnel)
//! pattern of the mote at distance `h`, blurred by the image `b = h/N` of the pupil (van Cittert-Zernike;
//! Goodman, *Introduction to Fourier Optics*, ch. 4-6). By Babinet the wave behind the mote is `1 - V`,
//! with `V` the wave through a hole of the mote's shape, so the lost light is `2 Re V - |V|^2`. Its spectrum
//! at spatial frequency `f` is
//!
//! `D(f) = 2 P(f) cos(pi l h f^2) - Q(f)`
//!
//! with `P` the disc's transform, `Q` the transform of the overlap of the disc with itself moved by `l h f`
//! (the ambiguity function), `l` the wavelength. At `f = 0` that is `2 A - A = A`: the blocked area is conserved.
//! Without diffraction `D = P`.

use std::f64::consts::PI;
use std::sync::LazyLock;

use motelight_frame::{Colour, FNumber, Micrometres, Millimetres, widest};
use rayon::prelude::*;

use crate::lanes::dot;
use crate::optics::{disc_area_um2, pupil_disc, scale};
use crate::profile::Profile;

/// How shadow edges are drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Edge {
    /// By wave optics, with the bright ring outside the geometric edge: what real motes do. Else by rays alone: what pictures show
    /// where something has levelled the ring (noise reduction, resizing, ragged or translucent motes), and what simple
    /// simulations draw.
    waves: bool,
    /// Straight blades that the pupil's outline has; 0: it is round.
    blades: u8,
}

impl Edge {
    /// By wave optics, through a round pupil.
    pub const WAVE: Edge = Edge { waves: true, blades: 0 };
    /// By rays alone, through a round pupil.
    pub const RAYS: Edge = Edge { waves: false, blades: 0 };

    /// The same through a pupil of so many blades.
    pub const fn bladed(self, blades: u8) -> Edge {
        Edge { blades, ..self }
    }

    /// Distances from the middle to the outline of the pupil, in radii of the disc of the same area, in directions spread evenly:
    /// averaged over all directions a pupil of `n` blades is the mean of discs of these. By plane geometry a regular polygon of
    /// area `pi` has its sides at `(pi / n / tan(pi / n))^(1/2)`.
    fn outline(self) -> Vec<f64> {
        const DIRECTIONS: usize = 8;
        if self.blades < 3 {
            return vec![1.0];
        }
        let half = PI / f64::from(self.blades);
        let side = (half / half.tan()).sqrt();
        (0..DIRECTIONS).map(|i| side / (half * (i as f64 + 0.5) / DIRECTIONS as f64).cos()).collect()
    }
}

/// Light as a few wavelengths with weights of sum 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Light(Vec<(f64, f64)>);

impl Light {
    /// The band that a photosite of that colour sees. Centres and widths are those of common colour filter
    /// arrays, from memory; the shadow hardly depends on them.
    pub fn of(colour: Colour) -> Light {
        let centre = match colour {
            Colour::Red => 0.605,
            Colour::Green => 0.535,
            Colour::Blue => 0.460,
        };
        Light(vec![(centre - 0.022, 0.5), (centre + 0.022, 0.5)])
    }

    /// All colours together, with these weights of red, green and blue.
    pub fn mixed(weights: [f64; 3]) -> Light {
        let sum: f64 = weights.iter().sum();
        let colours = [Colour::Red, Colour::Green, Colour::Blue];
        let lines = colours
            .iter()
            .zip(weights)
            .flat_map(|(&c, w)| Light::of(c).0.into_iter().map(move |(l, k)| (l, k * w / sum)));
        Light(lines.collect())
    }

    /// Half as many lines, the two of each colour joined: enough where shadows are only to be told apart.
    pub fn coarser(&self) -> Light {
        let joined = self.0.chunks(2).map(|lines| {
            let weight: f64 = lines.iter().map(|l| l.1).sum();
            let middle = lines.iter().map(|l| l.0).sum::<f64>() / lines.len() as f64;
            (middle, weight)
        });
        Light(joined.collect())
    }

    /// One wavelength.
    pub fn line(wavelength: Micrometres) -> Light {
        Light(vec![(wavelength.0, 1.0)])
    }
}

/// Everything but the mote that shapes a shadow.
#[derive(Debug, Clone, PartialEq)]
pub struct Shadowing {
    /// Height of the glass over the photosites, in air.
    pub stand_off: Millimetres,
    /// Diameter of the pupil's image on the sensor, `scale h / N`.
    pub pupil: Micrometres,
    /// How much larger than on the glass everything stands on the sensor.
    pub scale: f64,
    /// Wave optics or rays.
    pub edge: Edge,
    /// The light of the picture.
    pub light: Light,
    /// Side of the square cell over which the picture sums light; under 5 µm for the shadow at a point.
    pub cell: Micrometres,
}

/// Highest spatial frequency kept, cycles per µm, and the smallest cell that shadows are drawn for: together
/// they fade the spectrum out softly, so that what is cut off leaves less than a hundredth of a shadow's depth.
const F_MAX: f64 = 0.3;
const SMALLEST_CELL: f64 = 5.0;

/// Exit pupil, from the sensor, that is taken where no file tells it: a guess. Lenses have 50 to 120 mm and more; with a
/// stand-off of 1.5 mm the scale is then wrong by 1.5 % at most, blocked areas by 3 %.
pub const TYPICAL_EXIT_PUPIL: Millimetres = Millimetres(100.0);

impl Shadowing {
    /// Shadows of motes at that stand-off through that f-number.
    pub fn new(stand_off: Millimetres, f_number: FNumber, edge: Edge, light: Light) -> Self {
        let scale = scale(stand_off, TYPICAL_EXIT_PUPIL);
        let pupil = pupil_disc(stand_off, f_number) * scale;
        Shadowing { stand_off, pupil, scale, edge, light, cell: Micrometres(0.0) }
    }

    /// The same, summed over square cells.
    pub fn with_cell(self, cell: Micrometres) -> Self {
        Shadowing { cell, ..self }
    }

    /// The shadow of an opaque disc.
    pub fn profile(&self, mote: Micrometres) -> Profile {
        self.profiles(&[mote]).remove(0)
    }

    /// The shadows of several opaque discs, on one common grid of radii.
    pub fn profiles(&self, motes: &[Micrometres]) -> Vec<Profile> {
        let motes: Vec<f64> = motes.iter().map(|m| m.0 * self.scale).collect();
        let largest = motes.iter().copied().fold(0.0, f64::max);
        let spread = self.light.0.iter().map(|l| l.0).fold(0.0, f64::max) * self.wave_distance_um();
        let outline = self.edge.outline();
        let farthest = outline.iter().copied().fold(0.0, f64::max);
        let reach = 0.5 * (largest + farthest * self.pupil.0)
            + 3.0 * spread.sqrt().min(0.75 * self.pupil.0 + 15.0)
            + self.cell.0;
        let step = (self.pupil.0 / 40.0).max(0.5);
        let radii = (reach / step).ceil() as usize + 1;
        // The integrand turns at most `reach + chirp` times per unit of frequency.
        // A wide pupil blurs away what is fine: past 24 / b less than a five-hundredth of its response is left.
        // So does a wide cell: past 2 / c a thousandth.
        let end = F_MAX.min(24.0 / self.pupil.0).min(2.0 / self.cell.0.max(SMALLEST_CELL));
        let chirp = if self.edge.waves { spread * end } else { 0.0 };
        let nodes = quadrature(end, 2.0 * reach + chirp);

        let kernel: Vec<f64> = (0..radii)
            .into_par_iter()
            .flat_map_iter(|i| {
                let r = i as f64 * step;
                nodes.iter().map(move |&(f, df)| 2.0 * PI * f * df * bessel_j0(2.0 * PI * f * r))
            })
            .collect();
        let blur: Vec<f64> = nodes
            .iter()
            .map(|&(f, _)| {
                pupil_response(&outline, PI * self.pupil.0 * f) * cell_response(self.cell.0.max(SMALLEST_CELL), f)
            })
            .collect();
        motes
            .par_iter()
            .map(|&mote| {
                let (mut spectrum, mut lost) = (vec![0.0; nodes.len()], vec![0.0; radii]);
                widest(|| {
                    for ((to, &(f, _)), blur) in spectrum.iter_mut().zip(&nodes).zip(&blur) {
                        *to = blur * self.lost_spectrum(mote, f);
                    }
                    for (to, row) in lost.iter_mut().zip(kernel.chunks_exact(nodes.len())) {
                        *to = dot(row, &spectrum);
                    }
                });
                Profile::on_grid(Micrometres(step), lost)
            })
            .collect()
    }

    /// Distance over which the wave spreads in coordinates of the sensor, µm. A wave from a point of the pupil that goes `z1` to the
    /// glass and `h` on makes the pattern that a plane wave makes over `z1 h / (z1 + h)`, `m = (z1 + h) / z1` times as large (Goodman,
    /// *Introduction to Fourier Optics*, Fresnel diffraction with diverging illumination): `l h m` in the sensor's coordinates.
    fn wave_distance_um(&self) -> f64 {
        1000.0 * self.stand_off.0 * self.scale
    }

    /// Spectrum of the lost light before the pupil's blur, µm².
    #[inline(always)]
    fn lost_spectrum(&self, mote: f64, f: f64) -> f64 {
        let disc = disc_area_um2(Micrometres(mote)) * airy(PI * mote * f);
        if !self.edge.waves {
            return disc;
        }
        let h = self.wave_distance_um();
        let mut sum = 0.0;
        for &(l, w) in &self.light.0 {
            sum += w * (2.0 * disc * cos_of_turns(0.5 * l * h * f * f) - self_overlap(mote, l * h * f, f));
        }
        sum
    }
}

/// Transform of a pupil, 1 at 0. `x`: that of the disc of its area, in [`airy`]'s measure.
fn pupil_response(outline: &[f64], x: f64) -> f64 {
    let area: f64 = outline.iter().map(|r| r * r).sum();
    outline.iter().map(|r| r * r * airy(r * x)).sum::<f64>() / area
}

/// Nodes and weights over 0..`end` for an integrand that turns `turns` times per unit: panels of eight
/// Gauss-Legendre nodes (Abramowitz & Stegun, table 25.4), two turns to a panel.
fn quadrature(end: f64, turns: f64) -> Vec<(f64, f64)> {
    const HALF: [(f64, f64); 4] = [
        (0.183_434_642_495_650, 0.362_683_783_378_362),
        (0.525_532_409_916_329, 0.313_706_645_877_887),
        (0.796_666_477_413_627, 0.222_381_034_453_374),
        (0.960_289_856_497_536, 0.101_228_536_290_376),
    ];
    let panels = (end * turns / 2.0).ceil().max(1.0);
    let half = 0.5 * end / panels;
    let panel = |i: usize| {
        let middle = (2 * i + 1) as f64 * half;
        HALF.iter().flat_map(move |&(x, w)| [(middle - half * x, half * w), (middle + half * x, half * w)])
    };
    (0..panels as usize).flat_map(panel).collect()
}

/// J0 for x of 0 and more, to 2e-8: cubic between the values and slopes (-J1) of a table that is made once. A shadow asks for a
/// hundred thousand of them, and the library's were a quarter of the time of a whole inspection.
fn bessel_j0(x: f64) -> f64 {
    const PER_UNIT: f64 = 16.0;
    const UNITS: usize = 1024;
    static TABLE: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| {
        let at = |i: usize| i as f64 / PER_UNIT;
        (0..=UNITS * PER_UNIT as usize).map(|i| (libm::j0(at(i)), -libm::j1(at(i)) / PER_UNIT)).collect()
    });
    let place = x * PER_UNIT;
    let first = place as usize;
    let Some(&[(a, slope_a), (b, slope_b)]) = TABLE.get(first..first + 2) else { return libm::j0(x) };
    let t = place - first as f64;
    let (bend, twist) = (3.0 * (b - a) - 2.0 * slope_a - slope_b, slope_a + slope_b - 2.0 * (b - a));
    a + t * (slope_a + t * (bend + t * twist))
}

/// `2 J1(x) / x`: transform of a disc, 1 at 0.
fn airy(x: f64) -> f64 {
    if x < 1e-6 { 1.0 } else { 2.0 * libm::j1(x) / x }
}

/// Response of a square cell, taken as round with the same second moment, `side^2 / 12` per axis.
fn cell_response(side: f64, f: f64) -> f64 {
    (-2.0 * PI * PI * f * f * side * side / 12.0).exp()
}

/// Transform at frequency `f`, along the shift, of the overlap of a disc with itself moved by `shift`, µm².
/// With `x + shift/2 = (a/2) sin t` the integrand is smooth and the midpoint rule converges fast.
#[inline(always)]
fn self_overlap(mote: f64, shift: f64, f: f64) -> f64 {
    if shift >= mote {
        return 0.0;
    }
    let radius = mote / 2.0;
    let start = (shift / mote).asin();
    // Four points side by side.
    let points = (8 + (2.5 * (mote - shift) * f) as usize).next_multiple_of(4);
    let dt = (PI / 2.0 - start) / points as f64;
    // sin t and cos t step by step: rotations by dt, then by 4 dt.
    let (mut sin, mut cos) = ([0.0; 4], [0.0; 4]);
    (sin[0], cos[0]) = (start + 0.5 * dt).sin_cos();
    let turned =
        |sin: f64, cos: f64, (by_sin, by_cos): (f64, f64)| (sin * by_cos + cos * by_sin, cos * by_cos - sin * by_sin);
    let once = dt.sin_cos();
    for i in 1..4 {
        (sin[i], cos[i]) = turned(sin[i - 1], cos[i - 1], once);
    }
    let twice = turned(once.0, once.1, once);
    let fourfold = turned(twice.0, twice.1, twice);
    let mut sums = [0.0; 4];
    for _ in 0..points / 4 {
        for i in 0..4 {
            sums[i] += cos[i] * cos[i] * cos_of_turns(f * (radius * sin[i] - shift / 2.0));
            (sin[i], cos[i]) = turned(sin[i], cos[i], fourfold);
        }
    }
    4.0 * radius * radius * sums.iter().sum::<f64>() * dt
}

/// `cos(2 pi x)` to 1e-6: the nearest whole turn taken off, then the Taylor series. The library's cosine was
/// more than half of the time of a whole inspection.
#[inline(always)]
fn cos_of_turns(x: f64) -> f64 {
    // Adding and taking off 1.5 * 2^52 rounds to the nearest whole number.
    const ROUND: f64 = 6_755_399_441_055_744.0;
    let t = x - ((x + ROUND) - ROUND);
    let y = (2.0 * PI * t) * (2.0 * PI * t);
    const C: [f64; 9] = [
        1.0,
        -1.0 / 2.0,
        1.0 / 24.0,
        -1.0 / 720.0,
        1.0 / 40_320.0,
        -1.0 / 3_628_800.0,
        1.0 / 479_001_600.0,
        -1.0 / 87_178_291_200.0,
        1.0 / 20_922_789_888_000.0,
    ];
    let mut sum = C[8];
    for i in (0..8).rev() {
        sum = sum * y + C[i];
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::lost_geometric;

    fn shadowing(h: f64, b: f64, edge: Edge) -> Shadowing {
        Shadowing {
            stand_off: Millimetres(h),
            pupil: Micrometres(b),
            scale: 1.0,
            edge,
            light: Light::line(Micrometres(0.55)),
            cell: Micrometres(0.0),
        }
    }

    /// The first zeros of J0 (Abramowitz & Stegun, table 9.5), and the library of functions in between and past the table.
    #[test]
    fn the_table_of_j0_is_j0() {
        for zero in [2.404_825_557_7, 5.520_078_110_3, 8.653_727_912_9] {
            assert!(bessel_j0(zero).abs() < 2e-8);
        }
        for i in 0..30_000 {
            let x = 0.0371 * f64::from(i);
            assert!((bessel_j0(x) - libm::j0(x)).abs() < 2e-8, "{x}");
        }
    }

    /// Light lost inside `r`, in units of the mote's own area.
    fn lost_inside(profile: &Profile, r: f64, mote: f64) -> f64 {
        let n = 4000;
        let dr = r / f64::from(n);
        let ring = |i: i32| {
            let at = (f64::from(i) + 0.5) * dr;
            2.0 * PI * at * profile.lost_at(Micrometres(at)) * dr
        };
        (0..n).map(ring).sum::<f64>() / disc_area_um2(Micrometres(mote))
    }

    #[test]
    fn the_short_cosine_is_a_cosine() {
        for i in -1000..1000 {
            let x = f64::from(i) * 0.0371;
            assert!((cos_of_turns(x) - (2.0 * PI * x).cos()).abs() < 2e-6, "{x}");
        }
    }

    #[test]
    fn without_diffraction_the_spectrum_gives_the_overlap_of_two_discs() {
        let profile = shadowing(1.2, 75.0, Edge::RAYS).profile(Micrometres(30.0));
        for r in [0.0, 10.0, 25.0, 37.5, 45.0] {
            let exact = lost_geometric(Micrometres(30.0), Micrometres(75.0), Micrometres(r));
            assert!((profile.lost_at(Micrometres(r)) - exact).abs() < 0.002, "r = {r}");
        }
    }

    /// Numeric Fresnel propagation on a grid of 0.5 µm (tests/references/fresnel.py): a = 20 µm, h = 1 mm, f/16,
    /// 550 nm: light lost inside r, in units of the mote's area.
    #[test]
    fn the_bright_ring_takes_back_what_the_core_shows_too_much() {
        let profile = shadowing(1.0, 62.5, Edge::WAVE).profile(Micrometres(20.0));
        for (r, share) in [(25.0, 0.758), (31.0, 0.987), (41.25, 1.238), (60.0, 1.097)] {
            let got = lost_inside(&profile, r, 20.0);
            assert!((got - share).abs() < 0.012, "r = {r}: {got} against {share}");
        }
    }

    /// Project optics notes 2.8 (numpy): centre depth .119 / .126 / .142 at 450 / 550 / 650 nm, .102 by rays.
    #[test]
    fn shadows_are_slightly_coloured() {
        for (l, depth) in [(0.45, 0.119), (0.55, 0.126), (0.65, 0.142)] {
            let shadow = Shadowing { light: Light::line(Micrometres(l)), ..shadowing(1.0, 62.5, Edge::WAVE) };
            let got = shadow.profile(Micrometres(20.0)).depth();
            assert!((got - depth).abs() < 0.004, "{l} µm: {got} against {depth}");
        }
        let rays = shadowing(1.0, 62.5, Edge::RAYS).profile(Micrometres(20.0)).depth();
        assert!((rays - 0.1024).abs() < 0.001, "{rays}");
    }

    /// The same source, white light; the reference script gives .114 for (0.7, 10), which depends most on what
    /// white is. Here it is the three colours alike.
    #[test]
    fn depths_by_rays_and_by_waves_are_those_of_the_table() {
        let table =
            [(0.7, 10.0, 0.1143), (0.7, 20.0, 0.337), (0.7, 40.0, 0.756), (1.5, 40.0, 0.202), (1.5, 80.0, 0.773)];
        for (h, a, depth) in table {
            let shadow = Shadowing { light: Light::mixed([1.0; 3]), ..shadowing(h, h * 1000.0 / 16.0, Edge::WAVE) };
            let got = shadow.profile(Micrometres(a)).depth();
            assert!((got / depth - 1.0).abs() < 0.04, "h = {h}, a = {a}: {got} against {depth}");
        }
    }

    /// Numeric propagation through true polygons (tests/references/blades.py): centre depths of a mote of 8 µm over (mote / pupil)^2.
    #[test]
    fn blades_level_the_centre_of_a_small_shadow() {
        let table = [
            (1.46, 73.6, [(0, 0.720), (5, 1.011), (6, 0.853), (9, 0.744)]),
            (1.05, 66.3, [(0, 0.344), (5, 0.692), (6, 0.514), (9, 0.377)]),
        ];
        for (h, b, depths) in table {
            for (blades, expected) in depths {
                let light = Light::of(Colour::Green);
                let shadow = Shadowing { light, ..shadowing(h, b, Edge::WAVE.bladed(blades)) };
                let got = shadow.profile(Micrometres(8.0)).depth() / (8.0f64 / b).powi(2);
                assert!((got - expected).abs() < 0.02, "{blades} blades, h = {h}: {got} against {expected}");
            }
        }
    }

    /// From a point `z1` before it, a speck far smaller than sqrt(l h) gives rings whose first turn from dark to bright lies where
    /// `r^2 = l h (z1 + h) / z1` on the sensor (Goodman, Fresnel diffraction with diverging illumination; |V|^2 moves it by a thousandth).
    #[test]
    fn a_wave_from_nearby_makes_wider_rings() {
        for scale in [1.0, 1.03, 1.06] {
            let point = Shadowing { scale, pupil: Micrometres(1.0), ..shadowing(1.5, 1.0, Edge::WAVE) };
            let profile = point.profile(Micrometres(4.0));
            let lost = |r: f64| profile.lost_at(Micrometres(r));
            let turn = (200..400).map(|i| 0.1 * f64::from(i)).find(|&r| lost(r) <= 0.0).expect("a turn");
            let expected = (0.55 * 1500.0 * scale).sqrt();
            assert!((turn / expected - 1.0).abs() < 0.006, "scale {scale}: {turn} against {expected} µm");
        }
    }

    /// Parseval: whatever the f-number, the shadow takes exactly the light that the mote blocks.
    #[test]
    fn the_blocked_area_is_the_same_at_every_f_number() {
        for b in [50.0, 90.0, 180.0] {
            for a in [10.0, 30.0, 80.0] {
                for edge in [Edge::WAVE, Edge::RAYS] {
                    let shadow = shadowing(1.0, b, edge);
                    let at_zero = shadow.lost_spectrum(a, 1e-9);
                    assert!(
                        (at_zero / disc_area_um2(Micrometres(a)) - 1.0).abs() < 1e-3,
                        "{a} {b} {edge:?}: {at_zero}"
                    );
                }
            }
        }
    }
}
