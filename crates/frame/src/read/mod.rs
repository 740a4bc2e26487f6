//! Reading pictures: from a file of any kind known here to a [`Frame`] in linear light.
//!
//! What goes in: a path. What comes out: the frame of the default crop, or a [`FrameError`] that names the
//! file, says what is wrong and what to do. The kind of a file is told by its content, never by its name.
//! Nothing is written; nothing is allocated on a header's word before [`Limits`] are held against it.

pub(crate) mod digest;
mod dng;
mod edited;
mod facts;
mod jpeg;
mod light;
mod negative;
mod noise;
mod png;
mod raw;
pub mod raw_child;
mod reduced;
mod refusal;
mod rendered;
mod sniff;
mod tiff;
mod tone;

use std::fs::File;
use std::io::{self, Read, Seek};
use std::path::{Path, PathBuf};

pub(crate) use dng::active_area;
pub use raw::write_negative;
pub use reduced::{LN_STEPS, Reduced, UNMEASURED, read_reduced};
pub use sniff::FileKind;

use crate::error::{Fault, FrameError};
use crate::frame::{Encoding, Frame, Layout};
use crate::ifd::{Directory, Tiff, tag};
use crate::shot::Shot;
use crate::space::Size;
use crate::units::Millimetres;

/// What a picture may cost. A file that asks for more is refused before anything is allocated for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Pixels of the stored picture. Default 500 million: past any single exposure of today.
    pub pixels: u64,
    /// Memory for one picture, bytes; the raw decoder's process gets as much again. Default 4 GiB.
    /// A frame takes 5 bytes a pixel from raw and 13 from a colour picture, and its stored codes on top.
    pub memory_bytes: u64,
    /// Processor time for decoding a raw, s. Default 10: a raw of 150 megapixels takes one or two. By the clock it may
    /// take twelve times as long, for machines that are busy and drives that are slow.
    pub raw_seconds: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Limits { pixels: 500_000_000, memory_bytes: 4 << 30, raw_seconds: 10 }
    }
}

/// Where raw files are decoded. A damaged raw can abort the process that decodes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RawDecoder {
    /// In a child process: the given program calls [`raw_child::serve_if_asked`] first in its `main`.
    Child(PathBuf),
    /// In this process: a damaged file may end it. For tests and for files made by the caller.
    InProcess,
}

/// How to read.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadOptions {
    /// What a picture may cost.
    pub limits: Limits,
    /// Width and height of the sensor as the user gave them: used where the file does not tell the pixel pitch.
    pub sensor: Option<(Millimetres, Millimetres)>,
    /// Where raw files are decoded.
    pub raw: RawDecoder,
}

/// Reads the picture: all of its default crop in linear light.
///
/// # Errors
/// Missing, locked or empty files, files of unknown kinds, damaged ones, and those past the limits.
pub fn read(path: &Path, options: &ReadOptions) -> Result<Frame, FrameError> {
    let (kind, mut file) = open(path)?;
    // The digest needs every byte of the file and little of the processor: it runs beside the decoder.
    std::thread::scope(|scope| {
        let digest = scope.spawn(|| digest::digest(path));
        let mut frame = guarded(path, || match kind {
            FileKind::Raw => raw::read_camera_raw(path, &mut file, options),
            FileKind::Dng => dng::read(path, &mut file, options),
            FileKind::Tiff => tiff::read(path, file, options),
            FileKind::Jpeg => jpeg::read(path, file, options),
            FileKind::Png => png::read(path, file, options),
        })?;
        let digest = digest.join().unwrap_or_else(|_| Err(io::Error::other("the reading thread stopped")));
        frame.digest = digest.map_err(|e| unreadable(path, &e))?;
        if let Some(note) = name_note(path, kind) {
            frame.notes.insert(0, note);
        }
        Ok(frame)
    })
}

/// Reads the facts of the shot and tells the kind of the file, without decoding the picture.
///
/// # Errors
/// As [`read`], save for damage in the picture data, which is not looked at.
pub fn read_shot(path: &Path, options: &ReadOptions) -> Result<(Shot, FileKind), FrameError> {
    let (kind, mut file) = open(path)?;
    let shot = guarded(path, || match kind {
        FileKind::Raw => raw::read_shot(path, &mut file, options),
        FileKind::Dng => dng::read_shot(path, &mut file, options),
        FileKind::Tiff => tiff::read_shot(path, file, options),
        FileKind::Jpeg => jpeg::read_shot(path, file, options),
        FileKind::Png => png::read_shot(path, file, options),
    })?;
    Ok((shot, kind))
}

/// SHA-256 of a file's bytes, as a frame read from it has it.
///
/// # Errors
/// Missing and locked files.
pub fn file_digest(path: &Path) -> Result<crate::frame::Digest, FrameError> {
    digest::digest(path).map_err(|e| unreadable(path, &e))
}

/// Tells the kind of a file by its content.
///
/// # Errors
/// Missing, locked, empty and unknown files.
pub fn kind(path: &Path) -> Result<FileKind, FrameError> {
    open(path).map(|(kind, _)| kind)
}

/// Turns a panic of a decoder library over a damaged file into an error: one bad file never stops the run.
fn guarded<T>(path: &Path, decode: impl FnOnce() -> Result<T, FrameError>) -> Result<T, FrameError> {
    let decoded = std::panic::catch_unwind(std::panic::AssertUnwindSafe(decode));
    decoded.unwrap_or_else(|_| Err(broken(path, "the file is damaged: the decoder stumbled over it")))
}

fn open(path: &Path) -> Result<(FileKind, File), FrameError> {
    let about = std::fs::metadata(path).map_err(|e| unreadable(path, &e))?;
    if about.is_dir() {
        let remedy = "Name the pictures in it, for example FOLDER/*.dng.";
        return Err(FrameError::new(Fault::Unreadable, path, "this is a folder, not a picture", remedy));
    }
    if !about.is_file() {
        return Err(FrameError::new(Fault::Unreadable, path, "this is no ordinary file", "Name a picture file."));
    }
    let mut file = File::open(path).map_err(|e| unreadable(path, &e))?;
    let kind = sniff::sniff(path, &mut file)?;
    file.rewind().map_err(|e| unreadable(path, &e))?;
    Ok((kind, file))
}

/// The error for a file that the system does not let us read.
fn unreadable(path: &Path, error: &io::Error) -> FrameError {
    let (message, remedy) = match error.kind() {
        io::ErrorKind::NotFound => {
            ("there is no such file".to_owned(), "Check the name; a card may have been taken out.")
        }
        io::ErrorKind::PermissionDenied => (
            "the file is locked: you are not allowed to read it".to_owned(),
            "Give yourself the right to read it, or copy it to a folder of your own.",
        ),
        _ => (format!("the file cannot be read ({error})"), "Check the disk or card, and copy the file again."),
    };
    FrameError::new(Fault::Unreadable, path, message, remedy)
}

/// The error for a file that is damaged or cut short.
fn broken(path: &Path, message: impl Into<String>) -> FrameError {
    FrameError::new(Fault::Broken, path, message, "Copy it again from the card or the backup.")
}

/// Holds the size of a picture against the limits. `bytes_per_pixel`: memory to be taken for each.
fn check_size(path: &Path, size: (u64, u64), bytes_per_pixel: u64, limits: &Limits) -> Result<Size, FrameError> {
    let (width, height) = size;
    if width == 0 || height == 0 {
        return Err(broken(path, format!("the file says that its picture is {width} x {height} pixels")));
    }
    let pixels = width.saturating_mul(height);
    if pixels > limits.pixels || pixels.saturating_mul(bytes_per_pixel) > limits.memory_bytes {
        return Err(FrameError::new(
            Fault::TooLarge,
            path,
            format!("the file says that its picture is {width} x {height} pixels, more than this program takes on"),
            "If the picture really is that large, give a smaller part of it; if not, the file is damaged.",
        ));
    }
    Ok(Size { width: width as usize, height: height as usize })
}

/// Refuses a file that ends before the picture data of a directory does; gives the length of the data.
fn check_extent<R: Read + Seek>(path: &Path, tiff: &mut Tiff<R>, directory: &Directory) -> Result<u64, FrameError> {
    let mut total = 0u64;
    for (offsets, counts) in [(tag::STRIP_OFFSETS, tag::STRIP_BYTE_COUNTS), (tag::TILE_OFFSETS, tag::TILE_BYTE_COUNTS)]
    {
        let (offsets, counts) = (tiff.numbers(directory, offsets), tiff.numbers(directory, counts));
        let end = offsets.iter().zip(&counts).map(|(o, c)| o + c).fold(0.0, f64::max);
        if end > tiff.len() as f64 {
            let message = format!("the file is cut short: it holds {} bytes, its picture ends at {end}", tiff.len());
            return Err(broken(path, message));
        }
        total = total.saturating_add(counts.iter().sum::<f64>() as u64);
    }
    Ok(total)
}

/// Says so where a file's name promises another kind than its content.
fn name_note(path: &Path, kind: FileKind) -> Option<String> {
    let extension = path.extension()?.to_string_lossy().to_lowercase();
    let promised = match extension.as_str() {
        "jpg" | "jpeg" | "jpe" => FileKind::Jpeg,
        "tif" | "tiff" => FileKind::Tiff,
        "png" => FileKind::Png,
        "dng" => FileKind::Dng,
        other if rawler::decoders::supported_extensions().contains(&other.to_uppercase().as_str()) => FileKind::Raw,
        _ => return None,
    };
    (promised != kind)
        .then(|| format!("The name ends in .{extension}, but the file is a {} and is read as one.", kind.name()))
}

/// What a decoder hands over once it has light, encoding and facts.
struct Developed {
    light: light::Light,
    layout: Layout,
    encoding: Encoding,
    luminance: [f32; 3],
    shot: Shot,
    notes: Vec<String>,
}

impl Developed {
    /// Noise and defects estimated, all put together; the digest comes later.
    fn into_frame(self) -> Frame {
        let Developed { light: light::Light { planes, mut mask }, layout, encoding, luminance, shot, notes } = self;
        let noise = noise::estimate(&planes, &layout, &encoding, &mask);
        if let Layout::Mosaic(cfa) = &layout {
            light::mark_defects(&planes[0], cfa.period(), noise[0], &mut mask);
        }
        let digest = crate::frame::Digest(String::new());
        Frame { planes, layout, encoding, luminance, noise, mask: crate::frame::Mask(mask), shot, digest, notes }
    }
}

/// Said of every rendered picture.
const RENDERED_NOTE: &str = "This is a rendered picture: a tone curve of the camera or converter lies in it that no \
                             profile tells of, so depths of shadows are approximate. A raw file gives true ones.";
