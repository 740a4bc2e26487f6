//! Raw decoding, and the child process it runs in.
//!
//! A damaged raw file can make the raw library ask for terabytes or panic. So the program that reads
//! pictures starts itself once more as a child with limits on memory and processor time; the child decodes
//! and sends back one line of JSON and then the codes of the default crop, 16 bits each, in the machine's
//! byte order. Whatever happens in the child is an error message in the parent, never a crash.

use std::fs::File;
use std::io::{IoSlice, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use rawler::RawImageData;
use rawler::bits::Endian;
use rawler::decoders::{RawDecodeParams, plain_image_from_ifd};
use rawler::formats::tiff::{IFD, Value};
use rawler::rawimage::{RawImage, RawPhotometricInterpretation};
use rawler::rawsource::RawSource;
use serde::{Deserialize, Serialize};

use super::facts::{Facts, time_from_exif};
use super::negative;
use super::refusal::{self, Refusal};
use crate::frame::{Cfa, Colour};
use crate::ifd::tag;
use crate::space::{Rect, Size};

/// First argument of the child.
pub(super) const ASK: &str = "decode-raw-for-parent";
/// Threads that decode in the child: more gain nothing, and each takes address space of its own.
const THREADS_MAX: usize = 8;
/// Rows sent in one call.
const ROWS_AT_ONCE: usize = 256;

/// What is asked of the child, beside the path.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Request {
    pub task: Task,
    pub memory_bytes: u64,
    pub seconds: u32,
}

/// What the child is to do.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) enum Task {
    /// Decode a picture and send it back.
    Decode(What),
    /// Make a DNG of a camera's own format, where there is no file yet; the pixel pitch as Exif tells it.
    Negative { to: PathBuf, pitch_um: Option<(f64, f64)> },
}

/// What is to be decoded.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) enum What {
    /// The pixels of a DNG, whose directory the parent has read.
    Dng { directory_at: u64, big_endian: bool, recorded: Size, crop: Rect, samples: usize },
    /// A camera's own format.
    Camera,
    /// The facts of a camera's own format, without the pixels.
    CameraFacts,
}

/// What the child tells of a camera's own format.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct RawPicture {
    /// The whole mosaic.
    pub recorded: Size,
    /// The default crop in it.
    pub crop: Rect,
    /// Samples of a pixel: 1, or 3 if the file is demosaiced.
    pub samples: usize,
    /// Colours of the mosaic from the crop's own origin; `None` without a mosaic.
    pub cfa: Option<(Size, Vec<Colour>)>,
    /// Repeat of the black levels from the crop's own origin, and the levels in it.
    pub black_period: Size,
    pub black: Vec<f32>,
    pub white: f32,
    pub facts: Facts,
    pub notes: Vec<String>,
}

/// First line of the child's answer; after `Pixels` the codes follow.
#[derive(Debug, Serialize, Deserialize)]
pub(super) enum Reply {
    Pixels(Option<Box<RawPicture>>),
    Facts(Box<RawPicture>),
    Written,
    Refused(Refusal),
}

/// Decoded codes of the whole mosaic, and which part of them is the picture.
pub(super) struct Decoded {
    /// Told for a camera's own format; a DNG's parent knows it all.
    pub picture: Option<RawPicture>,
    codes: Vec<u16>,
    recorded: Size,
    crop: Rect,
    samples: usize,
}

impl Decoded {
    /// The codes from the crop's first row on, and the samples from one row to the next.
    pub fn codes(&self) -> (&[u16], usize) {
        let stride = self.recorded.width * self.samples;
        (&self.codes[self.crop.y * stride + self.crop.x * self.samples..], stride)
    }

    fn send(&self, out: &mut impl Write) -> std::io::Result<()> {
        let (codes, stride) = self.codes();
        let width = self.crop.width * self.samples;
        let mut rows = codes.chunks(stride).take(self.crop.height).map(|row| bytemuck::cast_slice(&row[..width]));
        loop {
            let mut slices: Vec<IoSlice> = rows.by_ref().take(ROWS_AT_ONCE).map(IoSlice::new).collect();
            if slices.is_empty() {
                return Ok(());
            }
            let mut left = slices.as_mut_slice();
            while !left.is_empty() {
                match out.write_vectored(left)? {
                    0 => return Err(std::io::ErrorKind::WriteZero.into()),
                    n => IoSlice::advance_slices(&mut left, n),
                }
            }
        }
    }
}

/// Does the work of a raw-decoding child and ends the process, if it was started as one; else returns at
/// once. Every program that reads raw files with [`super::RawDecoder::Child`] calls this first in `main`.
pub fn serve_if_asked() {
    let mut arguments = std::env::args_os().skip(1);
    if arguments.next().is_none_or(|a| a != ASK) {
        return;
    }
    let (Some(path), Some(request)) = (arguments.next(), arguments.next()) else { std::process::exit(2) };
    let request = request.to_str().and_then(|r| serde_json::from_str::<Request>(r).ok());
    let Some(request) = request else { std::process::exit(2) };
    // A panic is answered like any other refusal; nobody reads its words.
    std::panic::set_hook(Box::new(|_| {}));
    limit(&request);
    let threads = std::thread::available_parallelism().map_or(1, |n| n.get()).min(THREADS_MAX);
    // The library's loops use the global pool; failing that they run as they please.
    let _ = rayon::ThreadPoolBuilder::new().num_threads(threads).build_global();
    std::process::exit(match serve(&PathBuf::from(path), &request) {
        Ok(()) => 0,
        Err(_) => 1,
    });
}

/// Limits on this process: a file that asks for too much ends it. Where a limit cannot be set, the parent's
/// clock is left.
#[cfg(unix)]
fn limit(request: &Request) {
    use rustix::process::{Resource, Rlimit, setrlimit};
    let at_most = |n: u64| Rlimit { current: Some(n), maximum: Some(n) };
    let _ = setrlimit(Resource::Core, at_most(0));
    let _ = setrlimit(Resource::As, at_most(request.memory_bytes));
    let _ = setrlimit(Resource::Cpu, at_most(request.seconds.max(1).into()));
}

#[cfg(not(unix))]
fn limit(_: &Request) {}

fn serve(path: &Path, request: &Request) -> std::io::Result<()> {
    let mut out = stdout_pipe()?;
    let answer = catch_unwind(AssertUnwindSafe(|| answer(path, &request.task)));
    let answer = answer.unwrap_or_else(|_| Err(Refusal::broken("the raw decoder stumbled over it")));
    let (reply, pixels) = answer.unwrap_or_else(|refusal| (Reply::Refused(refusal), None));
    let mut line = serde_json::to_vec(&reply)?;
    line.push(b'\n');
    out.write_all(&line)?;
    pixels.map_or(Ok(()), |decoded| decoded.send(&mut out))
}

fn answer(path: &Path, task: &Task) -> Result<(Reply, Option<Decoded>), Refusal> {
    match task {
        Task::Negative { to, pitch_um } => negative::write(path, to, *pitch_um).map(|()| (Reply::Written, None)),
        Task::Decode(what) => {
            let mut decoded = decode(path, what)?;
            Ok(match (decoded.picture.take(), what) {
                (Some(picture), What::CameraFacts) => (Reply::Facts(Box::new(picture)), None),
                (picture, _) => (Reply::Pixels(picture.map(Box::new)), Some(decoded)),
            })
        }
    }
}

/// Standard output without the line buffer: codes are full of line ends. The pipe is made wide, so that
/// parent and child need not wait for each other at every few rows.
fn stdout_pipe() -> std::io::Result<File> {
    #[cfg(unix)]
    let out = std::os::fd::AsFd::as_fd(&std::io::stdout()).try_clone_to_owned()?;
    #[cfg(windows)]
    let out = std::os::windows::io::AsHandle::as_handle(&std::io::stdout()).try_clone_to_owned()?;
    // Where it is not a pipe or may not grow, it stays as it is.
    #[cfg(target_os = "linux")]
    let _ = rustix::pipe::fcntl_setpipe_size(&out, 1 << 20);
    Ok(File::from(out))
}

/// Decodes in this process.
pub(super) fn decode(path: &Path, what: &What) -> Result<Decoded, Refusal> {
    let source = refusal::open(path)?;
    match what {
        What::Dng { directory_at, big_endian, recorded, crop, samples } => {
            let codes = dng_codes(&source, *directory_at, *big_endian)?;
            whole(None, codes, *recorded, *crop, *samples)
        }
        What::Camera | What::CameraFacts => camera(&source, matches!(what, What::CameraFacts)),
    }
}

fn whole(
    picture: Option<RawPicture>,
    codes: Vec<u16>,
    recorded: Size,
    crop: Rect,
    samples: usize,
) -> Result<Decoded, Refusal> {
    if codes.len() != recorded.area() * samples {
        return Err(Refusal::broken("the picture has another size than the file states"));
    }
    Ok(Decoded { picture, codes, recorded, crop, samples })
}

/// The codes of one directory. Tags that the raw library wants and TIFF 6.0 lets a file leave out, or write
/// as short numbers, are put in first.
fn dng_codes(source: &RawSource, at: u64, big_endian: bool) -> Result<Vec<u16>, Refusal> {
    let at = u32::try_from(at).map_err(|_| Refusal::unsupported("files past 4 GiB are not read"))?;
    let endian = if big_endian { Endian::Big } else { Endian::Little };
    let ifd = IFD::new(&mut source.reader(), at, 0, 0, endian, &[]);
    let mut ifd = ifd.map_err(|e| Refusal::broken(e.to_string()))?;
    for tag in [tag::STRIP_OFFSETS, tag::STRIP_BYTE_COUNTS, tag::TILE_OFFSETS, tag::TILE_BYTE_COUNTS] {
        if let Some(entry) = ifd.entries.get_mut(&tag)
            && let Value::Short(short) = &entry.value
        {
            entry.value = Value::Long(short.iter().map(|v| u32::from(*v)).collect());
        }
    }
    match plain_image_from_ifd(&ifd, source)? {
        RawImageData::Integer(codes) => Ok(codes),
        RawImageData::Float(_) => Err(Refusal::unsupported("it holds floating point numbers")),
    }
}

fn camera(source: &RawSource, facts_only: bool) -> Result<Decoded, Refusal> {
    let decoder = rawler::get_decoder(source)?;
    let params = RawDecodeParams::default();
    let exif = decoder.raw_metadata(source, &params).map(|m| m.exif).unwrap_or_default();
    let image = decoder.raw_image(source, &params, facts_only)?;
    let mut picture = describe(&image)?;
    picture.facts.serial = exif.serial_number;
    picture.facts.lens = exif.lens_model;
    picture.facts.lens_serial = exif.lens_serial_number;
    let number = |r: rawler::formats::tiff::Rational| f64::from(r.n) / f64::from(r.d);
    let positive = |v: Option<f64>| v.filter(|v| v.is_finite() && *v > 0.0);
    picture.facts.f_number = positive(exif.fnumber.map(number))
        .or_else(|| positive(exif.aperture_value.map(number)).map(|av| 2f64.powf(av / 2.0)));
    picture.facts.focal_length_mm = positive(exif.focal_length.map(number));
    picture.facts.exposure_seconds = positive(exif.exposure_time.map(number));
    let iso = exif.iso_speed_ratings.map(u32::from).filter(|v| *v < 65535).or(exif.iso_speed);
    picture.facts.iso = positive(iso.or(exif.recommended_exposure_index).map(f64::from));
    picture.facts.orientation = exif.orientation.map(u32::from);
    let (sub_sec, offset) = (exif.sub_sec_time_original.as_deref(), exif.offset_time_original.as_deref());
    picture.facts.taken = exif.date_time_original.as_deref().and_then(|t| time_from_exif(t, sub_sec, offset));
    let (recorded, crop, samples) = (picture.recorded, picture.crop, picture.samples);
    if facts_only {
        return Ok(Decoded { picture: Some(picture), codes: Vec::new(), recorded, crop, samples });
    }
    match image.data {
        RawImageData::Integer(codes) => whole(Some(picture), codes, recorded, crop, samples),
        RawImageData::Float(_) => Err(Refusal::unsupported("it holds floating point numbers")),
    }
}

/// Levels, mosaic and crop of a decoded raw.
fn describe(image: &RawImage) -> Result<RawPicture, Refusal> {
    if image.fuji_rotation_width.is_some() {
        return Err(Refusal::unsupported("its sensor stands diagonally, which is not measured here"));
    }
    let recorded = Size { width: image.width, height: image.height };
    let area = image.crop_area.or(image.active_area).map(|r| Rect { x: r.p.x, y: r.p.y, width: r.d.w, height: r.d.h });
    let fits = |r: &Rect| r.width > 0 && r.height > 0 && r.right() <= recorded.width && r.bottom() <= recorded.height;
    let crop = area.filter(fits).unwrap_or(Rect::whole(recorded));
    if !fits(&crop) {
        return Err(Refusal::broken("it states a picture without pixels"));
    }
    let cfa = match &image.photometric {
        RawPhotometricInterpretation::Cfa(config) if image.cpp == 1 => Some(mosaic(&config.cfa, crop)?),
        RawPhotometricInterpretation::Cfa(_) => return Err(Refusal::unsupported("its mosaic has several layers")),
        _ => None,
    };
    let black = &image.blacklevel;
    let levels = shifted(&black.as_vec(), (black.width, black.height), black.cpp, (crop.x, crop.y))?;
    let white = image.whitelevel.0.iter().copied().min().unwrap_or(65535) as f32;
    if levels.iter().any(|b| b.partial_cmp(&white) != Some(std::cmp::Ordering::Less)) {
        return Err(Refusal::broken("its black level lies above its white level"));
    }
    let facts = Facts { make: text(&image.make), model: text(&image.model), ..Facts::default() };
    Ok(RawPicture {
        recorded,
        crop,
        samples: image.cpp,
        cfa,
        black_period: Size { width: black.width, height: black.height },
        black: levels,
        white,
        facts,
        notes: Vec::new(),
    })
}

fn text(text: &str) -> Option<String> {
    let text = text.trim_matches(|c: char| c == '\0' || c.is_whitespace());
    (!text.is_empty()).then(|| text.to_owned())
}

fn mosaic(cfa: &rawler::CFA, crop: Rect) -> Result<(Size, Vec<Colour>), Refusal> {
    let (width, height) = (cfa.width, cfa.height);
    let places = (0..height).flat_map(|y| (0..width).map(move |x| (x, y)));
    let colours = places.map(|(x, y)| match cfa.color_at(y + crop.y % height, x + crop.x % width) {
        0 => Some(Colour::Red),
        1 => Some(Colour::Green),
        2 => Some(Colour::Blue),
        _ => None,
    });
    let colours: Option<Vec<Colour>> = colours.collect();
    let period = Size { width, height };
    colours
        .filter(|c| Cfa::new(period, c.clone()).is_some())
        .map(|c| (period, c))
        .ok_or_else(|| Refusal::unsupported("its mosaic has other colours than red, green and blue"))
}

/// Black levels as seen from another origin; one level for all samples of a pixel.
pub(super) fn shifted(
    levels: &[f32],
    (width, height): (usize, usize),
    samples: usize,
    (x, y): (usize, usize),
) -> Result<Vec<f32>, Refusal> {
    if width == 0 || height == 0 || samples == 0 || levels.len() != width * height * samples {
        return Err(Refusal::broken("its black levels do not fit their pattern"));
    }
    let places = (0..height).flat_map(|r| (0..width).map(move |c| ((r + y) % height) * width + (c + x) % width));
    let one = |place: usize| {
        let of_pixel = &levels[place * samples..(place + 1) * samples];
        of_pixel.iter().all(|l| *l == of_pixel[0]).then_some(of_pixel[0])
    };
    let levels: Option<Vec<f32>> = places.map(one).collect();
    levels.ok_or_else(|| Refusal::unsupported("its colours have different black levels"))
}
