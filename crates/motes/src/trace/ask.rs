//! One picture asked about one place: how much darker it is than around, for a patch of places about it.

use crate::trace::arrive::strange_share;
use crate::trace::response::Noise;
use crate::trace::sums::{Sums, reach};
use crate::trace::view::{PATCH, View};

/// Places along a side of a patch.
pub const SIDE: usize = 7;
const MIDDLE: usize = SIDE * SIDE / 2;

/// How far answers stray in a picture, for several widths of shadow told by their stand-offs, rising.
#[derive(Debug, Clone)]
pub struct Strays(pub Vec<(f64, Option<Noise>)>);

impl Strays {
    /// Standard error of an answer at a place (cells), between the widths that were measured; infinite where unknown.
    /// `uneven`: variance of the boxes nearby, and how many values it rests on.
    pub fn sigma(&self, stand_off_mm: f64, at: (f64, f64), uneven: (f64, f64)) -> f64 {
        let of = |i: usize| {
            let noise = self.0.get(i).and_then(|(_, n)| n.as_ref());
            noise.map_or(f64::INFINITY, |n| n.sigma(at.0, at.1, uneven.0, uneven.1))
        };
        let above = self.0.partition_point(|(h, _)| *h < stand_off_mm);
        if above == 0 {
            return of(0);
        }
        if above == self.0.len() {
            return of(above - 1);
        }
        let (low, high) = (self.0[above - 1].0, self.0[above].0);
        let t = (stand_off_mm / low).ln() / (high / low).ln();
        let (a, b) = (of(above - 1), of(above));
        if a.is_infinite() || b.is_infinite() { a.min(b) } else { (a.ln() * (1.0 - t) + b.ln() * t).exp() }
    }
}

impl Strays {
    /// Share of answers that have nothing to do with motes or noise, for shadows of a stand-off.
    pub fn strange(&self, stand_off_mm: f64) -> f64 {
        let off = |h: f64| (h / stand_off_mm).ln().abs();
        let nearest = self.0.iter().min_by(|a, b| off(a.0).total_cmp(&off(b.0)));
        strange_share(nearest.and_then(|(_, n)| n.as_ref()).map_or(0.0, |n| n.beyond))
    }
}

/// What a picture says of a place.
#[derive(Debug, Clone)]
pub struct Told {
    /// How much darker than around each place of the patch is, as a logarithm, row by row; NaN outside the picture.
    pub darker: [f32; SIDE * SIDE],
    /// Standard error.
    pub sigma: f32,
}

/// Asks about a place (mm) alone, for shadows of `stand_off_mm`: how much darker it is than around, as a logarithm, and the
/// standard error of that. `None` where nothing can be measured.
pub fn ask_middle(view: &View, strays: &Strays, at: (f64, f64), stand_off_mm: f64) -> Option<(f64, f64)> {
    let (x, y) = view.cells_at(at);
    let width = width(view, stand_off_mm);
    middle(view, &Sums::near(&view.ln, (x, y), reach(width, 0.0)), strays, (x, y), stand_off_mm)
}

/// Asks about a place (mm) and the places `step_mm` apart around it, for shadows of `stand_off_mm`. `None` where nothing
/// can be measured.
pub fn ask(view: &View, strays: &Strays, at: (f64, f64), stand_off_mm: f64, step_mm: f64) -> Option<Told> {
    let (x, y) = view.cells_at(at);
    let (width, step) = (width(view, stand_off_mm), step_mm * 1000.0 / view.cell_um());
    let sums = Sums::near(&view.ln, (x, y), reach(width, step));
    let (_, sigma) = middle(view, &sums, strays, (x, y), stand_off_mm)?;
    Some(Told { darker: sums.patch(x, y, width, step), sigma: sigma as f32 })
}

fn middle(view: &View, sums: &Sums, strays: &Strays, (x, y): (f64, f64), stand_off_mm: f64) -> Option<(f64, f64)> {
    let cells = view.ln.size();
    if x < 0.0 || y < 0.0 || x >= cells.width as f64 || y >= cells.height as f64 {
        return None;
    }
    let width = width(view, stand_off_mm);
    if !sound(view, (x, y), width) {
        return None;
    }
    let (darker, uneven) = sums.darker_and_unevenness(x, y, width)?;
    let sigma = strays.sigma(stand_off_mm, (x, y), uneven);
    sigma.is_finite().then_some((darker, sigma))
}

/// Width of a shadow of `stand_off_mm`, cells.
fn width(view: &View, stand_off_mm: f64) -> f64 {
    stand_off_mm * 1000.0 / view.f_number.exact() / view.cell_um()
}

fn sound(view: &View, at: (f64, f64), width: f64) -> bool {
    let reach = 1.9 * width;
    let (columns, rows) = (view.unsound.width(), view.unsound.height());
    let span = |v: f64, end: usize| {
        let low = ((v - reach).max(0.0) / PATCH as f64) as usize;
        let high = ((v + reach).max(0.0) / PATCH as f64) as usize;
        low..=high.min(end - 1)
    };
    span(at.1, rows).all(|j| span(at.0, columns).all(|i| !view.unsound.at(i, j)))
}

/// Where a patch of sums has its highest place: offsets in steps, by a parabola through the highest and its neighbours.
pub fn top(patch: &[f64; SIDE * SIDE]) -> ((f64, f64), f64) {
    let best = (0..patch.len()).max_by(|&a, &b| patch[a].total_cmp(&patch[b])).unwrap_or(MIDDLE);
    let (i, j) = (best % SIDE, best / SIDE);
    let bend = |before: Option<f64>, here: f64, after: Option<f64>| match (before, after) {
        (Some(a), Some(b)) if a + b - 2.0 * here < 0.0 => (0.5 * (a - b) / (a + b - 2.0 * here)).clamp(-0.5, 0.5),
        _ => 0.0,
    };
    let at = |i: usize, j: usize| (i < SIDE && j < SIDE).then(|| patch[j * SIDE + i]);
    let half = (SIDE / 2) as f64;
    let dx = bend(i.checked_sub(1).and_then(|i| at(i, j)), patch[best], at(i + 1, j));
    let dy = bend(j.checked_sub(1).and_then(|j| at(i, j)), patch[best], at(i, j + 1));
    ((i as f64 - half + dx, j as f64 - half + dy), patch[best])
}
