//! Shadows that are not round: their outline, measured without a model.

use motelight_frame::{Micrometres, Rect, Size};

use crate::inspect::Kind;
use crate::inspect::fit::{Spot, Wall};

/// Largest outline, cells along one side of its window.
const WINDOW: usize = 400;
/// The window that is tried first: most shadows are far smaller.
const SMALL: usize = 112;

/// Loss at the centre over the greatest loss, below which an outline is that of a ring. A guess.
const HOLLOW: f64 = 0.6;

/// The outline of a shadow by connected cells that lose light.
#[derive(Debug, Clone, PartialEq)]
pub struct Extent {
    /// Centre of the lost light, cells.
    pub x: f64,
    /// Centre of the lost light, cells.
    pub y: f64,
    /// Standard error of the centre along each axis, cells.
    pub x_error: f64,
    /// Lost light summed, µm².
    pub area_um2: f64,
    /// Its standard error, µm².
    pub area_error_um2: f64,
    /// Twice the standard deviation of the lost light along its long axis, µm.
    pub major_um: f64,
    /// The same along its short axis.
    pub minor_um: f64,
    /// Full width along its short axis, where half of the greatest loss is lost, µm; of a ring the width of the whole.
    pub width_um: f64,
    /// Greatest loss of the smoothed cells.
    pub depth: f64,
    /// Loss at the centre over the greatest loss.
    pub hollow: f64,
    /// The outline: which cells of a window, and where that begins.
    inside: Vec<bool>,
    window: Rect,
}

impl Extent {
    /// Its cells.
    pub fn cells(&self) -> impl Iterator<Item = (usize, usize)> {
        let Rect { x, y, width, .. } = self.window;
        (0..self.inside.len()).filter(|&i| self.inside[i]).map(move |i| (x + i % width, y + i / width))
    }

    /// Whether a place lies in the outline or within `margin` cells of it.
    pub fn holds(&self, x: f64, y: f64, margin: isize) -> bool {
        let Rect { x: x0, y: y0, width, height } = self.window;
        let near = |v: f64, start: usize, count: usize| {
            let at = v as isize - start as isize;
            (at - margin).clamp(0, count as isize) as usize..(at + margin + 1).clamp(0, count as isize) as usize
        };
        near(y, y0, height).any(|cy| near(x, x0, width).any(|cx| self.inside[cy * width + cx]))
    }

    /// Whether most of the smaller of two outlines lies in the other.
    pub fn is_same(&self, other: &Extent) -> bool {
        let count = |e: &Extent| e.cells().count();
        let (small, large) = if count(self) < count(other) { (self, other) } else { (other, self) };
        let shared = small.cells().filter(|&(cx, cy)| large.holds(cx as f64, cy as f64, 0)).count();
        2 * shared > count(small)
    }

    /// Whether it reaches the picture's edge.
    pub fn touches(&self, size: Size) -> bool {
        self.cells().any(|(cx, cy)| cx < 2 || cy < 2 || cx + 2 >= size.width || cy + 2 >= size.height)
    }

    /// Lost light over its error.
    pub fn snr(&self) -> f64 {
        self.area_um2 / self.area_error_um2.max(1e-9)
    }

    /// Whether it is clearly longer than wide, the pupil's image taken off.
    pub fn is_long(&self, pupil_um: f64) -> bool {
        let own = |axis: f64| (axis * axis - pupil_um * pupil_um / 4.0).max(0.0).sqrt();
        own(self.major_um) > 2.0 * own(self.minor_um).max(0.25 * pupil_um)
    }

    /// What it looks like, seen through a pupil's image of that diameter.
    pub fn kind(&self, pupil: Micrometres) -> Kind {
        // The pupil's image adds b^2 / 4 to the square of each of these axes (4 times its variance b^2/16).
        let own = |axis: f64| (axis * axis - pupil.0 * pupil.0 / 4.0).max(0.0).sqrt();
        let (long, short) = (own(self.major_um), own(self.minor_um).max(5.0));
        if self.hollow < HOLLOW && self.major_um < 1.6 * self.minor_um {
            Kind::Ring
        } else if self.depth < 0.08 && long > 1.5 * pupil.0 {
            Kind::Residue
        } else if long > 3.0 * short && long > 60.0 {
            Kind::Fibre
        } else if self.depth < 0.35 && long < 1.6 * short && short > 40.0 {
            Kind::Oil
        } else {
            Kind::Grain
        }
    }
}

/// The outline around a spot: cells connected with it whose loss, averaged over `blur` cells around each, exceeds an
/// eighth of the deepest and two and a half times its noise, and a margin around them. `None` where nothing stands
/// out there, or it fills the window.
pub fn extent_of(wall: &Wall, spot: Spot, excess: f64, blur: usize) -> Option<Extent> {
    let blur = blur.clamp(1, 12);
    extent_within(SMALL, wall, spot, excess, blur).or_else(|_| extent_within(WINDOW, wall, spot, excess, blur)).ok()?
}

/// The outline stands on the edge of its window, and goes on past it.
struct Cut;

fn extent_within(side: usize, wall: &Wall, spot: Spot, excess: f64, blur: usize) -> Result<Option<Extent>, Cut> {
    let flat = wall.flat;
    let size = flat.size();
    let corner = |v: f64, end: usize| (v as usize).saturating_sub(side / 2).min(end.saturating_sub(side));
    let (x0, y0) = (corner(spot.x, size.width), corner(spot.y, size.height));
    let (w, h) = (side.min(size.width), side.min(size.height));
    let values = averaged(wall, Rect { x: x0, y: y0, width: w, height: h }, blur);
    let sigma = f64::from(flat.sigma.under(spot.x as usize, spot.y as usize)) * excess;
    let near = 8 + blur;
    let span = |at: f64, from: usize, count: usize| {
        let at = (at as usize).saturating_sub(from);
        at.saturating_sub(near + 1).min(count)..(at + near + 2).min(count)
    };
    let start = span(spot.y, y0, h)
        .flat_map(|y| span(spot.x, x0, w).map(move |x| (x, y)))
        .filter(|(x, y)| ((x + x0) as f64 + 0.5 - spot.x).hypot((y + y0) as f64 + 0.5 - spot.y) < near as f64)
        .map(|(x, y)| y * w + x)
        .max_by(|&a, &b| values[a].total_cmp(&values[b]));
    let Some(start) = start else { return Ok(None) };
    let level = (values[start] / 8.0).max(2.5 * sigma / (2 * blur + 1) as f64);
    if values[start] < 1.6 * level {
        return Ok(None);
    }

    let mut inside = vec![false; w * h];
    let (mut todo, mut members) = (vec![start], Vec::new());
    inside[start] = true;
    while let Some(i) = todo.pop() {
        members.push(i);
        let (x, y) = (i % w, i / w);
        for (nx, ny) in [(x.wrapping_sub(1), y), (x + 1, y), (x, y.wrapping_sub(1)), (x, y + 1)] {
            if nx < w && ny < h && !inside[ny * w + nx] && values[ny * w + nx] > level {
                inside[ny * w + nx] = true;
                todo.push(ny * w + nx);
            }
        }
    }
    members.sort_unstable();
    let bounds =
        members.iter().fold([w, h, 0, 0], |b, &i| [b[0].min(i % w), b[1].min(i / w), b[2].max(i % w), b[3].max(i / w)]);
    // What the averages of the outline and its margin rest on must lie in the window, or past the picture's edge.
    let rim = blur + 3;
    let cut = (bounds[0] < rim && x0 > 0)
        || (bounds[1] < rim && y0 > 0)
        || (bounds[2] + rim >= w && x0 + w < size.width)
        || (bounds[3] + rim >= h && y0 + h < size.height);
    if cut && side < WINDOW {
        return Err(Cut);
    }
    let fills = bounds[2] - bounds[0] + 4 > WINDOW || bounds[3] - bounds[1] + 4 > WINDOW;
    if fills || members.len() < 4 {
        return Ok(None);
    }

    let margin = |i: usize| {
        let (x, y) = (i % w, i / w);
        (y.saturating_sub(2)..(y + 3).min(h))
            .any(|cy| (x.saturating_sub(2)..(x + 3).min(w)).any(|cx| inside[cy * w + cx]))
    };
    let (mut sum, mut sx, mut sy, mut cells) = (0.0, 0.0, 0.0, 0.0);
    let (columns, rows) = (bounds[0].saturating_sub(2)..=bounds[2] + 2, bounds[1].saturating_sub(2)..=bounds[3] + 2);
    let around = rows.flat_map(|y| columns.clone().map(move |x| (x, y))).filter(|&(x, y)| x < w && y < h);
    for i in around.map(|(x, y)| y * w + x).filter(|&i| margin(i)) {
        let loss = f64::from(flat.loss.at(x0 + i % w, y0 + i / w));
        sum += loss;
        cells += 1.0;
        let firm = if inside[i] { values[i] } else { 0.0 };
        sx += firm * ((x0 + i % w) as f64 + 0.5);
        sy += firm * ((y0 + i / w) as f64 + 0.5);
    }
    let firm: f64 = members.iter().map(|&i| values[i]).sum();
    let (x, y) = (sx / firm, sy / firm);
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for &i in &members {
        let (dx, dy) = ((x0 + i % w) as f64 + 0.5 - x, (y0 + i / w) as f64 + 0.5 - y);
        xx += values[i] * dx * dx / firm;
        yy += values[i] * dy * dy / firm;
        xy += values[i] * dx * dy / firm;
    }
    // The averaging itself is that wide.
    let own = (((2 * blur + 1) * (2 * blur + 1) - 1) as f64) / 12.0;
    let (xx, yy) = (xx - own, yy - own);
    let (mean, spread) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
    let axis = |v: f64| 2.0 * v.max(0.0).sqrt() * wall.cell_um;
    let depth = members.iter().map(|&i| values[i]).fold(0.0, f64::max);
    let (cx, cy) = ((x as usize).clamp(x0, x0 + w - 1) - x0, (y as usize).clamp(y0, y0 + h - 1) - y0);
    let cell2 = wall.cell_um * wall.cell_um;
    let (major_um, minor_um, hollow) = (axis(mean + spread), axis(mean - spread), values[cy * w + cx] / depth);
    let half = members.iter().filter(|&&i| values[i] > 0.5 * depth).count() as f64 * cell2;
    let width_um = if hollow < HOLLOW {
        // A thin ring's: its deviation along each axis is its radius over the root of 2.
        std::f64::consts::SQRT_2 * minor_um
    } else {
        // The short axis of an ellipse with that area and the outline's proportions.
        (4.0 / std::f64::consts::PI * half * minor_um / major_um.max(minor_um)).sqrt()
    };
    Ok(Some(Extent {
        x,
        y,
        x_error: sigma * (cells * mean.max(0.1)).sqrt() / firm,
        area_um2: sum * cell2,
        area_error_um2: sigma * f64::sqrt(cells) * cell2,
        major_um,
        minor_um,
        width_um,
        depth,
        hollow,
        inside,
        window: Rect { x: x0, y: y0, width: w, height: h },
    }))
}

/// Loss averaged over squares of `2 blur + 1` cells, unsound cells left out: sums along rows, then along columns.
fn averaged(wall: &Wall, window: Rect, blur: usize) -> Vec<f64> {
    let (w, h) = (window.width, window.height);
    let cells: Vec<(f64, f64)> = (0..w * h)
        .map(|i| {
            let (x, y) = (window.x + i % w, window.y + i / w);
            if wall.sound(x, y) { (f64::from(wall.flat.loss.at(x, y)), 1.0) } else { (0.0, 0.0) }
        })
        .collect();
    let sums = |cells: &[(f64, f64)], at: usize, i: usize, length: usize, stride: usize| {
        let (first, last) = (i.saturating_sub(blur), (i + blur).min(length - 1));
        (first..=last).fold((0.0, 0.0), |sum, j| {
            let c = cells[at + j * stride];
            (sum.0 + c.0, sum.1 + c.1)
        })
    };
    let across: Vec<(f64, f64)> = (0..w * h).map(|i| sums(&cells, i / w * w, i % w, w, 1)).collect();
    let both = (0..w * h).map(|i| sums(&across, i % w, i / w, h, w));
    both.map(|(sum, count)| if count > 0.0 { sum / count } else { 0.0 }).collect()
}
