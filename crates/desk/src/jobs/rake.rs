//! One picture drawn as raking view, into a file of its own.

use std::path::{Path, PathBuf};

use motelight_frame::{Fault, FrameError, ReadOptions, read};
use motelight_motes::rake::RakeOptions;

use crate::contract::RakeDocument;
use crate::jobs::write_whole;
use crate::report::{is_raking_view, raking_view};

/// How a picture is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RakePlan {
    /// Differences narrower than this share of the picture's long side are kept, 0 to 1.
    pub scale: f64,
    /// How strongly they are raised, as [`RakeOptions::strength`].
    pub strength: f64,
}

impl Default for RakePlan {
    /// 4 % of the long side: the widest shadow that shows, 250 µm on 36 mm, is a sixth of it (our own choice by eye).
    fn default() -> Self {
        RakePlan { scale: 0.04, strength: RakeOptions::default().strength }
    }
}

/// What was drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Raked {
    /// Where it was written.
    pub output: PathBuf,
    /// Columns, upright.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Scale, px.
    pub scale_px: f64,
}

/// Draws a picture. An older raking view of that name is replaced, anything else is not.
///
/// # Errors
/// What reading the picture gives; `Usage` and `Unwritable` for the output.
pub fn rake(path: &Path, out: &Path, plan: &RakePlan, options: &ReadOptions) -> Result<Raked, FrameError> {
    refuse_other(path, out)?;
    let frame = read(path, options)?;
    let view = raking_view(frame, plan.scale, plan.strength).ok_or_else(|| {
        let remedy = "Give a smaller part of it.";
        FrameError::new(Fault::TooLarge, path, "it is too large for a PNG", remedy)
    })?;
    write_whole(out, &view.png)?;
    let (width, height) = (view.size.width, view.size.height);
    Ok(Raked { output: out.to_path_buf(), width, height, scale_px: view.scale_px })
}

/// Refuses a name that anything but a raking view of ours has.
fn refuse_other(path: &Path, out: &Path) -> Result<(), FrameError> {
    let original = std::fs::canonicalize(path).ok().is_some_and(|p| std::fs::canonicalize(out).ok() == Some(p));
    if original {
        let remedy = "Choose another name: --out view.png";
        return Err(FrameError::new(
            Fault::Usage,
            out,
            "this is the picture itself; originals are never written",
            remedy,
        ));
    }
    if out.is_dir() {
        let message = "this is a folder; a raking view is one file";
        return Err(FrameError::new(Fault::Usage, out, message, "Name the file to write: --out view.png"));
    }
    if std::fs::symlink_metadata(out).is_ok() && !std::fs::read(out).is_ok_and(|bytes| is_raking_view(&bytes)) {
        let message = "there is a file of this name already, and it is no raking view";
        return Err(FrameError::new(Fault::Unwritable, out, message, "Choose another name, or remove it first."));
    }
    Ok(())
}

/// The document of a run.
pub fn document(path: &Path, plan: &RakePlan, result: &Result<Raked, FrameError>) -> RakeDocument {
    let mut document = RakeDocument::of(path.display().to_string(), plan.strength, plan.scale);
    match result {
        Ok(raked) => {
            document.output = Some(raked.output.display().to_string());
            (document.width, document.height) = (Some(raked.width), Some(raked.height));
            document.scale_px = Some(raked.scale_px);
        }
        Err(e) => document.error = Some(e.into()),
    }
    document
}
