//! Writes shoots with their truth: `shoots DIR [--count 3] [--seed 1] [--pictures 30] [--motes 24] [--size 2400x1600]
//! [--subject town|tripod|plain] [--fresnel]`.
#![allow(clippy::print_stdout)]

use std::path::PathBuf;
use std::time::Instant;

use motelight_synth::Mode;
use motelight_synth::sets::{ShootSpec, Subject, shoot};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut words = std::env::args().skip(1);
    let folder = PathBuf::from(words.next().filter(|w| !w.starts_with("--")).ok_or("a folder to write to is missing")?);
    let mut spec = ShootSpec::new(1, 30);
    let mut count = 3u64;
    while let Some(word) = words.next() {
        if word == "--fresnel" {
            spec.mode = Mode::Fresnel;
            continue;
        }
        let value = words.next().ok_or(format!("{word} wants a value"))?;
        match word.as_str() {
            "--count" => count = value.parse()?,
            "--seed" => spec.seed = value.parse()?,
            "--pictures" => spec.pictures = value.parse()?,
            "--motes" => spec.motes = value.parse()?,
            "--size" => {
                let (width, height) = value.split_once('x').ok_or("--size wants WIDTHxHEIGHT")?;
                (spec.width, spec.height) = (width.parse()?, height.parse()?);
            }
            "--subject" => {
                spec.subject = match value.as_str() {
                    "town" => Subject::Town,
                    "tripod" => Subject::Tripod,
                    "plain" => Subject::Plain,
                    _ => return Err("--subject wants town, tripod or plain".into()),
                }
            }
            _ => return Err(format!("{word} is not known").into()),
        }
    }
    for seed in spec.seed..spec.seed + count {
        let start = Instant::now();
        let place = folder.join(format!("shoot-{seed:03}"));
        let (pictures, truth) = shoot(&ShootSpec { seed, ..spec.clone() }, &place)?;
        println!(
            "{}: {} pictures, {} motes, {:.1?}",
            place.display(),
            pictures.len(),
            truth.motes.len(),
            start.elapsed()
        );
    }
    Ok(())
}
