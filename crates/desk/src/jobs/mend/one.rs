//! One picture: read, mended, recorded, put in place.

use std::borrow::Cow;
use std::path::{Path, PathBuf};

use motelight_frame::read::kind;
use motelight_frame::write::{UNFINISHED_PREFIX, give_name, refuse_taken};
use motelight_frame::{
    Fault, FileKind, Frame, FrameError, Patch, Plane, Rect, Written, copy_sidecars, file_digest, read, write_gain_maps,
    write_mended, write_negative,
};
use motelight_motes::mend::{Chart, MendOptions, Mended, mend as mend_frame};
use serde_json::json;

use super::basis::{Basis, usage};
use super::record::{Record, SCHEMA, listed};
use super::{Mending, Plan};
use crate::contract::RepairEntry;
use crate::jobs::originals::Originals;
use crate::jobs::{Settings, Source, write_whole};
use crate::report::{View, mask_png, view_places};

/// What all pictures of a run share.
pub struct Shared<'a> {
    pub basis: &'a Basis,
    pub settings: &'a Settings,
    pub plan: &'a Plan,
}

impl Shared<'_> {
    /// Mends one picture, or finds that it was done before.
    pub fn one(&self, source: &Source) -> Result<Mending, FrameError> {
        // A camera's own format cannot be written back: its copy is a DNG.
        let kind = kind(&source.path)?;
        let raw = kind == FileKind::Raw;
        if self.plan.gain_maps && !raw && kind != FileKind::Dng {
            let message = format!("gain maps belong to raws, and this is a {}", kind.name());
            return Err(FrameError::new(Fault::Usage, &source.path, message, "Mend it in a run without --gain-maps."));
        }
        let relative = if raw { source.relative.with_extension("dng") } else { source.relative.clone() };
        let out = self.plan.out.as_ref().map(|o| (o.as_path(), o.join(&relative)));
        let options = self.options(source);
        let made_by = self.made_by(source, &options)?;
        let mask = self.plan.masks.as_ref().map(|folder| mask_path(folder, &source.relative));
        if let Some((folder, output)) = &out
            && let Some(record) = finished(source, &Record::path(folder, &relative), output, &made_by)?
        {
            if let Some(mask) = mask.as_ref().filter(|m| !m.exists() && !self.plan.dry_run) {
                let (frame, again) = self.light_of(source, &options)?;
                write_mask(mask, &frame, &again.patches, &record.places)?;
            }
            return Ok(Mending {
                output: Some(output.clone()),
                mask,
                done_before: true,
                motes: record.motes,
                pixels_changed: record.pixels_changed,
                notes: record.notes,
                views: record.views,
            });
        }
        if let Some((_, output)) = &out {
            refuse_taken(&source.path, output)?;
        }
        let (frame, mut mended) = self.light_of(source, &options)?;
        let motes: Vec<RepairEntry> = mended.motes.iter().map(RepairEntry::from).collect();
        let mut mending = Mending {
            output: out.as_ref().map(|(_, output)| output.clone()),
            mask: None,
            done_before: false,
            motes,
            pixels_changed: mended.pixels_changed,
            notes: std::mem::take(&mut mended.notes),
            views: Vec::new(),
        };
        if self.plan.dry_run {
            return Ok(mending);
        }
        let Some((folder, output)) = out else { return Ok(mending) };
        let patches = std::mem::take(&mut mended.patches);
        let staged = staged_path(&output);
        make_folder(output.parent())?;
        let written = match raw {
            true => self.write_as_negative(source, &frame, &patches, &staged)?,
            false => self.write_copy(&source.path, &frame, &patches, &staged)?,
        };
        mending.pixels_changed = written.pixels_changed;
        mending.notes.extend(written.notes);
        mending.views = views(&frame, &patches, &mending.motes);
        let record = Record {
            schema: SCHEMA.into(),
            original: source.path.clone(),
            made_by,
            motes: mending.motes.clone(),
            pixels_changed: mending.pixels_changed,
            places: listed(&written.footprint),
            notes: mending.notes.clone(),
            undo: written.undo,
            views: mending.views.clone(),
        };
        // A copy without its record could neither be recognised nor turned back; so the record comes first.
        record.write(&Record::path(folder, &relative))?;
        if let Some(mask) = mask {
            write_mask(&mask, &frame, &patches, &record.places)?;
            mending.mask = Some(mask);
        }
        give_name(&staged, &output)?;
        if let Err(e) = copy_sidecars(&source.path, &output) {
            mending.notes.push(format!("A sidecar was not copied: {e}."));
        }
        Ok(mending)
    }

    /// Writes the copy in the way that was asked for.
    fn write_copy(&self, source: &Path, frame: &Frame, patches: &[Patch], to: &Path) -> Result<Written, FrameError> {
        let write = if self.plan.gain_maps { write_gain_maps } else { write_mended };
        write(source, frame, patches, to)
    }

    /// Writes the copy of a camera's own format: a DNG is made from it, compared with it, and mended.
    fn write_as_negative(
        &self,
        source: &Source,
        frame: &Frame,
        patches: &[Patch],
        to: &Path,
    ) -> Result<Written, FrameError> {
        let negative = Negative(staged_path(to));
        write_negative(&source.path, &negative.0, &self.settings.read)?;
        let same = read(&negative.0, &self.settings.read)?;
        if same.planes != frame.planes {
            let message = "the DNG made from this raw does not hold the same picture; nothing was written";
            let remedy = "Make a DNG of it with other software and mend that.";
            return Err(FrameError::new(Fault::Unsupported, &source.path, message, remedy));
        }
        let mut written = self.write_copy(&negative.0, &same, patches, to)?;
        written.undo.original = frame.digest.clone();
        written.notes.push(NEGATIVE.to_owned());
        Ok(written)
    }

    pub fn options(&self, source: &Source) -> MendOptions {
        MendOptions {
            choices: self.plan.choices.motes(&source.relative, &self.basis.ids()),
            any_body: self.plan.same_body,
            viewings: self.settings.viewings.clone(),
            ..MendOptions::default()
        }
    }

    /// All that decides what comes out, beside the picture itself.
    fn made_by(&self, source: &Source, options: &MendOptions) -> Result<String, FrameError> {
        let sensor = self.settings.read.sensor.map(|(w, h)| [w.0, h.0]);
        // Which motes stand in a finished picture is known only when it was brought together with its original.
        let chart = match &self.plan.originals {
            None => self.basis.digest(&source.path)?,
            Some(originals) => json!({ "all": self.basis.whole_digest(), "originals": originals.mark() }),
        };
        let made_by = json!({
            "version": env!("CARGO_PKG_VERSION"),
            "chart": chart,
            "gain_maps": self.plan.gain_maps,
            "viewings": options.viewings,
            "choices": options.choices,
            "certainty": options.certainty,
            "same_body": options.any_body,
            "sensor_mm": sensor,
        });
        Ok(made_by.to_string())
    }

    /// The picture and its new light, with nothing written.
    pub fn light_of(&self, source: &Source, options: &MendOptions) -> Result<(Frame, Mended), FrameError> {
        let mut frame = read(&source.path, &self.settings.read)?;
        let (chart, note) = match &self.plan.originals {
            None => (self.basis.chart(&source.path)?, None),
            Some(originals) => {
                let (chart, note) = self.carried(source, &mut frame, originals)?;
                (Cow::Owned(chart), Some(note))
            }
        };
        let mut mended = mend_frame(&frame, &chart, options).map_err(|r| usage(&source.path, &r))?;
        mended.notes.splice(0..0, note);
        Ok((frame, mended))
    }

    /// The chart of a finished picture's original as it lies in the finished picture, which is told the facts of that shot.
    fn carried(
        &self,
        source: &Source,
        frame: &mut Frame,
        originals: &Originals,
    ) -> Result<(Chart, String), FrameError> {
        let failed = |why: String| {
            let remedy = "Mend the picture as the camera wrote it, then finish it again.";
            FrameError::new(Fault::Usage, &source.path, why, remedy)
        };
        let found = originals.find(&source.path, frame, self.settings).map_err(|why| {
            failed(why.map_or("none of the originals fits this picture".to_owned(), |w| w.words().to_owned()))
        })?;
        let original = &originals.files[found.number];
        let chart = self.basis.chart(original)?.carried(&found.way);
        let chart = chart.ok_or_else(|| failed("its middle lies outside its original".to_owned()))?;
        (frame.shot.f_number, frame.shot.body) = (found.shot.f_number, found.shot.body);
        let name = original.file_name().unwrap_or_default().to_string_lossy();
        let note = format!(
            "Made from {name}: {:.0} % of its details agree, places to {:.2} px (1 sigma).",
            100.0 * found.way.matched_share,
            found.way.sigma_px
        );
        Ok((chart, note))
    }
}

/// What a copy of a camera's own format is.
const NEGATIVE: &str = "The copy is a DNG with the same sensor data: the camera's own raw format cannot be written. Exif and colours \
    were carried over; maker notes and embedded previews may be missing or made anew.";

/// A DNG to be mended, there only while the copy is made.
struct Negative(PathBuf);

impl Drop for Negative {
    fn drop(&mut self) {
        // Left behind, it is swept away by the next run.
        let _ = std::fs::remove_file(&self.0);
    }
}

/// The record of a picture that was finished before, with the same settings and from the same content.
fn finished(source: &Source, record: &Path, output: &Path, made_by: &str) -> Result<Option<Record>, FrameError> {
    if !output.is_file() {
        return Ok(None);
    }
    let Some(record) = Record::read(record).filter(|r| r.made_by == made_by) else { return Ok(None) };
    let same = file_digest(&source.path)? == record.undo.original && file_digest(output)? == record.undo.mended;
    Ok(same.then_some(record))
}

/// Where a copy is put together.
fn staged_path(output: &Path) -> PathBuf {
    let name = output.file_name().unwrap_or_default().to_string_lossy().into_owned();
    output.with_file_name(format!("{UNFINISHED_PREFIX}{name}"))
}

fn make_folder(folder: Option<&Path>) -> Result<(), FrameError> {
    let Some(folder) = folder else { return Ok(()) };
    std::fs::create_dir_all(folder).map_err(|e| {
        let message = format!("the output folder cannot be made: {e}");
        FrameError::new(Fault::Unwritable, folder, message, "Check its permissions and the space left.")
    })
}

/// The worst touched places before and after.
fn views(frame: &Frame, patches: &[Patch], motes: &[RepairEntry]) -> Vec<View> {
    view_places(frame.size(), motes).iter().filter_map(|place| place.view(frame, patches)).collect()
}

fn mask_path(folder: &Path, relative: &Path) -> PathBuf {
    let mut name = folder.join(relative).into_os_string();
    name.push(crate::jobs::MASK_ENDING);
    PathBuf::from(name)
}

/// White where pixels changed. A JPEG changes by whole blocks, so there the blocks are white.
fn write_mask(path: &Path, frame: &Frame, patches: &[Patch], places: &[[usize; 4]]) -> Result<(), FrameError> {
    let mut mask = Plane::filled(frame.size(), 0u8);
    let exact = places.len() == patches.len()
        && patches.iter().zip(places).all(|(p, r)| [p.window.x, p.window.y, p.window.width, p.window.height] == *r);
    if exact {
        for patch in patches {
            let w = patch.window;
            for y in 0..w.height {
                (0..w.width).filter(|&x| patch.mask.at(x, y)).for_each(|x| mask.set(w.x + x, w.y + y, 255));
            }
        }
    } else {
        for &[x, y, width, height] in places {
            let r = Rect { x, y, width, height };
            let (right, bottom) = (r.right().min(mask.width()), r.bottom().min(mask.height()));
            (y..bottom).for_each(|y| mask.row_mut(y)[x.min(right)..right].fill(255));
        }
    }
    let bytes = mask_png(&mask).ok_or_else(|| {
        FrameError::new(Fault::TooLarge, path, "the mask is too large for a PNG", "Mend the picture without a mask.")
    })?;
    write_whole(path, &bytes)
}
