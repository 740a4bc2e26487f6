//! Planes averaged through Gaussian weights, and planes of half the size.

use motelight_frame::{Plane, Size};
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

/// Taps of a Gaussian out to three standard deviations, sum 1.
pub(crate) fn gaussian(sigma: f64) -> Vec<f32> {
    let radius = (3.0 * sigma).ceil() as i32;
    let taps: Vec<f64> = (-radius..=radius).map(|i| libm::exp(-0.5 * (f64::from(i) / sigma).powi(2))).collect();
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|t| (t / sum) as f32).collect()
}

/// The plane under the kernel along rows and columns; the border's samples go on past it. Bands of rows,
/// so that both passes stay in the cache.
pub(crate) fn filtered(plane: &Plane, kernel: &[f32]) -> Plane {
    const BAND: usize = 48;
    let Size { width, height } = plane.size();
    let radius = kernel.len() / 2;
    let mut out = Plane::filled(plane.size(), 0.0f32);
    if plane.size().area() == 0 {
        return out;
    }
    out.data_mut().par_chunks_mut(width * BAND).enumerate().for_each_init(
        || (vec![0.0f32; width * (BAND + 2 * radius)], vec![0.0f32; width + 2 * radius]),
        |(across, padded), (band, rows)| {
            let first = band * BAND;
            let count = rows.len() / width;
            for i in 0..count + 2 * radius {
                let source = plane.row((first + i).saturating_sub(radius).min(height - 1));
                padded[..radius].fill(source[0]);
                padded[radius..radius + width].copy_from_slice(source);
                padded[radius + width..].fill(source[width - 1]);
                let line = &mut across[i * width..(i + 1) * width];
                line.fill(0.0);
                for (j, &k) in kernel.iter().enumerate() {
                    for (o, v) in line.iter_mut().zip(&padded[j..]) {
                        *o += k * v;
                    }
                }
            }
            for (i, row) in rows.chunks_mut(width).enumerate() {
                for (j, &k) in kernel.iter().enumerate() {
                    for (o, v) in row.iter_mut().zip(&across[(i + j) * width..]) {
                        *o += k * v;
                    }
                }
            }
        },
    );
    out
}
