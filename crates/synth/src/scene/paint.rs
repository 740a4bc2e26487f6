//! A painted picture and the brushes for it.
//!
//! Places are told in picture heights: u from the left, v from the top, so v runs from 0 to 1.

use rayon::prelude::*;

/// Light by pixel.
#[derive(Debug, Clone)]
pub struct Painting {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Red, green and blue, row by row; linear, 1.0 = full scale.
    pub light: Vec<[f32; 3]>,
}

/// Linear light of an sRGB colour written as 0xRRGGBB.
pub(super) fn colour(code: u32) -> [f32; 3] {
    [16, 8, 0].map(|shift| crate::tone::srgb_decode(((code >> shift) & 255) as f32 / 255.0))
}

/// From one colour to another.
pub(super) fn blend(from: [f32; 3], to: [f32; 3], share: f32) -> [f32; 3] {
    std::array::from_fn(|c| from[c] + (to[c] - from[c]) * share.clamp(0.0, 1.0))
}

/// A colour, brighter or darker.
pub(super) fn times(colour: [f32; 3], factor: f32) -> [f32; 3] {
    colour.map(|v| v * factor)
}

/// 0 below `from`, 1 above `to`, smooth between.
pub(super) fn step(from: f32, to: f32, v: f32) -> f32 {
    let t = ((v - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// A part of a picture, in picture heights.
#[derive(Debug, Clone, Copy)]
pub(super) struct Part {
    pub left: f32,
    pub right: f32,
    pub top: f32,
    pub bottom: f32,
}

impl Painting {
    /// A black picture.
    pub(super) fn new(width: usize, height: usize) -> Self {
        Painting { width, height, light: vec![[0.0; 3]; width * height] }
    }

    /// Width over height.
    pub(super) fn aspect(&self) -> f32 {
        self.width as f32 / self.height as f32
    }

    /// Paints a part: `brush(u, v, before)` gives the light of every pixel of it, `None` leaves it.
    pub(super) fn paint(&mut self, part: Part, brush: impl Fn(f32, f32, [f32; 3]) -> Option<[f32; 3]> + Sync) {
        let scale = self.height as f32;
        let clip = |v: f32, end: usize| (v * scale).clamp(0.0, end as f32) as usize;
        let columns = clip(part.left, self.width)..clip(part.right, self.width);
        let rows = clip(part.top, self.height)..clip(part.bottom, self.height);
        if columns.is_empty() || rows.is_empty() {
            return;
        }
        let width = self.width;
        self.light[rows.start * width..rows.end * width].par_chunks_mut(width).enumerate().for_each(|(i, row)| {
            let v = ((rows.start + i) as f32 + 0.5) / scale;
            for x in columns.clone() {
                if let Some(light) = brush((x as f32 + 0.5) / scale, v, row[x]) {
                    row[x] = light;
                }
            }
        });
    }

    /// Paints everything above `bottom` with something soft: worked out on every fourth pixel, spread between.
    pub(super) fn paint_soft(&mut self, bottom: f32, brush: impl Fn(f32, f32) -> [f32; 3] + Sync) {
        const COARSE: usize = 4;
        let scale = self.height as f32;
        let rows = ((bottom * scale).ceil() as usize).min(self.height);
        let columns = self.width / COARSE + 2;
        let mut coarse = vec![[0.0f32; 3]; columns * (rows / COARSE + 2)];
        coarse.par_chunks_mut(columns).enumerate().for_each(|(j, row)| {
            for (i, light) in row.iter_mut().enumerate() {
                *light = brush((i * COARSE) as f32 / scale, (j * COARSE) as f32 / scale);
            }
        });
        let width = self.width;
        self.light[..rows * width].par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            let (j, t) = (y / COARSE, (y % COARSE) as f32 / COARSE as f32);
            for (x, light) in row.iter_mut().enumerate() {
                let (i, s) = (x / COARSE, (x % COARSE) as f32 / COARSE as f32);
                let at = |i: usize, j: usize| coarse[j * columns + i];
                *light = blend(blend(at(i, j), at(i + 1, j), s), blend(at(i, j + 1), at(i + 1, j + 1), s), t);
            }
        });
    }

    /// Light at a place, the nearest pixel's.
    pub(super) fn at(&self, u: f32, v: f32) -> [f32; 3] {
        let clip = |t: f32, end: usize| ((t * self.height as f32) as isize).clamp(0, end as isize - 1) as usize;
        self.light[clip(v, self.height) * self.width + clip(u, self.width)]
    }

    /// Softens the picture as a lens does: a Gaussian of this standard deviation, px.
    pub(super) fn soften(&mut self, sigma: f32) {
        let reach = (2.5 * sigma).ceil() as isize;
        let kernel: Vec<f32> = (-reach..=reach).map(|i| (-0.5 * (i as f32 / sigma).powi(2)).exp()).collect();
        let sum: f32 = kernel.iter().sum();
        let kernel: Vec<f32> = kernel.iter().map(|v| v / sum).collect();
        let (width, height) = (self.width, self.height);
        self.light.par_chunks_mut(width).for_each(|row| {
            let before = row.to_vec();
            for (x, light) in row.iter_mut().enumerate() {
                *light = gathered(&kernel, |k| before[(x as isize + k - reach).clamp(0, width as isize - 1) as usize]);
            }
        });
        let mut after = vec![[0.0f32; 3]; width * height];
        after.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            for (k, &weight) in kernel.iter().enumerate() {
                let from = (y as isize + k as isize - reach).clamp(0, height as isize - 1) as usize;
                for (light, source) in row.iter_mut().zip(&self.light[from * width..]) {
                    (0..3).for_each(|c| light[c] += weight * source[c]);
                }
            }
        });
        self.light = after;
    }

    /// The picture as the sensor sees it when this Exif orientation sets it upright (1, 6 and 8 are known; others
    /// leave it). 6: the first stored row is the right side of the upright picture; 8: its left side.
    pub(super) fn onto_sensor(self, orientation: u16) -> Painting {
        if orientation != 6 && orientation != 8 {
            return self;
        }
        let (width, height) = (self.height, self.width);
        let mut light = vec![[0.0f32; 3]; width * height];
        light.par_chunks_mut(width).enumerate().for_each(|(row, out)| {
            for (column, light) in out.iter_mut().enumerate() {
                let (x, y) = if orientation == 6 { (height - 1 - row, column) } else { (row, width - 1 - column) };
                *light = self.light[y * self.width + x];
            }
        });
        Painting { width, height, light }
    }
}

fn gathered(kernel: &[f32], at: impl Fn(isize) -> [f32; 3]) -> [f32; 3] {
    let mut sum = [0.0f32; 3];
    for (k, &weight) in kernel.iter().enumerate() {
        let light = at(k as isize);
        (0..3).for_each(|c| sum[c] += weight * light[c]);
    }
    sum
}
