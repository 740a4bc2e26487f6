//! From the mosaic to a rendered picture, as a camera does it: balance, demosaic, tone.

use rayon::prelude::*;

use crate::camera::Camera;
use crate::expose::Mosaic;
use crate::tone::Tone;

/// A rendered picture of the default crop.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Red, green, blue codes of 16 bits, row by row.
    pub samples: Vec<u16>,
}

/// Bits per sample of a rendered file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Depth {
    /// 8 bits.
    Eight,
    /// 16 bits.
    Sixteen,
}

impl Rendered {
    /// The same as a file of this depth keeps it.
    pub(crate) fn in_depth(mut self, depth: Depth) -> Self {
        if depth == Depth::Eight {
            self.samples.iter_mut().for_each(|v| *v = ((u32::from(*v) + 128) / 257 * 257) as u16);
        }
        self
    }

    /// The same in 8 bits.
    pub fn to_8_bit(&self) -> Vec<u8> {
        self.samples.iter().map(|&v| ((u32::from(v) + 128) / 257) as u8).collect()
    }
}

/// One neighbour's part in a colour: rows and columns away, weight.
type Tap = (isize, isize, f32);

/// Renders the default crop of a mosaic: bilinear demosaic in linear light, so that the noise of neighbours
/// hangs together as in a camera's picture, then the tone.
pub fn develop(camera: &Camera, mosaic: &Mosaic, tone: Tone) -> Rendered {
    let (width, height) = (camera.width, camera.height);
    let (origin_x, origin_y) = camera.crop_origin();
    let encoder = Encoder::new(tone);
    let range = f32::from(camera.white - camera.black);
    let black = f32::from(camera.black);
    let scale: [f32; 3] = std::array::from_fn(|c| 1.0 / (range * camera.neutral[c] as f32));
    let taps = taps(camera);
    let lit = Lit { left: camera.borders.masked_left, top: camera.borders.masked_top };
    let mut samples = vec![0u16; width * height * 3];
    samples.par_chunks_mut(width * 3).enumerate().for_each(|(row, out)| {
        let y = row + origin_y;
        let phases = &taps[y % camera.cfa.height * camera.cfa.width..][..camera.cfa.width];
        // The rows above and below; at the picture's edge the row itself, whose taps then stand for them.
        let rows = [y.saturating_sub(1), y, (y + 1).min(mosaic.height - 1)];
        let rows = rows.map(|y| &mosaic.samples[y * mosaic.width..][..mosaic.width]);
        let at_edge = y == lit.top || y + 1 == mosaic.height;
        for (column, pixel) in out.chunks_exact_mut(3).enumerate() {
            let x = column + origin_x;
            let colours = &phases[x % camera.cfa.width];
            let edge = at_edge || x == lit.left || x + 1 == mosaic.width;
            for ((code, taps), scale) in pixel.iter_mut().zip(colours).zip(scale) {
                let light = if edge {
                    edge_light(mosaic, &lit, x, y, taps)
                } else {
                    let near =
                        |&(j, i, weight): &Tap| weight * f32::from(rows[(1 + j) as usize][x.wrapping_add_signed(i)]);
                    taps.iter().map(near).sum()
                };
                *code = encoder.encode((light - black) * scale);
            }
        }
    });
    Rendered { width, height, samples }
}

/// For every place of the colour pattern, row by row, the neighbours that make up each colour there.
fn taps(camera: &Camera) -> Vec<[Vec<Tap>; 3]> {
    let cfa = &camera.cfa;
    let place = |p: usize| {
        let (x, y) = (p % cfa.width + cfa.width, p / cfa.width + cfa.height);
        std::array::from_fn(|colour| {
            if cfa.colour(x, y) == colour {
                return vec![(0, 0, 1.0)];
            }
            let around = (-1..=1isize).flat_map(|j| (-1..=1isize).map(move |i| (j, i)));
            let of_colour =
                around.filter(|(j, i)| cfa.colour(x.wrapping_add_signed(*i), y.wrapping_add_signed(*j)) == colour);
            let mut taps: Vec<Tap> = of_colour.map(|(j, i)| (j, i, if i == 0 || j == 0 { 2.0 } else { 1.0 })).collect();
            let sum: f32 = taps.iter().map(|tap| tap.2).sum();
            taps.iter_mut().for_each(|tap| tap.2 /= sum);
            taps
        })
    };
    (0..cfa.width * cfa.height).map(place).collect()
}

/// First column and row that light falls on: shielded photosites are no neighbours.
struct Lit {
    left: usize,
    top: usize,
}

/// The same where some neighbours are missing.
fn edge_light(mosaic: &Mosaic, lit: &Lit, x: usize, y: usize, taps: &[Tap]) -> f32 {
    let (mut sum, mut weights) = (0.0, 0.0);
    for &(j, i, weight) in taps {
        let (column, row) = (x.wrapping_add_signed(i), y.wrapping_add_signed(j));
        if (lit.left..mosaic.width).contains(&column) && (lit.top..mosaic.height).contains(&row) {
            sum += weight * f32::from(mosaic.samples[row * mosaic.width + column]);
            weights += weight;
        }
    }
    sum / f32::max(weights, f32::EPSILON)
}

/// A tone as a table over the square root of light, fine enough in the shadows.
struct Encoder(Vec<f32>);

impl Encoder {
    const STEPS: usize = 4096;

    fn new(tone: Tone) -> Self {
        let code = |i: usize| 65535.0 * tone.encode((i as f32 / Self::STEPS as f32).powi(2));
        Encoder((0..=Self::STEPS + 1).map(code).collect())
    }

    fn encode(&self, light: f32) -> u16 {
        let at = light.clamp(0.0, 1.0).sqrt() * Self::STEPS as f32;
        let i = at as usize;
        (self.0[i] + (self.0[i + 1] - self.0[i]) * (at - i as f32) + 0.5) as u16
    }
}
