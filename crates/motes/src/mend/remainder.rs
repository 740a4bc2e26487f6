//! What is left around the middle of a lifted shadow: a mote that lets light through, or is no disc, casts a shadow of another
//! profile than the one that was divided out. Whatever its form, the mean over all directions of what it leaves is a profile of its
//! own, and is measured: ring by ring, against the same measurement at places around where nothing was lifted.

use nalgebra::{SMatrix, SVector};

use crate::mend::cells::Cells;

/// Logarithm of light left over, by distance from the middle of a shadow.
#[derive(Debug, Clone, PartialEq)]
pub struct Remainder {
    /// Breadth of a ring, px.
    breadth: f64,
    /// Ring by ring, from the middle outwards.
    rings: Vec<f64>,
}

impl Remainder {
    /// At a distance, px.
    pub fn at(&self, r: f64) -> f64 {
        let at = (r / self.breadth - 0.5).max(0.0);
        let ring = |i: usize| self.rings.get(i).copied().unwrap_or(0.0);
        let i = at as usize;
        ring(i) + (ring(i + 1) - ring(i)) * (at - i as f64)
    }
}

/// Where a remainder is looked for.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// Middle of the shadow, px.
    pub at: (f64, f64),
    /// Its width, px.
    pub width: f64,
    /// How far it reaches, px.
    pub reach: f64,
}

/// Rings to the width of a shadow.
const RINGS: f64 = 14.0;
/// Nearest and farthest places around that are asked the same, in widths, and the step between them.
const AROUND: (f64, f64) = (1.5, 3.5);
const STEP: f64 = 0.6;
/// Fewest of them that tell how far answers stray.
const FEWEST: usize = 12;
/// What strays no farther than so many times as far as answers do elsewhere is left alone.
const CERTAIN: f64 = 3.0;
/// Most that is corrected, as a share of the shadow's own logarithm in the middle: more is no remainder. A guess.
const MOST: f64 = 0.5;
/// How far answers may stray on ground that is plain enough to tell a remainder, as a share of the same. A guess.
const PLAIN: f64 = 0.06;
/// Parts of a ring that must agree: what the scene has there lies on one side.
const SECTORS: usize = 6;

/// Radius of the cells that [`remainder`] wants around a place, px.
pub fn wanted(asked: &Asked) -> f64 {
    AROUND.1 * asked.width + window(asked)
}

/// Breadth of the ground around a shadow from which the backdrop under it is told, px.
fn window(asked: &Asked) -> f64 {
    asked.reach + 0.45 * asked.width
}

/// What is left in mended cells. `passed` is the light that the shadow let through by distance: noise was divided with the light.
/// `taken` tells places where other shadows may lie. `None` if nothing is left that could be told.
pub fn remainder(
    cells: &Cells,
    asked: &Asked,
    passed: impl Fn(f64) -> f64,
    taken: impl Fn(f64, f64) -> bool,
) -> Option<Remainder> {
    let breadth = (asked.width / RINGS).max(cells.cell as f64);
    let own = rings(cells, asked, asked.at, breadth)?;
    let steps = (AROUND.1 / STEP).ceil() as i32;
    let mut squares = vec![0.0; own.len()];
    let mut places = 0usize;
    for (i, j) in (-steps..=steps).flat_map(|j| (-steps..=steps).map(move |i| (i, j))) {
        let (dx, dy) = (f64::from(i) * STEP * asked.width, f64::from(j) * STEP * asked.width);
        let at = (asked.at.0 + dx, asked.at.1 + dy);
        let far = dx.hypot(dy);
        let near = far < (AROUND.0 * asked.width).max(2.0 * asked.reach) || far > AROUND.1 * asked.width;
        if near || taken(at.0, at.1) {
            continue;
        }
        if let Some(other) = rings(cells, asked, at, breadth) {
            places += 1;
            squares.iter_mut().zip(other).for_each(|(sum, ring)| *sum += ring.left * ring.left);
        }
    }
    if places < FEWEST {
        return None;
    }
    let deep = -passed(0.0).clamp(0.05, 1.0).ln();
    let most = MOST * deep;
    let everywhere = (squares.iter().sum::<f64>() / (places * squares.len()) as f64).sqrt();
    if everywhere > PLAIN * deep {
        return None;
    }
    let left = own.into_iter().zip(squares).enumerate().map(|(i, (ring, squares))| {
        let grain = 1.0 / passed((i as f64 + 0.5) * breadth).clamp(0.05, 1.0);
        let stray =
            CERTAIN * (grain * grain * squares / places as f64 + ring.uneven).sqrt() / ring.left.abs().max(1e-9);
        // As much as is more than chance.
        (ring.left * (1.0 - stray * stray).max(0.0)).clamp(-most, most)
    });
    let rings: Vec<f64> = left.collect();
    rings.iter().any(|v| *v != 0.0).then_some(Remainder { breadth, rings })
}

const TERMS: usize = 6;

/// A ring about a place.
#[derive(Debug, Clone, Copy)]
struct Ring {
    /// Mean of the logarithm of light, against the backdrop.
    left: f64,
    /// Variance of that mean, from how its parts differ.
    uneven: f64,
}

/// Rings about a place, against a backdrop of second order that the ground around tells. `None` where that cannot be
/// measured, or a ring holds nothing.
fn rings(cells: &Cells, asked: &Asked, at: (f64, f64), breadth: f64) -> Option<Vec<Ring>> {
    let window = window(asked);
    let count = (asked.reach / breadth).ceil().max(1.0) as usize;
    let terms = |x: f64, y: f64| SVector::<f64, TERMS>::from([1.0, x, y, x * x, x * y, y * y]);
    let (columns, rows) = cells.around(at.0, at.1, window);
    let inside = |row: usize| columns.clone().map(move |column| (column, row));
    let samples = || {
        rows.clone().flat_map(inside).filter_map(|(column, row)| {
            let (x, y) = cells.centre(column, row);
            let (x, y) = (x - at.0, y - at.1);
            let i = row * cells.size.width + column;
            let r = x.hypot(y);
            (r < window && cells.weight[i] > 0.0).then_some((x / window, y / window, r, cells.ln[i], cells.weight[i]))
        })
    };
    let (mut normal, mut right) = (SMatrix::<f64, TERMS, TERMS>::zeros(), SVector::<f64, TERMS>::zeros());
    // All sides must be there, or the backdrop under the shadow is a guess.
    let mut sides = [0usize; 4];
    for (x, y, _, ln, weight) in samples().filter(|s| s.2 > asked.reach) {
        let t = terms(x, y);
        normal.ger(weight, &t, &t, 1.0);
        right.axpy(weight * ln, &t, 1.0);
        sides[usize::from(x > 0.0) + 2 * usize::from(y > 0.0)] += 1;
    }
    if sides.iter().any(|n| *n < TERMS) {
        return None;
    }
    let backdrop = normal.cholesky()?.solve(&right);
    let mut parts = vec![[(0.0, 0.0); SECTORS]; count];
    for (x, y, r, ln, weight) in samples().filter(|s| s.2 <= asked.reach) {
        let ring = ((r / breadth) as usize).min(count - 1);
        let turn = (y.atan2(x) / std::f64::consts::TAU + 0.5) * SECTORS as f64;
        let (sum, all) = &mut parts[ring][(turn as usize).min(SECTORS - 1)];
        *sum += weight * (ln - backdrop.dot(&terms(x, y)));
        *all += weight;
    }
    // A middle that no cell's centre meets is as what is around it.
    if parts[0].iter().all(|p| p.1 == 0.0) && count > 1 {
        parts[0] = parts[1];
    }
    parts.iter().map(ring_of).collect()
}

fn ring_of(parts: &[(f64, f64); SECTORS]) -> Option<Ring> {
    let (sum, all) = parts.iter().fold((0.0, 0.0), |(sum, all), p| (sum + p.0, all + p.1));
    let left = (all > 0.0).then(|| sum / all)?;
    let met = parts.iter().filter(|p| p.1 > 0.0);
    let count = met.clone().count() as f64;
    let squares: f64 = met.map(|p| (p.0 / p.1 - left).powi(2)).sum();
    // Two parts or fewer tell nothing of how they differ.
    let uneven = if count > 2.0 { squares / (count * (count - 1.0)) } else { 0.0 };
    Some(Ring { left, uneven })
}

#[cfg(test)]
mod tests {
    use motelight_frame::Size;

    use super::*;

    const SIDE: usize = 160;
    const ASKED: Asked = Asked { at: (80.0, 80.0), width: 16.0, reach: 10.0 };

    /// Grain and a slope, and what `left` adds by place from the middle.
    fn cells(left: impl Fn(f64, f64) -> f64) -> Cells {
        let mut state = 1u64;
        let mut grain = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / f64::from(1 << 24) - 0.5
        };
        let ln = (0..SIDE * SIDE).map(|i| {
            let (x, y) = ((i % SIDE) as f64 + 0.5, (i / SIDE) as f64 + 0.5);
            -1.0 + 0.002 * x - 0.001 * y + 0.02 * grain() + left(x - ASKED.at.0, y - ASKED.at.1)
        });
        let (ln, weight) = (ln.collect(), vec![1.0; SIDE * SIDE]);
        Cells { cell: 1, origin: (0.0, 0.0), size: Size { width: SIDE, height: SIDE }, ln, weight }
    }

    fn told(left: impl Fn(f64, f64) -> f64) -> Option<Remainder> {
        remainder(&cells(left), &ASKED, |r| 1.0 - 0.25 * (1.0 - r / 10.0).max(0.0), |_, _| false)
    }

    #[test]
    fn what_is_round_is_told_and_what_lies_on_one_side_is_not() {
        let bump = |x: f64, y: f64| -0.06 * (-(x * x + y * y) / 18.0).exp();
        let rest = told(bump).expect("a bump of five times the grain of a ring");
        for r in [0.0, 2.0, 4.0] {
            assert!((rest.at(r) - bump(r, 0.0)).abs() < 0.012, "{} at {r}", rest.at(r));
        }
        assert!(rest.at(11.0).abs() < 1e-9);
        assert_eq!(told(|_, _| 0.0), None, "grain alone");
        let edge = told(|x, y| if (x + 0.3 * y).abs() < 9.0 && x > 1.0 { -0.06 } else { 0.0 });
        let most = edge.map_or(0.0, |e| (0..10).map(|r| e.at(f64::from(r)).abs()).fold(0.0, f64::max));
        assert!(most < 0.01, "an edge through the middle: {most}");
    }
}
