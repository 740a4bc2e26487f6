//! From wanted steps of red, green and blue to steps of the stored coefficients of the blocks they touch.

use std::collections::BTreeMap;

use super::anatomy::{Anatomy, Colours};
use crate::frame::Frame;
use crate::plane::Plane;
use crate::space::Rect;
use crate::write::delta::Delta;

/// What is added to the coefficients of one block.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::write) struct BlockStep {
    pub(in crate::write) component: usize,
    pub(in crate::write) row: usize,
    pub(in crate::write) column: usize,
    /// Steps in units of the quantisation, natural order.
    pub(in crate::write) add: [i16; 64],
}

/// Wanted steps of the samples of one block, in codes.
type Samples = [f32; 64];
/// Blocks by row and column.
type Blocks = BTreeMap<(usize, usize), Samples>;

/// The steps of all blocks that the deltas touch; blocks that come out unchanged are left out.
///
/// A step smaller than half a quantisation step would round to nothing; that matters for the mean (DC), where a
/// faint wide shadow has all its depth. So what the mean of one block loses is passed on to the touched blocks
/// beside and below it, in the shares of Floyd and Steinberg (1976).
pub(super) fn steps(anatomy: &Anatomy, deltas: &[Delta]) -> Vec<BlockStep> {
    let mut all = Vec::new();
    for component in 0..anatomy.components.len() {
        let grid = Grid::new(anatomy, component);
        let mut blocks = Blocks::new();
        for delta in deltas {
            grid.gather(delta, &mut blocks);
        }
        blocks.iter_mut().for_each(|(&at, samples)| grid.extend_past_edge(at, samples));
        quantise(component, &anatomy.components[component].quantisation, &blocks, &mut all);
    }
    all
}

/// How the samples of one component lie over the pixels.
struct Grid {
    /// Pixels that one sample covers.
    cell: (usize, usize),
    /// Picture size, px.
    picture: (usize, usize),
    /// Weights of red, green, blue (grey: the first) in this component.
    weights: [f32; 3],
}

impl Grid {
    fn new(anatomy: &Anatomy, component: usize) -> Self {
        let c = &anatomy.components[component];
        let most = |f: fn(&super::anatomy::Component) -> usize| anatomy.components.iter().map(f).max().unwrap_or(1);
        // ITU-T T.871 (JFIF), the inverse of its conversion.
        let weights = match (anatomy.colours, component) {
            (Colours::Grey, _) | (Colours::Rgb, 0) => [1.0, 0.0, 0.0],
            (Colours::Rgb, 1) => [0.0, 1.0, 0.0],
            (Colours::Rgb, _) => [0.0, 0.0, 1.0],
            (Colours::YCbCr, 0) => [0.299, 0.587, 0.114],
            (Colours::YCbCr, 1) => [-0.299 / 1.772, -0.587 / 1.772, 0.886 / 1.772],
            (Colours::YCbCr, _) => [0.701 / 1.402, -0.587 / 1.402, -0.114 / 1.402],
        };
        Grid { cell: (most(|c| c.h) / c.h, most(|c| c.v) / c.v), picture: (anatomy.width, anatomy.height), weights }
    }

    /// Adds the steps of one delta: a sample takes the mean over the pixels it covers.
    fn gather(&self, delta: &Delta, blocks: &mut Blocks) {
        let (w, (cw, ch)) = (delta.window, self.cell);
        let (first_column, first_row) = (w.x / (8 * cw), w.y / (8 * ch));
        let columns = w.right().div_ceil(8 * cw) - first_column;
        for row in first_row..w.bottom().div_ceil(8 * ch) {
            let mut line: Vec<(bool, Samples)> = vec![(false, [0.0; 64]); columns];
            for y in (row * 8 * ch).max(w.y)..((row + 1) * 8 * ch).min(w.bottom()) {
                let covered_rows = ch.min(self.picture.1 - y / ch * ch);
                for x in w.x..w.right() {
                    let step = self.step(&delta.planes, x - w.x, y - w.y);
                    if step == 0.0 {
                        continue;
                    }
                    let covered = covered_rows * cw.min(self.picture.0 - x / cw * cw);
                    let (sx, sy) = (x / cw, y / ch);
                    let block = &mut line[sx / 8 - first_column];
                    block.0 = true;
                    block.1[sy % 8 * 8 + sx % 8] += step / covered as f32;
                }
            }
            for (i, (_, samples)) in line.iter().enumerate().filter(|(_, (touched, _))| *touched) {
                let block = blocks.entry((row, first_column + i)).or_insert([0.0; 64]);
                block.iter_mut().zip(samples).for_each(|(to, from)| *to += from);
            }
        }
    }

    fn step(&self, planes: &[Plane<f32>], x: usize, y: usize) -> f32 {
        planes.iter().zip(self.weights).map(|(p, weight)| p.at(x, y) * weight).sum()
    }

    /// Past the picture's edge a block repeats the last sample, as encoders do: a sharp edge there would ring.
    fn extend_past_edge(&self, (row, column): (usize, usize), samples: &mut Samples) {
        let width = self.picture.0.div_ceil(self.cell.0).saturating_sub(column * 8).clamp(1, 8);
        let height = self.picture.1.div_ceil(self.cell.1).saturating_sub(row * 8).clamp(1, 8);
        for y in 0..height {
            for x in width..8 {
                samples[y * 8 + x] = samples[y * 8 + width - 1];
            }
        }
        for y in height..8 {
            samples.copy_within((height - 1) * 8..height * 8, y * 8);
        }
    }
}

fn quantise(component: usize, quantisation: &[u16; 64], blocks: &Blocks, all: &mut Vec<BlockStep>) {
    const SHARES: [(usize, isize, f32); 4] = [(0, 1, 7.0), (1, -1, 3.0), (1, 0, 5.0), (1, 1, 1.0)];
    let mut owed: BTreeMap<(usize, usize), f32> = BTreeMap::new();
    for (&(row, column), samples) in blocks {
        let frequencies = forward_dct(samples);
        let mut add = [0i16; 64];
        for (k, step) in add.iter_mut().enumerate().skip(1) {
            *step = (frequencies[k] / f32::from(quantisation[k])).round() as i16;
        }
        let mean = frequencies[0] / f32::from(quantisation[0]) + owed.remove(&(row, column)).unwrap_or(0.0);
        add[0] = mean.round() as i16;
        let heirs: Vec<_> = SHARES
            .iter()
            .map(|&(down, right, share)| ((row + down, column.wrapping_add_signed(right)), share))
            .filter(|(at, _)| blocks.contains_key(at))
            .collect();
        let total: f32 = heirs.iter().map(|(_, share)| share).sum();
        for (at, share) in heirs {
            *owed.entry(at).or_insert(0.0) += (mean - f32::from(add[0])) * share / total;
        }
        if add != [0; 64] {
            all.push(BlockStep { component, row, column, add });
        }
    }
}

/// The forward DCT of T.81, A.3.3, rows and columns one after the other.
fn forward_dct(samples: &Samples) -> Samples {
    // cos(k pi / 16) for k = 0 (times the square root of 1/2) to 7, halved: written out, so that every machine has
    // the same.
    #[allow(clippy::excessive_precision)]
    const C: [f32; 8] = [
        0.353_553_391,
        0.490_392_640,
        0.461_939_766,
        0.415_734_806,
        0.353_553_391,
        0.277_785_117,
        0.191_341_716,
        0.097_545_161,
    ];
    // Row u of the matrix: cos((2x + 1) u pi / 16), reduced to the first quadrant.
    let factor = |u: usize, x: usize| match (2 * x + 1) * u % 32 {
        _ if u == 0 => C[0],
        k @ 1..=7 => C[k],
        8 | 24 => 0.0,
        k @ 9..=15 => -C[16 - k],
        16 => -0.5,
        k @ 17..=23 => -C[k - 16],
        k @ 25..=31 => C[32 - k],
        _ => 0.5,
    };
    let mut matrix = [[0f32; 8]; 8];
    for (u, row) in matrix.iter_mut().enumerate() {
        for (x, m) in row.iter_mut().enumerate() {
            *m = factor(u, x);
        }
    }
    let mut half = [0f32; 64];
    for y in 0..8 {
        for u in 0..8 {
            half[y * 8 + u] = (0..8).map(|x| matrix[u][x] * samples[y * 8 + x]).sum();
        }
    }
    let mut out = [0f32; 64];
    for v in 0..8 {
        for u in 0..8 {
            out[v * 8 + u] = (0..8).map(|y| matrix[v][y] * half[y * 8 + u]).sum();
        }
    }
    out
}

/// The mean of a block of the first component as the frame was read; `None` where it cannot be told: past the
/// picture's edge, with clipped codes in it, or where a sample is more than one pixel.
pub(super) fn mean(anatomy: &Anatomy, frame: &Frame, step: &BlockStep) -> Option<f32> {
    let grid = Grid::new(anatomy, step.component);
    let (x0, y0) = (step.column * 8, step.row * 8);
    if grid.cell != (1, 1) || x0 + 8 > anatomy.width || y0 + 8 > anatomy.height {
        return None;
    }
    let mut sum = 0.0;
    for (x, y) in (y0..y0 + 8).flat_map(|y| (x0..x0 + 8).map(move |x| (x, y))) {
        for p in 0..frame.planes.len() {
            let code = frame.encoding.encode(p, x, y, frame.planes.at(p, x, y));
            if code == 0 || code >= 255 {
                return None;
            }
            sum += f32::from(code) * grid.weights[p];
        }
    }
    Some(sum / 64.0)
}

/// The pixels that a changed block can reach: its own, and one more around it where chroma is smoothed.
pub(super) fn reach(anatomy: &Anatomy, step: &BlockStep) -> Rect {
    let (cw, ch) = Grid::new(anatomy, step.component).cell;
    let (bleed_x, bleed_y) = (usize::from(cw > 1), usize::from(ch > 1));
    let (x, y) = (step.column * 8 * cw, step.row * 8 * ch);
    let (left, top) = (x.saturating_sub(bleed_x), y.saturating_sub(bleed_y));
    let right = (x + 8 * cw + bleed_x).min(anatomy.width);
    let bottom = (y + 8 * ch + bleed_y).min(anatomy.height);
    Rect { x: left, y: top, width: right - left, height: bottom - top }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// T.81, A.3.3: F(v,u) = 1/4 C(u) C(v) sum f(y,x) cos((2x+1)u pi/16) cos((2y+1)v pi/16).
    #[test]
    fn the_transform_is_that_of_the_standard() {
        let samples: Samples = std::array::from_fn(|i| ((i * 37 + 11) % 64) as f32 - 20.0);
        let fast = forward_dct(&samples);
        let c = |k: usize| if k == 0 { 0.5f64.sqrt() } else { 1.0 };
        let angle = |x: usize, u: usize| ((2 * x + 1) as f64 * u as f64 * std::f64::consts::PI / 16.0).cos();
        for v in 0..8 {
            for u in 0..8 {
                let sum: f64 = (0..64).map(|i| f64::from(samples[i]) * angle(i % 8, u) * angle(i / 8, v)).sum();
                let slow = 0.25 * c(u) * c(v) * sum;
                assert!(
                    (slow - f64::from(fast[v * 8 + u])).abs() < 1e-3,
                    "({v}, {u}): {slow} against {}",
                    fast[v * 8 + u]
                );
            }
        }
    }
}
