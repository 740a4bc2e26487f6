//! What `motelight signoff` costs beside decoding the same finished picture.
//!
//! `cargo bench --bench signoff [-- WIDTHxHEIGHT]`: pictures of a town by the synthetic camera (8256x5504), made once.
#![allow(clippy::print_stdout, reason = "printing is its work")]

mod cost;
mod shoots;

use std::error::Error;
use std::io::Cursor;
use std::path::Path;
use std::process::Command;

use cost::{cost_of, itself, other_work, typical};
use motelight_synth::sets::ShootSpec;
use shoots::{made, pictures};

const DECODE: &str = "decode-and-stop";
const TURNS: usize = 3;

fn main() -> Result<(), Box<dyn Error>> {
    let Some(words) = other_work(DECODE, decode)? else { return Ok(()) };
    let size = words.first().map_or("8256x5504", String::as_str);
    let folder = made("town", size, ShootSpec::new(37, 3))?;
    for picture in pictures(&folder)? {
        let (mut decoded, mut signed) = (Vec::new(), Vec::new());
        // In turns, for a machine's speed wanders.
        for _ in 0..TURNS {
            decoded.push(cost_of(&mut itself(DECODE, &picture)?)?);
            let mut command = Command::new(env!("CARGO_BIN_EXE_motelight"));
            signed.push(cost_of(command.args(["signoff", "--json", "--no-record"]).arg(&picture))?);
        }
        let name = picture.file_name().unwrap_or_default().to_string_lossy();
        println!("{name}, {size}, {} MB, {TURNS} turns", std::fs::metadata(&picture)?.len() / 1_000_000);
        let [decoded, signed] = [decoded, signed].map(|all| typical(&all));
        for (name, cost) in [("decode", decoded), ("sign off", signed)] {
            println!("{name:8} {cost}");
        }
        println!("ratio    {:5.2} (at most 5 is wanted)", signed.processor_s / decoded.processor_s);
    }
    Ok(())
}

fn decode(file: &Path) -> Result<(), Box<dyn Error>> {
    let mut decoder = zune_jpeg::JpegDecoder::new(Cursor::new(std::fs::read(file)?));
    println!("{}", decoder.decode()?.len());
    Ok(())
}
