//! Part of a picture as the logarithm of its light, in cells.
//!
//! A shadow multiplies light, so in the logarithm it is added, whatever lies under it. A cell joins some pixels and
//! all their colours, the colours weighted by how quiet they are: shadows are nearly grey.

use motelight_frame::{Cfa, Frame, Layout, Mask, NoiseModel, Plane, Rect, Size};

use crate::mend::shadow::LnShadow;

/// A part of a frame, to be worked on.
#[derive(Debug, Clone)]
pub struct Cutout {
    /// Where it lies in the frame.
    pub rect: Rect,
    /// Its light.
    pub planes: Vec<Plane>,
    /// What cannot be measured.
    pub mask: Plane<u8>,
}

impl Cutout {
    /// A copy of a part of a frame, which must lie inside.
    pub fn of(frame: &Frame, rect: Rect) -> Cutout {
        Cutout { rect, planes: frame.planes.windows(rect), mask: frame.mask.0.window(rect) }
    }

    /// A part of it, in its own coordinates.
    pub fn part(&self, inner: Rect) -> Cutout {
        let rect = Rect { x: self.rect.x + inner.x, y: self.rect.y + inner.y, ..inner };
        Cutout { rect, planes: self.planes.iter().map(|p| p.window(inner)).collect(), mask: self.mask.window(inner) }
    }
}

/// How the pixels of a frame are joined to cells.
#[derive(Debug, Clone)]
pub struct Scheme {
    /// Side of a cell, px.
    pub cell: usize,
    unit: usize,
    cfa: Option<Cfa>,
    channels: Vec<Channel>,
}

/// The samples of one colour.
#[derive(Debug, Clone, Copy)]
struct Channel {
    colour: usize,
    /// Weight of the colour's logarithm.
    weight: f64,
    noise: NoiseModel,
}

impl Channel {
    /// Variance of the logarithm of the mean of `count` samples.
    fn variance(&self, light: f64, count: f64) -> f64 {
        let sigma = f64::from(self.noise.sigma(light as f32));
        sigma * sigma / (light * light).max(1e-9) / count
    }
}

/// Cells: natural logarithm of light.
#[derive(Debug, Clone)]
pub struct Cells {
    /// Side of a cell, px.
    pub cell: usize,
    /// Where the first cell begins, px: a little off its first pixel, so that half a cell on is where its light comes
    /// from (the colours of a mosaic stand at different places and weigh differently).
    pub origin: (f64, f64),
    /// Columns and rows, cells.
    pub size: Size,
    /// Logarithm of light.
    pub ln: Vec<f64>,
    /// 0: cannot be measured; else the quieter the more, about 1.
    pub weight: Vec<f64>,
}

impl Scheme {
    /// Cells of about `wanted` px for a frame.
    pub fn of(frame: &Frame, wanted: f64) -> Scheme {
        let (unit, cfa) = match &frame.layout {
            // A 3 x 3 part of a 6 x 6 mosaic holds all colours.
            Layout::Mosaic(cfa) => (if cfa.period().width == 6 { 3 } else { cfa.period().width }, Some(cfa.clone())),
            Layout::Grey | Layout::Rgb => (1, None),
        };
        let count = if frame.layout == Layout::Grey { 1 } else { 3 };
        let noise = |c: usize| frame.noise.get(c).or(frame.noise.first()).copied();
        let fallback = NoiseModel { shot: 1e-4, read: 1e-6 };
        let channels =
            (0..count).map(|c| Channel { colour: c, weight: 1.0, noise: noise(c).unwrap_or(fallback) }).collect();
        let mut scheme = Scheme { cell: unit, unit, cfa, channels }.with_cell(wanted);
        scheme.weigh(frame);
        scheme
    }

    /// The same with cells of another size.
    pub fn with_cell(&self, wanted: f64) -> Scheme {
        let cell = self.unit * ((wanted / self.unit as f64).round() as usize).max(1);
        Scheme { cell, ..self.clone() }
    }

    /// The same with one colour alone.
    pub fn only(&self, colour: usize) -> Scheme {
        let channels = self.channels.iter().filter(|c| c.colour == colour).map(|c| Channel { weight: 1.0, ..*c });
        Scheme { channels: channels.collect(), ..self.clone() }
    }

    /// Weights of red, green and blue in a cell.
    pub fn colours(&self) -> [f64; 3] {
        let mut colours = [0.0; 3];
        for channel in &self.channels {
            // Grey is most like green.
            colours[if self.channels.len() == 1 { 1 } else { channel.colour }] += channel.weight;
        }
        colours
    }

    /// Weighs the colours by how quiet they are where the picture is bright and not clipped: at the upper
    /// quartile of a sparse sample.
    fn weigh(&mut self, frame: &Frame) {
        const SAMPLES: usize = 100;
        let size = frame.size();
        let mut samples: [Vec<f32>; 3] = Default::default();
        let step = |length: usize| (length / SAMPLES).max(1) | 1;
        for y in (0..size.height).step_by(step(size.height)) {
            for x in (0..size.width).step_by(step(size.width)) {
                if frame.mask.0.at(x, y) & Mask::CLIPPED != 0 {
                    continue;
                }
                match &self.cfa {
                    Some(cfa) => samples[cfa.colour(x, y) as usize].push(frame.planes.at(0, x, y)),
                    None => (0..self.channels.len()).for_each(|c| samples[c].push(frame.planes.at(c, x, y))),
                }
            }
        }
        let total: f64 = samples.iter().map(|s| s.len() as f64).sum();
        for channel in &mut self.channels {
            let sample = &mut samples[channel.colour];
            sample.sort_unstable_by(f32::total_cmp);
            let light = sample.get(sample.len() * 3 / 4).map_or(0.5, |&v| f64::from(v)).max(1e-4);
            channel.weight = sample.len() as f64 / total.max(1.0) / channel.variance(light, 1.0);
        }
        let sum: f64 = self.channels.iter().map(|c| c.weight).sum();
        for channel in &mut self.channels {
            channel.weight /= sum.max(1e-12);
        }
    }

    /// The cells that lie wholly in a cutout.
    pub fn cells(&self, cutout: &Cutout) -> Cells {
        let (cell, rect) = (self.cell, cutout.rect);
        let align = |v: usize| v.div_ceil(self.unit) * self.unit;
        let origin = (align(rect.x), align(rect.y));
        let size = Size {
            width: rect.right().saturating_sub(origin.0) / cell,
            height: rect.bottom().saturating_sub(origin.1) / cell,
        };
        let mut ln = Vec::with_capacity(size.area());
        let mut variance = Vec::with_capacity(size.area());
        for row in 0..size.height {
            for column in 0..size.width {
                let at = (origin.0 + column * cell - rect.x, origin.1 + row * cell - rect.y);
                let (l, v) = self.cell_at(cutout, at);
                ln.push(l);
                variance.push(v);
            }
        }
        let mut sound: Vec<f64> = variance.iter().copied().filter(|v| v.is_finite()).collect();
        let middle = sound.len() / 2;
        let typical = if sound.is_empty() { 1.0 } else { *sound.select_nth_unstable_by(middle, f64::total_cmp).1 };
        // Twice the typical weight at most; an infinite variance weighs nothing.
        let weight = variance.iter().map(|v| 2.0 * typical / (typical + v)).collect();
        let off = self.off_centre();
        Cells { cell, origin: (origin.0 as f64 + off.0, origin.1 as f64 + off.1), size, ln, weight }
    }

    /// From the middle of a cell to where its light comes from, px.
    fn off_centre(&self) -> (f64, f64) {
        let Some(cfa) = &self.cfa else { return (0.0, 0.0) };
        let period = cfa.period();
        let mut off = (0.0, 0.0);
        for channel in &self.channels {
            let places = (0..period.area()).map(|i| (i % period.width, i / period.width));
            let own: Vec<_> = places.filter(|&(x, y)| cfa.colour(x, y) as usize == channel.colour).collect();
            // In units that repeat (Bayer) a colour's places in the unit, else their mean over the whole repeat.
            let mean = |f: &dyn Fn(&(usize, usize)) -> usize| {
                own.iter().map(|p| (f(p) % self.unit) as f64 + 0.5).sum::<f64>() / own.len().max(1) as f64
            };
            off.0 += channel.weight * (mean(&|p| p.0) - 0.5 * self.unit as f64);
            off.1 += channel.weight * (mean(&|p| p.1) - 0.5 * self.unit as f64);
        }
        off
    }

    /// Logarithm of light and its variance; infinite where too few pixels can be measured.
    fn cell_at(&self, cutout: &Cutout, at: (usize, usize)) -> (f64, f64) {
        let (mut sum, mut count, mut all) = ([0.0f32; 3], [0.0f32; 3], [0.0f32; 3]);
        for y in at.1..at.1 + self.cell {
            for x in at.0..at.0 + self.cell {
                let sound = if cutout.mask.at(x, y) == 0 { 1.0 } else { 0.0 };
                let mut add = |colour: usize, light: f32| {
                    sum[colour] += sound * light;
                    count[colour] += sound;
                    all[colour] += 1.0;
                };
                match &self.cfa {
                    Some(cfa) => {
                        let colour = cfa.colour(x + cutout.rect.x, y + cutout.rect.y);
                        add(colour as usize, cutout.planes[0].at(x, y));
                    }
                    None => self.channels.iter().for_each(|c| add(c.colour, cutout.planes[c.colour].at(x, y))),
                }
            }
        }
        let (mut ln, mut variance) = (0.0, 0.0);
        for channel in &self.channels {
            let c = channel.colour;
            if count[c] < 0.5 * all[c] || count[c] == 0.0 {
                return (0.0, f64::INFINITY);
            }
            let (light, count) = (f64::from(sum[c] / count[c]), f64::from(count[c]));
            // Below three standard deviations a logarithm tells more of the noise than of the light.
            let floor = 3.0 * f64::from(channel.noise.read.max(0.0)).sqrt() / count.sqrt();
            ln += channel.weight * light.max(floor).max(1e-6).ln();
            variance += channel.weight * channel.weight * channel.variance(light, count);
        }
        (ln, variance)
    }
}

impl Cells {
    /// Centre of a cell in the picture, px.
    pub fn centre(&self, column: usize, row: usize) -> (f64, f64) {
        let at = |origin: f64, i: usize| origin + (i as f64 + 0.5) * self.cell as f64;
        (at(self.origin.0, column), at(self.origin.1, row))
    }

    /// Divides a shadow out.
    pub fn lift(&mut self, shadow: &LnShadow, at: (f64, f64), tone: f64) {
        let (columns, rows) = self.around(at.0, at.1, shadow.window);
        for row in rows {
            for column in columns.clone() {
                let (x, y) = self.centre(column, row);
                self.ln[row * self.size.width + column] -= tone * shadow.at(x - at.0, y - at.1);
            }
        }
    }

    /// Columns and rows of the cells whose centres lie within `radius` px of a place, as ranges of a square.
    pub fn around(&self, x: f64, y: f64, radius: f64) -> (std::ops::Range<usize>, std::ops::Range<usize>) {
        let span = |at: f64, origin: f64, end: usize| {
            let cell = self.cell as f64;
            let clip = |v: f64| v.clamp(0.0, end as f64) as usize;
            let low = ((at - radius - origin) / cell - 0.5).ceil();
            let high = ((at + radius - origin) / cell - 0.5).floor() + 1.0;
            clip(low)..clip(high)
        };
        (span(x, self.origin.0, self.size.width), span(y, self.origin.1, self.size.height))
    }
}
