//! Writes test frames by hand: `testset DIR [--count 6] [--seed 1] [--size 3000x2000] [--motes 40]
//! [--mode fresnel|integral] [--format 0..5] [--f 16] [--stand-off 1.5] [--grains-only] [--grains 5..100] [--faults]`.
#![allow(clippy::print_stdout)]

use std::path::PathBuf;
use std::time::Instant;

use motelight_synth::Mode;
use motelight_synth::sets::{Fault, FrameSpec, format, test_frame, write};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut words = std::env::args().skip(1);
    let folder = PathBuf::from(words.next().filter(|w| !w.starts_with("--")).ok_or("a folder to write to is missing")?);
    let mut spec = FrameSpec::new(1, 40);
    let (mut count, mut only, mut faults) = (6u64, None, false);
    while let Some(word) = words.next() {
        let mut value = || words.next().ok_or(format!("{word} wants a value"));
        match word.as_str() {
            "--count" => count = value()?.parse()?,
            "--seed" => spec.seed = value()?.parse()?,
            "--motes" => spec.motes = value()?.parse()?,
            "--f" => spec.f_number = Some(value()?.parse()?),
            "--stand-off" => spec.stand_off_mm = Some(value()?.parse()?),
            "--format" => only = Some(value()?.parse()?),
            "--mode" if value()? == "integral" => spec.mode = Mode::PupilIntegral,
            "--mode" => {}
            "--size" => {
                let size = value()?;
                let (width, height) = size.split_once('x').ok_or("--size wants WIDTHxHEIGHT")?;
                (spec.width, spec.height) = (width.parse()?, height.parse()?);
            }
            "--grains-only" => spec.grains_only = true,
            "--grains" => {
                let sizes = value()?;
                let (least, most) = sizes.split_once("..").ok_or("--grains wants LEAST..MOST")?;
                spec.grains_um = [least.parse()?, most.parse()?];
            }
            "--faults" => faults = true,
            _ => return Err(format!("{word} is not known").into()),
        }
    }
    std::fs::create_dir_all(&folder)?;
    let first = spec.seed;
    let wanted: Vec<Option<Fault>> =
        if faults { Fault::ALL.map(Some).to_vec() } else { (0..count).map(|_| None).collect() };
    for (seed, fault) in (first..).zip(wanted) {
        let start = Instant::now();
        let frame = test_frame(&FrameSpec { seed, fault, ..spec.clone() });
        let name = fault.map_or(format!("frame-{seed:03}"), |f| format!("{}-{seed:03}", f.code()));
        let shadows = start.elapsed();
        let number = only.unwrap_or(seed);
        let format = fault.map_or(format(number), |fault| fault.format(number));
        let path = folder.join(format!("{name}.{}", format.extension()));
        let truth = write(&frame, format, fault, &path, &folder.join(format!("{name}.truth.json")))?;
        println!("{} {} motes, {shadows:.2?} of {:.2?}", path.display(), truth.motes.len(), start.elapsed());
    }
    Ok(())
}
