//! DNG (1.7): levels, mosaic and crop from its own tags; the pixels from the raw library.

use std::fs::File;
use std::io::{BufReader, Read, Seek};
use std::path::Path;

use super::facts::Facts;
use super::raw::{develop, fetch, refused, unsupported};
use super::raw_child::{RawPicture, What, shifted};
use super::{ReadOptions, broken, check_extent, check_size, unreadable};
use crate::error::FrameError;
use crate::frame::{Cfa, Colour, Frame};
use crate::ifd::{Directory, Tiff, tag};
use crate::shot::Shot;
use crate::space::{Rect, Size};

/// Photometric interpretations of raw pictures: a mosaic, demosaiced colours, one tone.
const CFA: u32 = 32803;
const LINEAR_RAW: u32 = 34892;
const BLACK_IS_ZERO: u32 = 1;

/// Compressions read: none, lossless JPEG, lossy JPEG, JPEG XL.
const COMPRESSIONS: [u64; 4] = [1, 7, 34892, 52546];

/// A DNG's raw picture, by its directory.
struct Dng {
    picture: RawPicture,
    what: What,
    facts: Facts,
}

pub(super) fn read(path: &Path, file: &mut File, options: &ReadOptions) -> Result<Frame, FrameError> {
    let dng = open(path, file, options, true)?;
    let (picture, light) = fetch(path, dng.what, Some(dng.picture), options)?;
    develop(picture, light, dng.facts, options)
}

pub(super) fn read_shot(path: &Path, file: &mut File, options: &ReadOptions) -> Result<Shot, FrameError> {
    let Dng { picture, facts, .. } = open(path, file, options, false)?;
    Ok(facts.shot(picture.recorded, picture.crop, true, options.sensor))
}

fn open(path: &Path, file: &mut File, options: &ReadOptions, pixels: bool) -> Result<Dng, FrameError> {
    let no_tiff = || broken(path, "the DNG file is damaged or cut short: its directories cannot be read");
    let mut tiff = Tiff::open(BufReader::new(file)).map_err(|e| unreadable(path, &e))?.ok_or_else(no_tiff)?;
    let directory = raw_directory(&mut tiff).ok_or_else(no_tiff)?;
    let number = |tiff: &mut Tiff<_>, tag: u16, default: u64| tiff.first(&directory, tag).map_or(default, |v| v as u64);
    let width = number(&mut tiff, tag::IMAGE_WIDTH, 0);
    let height = number(&mut tiff, tag::IMAGE_LENGTH, 0);
    let samples = number(&mut tiff, tag::SAMPLES_PER_PIXEL, 1) as usize;
    let recorded = check_size(path, (width, height), 5, &options.limits)?;
    if pixels {
        let compression = number(&mut tiff, tag::COMPRESSION, 1);
        if !COMPRESSIONS.contains(&compression) {
            let message =
                format!("the DNG file is compressed in a way that is not read here (compression {compression})");
            return Err(unsupported(path, message));
        }
        if number(&mut tiff, tag::SAMPLE_FORMAT, 1) != 1 {
            return Err(unsupported(path, "the DNG file holds floating point numbers"));
        }
        check_data(path, &mut tiff, &directory, recorded, samples)?;
    }
    let active = active_area(&mut tiff, &directory, recorded);
    let mut notes = Vec::new();
    let crop = default_crop(&mut tiff, &directory, active, &mut notes);
    let photometric = number(&mut tiff, tag::PHOTOMETRIC, 0) as u32;
    let from_active = (crop.x - active.x, crop.y - active.y);
    let cfa = match photometric {
        CFA if samples == 1 => Some(mosaic(path, &mut tiff, &directory, from_active)?),
        CFA => return Err(unsupported(path, "the DNG file holds a mosaic of several layers")),
        _ => None,
    };
    let (black_period, black, white) = levels(path, &mut tiff, &directory, samples, from_active)?;
    if directory.has(tag::LINEARIZATION_TABLE) {
        notes.push(LINEARISED_NOTE.to_owned());
    }
    if [tag::BLACK_LEVEL_DELTA_H, tag::BLACK_LEVEL_DELTA_V].iter().any(|t| directory.has(*t)) {
        notes.push("The file corrects black levels by row or column; those small corrections are left out.".to_owned());
    }
    let what = What::Dng { directory_at: directory.at, big_endian: tiff.big_endian(), recorded, crop, samples };
    let facts = Facts::from_tiff(&mut tiff);
    let picture =
        RawPicture { recorded, crop, samples, cfa, black_period, black, white, facts: Facts::default(), notes };
    Ok(Dng { picture, what, facts })
}

/// Said where the stored codes are not the decoded ones.
const LINEARISED_NOTE: &str =
    "The DNG file stores its codes through a linearisation table; codes in between are spread by chance.";

/// The largest full-resolution raw picture of the file.
fn raw_directory<R: Read + Seek>(tiff: &mut Tiff<R>) -> Option<Directory> {
    let mut best: Option<(u64, Directory)> = None;
    for directory in tiff.all() {
        let number = |tiff: &mut Tiff<R>, tag: u16| tiff.first(&directory, tag).map(|v| v as u64);
        let full = number(tiff, tag::NEW_SUBFILE_TYPE).unwrap_or(0) == 0;
        let raw = match number(tiff, tag::PHOTOMETRIC).map(|v| v as u32) {
            Some(CFA | LINEAR_RAW) => full,
            // One tone, from a sensor without colour filters.
            Some(BLACK_IS_ZERO) => full && directory.has(tag::WHITE_LEVEL),
            _ => false,
        };
        let (width, height) = (number(tiff, tag::IMAGE_WIDTH), number(tiff, tag::IMAGE_LENGTH));
        let area = width.unwrap_or(0).saturating_mul(height.unwrap_or(0));
        if raw && best.as_ref().is_none_or(|(most, _)| area > *most) {
            best = Some((area, directory));
        }
    }
    best.map(|(_, directory)| directory)
}

/// Holds the claimed size against what the file can hold.
fn check_data<R: Read + Seek>(
    path: &Path,
    tiff: &mut Tiff<R>,
    directory: &Directory,
    recorded: Size,
    samples: usize,
) -> Result<(), FrameError> {
    let bytes = check_extent(path, tiff, directory)?;
    let bits = tiff.first(directory, tag::BITS_PER_SAMPLE).unwrap_or(16.0);
    let codes = recorded.area() as u64 * samples as u64;
    let least = match tiff.first(directory, tag::COMPRESSION).map(|v| v as u32) {
        None | Some(1) => (codes as f64 * bits / 8.0) as u64,
        // Lossless JPEG takes at least one bit for each code.
        Some(7) if bits > 8.0 => codes / 8,
        _ => 0,
    };
    if bytes < least {
        let Size { width, height } = recorded;
        let message = format!("the file is damaged: {width} x {height} pixels cannot lie in its {bytes} bytes of data");
        return Err(broken(path, message));
    }
    Ok(())
}

/// ActiveArea: top, left, bottom, right; the whole mosaic if absent or impossible.
pub(crate) fn active_area<R: Read + Seek>(tiff: &mut Tiff<R>, directory: &Directory, recorded: Size) -> Rect {
    let whole = Rect::whole(recorded);
    let area = tiff.numbers(directory, tag::ACTIVE_AREA);
    let &[top, left, bottom, right] = area.as_slice() else { return whole };
    let inside = top >= 0.0 && left >= 0.0 && bottom <= recorded.height as f64 && right <= recorded.width as f64;
    if !(inside && bottom > top && right > left) {
        return whole;
    }
    let (x, y) = (left as usize, top as usize);
    Rect { x, y, width: right as usize - x, height: bottom as usize - y }
}

/// DefaultCropOrigin and DefaultCropSize: x first, relative to the active area.
fn default_crop<R: Read + Seek>(
    tiff: &mut Tiff<R>,
    directory: &Directory,
    active: Rect,
    notes: &mut Vec<String>,
) -> Rect {
    let origin = tiff.numbers(directory, tag::DEFAULT_CROP_ORIGIN);
    let size = tiff.numbers(directory, tag::DEFAULT_CROP_SIZE);
    let (&[x, y], &[width, height]) = (origin.as_slice(), size.as_slice()) else { return active };
    let inside = x >= 0.0 && y >= 0.0 && x + width <= active.width as f64 && y + height <= active.height as f64;
    if !(inside && width >= 1.0 && height >= 1.0) {
        notes.push("The default crop of the file lies outside its picture; the whole active area is used.".to_owned());
        return active;
    }
    Rect { x: active.x + x as usize, y: active.y + y as usize, width: width as usize, height: height as usize }
}

/// CFARepeatPatternDim (rows, columns) and CFAPattern, whose origin is that of the active area, as seen
/// from the crop.
fn mosaic<R: Read + Seek>(
    path: &Path,
    tiff: &mut Tiff<R>,
    directory: &Directory,
    (x, y): (usize, usize),
) -> Result<(Size, Vec<Colour>), FrameError> {
    if tiff.first(directory, tag::CFA_LAYOUT).is_some_and(|v| v != 1.0) {
        return Err(unsupported(path, "the DNG file comes from a sensor with a staggered mosaic"));
    }
    let repeat = tiff.numbers(directory, tag::CFA_REPEAT);
    let period = match repeat.as_slice() {
        &[rows, columns] => Size { width: columns as usize, height: rows as usize },
        _ => Size { width: 2, height: 2 },
    };
    let colours = tiff.numbers(directory, tag::CFA_PATTERN);
    let colours: Option<Vec<Colour>> = colours
        .iter()
        .map(|c| match *c as u32 {
            0 => Some(Colour::Red),
            1 => Some(Colour::Green),
            2 => Some(Colour::Blue),
            _ => None,
        })
        .collect();
    let colours =
        colours.ok_or_else(|| unsupported(path, "the DNG file's mosaic has other colours than red, green and blue"))?;
    let cfa = Cfa::new(period, colours).ok_or_else(|| broken(path, "the DNG file's mosaic pattern is damaged"))?;
    let cfa = cfa.shifted(x, y);
    let places = (0..period.height).flat_map(|r| (0..period.width).map(move |c| (c, r)));
    Ok((period, places.map(|(c, r)| cfa.colour(c, r)).collect()))
}

/// BlackLevelRepeatDim (rows, columns), BlackLevel, whose origin is that of the active area, and WhiteLevel.
fn levels<R: Read + Seek>(
    path: &Path,
    tiff: &mut Tiff<R>,
    directory: &Directory,
    samples: usize,
    origin: (usize, usize),
) -> Result<(Size, Vec<f32>, f32), FrameError> {
    let repeat = tiff.numbers(directory, tag::BLACK_LEVEL_REPEAT);
    let (height, width) = match repeat.as_slice() {
        &[rows, columns] => (rows as usize, columns as usize),
        _ => (1, 1),
    };
    if !((1..=16).contains(&width) && (1..=16).contains(&height)) {
        return Err(broken(path, "the DNG file's black levels are damaged"));
    }
    let mut black: Vec<f32> = tiff.numbers(directory, tag::BLACK_LEVEL).iter().map(|v| *v as f32).collect();
    if black.len() <= 1 {
        let level = black.first().copied().unwrap_or(0.0);
        black = vec![level; width * height * samples];
    }
    let black = shifted(&black, (width, height), samples, origin).map_err(|r| refused(path, &r))?;
    let whites = tiff.numbers(directory, tag::WHITE_LEVEL);
    let bits = tiff.first(directory, tag::BITS_PER_SAMPLE).unwrap_or(16.0);
    let white = whites.iter().copied().reduce(f64::min).unwrap_or(2f64.powf(bits) - 1.0) as f32;
    let sound = black.iter().all(|b| b.is_finite() && *b < white) && white <= 65535.0;
    let period = Size { width, height };
    sound
        .then_some((period, black, white))
        .ok_or_else(|| broken(path, "the DNG file's black and white levels are damaged"))
}
