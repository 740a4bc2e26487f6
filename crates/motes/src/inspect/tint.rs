//! Whether a place loses its light in all colours. A shadow does, but for the little that diffraction spreads red further
//! than blue; what demosaic and compression make of one dead photosite, or of noise in coarse codes, need not.

use motelight_frame::{Frame, Layout};

use crate::inspect::find::{Believed, Finder, SURE};

/// Share of its mean loss by which a shadow's colours may differ besides noise: diffraction, translucent motes, a tone curve per
/// colour. A guess.
const TINTED: f64 = 0.2;
/// Standard deviations by which two colours must differ beyond that.
const CLEARLY: f64 = 3.5;
/// Places along each side of the square of them around a shadow that tell how far colours differ by noise.
const AROUND: isize = 7;
/// Samples along a window's radius, at most.
const SAMPLES: usize = 10;

/// The weights by which a window's light is summed: of sum 0, and 1 over a shadow of depth 1.
struct Template {
    radius: usize,
    step: usize,
    weights: Vec<f64>,
}

impl Finder<'_> {
    /// Whether one colour clearly loses more than another there. Never in a raw, where a cell's colours are photosites of their
    /// own, nor where a round shadow is beyond doubt.
    pub(super) fn is_tinted(&self, frame: &Frame, b: &Believed) -> bool {
        if frame.layout != Layout::Rgb || frame.planes.len() < 3 || b.snr > SURE {
            return false;
        }
        let cell = self.wall.flat.cell as f64;
        let (x, y) = (b.spot.x * cell, b.spot.y * cell);
        let shape = self.banks[b.bank].shape(b.spot.area_um2);
        let px_um = self.wall.cell_um / cell;
        let radius = (1.2 * cell * self.width(b)).ceil().max(3.0) as usize;
        let template = Template::new(radius, |dx, dy| shape.at((dx - x.fract()).hypot(dy - y.fract()) * px_um).0);
        let at = |i: isize, j: isize| {
            let apart = 2 * radius as isize + 1;
            template.losses(frame, x as isize + i * apart, y as isize + j * apart)
        };
        let Some(own) = at(0, 0) else { return false };
        let mean = own.iter().sum::<f64>() / 3.0;
        let beyond = |(a, b): (usize, usize)| ((own[a] - own[b]).abs() - TINTED * mean.abs(), a, b);
        let apart: Vec<_> = [(0, 1), (1, 2), (0, 2)].map(beyond).into_iter().filter(|pair| pair.0 > 0.0).collect();
        if apart.is_empty() {
            return false;
        }
        let half = AROUND / 2;
        let square = (-half..=half).flat_map(|j| (-half..=half).map(move |i| (i, j))).filter(|&at| at != (0, 0));
        let around: Vec<[f64; 3]> = square.filter_map(|(i, j)| at(i, j)).collect();
        around.len() >= 8
            && apart.iter().any(|&(by, a, b)| {
                let squares = around.iter().map(|v| (v[a] - v[b]).powi(2)).sum::<f64>();
                by > CLEARLY * (squares / around.len() as f64).sqrt()
            })
    }
}

impl Template {
    /// `shape`: the share of light lost at the centre of a pixel so far from the middle pixel's corner.
    fn new(radius: usize, shape: impl Fn(f64, f64) -> f64) -> Template {
        let step = radius.div_ceil(SAMPLES).max(1);
        let places = || (0..=2 * radius).step_by(step).map(|i| i as f64 - radius as f64 + 0.5);
        let mut weights: Vec<f64> =
            places().flat_map(|dy| places().map(move |dx| (dx, dy))).map(|(dx, dy)| shape(dx, dy)).collect();
        let mean = weights.iter().sum::<f64>() / weights.len() as f64;
        let squares = weights.iter().map(|w| (w - mean) * w).sum::<f64>().max(1e-12);
        weights.iter_mut().for_each(|w| *w = (*w - mean) / squares);
        Template { radius, step, weights }
    }

    /// By how much of the modelled shadow each colour is darker in the window about a pixel; `None` where that reaches out of the
    /// picture.
    fn losses(&self, frame: &Frame, x: isize, y: isize) -> Option<[f64; 3]> {
        let size = frame.size();
        let from = |v: isize, end: usize| {
            let from = usize::try_from(v - self.radius as isize).ok()?;
            (from + 2 * self.radius < end).then_some(from)
        };
        let (x0, y0) = (from(x, size.width)?, from(y, size.height)?);
        let side = (0..=2 * self.radius).step_by(self.step);
        Some(std::array::from_fn(|colour| {
            let plane = &frame.planes[colour];
            let light = side.clone().flat_map(|dy| side.clone().map(move |dx| f64::from(plane.at(x0 + dx, y0 + dy))));
            let (sum, lost) = light.zip(&self.weights).fold((0.0, 0.0), |(sum, lost), (v, w)| (sum + v, lost - v * w));
            lost * self.weights.len() as f64 / sum.max(1e-9)
        }))
    }
}
