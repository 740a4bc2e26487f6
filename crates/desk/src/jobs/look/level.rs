//! One level of a picture: its light, finely, and the codes of its colours, where it has any.

use motelight_frame::{Colour, Frame, Layout, Plane, Rect, Size, widest};
use rayon::prelude::*;

use crate::jobs::look::turn::Turn;

/// How light becomes codes, and how a mosaic is evened out.
#[derive(Debug)]
pub struct Tones {
    /// Code of every stored root of light.
    codes: Vec<u8>,
    /// What each colour of a mosaic is multiplied by.
    even: [f32; 3],
}

/// A raw is lifted so that this share of its pixels is below [`BRIGHT`].
const BELOW: f64 = 0.99;
/// Where the bright end of a raw comes to lie, in linear light: shy of white, so that skies keep their tones. A choice by eye.
const BRIGHT: f32 = 0.8;
/// Every so many pixels stand for all of them.
const SAMPLE: usize = 97;

impl Tones {
    /// Of a frame: rendered pictures as they are, raws lifted to fill the screen's range.
    pub fn of(frame: &Frame) -> Tones {
        let Layout::Mosaic(cfa) = &frame.layout else { return Tones { codes: table(1.0), even: [1.0; 3] } };
        let plane = &frame.planes[0];
        let sampled = (0..plane.size().area()).step_by(SAMPLE);
        let width = plane.width().max(1);
        let mut sums = [(0.0f64, 0u32); 3];
        for i in sampled.clone() {
            let sum = &mut sums[cfa.colour(i % width, i / width) as usize];
            *sum = (sum.0 + f64::from(plane.data()[i]), sum.1 + 1);
        }
        let means = sums.map(|(sum, n)| (sum / f64::from(n.max(1))).max(1e-6) as f32);
        let green = means[Colour::Green as usize];
        let even = means.map(|m| green / m);
        let colour = |i: usize| cfa.colour(i % width, i / width) as usize;
        let mut light: Vec<f32> = sampled.map(|i| plane.data()[i] * even[colour(i)]).collect();
        let place = ((light.len() as f64 * BELOW) as usize).min(light.len().saturating_sub(1));
        let bright = if light.is_empty() { 1.0 } else { *light.select_nth_unstable_by(place, f32::total_cmp).1 };
        Tones { codes: table(BRIGHT / bright.max(1e-4)), even }
    }
}

/// IEC 61966-2-1, over the roots of light.
fn table(gain: f32) -> Vec<u8> {
    let code = |root: u32| {
        let light = (gain * (root as f32 / ROOT).powi(2)).min(1.0);
        let v = if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 };
        (255.0 * v).round() as u8
    };
    (0..=u32::from(u16::MAX)).map(code).collect()
}

/// The root of full light.
const ROOT: f32 = 65535.0;

/// Adding 2^23 leaves the nearest whole number in the lowest bits of a float; a conversion would mind what does not fit, which
/// costs more than the root.
#[inline(always)]
fn root(light: f32) -> u16 {
    (light.clamp(0.0, 1.0).sqrt() * ROOT + 8_388_608.0).to_bits() as u16
}

/// One level, or a part of one.
#[derive(Debug)]
pub struct Level {
    size: Size,
    /// Roots of light: steps far finer than any noise, in bright and in dark.
    light: Vec<u16>,
    /// Colours; a picture without any is drawn from its light.
    colours: Option<Vec<[u8; 3]>>,
}

impl Level {
    /// A window of a frame as it is stored.
    pub fn render(frame: &Frame, window: Rect, tones: &Tones) -> Level {
        let size = window.size();
        let mut light = vec![0u16; size.area()];
        let rows = |y: usize| window.y + y;
        match &frame.layout {
            Layout::Rgb => {
                let mut colours = vec![[0u8; 3]; size.area()];
                let weights = frame.luminance;
                light
                    .par_chunks_mut(size.width.max(1))
                    .zip(colours.par_chunks_mut(size.width.max(1)))
                    .enumerate()
                    .for_each(|(y, (light, colours))| {
                        let planes = [0, 1, 2].map(|c| &frame.planes[c].row(rows(y))[window.x..window.right()]);
                        for (x, (light, colour)) in light.iter_mut().zip(colours).enumerate() {
                            let rgb = [planes[0][x], planes[1][x], planes[2][x]];
                            *light = root(rgb[0] * weights[0] + rgb[1] * weights[1] + rgb[2] * weights[2]);
                            *colour = rgb.map(|v| tones.codes[usize::from(root(v))]);
                        }
                    });
                Level { size, light, colours: Some(colours) }
            }
            Layout::Grey => {
                light.par_chunks_mut(size.width.max(1)).enumerate().for_each(|(y, out)| {
                    let row = &frame.planes[0].row(rows(y))[window.x..window.right()];
                    widest(|| out.iter_mut().zip(row).for_each(|(to, v)| *to = root(*v)));
                });
                Level { size, light, colours: None }
            }
            Layout::Mosaic(cfa) => {
                // Weights 1 2 1 across and down: every pixel of a pattern of 2 x 2 gets the same share of each colour.
                let plane = &frame.planes[0];
                let full = plane.size();
                let about = window.x.saturating_sub(1)..(window.right() + 1).min(full.width);
                let gain = |row: usize| about.clone().map(|x| tones.even[cfa.colour(x, row) as usize]).collect();
                let gains: Vec<Vec<f32>> = (0..cfa.period().height).map(gain).collect();
                light.par_chunks_mut(size.width.max(1)).enumerate().for_each_init(Vec::new, |columns, (j, out)| {
                    let y = rows(j);
                    let near = [mirrored(y, 0, full.height), y, mirrored(y, 2, full.height)];
                    let row = |k: usize| {
                        let gains = &gains[near[k] % gains.len()];
                        plane.row(near[k])[about.clone()].iter().zip(gains).map(|(v, gain)| v * gain)
                    };
                    columns.clear();
                    columns.extend(row(0).zip(row(1)).zip(row(2)).map(|((a, b), c)| a + 2.0 * b + c));
                    let column = |x: usize, step: usize| columns[mirrored(x, step, full.width) - about.start];
                    let mean = |x: usize| (column(x, 0) + 2.0 * column(x, 1) + column(x, 2)) / 16.0;
                    // Columns at the borders mirror their neighbours.
                    let inner = usize::from(window.x == 0)..out.len() - usize::from(window.right() == full.width);
                    if inner.start >= inner.end {
                        out.iter_mut().enumerate().for_each(|(i, to)| *to = root(mean(window.x + i)));
                        return;
                    }
                    for i in [0, out.len() - 1] {
                        out[i] = root(mean(window.x + i));
                    }
                    let from = &columns[window.x + inner.start - 1 - about.start..];
                    let means = from.iter().zip(&from[1..]).zip(&from[2..]).map(|((a, b), c)| (a + 2.0 * b + c) / 16.0);
                    widest(|| out[inner].iter_mut().zip(means).for_each(|(to, mean)| *to = root(mean)));
                });
                Level { size, light, colours: None }
            }
        }
    }

    /// Turned upright.
    pub fn turned(self, turn: &Turn) -> Level {
        if !(2..=8).contains(&turn.orientation) {
            return self;
        }
        let (width, height) = turn.size();
        let size = Size { width: width as usize, height: height as usize };
        // Where the pixel that is shown first is stored, and how far one step right and one down go from there.
        let at = |u: f64, v: f64| {
            let back = Turn {
                orientation: match turn.orientation {
                    6 => 8,
                    8 => 6,
                    same => same,
                },
                stored: turn.size(),
            };
            let (x, y) = back.shown(u + 0.5, v + 0.5);
            (y as usize * self.size.width + x as usize) as isize
        };
        if size.area() == 0 {
            return self;
        }
        let first = at(0.0, 0.0);
        let right = if size.width > 1 { at(1.0, 0.0) - first } else { 0 };
        let down = if size.height > 1 { at(0.0, 1.0) - first } else { 0 };
        let stored = |u: usize, v: usize| (first + u as isize * right + v as isize * down) as usize;
        Level {
            size,
            light: gathered(&self.light, size, &stored),
            colours: self.colours.as_ref().map(|c| gathered(c, size, &stored)),
        }
    }

    /// Half as wide and high; an odd last row or column is left out.
    pub fn halved(&self) -> Level {
        let size = Size { width: self.size.width / 2, height: self.size.height / 2 };
        let stride = self.size.width;
        let mean = |four: [u16; 4]| (four.iter().map(|&v| u32::from(v)).sum::<u32>() / 4) as u16;
        let colour =
            |four: [[u8; 3]; 4]| [0, 1, 2].map(|c| ((four.iter().map(|v| u16::from(v[c])).sum::<u16>() + 2) / 4) as u8);
        Level {
            size,
            light: by_fours(&self.light, stride, size, mean),
            colours: self.colours.as_ref().map(|from| by_fours(from, stride, size, colour)),
        }
    }

    /// Its size.
    pub fn size(&self) -> Size {
        self.size
    }

    /// A part, which must lie inside.
    pub fn part(&self, part: Rect) -> Level {
        let rows = |y: usize| (part.y + y) * self.size.width + part.x..(part.y + y) * self.size.width + part.right();
        Level {
            size: part.size(),
            light: (0..part.height).flat_map(|y| &self.light[rows(y)]).copied().collect(),
            colours: self.colours.as_ref().map(|c| (0..part.height).flat_map(|y| &c[rows(y)]).copied().collect()),
        }
    }

    /// Lays another block over this one; both places are in the same level.
    pub fn lay(&mut self, place: Rect, over: &Level, its: Rect) {
        let (left, right) = (place.x.max(its.x), place.right().min(its.right()));
        if left >= right {
            return;
        }
        for y in place.y.max(its.y)..place.bottom().min(its.bottom()) {
            let to = (y - place.y) * place.width + left - place.x;
            let from = (y - its.y) * its.width + left - its.x;
            let count = right - left;
            self.light[to..to + count].copy_from_slice(&over.light[from..from + count]);
            if let (Some(mine), Some(others)) = (&mut self.colours, &over.colours) {
                mine[to..to + count].copy_from_slice(&others[from..from + count]);
            }
        }
    }

    /// Red, green, blue, pixel by pixel.
    pub fn codes(self, tones: &Tones) -> Vec<u8> {
        match self.colours {
            Some(colours) => colours.into_flattened(),
            None => self.light.iter().flat_map(|&v| [tones.codes[usize::from(v)]; 3]).collect(),
        }
    }

    /// Linear light.
    pub fn light(&self) -> Plane {
        Plane::from_vec(self.size, self.light.iter().map(|&v| (f32::from(v) / ROOT).powi(2)).collect())
    }
}

/// The neighbour `step - 1` away, mirrored at the borders so that it has the same place in a pattern of two.
fn mirrored(at: usize, step: usize, len: usize) -> usize {
    let there = at + step;
    match there.checked_sub(1) {
        None => 1.min(len - 1),
        Some(v) if v >= len => len.saturating_sub(2),
        Some(v) => v,
    }
}

/// One sample of each four, row by row.
fn by_fours<T: Copy + Default + Send + Sync>(
    from: &[T],
    stride: usize,
    size: Size,
    one: impl Fn([T; 4]) -> T + Sync,
) -> Vec<T> {
    let mut out = vec![T::default(); size.area()];
    out.par_chunks_mut(size.width.max(1)).zip(from.par_chunks(2 * stride.max(1))).for_each(|(out, rows)| {
        let (upper, lower) = rows.split_at(stride);
        widest(|| {
            for ((to, a), b) in out.iter_mut().zip(upper.chunks_exact(2)).zip(lower.chunks_exact(2)) {
                *to = one([a[0], a[1], b[0], b[1]]);
            }
        });
    });
    out
}

fn gathered<T: Copy + Send + Sync>(from: &[T], size: Size, stored: &(impl Fn(usize, usize) -> usize + Sync)) -> Vec<T> {
    (0..size.height).into_par_iter().flat_map_iter(|v| (0..size.width).map(move |u| from[stored(u, v)])).collect()
}
