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
        let values = (0..size.area())
            .map(|p| {
                let (x, y) = (((p % size.width) as f64 + 1.0) * pitch, ((p / size.width) as f64 + 1.0) * pitch);
                let mean = |dx: f64, dy: f64| sums.square(x + dx, y + dy, side);
                let half = pitch / 2.0;
                let fine = || {
                    let around = mean(-half, 0.0)? + mean(half, 0.0)? + mean(0.0, -half)? + mean(0.0, half)?;
                    Some(mean(0.0, 0.0)? - 0.25 * around)
                };
                let value = fine().unwrap_or(0.0) / noise;
                (4.0 * value as f32).clamp(-CUT, CUT) as i8
            })
            .collect();
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
