//! The blur of a picture itself: of its lens, its making and its last resampling.
//!
//! What stands sharp in the scene is as sharp as the picture can be, and a shadow never is: its edge is blurred by the pupil besides.

use motelight_frame::Size;

use super::levels::Level;

/// Rows and columns between those that are looked along.
const EVERY: usize = 8;
/// Least difference of the light across an edge, over the mean of both sides: noise is little against it.
const STEP: f32 = 0.3;
/// Side of a block that is looked at or left out, cells.
const BLOCK: usize = 16;
/// Edges that tell.
const ENOUGH: usize = 300;
/// Share of them that are sharper than what is taken: a slanting one looks softer than it is, a thin line by a third sharper.
const SHARPEST: f64 = 0.05;

/// Blur of the sharpest edges outside some places, standard deviation in px; `None` for too few.
///
/// `places`: centre and width, px. Of an edge of height `h` blurred by a Gaussian the steepest slope is `h / (sqrt(2 pi) sigma)`.
pub(super) fn of_edges(level: &Level, places: impl Iterator<Item = (f64, f64, f64)>) -> Option<f64> {
    let apart = Apart::of(level, places);
    let Size { width, height } = level.light.size();
    let mut found: Vec<f32> = Vec::new();
    for y in (EVERY / 2..height).step_by(EVERY) {
        along(level.light.row(y), |x, blur| found.extend((!apart.holds(x, y)).then_some(blur)));
    }
    let mut column = vec![0.0f32; height];
    for x in (EVERY / 2..width).step_by(EVERY) {
        column.iter_mut().enumerate().for_each(|(y, v)| *v = level.light.at(x, y));
        along(&column, |y, blur| found.extend((!apart.holds(x, y)).then_some(blur)));
    }
    if found.len() < ENOUGH {
        return None;
    }
    let at = (SHARPEST * found.len() as f64) as usize;
    let sharp = *found.select_nth_unstable_by(at, f32::total_cmp).1;
    Some(f64::from(sharp) * level.cell as f64)
}

/// Tells the edges along some light: where each is steepest, and its blur, cells.
fn along(light: &[f32], mut tell: impl FnMut(usize, f32)) {
    let mut start = 0;
    while start + 1 < light.len() {
        let up = light[start + 1] > light[start];
        let mut end = start + 1;
        let mut steepest = (start, (light[end] - light[start]).abs());
        while end + 1 < light.len() && (light[end + 1] > light[end]) == up {
            let slope = (light[end + 1] - light[end]).abs();
            if slope > steepest.1 {
                steepest = (end, slope);
            }
            end += 1;
        }
        let height = (light[end] - light[start]).abs();
        // What the picture's end cuts is not seen whole.
        let whole = start > 0 && end + 1 < light.len();
        if whole && height > 0.5 * STEP * (light[end] + light[start]) && steepest.1 > 0.0 {
            tell(steepest.0, height / (steepest.1 * std::f32::consts::TAU.sqrt()));
        }
        start = end;
    }
}

/// Blocks in which places lie.
struct Apart {
    across: usize,
    held: Vec<bool>,
}

impl Apart {
    fn of(level: &Level, places: impl Iterator<Item = (f64, f64, f64)>) -> Apart {
        let size = level.light.size();
        let (across, down) = (size.width.div_ceil(BLOCK), size.height.div_ceil(BLOCK));
        let mut held = vec![false; across * down];
        let side = (BLOCK * level.cell) as f64;
        for (x, y, width) in places {
            let span = |v: f64, end: usize| {
                ((v - width) / side).max(0.0) as usize..(((v + width) / side).max(0.0) as usize + 1).min(end)
            };
            for j in span(y, down) {
                span(x, across).for_each(|i| held[j * across + i] = true);
            }
        }
        Apart { across, held }
    }

    fn holds(&self, x: usize, y: usize) -> bool {
        self.held[y / BLOCK * self.across + x / BLOCK]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use motelight_frame::Plane;

    const SIZE: Size = Size { width: 640, height: 480 };

    /// Tiles, each second one dark, blurred by a Gaussian.
    fn tiles(sigma: f64, tile: f64) -> Level {
        let mut light = Plane::filled(SIZE, 0.0f32);
        let side = |v: f64| {
            // Dark where the sine is below nothing; the nearest edge decides.
            let (n, off) = ((v / tile).round(), v - tile * (v / tile).round());
            let rise = 0.5 * (1.0 + libm::erf(off / (sigma * 2f64.sqrt())));
            if n as i64 % 2 == 0 { rise } else { 1.0 - rise }
        };
        for y in 0..SIZE.height {
            for x in 0..SIZE.width {
                let (u, v) = (side(x as f64 + 0.3), side(y as f64 + 0.3));
                light.set(x, y, (0.2 + 0.6 * (u * v + (1.0 - u) * (1.0 - v))) as f32);
            }
        }
        Level { cell: 1, light }
    }

    /// The steepest slope of the normal integral: its density in the middle.
    #[test]
    fn the_blur_of_edges_is_told_and_what_lies_in_places_is_left_out() {
        for sigma in [0.8, 1.3, 2.0] {
            let told = of_edges(&tiles(sigma, 20.0), std::iter::empty()).expect("many edges");
            assert!((told / sigma - 1.0).abs() < 0.12, "{told}, wanted {sigma}");
        }
        assert_eq!(of_edges(&tiles(1.0, 900.0), std::iter::empty()), None, "no edge");
        let all = [(320.0, 240.0, 400.0)];
        assert_eq!(of_edges(&tiles(1.0, 20.0), all.into_iter()), None, "all of it is left out");
    }
}
