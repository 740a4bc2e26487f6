//! Whether two pictures are of the same view: what stands still in the scene then stands still on the sensor, and the
//! two tell no more about motes than one.

use motelight_frame::Size;

use crate::trace::sums::Sums;
use crate::trace::view::View;

/// The fine structure of a picture on a coarse grid, in units of its noise.
#[derive(Debug, Clone)]
pub struct Likeness {
    orientation: u8,
    size: Size,
    values: Vec<i8>,
}

/// Points along the longer side.
const LONG: usize = 128;
/// Points along a side of a tile that is compared as a whole.
const TILE: usize = 16;
/// Values are cut off here, in fourths of the noise: motes in a plain sky must not pass for a common scene.
const CUT: f32 = 16.0;

impl Likeness {
    /// Of a picture.
    pub fn of(view: &View, sums: &Sums) -> Likeness {
        let cells = sums.cells();
        let pitch = cells.width.max(cells.height) as f64 / LONG as f64;
        let size = Size {
            width: ((cells.width as f64 / pitch) as usize).saturating_sub(1).max(1),
            height: ((cells.height as f64 / pitch) as usize).saturating_sub(1).max(1),
        };
        let side = pitch / 2.0;
        // Noise of a box of cells against the mean of two.
        let noise = (view.grain / view.cell as f64 * 1.5f64.sqrt() / side).max(1e-4);
        // Boxes half a pitch apart: a point's own, and those that it shares with its neighbours.
        let boxes = |j: usize, i: usize| sums.square((i + 1) as f64 * side, (j + 1) as f64 * side, side);
        let mut values = Vec::with_capacity(size.area());
        let odd = |j: usize| (0..size.width).map(move |i| boxes(2 * j, 2 * i + 1));
        let mut above: Vec<Option<f64>> = odd(0).collect();
        for j in 0..size.height {
            let here: Vec<Option<f64>> = (0..=2 * size.width).map(|i| boxes(2 * j + 1, i)).collect();
            let below: Vec<Option<f64>> = odd(j + 1).collect();
            for (i, (above, below)) in above.iter().zip(&below).enumerate() {
                let fine = || Some(here[2 * i + 1]? - 0.25 * (here[2 * i]? + here[2 * i + 2]? + (*above)? + (*below)?));
                let value = fine().unwrap_or(0.0) / noise;
                values.push((4.0 * value as f32).clamp(-CUT, CUT) as i8);
            }
            above = below;
        }
        Likeness { orientation: view.shot.orientation.exif(), size, values }
    }

    /// Whether another picture shows the same view at the same place. Tiles of structure in both are correlated; different
    /// scenes correlate by chance to about 0.06 a tile.
    pub fn same_view(&self, other: &Likeness) -> bool {
        if self.size != other.size || self.orientation != other.orientation {
            return false;
        }
        let (mut both, mut alike) = (0, 0);
        for top in (0..self.size.height).step_by(TILE) {
            for left in (0..self.size.width).step_by(TILE) {
                if let Some(r) = self.correlation(other, left, top) {
                    both += 1;
                    alike += usize::from(r > 0.5);
                }
            }
        }
        alike >= 2 && 4 * alike >= both
    }

    /// Correlation of a tile that is busy in both pictures.
    fn correlation(&self, other: &Likeness, left: usize, top: usize) -> Option<f64> {
        let (right, bottom) = ((left + TILE).min(self.size.width), (top + TILE).min(self.size.height));
        let (mut ab, mut aa, mut bb, mut count) = (0.0, 0.0, 0.0, 0);
        let (mut busy_a, mut busy_b) = (0, 0);
        for y in top..bottom {
            for x in left..right {
                let (a, b) = (self.values[y * self.size.width + x], other.values[y * self.size.width + x]);
                busy_a += usize::from(a.unsigned_abs() >= 12);
                busy_b += usize::from(b.unsigned_abs() >= 12);
                let (a, b) = (f64::from(a), f64::from(b));
                (ab, aa, bb, count) = (ab + a * b, aa + a * a, bb + b * b, count + 1);
            }
        }
        let busy = count >= 64 && 4 * busy_a > count && 4 * busy_b > count;
        busy.then(|| ab / (aa * bb).sqrt().max(1.0))
    }
}
