//! The demo: one afternoon and evening of an invented photographer at an invented harbour town, and the plain wall
//! the sensor is judged by.

use std::path::{Path, PathBuf};

use crate::camera::{Blades, Borders, Camera, Lens};
use crate::expose::{Caption, Exposure, Glass, Shot};
use crate::mote::{Mote, Shape};
use crate::optics::Mode;
use crate::random::Random;
use crate::scene::{Canvas, Texture, View, Wall};
use crate::sets::{COMMON_UM, dust, save_truth};
use crate::tone::Tone;
use crate::truth::truth;
use crate::write::{Chroma, Compression, Depth, Endian, Format, SynthError, encode, save};

const WIDTH: usize = 4288;
const HEIGHT: usize = 2848;

/// Where the demo's files are.
#[derive(Debug, Clone)]
pub struct DemoFiles {
    /// The plain wall, taken after the shoot.
    pub test_frame: PathBuf,
    /// The same wall the next morning, after a pass with the blower.
    pub cleaned: PathBuf,
    /// The shoot, in the order it was taken.
    pub shoot: Vec<PathBuf>,
    /// Truth of the test frame, then of the shoot.
    pub truth: Vec<PathBuf>,
}

/// A picture of the shoot.
struct Page {
    view: View,
    taken: &'static str,
    description: &'static str,
    f_number: f64,
    exposure_s: f64,
    orientation: u16,
    long_lens: bool,
    format: Format,
}

const JPEG: Format = Format::Jpeg(95, Chroma::Halved, Tone::Srgb);
const TIFF: Format = Format::Tiff(Depth::Sixteen, Endian::Little, Tone::Srgb);
const DNG: Format = Format::Dng(Compression::Lossless, Endian::Little);

const PAGES: [Page; 6] = [
    Page {
        view: View::Facade,
        taken: "2024:05:14 15:12:09",
        description: "Quillhaven, Cooper Street",
        f_number: 11.0,
        exposure_s: 1.0 / 250.0,
        orientation: 1,
        long_lens: false,
        format: JPEG,
    },
    Page {
        view: View::Field,
        taken: "2024:05:14 16:03:41",
        description: "Orchard meadow above Quillhaven",
        f_number: 8.0,
        exposure_s: 1.0 / 500.0,
        orientation: 1,
        long_lens: false,
        format: JPEG,
    },
    Page {
        view: View::Lighthouse,
        taken: "2024:05:14 17:26:55",
        description: "Marrow Point light",
        f_number: 13.0,
        exposure_s: 1.0 / 200.0,
        orientation: 6,
        long_lens: true,
        format: TIFF,
    },
    Page {
        view: View::Clouds,
        taken: "2024:05:14 17:48:30",
        description: "Clouds off Marrow Point",
        f_number: 16.0,
        exposure_s: 1.0 / 125.0,
        orientation: 1,
        long_lens: true,
        format: JPEG,
    },
    Page {
        view: View::Hills,
        taken: "2024:05:14 20:31:17",
        description: "The Fallow Hills from the coast road",
        f_number: 14.0,
        exposure_s: 1.0 / 60.0,
        orientation: 1,
        long_lens: true,
        format: DNG,
    },
    Page {
        view: View::Harbour,
        taken: "2024:05:14 21:04:48",
        description: "Quillhaven harbour after sunset",
        f_number: 11.0,
        exposure_s: 1.0 / 15.0,
        orientation: 1,
        long_lens: false,
        format: JPEG,
    },
];

/// File name of the demo's test frame.
pub const WALL: &str = "wall.dng";
/// File name of the test frame after it.
pub const NEXT_MORNING: &str = "wall-next-morning.dng";

/// Writes the demo below a folder: `wall.dng`, `wall-next-morning.dng`, `shoot/` with six pictures, `truth/` with what is really on the
/// sensor. Files that are there already are left as they are: the demo is the same every time.
///
/// # Errors
///
/// When the folder cannot be made or written to.
pub fn write(folder: &Path) -> Result<DemoFiles, SynthError> {
    let (shoot_folder, truth_folder) = (folder.join("shoot"), folder.join("truth"));
    for wanted in [&shoot_folder, &truth_folder] {
        std::fs::create_dir_all(wanted).map_err(|source| SynthError::Disk { path: wanted.clone(), source })?;
    }
    let (test_frame, cleaned) = (folder.join(WALL), folder.join(NEXT_MORNING));
    let mut files = DemoFiles { test_frame, cleaned, shoot: Vec::new(), truth: Vec::new() };
    files.truth.push(truth_folder.join("wall.json"));
    write_missing(&files.test_frame, &files.truth[0], DNG, || wall("2024:05:14 22:15:00", 99, motes(7)))?;
    let told = truth_folder.join("wall-next-morning.json");
    write_missing(&files.cleaned, &told, DNG, || wall("2024:05:15 09:40:00", 98, left_by_the_blower()))?;
    for (number, page) in (1..).zip(&PAGES) {
        let name = format!("quillhaven-{number:02}");
        let path = shoot_folder.join(format!("{name}.{}", page.format.extension()));
        let told = truth_folder.join(format!("{name}.json"));
        write_missing(&path, &told, page.format, || picture(page, number))?;
        files.shoot.push(path);
        files.truth.push(told);
    }
    Ok(files)
}

fn write_missing(path: &Path, told: &Path, format: Format, take: impl Fn() -> Exposure) -> Result<(), SynthError> {
    if path.exists() {
        return Ok(());
    }
    let exposure = take();
    // Told against the camera's own noise: measuring that of every file would take longer than the pictures.
    save_truth(&truth(&exposure, None, None), told)?;
    save(path, &encode(&exposure, format, Glass::AsItIs)?.bytes)
}

/// The body: an invented camera of the size that is called APS-C.
fn camera() -> Camera {
    let mut camera = Camera::new(WIDTH, HEIGHT, 5.48);
    camera.stand_off_mm = 1.25;
    camera.borders = Borders { masked_left: 24, masked_top: 12, lit: 8 };
    camera.full_well_e = 48_000.0;
    camera.read_noise_e = 2.6;
    // Its maker has mapped out nearly all of its stuck photosites.
    (camera.hot_per_million, camera.dead_per_million) = (0.2, 0.2);
    camera
}

fn lens(long: bool) -> Lens {
    let mut lens = Lens::new(if long { 88.0 } else { 62.0 });
    (lens.model, lens.focal_length_mm) =
        if long { ("Ornell 70mm f/2.8".into(), 70.0) } else { ("Ornell 24mm f/2".into(), 24.0) };
    lens.blades = Some(Blades { count: 9, rotation: 0.2 });
    lens.falloff = if long { 0.08 } else { 0.18 };
    lens
}

/// What is on the glass after this picture of the shoot (7: the wall). Some of it came during the day.
fn motes(number: u32) -> Vec<Mote> {
    let settled = [
        // Where the skies are: a picture's top.
        ([-6.8, -5.1], Shape::Irregular { diameter_um: 62.0, roughness: 0.35, elongation: 1.5, seed: 4 }, 1),
        ([3.9, -6.0], Shape::Grain { diameter_um: 44.0 }, 1),
        ([8.6, -3.3], Shape::Irregular { diameter_um: 52.0, roughness: 0.25, elongation: 1.2, seed: 9 }, 1),
        ([-2.3, -3.7], Shape::Irregular { diameter_um: 36.0, roughness: 0.3, elongation: 1.3, seed: 11 }, 1),
        ([-9.9, -0.9], Shape::Grain { diameter_um: 34.0 }, 1),
        ([5.6, -1.4], Shape::Irregular { diameter_um: 30.0, roughness: 0.2, elongation: 1.1, seed: 21 }, 1),
        ([0.9, -6.9], Shape::Fibre { length_um: 240.0, width_um: 6.0, curl: 1.6, angle: 0.7 }, 1),
        ([10.4, -6.6], Shape::Translucent { diameter_um: 40.0, amplitude: 0.5, phase: 1.1 }, 1),
        // These came with a change of lens.
        ([-4.6, -1.9], Shape::Irregular { diameter_um: 36.0, roughness: 0.3, elongation: 1.4, seed: 33 }, 3),
        ([7.1, -5.2], Shape::Irregular { diameter_um: 33.0, roughness: 0.35, elongation: 1.6, seed: 35 }, 3),
        ([-8.4, 5.8], Shape::Oil { diameter_um: 60.0, loss: 0.3, phase: 0.8 }, 5),
    ];
    let mut motes: Vec<Mote> = (1..)
        .zip(settled)
        .filter(|(_, (_, _, since))| *since <= number)
        .map(|(id, (at_mm, shape, _))| Mote { id, at_mm, shape, stand_off_mm: None })
        .collect();
    // One lies under the glass, nearer to the photosites: no swab reaches it.
    let under = Shape::Irregular { diameter_um: 24.0, roughness: 0.2, elongation: 1.2, seed: 41 };
    motes.push(Mote { id: 20, at_mm: [2.2, 2.7], shape: under, stand_off_mm: Some(0.55) });
    let fine = dust(&mut Random::new(2024, 5), &camera(), 60, true, COMMON_UM);
    let small = fine.into_iter().filter(|mote| matches!(mote.shape, Shape::Grain { diameter_um } | Shape::Irregular { diameter_um, .. } if diameter_um < 26.0));
    motes.extend(small.map(|mote| Mote { id: mote.id + 100, ..mote }).take(18));
    motes
}

/// What is on the glass the next morning: loose grains are gone, one rolled on, one came in; oil, what sticks, and what lies
/// under the glass stayed.
fn left_by_the_blower() -> Vec<Mote> {
    let mut left = motes(7);
    left.retain(|mote| !matches!(mote.id, 1 | 2 | 3 | 5 | 7 | 9 | 10) && (mote.id < 100 || mote.id % 3 == 0));
    if let Some(rolled) = left.iter_mut().find(|mote| mote.id == 6) {
        rolled.at_mm = [6.9, -2.3];
    }
    left.push(Mote { id: 60, at_mm: [-5.5, 4.2], shape: Shape::Grain { diameter_um: 29.0 }, stand_off_mm: None });
    left
}

fn picture(page: &Page, number: u32) -> Exposure {
    let mut shot = Shot::new(page.f_number, 100 + u64::from(number));
    shot.exposure_s = page.exposure_s;
    shot.taken = page.taken.into();
    shot.orientation = page.orientation;
    shot.caption = Some(Caption { artist: "Ilse Torvane".into(), description: page.description.into() });
    let painting = page.view.paint(WIDTH, HEIGHT, page.orientation, 3);
    Exposure::new(camera(), lens(page.long_lens), shot, motes(number), Mode::Fresnel, Canvas::Painting(painting))
}

fn wall(taken: &str, seed: u64, motes: Vec<Mote>) -> Exposure {
    let mut shot = Shot::new(22.0, seed);
    shot.taken = taken.into();
    shot.caption = Some(Caption { artist: "Ilse Torvane".into(), description: "Plain wall, camera moved".into() });
    let mut wall = Wall::even([WIDTH, HEIGHT], 0.55);
    wall.level = [0.55, 0.56, 0.52];
    wall.slope = [0.08, -0.05];
    wall.texture = Some(Texture { contrast: 0.002, size_px: [1500.0, 700.0], direction: [0.8, 0.6], layers: 1, seed });
    Exposure::new(camera(), lens(false), shot, motes, Mode::Fresnel, Canvas::Wall(wall))
}
