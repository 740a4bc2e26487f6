//! A window that edges of the scene cross, asked part by part.
//!
//! A roof line or a twig bends the light's logarithm where no shadow would. What is so bent is left out, and the parts
//! that it leaves stand each on a backdrop of its own: half a shadow before a plain sky is told as well as half a shadow can be.

use nalgebra::{SMatrix, SVector};

use crate::mend::question::{BACKDROP, Ground, Tap};

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

/// What the shadow itself may bend at a cell: from, to, along the rows and down the columns, as a share of which is noise is added.
#[derive(Debug, Clone, Copy, Default)]
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

/// Amplitude, its variance, and the sum of squares of the shadow in what was measured. `side`: cells across the window, `seen`: its cells with
/// their places in the window and in the ground, `broken`: which of them the scene breaks.
pub fn apart(ground: &Ground, side: usize, seen: &[(&Tap, usize, usize)], broken: &[bool]) -> Option<(f64, f64, f64)> {
    let mut at = vec![usize::MAX; side * side];
    seen.iter().enumerate().for_each(|(k, s)| at[s.1] = k);
    let neighbours = |place: usize| {
        let (x, y) = (place % side, place / side);
        (y.saturating_sub(1)..(y + 2).min(side))
            .flat_map(move |v| (x.saturating_sub(1)..(x + 2).min(side)).map(move |u| v * side + u))
    };
    // A cell beside a broken one holds some of the same edge.
    let mut done: Vec<bool> =
        seen.iter().map(|s| neighbours(s.1).any(|n| at[n] != usize::MAX && broken[at[n]])).collect();
    let (mut along, mut norm, mut squares, mut freedom, mut measured) = (0.0, 0.0, 0.0, 0usize, 0.0);
    let mut part = Vec::new();
    for start in 0..seen.len() {
        if std::mem::replace(&mut done[start], true) {
            continue;
        }
        part.clear();
        part.push(start);
        let mut next = 0;
        while next < part.len() {
            for n in neighbours(seen[part[next]].1) {
                if at[n] != usize::MAX && !std::mem::replace(&mut done[at[n]], true) {
                    part.push(at[n]);
                }
            }
            next += 1;
        }
        let terms = if part.len() >= FOR_A_BEND { BACKDROP } else { 3 };
        if part.len() < FOR_A_SLOPE {
            continue;
        }
        let mut normal = SMatrix::<f64, BACKDROP, BACKDROP>::identity();
        let (mut shape, mut light) = (SVector::<f64, BACKDROP>::zeros(), SVector::<f64, BACKDROP>::zeros());
        (0..terms).for_each(|k| normal[(k, k)] = 1e-9);
        for &k in &part {
            let (tap, _, i) = seen[k];
            let (value, plain) = (f64::from(ground.ln[i]), f64::from(tap.plain));
            for a in 0..terms {
                let of_a = f64::from(tap.backdrop[a]);
                shape[a] += of_a * plain;
                light[a] += of_a * value;
                for b in 0..terms {
                    normal[(a, b)] += of_a * f64::from(tap.backdrop[b]);
                }
            }
            along += plain * value;
            norm += plain * plain;
            squares += value * value;
        }
        measured += part.iter().map(|&k| f64::from(seen[k].0.plain).powi(2)).sum::<f64>();
        let solved = normal.cholesky()?;
        let freed = solved.solve(&shape);
        along -= freed.dot(&light);
        norm -= freed.dot(&shape);
        squares -= solved.solve(&light).dot(&light);
        freedom += part.len() - terms;
    }
    if norm <= 1e-9 || freedom < 8 {
        return None;
    }
    let amplitude = along / norm;
    let left = (squares - amplitude * along).max(0.0);
    Some((amplitude, left / (freedom - 1) as f64 / norm, measured))
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
