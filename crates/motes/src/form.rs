//! The form of a thing that is not round: small discs side by side that together cast its shadow.
//!
//! What the parts of a thing block adds up, so at every f-number its shadow is the sum of its parts' (Parseval: the light lost in
//! all is the blocked area whatever the parts are; the bright ring of a broad part is only roughly that of the discs in it).

use std::sync::Arc;

use motelight_frame::{Micrometres, Plane, Size};

use crate::bank::Bank;
use crate::optics::{disc_area_um2, equivalent_diameter};

/// What a thing is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Form {
    /// A nearly round mote is one disc at its place.
    nearly_round: bool,
    /// What it is in the main.
    main: Parts,
    /// What that does not explain: block more, or less.
    rest: Parts,
}

/// Discs of one size.
#[derive(Debug, Clone, PartialEq)]
struct Parts {
    /// Blocked area of the disc whose shadow each part has the shape of, µm².
    disc_um2: f64,
    parts: Vec<Part>,
}

/// One disc.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Part {
    /// Right of the thing's place, µm.
    dx: f64,
    /// Below it, µm.
    dy: f64,
    /// Blocked area, µm².
    area: f64,
}

/// Most parts of a form, for the time they take: of large things the parts are larger.
const MOST: usize = 500;
/// Diameters of discs that are tried, µm: those of fibres and crumbs. A guess.
const DISCS: [f64; 6] = [8.0, 20.0, 35.0, 60.0, 90.0, 130.0];
/// Distance of parts, in diameters of the pupil's image: at a quarter mended fibres came up to 1.5 dB less near, at an eighth as much
/// nearer, at half as much time again.
const APART: f64 = 0.18;
/// Samples across the pupil's image.
const SAMPLES: f64 = 20.0;
/// How far beyond its edge a shadow is looked at, µm: over its first bright rings.
pub const RINGS_UM: f64 = 60.0;
/// Rounds of the search for the parts' areas. Few: with more of them noise is taken for form.
const ROUNDS: usize = 60;
/// Rounds after which the discs' size is chosen.
const ROUNDS_FOR_DISC: usize = 12;
/// Rounds of the search for what the main parts do not explain, at most.
const ROUNDS_FOR_REST: usize = 30;

/// Part of a flattened wall.
#[derive(Debug)]
pub struct Seen {
    /// Light lost, by cell; NaN where it is unknown or another's.
    pub lost: Plane,
    /// Where parts may lie.
    pub outline: Plane<bool>,
    /// Side of a cell on the sensor, µm.
    pub cell_um: f64,
    /// Standard deviation of the loss of a cell from noise.
    pub sigma: f64,
    /// The thing's place, cells.
    pub place: (f64, f64),
}

impl Form {
    /// The form whose shadow, of the bank's optics, is most like what is seen; `None` where nothing is. Parts block no less than
    /// nothing (image space reconstruction, Daube-Witherspoon and Muehllehner, IEEE Trans. Medical Imaging 5, 1986, from memory).
    pub fn of(seen: &Seen, bank: &Bank) -> Option<Form> {
        let (places, smallest) = seen.places(bank);
        let broader = DISCS.into_iter().filter(|d| *d > smallest);
        let discs = std::iter::once(smallest).chain(broader).map(|d| disc_area_um2(Micrometres(d)));
        let kernels: Vec<Kernel> = discs.map(|disc| Kernel::of(seen, &places, bank, disc)).collect();
        let tried = kernels.iter().map(|kernel| {
            let left = seen.left(kernel, &seen.areas(kernel, ROUNDS_FOR_DISC));
            (left.iter().map(|l| l * l).sum::<f64>(), kernel)
        });
        let best = tried.min_by(|a, b| a.0.total_cmp(&b.0))?.1;
        let areas = told(seen.areas(best, ROUNDS));
        let main = Parts { disc_um2: best.disc_um2, parts: seen.parts(&places, &areas) };
        let rest = told(seen.rest(&kernels[0], seen.left(best, &areas)));
        let rest = Parts { disc_um2: kernels[0].disc_um2, parts: seen.parts(&places, &rest) };
        (!main.parts.is_empty()).then_some(Form { nearly_round: false, main, rest })
    }

    /// The same of a mote that is nearly round: a disc of that blocked area, and what it does not explain.
    pub fn about(core_um2: f64, seen: &Seen, bank: &Bank) -> Form {
        let (places, smallest) = seen.places(bank);
        let kernel = Kernel::of(seen, &places, bank, disc_area_um2(Micrometres(smallest)));
        let left = seen.left(&Kernel::of(seen, &[seen.place], bank, core_um2), &[core_um2]);
        let rest = Parts { disc_um2: kernel.disc_um2, parts: seen.parts(&places, &told(seen.rest(&kernel, left))) };
        let main = Parts { disc_um2: core_um2, parts: vec![Part { dx: 0.0, dy: 0.0, area: core_um2 }] };
        Form { nearly_round: true, main, rest }
    }

    /// Whether it is a disc but for what that does not explain.
    pub fn is_nearly_round(&self) -> bool {
        self.nearly_round
    }

    /// How far its parts lie from its place at most, µm.
    pub fn radius_um(&self) -> f64 {
        self.main.parts.iter().map(|p| p.dx.hypot(p.dy)).fold(0.0, f64::max)
    }

    /// Its shadow on pixels of `pitch` µm; counted as near up to `margin` px from any part.
    pub fn cast(&self, bank: &Bank, pitch: f64, margin: f64) -> Cast {
        let groups = [&self.main, &self.rest].map(|group| {
            // Fibres are thin against their shadows; a round mote may be broad.
            let radius = if self.nearly_round { 0.5 * equivalent_diameter(group.disc_um2).0 / pitch } else { 0.0 };
            (group, bank.shape(group.disc_um2), margin + radius)
        });
        let parts = || groups.iter().flat_map(|(g, shape, reach)| g.parts.iter().map(move |p| (p, g, shape, *reach)));
        let step = (bank.shadowing().pupil.0 / pitch / SAMPLES).max(1.0);
        let half = |f: fn(&Part) -> f64| {
            let far = parts().map(|(p, .., reach)| f(p).abs() / pitch + reach).fold(0.0, f64::max);
            (far / step).ceil() as usize + 1
        };
        let half = (half(|p| p.dx), half(|p| p.dy));
        let size = Size { width: 2 * half.0 + 1, height: 2 * half.1 + 1 };
        let (mut lost, mut near) = (Plane::filled(size, 0.0f32), Plane::filled(size, false));
        let most = self.main.parts.iter().map(|p| p.area).fold(0.0, f64::max);
        for (part, group, shape, reach) in parts() {
            let at = (part.dx / pitch / step + half.0 as f64, part.dy / pitch / step + half.1 as f64);
            let share = part.area / group.disc_um2;
            let reach = reach / step;
            let span = |v: f64, end: usize| (v - reach).max(0.0) as usize..((v + reach) as usize + 1).min(end);
            for y in span(at.1, size.height) {
                for x in span(at.0, size.width) {
                    let (dx, dy) = (x as f64 - at.0, y as f64 - at.1);
                    let r = (dx * dx + dy * dy).sqrt();
                    if r <= reach {
                        let more = share * shape.at(r * pitch * step).0;
                        lost.set(x, y, lost.at(x, y) + more as f32);
                        // What noise made of nothing does not widen the thing.
                        if part.area > 0.02 * most {
                            near.set(x, y, true);
                        }
                    }
                }
            }
        }
        Cast { long: !self.nearly_round, half, step, lost: Arc::new(lost), near: Arc::new(near) }
    }
}

impl Seen {
    /// Where parts are tried, cells, and the diameter that makes them touch, µm.
    fn places(&self, bank: &Bank) -> (Vec<(f64, f64)>, f64) {
        let size = self.outline.size();
        let cells = self.outline.data().iter().filter(|&&o| o).count();
        let pupil = bank.shadowing().pupil.0 / self.cell_um;
        let apart = (APART * pupil).max((cells as f64 / MOST as f64).sqrt()).max(1.0);
        let rows = |length: usize| (0..).map(|k| (k as f64 + 0.5) * apart).take_while(move |v| *v < length as f64);
        let places = rows(size.height)
            .flat_map(|y| rows(size.width).map(move |x| (x, y)))
            .filter(|&(x, y)| self.outline.at(x as usize, y as usize));
        (places.collect(), 1.2 * apart * self.cell_um)
    }

    /// Areas of the discs of a kernel, none below nought.
    fn areas(&self, kernel: &Kernel, rounds: usize) -> Vec<f64> {
        let lost: Vec<f64> = self.lost.data().iter().map(|&l| f64::from(l)).collect();
        let seen = kernel.back(&lost);
        let mut areas: Vec<f64> = seen.iter().map(|v| if *v > 0.0 { 1.0 } else { 0.0 }).collect();
        for _ in 0..rounds {
            let now = kernel.back(&kernel.forth(&areas, lost.len()));
            for ((area, wanted), now) in areas.iter_mut().zip(&seen).zip(&now) {
                *area = if *now > 0.0 { *area * (wanted / now).max(0.0) } else { 0.0 };
            }
        }
        areas
    }

    /// What discs leave of the lost light; nothing where it is unknown.
    fn left(&self, kernel: &Kernel, areas: &[f64]) -> Vec<f64> {
        let lost = self.lost.data().iter().zip(kernel.forth(areas, self.lost.size().area()));
        lost.map(|(l, made)| if l.is_finite() { f64::from(*l) - made } else { 0.0 }).collect()
    }

    /// Areas, above or below nought, by which a kernel's discs explain what is left (conjugate gradients on the normal equations,
    /// stopped early: Hanke, Conjugate Gradient Type Methods for Ill-Posed Problems, 1995, from memory).
    fn rest(&self, kernel: &Kernel, mut left: Vec<f64>) -> Vec<f64> {
        let mut slope = kernel.back(&left);
        let mut areas = vec![0.0; slope.len()];
        let mut way = slope.clone();
        let squares = |v: &[f64]| v.iter().map(|a| a * a).sum::<f64>();
        let mut steep = squares(&slope);
        // Until noise alone is left: more would be made of that (discrepancy principle, Morozov 1966, from memory).
        let noise = self.sigma * self.sigma * self.lost.data().iter().filter(|l| l.is_finite()).count() as f64;
        for _ in 0..ROUNDS_FOR_REST {
            if squares(&left) < noise {
                break;
            }
            let along = kernel.forth(&way, left.len());
            let step = steep / squares(&along).max(1e-30);
            areas.iter_mut().zip(&way).for_each(|(a, w)| *a += step * w);
            left.iter_mut().zip(&along).for_each(|(l, a)| *l -= step * a);
            slope = kernel.back(&left);
            let now = squares(&slope);
            way.iter_mut().zip(&slope).for_each(|(w, s)| *w = s + now / steep.max(1e-30) * *w);
            steep = now;
        }
        areas
    }

    fn parts(&self, places: &[(f64, f64)], areas: &[f64]) -> Vec<Part> {
        let um = |v: f64, from: f64| (v - from) * self.cell_um;
        let parts = places.iter().zip(areas).filter(|(_, area)| **area != 0.0);
        parts.map(|(&(x, y), &area)| Part { dx: um(x, self.place.0), dy: um(y, self.place.1), area }).collect()
    }
}

/// Areas, nought where they are next to nothing beside the rest.
fn told(areas: Vec<f64>) -> Vec<f64> {
    let least = 5e-4 * areas.iter().map(|a| a.abs()).sum::<f64>();
    areas.into_iter().map(|a| if a.abs() > least { a } else { 0.0 }).collect()
}

/// Which cells a disc at each of some places darkens, and by how much for a µm².
struct Kernel {
    disc_um2: f64,
    taps: Vec<Vec<(usize, f64)>>,
}

impl Kernel {
    fn of(seen: &Seen, places: &[(f64, f64)], bank: &Bank, disc_um2: f64) -> Kernel {
        let size = seen.lost.size();
        let shape = bank.shape(disc_um2);
        let reach = 0.5 * (bank.shadowing().pupil.0 + equivalent_diameter(disc_um2).0) + RINGS_UM;
        let reach = reach / seen.cell_um;
        let span = |v: f64, end: usize| (v - reach).max(0.0) as usize..((v + reach) as usize + 1).min(end);
        let answers = |&(x, y): &(f64, f64)| -> Vec<(usize, f64)> {
            span(y, size.height)
                .flat_map(|cy| span(x, size.width).map(move |cx| (cx, cy)))
                .filter(|&(cx, cy)| seen.lost.at(cx, cy).is_finite())
                .map(|(cx, cy)| {
                    let r = (cx as f64 + 0.5 - x).hypot(cy as f64 + 0.5 - y) * seen.cell_um;
                    (cy * size.width + cx, shape.at(r).0 / disc_um2)
                })
                .collect()
        };
        Kernel { disc_um2, taps: places.iter().map(answers).collect() }
    }

    /// From areas to cells.
    fn forth(&self, areas: &[f64], cells: usize) -> Vec<f64> {
        let mut made = vec![0.0; cells];
        for (taps, area) in self.taps.iter().zip(areas) {
            taps.iter().for_each(|&(i, k)| made[i] += area * k);
        }
        made
    }

    /// From cells to areas: the transpose.
    fn back(&self, cells: &[f64]) -> Vec<f64> {
        self.taps.iter().map(|taps| taps.iter().map(|&(i, k)| k * cells[i]).sum()).collect()
    }
}

/// The shadow of a form on the pixels of a picture.
#[derive(Debug, Clone)]
pub struct Cast {
    /// Whether it is that of a thing far from round.
    pub long: bool,
    /// Samples on either side of the middle one.
    half: (usize, usize),
    /// Pixels from one to the next.
    step: f64,
    /// Light lost.
    lost: Arc<Plane>,
    near: Arc<Plane<bool>>,
}

impl Cast {
    /// Light lost at a displacement from the thing's place, px, and its slopes along both axes.
    pub fn at(&self, dx: f64, dy: f64) -> (f64, f64, f64) {
        let (u, v) = (dx / self.step + self.half.0 as f64, dy / self.step + self.half.1 as f64);
        let size = self.lost.size();
        if u < 0.0 || v < 0.0 || u >= (size.width - 1) as f64 || v >= (size.height - 1) as f64 {
            return (0.0, 0.0, 0.0);
        }
        let (x, y) = (u as usize, v as usize);
        let (s, t) = (u - x as f64, v - y as f64);
        let at = |i: usize, j: usize| f64::from(self.lost.at(x + i, y + j));
        let (a, b, c, d) = (at(0, 0), at(1, 0), at(0, 1), at(1, 1));
        let (above, below) = (a + s * (b - a), c + s * (d - c));
        let (right, down) = ((1.0 - t) * (b - a) + t * (d - c), below - above);
        (above + t * down, right / self.step, down / self.step)
    }

    /// Whether a displacement lies near the thing.
    pub fn is_near(&self, dx: f64, dy: f64) -> bool {
        let (u, v) = (dx / self.step + self.half.0 as f64 + 0.5, dy / self.step + self.half.1 as f64 + 0.5);
        let size = self.near.size();
        u >= 0.0 && v >= 0.0 && u < size.width as f64 && v < size.height as f64 && self.near.at(u as usize, v as usize)
    }

    /// The deepest loss.
    pub fn depth(&self) -> f64 {
        f64::from(self.lost.data().iter().copied().fold(0.0, f32::max))
    }

    /// Farthest displacement at which more than `least` is lost or won, px.
    pub fn reach(&self, least: f64) -> f64 {
        let width = self.lost.size().width;
        let far = |i: usize| ((i % width) as f64 - self.half.0 as f64).hypot((i / width) as f64 - self.half.1 as f64);
        let lost = self.lost.data().iter().enumerate();
        self.step * lost.filter(|(_, l)| f64::from(l.abs()) > least).map(|(i, _)| far(i)).fold(0.0, f64::max)
    }
}

#[cfg(test)]
mod tests {
    use motelight_frame::{FNumber, Millimetres};

    use super::*;
    use crate::diffraction::{Edge, Light, Shadowing};

    const CELL: f64 = 6.0;

    fn bank(stop: f64) -> Bank {
        let n = FNumber::new(stop).expect("in range");
        let light = Light::mixed([1.0, 2.0, 1.0]);
        Bank::new(Shadowing::new(Millimetres(1.3), n, Edge::RAYS, light), Micrometres(150.0))
    }

    /// Discs of a straight thread, 25 cells long, by their steps from its middle.
    fn steps() -> impl Iterator<Item = f64> {
        (-25..=25).map(|k| 0.5 * f64::from(k))
    }

    const DISC: f64 = 20.0;

    /// The thread as a wall at f/16 shows it, and what it blocks.
    fn thread() -> (Form, f64) {
        let side = Size { width: 81, height: 81 };
        let shape = bank(16.0).shape(DISC);
        let discs: Vec<(f64, f64)> = steps().map(|k| (40.5 + k, 40.5)).collect();
        let lost = |i: usize| {
            let (x, y) = ((i % 81) as f64 + 0.5, (i / 81) as f64 + 0.5);
            discs.iter().map(|d| shape.at((d.0 - x).hypot(d.1 - y) * CELL).0).sum::<f64>() as f32
        };
        let lost = Plane::from_vec(side, (0..side.area()).map(lost).collect());
        let outline = Plane::from_vec(side, lost.data().iter().map(|l| *l > 0.02).collect());
        let seen = Seen { lost, outline, cell_um: CELL, sigma: 1e-4, place: (40.5, 40.5) };
        (Form::of(&seen, &bank(16.0)).expect("a form"), DISC * steps().count() as f64)
    }

    /// Geometry: what a thing blocks is lost in all, however wide the pupil's image spreads it.
    #[test]
    fn the_light_lost_in_all_is_the_same_at_every_f_number() {
        let (form, area) = thread();
        let scale = bank(16.0).shadowing().scale.powi(2);
        for stop in [5.6, 11.0, 16.0, 22.0] {
            let cast = form.cast(&bank(stop), CELL, 40.0);
            let far = (-140..=140).flat_map(|y| (-140..=140).map(move |x| (x, y)));
            let lost: f64 = far.map(|(x, y)| cast.at(f64::from(x), f64::from(y)).0).sum::<f64>() * CELL * CELL / scale;
            assert!((lost / area - 1.0).abs() < 0.02, "f/{stop}: {lost} of {area} um2");
        }
    }

    /// At another f-number its shadow is that of the discs that it was made of.
    #[test]
    fn a_form_foretells_its_shadow_at_other_f_numbers() {
        let (form, _) = thread();
        for stop in [8.0, 11.0, 16.0] {
            let cast = form.cast(&bank(stop), CELL, 40.0);
            let shape = bank(stop).shape(DISC);
            let depth = cast.depth();
            for (x, y) in [(0.0, 0.0), (7.0, 0.0), (14.0, 2.0), (0.0, 5.0), (17.0, 0.0), (3.0, -9.0)] {
                let discs = steps().map(|k| shape.at((k - x).hypot(y) * CELL).0);
                let (told, true_loss) = (cast.at(x, y).0, discs.sum::<f64>());
                assert!((told - true_loss).abs() < 0.08 * depth, "f/{stop} at {x}, {y}: {told} for {true_loss}");
            }
        }
    }

    #[test]
    fn slopes_are_those_of_the_values() {
        let cast = thread().0.cast(&bank(11.0), CELL, 40.0);
        for (x, y) in [(12.3, 3.4), (-3.6, -6.2)] {
            let (_, right, down) = cast.at(x, y);
            let by = |dx: f64, dy: f64| (cast.at(x + dx, y + dy).0 - cast.at(x - dx, y - dy).0) / (2.0 * dx.max(dy));
            assert!((right - by(0.01, 0.0)).abs() < 1e-4 && (down - by(0.0, 0.01)).abs() < 1e-4);
        }
    }
}
