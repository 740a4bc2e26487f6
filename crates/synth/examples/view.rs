//! Paints a view and writes it as a JPEG: `view DIR [WIDTHxHEIGHT] [SEED] [ORIENTATION]`.
#![allow(clippy::print_stdout)]

use std::time::Instant;

use motelight_synth::scene::View;
use motelight_synth::write::{Chroma, Format, save};
use motelight_synth::{Camera, Canvas, Exposure, Glass, Lens, Mode, Shot, Tone, encode};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let folder = std::path::PathBuf::from(words.first().ok_or("a folder to write to is missing")?);
    let size = words.get(1).map_or("2144x1424", String::as_str);
    let (width, height) = size.split_once('x').ok_or("the size is WIDTHxHEIGHT")?;
    let (width, height) = (width.parse()?, height.parse()?);
    let seed = words.get(2).map_or(Ok(1), |s| s.parse())?;
    std::fs::create_dir_all(&folder)?;
    for view in View::ALL {
        let start = Instant::now();
        let mut shot = Shot::new(11.0, 1);
        shot.orientation = words.get(3).map_or(Ok(1), |s| s.parse())?;
        let canvas = Canvas::Painting(view.paint(width, height, shot.orientation, seed));
        let painted = start.elapsed();
        let camera = Camera::new(width, height, 5.48);
        let exposure = Exposure::new(camera, Lens::new(60.0), shot, Vec::new(), Mode::Fresnel, canvas);
        let picture = encode(&exposure, Format::Jpeg(92, Chroma::Full, Tone::Srgb), Glass::Clean)?;
        save(&folder.join(format!("{view:?}.jpg")), &picture.bytes)?;
        println!("{view:?}: painted in {painted:.2?} of {:.2?}", start.elapsed());
    }
    Ok(())
}
