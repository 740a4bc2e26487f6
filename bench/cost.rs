//! What running another process costs. Linux only: times and memory come from `/proc`.

use std::error::Error;
use std::fmt::{Display, Formatter};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Kernel clock ticks in a second, as `/proc` counts processor time: 100 on Linux.
const TICKS: f64 = 100.0;

/// What a process cost, its children counted.
#[derive(Debug, Clone, Copy, Default)]
pub struct Cost {
    /// User and system time, s.
    pub processor_s: f64,
    /// By the clock, s.
    pub clock_s: f64,
    /// Largest sum of resident memory, looked at every 2 ms, MB.
    pub peak_mb: f64,
}

impl Display for Cost {
    fn fmt(&self, f: &mut Formatter) -> std::fmt::Result {
        let Cost { processor_s, clock_s, peak_mb } = self;
        write!(f, "{processor_s:6.2} s processor time, {clock_s:6.2} s by the clock, {peak_mb:4.0} MB at most")
    }
}

/// Runs a process to its end.
pub fn cost_of(command: &mut Command) -> Result<Cost, Box<dyn Error>> {
    let (before, start) = (childrens_ticks()?, Instant::now());
    let mut child = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn()?;
    let mut peak_mb = 0.0f64;
    while child.try_wait()?.is_none() {
        peak_mb = peak_mb.max(resident_mb(&child));
        std::thread::sleep(Duration::from_millis(2));
    }
    let clock_s = start.elapsed().as_secs_f64();
    Ok(Cost { processor_s: (childrens_ticks()? - before) / TICKS, clock_s, peak_mb })
}

/// This same program, to do its other work: see [`other_work`].
pub fn itself(verb: &str, what: &Path) -> Result<Command, Box<dyn Error>> {
    let mut command = Command::new(std::env::current_exe()?);
    command.arg(verb).arg(what);
    Ok(command)
}

/// The words of the command line. `None`: it was started by [`itself`] to be measured, and has done its `work`.
pub fn other_work(
    verb: &str,
    work: impl FnOnce(&Path) -> Result<(), Box<dyn Error>>,
) -> Result<Option<Vec<String>>, Box<dyn Error>> {
    let words: Vec<String> = std::env::args().skip(1).filter(|w| w != "--bench").collect();
    match words.as_slice() {
        [first, what] if first == verb => work(Path::new(what)).map(|()| None),
        _ => Ok(Some(words)),
    }
}

/// Medians of times, the largest memory.
pub fn typical(costs: &[Cost]) -> Cost {
    let median = |of: fn(&Cost) -> f64| {
        let mut all: Vec<f64> = costs.iter().map(of).collect();
        all.sort_by(f64::total_cmp);
        all[all.len() / 2]
    };
    let peak_mb = costs.iter().map(|c| c.peak_mb).fold(0.0, f64::max);
    Cost { processor_s: median(|c| c.processor_s), clock_s: median(|c| c.clock_s), peak_mb }
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
