//! Writes pictures with shadows, the test frame of their body and the clean truth, for `bench/mend.py`:
//! `mend_pairs DIR [seed]`.

#![allow(clippy::print_stdout, reason = "a person waits for it")]

use std::error::Error;
use std::path::Path;

use motelight_synth::scene::{Canvas, View, Wall};
use motelight_synth::write::{Depth, Endian};
use motelight_synth::{Camera, Exposure, Format, Glass, Lens, Mode, Mote, Shape, Shot, Tone, encode, random::Random};

const WIDTH: usize = 1800;
const HEIGHT: usize = 1200;

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let folder = Path::new(words.first().ok_or("a folder to write to is missing")?);
    let seed: u64 = words.get(1).map_or(Ok(21), |s| s.parse())?;
    let tiff = Format::Tiff(Depth::Sixteen, Endian::Little, Tone::Srgb);
    for mode in [Mode::PupilIntegral, Mode::Fresnel] {
        let folder = folder.join(mode.name());
        std::fs::create_dir_all(folder.join("pictures"))?;
        let camera = Camera { stand_off_mm: 1.2, ..Camera::new(WIDTH, HEIGHT, 5.0) };
        let lens = Lens::new(70.0);
        let mut random = Random::new(seed, 9);
        let half = [WIDTH, HEIGHT].map(|px| px as f64 * camera.pitch_um / 2000.0 - 0.2);
        let motes: Vec<Mote> = (0..36)
            .map(|id| Mote {
                id,
                at_mm: half.map(|h| random.between(-h, h)),
                shape: Shape::Grain { diameter_um: random.between_log(12.0, 70.0) },
                stand_off_mm: None,
            })
            .collect();
        let wall = Canvas::Wall(Wall::even([WIDTH, HEIGHT], 0.6));
        let taken = Exposure::new(camera.clone(), lens.clone(), Shot::new(22.0, seed), motes.clone(), mode, wall);
        std::fs::write(folder.join("wall.tif"), encode(&taken, tiff, Glass::AsItIs)?.bytes)?;
        for view in [View::ClearSky, View::Clouds, View::Facade, View::Leaves, View::Lighthouse] {
            for stop in [11.0, 16.0] {
                let canvas = Canvas::Painting(view.paint(WIDTH, HEIGHT, 1, seed + 2));
                let shot = Shot::new(stop, seed + 5);
                let taken = Exposure::new(camera.clone(), lens.clone(), shot, motes.clone(), mode, canvas);
                let name = format!("{view:?}-{stop}");
                let path = folder.join("pictures").join(format!("{name}.tif"));
                std::fs::write(&path, encode(&taken, tiff, Glass::AsItIs)?.bytes)?;
                std::fs::write(folder.join(format!("{name}.clean")), floats(clean(&taken)))?;
                std::fs::write(folder.join(format!("{name}.passed")), floats(passed(&taken)))?;
                println!("{}", path.display());
            }
        }
        let size = format!("{{\"width\": {WIDTH}, \"height\": {HEIGHT}, \"motes\": {}}}", truths(&taken));
        std::fs::write(folder.join("truth.json"), size)?;
    }
    Ok(())
}

/// Noise-free light without motes: red, green, blue of every pixel.
fn clean(taken: &Exposure) -> Vec<f32> {
    let rows = 0..HEIGHT as i64;
    rows.flat_map(|y| (0..WIDTH as i64).flat_map(move |x| taken.light(x, y))).collect()
}

/// Transmission for red, green, blue of every pixel.
fn passed(taken: &Exposure) -> Vec<f32> {
    let maps: [Vec<f32>; 3] = std::array::from_fn(|c| taken.transmission_map(c));
    (0..WIDTH * HEIGHT).flat_map(|i| [0, 1, 2].map(|c| maps[c][i])).collect()
}

/// Places of the motes, px.
fn truths(taken: &Exposure) -> String {
    let places: Vec<String> =
        taken.shadows.iter().map(|s| format!("[{}, {}]", s.centre_px[0], s.centre_px[1])).collect();
    format!("[{}]", places.join(", "))
}

fn floats(values: Vec<f32>) -> Vec<u8> {
    values.into_iter().flat_map(f32::to_le_bytes).collect()
}
