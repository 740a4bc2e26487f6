//! Batters the program with damaged files, for as long as it is told.
//!
//! `cargo build --release --workspace && cargo run --release -p motelight-cli --example batter -- MINUTES [SEED [FOLDER]]`:
//! whole files of every kind that is read (made on the spot, and those of FOLDER up to half a megabyte) are cut off, flipped,
//! overwritten, doubled and mixed, by the seed alone, and given to a verb that reads them, under a limit of memory and time. How
//! each kind of file ended is counted. A file over which the program panicked, died, hung, spoke of a mistake of its own or
//! wrote where it must not is kept in `findings`, with what was said of it; then the run ends with 1.
#![allow(clippy::print_stdout, reason = "a table for a person")]

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use motelight_synth::Mode;
use motelight_synth::random::Random;
use motelight_synth::scene::View;
use motelight_synth::sets::{FrameSpec, PictureSpec, ShootSpec, format, picture, shoot, test_frame, write};

/// Address space that a process may take, kB: what is asked for beyond is an error of one file.
const MEMORY_KB: u64 = 6_000_000;
/// Longest that a run may work, s, and longest that it may take on a machine that has other work too.
const MOST_WORK_S: u32 = 10;
const LONGEST: Duration = Duration::from_secs(60);
/// Largest file that is taken from a folder.
const LARGEST: u64 = 500_000;
const LEDGER: &str = "ledger.sqlite";

/// A whole file, and the verbs that read it: in their words `@` stands for the damaged file, `%` for a folder to write to.
struct Whole {
    kind: String,
    bytes: Vec<u8>,
    name: String,
    verbs: Vec<Vec<String>>,
}

fn main() -> Result<ExitCode, Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let minutes: f64 = words.first().ok_or("for how many minutes?")?.parse()?;
    let seed: u64 = words.get(1).map_or(Ok(1), |s| s.parse())?;
    let program = std::env::current_exe()?.parent().and_then(Path::parent).ok_or("a folder")?.join("motelight");
    let work = tempfile::tempdir()?;
    let wholes = wholes(work.path(), &program, words.get(2).map(Path::new))?;
    println!("{} whole files, seed {seed}, {minutes} minutes", wholes.len());
    // Damage tells little where the file is refused whole.
    for whole in &wholes {
        for verb in &whole.verbs {
            let (end, said) = attacked(&program, work.path(), whole, verb, &whole.bytes)?;
            if end != "judged" {
                println!("{end} whole: {} {}\n{}", verb[0], whole.name, said.lines().next().unwrap_or(""));
            }
        }
    }
    let mut counts: BTreeMap<String, BTreeMap<&'static str, u32>> = BTreeMap::new();
    let (mut findings, begun, mut case) = (0u32, Instant::now(), 0u64);
    while begun.elapsed().as_secs_f64() < 60.0 * minutes {
        let mut random = Random::new(seed, case);
        let whole = &wholes[below(&mut random, wholes.len())];
        let other = &wholes[below(&mut random, wholes.len())];
        let bytes = damaged(&whole.bytes, &other.bytes, &mut random);
        let verb = &whole.verbs[below(&mut random, whole.verbs.len())];
        let (end, said) = attacked(&program, work.path(), whole, verb, &bytes)?;
        *counts.entry(format!("{:8} {}", verb[0], whole.kind)).or_default().entry(end).or_default() += 1;
        if !["judged", "refused"].contains(&end) {
            findings += 1;
            fs::create_dir_all("findings")?;
            let kept = format!("findings/{end}-{seed}-{case}-{}", whole.name);
            fs::write(&kept, &bytes)?;
            fs::write(format!("{kept}.txt"), format!("{verb:?}\n{said}"))?;
            println!("{kept}: {verb:?}");
        }
        case += 1;
    }
    println!("{case} damaged files in {:.0} s", begun.elapsed().as_secs_f64());
    for (kind, ends) in &counts {
        let ends: Vec<String> = ends.iter().map(|(end, n)| format!("{n} {end}")).collect();
        println!("{kind:32} {}", ends.join(", "));
    }
    Ok(ExitCode::from(u8::from(findings > 0)))
}

/// A number from 0 up to, but not, `end`; 0 if there is none.
fn below(random: &mut Random, end: usize) -> usize {
    (random.unit() * end as f64) as usize
}

/// Whole files of every kind.
fn wholes(work: &Path, program: &Path, more: Option<&Path>) -> Result<Vec<Whole>, Box<dyn Error>> {
    let folder = work.join("whole");
    fs::create_dir_all(&folder)?;
    let spec = FrameSpec {
        width: 1200,
        height: 800,
        f_number: Some(16.0),
        mode: Mode::PupilIntegral,
        grains_only: true,
        ..FrameSpec::new(51, 14)
    };
    let mut paths = Vec::new();
    for (k, exposure) in
        [test_frame(&spec), picture(&spec, &PictureSpec::new(View::ClearSky, 3, 16.0))].iter().enumerate()
    {
        for n in 0..8 {
            let path = folder.join(format!("{k}-{n}.{}", format(n).extension()));
            write(exposure, format(n), None, &path, &work.join("truth.json"))?;
            paths.push(path);
        }
    }
    for entry in more.map(fs::read_dir).transpose()?.into_iter().flatten().flatten() {
        if entry.path().is_file() && entry.metadata()?.len() < LARGEST {
            paths.push(entry.path());
        }
    }
    let wall = paths[0].display().to_string();
    let verbs: Vec<Vec<String>> = [
        "inspect @ --json --no-record --sensor 36x24",
        "inspect @ --json --no-record --out %",
        "recheck WALL @ --json --no-record",
        "mend @ --test-frame WALL --same-body --json --no-record --masks --out %",
        "trace @ WALL --json",
        "signoff @ --json --no-record --out %",
        "rake @ --json --out %/view.png",
    ]
    .map(|text| words(text, "WALL", &wall))
    .to_vec();
    let mut all = Vec::new();
    for path in paths {
        let kind = path.extension().unwrap_or_default().to_string_lossy().to_lowercase();
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        all.push(Whole { kind, bytes: fs::read(&path)?, name, verbs: verbs.clone() });
    }
    documents(work, program, &wall, &mut all)?;
    Ok(all)
}

fn words(text: &str, name: &str, path: &str) -> Vec<String> {
    text.split(' ').map(|w| w.replace(name, path)).collect()
}

/// Documents of our own that are read back: traces, parts, ledgers.
fn documents(work: &Path, program: &Path, wall: &str, all: &mut Vec<Whole>) -> Result<(), Box<dyn Error>> {
    let day = work.join("day");
    shoot(&ShootSpec { width: 300, height: 200, pitch_um: 20.0, motes: 4, ..ShootSpec::new(5, 4) }, &day)?;
    let ledger = work.join(LEDGER);
    let run = |arguments: &[&str]| -> Result<Vec<u8>, Box<dyn Error>> {
        let mut command = Command::new(program);
        command.args(arguments).env("MOTELIGHT_CACHE", work.join("cache")).env("MOTELIGHT_LEDGER", &ledger);
        Ok(command.output()?.stdout)
    };
    let (day, parts) = (day.display().to_string(), work.join("parts").display().to_string());
    let trace = run(&["trace", &day, "--json"])?;
    run(&["trace", &day, "--part", "1/1", "--out", &parts])?;
    fs::write(work.join("trace.json"), &trace)?;
    let by = format!("--trace={}", work.join("trace.json").display());
    let mended = run(&["mend", &day, &by, "--part", "1/1", "--dry-run", "--json"])?;
    run(&["inspect", wall])?;
    run(&["ledger", "export", "--out", &parts])?;
    let read = |name: &str| fs::read(work.join(name));
    let mut add = |kind: &str, name: &str, bytes: Vec<u8>, verbs: &[&str]| {
        let verbs = verbs.iter().map(|text| words(text, "DAY", &day)).collect();
        all.push(Whole { kind: kind.into(), bytes, name: name.into(), verbs });
    };
    add("trace document", "trace.json", trace, &["mend DAY --trace=@ --json --no-record --dry-run"]);
    add("part of a trace", "trace.part", read("parts/trace-1-of-1.part")?, &["merge @"]);
    add("part of a mend", "mend.json", mended, &["merge @"]);
    add("ledger export", "ledger.json", read("parts/ledger.json")?, &["ledger import @ --ledger %/new.sqlite"]);
    add("ledger", LEDGER, read(LEDGER)?, &["ledger --ledger @", "ledger export --out % --ledger @"]);
    Ok(())
}

/// A file damaged in one to four ways.
fn damaged(whole: &[u8], other: &[u8], random: &mut Random) -> Vec<u8> {
    let mut bytes = whole.to_vec();
    for _ in 0..=below(random, 4) {
        let len = bytes.len();
        // Heads tell what lies in all the rest.
        let within = if random.chance(0.6) { len.min(2048) } else { len };
        let at = below(random, within);
        let end = (at + 1 + below(random, 300)).min(len);
        match below(random, 8) {
            0 => bytes.truncate(below(random, len)),
            1 | 2 => bytes.iter_mut().skip(at).take(1).for_each(|b| *b ^= 1 << below(random, 8)),
            3 => bytes.iter_mut().skip(at).take(1).for_each(|b| *b ^= 0xff),
            4 => {
                let value = random.pick(&[0u32, 1, 0x7fff_ffff, 0xffff_ffff, 0xffff, 0x8000_0000]);
                let value = if random.chance(0.5) { value.to_le_bytes() } else { value.to_be_bytes() };
                bytes.iter_mut().skip(at).zip(value).for_each(|(to, v)| *to = v);
            }
            5 => {
                let (some, to) = (bytes[at.min(end)..end].to_vec(), below(random, len));
                bytes.splice(to..to, some);
            }
            6 => drop(bytes.drain(at.min(end)..end)),
            _ => {
                let from = below(random, other.len());
                let some = other.iter().skip(from).take(1 + below(random, 2000));
                bytes.iter_mut().skip(at).zip(some).for_each(|(to, v)| *to = *v);
            }
        }
    }
    bytes
}

/// Gives a damaged file to a verb; how it ended, and what was said.
fn attacked(
    program: &Path,
    work: &Path,
    whole: &Whole,
    verb: &[String],
    bytes: &[u8],
) -> Result<(&'static str, String), Box<dyn Error>> {
    let place = work.join("case");
    let _ = fs::remove_dir_all(&place);
    let (file, out) = (place.join(&whole.name), place.join("out"));
    fs::create_dir_all(&out)?;
    fs::write(&file, bytes)?;
    let to = |w: &String| w.replace('@', &file.display().to_string()).replace('%', &out.display().to_string());
    let (told, errors) = (place.join("stdout"), place.join("stderr"));
    let mut command = Command::new("sh");
    command
        .args(["-c", &format!("ulimit -v {MEMORY_KB}; ulimit -t {MOST_WORK_S}; exec \"$0\" \"$@\"")])
        .arg(program)
        .args(verb.iter().map(to));
    command.env("MOTELIGHT_CACHE", place.join("cache")).env("MOTELIGHT_LEDGER", place.join("own.sqlite"));
    command.stdin(Stdio::null()).stdout(fs::File::create(&told)?).stderr(fs::File::create(&errors)?);
    let (begun, mut child) = (Instant::now(), command.spawn()?);
    let status = loop {
        if let Some(status) = child.try_wait()? {
            break Some(status);
        }
        if begun.elapsed() > LONGEST {
            child.kill()?;
            child.wait()?;
            break None;
        }
        std::thread::sleep(Duration::from_millis(2));
    };
    let said = String::from_utf8_lossy(&fs::read(&errors)?).into_owned() + &String::from_utf8_lossy(&fs::read(&told)?);
    // A ledger that can be read may be brought up to date: that is its verbs' work.
    let harmed = whole.name != LEDGER && fs::read(&file)? != bytes;
    let end = match status {
        None => "hung",
        Some(s) if s.to_string().contains("SIGXCPU") => "hung",
        Some(s) if s.code().is_none_or(|c| c > 2) => "died",
        _ if said.contains("panicked") || said.contains("the program made a mistake") => "panicked",
        _ if harmed || strangers(&place, &whole.name)? => "harmed",
        Some(s) if s.code() == Some(2) => "refused",
        Some(_) => "judged",
    };
    Ok((end, said))
}

/// Whether anything lies beside the damaged file that is neither output, cache nor ledger.
fn strangers(place: &Path, name: &str) -> Result<bool, Box<dyn Error>> {
    let known = |p: PathBuf| {
        let own = p.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let plain = ["out", "cache", "stdout", "stderr"].contains(&own.as_str());
        plain || own.starts_with(name) || own.starts_with("own.sqlite")
    };
    Ok(!fs::read_dir(place)?.flatten().all(|e| known(e.path())))
}
