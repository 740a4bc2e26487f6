//! What `motelight trace` costs beside decoding the same pictures at the resolution used, and when it is run again.
//!
//! `cargo bench --bench trace [-- FOLDER | -- WIDTHxHEIGHT COUNT]`: a folder of JPEGs, or pictures made once (6000x4000, 24), of
//! the quality at which cameras write their best JPEGs: a smaller file is decoded faster, and traced no faster.
#![allow(clippy::print_stdout, reason = "printing is its work")]

mod cost;
mod shoots;

use std::error::Error;
use std::path::{Path, PathBuf};
use std::process::Command;

use cost::{cost_of, itself, other_work, typical};
use motelight_frame::{Limits, RawDecoder, ReadOptions, read_reduced};
use motelight_motes::trace::{LOWEST_MM, cell_for};
use motelight_synth::sets::ShootSpec;
use rayon::prelude::*;
use shoots::{made, pictures};

const DECODE: &str = "decode-and-stop";
/// Times everything is run.
const TURNS: usize = 5;

fn main() -> Result<(), Box<dyn Error>> {
    let Some(words) = other_work(DECODE, decode)? else { return Ok(()) };
    let folder = match words.first() {
        Some(given) if Path::new(given).is_dir() => PathBuf::from(given),
        given => {
            let (size, count) =
                (given.map_or("6000x4000", String::as_str), words.get(1).map_or(Ok(24), |n| n.parse())?);
            made("shoot", size, ShootSpec::new(24, count))?
        }
    };
    let (mut decoded, mut first, mut second) = (Vec::new(), Vec::new(), Vec::new());
    // In turns, for a machine's speed wanders.
    for _ in 0..TURNS {
        let cache = tempfile::tempdir()?;
        let trace = || {
            let mut command = Command::new(env!("CARGO_BIN_EXE_motelight"));
            command.args(["trace", "--json", "--no-record"]).arg(&folder).env("MOTELIGHT_CACHE", cache.path());
            command
        };
        decoded.push(cost_of(&mut itself(DECODE, &folder)?)?);
        first.push(cost_of(&mut trace())?);
        second.push(cost_of(&mut trace())?);
    }
    let files = pictures(&folder)?;
    let bytes = files.iter().map(|f| Ok(f.metadata()?.len())).sum::<Result<u64, std::io::Error>>()?;
    let each_mb = bytes as f64 / 1e6 / files.len().max(1) as f64;
    println!("{}, {} pictures of {each_mb:.1} MB, {TURNS} times", folder.display(), files.len());
    let [decoded, first, second] = [decoded, first, second].map(|all| typical(&all));
    for (name, cost) in [("decode", decoded), ("trace", first), ("again", second)] {
        println!("{name:8} {cost}");
    }
    println!("trace over decode  {:5.2} (at most 1.6 is wanted)", first.processor_s / decoded.processor_s);
    println!("again over trace   {:5.3} (under 0.05 is wanted)", second.processor_s / first.processor_s);
    Ok(())
}

/// Reads every picture at the resolution that tracing uses, on all processors as tracing does: two that share a core count more
/// time for the same work.
fn decode(folder: &Path) -> Result<(), Box<dyn Error>> {
    let options = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
    let cells = |path: &PathBuf| {
        read_reduced(path, &options, |shot, size| cell_for(shot, size, LOWEST_MM)).map(|r| r.ln.size().area())
    };
    println!("{}", pictures(folder)?.par_iter().map(cells).collect::<Result<Vec<_>, _>>()?.iter().sum::<usize>());
    Ok(())
}
