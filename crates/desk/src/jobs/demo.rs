//! The demo: a made-up shoot, its test frame inspected, its pictures mended and signed off, its sensor blown at and looked at again.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use motelight_frame::{FNumber, Fault, FrameError};
use motelight_motes::advise::PassKind;
use motelight_synth::demo::DemoFiles;

use crate::jobs::mend::{self, MendedPicture};
use crate::jobs::recheck::{Known, Rechecked, recheck, write_card};
use crate::jobs::signoff::{Pages, SignedFile, sign_off_all, write_pages};
use crate::jobs::{Settings, inspect, pictures, record};

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
    /// The wall of the next morning, after a pass with the blower, held against the first.
    pub rechecked: Rechecked,
    /// The step card.
    pub card: Option<PathBuf>,
    /// The mended pictures, looked over.
    pub signed_off: Vec<SignedFile>,
    /// The contact sheet and the delivery note.
    pub pages: Pages,
    /// The ledger all of it was written to.
    pub ledger: PathBuf,
}

/// Makes the demo's pictures in `folder` where they are not there yet; gives the test frame and the folder of the shoot.
///
/// # Errors
/// A folder that cannot be written to.
pub fn make(folder: &Path) -> Result<(PathBuf, PathBuf), FrameError> {
    let files = made(folder)?;
    Ok((files.test_frame, folder.join("shoot")))
}

fn made(folder: &Path) -> Result<DemoFiles, FrameError> {
    motelight_synth::demo::write(folder).map_err(|e| failed(folder, e.to_string()))
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
/// the test frame, mend the shoot, sign it off, recheck the sensor after a pass; all of it in a ledger of its own. What an
/// earlier run of the demo mended and wrote down there is made anew.
///
/// # Errors
/// A folder that cannot be written to, and what reading and mending give.
pub fn demo(folder: &Path, settings: &Settings, mut tell: impl FnMut(&str)) -> Result<Demo, FrameError> {
    tell("Making a wall and a shoot by the Halden H2, a camera that does not exist ...");
    let DemoFiles { test_frame, cleaned, .. } = made(folder)?;
    let shoot = folder.join("shoot");
    let ledger = folder.join("ledger.sqlite");
    for old in ["ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"].map(|name| folder.join(name)) {
        if old.exists() {
            std::fs::remove_file(&old)
                .map_err(|e| failed(folder, format!("an earlier demo cannot be cleared: {e}")))?;
        }
    }

    tell("Inspecting the test frame ...");
    let reports = folder.join("reports");
    let (sources, _) = pictures(std::slice::from_ref(&test_frame));
    let inspected = inspect(&sources, settings, Some(&reports), |_| {});
    record::inspected(&ledger, &inspected)?;
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
    let page = mend::write_report(&basis, settings, &mended, None, &done)?;
    record::mended(&ledger, &basis, &done)?;

    tell("Signing the mended pictures off ...");
    let (sources, _) = pictures(std::slice::from_ref(&mended));
    let signed_off = sign_off_all(&sources, settings, None, true, &mut |_| ControlFlow::Continue(()));
    let pages = write_pages(&signed_off, settings, &reports)?;
    record::signed_off(&ledger, &signed_off)?;

    tell("The next morning, after a pass with the blower ...");
    let known = Known { passes: vec![PassKind::Blow], booked: FNumber::new(11.0), ..Known::default() };
    let rechecked = recheck(&test_frame, &cleaned, settings, &known, Some(&ledger), |_| ControlFlow::Continue(()));
    let card = match &rechecked.result {
        Ok(compare) => Some(write_card(compare, &reports)?),
        Err(_) => None,
    };
    let pictures = done;
    Ok(Demo { test_frame, basis, report, shoot, mended, page, pictures, rechecked, card, signed_off, pages, ledger })
}
