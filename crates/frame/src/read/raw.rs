//! Camera raw files, and what they share with DNG: the talk with the decoding child.

use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::Mutex;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

use super::facts::Facts;
use super::light::{Light, RawRows};
use super::raw_child::{self, RawPicture, Reply, Request, Task, What};
use super::refusal::{Refusal, Why};
use super::{Developed, RawDecoder, ReadOptions, broken, check_extent, check_size, negative, unreadable};
use crate::error::{Fault, FrameError};
use crate::frame::{Cfa, Encoding, Frame, Layout};
use crate::ifd::{Tiff, tag};
use crate::shot::Shot;

/// Codes taken from the pipe before they become light, bytes.
const BAND: usize = 4 << 20;
/// The child's first line is never longer, bytes.
const LINE_MAX: u64 = 16 << 20;
/// Photometric interpretation of a colour filter array (TIFF/EP, DNG).
const CFA: u32 = 32803;

pub(super) fn read_camera_raw(path: &Path, file: &mut File, options: &ReadOptions) -> Result<Frame, FrameError> {
    let own = own_facts(path, file)?;
    let (picture, light) = fetch(path, What::Camera, None, options)?;
    develop(picture, light, own, options)
}

pub(super) fn read_shot(path: &Path, file: &mut File, options: &ReadOptions) -> Result<Shot, FrameError> {
    let own = own_facts(path, file)?;
    let picture = facts(path, options)?;
    Ok(own.or(picture.facts).shot(picture.recorded, picture.crop, true, options.sensor))
}

/// The frame of a decoded raw.
pub(super) fn develop(
    picture: RawPicture,
    light: Light,
    own: Facts,
    options: &ReadOptions,
) -> Result<Frame, FrameError> {
    let layout = match picture.cfa.and_then(|(period, colours)| Cfa::new(period, colours)) {
        Some(cfa) => Layout::Mosaic(cfa),
        None if picture.samples == 1 => Layout::Grey,
        None => Layout::Rgb,
    };
    let developed = Developed {
        light,
        layout,
        encoding: Encoding::Levels { period: picture.black_period, black: picture.black, white: picture.white },
        // Camera colours have no luminance of their own; as in a Bayer mosaic, green counts twice.
        luminance: [0.25, 0.5, 0.25],
        shot: own.or(picture.facts).shot(picture.recorded, picture.crop, true, options.sensor),
        notes: picture.notes,
    };
    Ok(developed.into_frame())
}

/// Facts that a TIFF-like raw tells in the open; one whose picture data ends past the file is refused here,
/// whatever a decoder would make of it.
fn own_facts(path: &Path, file: &mut File) -> Result<Facts, FrameError> {
    let Ok(Some(mut tiff)) = Tiff::open(BufReader::new(file)) else { return Ok(Facts::default()) };
    for directory in tiff.all() {
        if tiff.first(&directory, tag::PHOTOMETRIC).map(|v| v as u32) == Some(CFA) {
            check_extent(path, &mut tiff, &directory)?;
        }
    }
    Ok(Facts::from_tiff(&mut tiff))
}

/// Decodes, here or in a child, and turns codes into light. `known`: what the caller knows of the picture.
pub(super) fn fetch(
    path: &Path,
    what: What,
    known: Option<RawPicture>,
    options: &ReadOptions,
) -> Result<(RawPicture, Light), FrameError> {
    let RawDecoder::Child(program) = &options.raw else {
        let decoded = here(path, &what)?;
        let picture = known.or(decoded.picture.clone()).ok_or_else(|| no_answer(path))?;
        let mut canvas = Canvas::new(path, &picture, options)?;
        let (codes, stride) = decoded.codes();
        canvas.fill(codes, stride);
        return Ok((picture, canvas.light));
    };
    talk(path, program, Task::Decode(what), options, |reply, pipe| {
        let picture = known.or(told(path, reply)?).ok_or(Failure::Lost)?;
        let mut canvas = Canvas::new(path, &picture, options)?;
        let row = canvas.row;
        let rows = (BAND / 2 / row).clamp(1, picture.crop.height);
        let mut band = vec![0u16; rows * row];
        while canvas.filled < picture.crop.height {
            let left = (picture.crop.height - canvas.filled).min(rows);
            let codes = &mut band[..left * row];
            pipe.read_exact(bytemuck::cast_slice_mut(codes)).map_err(|_| Failure::Lost)?;
            canvas.fill(codes, row);
        }
        Ok((picture, canvas.light))
    })
}

/// What the child told of the picture, or why it refused.
fn told(path: &Path, reply: Reply) -> Result<Option<RawPicture>, FrameError> {
    match reply {
        Reply::Pixels(picture) => Ok(picture.map(|p| *p)),
        Reply::Facts(picture) => Ok(Some(*picture)),
        Reply::Written => Ok(None),
        Reply::Refused(refusal) => Err(refused(path, &refusal)),
    }
}

/// What the raw library tells of a camera's own format.
fn facts(path: &Path, options: &ReadOptions) -> Result<RawPicture, FrameError> {
    let RawDecoder::Child(program) = &options.raw else {
        return here(path, &What::CameraFacts)?.picture.ok_or_else(|| no_answer(path));
    };
    talk(path, program, Task::Decode(What::CameraFacts), options, |reply, _| told(path, reply)?.ok_or(Failure::Lost))
}

/// Makes a DNG of a camera's own format: the same mosaic and facts in a form that can be written back. `to` must not
/// exist; after an error what is there is not whole.
///
/// # Errors
/// As reading the raw, and `Unwritable`.
pub fn write_negative(path: &Path, to: &Path, options: &ReadOptions) -> Result<(), FrameError> {
    let mut file = File::open(path).map_err(|e| unreadable(path, &e))?;
    let pitch_um = own_facts(path, &mut file)?.focal_plane_um;
    let RawDecoder::Child(program) = &options.raw else {
        let written = catch_unwind(AssertUnwindSafe(|| negative::write(path, to, pitch_um)));
        return written.map_err(|_| no_answer(path))?.map_err(|r| refused(path, &r));
    };
    let task = Task::Negative { to: to.to_path_buf(), pitch_um };
    talk(path, program, task, options, |reply, _| told(path, reply).map(|_| ()).map_err(Failure::Said))
}

/// A raw picture being filled.
struct Canvas {
    light: Light,
    rows: RawRows,
    samples: usize,
    /// Codes of a row.
    row: usize,
    /// Rows filled so far.
    filled: usize,
}

impl Canvas {
    fn new(path: &Path, picture: &RawPicture, options: &ReadOptions) -> Result<Canvas, FrameError> {
        let (recorded, crop) = (picture.recorded, picture.crop);
        check_size(path, (recorded.width as u64, recorded.height as u64), 1, &options.limits)?;
        let size = (crop.width as u64, crop.height as u64);
        let size = check_size(path, size, 4 * picture.samples as u64 + 1, &options.limits)?;
        if !matches!(picture.samples, 1 | 3) {
            let refusal = format!("the raw file holds {} colours of each pixel", picture.samples);
            return Err(unsupported(path, refusal));
        }
        let light = Light::dark(size, picture.samples);
        let rows = RawRows::new(picture.black_period, &picture.black, picture.white, size.width);
        Ok(Canvas { light, rows, samples: picture.samples, row: size.width * picture.samples, filled: 0 })
    }

    /// Takes the next rows of codes.
    fn fill(&mut self, codes: &[u16], stride: usize) {
        for plane in 0..self.samples {
            self.light.fill_raw(plane, self.filled, codes, stride, &self.rows);
        }
        self.filled += codes.len().div_ceil(stride);
    }
}

fn here(path: &Path, what: &What) -> Result<raw_child::Decoded, FrameError> {
    let decoded = catch_unwind(AssertUnwindSafe(|| raw_child::decode(path, what)));
    decoded.map_err(|_| no_answer(path))?.map_err(|r| refused(path, &r))
}

/// Why nothing came of an answer.
enum Failure {
    /// Known from the answer, or on this side.
    Said(FrameError),
    /// The answer broke off: how the child ended tells more.
    Lost,
}

impl From<FrameError> for Failure {
    fn from(error: FrameError) -> Self {
        Failure::Said(error)
    }
}

/// How much longer than its processor time a child may take by the clock.
const CLOCK_OVER_PROCESSOR: u64 = 12;

/// Starts the child, hands its answer to `take`, and makes sure that it ends.
fn talk<T>(
    path: &Path,
    program: &Path,
    task: Task,
    options: &ReadOptions,
    take: impl FnOnce(Reply, &mut dyn Read) -> Result<T, Failure>,
) -> Result<T, FrameError> {
    let seconds = options.limits.raw_seconds.max(1);
    let request = Request { task, memory_bytes: options.limits.memory_bytes, seconds };
    let request = serde_json::to_string(&request).map_err(|_| no_answer(path))?;
    let mut command = Command::new(program);
    command.arg(raw_child::ASK).arg(path).arg(request);
    let child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn();
    let mut child = child.map_err(|e| {
        let message = format!("the raw decoder cannot be started ({}: {e})", program.display());
        FrameError::new(Fault::Unreadable, path, message, "Install the program again.")
    })?;
    let Some(pipe) = child.stdout.take() else { return Err(no_answer(path)) };
    let child = Mutex::new(child);
    std::thread::scope(|scope| {
        let (done, wait) = channel::<()>();
        let watch = scope.spawn(|| {
            let wait = wait;
            let patience = Duration::from_secs(u64::from(seconds) * CLOCK_OVER_PROCESSOR);
            let late = wait.recv_timeout(patience) == Err(RecvTimeoutError::Timeout);
            if late {
                end(&child);
            }
            late
        });
        let answer = listen(BufReader::with_capacity(1 << 16, pipe), take);
        drop(done);
        let late = watch.join().unwrap_or(false);
        if answer.is_err() {
            end(&child);
        }
        let status = child.lock().ok().and_then(|mut c| c.wait().ok());
        answer.map_err(|failure| match failure {
            Failure::Said(error) => error,
            Failure::Lost => death(path, status, late, options),
        })
    })
}

fn listen<T>(
    mut pipe: impl BufRead,
    take: impl FnOnce(Reply, &mut dyn Read) -> Result<T, Failure>,
) -> Result<T, Failure> {
    let mut line = Vec::new();
    pipe.by_ref().take(LINE_MAX).read_until(b'\n', &mut line).map_err(|_| Failure::Lost)?;
    take(serde_json::from_slice(&line).map_err(|_| Failure::Lost)?, &mut pipe)
}

/// Ends the child; one that has ended already is left in peace.
fn end(child: &Mutex<Child>) {
    if let Ok(mut child) = child.lock() {
        let _ = child.kill();
    }
}

/// The error for a child that died before its answer was whole.
fn death(path: &Path, status: Option<ExitStatus>, late: bool, options: &ReadOptions) -> FrameError {
    #[cfg(unix)]
    let signal = status.and_then(|s| std::os::unix::process::ExitStatusExt::signal(&s));
    #[cfg(not(unix))]
    let signal: Option<i32> = status.and(None);
    let seconds = options.limits.raw_seconds.max(1);
    // SIGXCPU is 24 on all Linux targets and macOS; SIGKILL comes from our own clock or the system's.
    if signal == Some(24) {
        return broken(path, format!("the raw file is damaged: decoding it did not end within {seconds} s"));
    }
    if late {
        let message =
            format!("the raw file could not be decoded within {} s", u64::from(seconds) * CLOCK_OVER_PROCESSOR);
        let remedy =
            "Try again when the machine is less busy, from a drive that answers; if it stays so, the file is damaged.";
        return FrameError::new(Fault::Unreadable, path, message, remedy);
    }
    let memory = options.limits.memory_bytes >> 20;
    broken(path, format!("the raw file is damaged: the decoder gave up on it (it may use {memory} MiB of memory)"))
}

pub(super) fn refused(path: &Path, refusal: &Refusal) -> FrameError {
    let message = &refusal.message;
    match refusal.why {
        Why::Unsupported => unsupported(path, format!("the raw file cannot be decoded here: {message}")),
        Why::Broken => broken(path, format!("the raw file is damaged or cut short: {message}")),
        Why::Unwritable => FrameError::new(
            Fault::Unwritable,
            path,
            format!("a DNG of it cannot be written ({message})"),
            "Check the output folder's permissions and the space left.",
        ),
        Why::OutOfMemory => FrameError::new(
            Fault::TooLarge,
            path,
            format!("the raw file asks for more memory than this program takes for one picture ({message})"),
            "If the picture really is that large, close other programs; if not, the file is damaged.",
        ),
    }
}

pub(super) fn unsupported(path: &Path, message: impl Into<String>) -> FrameError {
    let remedy = "Give a DNG made from it without compression or with lossless compression, or a 16-bit TIFF.";
    FrameError::new(Fault::Unsupported, path, message, remedy)
}

fn no_answer(path: &Path) -> FrameError {
    broken(path, "the raw file is damaged: the decoder gave up on it")
}
