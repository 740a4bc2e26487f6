//! `motelight mend`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::Args;
use motelight_desk::jobs::mend::{self as job, MendedPicture};
use motelight_desk::jobs::{self, Outcome};
use motelight_frame::{Fault, FrameError};
use motelight_motes::mend::{Mended, Treatment};

use crate::common::Common;
use crate::say;

/// Mend pictures.
#[derive(Debug, Args)]
pub struct Mend {
    /// Pictures, or folders of them; originals are only read
    #[arg(required = true)]
    pub pictures: Vec<PathBuf>,
    /// The test frame by the same body, taken before or after the shoot
    #[arg(long, value_name = "WALL")]
    pub test_frame: PathBuf,
    #[command(flatten)]
    #[allow(missing_docs)]
    pub common: Common,
}

/// Mends pictures.
pub fn run(a: &Mend) -> Outcome {
    let settings = a.common.settings();
    let Some(out) = &a.common.out else {
        let remedy = "Name a folder for the mended copies: --out mended";
        say::error(&FrameError::new(Fault::Usage, Path::new("--out"), "no output folder was given", remedy));
        return Outcome::Failed;
    };
    let (_, chart) = match job::chart(&a.test_frame, &settings) {
        Ok(chart) => chart,
        Err(e) => {
            say::error(&e);
            if a.common.json {
                say::document(&job::document(&a.test_frame, &[]));
            }
            return Outcome::Failed;
        }
    };
    let (sources, errors) = jobs::pictures(&a.pictures);
    errors.iter().for_each(say::error);
    let bar = say::progress(sources.len());
    let all = jobs::mend(&sources, &chart, &settings, out, |done| {
        bar.suspend(|| match &done.result {
            Ok(_) if a.common.json => {}
            Ok(_) => say::text(&line(done)),
            Err(e) => say::error(e),
        });
        bar.inc(1);
    });
    bar.finish_and_clear();
    if a.common.json {
        say::document(&job::document(&a.test_frame, &all));
    }
    let outcome = job::outcome(&all);
    if errors.is_empty() { outcome } else { Outcome::Failed }
}

/// One picture in one line: how many lifted, how many untouched and why.
pub fn line(picture: &MendedPicture) -> String {
    let name = picture.path.file_name().unwrap_or(picture.path.as_os_str()).to_string_lossy().into_owned();
    match &picture.result {
        Ok((_, mended)) => format!("{name}: {}", sum(mended)),
        Err(e) => format!("{name}: {}", e.message),
    }
}

fn sum(mended: &Mended) -> String {
    let count = |t: Treatment| mended.motes.iter().filter(|m| m.treatment == t).count();
    let mut parts = vec![format!("{} lifted", count(Treatment::Lifted))];
    if count(Treatment::Filled) > 0 {
        parts.push(format!("{} filled", count(Treatment::Filled)));
    }
    let mut reasons: BTreeMap<&str, usize> = BTreeMap::new();
    for reason in mended.motes.iter().filter_map(|m| m.reason) {
        *reasons.entry(reason.words()).or_default() += 1;
    }
    if !reasons.is_empty() {
        let why: Vec<String> = reasons.iter().map(|(words, n)| format!("{n} {words}")).collect();
        parts.push(format!("{} untouched ({})", count(Treatment::Untouched), why.join(", ")));
    }
    format!("{}; {} pixels changed", parts.join(", "), mended.pixels_changed)
}
