//! Test frames of all sorts, from a seed: each with its own body, lens, light and dust.

use std::f64::consts::TAU;
use std::path::{Path, PathBuf};

use crate::camera::{Blades, Borders, Camera, Cfa, Lens};
use crate::develop::Tone;
use crate::expose::{Exposure, Facts, Glass, Shot};
use crate::mote::{Mote, Shape};
use crate::optics::Mode;
use crate::random::Random;
use crate::scene::{Canvas, Texture, Wall};
use crate::truth::{Truth, truth};
use crate::write::{Chroma, Compression, Depth, Endian, Format, SynthError, encode, save};

/// What a test frame should be. Everything not told here is drawn from the seed.
#[derive(Debug, Clone)]
pub struct FrameSpec {
    /// Seed of everything.
    pub seed: u64,
    /// Width of the default crop, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// How many motes.
    pub motes: usize,
    /// How shadows are worked out.
    pub mode: Mode,
    /// F-number; `None`: one of f/16 to f/22.
    pub f_number: Option<f64>,
    /// Stand-off; `None`: 0.7 to 2.5 mm.
    pub stand_off_mm: Option<f64>,
    /// Opaque motes only, round and irregular; else all kinds.
    pub grains_only: bool,
    /// What is wrong with the frame.
    pub fault: Option<Fault>,
}

impl FrameSpec {
    /// A fit frame of 6 megapixels with grains, by waves.
    pub fn new(seed: u64, motes: usize) -> Self {
        FrameSpec {
            seed,
            width: 3000,
            height: 2000,
            motes,
            mode: Mode::Fresnel,
            f_number: None,
            stand_off_mm: None,
            grains_only: false,
            fault: None,
        }
    }
}

/// Ways to spoil a test frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// Taken at f/4.
    WideOpen,
    /// A good part stands at full scale.
    Clipped,
    /// Hardly any light.
    Dark,
    /// A very high ISO.
    HighIso,
    /// Lit from one side only.
    Uneven,
    /// A textured wall, neither moved nor out of focus.
    SharpWall,
    /// No facts of the shot in the file.
    NoFacts,
    /// Cropped in an editor.
    Edited,
}

impl Fault {
    /// All of them.
    pub const ALL: [Fault; 8] = [
        Fault::WideOpen,
        Fault::Clipped,
        Fault::Dark,
        Fault::HighIso,
        Fault::Uneven,
        Fault::SharpWall,
        Fault::NoFacts,
        Fault::Edited,
    ];

    /// The fitness code of a right judgement.
    pub fn code(self) -> &'static str {
        match self {
            Fault::WideOpen => "aperture_too_wide",
            Fault::Clipped => "clipped",
            Fault::Dark => "too_dark",
            Fault::HighIso => "iso_too_high",
            Fault::Uneven => "uneven",
            Fault::SharpWall => "wall_sharp",
            Fault::NoFacts => "no_shot_facts",
            Fault::Edited => "edited_or_cropped",
        }
    }
}

/// A test frame.
pub fn test_frame(spec: &FrameSpec) -> Exposure {
    let mut random = Random::new(spec.seed, 0x7e57);
    let (camera, lens) = body_and_lens(&mut random, spec);
    let mut shot = Shot::new(spec.f_number.unwrap_or_else(|| random.pick(&[16.0, 18.0, 20.0, 22.0])), spec.seed);
    shot.iso = random.pick(&[64.0, 100.0, 100.0, 100.0, 200.0]);
    shot.exposure_s = random.pick(&[0.25, 0.5, 0.5, 1.0]);
    shot.orientation = random.pick(&[1, 1, 1, 6, 8]);
    let wall = wall(&mut random, spec, &mut shot);
    let dust = dust(&mut random, &camera, spec.motes, spec.grains_only);
    Exposure::new(camera, lens, shot, dust, spec.mode, Canvas::Wall(wall))
}

fn body_and_lens(random: &mut Random, spec: &FrameSpec) -> (Camera, Lens) {
    let mut camera = Camera::new(spec.width, spec.height, random.between(3.3, 6.0));
    camera.stand_off_mm = spec.stand_off_mm.unwrap_or_else(|| random.between(0.7, 2.5));
    camera.serial = Some(format!("H2-{:06}", random.bits() % 1_000_000));
    camera.full_well_e = random.between(20_000.0, 70_000.0);
    camera.base_iso = 64.0;
    camera.read_noise_e = random.between(1.5, 6.0);
    camera.prnu = random.between(0.0, 0.004);
    camera.black = random.pick(&[0, 256, 512, 1024]);
    camera.white = random.pick(&[15_300, 16_000, 16_383]);
    camera.neutral = [random.between(0.45, 0.7), 1.0, random.between(0.5, 0.75)];
    camera.borders = Borders {
        masked_left: random.pick(&[0, 0, 36, 100]),
        masked_top: random.pick(&[0, 18]),
        lit: random.pick(&[0, 8]),
    };
    if let Some(cfa) = Cfa::new(random.pick(&["RGGB", "BGGR", "GRBG", "GBRG"])) {
        camera.cfa = cfa;
    }
    let mut lens = Lens::new(random.between(50.0, 120.0));
    lens.falloff = random.between(0.02, 0.35);
    if random.chance(0.6) {
        lens.blades = Some(Blades { count: random.pick(&[5, 6, 7, 8, 9, 11]), rotation: random.between(0.0, TAU) });
    }
    (camera, lens)
}

fn wall(random: &mut Random, spec: &FrameSpec, shot: &mut Shot) -> Wall {
    let level = random.between(0.3, 0.8);
    let mut wall = Wall::even([spec.width, spec.height], level as f32);
    wall.level = [0.95, 1.0, 0.9].map(|tint: f64| (level * tint * random.between(0.95, 1.05).min(1.0)) as f32);
    wall.slope = [random.between(-0.2, 0.2), random.between(-0.2, 0.2)];
    wall.bow = random.between(0.0, 0.1);
    // What is left of the wall's marks: long and soft.
    wall.texture = Some(Texture {
        contrast: random.between(0.0, 0.004),
        size_px: [random.between(900.0, 2000.0), random.between(500.0, 900.0)],
        direction: direction(random.between(0.0, TAU)),
        layers: 1,
        seed: random.bits(),
    });
    match spec.fault {
        None => {}
        Some(Fault::WideOpen) => shot.f_number = 4.0,
        Some(Fault::Clipped) => wall.level = wall.level.map(|v| v * (1.15 / level) as f32),
        Some(Fault::Dark) => wall.level = wall.level.map(|v| v * (0.012 / level) as f32),
        Some(Fault::HighIso) => shot.iso = 12_800.0,
        Some(Fault::Uneven) => wall.slope = [1.7, 0.4],
        Some(Fault::SharpWall) => {
            let size = random.between(6.0, 14.0);
            wall.texture = Some(Texture {
                contrast: random.between(0.06, 0.15),
                size_px: [size, size],
                direction: direction(0.0),
                layers: 3,
                seed: random.bits(),
            });
        }
        Some(Fault::NoFacts) => shot.facts = Facts::None,
        Some(Fault::Edited) => shot.facts = Facts::Edited,
    }
    wall
}

fn direction(angle: f64) -> [f64; 2] {
    [angle.cos(), angle.sin()]
}

/// Motes strewn over the glass, 5 to 100 um, evenly in the logarithm.
pub fn dust(random: &mut Random, camera: &Camera, count: usize, grains_only: bool) -> Vec<Mote> {
    let half_mm = [camera.width, camera.height].map(|px| px as f64 * camera.pitch_um / 2000.0);
    (0..count as u32)
        .map(|id| Mote {
            id,
            at_mm: half_mm.map(|half| random.between(-half, half)),
            shape: shape(random, grains_only),
            stand_off_mm: None,
        })
        .collect()
}

fn shape(random: &mut Random, grains_only: bool) -> Shape {
    let diameter_um = random.between_log(5.0, 100.0);
    let lot = if grains_only { random.between(0.0, 0.82) } else { random.unit() };
    if lot < 0.3 {
        Shape::Grain { diameter_um }
    } else if lot < 0.82 {
        Shape::Irregular {
            diameter_um,
            roughness: random.between(0.1, 0.4),
            elongation: random.between(1.0, 1.8),
            seed: random.bits(),
        }
    } else if lot < 0.88 {
        Shape::Translucent { diameter_um, amplitude: random.between(0.2, 0.9), phase: random.between(0.0, 3.1) }
    } else if lot < 0.93 {
        Shape::Fibre {
            length_um: random.between_log(200.0, 1200.0),
            width_um: random.between(8.0, 20.0),
            curl: random.between(0.0, 4.0),
            angle: random.between(0.0, TAU),
        }
    } else if lot < 0.96 {
        Shape::Oil {
            diameter_um: random.between(40.0, 140.0),
            loss: random.between(0.2, 0.7),
            phase: random.between(0.0, 2.0),
        }
    } else if lot < 0.98 {
        Shape::Ring {
            diameter_um: random.between(120.0, 400.0),
            rim_um: random.between(10.0, 25.0),
            loss: random.between(0.1, 0.5),
        }
    } else {
        Shape::Residue {
            length_um: random.between(1500.0, 4000.0),
            width_um: random.between(250.0, 600.0),
            angle: random.between(0.0, TAU),
            loss: random.between(0.015, 0.05),
            seed: random.bits(),
        }
    }
}

/// A format of each sort by number, so that a set has them all.
pub fn format(number: u64) -> Format {
    match number % 6 {
        0 => Format::Dng(Compression::None, Endian::Little),
        1 => Format::Jpeg(95, Chroma::Full, Tone::Srgb),
        2 => Format::Tiff(Depth::Sixteen, Endian::Little, Tone::Srgb),
        3 => Format::Dng(Compression::Lossless, Endian::Little),
        4 => Format::Jpeg(92, Chroma::Halved, Tone::Srgb),
        _ => Format::Tiff(Depth::Eight, Endian::Big, Tone::Srgb),
    }
}

/// Writes a picture and, beside it, its truth as `NAME.truth.json`; gives back the picture's path and the truth.
pub fn write(
    exposure: &Exposure,
    format: Format,
    unfit: Option<Fault>,
    folder: &Path,
    name: &str,
) -> Result<(PathBuf, Truth), SynthError> {
    let picture = encode(exposure, format, Glass::AsItIs)?;
    let seen = picture.seen.as_ref().zip(format.tone());
    let truth = truth(exposure, seen, unfit.map(Fault::code));
    let path = folder.join(format!("{name}.{}", format.extension()));
    save(&path, &picture.bytes)?;
    let told = serde_json::to_vec_pretty(&truth).map_err(|e| SynthError::Encode(e.to_string()))?;
    save(&folder.join(format!("{name}.truth.json")), &told)?;
    Ok((path, truth))
}
