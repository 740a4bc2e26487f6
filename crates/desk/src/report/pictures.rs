//! Small grey pictures for a report: reduced, cut out, drawn as raking view, packed into the page itself.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use motelight_frame::{Frame, Layout, Patch, Pixels, Plane, Rect, Size};
use motelight_motes::rake::{RakeOptions, rake};
use rayon::prelude::*;

/// A picture ready for an `img` element, and how it relates to the frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Tile {
    /// `data:` URI.
    pub uri: String,
    /// Its own size.
    pub size: Size,
    /// Frame pixels per pixel of the tile.
    pub reduced_by: usize,
}

/// Longest side of the whole-frame raking view, px.
const OVERVIEW: usize = 1600;

/// The whole frame as a raking view of at most 1600 px, as JPEG (quality 85).
///
/// The light is averaged down to twice that first, which keeps blocked areas; then the relief is drawn and
/// halved so that what stands out of the grain keeps its tone instead of being averaged away.
pub fn overview(frame: &Frame) -> Option<Tile> {
    let (picture, mut reduced_by) = reduced(frame, 2 * OVERVIEW);
    let longest = picture.width().max(picture.height());
    let mut relief = rake(&picture, &RakeOptions { scale: Pixels(longest as f64 / 25.0), ..RakeOptions::default() });
    if longest > OVERVIEW {
        relief = halved(&relief);
        reduced_by *= 2;
    }
    Some(Tile { uri: jpeg_uri(&relief)?, size: relief.size(), reduced_by })
}

/// Half as wide and high: each four pixels become their mean, or, where a mean over 3 x 3 around one of them
/// lies more than five sigma of such means below the middle, the darkest of these means.
fn halved(relief: &Plane<u8>) -> Plane<u8> {
    let smooth = mean_3x3(relief);
    let mut sample: Vec<f32> = smooth.data().iter().step_by(211).map(|v| (v - 128.0).abs()).collect();
    let middle = sample.len() / 2;
    let sigma = match sample.get(middle) {
        Some(_) => 1.4826 * *sample.select_nth_unstable_by(middle, f32::total_cmp).1,
        None => 0.0,
    };
    let size = Size { width: relief.width() / 2, height: relief.height() / 2 };
    let tone = |i: usize| {
        let (x, y) = (2 * (i % size.width), 2 * (i / size.width));
        let four = [(x, y), (x + 1, y), (x, y + 1), (x + 1, y + 1)];
        let darkest = four.iter().map(|&(x, y)| smooth.at(x, y)).fold(f32::INFINITY, f32::min);
        let mean = four.iter().map(|&(x, y)| f32::from(relief.at(x, y))).sum::<f32>() / 4.0;
        (if darkest < 128.0 - 5.0 * sigma { darkest.min(mean) } else { mean }).round() as u8
    };
    Plane::from_vec(size, (0..size.area()).into_par_iter().map(tone).collect())
}

/// Means over 3 x 3 pixels; the outermost pixels stay as they are.
fn mean_3x3(relief: &Plane<u8>) -> Plane {
    let mut smooth = Plane::from_vec(relief.size(), relief.data().iter().map(|&v| f32::from(v)).collect());
    let (width, height) = (relief.width(), relief.height());
    if width >= 3 && height >= 3 {
        smooth.data_mut().par_chunks_mut(width).enumerate().skip(1).take(height - 2).for_each(|(y, out)| {
            let rows = [relief.row(y - 1), relief.row(y), relief.row(y + 1)];
            for (x, v) in out[1..width - 1].iter_mut().enumerate() {
                let sum: u16 = rows.iter().flat_map(|row| &row[x..x + 3]).map(|&v| u16::from(v)).sum();
                *v = f32::from(sum) / 9.0;
            }
        });
    }
    smooth
}

/// The strength that draws a shadow of `depth` clearly without drowning its shape.
pub fn strength_for(depth: f64) -> f64 {
    (0.8 / depth.abs().max(1e-3)).clamp(1.0, 16.0)
}

/// A part of the frame as a raking view, unreduced, as PNG.
pub fn cut_out(frame: &Frame, window: Rect, strength: f64) -> Option<Tile> {
    let grey = grey_window(frame, window);
    let scale = Pixels(window.width.max(window.height) as f64);
    let relief = rake(&grey, &RakeOptions { scale, strength });
    Some(Tile { uri: png_uri(&relief)?, size: relief.size(), reduced_by: 1 })
}

/// The planes of a frame and their parts in grey.
fn weighted(frame: &Frame) -> impl Iterator<Item = (&Plane, f32)> {
    frame.planes.iter().zip(weights_of(frame))
}

fn weights_of(frame: &Frame) -> [f32; 3] {
    if frame.layout == Layout::Rgb { frame.luminance } else { [1.0; 3] }
}

/// Means over square blocks of whole colour-pattern repeats; a ragged rest at the right and lower edge is left out.
fn reduced(frame: &Frame, longest: usize) -> (Plane, usize) {
    let size = frame.size();
    let repeat = match &frame.layout {
        Layout::Mosaic(cfa) => cfa.period().width.max(cfa.period().height),
        _ => 1,
    };
    let block = size.width.max(size.height).div_ceil(longest).next_multiple_of(repeat).max(1);
    let small = Size { width: size.width / block, height: size.height / block };
    let mut plane = Plane::filled(small, 0.0f32);
    if small.area() > 0 {
        plane.data_mut().par_chunks_mut(small.width).enumerate().for_each(|(row, out)| {
            for (plane, weight) in weighted(frame) {
                let weight = weight / (block * block) as f32;
                for y in row * block..(row + 1) * block {
                    for (sum, light) in out.iter_mut().zip(plane.row(y).chunks_exact(block)) {
                        *sum += weight * light.iter().sum::<f32>();
                    }
                }
            }
        });
    }
    (plane, block)
}

/// The whole frame, upright, with at most `longest` px, as a `data:` URI, and its size.
pub fn small_copy(frame: &Frame, longest: usize) -> Option<(String, Size)> {
    let (light, _) = reduced(frame, longest);
    let grey = Plane::from_vec(light.size(), light.data().iter().map(|&v| code(v)).collect());
    let grey = frame.shot.orientation.upright(grey);
    Some((jpeg_uri(&grey)?, grey.size()))
}

/// Light as an 8-bit code (IEC 61966-2-1).
pub fn code(light: f32) -> u8 {
    let l = light.clamp(0.0, 1.0);
    let v = if l <= 0.003_130_8 { 12.92 * l } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 };
    (255.0 * v).round() as u8
}

/// Grey of a window; in a mosaic every colour is brought to the same mean, so that no pattern shows.
pub fn grey_window(frame: &Frame, window: Rect) -> Plane {
    grey_of(frame, window, |plane, x, y| frame.planes.at(plane, window.x + x, window.y + y))
}

/// The same of any light: of plane, column and row of the window.
fn grey_of(frame: &Frame, window: Rect, light: impl Fn(usize, usize, usize) -> f32) -> Plane {
    let (weights, channels) = (weights_of(frame), frame.planes.len());
    let places = || (0..window.height).flat_map(|y| (0..window.width).map(move |x| (x, y)));
    let light = |x: usize, y: usize| (0..channels).map(|p| weights[p] * light(p, x, y)).sum::<f32>();
    let Layout::Mosaic(cfa) = &frame.layout else {
        return Plane::from_vec(window.size(), places().map(|(x, y)| light(x, y)).collect());
    };
    let colour = |x: usize, y: usize| cfa.colour(window.x + x, window.y + y) as usize;
    let mut sums = [(0.0f64, 0u32); 3];
    for (x, y) in places() {
        let sum = &mut sums[colour(x, y)];
        *sum = (sum.0 + f64::from(light(x, y)), sum.1 + 1);
    }
    let mean = sums.map(|(sum, n)| (sum / f64::from(n.max(1))).max(1e-6) as f32);
    Plane::from_vec(window.size(), places().map(|(x, y)| light(x, y) / mean[colour(x, y)]).collect())
}

/// A part of a frame, to be looked at.
#[derive(Debug)]
pub struct Piece<'a> {
    frame: &'a Frame,
    /// Where it lies in the frame.
    pub window: Rect,
    /// Its light, plane by plane.
    pub planes: Vec<Plane>,
}

impl<'a> Piece<'a> {
    /// As the frame has it.
    pub fn of(frame: &'a Frame, window: Rect) -> Self {
        Piece { frame, window, planes: frame.planes.windows(window) }
    }

    /// The same with new light.
    pub fn mended(&self, patches: &[Patch]) -> Self {
        let mut planes = self.planes.clone();
        patches.iter().for_each(|patch| patch.put(&mut planes, self.window));
        Piece { planes, ..*self }
    }

    /// Whether it has colours.
    pub fn is_coloured(&self) -> bool {
        self.frame.layout == Layout::Rgb
    }

    /// Its light alone. The colours of a mosaic are brought to one level.
    pub fn grey(&self) -> Plane {
        grey_of(self.frame, self.window, |plane, x, y| self.planes[plane].at(x, y))
    }
}

fn png_uri(grey: &Plane<u8>) -> Option<String> {
    Some(format!("data:image/png;base64,{}", STANDARD.encode(png_bytes(grey)?)))
}

/// Grey of 8 bits as PNG.
pub fn png_bytes(grey: &Plane<u8>) -> Option<Vec<u8>> {
    png(grey, None)
}

/// Grey of 8 bits as PNG that says what drew it (PNG, keyword `Software`).
pub fn png_named(grey: &Plane<u8>, software: &str) -> Option<Vec<u8>> {
    png(grey, Some(software))
}

fn png(grey: &Plane<u8>, software: Option<&str>) -> Option<Vec<u8>> {
    let (width, height) = (u32::try_from(grey.width()).ok()?, u32::try_from(grey.height()).ok()?);
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Eight);
    if let Some(software) = software {
        encoder.add_text_chunk("Software".to_owned(), software.to_owned()).ok()?;
    }
    let mut writer = encoder.write_header().ok()?;
    writer.write_image_data(grey.data()).ok()?;
    writer.finish().ok()?;
    Some(bytes)
}

/// A grey picture as a `data:` URI of a JPEG (quality 85).
pub(super) fn jpeg_uri(grey: &Plane<u8>) -> Option<String> {
    let (width, height) = (u16::try_from(grey.width()).ok()?, u16::try_from(grey.height()).ok()?);
    let mut bytes = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut bytes, 85);
    encoder.encode(grey.data(), width, height, jpeg_encoder::ColorType::Luma).ok()?;
    Some(format!("data:image/jpeg;base64,{}", STANDARD.encode(bytes)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shadow_of_two_pixels_keeps_its_tone_when_the_relief_is_halved() {
        let mut relief = Plane::filled(Size { width: 200, height: 100 }, 128u8);
        for (i, v) in relief.data_mut().iter_mut().enumerate() {
            *v = if (i * 7919) % 13 < 6 { 126 } else { 130 };
        }
        for (x, y) in [(101, 51), (102, 51), (101, 52), (102, 52)] {
            relief.set(x, y, 20);
        }
        let small = halved(&relief);
        let darkest = small.data().iter().min().copied().unwrap_or(255);
        let plain_mean = 128 - (128 - 20) / 4;
        assert!(darkest < plain_mean - 15, "darkest {darkest}, by plain means {plain_mean}");
        let away = small.data().iter().filter(|v| v.abs_diff(128) > 4).count();
        assert!(away <= 9, "grain stays as it was but for the shadow: {away}");
    }

    #[test]
    fn the_strength_suits_the_depth() {
        assert_eq!(strength_for(0.8), 1.0);
        assert_eq!(strength_for(0.1), 8.0);
        assert_eq!(strength_for(0.0), 16.0);
    }
}
