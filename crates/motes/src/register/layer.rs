//! Pictures in the logarithm of light, at any resolution.

use motelight_frame::read::{LN_STEPS, UNMEASURED};
use motelight_frame::{Frame, Plane, Reduced, Size};

/// A picture reduced for registration.
#[derive(Debug, Clone)]
pub struct Small {
    /// Logarithm of light.
    ln: Plane<f32>,
    /// Size of the picture, px.
    pub size: Size,
    /// Side of a cell, px.
    cell: f64,
}

/// Light added before the logarithm is taken, so that the noise of the dark does not rule.
const VEIL: f32 = 0.01;

impl Small {
    /// Of a picture read on cells of [`Small::cell_for`].
    pub fn of(reduced: &Reduced) -> Small {
        // What cannot be measured is clipped more often than black.
        let light = |v: i16| if v == UNMEASURED { 1.0 } else { libm::expf(f32::from(v) / LN_STEPS) };
        let data = reduced.ln.data().iter().map(|&v| libm::logf(light(v) + VEIL)).collect();
        Small { ln: Plane::from_vec(reduced.ln.size(), data), size: reduced.size, cell: reduced.cell as f64 }
    }

    /// Of a whole picture.
    pub fn of_frame(frame: &Frame) -> Small {
        Small::of(&Reduced::of(frame, Small::cell_for(frame.size())))
    }

    /// Side of a cell that a picture of this size is read on: at most 2400 cells along.
    pub fn cell_for(size: Size) -> usize {
        size.width.max(size.height).div_ceil(2400).clamp(1, 16)
    }

    /// The picture with a long side of about so many cells, at most as many as there are.
    pub fn layer(&self, long: f64) -> Layer {
        let cells = self.ln.size();
        let factor = (cells.width.max(cells.height) as f64 / long).max(1.0);
        let to = |n: usize| ((n as f64 / factor).round() as usize).clamp(1, n.max(1));
        let size = Size { width: to(cells.width), height: to(cells.height) };
        let px =
            (self.cell * cells.width as f64 / size.width as f64, self.cell * cells.height as f64 / size.height as f64);
        let ln = if size == cells { self.ln.clone() } else { shrunk(&self.ln, size) };
        Layer { ln, px, size: self.size }
    }
}

/// A picture at one resolution.
#[derive(Debug, Clone)]
pub struct Layer {
    pub ln: Plane<f32>,
    /// Pixels of the picture to a cell, across and down.
    pub px: (f64, f64),
    size: Size,
}

impl Layer {
    /// Cells to normalised coordinates: from the middle, long side 1.
    pub fn normal(&self, (x, y): (f64, f64)) -> (f64, f64) {
        let (w, h) = (self.size.width as f64, self.size.height as f64);
        let long = w.max(h);
        ((x * self.px.0 - w / 2.0) / long, (y * self.px.1 - h / 2.0) / long)
    }

    /// Normalised coordinates to cells.
    pub fn cells(&self, (u, v): (f64, f64)) -> (f64, f64) {
        let (w, h) = (self.size.width as f64, self.size.height as f64);
        let long = w.max(h);
        ((u * long + w / 2.0) / self.px.0, (v * long + h / 2.0) / self.px.1)
    }

    /// Value between cells; the outermost go on past the edge.
    pub fn at(&self, x: f64, y: f64) -> f32 {
        let (w, h) = (self.ln.width(), self.ln.height());
        let split = |v: f64, n: usize| {
            let v = (v - 0.5).clamp(0.0, (n - 1) as f64);
            let i = (v as usize).min(n.saturating_sub(2));
            (i, (v - i as f64) as f32)
        };
        let ((i, s), (j, t)) = (split(x, w), split(y, h));
        let (right, below) = ((i + 1).min(w - 1), (j + 1).min(h - 1));
        let top = self.ln.at(i, j) * (1.0 - s) + self.ln.at(right, j) * s;
        let bottom = self.ln.at(i, below) * (1.0 - s) + self.ln.at(right, below) * s;
        top * (1.0 - t) + bottom * t
    }

    /// Blurred by the binomial of five, twice as wide for each further pass.
    pub fn smoothed(&self) -> Layer {
        let across = five(&self.ln, (1, 0));
        Layer { ln: five(&across, (0, 1)), ..*self }
    }
}

fn five(plane: &Plane<f32>, (dx, dy): (isize, isize)) -> Plane<f32> {
    let Size { width, height } = plane.size();
    let at = |x: isize, y: isize| {
        plane.at(x.clamp(0, width as isize - 1) as usize, y.clamp(0, height as isize - 1) as usize)
    };
    let value = |i: usize| {
        let (x, y) = ((i % width) as isize, (i / width) as isize);
        let tap = |k: isize| at(x + k * dx, y + k * dy);
        (tap(-2) + 4.0 * tap(-1) + 6.0 * tap(0) + 4.0 * tap(1) + tap(2)) / 16.0
    };
    Plane::from_vec(plane.size(), (0..plane.size().area()).map(value).collect())
}

/// Means over the cells that fall into each new one, by area.
fn shrunk(plane: &Plane<f32>, to: Size) -> Plane<f32> {
    let across = shrunk_rows(plane, to.width);
    transposed(&shrunk_rows(&transposed(&across), to.height))
}

fn shrunk_rows(plane: &Plane<f32>, width: usize) -> Plane<f32> {
    let factor = plane.width() as f64 / width as f64;
    let mut data = Vec::with_capacity(width * plane.height());
    for y in 0..plane.height() {
        let row = plane.row(y);
        for i in 0..width {
            let (from, to) = (i as f64 * factor, (i + 1) as f64 * factor);
            let mut sum = 0.0;
            for (x, &v) in row.iter().enumerate().take((to.ceil() as usize).min(row.len())).skip(from as usize) {
                sum += f64::from(v) * (to.min((x + 1) as f64) - from.max(x as f64)).max(0.0);
            }
            data.push((sum / factor) as f32);
        }
    }
    Plane::from_vec(Size { width, height: plane.height() }, data)
}

fn transposed(plane: &Plane<f32>) -> Plane<f32> {
    let Size { width, height } = plane.size();
    let data = (0..width * height).map(|i| plane.at(i / height, i % height)).collect();
    Plane::from_vec(Size { width: height, height: width }, data)
}
