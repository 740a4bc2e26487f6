//! What `motelight inspect` costs beside decoding the same raw. See README.md.
#![allow(clippy::print_stdout, reason = "printing is its work")]

mod cost;

use std::error::Error;
use std::path::{Path, PathBuf};
use std::process::Command;

use cost::{Cost, cost_of, itself, other_work, typical};
use motelight_synth::sets::{FrameSpec, format, test_frame, write};
use rawler::decoders::RawDecodeParams;
use rawler::rawsource::RawSource;

const DECODE: &str = "decode-and-stop";
const RUNS: usize = 3;

fn main() -> Result<(), Box<dyn Error>> {
    let Some(words) = other_work(DECODE, decode)? else { return Ok(()) };
    let size = words.first().map_or("8256x5504", String::as_str);
    let (width, height) = size.split_once('x').ok_or("give a size such as 6000x4000")?;
    let frame = test_frame_of(width.parse()?, height.parse()?)?;

    let decoding = measured(&mut itself(DECODE, &frame)?)?;
    let inspecting = measured(Command::new(env!("CARGO_BIN_EXE_motelight")).args(["inspect", "--json"]).arg(&frame))?;

    println!("{size}, {} MB, median of {RUNS} runs", std::fs::metadata(&frame)?.len() / 1_000_000);
    for (name, cost) in [("decode", &decoding), ("inspect", &inspecting)] {
        println!("{name:8} {cost}");
    }
    println!("ratio    {:5.2} (at most 4 is wanted)", inspecting.processor_s / decoding.processor_s);
    Ok(())
}

fn decode(file: &Path) -> Result<(), Box<dyn Error>> {
    let source = RawSource::new(file)?;
    let decoder = rawler::get_decoder(&source)?;
    let picture = decoder.raw_image(&source, &RawDecodeParams::default(), false)?;
    println!("{} x {}", picture.width, picture.height);
    Ok(())
}

/// A raw test frame with lossless tiles, made once.
fn test_frame_of(width: usize, height: usize) -> Result<PathBuf, Box<dyn Error>> {
    const LOSSLESS_DNG: u64 = 3;
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../target/bench");
    std::fs::create_dir_all(&folder)?;
    let picture = folder.join(format!("wall-{width}x{height}.dng"));
    if !picture.is_file() {
        println!("making {} ...", picture.display());
        let frame = test_frame(&FrameSpec { width, height, ..FrameSpec::new(45, 60) });
        write(&frame, format(LOSSLESS_DNG), None, &picture, &picture.with_extension("truth.json"))?;
    }
    Ok(picture)
}

/// Runs the process several times.
fn measured(command: &mut Command) -> Result<Cost, Box<dyn Error>> {
    Ok(typical(&(0..RUNS).map(|_| cost_of(command)).collect::<Result<Vec<_>, _>>()?))
}
