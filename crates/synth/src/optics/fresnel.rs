//! Waves: the field behind the mask, propagated to the photosites, squared, gathered over the pupil.
//!
//! The scene beyond the lens is incoherent, so the picture of a plain wall is the mean over all points of
//! the pupil of the shadow thrown by each (Goodman, "Introduction to Fourier Optics", 3rd ed., sections 4.2
//! and 6.1). One point at a finite distance throws the pattern of a plane wave behind a mask enlarged by s
//! at the distance h s (the Fresnel scaling theorem), displaced.
//!
//! With o = 1 - t the field is 1 - V, V = the propagated o; the lost light is 2 Re V - |V|^2.

use rustfft::num_complex::Complex32;
use rustfft::{Fft, FftDirection, FftPlanner};
use std::f64::consts::PI;
use std::sync::Arc;

use super::grid::Raster;
use super::pupil::PupilImage;

/// Whole pixels, at least `pixels`, whose cells make a length that transforms fast.
pub(super) fn transform_length(pixels: f64, per_pixel: usize) -> usize {
    let smooth = |mut n: usize| {
        for prime in [2, 3, 5] {
            while n.is_multiple_of(prime) {
                n /= prime;
            }
        }
        n == 1
    };
    let rest = |n: usize| if smooth(per_pixel) { n * per_pixel } else { n };
    (pixels.ceil() as usize..).find(|&n| smooth(rest(n))).unwrap_or(pixels.ceil() as usize)
}

/// The light lost on the raster's own grid, for red, green and blue.
pub(super) fn loss(
    raster: &Raster,
    pupil: &PupilImage,
    distance_um: f64,
    spectrum: &[Vec<(f64, f64)>; 3],
) -> Vec<Vec<f32>> {
    let mut transform = Transform::new(raster.width, raster.height);
    let cells = raster.width * raster.height;
    let mut taken = raster.taken.clone();
    transform.forward(&mut taken);
    let spread = beyond_the_grid(raster);

    let mut planes = Vec::with_capacity(3);
    let mut field = vec![Complex32::ZERO; cells];
    for waves in spectrum {
        let mut lost = vec![spread; cells];
        for &(wavelength_nm, weight) in waves {
            propagate(&taken, &mut field, raster, wavelength_nm / 1000.0 * distance_um);
            transform.inverse(&mut field);
            for (sum, v) in lost.iter_mut().zip(&field) {
                *sum += weight as f32 * (2.0 * v.re - v.norm_sqr());
            }
        }
        planes.push(lost);
    }
    gather(&mut planes, &mut transform, raster, pupil);
    planes
}

/// What the grid cannot carry. Light bent more steeply than the cells resolve lands far away; wrapped round
/// the window it is even. Adding it keeps the total at the stopped light, as Parseval's theorem wants.
fn beyond_the_grid(raster: &Raster) -> f32 {
    let carried: f64 = raster.taken.iter().map(|o| f64::from(2.0 * o.re - o.norm_sqr())).sum();
    let stopped: f64 = raster.stopped.iter().map(|&v| f64::from(v)).sum();
    ((stopped - carried) / (raster.width * raster.height) as f64) as f32
}

/// Multiplies a spectrum by exp(-i pi lambda z f^2). Spectra lie column by column.
fn propagate(taken: &[Complex32], field: &mut [Complex32], raster: &Raster, wavelength_distance_um2: f64) {
    let phases = |n: usize| -> Vec<Complex32> {
        (0..n)
            .map(|i| {
                let k = if i <= n / 2 { i as f64 } else { i as f64 - n as f64 };
                let f = k / (n as f64 * raster.cell_um);
                let phase = -PI * wavelength_distance_um2 * f * f;
                Complex32::new(phase.cos() as f32, phase.sin() as f32)
            })
            .collect()
    };
    let (along_x, along_y) = (phases(raster.width), phases(raster.height));
    for ((out, column), px) in
        field.chunks_exact_mut(raster.height).zip(taken.chunks_exact(raster.height)).zip(&along_x)
    {
        for ((v, o), py) in out.iter_mut().zip(column).zip(&along_y) {
            *v = o * (px * py);
        }
    }
}

/// Spreads each plane over the pupil's image. Two real planes go through one complex transform.
fn gather(planes: &mut [Vec<f32>], transform: &mut Transform, raster: &Raster, pupil: &PupilImage) {
    let mut image = drawn(pupil, raster);
    transform.forward(&mut image);
    let mut both = vec![Complex32::ZERO; image.len()];
    for pair in planes.chunks_mut(2) {
        for (i, v) in both.iter_mut().enumerate() {
            *v = Complex32::new(pair[0][i], pair.get(1).map_or(0.0, |p| p[i]));
        }
        transform.forward(&mut both);
        both.iter_mut().zip(&image).for_each(|(v, k)| *v *= k);
        transform.inverse(&mut both);
        for (i, v) in both.iter().enumerate() {
            pair[0][i] = v.re;
            if let Some(second) = pair.get_mut(1) {
                second[i] = v.im;
            }
        }
    }
}

/// The pupil's image on the grid, its middle at the first cell, of sum 1.
fn drawn(pupil: &PupilImage, raster: &Raster) -> Vec<Complex32> {
    const LINES: usize = 8;
    let (width, height) = (raster.width as i64, raster.height as i64);
    let rows = pupil.rows(raster.cell_um, LINES);
    let area: f64 = rows.iter().flat_map(|(_, stretches)| stretches).map(|(from, to)| to - from).sum();
    let mut image = vec![Complex32::ZERO; raster.width * raster.height];
    for (row, stretches) in rows {
        let line = &mut image[(row.rem_euclid(height) * width) as usize..][..raster.width];
        for (from, to) in stretches {
            for cell in (from + 0.5).floor() as i64..=(to + 0.5).floor() as i64 {
                let covered = to.min(cell as f64 + 0.5) - from.max(cell as f64 - 0.5);
                line[cell.rem_euclid(width) as usize].re += (covered.max(0.0) / area) as f32;
            }
        }
    }
    image
}

/// Fourier transforms of one size. Pictures lie row by row, spectra column by column.
struct Transform {
    width: usize,
    height: usize,
    plans: [[Arc<dyn Fft<f32>>; 2]; 2],
    turned: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl Transform {
    fn new(width: usize, height: usize) -> Self {
        let mut planner = FftPlanner::new();
        let mut plan = |n| [FftDirection::Forward, FftDirection::Inverse].map(|d| planner.plan_fft(n, d));
        let plans = [plan(width), plan(height)];
        let need = plans.iter().flatten().map(|p| p.get_inplace_scratch_len()).max().unwrap_or(0);
        let zero = Complex32::ZERO;
        Transform { width, height, plans, turned: vec![zero; width * height], scratch: vec![zero; need] }
    }

    fn forward(&mut self, data: &mut [Complex32]) {
        self.plans[0][0].process_with_scratch(data, &mut self.scratch);
        turn(data, &mut self.turned, self.width, self.height);
        self.plans[1][0].process_with_scratch(&mut self.turned, &mut self.scratch);
        data.copy_from_slice(&self.turned);
    }

    fn inverse(&mut self, data: &mut [Complex32]) {
        self.plans[1][1].process_with_scratch(data, &mut self.scratch);
        turn(data, &mut self.turned, self.height, self.width);
        self.plans[0][1].process_with_scratch(&mut self.turned, &mut self.scratch);
        let share = 1.0 / (self.width * self.height) as f32;
        for (out, v) in data.iter_mut().zip(&self.turned) {
            *out = v * share;
        }
    }
}

/// Rows become columns, in blocks that stay in the cache.
fn turn(from: &[Complex32], to: &mut [Complex32], width: usize, height: usize) {
    const BLOCK: usize = 16;
    for top in (0..height).step_by(BLOCK) {
        for left in (0..width).step_by(BLOCK) {
            for x in left..(left + BLOCK).min(width) {
                for y in top..(top + BLOCK).min(height) {
                    to[x * height + y] = from[y * width + x];
                }
            }
        }
    }
}
