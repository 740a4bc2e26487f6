//! From a picture as taken to a picture as delivered: cropped, straightened, resized, toned, sharpened, written.
//! Shares no code with the engine.

use motelight_synth::random::Random;
use motelight_synth::tone::srgb_decode;
use motelight_synth::write::{Chroma, Depth, Endian, jpeg, png, tiff};
use motelight_synth::{Exposure, Glass, Rendered, Tone, develop};
use rayon::prelude::*;

/// Weights of linear sRGB in luminance (IEC 61966-2-1).
pub const LUMINANCE: [f32; 3] = [0.2126, 0.7152, 0.0722];

/// A picture: light or code, 0 to 1.
#[derive(Clone)]
pub struct Rgb {
    pub width: usize,
    pub height: usize,
    pub data: Vec<[f32; 3]>,
}

impl Rgb {
    fn at(&self, x: i64, y: i64) -> [f32; 3] {
        let (x, y) = (x.clamp(0, self.width as i64 - 1), y.clamp(0, self.height as i64 - 1));
        self.data[y as usize * self.width + x as usize]
    }

    /// Between pixel centres (at .5), by Catmull and Rom's cubic.
    fn between(&self, x: f64, y: f64) -> [f32; 3] {
        let (left, top) = ((x - 0.5).floor(), (y - 0.5).floor());
        let weights = |t: f32| {
            [
                ((-0.5 * t + 1.0) * t - 0.5) * t,
                (1.5 * t - 2.5) * t * t + 1.0,
                ((-1.5 * t + 2.0) * t + 0.5) * t,
                (0.5 * t - 0.5) * t * t,
            ]
        };
        let (across, down) = (weights((x - 0.5 - left) as f32), weights((y - 0.5 - top) as f32));
        let mut sum = [0.0f32; 3];
        for (j, v) in down.into_iter().enumerate() {
            for (i, u) in across.into_iter().enumerate() {
                let light = self.at(left as i64 + i as i64 - 1, top as i64 + j as i64 - 1);
                sum.iter_mut().zip(light).for_each(|(s, l)| *s += u * v * l);
            }
        }
        sum
    }

    pub fn luminance(&self, x: usize, y: usize) -> f64 {
        let light = self.data[y * self.width + x];
        (0..3).map(|c| f64::from(LUMINANCE[c] * light[c])).sum()
    }
}

/// The noise-free picture.
pub fn ideal(exposure: &Exposure, glass: Glass) -> Rgb {
    let (width, height) = (exposure.camera.width, exposure.camera.height);
    let rows: Vec<Vec<[f32; 3]>> = (0..height as i64)
        .into_par_iter()
        .map(|y| {
            let rows = exposure.light_row(y, glass);
            (0..width).map(|x| std::array::from_fn(|c| rows[c][x].clamp(0.0, 1.0))).collect()
        })
        .collect();
    Rgb { width, height, data: rows.concat() }
}

/// The picture as the camera takes it, linear.
pub fn taken(exposure: &Exposure, glass: Glass) -> Rgb {
    let Rendered { width, height, samples } = develop(&exposure.camera, &exposure.mosaic(glass), Tone::Srgb);
    let light = |v: &[u16]| std::array::from_fn(|c| srgb_decode(f32::from(v[c]) / 65535.0));
    Rgb { width, height, data: samples.chunks_exact(3).map(light).collect() }
}

/// How a picture is stored.
#[derive(Debug, Clone, Copy)]
pub enum Store {
    Jpeg(u8, Chroma),
    Tiff,
    Png,
}

/// What an editor does to a picture.
#[derive(Debug, Clone)]
pub struct Editing {
    /// Size of the delivered picture.
    pub size: [usize; 2],
    /// Homography from delivered to taken pixels, row by row.
    taken_from_delivered: [f64; 9],
    /// Taken pixels to a delivered one.
    pub pitch: f64,
    gain: f32,
    contrast: f32,
    gamma: f32,
    saturation: f32,
    sharpening: f32,
    radius: f64,
    pub store: Store,
}

impl Editing {
    /// Something that a photographer may do to a picture of that size: crop 60 to 100 %, rotation to 3 degrees,
    /// perspective to 10 %, size 50 to 200 %, tone, sharpening, JPEG 85 to 95 or 16 bits.
    pub fn random(random: &mut Random, width: usize, height: usize) -> Editing {
        let crop = random.between(0.6, 1.0);
        let resize = random.between_log(0.5, 2.0);
        let angle: f64 = if random.chance(0.6) { random.between(-3.0, 3.0f64).to_radians() } else { 0.0 };
        let perspective =
            if random.chance(0.4) { [random.between(-0.1, 0.1), random.between(-0.1, 0.1)] } else { [0.0; 2] };
        let (w, h) = (width as f64, height as f64);
        let size = [w * crop * resize, h * crop * resize].map(|v| v.round() as usize);
        let off = [w, h].map(|v| 0.5 * v * (1.0 - crop) * random.between(-0.9, 0.9));
        let (cos, sin) = (angle.cos() / resize, angle.sin() / resize);
        let (ow, oh) = (0.5 * size[0] as f64, 0.5 * size[1] as f64);
        let (px, py) = (perspective[0] / size[0] as f64, perspective[1] / size[1] as f64);
        // About the middle: p' = c + (R p + perspective).
        let (cx, cy) = (0.5 * w + off[0], 0.5 * h + off[1]);
        let first = [cos + cx * px, -sin + cx * py, cx];
        let second = [sin + cy * px, cos + cy * py, cy];
        let third = [px, py, 1.0];
        let centred = |r: [f64; 3]| [r[0], r[1], r[2] - r[0] * ow - r[1] * oh];
        let rows = [centred(first), centred(second), centred(third)].concat();
        let store = match random.bits() % 4 {
            0 => Store::Tiff,
            1 => Store::Png,
            n => Store::Jpeg(random.between(85.0, 95.5) as u8, if n == 2 { Chroma::Full } else { Chroma::Halved }),
        };
        Editing {
            size,
            taken_from_delivered: std::array::from_fn(|i| rows[i]),
            pitch: 1.0 / resize,
            gain: random.between_log(0.8, 1.25) as f32,
            contrast: random.between(-0.1, 0.8) as f32,
            gamma: random.between_log(0.85, 1.15) as f32,
            saturation: random.between(0.8, 1.35) as f32,
            sharpening: if random.chance(0.75) { random.between(0.2, 1.2) as f32 } else { 0.0 },
            radius: random.between(0.6, 1.4),
            store,
        }
    }

    /// Where a delivered place was in the picture as taken.
    fn taken(&self, x: f64, y: f64) -> [f64; 2] {
        let m = &self.taken_from_delivered;
        let d = m[6] * x + m[7] * y + m[8];
        [(m[0] * x + m[1] * y + m[2]) / d, (m[3] * x + m[4] * y + m[5]) / d]
    }

    /// Where a taken place is delivered: the homography backwards, by Newton's steps.
    pub fn delivered(&self, at: [f64; 2]) -> [f64; 2] {
        let mut p = [0.5 * self.size[0] as f64, 0.5 * self.size[1] as f64];
        for _ in 0..12 {
            let here = self.taken(p[0], p[1]);
            let (right, down) = (self.taken(p[0] + 1.0, p[1]), self.taken(p[0], p[1] + 1.0));
            let (a, b) = (right[0] - here[0], down[0] - here[0]);
            let (c, d) = (right[1] - here[1], down[1] - here[1]);
            let (ex, ey) = (at[0] - here[0], at[1] - here[1]);
            let det = a * d - b * c;
            p = [p[0] + (d * ex - b * ey) / det, p[1] + (a * ey - c * ex) / det];
        }
        p
    }

    /// The delivered picture, codes 0 to 1.
    pub fn apply(&self, picture: &Rgb) -> Rgb {
        let [width, height] = self.size;
        // Made smaller, every pixel is the mean of enough places.
        let fine = self.pitch.ceil().max(1.0) as usize;
        let mut data = vec![[0.0f32; 3]; width * height];
        data.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            for (x, v) in row.iter_mut().enumerate() {
                let mut sum = [0.0f32; 3];
                for part in 0..fine * fine {
                    let place = |i: usize| (i as f64 + 0.5) / fine as f64;
                    let [u, v] = self.taken(x as f64 + place(part % fine), y as f64 + place(part / fine));
                    let light = picture.between(u, v);
                    sum.iter_mut().zip(light).for_each(|(s, l)| *s += l);
                }
                *v = self.toned(sum.map(|s| s / (fine * fine) as f32));
            }
        });
        let mut out = Rgb { width, height, data };
        if self.sharpening > 0.0 {
            sharpen(&mut out, self.radius, self.sharpening);
        }
        out
    }

    fn toned(&self, light: [f32; 3]) -> [f32; 3] {
        let code = light.map(|l| {
            let c = Tone::Srgb.encode((l * self.gain).clamp(0.0, 1.0)).powf(self.gamma);
            c - self.contrast * 0.16 * (std::f32::consts::TAU * c).sin()
        });
        let grey: f32 = code.iter().zip(LUMINANCE).map(|(c, l)| c * l).sum();
        code.map(|c| (grey + (c - grey) * self.saturation).clamp(0.0, 1.0))
    }

    /// The file's bytes.
    pub fn written(&self, exposure: &Exposure, picture: &Rgb) -> Vec<u8> {
        let samples = picture.data.iter().flatten().map(|c| (c * 65535.0 + 0.5) as u16).collect();
        let rendered = Rendered { width: picture.width, height: picture.height, samples };
        let bytes = match self.store {
            Store::Jpeg(quality, chroma) => jpeg(exposure, &rendered, quality, chroma, Tone::Srgb),
            Store::Tiff => tiff(exposure, &rendered, Depth::Sixteen, Endian::Little, Tone::Srgb),
            Store::Png => png(exposure, &rendered, Depth::Sixteen, Tone::Srgb),
        };
        bytes.expect("written")
    }

    pub fn extension(&self) -> &'static str {
        match self.store {
            Store::Jpeg(..) => "jpg",
            Store::Tiff => "tif",
            Store::Png => "png",
        }
    }
}

/// Unsharp masking of the codes' luminance.
fn sharpen(picture: &mut Rgb, radius: f64, amount: f32) {
    let reach = (3.0 * radius).ceil() as i64;
    let taps: Vec<f32> = (-reach..=reach).map(|i| (-0.5 * (i as f64 / radius).powi(2)).exp() as f32).collect();
    let sum: f32 = taps.iter().sum();
    let (width, height) = (picture.width as i64, picture.height as i64);
    let grey: Vec<f32> =
        picture.data.iter().map(|p| p.iter().zip(LUMINANCE).map(|(c, l)| c * l).sum::<f32>()).collect();
    let pass = |from: &[f32], dx: i64, dy: i64| -> Vec<f32> {
        (0..width * height)
            .into_par_iter()
            .map(|i| {
                let (x, y) = (i % width, i / width);
                let tap = |(k, t): (i64, &f32)| {
                    let (u, v) = ((x + k * dx).clamp(0, width - 1), (y + k * dy).clamp(0, height - 1));
                    t * from[(v * width + u) as usize]
                };
                (-reach..=reach).zip(&taps).map(tap).sum::<f32>() / sum
            })
            .collect()
    };
    let blurred = pass(&pass(&grey, 1, 0), 0, 1);
    for (p, (g, b)) in picture.data.iter_mut().zip(grey.iter().zip(&blurred)) {
        *p = p.map(|c| (c + amount * (g - b)).clamp(0.0, 1.0));
    }
}

/// Codes 0 to 1 as linear light.
pub fn linear(picture: &Rgb) -> Rgb {
    Rgb { data: picture.data.par_iter().map(|p| p.map(srgb_decode)).collect(), ..*picture }
}
