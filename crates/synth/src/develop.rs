//! From the mosaic to a rendered picture, as a camera does it: balance, demosaic, tone.

use rayon::prelude::*;

use crate::camera::Camera;
use crate::expose::Mosaic;

/// How linear light becomes code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// The curve of sRGB (IEC 61966-2-1), nothing else.
    Srgb,
    /// sRGB with the S-shaped contrast curve of a camera's own pictures on top.
    Camera,
}

impl Tone {
    /// Code, 0 to 1, of linear light.
    pub fn encode(self, light: f32) -> f32 {
        let light = light.clamp(0.0, 1.0);
        let code = if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 };
        match self {
            Tone::Srgb => code,
            Tone::Camera => code - 0.35 / std::f32::consts::TAU * (std::f32::consts::TAU * code).sin(),
        }
    }
}

/// Linear light of an sRGB code, 0 to 1 (IEC 61966-2-1).
pub fn srgb_decode(code: f32) -> f32 {
    if code <= 0.040_45 { code / 12.92 } else { ((code + 0.055) / 1.055).powf(2.4) }
}

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

impl Rendered {
    /// The same in 8 bits.
    pub fn to_8_bit(&self) -> Vec<u8> {
        self.samples.iter().map(|&v| ((u32::from(v) + 128) / 257) as u8).collect()
    }
}

/// Renders the default crop of a mosaic: bilinear demosaic in linear light, so that the noise of neighbours
/// hangs together as in a camera's picture, then the tone.
pub fn develop(camera: &Camera, mosaic: &Mosaic, tone: Tone) -> Rendered {
    let (width, height) = (camera.width, camera.height);
    let (origin_x, origin_y) = camera.crop_origin();
    let steps = 4096usize;
    let table: Vec<f32> = (0..=steps + 1).map(|i| 65535.0 * tone.encode((i as f32 / steps as f32).powi(2))).collect();
    let encoded = |light: f32| {
        // The table runs over the square root of light: fine enough in the shadows.
        let at = light.clamp(0.0, 1.0).sqrt() * steps as f32;
        let i = at as usize;
        (table[i] + (table[i + 1] - table[i]) * (at - i as f32)).round() as u16
    };
    let range = f32::from(camera.white - camera.black);
    let scale: [f32; 3] = std::array::from_fn(|c| 1.0 / (range * camera.neutral[c] as f32));
    let mut samples = vec![0u16; width * height * 3];
    samples.par_chunks_mut(width * 3).enumerate().for_each(|(row, out)| {
        let y = row + origin_y;
        let rows = y.saturating_sub(1)..(y + 2).min(mosaic.height);
        for (column, pixel) in out.chunks_exact_mut(3).enumerate() {
            let x = column + origin_x;
            let (mut sum, mut weight) = ([0.0f32; 3], [0.0f32; 3]);
            for j in rows.clone() {
                for i in x.saturating_sub(1)..(x + 2).min(mosaic.width) {
                    let near = f32::from(2 - u8::from(i != x)) * f32::from(2 - u8::from(j != y));
                    let colour = camera.cfa.colour(i, j);
                    sum[colour] += near * f32::from(mosaic.samples[j * mosaic.width + i]);
                    weight[colour] += near;
                }
            }
            let own = camera.cfa.colour(x, y);
            for colour in 0..3 {
                let code = if colour == own {
                    f32::from(mosaic.samples[y * mosaic.width + x])
                } else {
                    sum[colour] / weight[colour].max(1.0)
                };
                pixel[colour] = encoded((code - f32::from(camera.black)) * scale[colour]);
            }
        }
    });
    Rendered { width, height, samples }
}
