//! A window that edges of the scene cross, asked part by part.
//!
//! A roof line or a twig bends the light's logarithm where no shadow would. What is so bent is left out, and the parts
//! that it leaves stand each on a backdrop of its own: half a shadow before a plain sky is told as well as half a shadow can be.

use motelight_frame::Size;
use nalgebra::{SMatrix, SVector};

use crate::grid::about;
use crate::mend::question::{BACKDROP, Ground, Seen, Told};

/// How strongly each cell bends the logarithm of light along the rows and down the columns: second differences. A slope bends
/// nothing.
#[derive(Debug, Clone)]
pub struct Bends {
    planes: [Vec<f32>; 2],
    /// Standard deviation of what noise bends.
    noise: f32,
}

/// Bends beyond so many standard deviations of the noise are no noise's.
const BEYOND_NOISE: f32 = 5.0;
/// A shadow may be so many times as strong as foretold, sharpening counted.
const STRONGEST: f32 = 1.5;
/// And its form and place may differ by this share of the most that it bends. A guess.
const MISFIT: f32 = 0.25;

impl Bends {
    /// Of cells row by row; those that are not sound bend nothing.
    pub fn of(columns: usize, rows: usize, ln: &[f32], sound: &[bool]) -> Bends {
        let along = |step: usize, inside: &dyn Fn(usize) -> bool| -> Vec<f32> {
            let bend = |i: usize| {
                let whole = inside(i) && sound[i - step] && sound[i] && sound[i + step];
                if whole { ln[i - step] - 2.0 * ln[i] + ln[i + step] } else { 0.0 }
            };
            (0..ln.len()).map(bend).collect()
        };
        let across = along(1, &|i| i % columns > 0 && i % columns + 1 < columns);
        let down = along(columns, &|i| i >= columns && i / columns + 1 < rows);
        // A quarter of what is normal stays under 0.3186 deviations: detail makes that larger last.
        let mut sizes: Vec<f32> = across.iter().chain(&down).filter(|b| **b != 0.0).map(|b| b.abs()).collect();
        let noise = if sizes.is_empty() {
            0.0
        } else {
            let quarter = sizes.len() / 4;
            *sizes.select_nth_unstable_by(quarter, f32::total_cmp).1 / 0.3186
        };
        Bends { planes: [across, down], noise }
    }
}

/// What the shadow itself may bend at a cell, without noise: from, to, along the rows and down the columns.
#[derive(Debug, Clone, Copy)]
pub struct Allowed([(f32, f32); 2]);

impl Allowed {
    /// `bends` gives what the shadow bends at a displacement in cells, along the rows and down the columns.
    pub fn around(bends: impl Fn(i32, i32) -> [f32; 2], most: f32) -> Allowed {
        let mut ranges = [(0.0f32, 0.0f32); 2];
        for (dx, dy) in (-1..=1).flat_map(|dy| (-1..=1).map(move |dx| (dx, dy))) {
            for (range, bend) in ranges.iter_mut().zip(bends(dx, dy)) {
                *range = (range.0.min(STRONGEST * bend), range.1.max(STRONGEST * bend));
            }
        }
        Allowed(ranges.map(|(from, to)| (from - MISFIT * most, to + MISFIT * most)))
    }

    /// Whether a cell of the ground bends otherwise.
    pub fn is_broken(&self, bends: &Bends, i: usize) -> bool {
        let room = BEYOND_NOISE * bends.noise;
        self.0.iter().zip(&bends.planes).any(|(range, plane)| plane[i] < range.0 - room || plane[i] > range.1 + room)
    }
}

/// Fewest cells of a part that stands on a slope, and on a bent backdrop; smaller ones are left out.
const FOR_A_SLOPE: usize = 12;
const FOR_A_BEND: usize = 28;

/// What the parts of a window say together. `side`: cells across the window. `None` where they are too few.
pub fn apart(ground: &Ground, side: usize, seen: &[Seen]) -> Option<Told> {
    let mut sums = Sums::default();
    for part in split(seen, Size { width: side, height: side }).iter().filter(|part| part.len() >= FOR_A_SLOPE) {
        sums.add(ground, seen, part)?;
    }
    sums.told()
}

/// The parts of a window of this size: cells that hang together, by their places in `seen`. Those that the scene breaks and those
/// beside them, which hold some of the same edge, are in none.
fn split(seen: &[Seen], size: Size) -> Vec<Vec<usize>> {
    let mut at = vec![None; size.area()];
    seen.iter().enumerate().for_each(|(k, s)| at[s.place] = Some(k));
    let near = |k: usize| about(seen[k].place, size).filter_map(|place| at[place]);
    let mut done: Vec<bool> = (0..seen.len()).map(|k| near(k).any(|n| seen[n].broken)).collect();
    let mut parts = Vec::new();
    for start in 0..seen.len() {
        if std::mem::replace(&mut done[start], true) {
            continue;
        }
        let mut part = vec![start];
        let mut next = 0;
        while next < part.len() {
            part.extend(near(part[next]).filter(|&n| !std::mem::replace(&mut done[n], true)));
            next += 1;
        }
        parts.push(part);
    }
    parts
}

/// Least squares of one shadow over parts that are each freed of their own backdrop.
#[derive(Default)]
struct Sums {
    along: f64,
    norm: f64,
    left: f64,
    freedom: usize,
    /// Of the shadow as it is.
    squares: f64,
}

impl Sums {
    /// Adds a part; `None` where its backdrop cannot be told.
    fn add(&mut self, ground: &Ground, seen: &[Seen], part: &[usize]) -> Option<()> {
        let terms = if part.len() >= FOR_A_BEND { BACKDROP } else { 3 };
        let mut normal = SMatrix::<f64, BACKDROP, BACKDROP>::identity();
        let (mut shape, mut light) = (SVector::<f64, BACKDROP>::zeros(), SVector::<f64, BACKDROP>::zeros());
        (0..terms).for_each(|k| normal[(k, k)] = 1e-9);
        for Seen { tap, cell, .. } in part.iter().map(|&k| &seen[k]) {
            let (value, plain) = (f64::from(ground.ln[*cell]), f64::from(tap.plain));
            for a in 0..terms {
                let of_a = f64::from(tap.backdrop[a]);
                shape[a] += of_a * plain;
                light[a] += of_a * value;
                for b in 0..terms {
                    normal[(a, b)] += of_a * f64::from(tap.backdrop[b]);
                }
            }
            self.along += plain * value;
            self.norm += plain * plain;
            self.left += value * value;
            self.squares += plain * plain;
        }
        let solved = normal.cholesky()?;
        let freed = solved.solve(&shape);
        self.along -= freed.dot(&light);
        self.norm -= freed.dot(&shape);
        self.left -= solved.solve(&light).dot(&light);
        self.freedom += part.len() - terms;
        Some(())
    }

    fn told(&self) -> Option<Told> {
        if self.norm <= 1e-9 || self.freedom < 8 {
            return None;
        }
        let amplitude = self.along / self.norm;
        let left = (self.left - amplitude * self.along).max(0.0);
        Some(Told { amplitude, variance: left / (self.freedom - 1) as f64 / self.norm, squares: self.squares })
    }
}

#[cfg(test)]
mod tests {
    use motelight_frame::{Colour, FNumber, Micrometres, Millimetres, Size};

    use super::*;
    use crate::bank::Bank;
    use crate::diffraction::{Edge, Light, Shadowing};
    use crate::mend::cells::Cells;
    use crate::mend::question::{Question, Silence};
    use crate::mend::shadow::{LnShadow, Lost};
    use crate::optics::disc_area_um2;

    const SIDE: usize = 41;
    const MIDDLE: f64 = 20.5;

    fn shadow() -> LnShadow {
        let f_number = FNumber::new(16.0).expect("an f-number");
        let shadowing = Shadowing::new(Millimetres(1.0), f_number, Edge::RAYS, Light::of(Colour::Green));
        let shape = Bank::new(shadowing, Micrometres(40.0)).shape(disc_area_um2(Micrometres(30.0)));
        LnShadow::of(Lost::Round { shape, pitch: 6.0 }, 9.0)
    }

    /// Cells with a shadow of some strength in a scene, and noise of a hundredth that no two seeds share.
    fn cells(strength: f64, seed: u32, scene: impl Fn(f64, f64) -> f64) -> Cells {
        let shadow = shadow();
        let noise = |i: usize| {
            let mut hash = (i as u32).wrapping_mul(0x9E37_79B9) ^ seed.wrapping_mul(0x85EB_CA6B);
            (0..3).for_each(|_| hash = (hash ^ (hash >> 15)).wrapping_mul(0x2C1B_3C6D));
            f64::from(hash >> 8) / f64::from(1 << 24) - 0.5
        };
        let ln = |i: usize| {
            let (x, y) = ((i % SIDE) as f64 + 0.5 - MIDDLE, (i / SIDE) as f64 + 0.5 - MIDDLE);
            strength * shadow.at(x, y) + scene(x, y) + 0.01 * 12.0f64.sqrt() * noise(i)
        };
        let size = Size { width: SIDE, height: SIDE };
        let ln = (0..SIDE * SIDE).map(ln).collect();
        Cells { cell: 1, origin: (0.0, 0.0), size, ln, weight: vec![1.0; SIDE * SIDE] }
    }

    fn answers(strength: f64, scene: impl Fn(f64, f64) -> f64 + Copy) -> Vec<(f64, f64)> {
        let shadow = shadow();
        let one = |seed| {
            let cells = cells(strength, seed, scene);
            let question = Question::new(&cells, &shadow, (MIDDLE, MIDDLE));
            let answer = question.ask(&Ground::of(&cells), 0, 0).expect("measured");
            (answer.amplitude, answer.sigma)
        };
        (0..24).map(one).collect()
    }

    /// A roof line, a pole and a dark thing in a corner of the window: what is there is told from what is not, with the error that is
    /// said, on either side of an edge twice as strong as the shadow.
    #[test]
    fn a_shadow_that_an_edge_crosses_is_told_from_none() {
        let roof = |x: f64, y: f64| if y > 1.5 + 0.2 * x { -0.5 } else { 0.05 * x / 9.0 };
        let pole = |x: f64, _: f64| if (-3.0..-1.0).contains(&x) { -1.2 } else { 0.0 };
        let thing = |x: f64, y: f64| if (x - 5.0).hypot(y + 5.0) < 3.0 { -1.5 } else { 0.0 };
        for strength in [0.0, 1.0] {
            for (name, told) in [
                ("roof", answers(strength, roof)),
                ("pole", answers(strength, pole)),
                ("thing", answers(strength, thing)),
            ] {
                for (amplitude, sigma) in &told {
                    assert!(*sigma < 0.25, "{name}: {amplitude} ± {sigma}");
                    assert!(
                        (amplitude - strength).abs() < 4.0 * sigma,
                        "{name}: {amplitude} ± {sigma}, truly {strength}"
                    );
                }
                let mean = told.iter().map(|a| a.0).sum::<f64>() / told.len() as f64;
                assert!((mean - strength).abs() < 0.1, "{name}: {mean}, truly {strength}");
            }
        }
    }

    /// Where the scene breaks nothing, a window that is whole and one that is asked by its parts, for a corner cell is missing, say the same.
    #[test]
    fn one_part_says_what_the_whole_says() {
        let shadow = shadow();
        for seed in 0..8 {
            let mut cells = cells(0.7, seed, |x, y| 0.01 * x - 0.002 * y * y);
            let question = Question::new(&cells, &shadow, (MIDDLE, MIDDLE));
            let whole = question.ask(&Ground::of(&cells), 0, 0).expect("measured");
            cells.weight[12 * SIDE + 20] = 0.0;
            let part = question.ask(&Ground::of(&cells), 0, 0).expect("measured");
            assert!((part.amplitude - whole.amplitude).abs() < 0.2 * whole.sigma, "{part:?} {whole:?}");
            assert!((part.sigma / whole.sigma - 1.0).abs() < 0.05, "{part:?} {whole:?}");
        }
    }

    /// Leaves all over: nothing is left to ask.
    #[test]
    fn among_detail_nothing_is_told() {
        let leaves = |x: f64, y: f64| if ((x / 2.0).floor() + (y / 2.0).floor()) % 2.0 == 0.0 { -0.6 } else { 0.0 };
        let plain_but_for = |x: f64, y: f64| if x.hypot(y) < 11.0 { leaves(x, y) } else { 0.0 };
        let cells = cells(1.0, 1, plain_but_for);
        let question = Question::new(&cells, &shadow(), (MIDDLE, MIDDLE));
        assert_eq!(question.ask(&Ground::of(&cells), 0, 0), Err(Silence::Broken));
    }
}
