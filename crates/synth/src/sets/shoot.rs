//! Whole shoots: one body, two lenses, skies and house fronts, birds, and motes that arrive on the way.

use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::Serialize;

use super::{COMMON_UM, dust};
use crate::camera::{Blades, Camera, Lens};
use crate::expose::{Exposure, Shot};
use crate::mote::{Mote, Shape};
use crate::optics::Mode;
use crate::random::Random;
use crate::scene::{Canvas, Painting, View};
use crate::tone::Tone;
use crate::truth::{MoteTruth, Truth};
use crate::write::{Chroma, Format, SynthError};

/// What a shoot should be. Everything not told here is drawn from the seed.
#[derive(Debug, Clone)]
pub struct ShootSpec {
    /// Seed of everything.
    pub seed: u64,
    /// How many pictures.
    pub pictures: usize,
    /// Width of the default crop, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Pixel pitch.
    pub pitch_um: f64,
    /// How many motes lie on the glass in the end.
    pub motes: usize,
    /// What the pictures are of.
    pub subject: Subject,
    /// How shadows are worked out.
    pub mode: Mode,
    /// Quality of the JPEGs, 1 to 100; `None`: drawn, 90 to 95.
    pub quality: Option<u8>,
}

/// What the pictures of a shoot are of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Subject {
    /// Skies, fields, hills, the sea, house fronts; two lenses, portrait and landscape.
    Town,
    /// The same house fronts again and again from a tripod, one lens.
    Tripod,
    /// Nothing but clear skies at f/11, one lens, all motes there from the start.
    Plain,
}

impl ShootSpec {
    /// A shoot in a town of this many pictures.
    pub fn new(seed: u64, pictures: usize) -> Self {
        ShootSpec {
            seed,
            pictures,
            width: 2400,
            height: 1600,
            pitch_um: 6.0,
            motes: 24,
            subject: Subject::Town,
            mode: Mode::PupilIntegral,
            quality: None,
        }
    }
}

/// The truth of a shoot.
#[derive(Debug, Clone, Serialize)]
pub struct ShootTruth {
    /// Stand-off of the cover glass.
    pub stand_off_mm: f64,
    /// The motes, and since which picture each is there (0: from the start).
    pub motes: Vec<Arrival>,
    /// The pictures in the order they were taken.
    pub pictures: Vec<PictureTruth>,
}

/// When a mote came.
#[derive(Debug, Clone, Serialize)]
pub struct Arrival {
    /// Its number.
    pub id: u32,
    /// Its place on the glass, mm.
    pub glass_mm: [f64; 2],
    /// Number of the first picture that has it.
    pub first: usize,
}

/// The truth of one picture of a shoot.
#[derive(Debug, Clone, Serialize)]
pub struct PictureTruth {
    /// File name.
    pub file: String,
    /// Name of the lens.
    pub lens: String,
    /// Everything else.
    #[serde(flatten)]
    pub truth: Truth,
    /// Per mote of `truth`, in its order: how uneven the scene itself is around it, as the root mean square
    /// deviation of the logarithm of its luminance from a plane within one and a half shadow widths.
    pub unevenness: Vec<f64>,
}

/// One picture of a shoot before it is taken.
struct Page {
    view: View,
    seed: u64,
    f_number: f64,
    orientation: u16,
    second_lens: bool,
    taken: String,
}

/// Takes and writes all pictures of a shoot and `truth.json` beside them; gives their paths.
///
/// # Errors
/// When the folder cannot be written to.
pub fn shoot(spec: &ShootSpec, folder: &Path) -> Result<(Vec<PathBuf>, ShootTruth), SynthError> {
    std::fs::create_dir_all(folder).map_err(|source| SynthError::Disk { path: folder.into(), source })?;
    let mut random = Random::new(spec.seed, 0x5407);
    let (camera, lenses) = kit(spec, &mut random);
    let pages = pages(spec, &mut random);
    let motes = settled(spec, &camera, &pages, &mut random);
    let tone = if spec.seed.is_multiple_of(3) { Tone::Camera } else { Tone::Srgb };
    let drawn = random.pick(&[90, 93, 95]);
    let format = Format::Jpeg(spec.quality.unwrap_or(drawn), random.pick(&[Chroma::Full, Chroma::Halved]), tone);
    let taken: Result<Vec<_>, SynthError> = (0..pages.len())
        .into_par_iter()
        .map(|k| {
            let page = &pages[k];
            let lens = lenses[usize::from(page.second_lens)].clone();
            let mut shot = Shot::new(page.f_number, spec.seed.wrapping_mul(1000) + k as u64);
            (shot.orientation, shot.exposure_s, shot.taken) = (page.orientation, 0.005, page.taken.clone());
            let mut painting = page.view.paint(spec.width, spec.height, page.orientation, page.seed);
            if spec.subject == Subject::Town {
                birds(&mut painting, &mut Random::new(page.seed, 0xb14d));
            }
            let here = motes.iter().filter(|(_, first)| *first <= k).map(|(m, _)| m.clone()).collect();
            let name = lens.model.clone();
            let exposure = Exposure::new(camera.clone(), lens, shot, here, spec.mode, Canvas::Painting(painting));
            let file = format!("picture-{:04}.jpg", k + 1);
            let path = folder.join(&file);
            let encoded = crate::write::encode(&exposure, format, crate::expose::Glass::AsItIs)?;
            let seen = encoded.seen.as_ref().map(|seen| (seen, tone));
            let truth = crate::truth::truth(&exposure, seen, None);
            crate::write::save(&path, &encoded.bytes)?;
            let unevenness = truth.motes.iter().map(|m| unevenness(&exposure, m)).collect();
            Ok((path, PictureTruth { file, lens: name, truth, unevenness }))
        })
        .collect();
    let (paths, pictures) = taken?.into_iter().unzip();
    let motes = motes.iter().map(|(m, first)| Arrival { id: m.id, glass_mm: m.at_mm, first: *first }).collect();
    let truth = ShootTruth { stand_off_mm: camera.stand_off_mm, motes, pictures };
    let json = serde_json::to_vec(&truth).map_err(|e| SynthError::Encode(e.to_string()))?;
    crate::write::save(&folder.join("truth.json"), &json)?;
    Ok((paths, truth))
}

fn kit(spec: &ShootSpec, random: &mut Random) -> (Camera, [Lens; 2]) {
    let mut camera = Camera::new(spec.width, spec.height, spec.pitch_um);
    camera.stand_off_mm = random.between(0.8, 2.2);
    camera.serial = Some(format!("H2-{:06}", random.bits() % 1_000_000));
    camera.full_well_e = random.between(25_000.0, 60_000.0);
    let mut lens = |name: &str, focal: f64, pupil: f64| {
        let mut lens = Lens::new(pupil);
        (lens.model, lens.focal_length_mm) = (name.into(), focal);
        lens.falloff = random.between(0.05, 0.3);
        lens.shift_mm = [random.between(-0.5, 0.5), random.between(-0.5, 0.5)];
        lens.blades = random.chance(0.5).then(|| Blades { count: random.pick(&[7, 9]), rotation: 0.3 });
        lens
    };
    let first = lens("Ornell 24mm f/2", 24.0, 58.0);
    let second = lens("Ornell 70mm f/2.8", 70.0, 92.0);
    (camera, [first, second])
}

fn pages(spec: &ShootSpec, random: &mut Random) -> Vec<Page> {
    let same = random.bits();
    let mut second_lens = false;
    let mut minute = 0u32;
    (0..spec.pictures)
        .map(|k| {
            minute += 1 + (random.bits() % 4) as u32;
            let taken = format!("2024:05:{:02} {:02}:{:02}:00", 14 + minute / 600, 9 + minute / 60 % 10, minute % 60);
            if spec.subject == Subject::Town && k > 0 && random.chance(0.14) {
                second_lens = !second_lens;
            }
            let (view, seed, f_number, orientation) = match spec.subject {
                Subject::Town => {
                    let view = random.pick(&[
                        View::Clouds,
                        View::ClearSky,
                        View::Field,
                        View::Hills,
                        View::Lighthouse,
                        View::Facade,
                        View::Harbour,
                        View::Facade,
                    ]);
                    let f_number = random.pick(&[5.6, 6.3, 8.0, 8.0, 9.0, 11.0, 11.0, 13.0, 16.0]);
                    (view, random.bits(), f_number, random.pick(&[1, 1, 1, 6, 8]))
                }
                Subject::Tripod => (View::Facade, same, random.pick(&[8.0, 11.0, 16.0]), 1),
                Subject::Plain => (View::ClearSky, random.bits(), 11.0, 1),
            };
            Page { view, seed, f_number, orientation, second_lens, taken }
        })
        .collect()
}

/// The motes and since which picture each is there. Half of those that come on the way come with a change of lens.
fn settled(spec: &ShootSpec, camera: &Camera, pages: &[Page], random: &mut Random) -> Vec<(Mote, usize)> {
    let changes: Vec<usize> = (1..pages.len()).filter(|&k| pages[k].second_lens != pages[k - 1].second_lens).collect();
    let mut motes = dust(random, camera, spec.motes, true, COMMON_UM);
    for mote in &mut motes {
        let diameter = random.between_log(9.0, 75.0);
        if let Shape::Grain { diameter_um } | Shape::Irregular { diameter_um, .. } = &mut mote.shape {
            *diameter_um = diameter;
        }
    }
    motes
        .into_iter()
        .map(|mote| {
            let first = if spec.subject == Subject::Plain || random.chance(0.6) || pages.len() < 2 {
                0
            } else if !changes.is_empty() && random.chance(0.5) {
                random.pick(&changes)
            } else {
                1 + (random.bits() % (pages.len() as u64 - 1)) as usize
            };
            (mote, first)
        })
        .collect()
}

/// A few dark birds, each two wings of a few to some tens of pixels.
fn birds(painting: &mut Painting, random: &mut Random) {
    let (width, height) = (painting.width as f64, painting.height as f64);
    for _ in 0..random.bits() % 9 {
        let (x, y) = (random.between(0.0, width), random.between(0.0, height));
        let (span, turn) = (random.between_log(4.0, 40.0), random.between(0.0, 6.3));
        let dark = random.between(0.02, 0.3) as f32;
        let reach = span as i64 + 2;
        for j in -reach..=reach {
            for i in -reach..=reach {
                let (sin, cos) = f64::sin_cos(turn);
                let (u, v) = (f64::from(i as i32), f64::from(j as i32));
                let (along, across) = ((u * cos + v * sin) / span, (v * cos - u * sin) / span);
                let wing = (across + 0.3 * along.abs()).abs() < 0.12 * (1.0 - along.abs()) + 0.02 && along.abs() < 0.5;
                let (column, row) = (x as i64 + i, y as i64 + j);
                let inside = (0..painting.width as i64).contains(&column) && (0..painting.height as i64).contains(&row);
                if wing && inside {
                    let light = &mut painting.light[row as usize * painting.width + column as usize];
                    *light = light.map(|v| v * dark);
                }
            }
        }
    }
}

fn unevenness(exposure: &Exposure, mote: &MoteTruth) -> f64 {
    const POINTS: i64 = 12;
    let step = 1.5 * mote.shadow_width_px.max(4.0) / POINTS as f64;
    let mut sums = [0.0f64; 4];
    let mut values = Vec::new();
    for j in -POINTS..=POINTS {
        for i in -POINTS..=POINTS {
            if i * i + j * j > POINTS * POINTS {
                continue;
            }
            let (x, y) = (mote.x_px + i as f64 * step, mote.y_px + j as f64 * step);
            let light = exposure.light(x.floor() as i64, y.floor() as i64);
            let ln = f64::from(0.2126 * light[0] + 0.7152 * light[1] + 0.0722 * light[2]).max(1e-4).ln();
            values.push((i as f64, j as f64, ln));
            sums[0] += ln;
            sums[1] += ln * i as f64;
            sums[2] += ln * j as f64;
            sums[3] += (i * i) as f64;
        }
    }
    let mean = sums[0] / values.len() as f64;
    let (across, down) = (sums[1] / sums[3], sums[2] / sums[3]);
    let squares: f64 = values.iter().map(|(i, j, ln)| (ln - mean - across * i - down * j).powi(2)).sum();
    (squares / values.len() as f64).sqrt()
}
