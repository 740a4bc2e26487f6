//! The sums of a fit over the cells of its window. Most of an inspection's time is spent here.

use std::array::from_fn;

use motelight_frame::widest;

use crate::bank::Shape;
use crate::lanes::{dot, sum};

/// Place, area and a sloping backdrop: level, slope right, slope down.
pub(super) const PARAMETERS: usize = 6;

/// The cells of a window: their centres from the window's, cells, and the light each has lost.
#[derive(Debug, Default)]
pub(super) struct Cells {
    x: Vec<f64>,
    y: Vec<f64>,
    loss: Vec<f64>,
}

/// Sums of products over the cells: of the shadow's derivatives (by its place right and down, and by its area) with each other,
/// with the backdrop's (1, x, y), and of both with the residual.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sums {
    /// xx, xy, yy, xa, ya, aa.
    pub own: [f64; 6],
    /// Of x, y and a with the backdrop's three.
    pub cross: [[f64; 3]; 3],
    /// Of x, y and a with the residual.
    pub right: [f64; 3],
    /// Of the backdrop's three with the residual.
    pub level: [f64; 3],
    /// Squares of the residual.
    pub squares: f64,
}

impl Cells {
    /// One cell more.
    pub fn push(&mut self, x: f64, y: f64, loss: f64) {
        self.x.push(x);
        self.y.push(y);
        self.loss.push(loss);
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.x.len()
    }

    /// Their centres.
    pub fn places(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.x.iter().copied().zip(self.y.iter().copied())
    }

    /// The sums at parameters `p`, for a shadow of `shape`.
    pub fn sums(&self, shape: &Shape, cell_um: f64, p: &[f64; PARAMETERS]) -> Sums {
        let Cells { x, y, loss } = self;
        let empty = || vec![0.0; x.len()];
        // The table is asked between two loops over all cells, which take several in one instruction.
        let mut r = empty();
        widest(|| {
            for ((r, x), y) in r.iter_mut().zip(x).zip(y) {
                *r = ((x - p[0]) * (x - p[0]) + (y - p[1]) * (y - p[1])).sqrt();
            }
        });
        let (mut residual, mut slope, mut of) = (empty(), empty(), from_fn::<_, 3, _>(|_| empty()));
        for (((r, residual), slope), by_area) in r.iter().zip(&mut residual).zip(&mut slope).zip(&mut of[2]) {
            (*residual, *slope, *by_area) = shape.at(r * cell_um);
        }
        widest(|| {
            let [right, down, _] = &mut of;
            for ((((right, down), slope), r), (x, y)) in
                right.iter_mut().zip(down).zip(&slope).zip(&r).zip(x.iter().zip(y))
            {
                let pull = -slope * cell_um / r.max(1e-9);
                (*right, *down) = (pull * (x - p[0]), pull * (y - p[1]));
            }
            for ((residual, loss), (x, y)) in residual.iter_mut().zip(loss).zip(x.iter().zip(y)) {
                *residual = loss - *residual - p[3] - p[4] * x - p[5] * y;
            }
        });
        let dot = |a: &[f64], b: &[f64]| widest(|| dot(a, b));
        let backdrop = |of: &[f64]| [widest(|| sum(of)), dot(of, x), dot(of, y)];
        Sums {
            own: [(0, 0), (0, 1), (1, 1), (0, 2), (1, 2), (2, 2)].map(|(i, j)| dot(&of[i], &of[j])),
            cross: from_fn(|i| backdrop(&of[i])),
            right: from_fn(|i| dot(&of[i], &residual)),
            level: backdrop(&residual),
            squares: dot(&residual, &residual),
        }
    }
}

#[cfg(test)]
mod tests {
    use motelight_frame::{FNumber, Micrometres, Millimetres};

    use super::*;
    use crate::bank::Bank;
    use crate::diffraction::{Edge, Light, Shadowing};

    /// The gradient of a sum of squares is twice the sum of the residual by each derivative: asked by difference quotients.
    #[test]
    fn the_sums_with_the_residual_are_the_slopes_of_its_squares() {
        let n = FNumber::new(16.0).expect("in range");
        let bank = Bank::new(
            Shadowing::new(Millimetres(1.1), n, Edge::RAYS, Light::mixed([1.0, 2.0, 1.0])),
            Micrometres(150.0),
        );
        // 19 x 19 cells of 8 µm: not a multiple of the lanes.
        let mut cells = Cells::default();
        for (i, (x, y)) in (0..19).flat_map(|y| (0..19).map(move |x| (x, y))).enumerate() {
            cells.push(f64::from(x) - 9.0, f64::from(y) - 9.0, 0.01 * (i as f64 * 0.7).sin());
        }
        let p = [0.31, -0.42, 700.0, 0.01, -0.002, 0.003];
        let at = |p: [f64; PARAMETERS]| cells.sums(&bank.shape(p[2]), 8.0, &p);
        let Sums { right, level, .. } = at(p);
        for (i, slope) in right.into_iter().chain(level).enumerate() {
            let by = [1e-4, 1e-4, 1e-2, 1e-5, 1e-5, 1e-5][i];
            let moved = |by: f64| at(from_fn(|j| if i == j { p[j] + by } else { p[j] })).squares;
            let numeric = (moved(by) - moved(-by)) / (2.0 * by);
            assert!((numeric + 2.0 * slope).abs() <= 0.02 * numeric.abs(), "{i}: {numeric} against {}", -2.0 * slope);
        }
    }
}
