//! Houses, a tower, boats.

use super::paint::{Painting, Part, blend, colour, step, times};
use crate::random::{Random, layered_noise, mix, smooth_noise};

/// A house seen from the front.
#[derive(Debug, Clone)]
pub(super) struct House {
    /// Left edge, width, foot, height to the eaves, picture heights.
    pub left: f32,
    pub width: f32,
    pub foot: f32,
    pub eaves: f32,
    /// Height of the gable over its eaves, as a share of the width.
    pub gable: f32,
    pub form: Gable,
    /// Colour of wall, gable trim and frames.
    pub wall: [f32; 3],
    pub trim: [f32; 3],
    /// What a dark window gives back.
    pub glass: [f32; 3],
    /// Share of the windows with a lamp behind them.
    pub lamps: f32,
    pub columns: u32,
    pub floors: u32,
    pub shutters: Option<[f32; 3]>,
    pub seed: u64,
}

/// Forms of a gable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Gable {
    Pointed,
    Stepped,
    Bell,
    Flat,
}

/// Light of a lamp behind a window.
const LAMP: [f32; 3] = [1.0, 0.52, 0.16];

impl House {
    /// Height of the top of the wall at a share `x` of the width, picture heights above the foot.
    fn top(&self, x: f32) -> f32 {
        let rise = 1.0 - 2.0 * (x - 0.5).abs();
        let share = match self.form {
            Gable::Pointed => rise,
            Gable::Stepped => ((rise * 5.0).floor() / 5.0 + 0.1).min(1.0),
            Gable::Bell => step(0.0, 0.55, rise) * 0.6 + step(0.55, 0.9, rise) * 0.4,
            Gable::Flat => 0.12,
        };
        self.eaves + self.gable * self.width * share
    }

    /// Paints it; `light` is how bright the wall is.
    pub fn paint(&self, picture: &mut Painting, light: f32) {
        let reach = self.eaves + (self.gable + 0.1) * self.width;
        let part = Part {
            left: self.left - 0.01,
            right: self.left + self.width + 0.01,
            top: self.foot - reach,
            bottom: self.foot,
        };
        picture.paint(part, |u, v, _| {
            let (x, up) = ((u - self.left) / self.width, self.foot - v);
            let top = self.top(x.clamp(0.0, 1.0));
            let rim = 0.035 * self.width;
            let over = if up > self.eaves { rim * 0.5 / self.width } else { 0.0 };
            if !(-over..=1.0 + over).contains(&x) || up > top {
                return None;
            }
            if up > top - rim && up > self.eaves * 0.97 {
                return Some(times(self.trim, light * 0.8));
            }
            Some(times(self.window(x, up).unwrap_or_else(|| self.plaster(u, v, x, up)), light))
        });
    }

    fn plaster(&self, u: f32, v: f32, x: f32, up: f32) -> [f32; 3] {
        let stain = layered_noise(self.seed, f64::from(u * 14.0), f64::from(v * 5.0), 4);
        let rough = layered_noise(self.seed ^ 0x2, f64::from(u * 300.0), f64::from(v * 300.0), 2);
        let course = (up * 240.0).fract() < 0.18 && self.seed.is_multiple_of(2);
        let shade = 1.0 - 0.12 * x - 0.18 * (-up * 18.0).exp();
        let factor = shade * (1.0 + 0.09 * stain + 0.06 * rough) * if course { 0.93 } else { 1.0 };
        times(self.wall, factor)
    }

    /// What is at a place of the wall if it belongs to a window or the door.
    fn window(&self, x: f32, up: f32) -> Option<[f32; 3]> {
        let rows = self.floors as f32;
        let (column, floor) = (x * self.columns as f32, up / self.eaves * rows);
        let middle_only = floor >= rows;
        if middle_only && (floor > rows + 0.9 || (x - 0.5).abs() > 0.5 / self.columns as f32) {
            return None;
        }
        let column = if middle_only { (x - 0.5) * self.columns as f32 + 0.5 } else { column };
        let (i, j) = (if middle_only { 90 } else { column as u32 }, floor as u32);
        let (fx, fy) = (column.fract() - 0.5, floor.fract() - 0.5);
        let key = mix(self.seed ^ u64::from(i) << 8 ^ u64::from(j));
        if j == 0 && i == (self.seed % u64::from(self.columns)) as u32 {
            return self.door(fx, floor.fract());
        }
        let (half_w, half_h) = (0.21, if middle_only { 0.22 } else { 0.30 });
        if let Some(shutter) = self.shutters
            && (fx.abs() - half_w - 0.105).abs() < 0.095
            && fy.abs() < half_h
        {
            let slat = 0.78 + 0.22 * ((fy * 46.0).sin() * 0.5 + 0.5);
            return Some(times(shutter, slat));
        }
        if fx.abs() < half_w + 0.05 && (-half_h - 0.075..-half_h).contains(&fy) {
            return Some(times(self.trim, 0.95));
        }
        if fx.abs() > half_w || fy.abs() > half_h {
            return (fx.abs() < half_w + 0.025 && fy.abs() < half_h + 0.02).then(|| times(self.wall, 0.72));
        }
        let bar =
            fx.abs() < 0.016 || (fy - 0.09).abs() < 0.014 || fx.abs() > half_w - 0.03 || fy.abs() > half_h - 0.022;
        if bar {
            return Some(self.trim);
        }
        let lamp = (key >> 20) as f32 / (1u64 << 44) as f32;
        if lamp < self.lamps {
            let warmth = 0.55 + 0.45 * ((key & 255) as f32 / 255.0);
            let curtain = 0.8 + 0.2 * (fx * 50.0).sin() * f32::from(key & 1 == 1) - 0.5 * fy.max(0.0);
            return Some(times(LAMP, 2.6 * warmth * curtain));
        }
        // Panes give back the sky, the upper ones more, each pane at its own tilt.
        let tilt = 0.8 + 0.4 * ((key >> 9 & 255) as f32 / 255.0);
        Some(times(self.glass, tilt * (0.55 + 0.6 * (fy + 0.3) + 0.25 * fx)))
    }

    fn door(&self, fx: f32, y: f32) -> Option<[f32; 3]> {
        let arch = 0.72 + 0.1 * (1.0 - (fx / 0.24).powi(2)).max(0.0).sqrt();
        if fx.abs() > 0.24 || y > arch {
            return (fx.abs() < 0.29 && y < arch + 0.05).then(|| times(self.trim, 0.85));
        }
        let panel = (fx.abs() - 0.11).abs() < 0.07 && ((y * 3.2).fract() - 0.5).abs() < 0.36;
        let wood = [colour(0x4a2a1c), colour(0x1f3a34), colour(0x27324f)][(self.seed % 3) as usize];
        Some(times(wood, if panel { 0.8 } else { 1.0 }))
    }
}

/// A row of houses from `from` to `to` along a street; walls take their colours from `walls` in turn.
pub(super) struct Row<'a> {
    pub from: f32,
    pub to: f32,
    pub foot: f32,
    pub width: std::ops::Range<f32>,
    pub eaves: std::ops::Range<f32>,
    pub walls: &'a [[f32; 3]],
    pub glass: [f32; 3],
    pub lamps: f32,
    pub shutters: bool,
}

impl Row<'_> {
    /// The houses, left to right.
    pub fn houses(&self, random: &mut Random) -> Vec<House> {
        let mut left = self.from;
        let mut houses = Vec::new();
        let span = |random: &mut Random, range: &std::ops::Range<f32>| {
            random.between(f64::from(range.start), f64::from(range.end)) as f32
        };
        while left < self.to {
            let width = span(random, &self.width);
            let eaves = span(random, &self.eaves);
            let form = random.pick(&[Gable::Pointed, Gable::Stepped, Gable::Bell, Gable::Pointed, Gable::Flat]);
            let wall = self.walls[houses.len() % self.walls.len()];
            let shutters = [colour(0x3f5a4a), colour(0x4a5d78), colour(0x7a3b30)];
            houses.push(House {
                left,
                width,
                foot: self.foot,
                eaves,
                gable: if form == Gable::Flat { 0.25 } else { random.between(0.42, 0.7) as f32 },
                form,
                wall,
                trim: blend(colour(0xe9e2d2), wall, 0.15),
                glass: self.glass,
                lamps: self.lamps,
                columns: (width / self.width.start * 2.7).round().max(2.0) as u32,
                floors: (eaves / self.eaves.start * 3.0).round().max(2.0) as u32,
                shutters: (self.shutters && random.chance(0.45)).then(|| random.pick(&shutters)),
                seed: random.bits(),
            });
            left += width;
        }
        houses
    }
}

/// A tapered tower with a gallery and a lantern: its foot at `(u, foot)`.
pub(super) fn lighthouse(picture: &mut Painting, u: f32, foot: f32, height: f32, stripes: [[f32; 3]; 2], light: f32) {
    let half = height * 0.105;
    let part = Part { left: u - half * 2.0, right: u + half * 2.0, top: foot - height * 1.25, bottom: foot };
    picture.paint(part, |x, v, _| {
        let up = (foot - v) / height;
        let off = (x - u) / half;
        // Light from the left, roundness towards the right.
        let round = |off: f32| light * (1.0 - 0.30 * off - 0.35 * off * off).max(0.12);
        let taper = 1.0 - 0.42 * up;
        if up < 0.86 {
            let off = off / taper;
            let window = off.abs() < 0.12 && (0.16..0.20).contains(&(up % 0.29));
            let grain = 1.0 + 0.05 * layered_noise(7, f64::from(x * 160.0), f64::from(v * 90.0), 3);
            let stripe = stripes[(up / 0.86 * 5.0) as usize % 2];
            let paint = if window { times(stripe, 0.15) } else { stripe };
            return (off.abs() < 1.0).then(|| times(paint, round(off) * grain));
        }
        if up < 0.89 {
            return (off.abs() < 0.86).then(|| times(colour(0x3c4048), round(off / 0.86)));
        }
        if up < 0.94 && (off.abs() < 0.82) {
            let rail = (off * 9.0).fract().abs() < 0.12 || (up - 0.935).abs() < 0.004;
            if rail {
                return Some(times(colour(0x30343c), light));
            }
        }
        if up < 1.03 {
            let bars = (off * 5.0).fract().abs() < 0.1;
            let pane = times(blend(colour(0x8fa3b5), LAMP, 0.35), if bars { 0.25 } else { 0.9 });
            return (off.abs() < 0.42).then(|| times(pane, light * (1.1 - 0.4 * off)));
        }
        let dome = (1.0 - ((up - 1.03) / 0.09).powi(2)).max(0.0).sqrt();
        (up < 1.12 && off.abs() < 0.52 * dome || up < 1.2 && off.abs() < 0.02)
            .then(|| times(colour(0x8c2f24), round(off / 0.52)))
    });
}

/// A small boat with a mast.
pub(super) fn boat(picture: &mut Painting, u: f32, line: f32, length: f32, paint: [f32; 3]) {
    let part = Part { left: u - length, right: u + length, top: line - length * 1.6, bottom: line };
    picture.paint(part, |x, v, _| {
        let (off, up) = ((x - u) / length, (line - v) / length);
        let rail = 0.13 + 0.10 * off * off;
        if (0.0..rail).contains(&up) && off.abs() < 0.36 + 0.5 * up {
            return Some(times(paint, if up > rail - 0.035 { 1.8 } else { 0.8 + 1.2 * up }));
        }
        if (off + 0.12).abs() < 0.11 && (rail..rail + 0.13).contains(&up) {
            return Some(times(paint, 1.4));
        }
        let mast = (off - 0.03).abs() < 0.007 && up > 0.0 && up < 1.35;
        let boom = (up - 0.36 - 0.05 * off).abs() < 0.010 && (-0.34..0.03).contains(&off);
        let stay = ((off - 0.03) - (1.3 - up) * 0.30).abs() < 0.0028 && (0.2..1.3).contains(&up);
        (mast || boom || stay).then_some([0.012, 0.011, 0.012])
    });
}

/// Set stones: a quay or a street, lit to `light`.
pub(super) fn stones(picture: &mut Painting, part: Part, stone: [f32; 3], rows: f32, seed: u64) {
    picture.paint(part, |u, v, _| {
        let down = (v - part.top) / (part.bottom - part.top);
        let row = (down * rows).floor();
        let along = u * rows * 1.2 / (part.bottom - part.top) * 0.45 + 0.5 * (row % 2.0);
        let joint = ((down * rows).fract() - 0.5).abs() > 0.44 || (along.fract() - 0.5).abs() > 0.46;
        let own = (mix(seed ^ (row as u64) << 20 ^ along as u64) & 1023) as f32 / 1023.0;
        let rough = smooth_noise(seed, f64::from(u * 220.0), f64::from(v * 220.0));
        Some(times(stone, (0.75 + 0.4 * own + 0.12 * rough) * if joint { 0.55 } else { 1.0 }))
    });
}
