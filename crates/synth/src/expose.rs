//! The exposure: light through the motes onto the photosites, noise, codes.

use rayon::prelude::*;

use crate::camera::{Camera, Lens};
use crate::mote::Mote;
use crate::optics::{Mode, Shadow, View, shadows};
use crate::random::{Random, mix, poisson};
use crate::scene::Canvas;

/// How one picture was taken.
#[derive(Debug, Clone)]
pub struct Shot {
    /// F-number as marked (Exif has this one; light goes by the exact number it stands for).
    pub f_number: f64,
    /// ISO setting.
    pub iso: f64,
    /// Exposure time.
    pub exposure_s: f64,
    /// Time taken, `YYYY:MM:DD hh:mm:ss`.
    pub taken: String,
    /// Exif orientation, 1 to 8.
    pub orientation: u16,
    /// What the file tells of the shot.
    pub facts: Facts,
    /// Who took it and what it shows, where the file tells.
    pub caption: Option<Caption>,
    /// What the noise is drawn from.
    pub seed: u64,
}

impl Shot {
    /// An upright shot at base ISO.
    pub fn new(f_number: f64, seed: u64) -> Self {
        Shot {
            f_number,
            iso: 100.0,
            exposure_s: 0.5,
            taken: "2024:05:14 10:30:00".into(),
            orientation: 1,
            facts: Facts::All,
            caption: None,
            seed,
        }
    }
}

/// Who and what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caption {
    /// The photographer.
    pub artist: String,
    /// What the picture shows; plain ASCII, as Exif wants it.
    pub description: String,
}

/// What a file tells of the shot.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Facts {
    /// Everything a camera writes.
    All,
    /// Nothing: only what the picture itself needs.
    None,
    /// As an editor leaves it: cropped (the size that Exif tells is larger) and signed by software.
    Edited,
}

/// Whether the motes are on the glass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Glass {
    /// As it is.
    AsItIs,
    /// As it would be after a perfect cleaning; everything else, noise too, is the same.
    Clean,
}

/// One picture being taken.
#[derive(Debug, Clone)]
pub struct Exposure {
    /// The body.
    pub camera: Camera,
    /// The lens.
    pub lens: Lens,
    /// The settings.
    pub shot: Shot,
    /// What is on the glass.
    pub motes: Vec<Mote>,
    /// How shadows are worked out.
    pub mode: Mode,
    /// What is in front of the lens.
    pub canvas: Canvas,
    /// The shadows of the motes, in their order.
    pub shadows: Vec<Shadow>,
}

/// Raw codes of all photosites, borders included.
#[derive(Debug, Clone)]
pub struct Mosaic {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Codes, row by row.
    pub samples: Vec<u16>,
}

impl Exposure {
    /// Takes the picture: works out all shadows.
    pub fn new(camera: Camera, lens: Lens, shot: Shot, motes: Vec<Mote>, mode: Mode, canvas: Canvas) -> Self {
        let view = View { camera: &camera, lens: &lens, f_number: shot.f_number, mode, fineness: 1 };
        let shadows = shadows(&view, &motes);
        Exposure { camera, lens, shot, motes, mode, canvas, shadows }
    }

    /// Noise-free light at a pixel of the default crop through a clean glass: scene times lens falloff.
    pub fn light(&self, x: i64, y: i64) -> [f32; 3] {
        let (u, v) =
            (x as f64 + 0.5 - self.camera.width as f64 / 2.0, y as f64 + 0.5 - self.camera.height as f64 / 2.0);
        let corner2 = ((self.camera.width.pow(2) + self.camera.height.pow(2)) as f64) / 4.0;
        // (1 + k r^2)^-2 has the form of the cos^4 law and reaches 1 - falloff in the corner.
        let k = (1.0 - self.lens.falloff).powf(-0.5) - 1.0;
        let factor = (1.0 + k * (u * u + v * v) / corner2).powi(-2) as f32;
        self.canvas.light(x, y).map(|light| light * factor)
    }

    /// A row of noise-free light, red, green and blue, through the glass as it is or clean.
    pub fn light_row(&self, y: i64, glass: Glass) -> [Vec<f32>; 3] {
        let mut rows: [Vec<f32>; 3] = std::array::from_fn(|_| vec![0.0; self.camera.width]);
        for x in 0..self.camera.width {
            let light = self.light(x as i64, y);
            rows.iter_mut().zip(light).for_each(|(row, v)| row[x] = v);
        }
        if glass == Glass::AsItIs {
            rows.iter_mut().enumerate().for_each(|(colour, row)| self.dim_row(y, 0, row, |_| colour));
        }
        rows
    }

    /// Noise-free transmission of one colour over the whole default crop, row by row: the product over all motes.
    pub fn transmission_map(&self, colour: usize) -> Vec<f32> {
        let mut map = vec![1.0f32; self.camera.width * self.camera.height];
        map.par_chunks_mut(self.camera.width).enumerate().for_each(|(y, row)| {
            self.dim_row(y as i64, 0, row, |_| colour);
        });
        map
    }

    /// Multiplies a row, which starts at pixel `left`, by the transmission.
    fn dim_row(&self, y: i64, left: i64, row: &mut [f32], colour: impl Fn(usize) -> usize) {
        for shadow in &self.shadows {
            if !(shadow.y..shadow.y + shadow.height as i64).contains(&y) {
                continue;
            }
            let from = (shadow.x - left).clamp(0, row.len() as i64);
            let to = (shadow.x + shadow.width as i64 - left).clamp(0, row.len() as i64);
            for i in from..to {
                let loss = shadow.loss_at(colour(i as usize), left + i, y);
                row[i as usize] *= (1.0 - loss).max(0.0);
            }
        }
    }

    /// The raw codes.
    pub fn mosaic(&self, glass: Glass) -> Mosaic {
        let camera = &self.camera;
        let (width, height) = (camera.mosaic_width(), camera.mosaic_height());
        let mut samples = vec![0u16; width * height];
        samples.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            let mut electrons = vec![0.0f32; width];
            self.electrons_row(y, glass, &mut electrons);
            self.read_out(y, &electrons, row);
        });
        Mosaic { width, height, samples }
    }

    /// Mean electrons of every photosite of a mosaic row.
    fn electrons_row(&self, y: usize, glass: Glass, electrons: &mut [f32]) {
        let camera = &self.camera;
        if y < camera.borders.masked_top {
            return;
        }
        let (origin_x, origin_y) = camera.crop_origin();
        let full = camera.electrons_at_white(self.shot.iso);
        let (left, row) = (camera.borders.masked_left, y as i64 - origin_y as i64);
        let seen: [f32; 3] = std::array::from_fn(|c| (full * camera.neutral[c]) as f32);
        let lit = &mut electrons[left..];
        for (i, v) in lit.iter_mut().enumerate() {
            let colour = camera.cfa.colour(left + i, y);
            *v = self.light((left + i) as i64 - origin_x as i64, row)[colour] * seen[colour];
        }
        if glass == Glass::AsItIs {
            self.dim_row(row, left as i64 - origin_x as i64, lit, |i| camera.cfa.colour(left + i, y));
        }
    }

    /// Photon noise, read noise, faults of the sensor, codes.
    fn read_out(&self, y: usize, electrons: &[f32], row: &mut [u16]) {
        let camera = &self.camera;
        let gain = (f64::from(camera.white - camera.black) / camera.electrons_at_white(self.shot.iso)) as f32;
        let sensor = camera.serial.as_deref().unwrap_or("").bytes().fold(1u64, |h, b| mix(h ^ u64::from(b)));
        let faulty = |share: f64| (share * 1e-6 * 4_294_967_296.0) as u32;
        let (hot, dead) = (faulty(camera.hot_per_million), faulty(camera.dead_per_million));
        let mut random = Random::new(self.shot.seed, y as u64);
        for (x, (sample, &mean)) in row.iter_mut().zip(electrons).enumerate() {
            let own = mix(sensor ^ ((y as u64) << 32 | x as u64));
            let mut mean = mean;
            if camera.prnu > 0.0 {
                // The sum of four even numbers is normal enough for a spread of gains.
                let sum: i32 = (0..4).map(|i| i32::from((own >> (16 * i)) as u16 as i16)).sum();
                mean *= 1.0 + camera.prnu as f32 * (sum as f32 / 37_837.0);
            }
            let (shot_noise, read_noise) = random.normal_pair();
            let counted = poisson(mean, shot_noise, random.unit()) + camera.read_noise_e as f32 * read_noise;
            let code = f32::from(camera.black) + gain * counted + 0.5;
            *sample = code.clamp(0.0, f32::from(camera.white)) as u16;
            let fault = mix(own) as u32;
            if fault < hot {
                *sample = camera.white;
            } else if fault < hot.saturating_add(dead) {
                *sample = camera.black;
            }
        }
    }
}
