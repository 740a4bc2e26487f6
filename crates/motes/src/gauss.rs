//! Planes averaged through Gaussian weights, and planes of half the size.

use motelight_frame::{Plane, Size, widest};
use rayon::prelude::*;

/// Half the size: means of 2 x 2.
pub(crate) fn halved(plane: &Plane) -> Plane {
    let size = Size { width: plane.width() / 2, height: plane.height() / 2 };
    let mut out = Plane::filled(size, 0.0f32);
    out.data_mut().par_chunks_mut(size.width.max(1)).enumerate().for_each(|(y, row)| {
        let (a, b) = (plane.row(2 * y), plane.row(2 * y + 1));
        for ((v, p), q) in row.iter_mut().zip(a.chunks_exact(2)).zip(b.chunks_exact(2)) {
            *v = 0.25 * (p[0] + p[1] + q[0] + q[1]);
        }
    });
    out
}

/// Taps of a Gaussian from its middle out to three standard deviations; over both sides their sum is 1.
pub(crate) fn gaussian(sigma: f64) -> Vec<f32> {
    let reach = (3.0 * sigma).ceil() as usize;
    let taps: Vec<f64> = (0..=reach).map(|i| libm::exp(-0.5 * (i as f64 / sigma).powi(2))).collect();
    let sum = 2.0 * taps.iter().sum::<f64>() - taps[0];
    taps.iter().map(|t| (t / sum) as f32).collect()
}

/// Rows that are filtered in one go, so that both passes stay in the cache.
const BAND: usize = 48;

/// The plane under the taps along rows and columns; the border's samples go on past it.
pub(crate) fn filtered(plane: &Plane, taps: &[f32]) -> Plane {
    let width = plane.width();
    let mut out = Plane::filled(plane.size(), 0.0f32);
    out.data_mut().par_chunks_mut((width * BAND).max(1)).enumerate().for_each_init(
        || Across::new(width, taps),
        |across, (band, rows)| {
            across.pass(plane, band * BAND, rows.len() / width);
            rows.chunks_mut(width).enumerate().for_each(|(i, row)| across.row(i, row));
        },
    );
    out
}

/// The plane under two sets of taps, and the two joined: `join` finds the first in the place of the result.
pub(crate) fn filtered_twice(plane: &Plane, taps: [&[f32]; 2], join: impl Fn(&mut f32, f32) + Sync) -> Plane {
    let width = plane.width();
    let mut out = Plane::filled(plane.size(), 0.0f32);
    out.data_mut().par_chunks_mut((width * BAND).max(1)).enumerate().for_each_init(
        || (taps.map(|taps| Across::new(width, taps)), vec![0.0f32; width]),
        |([first, second], other), (band, rows)| {
            let count = rows.len() / width;
            first.pass(plane, band * BAND, count);
            second.pass(plane, band * BAND, count);
            for (i, row) in rows.chunks_mut(width).enumerate() {
                first.row(i, row);
                second.row(i, other);
                row.iter_mut().zip(other.iter()).for_each(|(v, o)| join(v, *o));
            }
        },
    );
    out
}

/// A band of rows under taps along them.
struct Across<'t> {
    taps: &'t [f32],
    width: usize,
    /// The band, with as many rows before and behind as the taps reach.
    rows: Vec<f32>,
    padded: Vec<f32>,
}

impl Across<'_> {
    fn new(width: usize, taps: &[f32]) -> Across<'_> {
        let reach = taps.len() - 1;
        Across { taps, width, rows: vec![0.0; width * (BAND + 2 * reach)], padded: vec![0.0; width + 2 * reach] }
    }

    /// Takes in `count` rows of a plane from `first` on.
    fn pass(&mut self, plane: &Plane, first: usize, count: usize) {
        let (width, reach, padded) = (self.width, self.taps.len() - 1, &mut self.padded);
        for i in 0..count + 2 * reach {
            let source = plane.row((first + i).saturating_sub(reach).min(plane.height() - 1));
            padded[..reach].fill(source[0]);
            padded[reach..reach + width].copy_from_slice(source);
            padded[reach + width..].fill(source[width - 1]);
            let out = &mut self.rows[i * width..(i + 1) * width];
            weigh(out, self.taps, |d| &padded[reach - d..], |d| &padded[reach + d..]);
        }
    }

    /// Row `i` of the band under the taps along columns too.
    fn row(&self, i: usize, out: &mut [f32]) {
        let middle = i + self.taps.len() - 1;
        let at = |row: usize| &self.rows[row * self.width..];
        weigh(out, self.taps, |d| at(middle - d), |d| at(middle + d));
    }
}

/// The sum over all taps of what lies so far before and behind.
fn weigh<'a>(out: &mut [f32], taps: &[f32], before: impl Fn(usize) -> &'a [f32], behind: impl Fn(usize) -> &'a [f32]) {
    widest(|| {
        out.iter_mut().zip(before(0)).for_each(|(o, v)| *o = taps[0] * v);
        for (d, &tap) in taps.iter().enumerate().skip(1) {
            for ((o, a), b) in out.iter_mut().zip(before(d)).zip(behind(d)) {
                *o += tap * (a + b);
            }
        }
    });
}
