//! The luminance of a picture on coarser and coarser cells.

use std::ops::Range;

use motelight_frame::{Frame, Layout, PicturePoint, Plane, Rect, Size};
use rayon::prelude::*;

use crate::gauss::halved;
use crate::grid::median_and_sigma;

/// Long side from which the finest cells are 2 x 2 px: there a cell is below 6 µm of a 36 mm sensor, less than
/// a third of the narrowest shadow of practice (20 µm: half a millimetre of stand-off at f/22).
const LARGE: usize = 6200;

/// Rows of cells whose light is made in one go.
const ROWS: usize = 16;

/// Luminance in linear light, white = 1, on square cells.
#[derive(Debug, Clone)]
pub(super) struct Level {
    /// Side of a cell, px.
    pub cell: usize,
    /// Mean light per cell.
    pub light: Plane,
}

/// The picture on cells of its own, then of twice the side each, until `widest_px` is no wider than eight cells.
pub(super) fn levels(frame: &Frame, widest_px: f64) -> Vec<Level> {
    let size = frame.size();
    let long = size.width.max(size.height);
    let mosaic = matches!(frame.layout, Layout::Mosaic(_));
    let cell = if mosaic || long > LARGE { 2 } else { 1 };
    let mut all = vec![Level { cell, light: luminance(frame, cell) }];
    loop {
        let last = &all[all.len() - 1];
        let small = last.light.width().min(last.light.height()) < 32;
        if small || widest_px / last.cell as f64 <= 8.0 {
            return all;
        }
        let next = Level { cell: 2 * last.cell, light: halved(&last.light) };
        all.push(next);
    }
}

/// Cells across a mark from which on nothing of it is lost.
pub(super) const ACROSS: f64 = 7.0;

/// The coarsest cells of which a width, px, is at least seven wide; the finest where none is so fine.
pub(super) fn seven_across(levels: &[Level], width_px: f64) -> &Level {
    levels.iter().rev().find(|l| width_px / l.cell as f64 >= ACROSS).unwrap_or(&levels[0])
}

/// Offsets from a place, and column and row, of the cells within reach of it in every `step`th row and column.
pub(super) fn cells_about(
    size: Size,
    x: f64,
    y: f64,
    reach: f64,
    step: usize,
) -> impl Iterator<Item = (f64, f64, usize, usize)> {
    let span = move |v: f64, end: usize| {
        (v - reach).floor().max(0.0) as usize..((v + reach).ceil().max(0.0) as usize + 1).min(end)
    };
    let columns = span(x, size.width);
    span(y, size.height).step_by(step).flat_map(move |j| {
        columns.clone().step_by(step).filter_map(move |i| {
            let (dx, dy) = (i as f64 + 0.5 - x, j as f64 + 0.5 - y);
            ((dx * dx + dy * dy).sqrt() <= reach).then_some((dx, dy, i, j))
        })
    })
}

/// Column and row of a level's cells so far from a place of the picture, in widths of what lies there.
pub(super) fn about(level: &Level, at: PicturePoint, width_px: f64, within: Range<f64>) -> Vec<(usize, usize)> {
    let cell = level.cell as f64;
    let (x, y, width) = (at.x / cell, at.y / cell, width_px / cell);
    let cells = cells_about(level.light.size(), x, y, within.end * width, 1);
    cells.filter(|(dx, dy, ..)| within.contains(&(dx.hypot(*dy) / width))).map(|(_, _, i, j)| (i, j)).collect()
}

/// Their light: median and usual deviation.
pub(super) fn usual_light(level: &Level, cells: &[(usize, usize)]) -> (f32, f32) {
    median_and_sigma(&mut cells.iter().map(|&(i, j)| level.light.at(i, j)).collect::<Vec<f32>>())
}

/// Light of a colour in the middle of a cell, column and row of a level.
pub(super) fn light(frame: &Frame, plane: usize, cell: usize, (x, y): (usize, usize)) -> f64 {
    let at = |v: usize| v * cell + cell / 2;
    f64::from(frame.planes.at(plane, at(x), at(y)))
}

/// Its mean over some cells.
pub(super) fn mean_light(frame: &Frame, plane: usize, cell: usize, cells: &[(usize, usize)]) -> f64 {
    cells.iter().map(|&at| light(frame, plane, cell, at)).sum::<f64>() / cells.len() as f64
}

fn luminance(frame: &Frame, cell: usize) -> Plane {
    let size = frame.size();
    let cells = Size { width: (size.width / cell).max(1), height: (size.height / cell).max(1) };
    let weights: Vec<f32> = if frame.planes.len() == 3 { frame.luminance.to_vec() } else { vec![1.0] };
    let share = 1.0 / (cell * cell) as f32;
    let mut out = Plane::filled(cells, 0.0f32);
    // A few rows at a time, for the light of a JPEG is made where it is looked at.
    out.data_mut().par_chunks_mut(cells.width * ROWS).enumerate().for_each(|(band, rows)| {
        let (y, height) = (band * ROWS * cell, (rows.len() / cells.width * cell).min(size.height));
        for (plane, weight) in weights.iter().enumerate() {
            let weight = weight * share;
            let light = frame.planes.window(plane, Rect { x: 0, y, width: size.width, height });
            for (j, row) in rows.chunks_exact_mut(cells.width).enumerate() {
                for of in (0..cell.min(size.height)).map(|k| light.row(j * cell + k)) {
                    if cell == 1 {
                        row.iter_mut().zip(of).for_each(|(v, l)| *v += weight * l);
                    } else {
                        let sums = of.chunks_exact(cell).map(|l| l.iter().sum::<f32>());
                        row.iter_mut().zip(sums).for_each(|(v, l)| *v += weight * l);
                    }
                }
            }
        }
    });
    out
}
