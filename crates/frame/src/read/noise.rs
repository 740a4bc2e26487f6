//! Noise of a picture from the picture itself.
//!
//! Photon transfer (EMVA 1288: variance rises in a straight line with the mean) over small blocks. In each
//! block the variance comes from second differences of the same colour, which a gradient leaves at zero.
//! Texture can only add variance, so in each group of equally bright blocks the lower quartile is taken, and
//! raised by the known ratio of mean to quartile of a chi-square spread. Limit: noise that a converter has
//! smoothed over more than two pixels is told too small.

use crate::frame::{Encoding, Layout, NoiseModel};
use crate::plane::Plane;
use crate::planes::Planes;
use crate::space::{Rect, Size};

/// Side of a block, px.
const BLOCK: usize = 24;
/// Blocks looked at: enough for a variance to about one percent on a plain wall.
const BLOCKS: usize = 2000;
/// Groups of equal brightness.
const GROUPS: usize = 8;
/// Distance of differences in rendered pictures, px: neighbours there share light by demosaicing.
const RENDERED_STEP: usize = 2;

/// One model per plane; always positive and finite.
pub(super) fn estimate(planes: &Planes, layout: &Layout, encoding: &Encoding, mask: &Plane<u8>) -> Vec<NoiseModel> {
    let step = match layout {
        Layout::Mosaic(cfa) => cfa.period(),
        _ => Size { width: RENDERED_STEP, height: RENDERED_STEP },
    };
    let one = |i: usize| {
        let quantum = |light: f32| code_step(encoding, i, light);
        fit(sample(planes, i, step, mask), quantum)
    };
    (0..planes.len()).map(one).collect()
}

/// Light between two neighbouring codes at a level.
fn code_step(encoding: &Encoding, plane: usize, light: f32) -> f64 {
    let code = encoding.encode(plane, 0, 0, light);
    let (below, above) = (code.saturating_sub(1), code.saturating_add(1));
    let span = encoding.decode(plane, 0, 0, above) - encoding.decode(plane, 0, 0, below);
    f64::from(span / 2.0).max(1e-7)
}

/// Mean and variance of blocks spread over the picture.
fn sample(planes: &Planes, plane: usize, step: Size, mask: &Plane<u8>) -> Vec<(f64, f64)> {
    let Size { width, height } = planes.size();
    let (across, down) = (width / BLOCK, height / BLOCK);
    let total = across * down;
    // A stride prime to the row length walks all over the picture without favouring columns.
    let stride = (total / BLOCKS).max(1) | 1;
    let place = |i: usize| (i % across.max(1) * BLOCK, i / across.max(1) * BLOCK);
    let window = |(x, y)| Rect { x, y, width: BLOCK, height: BLOCK };
    let sound = |w: &Rect| (w.y..w.bottom()).all(|y| mask.row(y)[w.x..w.right()].iter().all(|m| *m == 0));
    let blocks = (0..total).step_by(stride).map(|i| window(place(i))).filter(sound);
    blocks.filter_map(|w| block(&planes.window(plane, w), step)).collect()
}

fn block(light: &Plane, step: Size) -> Option<(f64, f64)> {
    let sx = step.width.min(BLOCK / 3);
    let (mut sum, mut squares, mut count) = (0f64, 0f64, 0u32);
    for row in light.data().chunks_exact(BLOCK) {
        for i in sx..BLOCK - sx {
            let second = f64::from(row[i]) - 0.5 * f64::from(row[i - sx] + row[i + sx]);
            squares += second * second;
            sum += f64::from(row[i]);
            count += 1;
        }
    }
    let n = f64::from(count);
    // var(a - (b + c) / 2) = 1.5 var(a)
    let (mean, variance) = (sum / n, squares / n / 1.5);
    (mean.is_finite() && variance.is_finite() && mean > 0.0).then_some((mean, variance))
}

/// The straight line through groups of equally bright blocks.
fn fit(mut blocks: Vec<(f64, f64)>, quantum: impl Fn(f32) -> f64) -> NoiseModel {
    let floor = |light: f64| quantum(light as f32).powi(2) / 12.0;
    let least = floor(0.0).max(1e-12);
    if blocks.is_empty() {
        return NoiseModel { shot: 0.0, read: floor(0.5).max(least) as f32 };
    }
    blocks.sort_by(|a, b| a.0.total_cmp(&b.0));
    let groups: Vec<(f64, f64)> = blocks
        .chunks(blocks.len().div_ceil(GROUPS))
        .map(|group| {
            let mean = group.iter().map(|b| b.0).sum::<f64>() / group.len() as f64;
            (mean, lower_quartile(group).max(floor(mean)))
        })
        .collect();
    // Least squares of relative errors: weight 1 / variance^2.
    let sums = groups.iter().fold([0f64; 5], |s, (m, v)| {
        let w = 1.0 / (v * v);
        [s[0] + w, s[1] + w * m, s[2] + w * m * m, s[3] + w * v, s[4] + w * m * v]
    });
    let [w, wm, wmm, wv, wmv] = sums;
    let spread = w * wmm - wm * wm;
    // Levels within a few percent tell no slope: all of it is then taken as shot noise.
    let (low, high) = (groups[0].0, groups[groups.len() - 1].0);
    let slope = if high > 1.2 * low { (w * wmv - wm * wv) / spread } else { wmv / wmm };
    let slope = slope.max(0.0);
    let mut read = (wv - slope * wm) / w;
    let mut shot = slope;
    if read < least {
        read = least;
        shot = ((wmv - read * wm) / wmm).max(0.0);
    }
    let clean = |v: f64, fallback: f64| if v.is_finite() { v } else { fallback };
    NoiseModel { shot: clean(shot, 0.0) as f32, read: (clean(read, least)).max(least) as f32 }
}

/// Lower quartile of the variances of a group, raised to the mean that a chi-square spread of that quartile
/// has (Wilson and Hilferty 1931).
fn lower_quartile(group: &[(f64, f64)]) -> f64 {
    let mut variances: Vec<f64> = group.iter().map(|b| b.1).collect();
    let at = variances.len() / 4;
    let (_, quartile, _) = variances.select_nth_unstable_by(at, f64::total_cmp);
    // Second differences overlap: a block's pixels count for about half as many free values.
    let freedom = (BLOCK * BLOCK) as f64 / 2.0;
    let k = 2.0 / (9.0 * freedom);
    *quartile / (1.0 - k - 0.6745 * k.sqrt()).powi(3)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Cfa, Colour};
    use crate::planes::Tone;

    /// Gaussian numbers of unit variance from a fixed seed (sum of twelve uniform ones).
    fn gauss(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed;
        move || {
            let uniform = || {
                state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                (state >> 33) as f64 / (1u64 << 31) as f64
            };
            std::iter::repeat_with(uniform).take(12).sum::<f64>() - 6.0
        }
    }

    fn picture(size: Size, light: impl Fn(usize, usize) -> f64, noise: NoiseModel) -> Plane {
        let mut gauss = gauss(7);
        let pixels = (0..size.area()).map(|i| {
            let light = light(i % size.width, i / size.width);
            (light + gauss() * f64::from(noise.sigma(light as f32))) as f32
        });
        Plane::from_vec(size, pixels.collect())
    }

    fn bayer() -> (Layout, Encoding) {
        use Colour::{Blue, Green, Red};
        let period = Size { width: 2, height: 2 };
        let cfa = Cfa::new(period, vec![Red, Green, Green, Blue]);
        let levels = Encoding::Levels { period: Size { width: 1, height: 1 }, black: vec![512.0], white: 16383.0 };
        (Layout::Mosaic(cfa.expect("whole")), levels)
    }

    #[test]
    fn the_noise_of_a_plain_wall_comes_back_within_five_percent() {
        let size = Size { width: 1200, height: 800 };
        let truth = NoiseModel { shot: 5e-5, read: 4e-7 };
        // Bright green, dim red and blue, and light that falls off to the corners.
        let wall = |x: usize, y: usize| {
            let fall = 1.0 - 0.6 * ((x as f64 / 1200.0 - 0.5).powi(2) + (y as f64 / 800.0 - 0.5).powi(2));
            0.5 * fall * if (x + y) % 2 == 1 { 1.0 } else { 0.5 }
        };
        let plane = picture(size, wall, truth);
        let (layout, encoding) = bayer();
        let found = estimate(&vec![plane].into(), &layout, &encoding, &Plane::filled(size, 0))[0];
        for light in [0.2, 0.35, 0.5] {
            let ratio = found.sigma(light) / truth.sigma(light);
            assert!((ratio - 1.0).abs() < 0.05, "at {light}: {ratio}");
        }
    }

    #[test]
    fn texture_over_half_of_the_picture_does_not_pass_for_noise() {
        let size = Size { width: 1200, height: 800 };
        let truth = NoiseModel { shot: 5e-5, read: 4e-7 };
        let scene = |x: usize, y: usize| 0.4 + if y < 400 { 0.0 } else { 0.1 * ((x * x + 7 * y) % 13) as f64 / 13.0 };
        let plane = picture(size, scene, truth);
        let (layout, encoding) = bayer();
        let found = estimate(&vec![plane].into(), &layout, &encoding, &Plane::filled(size, 0))[0];
        let ratio = found.sigma(0.4) / truth.sigma(0.4);
        assert!((0.9..1.2).contains(&ratio), "{ratio}");
    }

    #[test]
    fn noise_is_never_zero_however_smooth_or_small_the_picture() {
        let tone = Tone::new((0..256).map(|c| (c as f32 / 255.0).powf(2.2)).collect()).expect("rising");
        let encoding = Encoding::Tones(vec![tone]);
        for (side, light) in [(200, 0.5), (200, 0.0), (3, 0.5), (200, 1.0)] {
            let size = Size { width: side, height: side };
            let found =
                estimate(&vec![Plane::filled(size, light)].into(), &Layout::Grey, &encoding, &Plane::filled(size, 0))
                    [0];
            assert!(found.read > 0.0 && found.shot >= 0.0 && found.sigma(light) > 1e-6, "{side} {light}: {found:?}");
        }
    }
}
