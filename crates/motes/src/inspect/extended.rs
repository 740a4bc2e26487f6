//! Shadows that are not round: their outline, measured without a model.

use motelight_frame::Micrometres;

use crate::inspect::Kind;
use crate::inspect::fit::{Spot, Wall};

/// Largest outline, cells along one side of its window.
const WINDOW: usize = 240;

/// The outline of a shadow by connected cells that lose light.
#[derive(Debug, Clone, Copy, PartialEq)]
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
    /// Greatest loss of the smoothed cells.
    pub depth: f64,
    /// Loss at the centre over the greatest loss.
    pub hollow: f64,
    bounds: [usize; 4],
}

impl Extent {
    /// Whether a place lies within the outline's bounds.
    pub fn holds(&self, x: f64, y: f64) -> bool {
        let [x0, y0, x1, y1] = self.bounds.map(|v| v as f64);
        x >= x0 && x <= x1 && y >= y0 && y <= y1
    }

    /// Whether it is clearly longer or larger than a round shadow `width_um` wide.
    pub fn differs(&self, width_um: f64) -> bool {
        self.major_um > 1.7 * self.minor_um || self.major_um > 0.8 * width_um
    }

    /// What it looks like, seen through a pupil's image of that diameter.
    pub fn kind(&self, pupil: Micrometres) -> Kind {
        // The pupil's image adds b^2 / 4 to the square of each of these axes (4 times its variance b^2/16).
        let own = |axis: f64| (axis * axis - pupil.0 * pupil.0 / 4.0).max(0.0).sqrt();
        let (long, short) = (own(self.major_um), own(self.minor_um).max(5.0));
        if self.hollow < 0.6 {
            Kind::Ring
        } else if self.depth < 0.08 && self.minor_um > 1.5 * pupil.0 {
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

/// The outline around a spot: cells connected with it whose smoothed loss exceeds an eighth of the deepest and three
/// times their noise, and a margin of two cells around them. `None` where nothing stands out there, or it fills the window.
pub fn extent_of(wall: &Wall, spot: Spot, excess: f64) -> Option<Extent> {
    let flat = wall.flat;
    let size = flat.size();
    let corner = |v: f64, end: usize| (v as usize).saturating_sub(WINDOW / 2).min(end.saturating_sub(WINDOW));
    let (x0, y0) = (corner(spot.x, size.width), corner(spot.y, size.height));
    let (w, h) = (WINDOW.min(size.width), WINDOW.min(size.height));
    let smooth = |x: usize, y: usize| {
        let mut sum = 0.0;
        let mut count = 0.0;
        for cy in (y0 + y).saturating_sub(1)..(y0 + y + 2).min(size.height) {
            for cx in (x0 + x).saturating_sub(1)..(x0 + x + 2).min(size.width) {
                if wall.sound(cx, cy) {
                    sum += f64::from(flat.loss.at(cx, cy));
                    count += 1.0;
                }
            }
        }
        if count > 4.0 { sum / count } else { 0.0 }
    };
    let values: Vec<f64> = (0..w * h).map(|i| smooth(i % w, i / w)).collect();
    let sigma = f64::from(flat.sigma.under(spot.x as usize, spot.y as usize)) * excess;
    let start = (0..w * h)
        .filter(|i| ((i % w + x0) as f64 + 0.5 - spot.x).hypot((i / w + y0) as f64 + 0.5 - spot.y) < 8.0)
        .max_by(|&a, &b| values[a].total_cmp(&values[b]))?;
    let level = (values[start] / 8.0).max(sigma);
    if values[start] < 1.5 * level {
        return None;
    }

    let mut inside = vec![false; w * h];
    let mut todo = vec![start];
    inside[start] = true;
    while let Some(i) = todo.pop() {
        let (x, y) = (i % w, i / w);
        for (nx, ny) in [(x.wrapping_sub(1), y), (x + 1, y), (x, y.wrapping_sub(1)), (x, y + 1)] {
            if nx < w && ny < h && !inside[ny * w + nx] && values[ny * w + nx] > level {
                inside[ny * w + nx] = true;
                todo.push(ny * w + nx);
            }
        }
    }
    let members: Vec<usize> = (0..w * h).filter(|&i| inside[i]).collect();
    let bounds =
        members.iter().fold([w, h, 0, 0], |b, &i| [b[0].min(i % w), b[1].min(i / w), b[2].max(i % w), b[3].max(i / w)]);
    let fills = bounds[2] - bounds[0] + 4 > WINDOW || bounds[3] - bounds[1] + 4 > WINDOW;
    if fills || members.len() < 4 {
        return None;
    }

    let margin = |i: usize| {
        let (x, y) = (i % w, i / w);
        (y.saturating_sub(2)..(y + 3).min(h))
            .any(|cy| (x.saturating_sub(2)..(x + 3).min(w)).any(|cx| inside[cy * w + cx]))
    };
    let (mut sum, mut sx, mut sy, mut cells) = (0.0, 0.0, 0.0, 0.0);
    for i in (0..w * h).filter(|&i| margin(i)) {
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
    let (mean, spread) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
    let axis = |v: f64| 2.0 * v.max(0.0).sqrt() * wall.cell_um;
    let depth = members.iter().map(|&i| values[i]).fold(0.0, f64::max);
    let (cx, cy) = ((x as usize).clamp(x0, x0 + w - 1) - x0, (y as usize).clamp(y0, y0 + h - 1) - y0);
    let cell2 = wall.cell_um * wall.cell_um;
    Some(Extent {
        x,
        y,
        x_error: sigma * (cells * mean).sqrt() / firm,
        area_um2: sum * cell2,
        area_error_um2: sigma * f64::sqrt(cells) * cell2,
        major_um: axis(mean + spread),
        minor_um: axis(mean - spread),
        depth,
        hollow: values[cy * w + cx] / depth,
        bounds: [bounds[0] + x0, bounds[1] + y0, bounds[2] + x0, bounds[3] + y0],
    })
}
