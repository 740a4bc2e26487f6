//! Straight rays: the shadow as the mean, over all parts of the pupil, of the mask as each part throws it.

use super::grid::Raster;
use super::pupil::PupilImage;

/// Lines of the pupil per row of the grid.
const LINES: usize = 4;

/// The light lost on the raster's own grid. Sums along a stretch of the pupil are differences of running sums.
pub(super) fn loss(raster: &Raster, pupil: &PupilImage) -> Vec<f32> {
    let width = raster.width;
    let rows = pupil.rows(raster.cell_um, LINES);
    let area: f64 = rows.iter().flat_map(|(_, stretches)| stretches).map(|(from, to)| to - from).sum();
    let mut lost = vec![0.0f32; width * raster.height];
    let mut running = vec![0.0f64; width + 1];
    for source in raster.rows.clone() {
        let mut sum = 0.0;
        for (cell, &stopped) in raster.stopped[source * width..][..width].iter().enumerate() {
            sum += f64::from(stopped);
            running[cell + 1] = sum;
        }
        if sum <= 0.0 {
            continue;
        }
        for (row, stretches) in &rows {
            let target = source as i64 + row;
            if !(0..raster.height as i64).contains(&target) {
                continue;
            }
            let out = &mut lost[target as usize * width..][..width];
            for &(from, to) in stretches {
                // A cell at x gathers the mask between x - to and x - from.
                add_running(out, &running, 0.5 - from, (1.0 / area) as f32);
                add_running(out, &running, 0.5 - to, (-1.0 / area) as f32);
            }
        }
    }
    lost
}

/// Adds `weight` times the running sum at `cell + offset` to every cell.
fn add_running(out: &mut [f32], running: &[f64], offset: f64, weight: f32) {
    let whole = offset.floor();
    let part = (offset - whole) as f32;
    let whole = whole as i64;
    let last = running.len() as i64 - 1;
    let start = (-whole).clamp(0, out.len() as i64) as usize;
    let end = (last - whole).clamp(0, out.len() as i64) as usize;
    let from = (start as i64 + whole) as usize;
    if end > start {
        let pairs = running[from..].windows(2);
        for (cell, pair) in out[start..end].iter_mut().zip(pairs) {
            *cell += weight * (pair[0] as f32 * (1.0 - part) + pair[1] as f32 * part);
        }
    }
    let total = running[running.len() - 1] as f32;
    for cell in &mut out[end.max(start)..] {
        *cell += weight * total;
    }
}
