//! What `motelight inspect` costs beside decoding the same raw. See README.md.
#![allow(clippy::print_stdout, reason = "printing is its work")]

use std::error::Error;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use motelight_synth::sets::{FrameSpec, format, test_frame, write};
use rawler::decoders::RawDecodeParams;
use rawler::rawsource::RawSource;

const DECODE: &str = "decode-and-stop";
const RUNS: usize = 3;
/// Kernel clock ticks in a second, as `/proc` counts processor time: 100 on Linux.
const TICKS: f64 = 100.0;

fn main() -> Result<(), Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).filter(|w| w != "--bench").collect();
    if let [verb, file] = words.as_slice()
        && verb == DECODE
    {
        return decode(Path::new(file));
    }
    let size = words.first().map_or("8256x5504", String::as_str);
    let (width, height) = size.split_once('x').ok_or("give a size such as 6000x4000")?;
    let frame = test_frame_of(width.parse()?, height.parse()?)?;

    let itself = std::env::current_exe()?;
    let decoding = measured(|| command(&itself, &[DECODE.as_ref(), &frame]))?;
    let program = Path::new(env!("CARGO_BIN_EXE_motelight"));
    let inspecting = measured(|| command(program, &["inspect".as_ref(), "--json".as_ref(), &frame]))?;

    println!("{size}, {} MB, median of {RUNS} runs", std::fs::metadata(&frame)?.len() / 1_000_000);
    for (name, cost) in [("decode", &decoding), ("inspect", &inspecting)] {
        println!(
            "{name:8} {:5.2} s processor time, {:5.2} s by the clock, {:4.0} MB at most",
            cost.processor_s, cost.clock_s, cost.peak_mb
        );
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

fn command(program: &Path, arguments: &[&Path]) -> Command {
    let mut command = Command::new(program);
    command.args(arguments).stdin(Stdio::null()).stdout(Stdio::null());
    command
}

struct Cost {
    processor_s: f64,
    clock_s: f64,
    peak_mb: f64,
}

/// Runs the process several times: medians of time, the largest memory.
fn measured(command: impl Fn() -> Command) -> Result<Cost, Box<dyn Error>> {
    let (mut processor, mut clock, mut peak_mb) = (Vec::new(), Vec::new(), 0.0f64);
    for _ in 0..RUNS {
        let (before, start) = (childrens_ticks()?, Instant::now());
        let mut child = command().spawn()?;
        while child.try_wait()?.is_none() {
            peak_mb = peak_mb.max(resident_mb(&child));
            std::thread::sleep(Duration::from_millis(2));
        }
        clock.push(start.elapsed().as_secs_f64());
        processor.push((childrens_ticks()? - before) / TICKS);
    }
    let median = |mut all: Vec<f64>| {
        all.sort_by(f64::total_cmp);
        all[RUNS / 2]
    };
    Ok(Cost { processor_s: median(processor), clock_s: median(clock), peak_mb })
}

/// Processor time of all children that have ended, and theirs: fields 16 and 17 of `/proc/self/stat`.
fn childrens_ticks() -> Result<f64, Box<dyn Error>> {
    let stat = std::fs::read_to_string("/proc/self/stat")?;
    let after_name = stat.rsplit_once(") ").ok_or("no process name")?.1;
    let fields: Vec<&str> = after_name.split(' ').collect();
    Ok(fields[13].parse::<f64>()? + fields[14].parse::<f64>()?)
}

/// Resident memory of a process and its direct children, whichever of its threads started them.
fn resident_mb(child: &Child) -> f64 {
    let own = child.id();
    let tasks = std::fs::read_dir(format!("/proc/{own}/task")).into_iter().flatten().flatten();
    let lists = tasks.filter_map(|task| std::fs::read_to_string(task.path().join("children")).ok());
    let children: Vec<String> = lists.flat_map(|l| l.split(' ').map(str::to_owned).collect::<Vec<_>>()).collect();
    let ids = children.iter().map(|id| id.trim()).filter(|id| !id.is_empty()).map(str::to_owned);
    ids.chain([own.to_string()]).map(|id| resident_kb(&id)).sum::<f64>() / 1000.0
}

fn resident_kb(id: &str) -> f64 {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap_or_default();
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:")).unwrap_or("0");
    line.split_whitespace().next().and_then(|kb| kb.parse().ok()).unwrap_or(0.0)
}
