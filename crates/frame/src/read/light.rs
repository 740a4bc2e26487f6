//! From stored codes to planes of light, with the mask of what cannot be measured.

use rayon::prelude::*;

use crate::frame::{Mask, NoiseModel};
use crate::plane::Plane;
use crate::planes::{Planes, Tone};
use crate::space::{Rect, Size};

/// A raw photosite this close to the white level counts as clipped: the levels of some cameras spread a
/// little below the one the file states (common practice, no source).
const CLIPPED_LIGHT: f32 = 0.995;

/// A defect stands this far, in standard deviations, beyond all eight neighbours of its colour. At 8 sigma
/// noise alone makes none in any frame; a shadow as narrow as one photosite cannot be cast.
const DEFECT_SIGMA: f32 = 8.0;

/// Planes being filled, and their mask (bits of [`Mask`]).
#[derive(Debug)]
pub(super) struct Light {
    pub planes: Planes,
    pub mask: Plane<u8>,
}

/// Interleaved codes of a part of a rendered picture.
#[derive(Debug, Clone, Copy)]
pub(super) struct Codes<'a, T> {
    pub samples: &'a [T],
    /// Samples from one row to the next.
    pub row_stride: usize,
    /// Samples from one pixel to the next.
    pub pixel_stride: usize,
}

impl Light {
    /// Dark planes of a picture.
    pub fn dark(size: Size, planes: usize) -> Light {
        // Each from the system anew: a clone would copy what is nought anyhow.
        let planes: Vec<Plane> = (0..planes).map(|_| Plane::filled(size, 0.0)).collect();
        Light { planes: planes.into(), mask: Plane::filled(size, 0) }
    }

    /// Light of a whole picture of 8 bits, kept as codes: the channels of a pixel side by side, a tone for each. Codes at the end of
    /// a tone count as clipped.
    pub fn of_codes(size: Size, samples: Vec<u8>, tones: &[Tone]) -> Light {
        let mut mask = Plane::filled(size, 0);
        let channels = tones.len();
        let rows =
            mask.data_mut().par_chunks_exact_mut(size.width).zip(samples.par_chunks_exact(size.width * channels));
        rows.for_each(|(mask, codes)| {
            // A mask that nothing is written to takes no memory.
            if codes.contains(&u8::MAX) {
                let clipped = mask.iter_mut().zip(codes.chunks_exact(channels)).filter(|(_, c)| c.contains(&u8::MAX));
                clipped.for_each(|(m, _)| *m |= Mask::CLIPPED);
            }
        });
        Light { planes: Planes::of_codes(size, samples, tones.to_vec()), mask }
    }

    /// Fills `window` of plane `plane` from codes; the first sample of each pixel is taken. Codes at the
    /// end of the tone count as clipped.
    pub fn fill<T: Copy + Into<u16> + Sync>(&mut self, plane: usize, window: Rect, codes: Codes<T>, tone: &Tone) {
        let width = self.mask.width();
        let rows = window.y * width..window.bottom() * width;
        let light = self.planes[plane].data_mut()[rows.clone()].par_chunks_exact_mut(width);
        let mask = self.mask.data_mut()[rows].par_chunks_exact_mut(width);
        let max = tone.max_code();
        light.zip(mask).enumerate().for_each(|(y, (light, mask))| {
            let row = codes.samples[y * codes.row_stride..].iter().step_by(codes.pixel_stride);
            let columns = window.x..window.right();
            let mut most = 0;
            for (l, code) in light[columns.clone()].iter_mut().zip(row.clone()) {
                let code = (*code).into();
                *l = tone.decode(code);
                most = most.max(code);
            }
            // A mask that nothing is written to takes no memory.
            if most >= max {
                let clipped = mask[columns].iter_mut().zip(row).filter(|(_, code)| (**code).into() >= max);
                clipped.for_each(|(m, _)| *m |= Mask::CLIPPED);
            }
        });
    }

    /// Fills rows of one plane from raw codes, from row `first` on; `stride` samples from one row to the
    /// next, the samples of a pixel side by side, one for each plane.
    pub fn fill_raw(&mut self, plane: usize, first: usize, codes: &[u16], stride: usize, rows: &RawRows) {
        let (width, samples) = (self.mask.width(), self.planes.len());
        let range = first * width..self.mask.data().len();
        let out = self.planes[plane].data_mut()[range.clone()].par_chunks_exact_mut(width);
        let mask = self.mask.data_mut()[range].par_chunks_exact_mut(width);
        out.zip(mask).zip(codes.par_chunks(stride)).enumerate().for_each(|(y, ((out, mask), codes))| {
            let (black, scale) = &rows.0[(first + y) % rows.0.len()];
            let places = out.iter_mut().zip(black.iter().zip(scale));
            let mut most = f32::MIN;
            let mut one = |(l, (b, s)): (&mut f32, (&f32, &f32)), code: u16| {
                *l = (f32::from(code) - b) * s;
                most = higher(most, *l);
            };
            if samples == 1 {
                places.zip(codes).for_each(|(place, code)| one(place, *code));
            } else {
                places.zip(codes[plane..].iter().step_by(samples)).for_each(|(place, code)| one(place, *code));
            }
            if most >= CLIPPED_LIGHT {
                let clipped = mask.iter_mut().zip(out.iter()).filter(|(_, l)| **l >= CLIPPED_LIGHT);
                clipped.for_each(|(m, _)| *m |= Mask::CLIPPED);
            }
        });
    }
}

/// Black level and scale along a row, one pair per row of the repeat: tables keep the inner loop straight.
#[derive(Debug)]
pub(super) struct RawRows(Vec<(Vec<f32>, Vec<f32>)>);

impl RawRows {
    /// For black levels by place in their repeat, row by row, and one white level.
    pub fn new(period: Size, black: &[f32], white: f32, width: usize) -> RawRows {
        let row = |levels: &[f32]| {
            let black: Vec<f32> = levels.iter().copied().cycle().take(width).collect();
            let scale = black.iter().map(|b| 1.0 / (white - b)).collect();
            (black, scale)
        };
        RawRows(black.chunks(period.width.max(1)).map(row).collect())
    }
}

/// Marks photosites that stand beyond all their neighbours of the same colour, one CFA period away.
pub(super) fn mark_defects(plane: &Plane, period: Size, noise: NoiseModel, mask: &mut Plane<u8>) {
    let Size { width, height } = plane.size();
    let (px, py) = (period.width, period.height);
    if width < 2 * px + 1 || height < 2 * py + 1 {
        return;
    }
    let reach = DEFECT_SIGMA * DEFECT_SIGMA;
    let (shot, read) = (noise.shot * reach, noise.read * reach);
    let rows = mask.data_mut().par_chunks_exact_mut(width).enumerate();
    rows.filter(|(y, _)| *y >= py && *y + py < height).for_each(|(y, mask)| {
        let (up, here, down) = (plane.row(y - py), plane.row(y), plane.row(y + py));
        let inner = width - 2 * px;
        let u = [&up[..inner], &up[px..px + inner], &up[2 * px..]];
        let d = [&down[..inner], &down[px..px + inner], &down[2 * px..]];
        let (left, middle, right) = (&here[..inner], &here[px..px + inner], &here[2 * px..]);
        let mask = &mut mask[px..px + inner];
        for i in 0..inner {
            let (above, below) = (higher(u[0][i], d[0][i]), lower(u[0][i], d[0][i]));
            let (above, below) = (higher(higher(above, u[1][i]), d[1][i]), lower(lower(below, u[1][i]), d[1][i]));
            let (above, below) = (higher(higher(above, u[2][i]), d[2][i]), lower(lower(below, u[2][i]), d[2][i]));
            let high = higher(higher(above, left[i]), right[i]);
            let low = lower(lower(below, left[i]), right[i]);
            let beyond = higher(higher(middle[i] - high, low - middle[i]), 0.0);
            // Variance at the neighbours' level; the whole test is in squares to spare the root.
            let variance = shot * higher(high, 0.0) + read;
            mask[i] |= u8::from(beyond * beyond > variance) * Mask::DEFECT;
        }
    });
}

/// The higher of two; light is never NaN, so the one-instruction form does.
fn higher(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// The lower of two.
fn lower(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_no_light_can_make_is_a_defect() {
        let size = Size { width: 40, height: 30 };
        let noise = NoiseModel { shot: 0.0, read: 1e-4 };
        let mut plane = Plane::filled(size, 0.5);
        plane.set(20, 10, 0.5 + 0.2);
        plane.set(5, 7, 0.5 - 0.2);
        // Less than 8 sigma of 0.01, and a spot two photosites of its colour wide.
        plane.set(30, 20, 0.57);
        plane.set(12, 20, 0.9);
        plane.set(14, 20, 0.9);
        let mut mask = Plane::filled(size, 0);
        mark_defects(&plane, Size { width: 2, height: 2 }, noise, &mut mask);
        let marked: Vec<usize> = (0..size.area()).filter(|i| mask.data()[*i] & Mask::DEFECT != 0).collect();
        assert_eq!(marked, vec![7 * 40 + 5, 10 * 40 + 20]);
    }
}
