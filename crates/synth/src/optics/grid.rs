//! A mask drawn on a fine grid.

use rustfft::num_complex::Complex32;

use crate::mote::Mask;

/// Samples per cell and axis when a mask with hard edges is drawn, and one without.
const SAMPLES: [usize; 2] = [6, 2];

/// What a mote takes from the wave and from the light, cell by cell.
pub(super) struct Raster {
    pub width: usize,
    pub height: usize,
    pub cell_um: f64,
    /// Mean of one minus the complex transmission.
    pub taken: Vec<Complex32>,
    /// Mean of one minus the squared modulus of the transmission.
    pub stopped: Vec<f32>,
    /// Rows with anything in them.
    pub rows: std::ops::Range<usize>,
}

impl Raster {
    /// Draws a mask, enlarged by `scale`, with its place at `place_um` of a grid of `size` cells.
    pub fn draw(mask: &Mask, place_um: [f64; 2], scale: f64, cell_um: f64, size: [usize; 2]) -> Self {
        let [width, height] = size;
        let reach = mask.reach_um * scale;
        let span = |axis: usize| {
            let low = ((place_um[axis] - reach) / cell_um).floor().max(0.0) as usize;
            let high = ((place_um[axis] + reach) / cell_um).ceil().max(0.0) as usize;
            low.min(size[axis])..high.min(size[axis])
        };
        let (columns, rows) = (span(0), span(1));
        let mut taken = vec![Complex32::ZERO; width * height];
        let mut stopped = vec![0.0; width * height];
        let samples = SAMPLES[usize::from(mask.soft())];
        let step = 1.0 / samples as f64;
        for row in rows.clone() {
            for column in columns.clone() {
                let (mut wave, mut light) = (Complex32::ZERO, 0.0f32);
                for j in 0..samples {
                    let y = ((row as f64 + (j as f64 + 0.5) * step) * cell_um - place_um[1]) / scale;
                    for i in 0..samples {
                        let x = ((column as f64 + (i as f64 + 0.5) * step) * cell_um - place_um[0]) / scale;
                        let one = mask.taken(x, y);
                        wave += one;
                        light += 2.0 * one.re - one.norm_sqr();
                    }
                }
                let share = 1.0 / (samples * samples) as f32;
                taken[row * width + column] = wave * share;
                stopped[row * width + column] = light * share;
            }
        }
        Raster { width, height, cell_um, taken, stopped, rows }
    }

    /// Area that stops light, on the sensor.
    pub fn stopped_um2(&self) -> f64 {
        self.stopped.iter().map(|&v| f64::from(v)).sum::<f64>() * self.cell_um * self.cell_um
    }

    /// Centroid of what the mask does: of the stopped light, or of the delayed wave where no light is
    /// stopped; `place_um` if it does nothing.
    pub fn centroid_um(&self, place_um: [f64; 2]) -> [f64; 2] {
        let (mut sum, mut at) = (0.0f64, [0.0f64; 2]);
        for row in self.rows.clone() {
            for column in 0..self.width {
                let index = row * self.width + column;
                let weight = f64::from(self.stopped[index] + 1e-3 * self.taken[index].norm_sqr());
                sum += weight;
                at[0] += weight * (column as f64 + 0.5);
                at[1] += weight * (row as f64 + 0.5);
            }
        }
        if sum > 0.0 { at.map(|v| v / sum * self.cell_um) } else { place_um }
    }
}

/// Means over blocks of `per_pixel` x `per_pixel` cells: what square photosites side by side collect.
pub(super) fn binned(fine: &[f32], width: usize, per_pixel: usize) -> Vec<f32> {
    let share = 1.0 / (per_pixel * per_pixel) as f32;
    fine.chunks_exact(width * per_pixel)
        .flat_map(|rows| {
            (0..width / per_pixel).map(move |pixel| {
                let sum: f32 =
                    rows.chunks_exact(width).map(|row| row[pixel * per_pixel..][..per_pixel].iter().sum::<f32>()).sum();
                sum * share
            })
        })
        .collect()
}
