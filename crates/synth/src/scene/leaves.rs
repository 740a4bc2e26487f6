//! Leaves and crowns.

use rayon::prelude::*;

use super::paint::{Painting, Part, blend, times};
use crate::random::{Random, layered_noise, smooth_noise};

/// One leaf: an ellipse with a tip.
struct Leaf {
    at: [f32; 2],
    length: f32,
    /// Sine and cosine of its direction.
    turn: (f32, f32),
    green: [f32; 3],
}

/// A bank of leaves over the whole picture, back to front, each with its own green and light.
pub(super) fn bank(picture: &mut Painting, random: &mut Random, count: usize, size: f32, greens: [[f32; 3]; 2]) {
    let aspect = f64::from(picture.aspect());
    let leaves: Vec<Leaf> = (0..count)
        .map(|i| {
            let depth = i as f32 / count as f32;
            let at = [random.between(-0.05, aspect + 0.05) as f32, random.between(-0.05, 1.05) as f32];
            let length = size * random.between(0.6, 1.3) as f32 * (0.55 + 0.45 * depth);
            let turn = (random.between(0.0, std::f64::consts::TAU) as f32).sin_cos();
            let sunny = smooth_noise(0x5a, f64::from(at[0] * 2.2), f64::from(at[1] * 2.2)) * 0.5 + 0.5;
            let light = (0.05 + 0.95 * depth * depth) * (0.25 + 0.9 * sunny * random.unit() as f32);
            Leaf { at, length, turn, green: times(blend(greens[0], greens[1], random.unit() as f32), light) }
        })
        .collect();
    const BAND: usize = 32;
    let (width, height, scale) = (picture.width, picture.height, picture.height as f32);
    picture.light.par_chunks_mut(width * BAND).enumerate().for_each(|(band, rows)| {
        let top = band * BAND;
        for leaf in &leaves {
            let clip = |v: f32, end: usize| (v * scale).clamp(0.0, end as f32) as usize;
            let first = clip(leaf.at[1] - leaf.length, height).max(top);
            let last = clip(leaf.at[1] + leaf.length, height).min(top + rows.len() / width);
            for y in first..last {
                for x in clip(leaf.at[0] - leaf.length, width)..clip(leaf.at[0] + leaf.length, width) {
                    if let Some(light) = leaf.light((x as f32 + 0.5) / scale, (y as f32 + 0.5) / scale) {
                        rows[(y - top) * width + x] = light;
                    }
                }
            }
        }
    });
}

impl Leaf {
    fn light(&self, u: f32, v: f32) -> Option<[f32; 3]> {
        let (sin, cos) = self.turn;
        let (u, v) = (u - self.at[0], v - self.at[1]);
        let (along, across) = ((u * cos + v * sin) / self.length, (v * cos - u * sin) / self.length);
        let half = 0.36 * (1.0 - along * along).max(0.0) * (1.0 - 0.25 * along);
        if along.abs() > 1.0 || across.abs() > half {
            return None;
        }
        let vein = across.abs() < 0.016 || ((along * 7.0 + across.abs() * 9.0).fract() - 0.5).abs() < 0.05;
        Some(times(self.green, (1.0 - 1.08 * across) * if vein { 1.18 } else { 1.0 }))
    }
}

/// A tree: trunk and a crown of clumps, lit from the left.
pub(super) fn tree(picture: &mut Painting, foot: [f32; 2], height: f32, green: [f32; 3], seed: u64) {
    let [u0, v0] = foot;
    let trunk = Part { left: u0 - height, right: u0 + height, top: v0 - height * 1.1, bottom: v0 };
    picture.paint(trunk, |u, v, _| {
        let (x, up) = ((u - u0) / height, (v0 - v) / height);
        let lean = 0.03 * (up * 5.0).sin();
        if up < 0.5 && (x - lean).abs() < 0.028 * (1.3 - up) {
            return Some(times([0.05, 0.038, 0.028], 1.2 - 12.0 * (x - lean)));
        }
        // The crown: an ellipse frayed by clumps, clumps frayed by leaves.
        let round = (x / 0.40).hypot((up - 0.66) / 0.36);
        let clump = layered_noise(seed, f64::from(x * 7.0), f64::from(up * 7.0), 3);
        let leaf = layered_noise(seed ^ 0x1eaf, f64::from(x * 60.0), f64::from(up * 60.0), 3);
        let inside = 1.0 - round + 0.42 * clump + 0.16 * leaf;
        if inside < 0.0 {
            return None;
        }
        let toward = layered_noise(seed, f64::from(x * 7.0 - 0.35), f64::from(up * 7.0 + 0.4), 3);
        let light = (0.5 + 0.9 * (clump - toward) + 0.35 * (up - 0.66) - 0.25 * x + 0.55 * leaf).clamp(0.08, 1.5);
        Some(times(green, light))
    });
}
