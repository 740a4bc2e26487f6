//! What `motelight mend` costs beside decoding a JPEG and encoding it again, and how a folder of them is shared among two processors.
//!
//! `cargo bench --bench mend [-- WIDTHxHEIGHT COUNT]`: skies with shadows by the synthetic camera (6000x4000, 24), made once.
#![allow(clippy::print_stdout, reason = "printing is its work")]

mod cost;
mod shoots;

use std::error::Error;
use std::io::Cursor;
use std::path::Path;
use std::process::Command;

use cost::{Cost, cost_of, itself, other_work, typical};
use motelight_synth::sets::{ShootSpec, Subject};
use shoots::{QUALITY, made, pictures};

const AGAIN: &str = "decode-and-encode";
const TURNS: usize = 5;
/// Motes on the glass.
const MOTES: usize = 14;

fn main() -> Result<(), Box<dyn Error>> {
    let Some(words) = other_work(AGAIN, decode_and_encode)? else { return Ok(()) };
    let size = words.first().map_or("6000x4000", String::as_str);
    let count = words.get(1).map_or(Ok(24), |n| n.parse())?;
    let folder = made("skies", size, ShootSpec { motes: MOTES, subject: Subject::Plain, ..ShootSpec::new(31, count) })?;
    let pictures = pictures(&folder)?;
    let scratch = tempfile::tempdir()?;
    let trace = scratch.path().join("trace.json");
    let motelight = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_motelight"));
        command.env("MOTELIGHT_CACHE", scratch.path().join("cache"));
        command
    };
    std::fs::write(&trace, motelight().args(["trace", "--json", "--no-record"]).arg(&folder).output()?.stdout)?;
    // A program may count the processors it is allowed; taskset (util-linux) allows it some.
    let mend = |what: &Path, processors: &str, out: &Path| {
        let mut command = Command::new("taskset");
        command.args(["-c", processors, env!("CARGO_BIN_EXE_motelight"), "mend", "--json", "--no-record", "--out"]);
        command.arg(out).arg(format!("--trace={}", trace.display())).arg(what);
        command
    };
    let cost = |what: &Path, processors: &str| -> Result<Cost, Box<dyn Error>> {
        cost_of(&mut mend(what, processors, tempfile::tempdir()?.path()))
    };
    let one = pictures.last().ok_or("no pictures")?;
    let (mut plain, mut mended, mut alone, mut both) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    // In turns, for a machine's speed wanders.
    for _ in 0..TURNS {
        plain.push(cost_of(&mut itself(AGAIN, one)?)?);
        mended.push(cost(one, "0,1")?);
        alone.push(cost(&folder, "0")?);
        both.push(cost(&folder, "0,1")?);
    }
    let told = mend(one, "0,1", tempfile::tempdir()?.path()).output()?.stdout;
    let told: serde_json::Value = serde_json::from_slice(&told)?;
    let motes = told["pictures"][0]["motes"].as_array().ok_or("no motes told")?;
    let shadows = motes.iter().filter(|m| m["treatment"] != "untouched").count();
    println!("{size}, {} MB, {shadows} shadows, {TURNS} turns", std::fs::metadata(one)?.len() / 1_000_000);
    let [plain, mended, alone, both] = [plain, mended, alone, both].map(|all| typical(&all));
    for (name, cost) in [("decode + encode", plain), ("mend one", mended), ("all, one core", alone), ("all, two", both)]
    {
        println!("{name:16} {cost}");
    }
    println!("mend over decode + encode  {:5.2} (at most 2 is wanted)", mended.processor_s / plain.processor_s);
    println!("one core over two          {:5.2} (at least 1.8 is wanted)", alone.clock_s / both.clock_s);
    Ok(())
}

fn decode_and_encode(file: &Path) -> Result<(), Box<dyn Error>> {
    let mut decoder = zune_jpeg::JpegDecoder::new(Cursor::new(std::fs::read(file)?));
    let pixels = decoder.decode()?;
    let (width, height) = decoder.dimensions().ok_or("no size")?;
    let mut bytes = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut bytes, QUALITY);
    encoder.encode(&pixels, width.try_into()?, height.try_into()?, jpeg_encoder::ColorType::Rgb)?;
    println!("{}", bytes.len());
    Ok(())
}
