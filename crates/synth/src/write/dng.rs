//! DNG 1.4 with the colour filter mosaic, uncompressed or in lossless-JPEG tiles.

use rawler::ljpeg92::LjpegCompressor;
use rayon::prelude::*;

use super::ifd::{Directory, Endian, Value, file};
use super::{SynthError, exif};
use crate::develop::{Rendered, develop};
use crate::expose::{Exposure, Mosaic};
use crate::tone::Tone;

/// How the mosaic is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Compression {
    /// 16 bits a sample, in strips.
    None,
    /// Lossless JPEG, in tiles.
    Lossless,
}

/// CIE XYZ (D65) to linear sRGB, IEC 61966-2-1.
const SRGB_FROM_XYZ: [[f64; 3]; 3] = [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]];

/// Side of a tile, px.
const TILE: usize = 256;
/// Rows of a strip.
const ROWS: usize = 64;

/// Whether there is a preview.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Preview {
    /// The mosaic is the file's first and only picture.
    None,
    /// A small rendered picture comes first, the mosaic lies in a directory under it.
    Small,
}

/// Bytes of a DNG.
pub fn dng(
    exposure: &Exposure,
    mosaic: &Mosaic,
    compression: Compression,
    endian: Endian,
    preview: Preview,
) -> Result<Vec<u8>, SynthError> {
    let mut parts: Vec<Vec<u8>> = match compression {
        Compression::None => mosaic
            .samples
            .par_chunks(mosaic.width * ROWS)
            .map(|strip| strip.iter().flat_map(|&v| endian.u16(v)).collect())
            .collect(),
        Compression::Lossless => tiles(mosaic, exposure.camera.bits)?,
    };
    let sizes: Vec<u32> = parts.iter().map(|p| p.len() as u32).collect();
    let small = (preview == Preview::Small).then(|| small(exposure, mosaic));
    parts.extend(small.iter().map(Rendered::to_8_bit));
    Ok(file(endian, &parts, |places| {
        let mut root = exif::facts(exposure);
        colour_fields(&mut root, exposure);
        match &small {
            None => mosaic_fields(&mut root, exposure, mosaic, compression, (places, &sizes)),
            Some(small) => {
                let mut raw = Directory::default();
                let (of_preview, of_raw) = (&places[sizes.len()..], &places[..sizes.len()]);
                mosaic_fields(&mut raw, exposure, mosaic, compression, (of_raw, &sizes));
                preview_fields(&mut root, small, of_preview);
                root.set(330, Value::Directory(raw));
            }
        }
        root
    }))
}

/// The picture, rendered, about 256 px wide.
fn small(exposure: &Exposure, mosaic: &Mosaic) -> Rendered {
    let whole = develop(&exposure.camera, mosaic, Tone::Srgb);
    let block = whole.width.div_ceil(256);
    let (width, height) = (whole.width / block, whole.height / block);
    let mean = |x: usize, y: usize, colour: usize| {
        let sum: u64 = (0..block * block)
            .map(|i| (y * block + i / block) * whole.width + x * block + i % block)
            .map(|pixel| u64::from(whole.samples[pixel * 3 + colour]))
            .sum();
        (sum / (block * block) as u64) as u16
    };
    let samples = (0..width * height * 3).map(|i| mean(i / 3 % width, i / 3 / width, i % 3)).collect();
    Rendered { width, height, samples }
}

fn preview_fields(root: &mut Directory, small: &Rendered, places: &[u32]) {
    root.set(254, Value::Long(vec![1]))
        .set(256, Value::Long(vec![small.width as u32]))
        .set(257, Value::Long(vec![small.height as u32]))
        .set(258, Value::Short(vec![8; 3]))
        .set(259, Value::Short(vec![1]))
        .set(262, Value::Short(vec![2]))
        .set(273, Value::Long(places.to_vec()))
        .set(277, Value::Short(vec![3]))
        .set(278, Value::Long(vec![small.height as u32]))
        .set(279, Value::Long(vec![(small.width * small.height * 3) as u32]))
        .set(284, Value::Short(vec![1]));
}

/// Lossless-JPEG tiles, left to right, top to bottom; what hangs over repeats the last photosites of the same colour.
fn tiles(mosaic: &Mosaic, bits: u8) -> Result<Vec<Vec<u8>>, SynthError> {
    let (across, down) = (mosaic.width.div_ceil(TILE), mosaic.height.div_ceil(TILE));
    let within = |v: usize, end: usize| if v < end { v } else { end - 2 + (v - end) % 2 };
    (0..across * down)
        .into_par_iter()
        .map(|tile| {
            let (left, top) = (tile % across * TILE, tile / across * TILE);
            let samples: Vec<u16> = (top..top + TILE)
                .flat_map(|y| (left..left + TILE).map(move |x| (x, y)))
                .map(|(x, y)| mosaic.samples[within(y, mosaic.height) * mosaic.width + within(x, mosaic.width)])
                .collect();
            LjpegCompressor::new(&samples, TILE / 2, TILE, 2, bits, 1, 0, 0)
                .and_then(LjpegCompressor::encode)
                .map_err(|e| SynthError::Encode(format!("lossless JPEG: {e:?}")))
        })
        .collect()
}

/// What tells a reader the camera and its colours (DNG specification 1.4, chapter 4).
fn colour_fields(root: &mut Directory, exposure: &Exposure) {
    let camera = &exposure.camera;
    // The matrix takes XYZ to the camera's own colours; this camera sees sRGB's, dimmed to its neutral.
    let dimmed = |(row, dim): ([f64; 3], f64)| row.map(|v| [(v * dim * 1e4).round() as i32, 10_000]);
    let matrix = SRGB_FROM_XYZ.into_iter().zip(camera.neutral).flat_map(dimmed).collect();
    root.set(50706, Value::Byte(vec![1, 4, 0, 0]))
        .set(50707, Value::Byte(vec![1, 1, 0, 0]))
        .set(50708, Value::Text(camera.model.clone()))
        .set(50721, Value::SignedRational(matrix))
        .set(50728, Value::Rational(camera.neutral.map(|v| [(v * 1e4).round() as u32, 10_000]).to_vec()))
        .set(50778, Value::Short(vec![21]));
    if let Some(serial) = &camera.serial {
        root.set(50735, Value::Text(serial.clone()));
    }
}

/// What tells a reader how to use the mosaic (DNG specification 1.4, chapter 4); `data` are places and sizes of its parts.
fn mosaic_fields(
    raw: &mut Directory,
    exposure: &Exposure,
    mosaic: &Mosaic,
    compression: Compression,
    (places, sizes): (&[u32], &[u32]),
) {
    let camera = &exposure.camera;
    let (origin_x, origin_y) = camera.crop_origin();
    let (left, top) = (camera.borders.masked_left, camera.borders.masked_top);
    let cfa = &camera.cfa;
    // The pattern is told from the corner of the active area.
    let pattern = (0..cfa.height).flat_map(|y| (0..cfa.width).map(move |x| (x, y)));
    let pattern: Vec<u8> = pattern.map(|(x, y)| cfa.colour(left + x, top + y) as u8).collect();
    let (bits, code) = if compression == Compression::None { (16, 1) } else { (u16::from(camera.bits), 7) };
    raw.set(254, Value::Long(vec![0]))
        .set(256, Value::Long(vec![mosaic.width as u32]))
        .set(257, Value::Long(vec![mosaic.height as u32]))
        .set(258, Value::Short(vec![bits]))
        .set(259, Value::Short(vec![code]))
        .set(262, Value::Short(vec![32803]))
        .set(277, Value::Short(vec![1]))
        .set(284, Value::Short(vec![1]))
        .set(33421, Value::Short(vec![cfa.height as u16, cfa.width as u16]))
        .set(33422, Value::Byte(pattern))
        .set(50711, Value::Short(vec![1]))
        .set(50713, Value::Short(vec![1, 1]))
        .set(50714, Value::Short(vec![camera.black]))
        .set(50717, Value::Long(vec![u32::from(camera.white)]))
        .set(50718, Value::Rational(vec![[1, 1], [1, 1]]))
        .set(50719, Value::Long(vec![(origin_x - left) as u32, (origin_y - top) as u32]))
        .set(50720, Value::Long(vec![camera.width as u32, camera.height as u32]))
        .set(50829, Value::Long(vec![top as u32, left as u32, mosaic.height as u32, mosaic.width as u32]));
    match compression {
        Compression::None => raw
            .set(273, Value::Long(places.to_vec()))
            .set(278, Value::Long(vec![ROWS as u32]))
            .set(279, Value::Long(sizes.to_vec())),
        Compression::Lossless => raw
            .set(322, Value::Long(vec![TILE as u32]))
            .set(323, Value::Long(vec![TILE as u32]))
            .set(324, Value::Long(places.to_vec()))
            .set(325, Value::Long(sizes.to_vec())),
    };
}
