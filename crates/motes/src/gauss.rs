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

/// The plane under the taps along rows and columns; the border's samples go on past it. Bands of rows, so that both
/// passes stay in the cache.
pub(crate) fn filtered(plane: &Plane, taps: &[f32]) -> Plane {
    const BAND: usize = 48;
    let Size { width, height } = plane.size();
    let reach = taps.len() - 1;
    let mut out = Plane::filled(plane.size(), 0.0f32);
    if plane.size().area() == 0 {
        return out;
    }
    out.data_mut().par_chunks_mut(width * BAND).enumerate().for_each_init(
        || (vec![0.0f32; width * (BAND + 2 * reach)], vec![0.0f32; width + 2 * reach]),
        |(across, padded), (band, rows)| {
            let first = band * BAND;
            let count = rows.len() / width;
            for i in 0..count + 2 * reach {
                let source = plane.row((first + i).saturating_sub(reach).min(height - 1));
                padded[..reach].fill(source[0]);
                padded[reach..reach + width].copy_from_slice(source);
                padded[reach + width..].fill(source[width - 1]);
                weigh(
                    &mut across[i * width..(i + 1) * width],
                    taps,
                    |d| &padded[reach - d..],
                    |d| &padded[reach + d..],
                );
            }
            for (i, row) in rows.chunks_mut(width).enumerate() {
                let middle = i + reach;
                weigh(row, taps, |d| &across[(middle - d) * width..], |d| &across[(middle + d) * width..]);
            }
        },
    );
    out
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
