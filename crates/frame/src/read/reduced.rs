//! Pictures read small: the logarithm of light on square cells, for looking through many pictures at once.
//!
//! A JPEG is decoded to luminance alone and its pixels are averaged as they are. The reduced transforms that JPEG
//! libraries offer give 8-bit samples: rounding them costs more signal than a cell's own noise has, and saves little, since most
//! of the time goes into the entropy code.

use std::path::Path;

use rayon::prelude::*;

use super::tone::{Rendering, rendering};
use super::{FileKind, ReadOptions, guarded, jpeg, open, read};
use crate::error::FrameError;
use crate::frame::{Frame, Layout, Mask};
use crate::plane::Plane;
use crate::planes::Tone;
use crate::shot::Shot;
use crate::space::Size;

/// Steps of [`Reduced::ln`] to a factor of e.
pub const LN_STEPS: f32 = 4096.0;
/// Stands where the light of a cell cannot be measured: at full scale, or so dark that noise and tone curves rule.
pub const UNMEASURED: i16 = i16::MIN;
/// Light below which a cell counts as too dark. A guess.
const DARKEST: f32 = 0.003;
/// Mean code of an 8-bit cell from which on it counts as clipped: some of its pixels stand at full scale then.
const CLIPPED_CODE: f32 = 249.0;

/// A picture on square cells.
#[derive(Debug, Clone)]
pub struct Reduced {
    /// Natural logarithm of the luminance (raw: of all photosites alike), full scale = 0, in steps of 1 / [`LN_STEPS`];
    /// [`UNMEASURED`] where it cannot be told.
    pub ln: Plane<i16>,
    /// Side of a cell, px of the default crop.
    pub cell: usize,
    /// Size of the default crop, px; a rest of less than a cell at the right and below is left out.
    pub size: Size,
    /// The facts of the shot.
    pub shot: Shot,
    /// Single pixels far darker than the plain surroundings two pixels away, deepest first, a few thousand at most: no
    /// shadow is so narrow. What stands at one place in many pictures is a defect of the sensor. They are not in `ln`.
    pub spikes: Vec<(u32, u32)>,
}

/// Codes of 8 bits by which a spike stands out, and within which its surroundings agree.
const SPIKE: (u8, u8) = (12, 10);
/// Most spikes that are told.
const MOST_SPIKES: usize = 2000;

/// Reads a picture on cells of the side that `cell` gives for its shot and size.
///
/// # Errors
/// As [`read`].
pub fn read_reduced(
    path: &Path,
    options: &ReadOptions,
    cell: impl Fn(&Shot, Size) -> usize,
) -> Result<Reduced, FrameError> {
    let (kind, file) = open(path)?;
    if kind != FileKind::Jpeg {
        let frame = read(path, options)?;
        let side = cell(&frame.shot, frame.size());
        return Ok(Reduced::of(&frame, side));
    }
    guarded(path, || {
        let mut luma = jpeg::read_luma(path, file, options)?;
        let size = luma.size;
        let spikes = spikes(&luma.samples, size);
        level(&mut luma.samples, size, &spikes);
        let side = side(cell(&luma.shot, size), size);
        let Rendering { tones, .. } = rendering(&luma.colours, luma.channels, 255);
        // Luma is made of encoded values: a shadow scales it as it scales each of them, nearly.
        let table = table(&tones[tones.len() / 2], side);
        let ln = averaged(&luma.samples, size, side, &table);
        Ok(Reduced { ln, cell: side, size, shot: luma.shot, spikes })
    })
}

/// A side that leaves at least one cell and keeps sums small.
fn side(wanted: usize, size: Size) -> usize {
    wanted.clamp(1, 16).min(size.width.max(1)).min(size.height.max(1))
}

/// What each sum of the codes of a cell means.
fn table(tone: &Tone, side: usize) -> Vec<i16> {
    let count = (side * side) as f32;
    (0..=255 * side * side)
        .map(|sum| {
            let code = sum as f32 / count;
            let (low, t) = (code as u16, code.fract());
            let light = tone.decode(low) * (1.0 - t) + tone.decode((low + 1).min(255)) * t;
            if code >= CLIPPED_CODE { UNMEASURED } else { logarithm(light) }
        })
        .collect()
}

fn logarithm(light: f32) -> i16 {
    if light >= DARKEST { (light.min(1.0).ln() * LN_STEPS).round() as i16 } else { UNMEASURED }
}

fn averaged(samples: &[u8], size: Size, side: usize, table: &[i16]) -> Plane<i16> {
    let cells = Size { width: size.width / side, height: size.height / side };
    let mut ln = Plane::filled(cells, 0i16);
    ln.data_mut().par_chunks_mut(cells.width).enumerate().for_each_init(
        || vec![0u16; size.width],
        |columns, (j, out)| {
            columns.fill(0);
            for y in j * side..(j + 1) * side {
                let row = &samples[y * size.width..(y + 1) * size.width];
                for (sum, v) in columns.iter_mut().zip(row) {
                    *sum += u16::from(*v);
                }
            }
            for (to, of) in out.iter_mut().zip(columns.chunks_exact(side)) {
                let sum: u32 = of.iter().map(|v| u32::from(*v)).sum();
                *to = table[sum as usize];
            }
        },
    );
    ln
}

fn spikes(samples: &[u8], size: Size) -> Vec<(u32, u32)> {
    const AWAY: usize = 2;
    if size.width <= 2 * AWAY || size.height <= 2 * AWAY {
        return Vec::new();
    }
    let row = |y: usize| &samples[y * size.width..(y + 1) * size.width];
    let mut found: Vec<(u8, u32, u32)> = (AWAY..size.height - AWAY)
        .into_par_iter()
        .flat_map_iter(|y| {
            let (here, above, below) = (row(y), row(y - AWAY), row(y + AWAY));
            let count = size.width - 2 * AWAY;
            let (left, right) = (&here[..count], &here[2 * AWAY..]);
            let (middle, above, below) = (&here[AWAY..], &above[AWAY..], &below[AWAY..]);
            let mut depths = vec![0u8; count];
            for i in 0..count {
                let (l, r, a, b) = (left[i], right[i], above[i], below[i]);
                let (low, high) = (l.min(r).min(a.min(b)), l.max(r).max(a.max(b)));
                let depth = low.saturating_sub(middle[i]);
                depths[i] = if depth >= SPIKE.0 && high - low <= SPIKE.1 { depth } else { 0 };
            }
            let spikes: Vec<(u8, u32, u32)> = depths
                .chunks(64)
                .enumerate()
                .filter(|(_, some)| some.iter().fold(0, |all, d| all | d) > 0)
                .flat_map(|(c, some)| some.iter().enumerate().map(move |(i, d)| (*d, 64 * c + i)))
                .filter(|(d, _)| *d > 0)
                .map(|(d, i)| (d, (i + AWAY) as u32, y as u32))
                .collect();
            spikes
        })
        .collect();
    found.sort_by_key(|(depth, x, y)| (std::cmp::Reverse(*depth), *y, *x));
    found.truncate(MOST_SPIKES);
    found.into_iter().map(|(_, x, y)| (x, y)).collect()
}

/// Fills spikes and the pixels next to them, onto which demosaicing spreads them, from two pixels away.
fn level(samples: &mut [u8], size: Size, spikes: &[(u32, u32)]) {
    for &(x, y) in spikes {
        let at = y as usize * size.width + x as usize;
        let around = [at - 2, at + 2, at - 2 * size.width, at + 2 * size.width];
        let mean = around.iter().map(|&i| u32::from(samples[i])).sum::<u32>().div_ceil(4) as u8;
        for row in [at - size.width, at, at + size.width] {
            samples[row - 1..=row + 1].fill(mean);
        }
    }
}

impl Reduced {
    /// A picture read whole, its pixels averaged over cells. The photosites of a mosaic count alike, whatever their colour;
    /// its cells are never smaller than one repeat of two.
    pub fn of(frame: &Frame, cell: usize) -> Reduced {
        let size = frame.size();
        let mosaic = matches!(frame.layout, Layout::Mosaic(_));
        let side = side(if mosaic { cell.div_ceil(2) * 2 } else { cell }, size);
        let cells = Size { width: size.width / side, height: size.height / side };
        let weights = if frame.planes.len() == 3 { frame.luminance } else { [1.0, 0.0, 0.0] };
        let share = 1.0 / (side * side) as f32;
        let mut ln = Plane::filled(cells, 0i16);
        ln.data_mut().par_chunks_mut(cells.width).enumerate().for_each_init(
            || vec![0.0f32; size.width],
            |columns, (j, out)| {
                columns.fill(0.0);
                for y in j * side..(j + 1) * side {
                    for (plane, weight) in frame.planes.iter().zip(weights) {
                        for (sum, v) in columns.iter_mut().zip(plane.row(y)) {
                            *sum += weight * v;
                        }
                    }
                    for (sum, mask) in columns.iter_mut().zip(frame.mask.0.row(y)) {
                        if mask & Mask::CLIPPED != 0 {
                            *sum = f32::NAN;
                        }
                    }
                }
                for (to, of) in out.iter_mut().zip(columns.chunks_exact(side)) {
                    *to = logarithm(of.iter().sum::<f32>() * share);
                }
            },
        );
        let marked = frame.mask.0.data().iter().enumerate().filter(|(_, m)| **m & Mask::DEFECT != 0);
        let spikes =
            marked.take(MOST_SPIKES).map(|(i, _)| ((i % size.width) as u32, (i / size.width) as u32)).collect();
        Reduced { ln, cell: side, size, shot: frame.shot.clone(), spikes }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_holds_the_logarithm_of_its_mean_light() {
        let tone = Tone::new((0..256).map(|c| c as f32 / 255.0).collect()).expect("rising");
        let size = Size { width: 7, height: 4 };
        let samples: Vec<u8> = (0..28).map(|i| if i % 7 < 3 { 51 } else { 204 }).collect();
        let ln = averaged(&samples, size, 3, &table(&tone, 3));
        assert_eq!(ln.size(), Size { width: 2, height: 1 });
        assert!((f32::from(ln.at(0, 0)) / LN_STEPS - 0.2f32.ln()).abs() < 1e-3);
        assert!((f32::from(ln.at(1, 0)) / LN_STEPS - 0.8f32.ln()).abs() < 1e-3);
    }

    #[test]
    fn a_dark_pixel_in_a_plain_place_is_a_spike_and_a_shadow_is_none() {
        let size = Size { width: 40, height: 30 };
        let mut samples = vec![140u8; size.area()];
        samples[10 * 40 + 12] = 60;
        for y in 15..25 {
            samples[y * 40 + 20..y * 40 + 30].fill(100);
        }
        let found = spikes(&samples, size);
        assert_eq!(found, [(12, 10)]);
        level(&mut samples, size, &found);
        assert_eq!((samples[10 * 40 + 12], samples[20 * 40 + 25]), (140, 100));
    }

    #[test]
    fn full_scale_and_darkness_are_not_measured() {
        let tone = Tone::new((0..256).map(|c| c as f32 / 255.0).collect()).expect("rising");
        let table = table(&tone, 1);
        assert_eq!((table[255], table[0]), (UNMEASURED, UNMEASURED));
        assert!(table[128] > UNMEASURED);
    }
}
