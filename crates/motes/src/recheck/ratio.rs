//! The ratio of two frames by the same lens and f-number: pixel gain, shading and all that stayed cancel.
//!
//! In: two frames of one size. Out: a coarse map of the light that the second lost against the first, as a share.

use motelight_frame::{Frame, Layout, Size};
use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;

use crate::grid::median_and_sigma;

/// Light lost from the first frame to the second, per block of pixels.
#[derive(Debug, Clone)]
pub(super) struct Map {
    /// Blocks per row and column.
    pub size: Size,
    /// Pixels along one side of a block.
    pub block: usize,
    /// Share of light lost; 0 where `known` is not.
    pub lost: Vec<f32>,
    /// Whether a block could be compared.
    pub known: Vec<bool>,
}

impl Map {
    /// The map of two frames of one size. `hidden` tells pixels (column, row) that belong to something else.
    pub fn of(before: &Frame, after: &Frame, hidden: impl Fn(f64, f64) -> bool + Sync) -> Map {
        // A multiple of every colour pattern's period but the longest, which 12 is.
        let block = match &before.layout {
            Layout::Mosaic(cfa) if cfa.period().width > 2 => 12,
            _ => 8,
        };
        let full = before.size();
        let size = Size { width: (full.width / block).max(1), height: (full.height / block).max(1) };
        let one = |i: usize| {
            let (x, y) = (i % size.width * block, i / size.width * block);
            let middle = 0.5 * block as f64;
            if hidden(x as f64 + middle, y as f64 + middle) { None } else { lost_in(before, after, x, y, block) }
        };
        let measured: Vec<Option<f32>> = (0..size.area()).into_par_iter().map(one).collect();
        let known = measured.iter().map(Option::is_some).collect();
        let lost = measured.into_iter().map(|v| v.unwrap_or(0.0)).collect();
        let mut map = Map { size, block, lost, known };
        map.level();
        map
    }

    /// Takes out what differs over the whole frame: exposure, and how the wall was lit. A cubic surface, refitted to what lies
    /// within three deviations of it.
    fn level(&mut self) {
        const TERMS: usize = 10;
        let terms = |i: usize| -> [f64; TERMS] {
            let x = 2.0 * (i % self.size.width) as f64 / self.size.width as f64 - 1.0;
            let y = 2.0 * (i / self.size.width) as f64 / self.size.height as f64 - 1.0;
            [1.0, x, y, x * x, x * y, y * y, x * x * x, x * x * y, x * y * y, y * y * y]
        };
        let mut surface = SVector::<f64, TERMS>::zeros();
        let mut reach = f64::INFINITY;
        for _ in 0..4 {
            let mut normal = SMatrix::<f64, TERMS, TERMS>::identity() * 1e-6;
            let mut right = SVector::<f64, TERMS>::zeros();
            for i in (0..self.lost.len()).filter(|&i| self.known[i]) {
                let t = SVector::from(terms(i));
                let value = f64::from(self.lost[i]);
                if (value - surface.dot(&t)).abs() < reach {
                    normal += t * t.transpose();
                    right += t * value;
                }
            }
            let Some(solved) = normal.cholesky().map(|c| c.solve(&right)) else { return };
            surface = solved;
            let known = (0..self.lost.len()).filter(|&i| self.known[i]);
            let mut misses: Vec<f32> =
                known.map(|i| self.lost[i] - surface.dot(&SVector::from(terms(i))) as f32).collect();
            reach = 3.0 * f64::from(median_and_sigma(&mut misses).1);
        }
        let fitted: Vec<f32> = (0..self.lost.len()).map(|i| surface.dot(&SVector::from(terms(i))) as f32).collect();
        for ((lost, fitted), known) in self.lost.iter_mut().zip(fitted).zip(&self.known) {
            *lost = if *known { *lost - fitted } else { 0.0 };
        }
    }

    /// The map averaged over about `sigma` blocks (three passes of a running mean, nearly a Gaussian), unknown blocks left out.
    pub fn blurred(&self, sigma: f64) -> Vec<f32> {
        let known: Vec<f32> = self.known.iter().map(|&k| if k { 1.0 } else { 0.0 }).collect();
        let (sum, weight) = (self.spread(&self.lost, sigma), self.spread(&known, sigma));
        sum.iter().zip(&weight).map(|(s, w)| if *w > 1e-3 { s / w } else { 0.0 }).collect()
    }

    fn spread(&self, values: &[f32], sigma: f64) -> Vec<f32> {
        // Variance of three means over 2 r + 1 blocks: ((2 r + 1)^2 - 1) / 4.
        let radius = (0.5 * ((4.0 * sigma * sigma + 1.0).sqrt() - 1.0)).round().max(1.0) as usize;
        let Size { width, height } = self.size;
        let mut now = values.to_vec();
        for _ in 0..3 {
            now = transposed(&running_mean(&now, width, radius), width, height);
            now = transposed(&running_mean(&now, height, radius), height, width);
        }
        now
    }
}

/// Running mean along rows of `width`, what lies outside counted as 0.
fn running_mean(values: &[f32], width: usize, radius: usize) -> Vec<f32> {
    let share = 1.0 / (2 * radius + 1) as f32;
    let row = |row: &[f32]| {
        let mut sums = vec![0.0f64; width + 1];
        for (i, v) in row.iter().enumerate() {
            sums[i + 1] = sums[i] + f64::from(*v);
        }
        let at = |i: usize| (sums[(i + radius + 1).min(width)] - sums[i.saturating_sub(radius)]) as f32 * share;
        (0..width).map(at).collect::<Vec<f32>>()
    };
    values.par_chunks(width).flat_map_iter(row).collect()
}

fn transposed(values: &[f32], width: usize, height: usize) -> Vec<f32> {
    (0..values.len()).into_par_iter().map(|i| values[i % height * width + i / height]).collect()
}

/// Light lost in one block, by the pixels that are sound in both frames; `None` where too few are.
fn lost_in(before: &Frame, after: &Frame, x0: usize, y0: usize, block: usize) -> Option<f32> {
    let (mut first, mut second, mut count) = (0.0f32, 0.0f32, 0);
    for y in y0..y0 + block {
        for x in (x0..x0 + block).filter(|&x| before.mask.sound(x, y) && after.mask.sound(x, y)) {
            for (p, q) in before.planes.iter().zip(after.planes.iter()) {
                first += p.at(x, y);
                second += q.at(x, y);
            }
            count += 1;
        }
    }
    let enough = 4 * count > 3 * block * block && first > 1e-4 && second > 1e-4;
    enough.then(|| -(second / first).ln())
}
