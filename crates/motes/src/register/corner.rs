//! Corners, and the patches by which they are known again.

use crate::register::layer::Layer;

/// Corners taken from one block of the picture, so that they cover it.
pub const PER_BLOCK: usize = 8;
/// Blocks along the long side.
const BLOCKS: f64 = 12.0;
/// Samples along a side of a patch.
const SIDE: usize = 8;
/// Cells between them.
const SPACING: f64 = 2.5;
/// Least standard deviation over a patch, of the logarithm of light: less is grain and rounding. A guess.
const LEAST: f32 = 0.006;

/// A patch's samples, mean 0, sum of squares 1.
pub type Patch = [f32; SIDE * SIDE];

/// A corner with its patch.
#[derive(Debug, Clone)]
pub struct Described {
    /// Normalised coordinates.
    pub at: (f64, f64),
    pub patch: Patch,
}

/// Places where light changes in two directions (least eigenvalue of the structure tensor, Shi and Tomasi 1994), the strongest of
/// each block; cells.
pub fn corners(layer: &Layer, per_block: usize) -> Vec<(f64, f64)> {
    const WINDOW: usize = 2;
    const MARGIN: usize = 8;
    let smooth = layer.smoothed();
    let (w, h) = (smooth.ln.width(), smooth.ln.height());
    if w <= 2 * MARGIN + 2 || h <= 2 * MARGIN + 2 {
        return Vec::new();
    }
    let gradient = |x: usize, y: usize| {
        let p = &smooth.ln;
        (0.5 * (p.at(x + 1, y) - p.at(x - 1, y)), 0.5 * (p.at(x, y + 1) - p.at(x, y - 1)))
    };
    let mut strength = vec![0.0f32; w * h];
    for y in MARGIN..h - MARGIN {
        // Sums over the window by column, moved along.
        let column = |x: usize| {
            (y - WINDOW..=y + WINDOW).fold([0.0f32; 3], |[a, b, c], j| {
                let (gx, gy) = gradient(x, j);
                [a + gx * gx, b + gx * gy, c + gy * gy]
            })
        };
        let columns: Vec<[f32; 3]> = (0..w).map(|x| if x > 0 && x + 1 < w { column(x) } else { [0.0; 3] }).collect();
        for x in MARGIN..w - MARGIN {
            let sum = |k: usize| columns[x - WINDOW..=x + WINDOW].iter().map(|c| c[k]).sum::<f32>();
            let (a, b, c) = (sum(0), sum(1), sum(2));
            strength[y * w + x] = 0.5 * (a + c - ((a - c) * (a - c) + 4.0 * b * b).sqrt());
        }
    }
    let peak = |x: usize, y: usize| {
        let v = strength[y * w + x];
        v > 0.0 && (y - 3..=y + 3).all(|j| strength[j * w + x - 3..=j * w + x + 3].iter().all(|&o| o <= v))
    };
    let block = (w.max(h) as f64 / BLOCKS).ceil() as usize;
    let across = w.div_ceil(block);
    let mut blocks: Vec<Vec<(f32, usize, usize)>> = vec![Vec::new(); across * h.div_ceil(block)];
    for y in MARGIN..h - MARGIN {
        for x in MARGIN..w - MARGIN {
            if peak(x, y) {
                blocks[y / block * across + x / block].push((strength[y * w + x], x, y));
            }
        }
    }
    let mut all = Vec::new();
    for mut some in blocks {
        some.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
        all.extend(some.iter().take(per_block).map(|&(_, x, y)| (x as f64 + 0.5, y as f64 + 0.5)));
    }
    all
}

/// Corners with their patches, as they look after so many quarter turns clockwise. Those of too little contrast are left out.
pub fn described(layer: &Layer, corners: &[(f64, f64)], quarter_turns: u8) -> Vec<Described> {
    let smooth = layer.smoothed();
    let one = |&(x, y): &(f64, f64)| {
        let middle = (SIDE - 1) as f64 / 2.0;
        let patch: Patch = std::array::from_fn(|i| {
            let (dx, dy) = ((i % SIDE) as f64 - middle, (i / SIDE) as f64 - middle);
            // Where the sample of the turned picture lies in the picture as it is.
            let (dx, dy) = match quarter_turns {
                1 => (dy, -dx),
                2 => (-dx, -dy),
                3 => (-dy, dx),
                _ => (dx, dy),
            };
            smooth.at(x + SPACING * dx, y + SPACING * dy)
        });
        let patch = normalised(&patch, LEAST)?;
        Some(Described { at: layer.normal((x, y)), patch: patch.try_into().ok()? })
    };
    corners.iter().filter_map(one).collect()
}

/// Mean 0 and sum of squares 1; `None` where the standard deviation is below `least`.
pub fn normalised(samples: &[f32], least: f32) -> Option<Vec<f32>> {
    let n = samples.len().max(1) as f32;
    let mean = samples.iter().sum::<f32>() / n;
    let squares = samples.iter().map(|v| (v - mean) * (v - mean)).sum::<f32>();
    let scale = squares.sqrt().recip();
    ((squares / n).sqrt() >= least).then(|| samples.iter().map(|v| (v - mean) * scale).collect())
}

/// Normalised correlation.
pub fn likeness(a: &[f32], b: &[f32]) -> f32 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
