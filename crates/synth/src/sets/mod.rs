//! Test frames of all sorts, from a seed: each with its own body, lens, light and dust.

mod dust;
mod shoot;

use std::f64::consts::TAU;
use std::path::Path;

use crate::camera::{Blades, Borders, Camera, Cfa, Lens};
use crate::expose::{Exposure, Facts, Glass, Shot};
use crate::mote::Mote;
use crate::optics::Mode;
use crate::random::Random;
use crate::scene::{Canvas, Texture, View, Wall};
use crate::tone::Tone;
use crate::truth::{Truth, truth};
use crate::write::{Chroma, Compression, Depth, Endian, Format, SynthError, encode, save};

pub use dust::{COMMON_UM, dust};
pub use shoot::{ShootSpec, ShootTruth, Subject, shoot};

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
    /// Diameters of grains, um: smallest and largest.
    pub grains_um: [f64; 2],
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
            grains_um: COMMON_UM,
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
    /// A picture of something, not of a wall.
    Scene,
}

impl Fault {
    /// All of them.
    pub const ALL: [Fault; 9] = [
        Fault::WideOpen,
        Fault::Clipped,
        Fault::Dark,
        Fault::HighIso,
        Fault::Uneven,
        Fault::SharpWall,
        Fault::NoFacts,
        Fault::Edited,
        Fault::Scene,
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
            Fault::Scene => "scene",
        }
    }
}

/// A test frame.
pub fn test_frame(spec: &FrameSpec) -> Exposure {
    let (camera, lens) = body_and_lens(spec);
    let mut random = Random::new(spec.seed, 0x7e57);
    let mut shot = Shot::new(spec.f_number.unwrap_or_else(|| random.pick(&[16.0, 18.0, 20.0, 22.0])), spec.seed);
    shot.iso = random.pick(&[64.0, 100.0, 100.0, 100.0, 200.0]);
    shot.exposure_s = random.pick(&[0.25, 0.5, 0.5, 1.0]);
    shot.orientation = random.pick(&[1, 1, 1, 6, 8]);
    let wall = wall(&mut random, spec, &mut shot);
    let canvas = if spec.fault == Some(Fault::Scene) {
        let view =
            random.pick(&[View::Harbour, View::Hills, View::Lighthouse, View::Facade, View::Field, View::Leaves]);
        Canvas::Painting(view.paint(spec.width, spec.height, shot.orientation, spec.seed))
    } else {
        Canvas::Wall(wall)
    };
    let motes = motes(spec, &camera);
    Exposure::new(camera, lens, shot, motes, spec.mode, canvas)
}

/// A picture taken with the body of a test frame, as dusty as there.
#[derive(Debug, Clone)]
pub struct PictureSpec {
    /// What is seen.
    pub view: View,
    /// Seed of the view and of the noise.
    pub seed: u64,
    /// F-number.
    pub f_number: f64,
    /// ISO setting.
    pub iso: f64,
    /// Exif orientation: 1, 6 or 8.
    pub orientation: u16,
    /// Motes of the test frame that are not there, by number.
    pub absent: Vec<u32>,
    /// Another lens than that of the test frame, by the distance of its exit pupil.
    pub exit_pupil_mm: Option<f64>,
}

impl PictureSpec {
    /// An upright picture at base ISO, all motes there.
    pub fn new(view: View, seed: u64, f_number: f64) -> Self {
        PictureSpec { view, seed, f_number, iso: 100.0, orientation: 1, absent: Vec::new(), exit_pupil_mm: None }
    }
}

/// A picture by the body that `test_frame(body)` shows.
pub fn picture(body: &FrameSpec, spec: &PictureSpec) -> Exposure {
    let (camera, mut lens) = body_and_lens(body);
    lens.exit_pupil_mm = spec.exit_pupil_mm.unwrap_or(lens.exit_pupil_mm);
    let mut shot = Shot::new(spec.f_number, spec.seed ^ 0x51c7);
    (shot.iso, shot.orientation, shot.exposure_s) = (spec.iso, spec.orientation, 1.0 / 125.0);
    let mut motes = motes(body, &camera);
    motes.retain(|mote| !spec.absent.contains(&mote.id));
    let canvas = Canvas::Painting(spec.view.paint(body.width, body.height, spec.orientation, spec.seed));
    Exposure::new(camera, lens, shot, motes, body.mode, canvas)
}

fn motes(spec: &FrameSpec, camera: &Camera) -> Vec<Mote> {
    dust(&mut Random::new(spec.seed, 0xd057), camera, spec.motes, spec.grains_only, spec.grains_um)
}

fn body_and_lens(spec: &FrameSpec) -> (Camera, Lens) {
    let random = &mut Random::new(spec.seed, 0xb0d1);
    let mut camera = Camera::new(spec.width, spec.height, random.between(3.3, 6.0));
    camera.stand_off_mm = spec.stand_off_mm.unwrap_or_else(|| random.between(0.7, 2.5));
    camera.serial = Some(format!("H2-{:06}", random.bits() % 1_000_000));
    camera.full_well_e = random.between(20_000.0, 70_000.0);
    camera.base_iso = 64.0;
    camera.read_noise_e = random.between(1.5, 6.0);
    camera.prnu = random.between(0.0, 0.004);
    (camera.hot_per_million, camera.dead_per_million) = random.pick(&[(0.0, 0.0), (1.0, 1.0), (3.0, 2.0)]);
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
        None | Some(Fault::Scene) => {}
        Some(Fault::WideOpen) => shot.f_number = 4.0,
        Some(Fault::Clipped) => wall.level = wall.level.map(|v| v * (1.15 / level) as f32),
        Some(Fault::Dark) => wall.level = wall.level.map(|v| v * (0.012 / level) as f32),
        Some(Fault::HighIso) => shot.iso = 12_800.0,
        Some(Fault::Uneven) => {
            wall.level = wall.level.map(|v| v * (0.42 / level) as f32);
            wall.slope = [1.7, 0.4];
        }
        Some(Fault::SharpWall) => {
            let size = random.between(6.0, 14.0);
            wall.texture = Some(Texture {
                contrast: random.between(0.08, 0.25),
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

impl Fault {
    /// A format in which a frame with this fault is found: what left an editor is no raw file.
    pub fn format(self, number: u64) -> Format {
        let rendered = matches!(self, Fault::Edited) && matches!(format(number), Format::Dng(..));
        format(number + u64::from(rendered))
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

/// Writes a picture and the truth of it.
pub fn write(
    exposure: &Exposure,
    format: Format,
    unfit: Option<Fault>,
    picture: &Path,
    told: &Path,
) -> Result<Truth, SynthError> {
    let encoded = encode(exposure, format, Glass::AsItIs)?;
    let seen = encoded.seen.as_ref().zip(format.tone());
    let truth = truth(exposure, seen, unfit.map(Fault::code));
    save_truth(&truth, told)?;
    save(picture, &encoded.bytes)?;
    Ok(truth)
}

/// Writes a truth as JSON.
pub fn save_truth(truth: &Truth, path: &Path) -> Result<(), SynthError> {
    let json = serde_json::to_vec_pretty(truth).map_err(|e| SynthError::Encode(e.to_string()))?;
    save(path, &json)
}
