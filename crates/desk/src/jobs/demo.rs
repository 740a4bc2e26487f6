//! The demo: a made-up shoot, its test frame inspected, its pictures mended.

use std::path::{Path, PathBuf};

use motelight_frame::{Fault, FrameError};

use crate::jobs::mend::{self, MendedPicture};
use crate::jobs::{Settings, inspect, pictures};

/// What the demo made.
#[derive(Debug)]
pub struct Demo {
    /// The test frame.
    pub test_frame: PathBuf,
    /// What lies on the made-up sensor, and what the shoot was mended by.
    pub basis: mend::Basis,
    /// The report of the inspection.
    pub report: Option<PathBuf>,
    /// The folder of the shoot.
    pub shoot: PathBuf,
    /// The folder of the mended copies.
    pub mended: PathBuf,
    /// The page of the mended shoot.
    pub page: PathBuf,
    /// What came of each picture.
    pub pictures: Vec<MendedPicture>,
}

/// Makes the demo's pictures in `folder` where they are not there yet; gives the test frame and the folder of the shoot.
///
/// # Errors
/// A folder that cannot be written to.
pub fn make(folder: &Path) -> Result<(PathBuf, PathBuf), FrameError> {
    let files = motelight_synth::demo::write(folder).map_err(|e| failed(folder, e.to_string()))?;
    Ok((files.test_frame, folder.join("shoot")))
}

/// The demo's test frame after the one that is given, where there is one.
pub fn next_frame(test_frame: &Path) -> Option<PathBuf> {
    let next = test_frame.with_file_name(motelight_synth::demo::NEXT_MORNING);
    (test_frame.file_name() == Some(motelight_synth::demo::WALL.as_ref()) && next.is_file()).then_some(next)
}

fn failed(folder: &Path, message: String) -> FrameError {
    FrameError::new(Fault::Unwritable, folder, message, "Give another folder with --out, with 300 MB free.")
}

/// Makes the demo's pictures in `folder` where they are not there yet, and runs the whole line on them: inspect
/// the test frame, mend the shoot. What an earlier run of the demo mended there is made anew.
///
/// # Errors
/// A folder that cannot be written to, and what reading and mending give.
pub fn demo(folder: &Path, settings: &Settings, mut tell: impl FnMut(&str)) -> Result<Demo, FrameError> {
    tell("Making a wall and a shoot by the Halden H2, a camera that does not exist ...");
    let (test_frame, shoot) = make(folder)?;

    tell("Inspecting the test frame ...");
    let reports = folder.join("reports");
    let (sources, _) = pictures(std::slice::from_ref(&test_frame));
    let inspected = inspect(&sources, settings, Some(&reports), |_| {});
    let report = inspected.into_iter().next().and_then(|i| i.report);
    let basis = mend::Basis::test_frame(&test_frame, settings)?;

    tell("Mending the shoot ...");
    let mended = folder.join("mended");
    if mended.exists() {
        std::fs::remove_dir_all(&mended)
            .map_err(|e| failed(folder, format!("an earlier demo cannot be cleared: {e}")))?;
    }
    let (sources, _) = pictures(std::slice::from_ref(&shoot));
    let plan = mend::Plan { out: Some(mended.clone()), ..mend::Plan::default() };
    let done = mend::mend(&sources, &basis, settings, &plan, &mut |_| {})?;
    let page = mend::write_report(&basis, settings, &mended, &done)?;
    Ok(Demo { test_frame, basis, page, report, shoot, mended, pictures: done })
}
