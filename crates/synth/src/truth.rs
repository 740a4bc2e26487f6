//! What is really there, told beside the picture.

use rayon::prelude::*;
use serde::Serialize;

use crate::camera::exact_f_number;
use crate::develop::Rendered;
use crate::expose::{Exposure, Glass};
use crate::optics::Shadow;
use crate::random::Random;
use crate::tone::Tone;

/// Weights of linear sRGB in luminance (IEC 61966-2-1).
const LUMINANCE: [f32; 3] = [0.2126, 0.7152, 0.0722];

/// The truth of one file.
#[derive(Debug, Clone, Serialize)]
pub struct Truth {
    /// Width and height of the default crop, px.
    pub size: [usize; 2],
    /// Pixel pitch.
    pub pitch_um: f64,
    /// F-number as marked.
    pub f_number: f64,
    /// The f-number the light went by.
    pub f_number_exact: f64,
    /// Stand-off of the cover glass.
    pub stand_off_mm: f64,
    /// Distance of the exit pupil from the sensor.
    pub exit_pupil_mm: f64,
    /// Shift of the pupil, picture axes.
    pub lens_shift_mm: [f64; 2],
    /// How shadows were worked out.
    pub mode: &'static str,
    /// Exif orientation; everything here is told before it is applied.
    pub orientation: u16,
    /// ISO setting.
    pub iso: f64,
    /// What was done wrong on purpose: the fitness code a judge should give, none for a good frame.
    pub unfit: Option<&'static str>,
    /// The motes whose shadows touch the picture.
    pub motes: Vec<MoteTruth>,
}

/// The truth of one mote in one file.
#[derive(Debug, Clone, Serialize)]
pub struct MoteTruth {
    /// Its number.
    pub id: u32,
    /// Centroid of the light it stops, px of the default crop, pixel centres at .5.
    pub x_px: f64,
    /// The same, down.
    pub y_px: f64,
    /// Centroid of the light it takes from the picture itself, px: the same place unless the picture's edge cuts the
    /// shadow, and then all that anyone can find of a fibre or a residue.
    pub seen_px: [f64; 2],
    /// The same as `x_px` on the sensor, mm from the centre of the crop.
    pub x_mm: f64,
    /// The same, down.
    pub y_mm: f64,
    /// Its place on the glass, mm.
    pub glass_mm: [f64; 2],
    /// Area that stops light, on the glass.
    pub blocked_area_um2: f64,
    /// Diameter of the opaque disc of that area.
    pub equivalent_diameter_um: f64,
    /// Noise-free loss at the centre, green.
    pub depth: f64,
    /// Noise-free loss at the centre, luminance of the linear picture.
    pub depth_luminance: f64,
    /// Largest noise-free loss of any pixel, green.
    pub depth_max: f64,
    /// Diameter of the disc of the area that loses at least half the centre's depth (of the largest loss, for
    /// shapes without a dark centre).
    pub shadow_width_px: f64,
    /// Matched-filter signal to noise ratio in this file. Raw: over all photosites, from the camera's own
    /// noise. Rendered: luminance, against the noise measured in this file with the shadow's own shape
    /// (neighbouring pixels hang together, which a sum over pixels would miss).
    pub snr: f64,
    /// Rendered: the ratio as if the noise of all pixels were independent. Raw: the same as `snr`.
    pub snr_independent: f64,
    /// grain, fibre, residue, ring, oil.
    pub kind: &'static str,
    /// Name of the shape.
    pub shape: &'static str,
    /// Whether it stops all light.
    pub opaque: bool,
    /// Its stand-off.
    pub stand_off_mm: f64,
    /// Whether the whole shadow is in the picture.
    pub whole: bool,
    /// Numbers of motes whose shadows (down to a tenth of their depth) share pixels with it.
    pub overlaps: Vec<u32>,
}

/// Truth of an exposure in the file that shows it: `seen` is what a reader sees of a rendered file.
pub fn truth(exposure: &Exposure, seen: Option<(&Rendered, Tone)>, unfit: Option<&'static str>) -> Truth {
    let camera = &exposure.camera;
    let noise = seen.map(|(picture, tone)| FileNoise::measure(exposure, picture, tone));
    let motes = (0..exposure.motes.len())
        .into_par_iter()
        .filter(|&i| touches(&exposure.shadows[i], camera.width, camera.height))
        .map(|i| mote_truth(exposure, i, noise.as_ref()))
        .collect();
    Truth {
        size: [camera.width, camera.height],
        pitch_um: camera.pitch_um,
        f_number: exposure.shot.f_number,
        f_number_exact: exact_f_number(exposure.shot.f_number),
        stand_off_mm: camera.stand_off_mm,
        exit_pupil_mm: exposure.lens.exit_pupil_mm,
        lens_shift_mm: exposure.lens.shift_mm,
        mode: exposure.mode.name(),
        orientation: exposure.shot.orientation,
        iso: exposure.shot.iso,
        unfit,
        motes,
    }
}

fn touches(shadow: &Shadow, width: usize, height: usize) -> bool {
    let edge = |low: i64, length: usize, end: usize| low < end as i64 && low + length as i64 > 0;
    edge(shadow.x, shadow.width, width) && edge(shadow.y, shadow.height, height)
}

fn mote_truth(exposure: &Exposure, index: usize, noise: Option<&FileNoise>) -> MoteTruth {
    let (camera, mote, shadow) = (&exposure.camera, &exposure.motes[index], &exposure.shadows[index]);
    let [x_px, y_px] = shadow.centre_px;
    let depths: [f64; 3] = std::array::from_fn(|colour| loss_between(shadow, colour, x_px, y_px));
    let depth_max = f64::from(shadow.loss[1].iter().copied().fold(0.0, f32::max));
    let dark_centre = depths[1] > 0.3 * depth_max;
    let half = if dark_centre { depths[1] } else { depth_max } / 2.0;
    let (snr, snr_independent) = match noise {
        None => {
            let snr = raw_snr(exposure, shadow);
            (snr, snr)
        }
        Some(noise) => noise.snr(exposure, index),
    };
    let mm = camera.pitch_um / 1000.0;
    let inside = |colour: usize, tenth: f32| {
        let window = (0..shadow.height).flat_map(move |row| (0..shadow.width).map(move |column| (column, row)));
        window
            .filter(move |(column, row)| shadow.loss[colour][row * shadow.width + column].abs() > tenth)
            .map(|(column, row)| (shadow.x + column as i64, shadow.y + row as i64))
    };
    let tenth = (depth_max / 10.0) as f32;
    let whole =
        inside(1, tenth).all(|(x, y)| (0..camera.width as i64).contains(&x) && (0..camera.height as i64).contains(&y));
    let overlaps = exposure
        .shadows
        .iter()
        .filter(|other| other.id != shadow.id && windows_meet(shadow, other))
        .filter(|other| {
            let depth = other.loss[1].iter().copied().fold(0.0, f32::max);
            inside(1, tenth).any(|(x, y)| other.loss_at(1, x, y) > depth / 10.0)
        })
        .map(|other| other.id)
        .collect();
    MoteTruth {
        id: mote.id,
        x_px,
        y_px,
        seen_px: seen(shadow, camera.width as i64, camera.height as i64).unwrap_or(shadow.centre_px),
        x_mm: (x_px - camera.width as f64 / 2.0) * mm,
        y_mm: (y_px - camera.height as f64 / 2.0) * mm,
        glass_mm: mote.at_mm,
        blocked_area_um2: shadow.blocked_area_um2,
        equivalent_diameter_um: (4.0 * shadow.blocked_area_um2 / std::f64::consts::PI).sqrt(),
        depth: depths[1],
        depth_luminance: (0..3).map(|c| f64::from(LUMINANCE[c]) * depths[c]).sum(),
        depth_max,
        shadow_width_px: width_at(shadow, half),
        snr,
        snr_independent,
        kind: mote.shape.kind(),
        shape: mote.shape.name(),
        opaque: mote.shape.opaque(),
        stand_off_mm: mote.stand_off_mm.unwrap_or(camera.stand_off_mm),
        whole,
        overlaps,
    }
}

/// Centroid of the loss inside the picture, none where nothing is lost there.
fn seen(shadow: &Shadow, width: i64, height: i64) -> Option<[f64; 2]> {
    let (mut sum, mut x_sum, mut y_sum) = (0.0f64, 0.0f64, 0.0f64);
    for (x, y) in pixels_of(shadow, width, height) {
        let loss = f64::from(shadow.loss_at(1, x, y).max(0.0));
        sum += loss;
        x_sum += loss * (x as f64 + 0.5);
        y_sum += loss * (y as f64 + 0.5);
    }
    (sum > 0.0).then(|| [x_sum / sum, y_sum / sum])
}

/// The pixels of a shadow's window that lie in the picture, row by row.
fn pixels_of(shadow: &Shadow, width: i64, height: i64) -> impl Iterator<Item = (i64, i64)> {
    let columns = shadow.x.max(0)..(shadow.x + shadow.width as i64).min(width);
    let rows = shadow.y.max(0)..(shadow.y + shadow.height as i64).min(height);
    rows.flat_map(move |y| columns.clone().map(move |x| (x, y)))
}

fn windows_meet(a: &Shadow, b: &Shadow) -> bool {
    a.x < b.x + b.width as i64
        && b.x < a.x + a.width as i64
        && a.y < b.y + b.height as i64
        && b.y < a.y + a.height as i64
}

/// Loss at a place between pixel centres.
fn loss_between(shadow: &Shadow, colour: usize, x: f64, y: f64) -> f64 {
    let (left, top) = ((x - 0.5).floor(), (y - 0.5).floor());
    let (u, v) = (x - 0.5 - left, y - 0.5 - top);
    let at = |i: i64, j: i64| f64::from(shadow.loss_at(colour, left as i64 + i, top as i64 + j));
    (at(0, 0) * (1.0 - u) + at(1, 0) * u) * (1.0 - v) + (at(0, 1) * (1.0 - u) + at(1, 1) * u) * v
}

/// Diameter of the disc of the area that loses at least `half`, px.
fn width_at(shadow: &Shadow, half: f64) -> f64 {
    const FINER: usize = 4;
    let step = 1.0 / FINER as f64;
    let mut count = 0usize;
    for (i, _) in shadow.loss[1].iter().enumerate().filter(|(_, loss)| f64::from(**loss) > 0.3 * half) {
        let (x, y) = (shadow.x + (i % shadow.width) as i64, shadow.y + (i / shadow.width) as i64);
        for part in 0..FINER * FINER {
            let (u, v) = ((part % FINER) as f64 + 0.5, (part / FINER) as f64 + 0.5);
            count += usize::from(loss_between(shadow, 1, x as f64 + u * step, y as f64 + v * step) >= half);
        }
    }
    (4.0 * count as f64 * step * step / std::f64::consts::PI).sqrt()
}

/// Signal to noise ratio over all photosites of the default crop that are not clipped.
fn raw_snr(exposure: &Exposure, shadow: &Shadow) -> f64 {
    let camera = &exposure.camera;
    let full = camera.electrons_at_white(exposure.shot.iso);
    let step = full / f64::from(camera.white - camera.black);
    let (origin_x, origin_y) = camera.crop_origin();
    let mut sum = 0.0;
    for (x, y) in pixels_of(shadow, camera.width as i64, camera.height as i64) {
        let colour = camera.cfa.colour(x as usize + origin_x, y as usize + origin_y);
        let light = f64::from(exposure.light(x, y)[colour]) * camera.neutral[colour];
        if light > 0.999 {
            continue;
        }
        let mean = light * full;
        let variance = mean + camera.read_noise_e.powi(2) + step * step / 12.0 + (camera.prnu * mean).powi(2);
        let signal = mean * f64::from(shadow.loss_at(colour, x, y));
        sum += signal * signal / variance;
    }
    sum.sqrt()
}

/// Noise of a rendered file: seen luminance against noise-free luminance, relative to that of the clean picture.
struct FileNoise {
    tone: Tone,
    width: usize,
    height: usize,
    relative: Vec<f32>,
}

impl FileNoise {
    fn measure(exposure: &Exposure, picture: &Rendered, tone: Tone) -> Self {
        let (width, height) = (picture.width, picture.height);
        let decoded: Vec<f32> = (0..=u16::MAX).map(|v| tone.decode_as_told(f32::from(v) / 65535.0)).collect();
        let mut relative = vec![0.0f32; width * height];
        relative.par_chunks_mut(width).enumerate().for_each(|(y, row)| {
            let (clean, dimmed) =
                (exposure.light_row(y as i64, Glass::Clean), exposure.light_row(y as i64, Glass::AsItIs));
            let at = |rows: &[Vec<f32>; 3], x: usize| luminance(tone, std::array::from_fn(|c| rows[c][x]));
            let pixels = picture.samples[y * width * 3..].chunks_exact(3);
            for (x, (noise, pixel)) in row.iter_mut().zip(pixels).enumerate() {
                let seen: f32 = (0..3).map(|c| LUMINANCE[c] * decoded[usize::from(pixel[c])]).sum();
                *noise = (seen - at(&dimmed, x)) / at(&clean, x).max(1e-4);
            }
        });
        FileNoise { tone, width, height, relative }
    }

    /// Signal to noise ratios of a mote's shadow: with the noise as it is, and as if it were independent.
    fn snr(&self, exposure: &Exposure, index: usize) -> (f64, f64) {
        const PLACES: usize = 400;
        let shadow = &exposure.shadows[index];
        let Some((left, right, top, bottom)) = telling_part(shadow, self.width as i64, self.height as i64) else {
            return (0.0, 0.0);
        };
        let (columns, rows) = ((right - left) as usize, (bottom - top) as usize);
        let shape: Vec<f32> = (0..rows * columns)
            .map(|i| {
                let (x, y) = (left + (i % columns) as i64, top + (i / columns) as i64);
                let light = exposure.light(x, y);
                let dimmed = std::array::from_fn(|c| light[c] * (1.0 - shadow.loss_at(c, x, y)).max(0.0));
                1.0 - luminance(self.tone, dimmed) / luminance(self.tone, light).max(1e-4)
            })
            .collect();
        let power: f64 = shape.iter().map(|&v| f64::from(v * v)).sum();
        // Noise from around the mote: it depends on the light.
        let mut random = Random::new(exposure.shot.seed, 0x0f11e + index as u64);
        let mut place = |middle: i64, length: usize, end: usize| {
            let room = (end - length) as f64;
            let reach = room.min(600.0) / 2.0;
            let centre = (middle as f64).clamp(reach, room - reach);
            random.between(centre - reach, centre + reach).round() as usize
        };
        let (mut response, mut single, mut count) = (0.0f64, 0.0f64, 0.0f64);
        for _ in 0..PLACES {
            let (x, y) = (place(left, columns, self.width), place(top, rows, self.height));
            let mut sum = 0.0f64;
            for (row, wanted) in shape.chunks_exact(columns).enumerate() {
                let noise = &self.relative[(y + row) * self.width + x..][..columns];
                sum += f64::from(noise.iter().zip(wanted).map(|(n, s)| n * s).sum::<f32>());
                single += noise.iter().map(|&n| f64::from(n * n)).sum::<f64>();
            }
            count += (rows * columns) as f64;
            response += sum * sum;
        }
        let sd = (response / PLACES as f64).sqrt();
        let sigma = (single / count).sqrt();
        (power / sd.max(1e-12), power.sqrt() / sigma.max(1e-12))
    }
}

/// The part of a shadow's window that lies in the picture and loses or gains more than a hundredth of its largest
/// loss: left, right, top, bottom.
fn telling_part(shadow: &Shadow, width: i64, height: i64) -> Option<(i64, i64, i64, i64)> {
    let least = 0.01 * shadow.loss[1].iter().copied().fold(0.0, f32::max);
    let mut part: Option<(i64, i64, i64, i64)> = None;
    for (x, y) in pixels_of(shadow, width, height) {
        if shadow.loss_at(1, x, y).abs() > least {
            let (left, right, top, bottom) = part.unwrap_or((x, x + 1, y, y + 1));
            part = Some((left.min(x), right.max(x + 1), top.min(y), bottom.max(y + 1)));
        }
    }
    part
}

/// Luminance as a reader of the file finds it.
fn luminance(tone: Tone, light: [f32; 3]) -> f32 {
    let told = |light: f32| match tone {
        Tone::Camera => tone.decode_as_told(tone.encode(light)),
        Tone::Srgb | Tone::Power => light.clamp(0.0, 1.0),
    };
    (0..3).map(|c| LUMINANCE[c] * told(light[c])).sum()
}
