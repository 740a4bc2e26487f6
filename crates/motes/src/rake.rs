//! The raking view: a picture as tonal relief about mid-grey, as a low side light shows a wall's relief.

use motelight_frame::{Pixels, Plane, Size};
use rayon::prelude::*;

/// The two controls of a raking view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RakeOptions {
    /// Size up to which differences are kept; anything wider counts as the picture's own light and is taken
    /// out (standard deviation of the blur that finds that light). At least 1 px.
    pub scale: Pixels,
    /// How strongly they are raised: a difference of 1 % of the light moves the tone by `strength` % of the
    /// way from mid-grey to black or white, less as it nears either.
    pub strength: f64,
}

impl Default for RakeOptions {
    /// For a picture of about 1600 px in its long side: a shadow 5 % deep stands a third of the way to
    /// black (our own choice by eye).
    fn default() -> Self {
        RakeOptions { scale: Pixels(60.0), strength: 8.0 }
    }
}

/// Tone of places that differ in nothing from their surroundings.
const MID_GREY: f32 = 128.0;

/// Draws a picture in linear light as tonal relief, 8-bit grey. Dark stays dark: a shadow is a dark spot.
pub fn rake(picture: &Plane, options: &RakeOptions) -> Plane<u8> {
    let ground = blurred(picture, options.scale.0.clamp(1.0, 1e6).round() as usize);
    let strength = options.strength as f32;
    let tone = |(&light, &ground): (&f32, &f32)| {
        let difference = if ground > 0.0 { light / ground - 1.0 } else { 0.0 };
        (MID_GREY + 127.0 * (strength * difference).tanh()) as u8
    };
    Plane::from_vec(picture.size(), picture.data().par_iter().zip(ground.data()).map(tone).collect())
}

/// Three running means in a row: a Gaussian of standard deviation `radius` to a few per cent.
fn blurred(picture: &Plane, radius: usize) -> Plane {
    let mut across = picture.clone();
    for _ in 0..3 {
        mean_of_rows(&mut across, radius);
    }
    let mut down = transposed(&across);
    for _ in 0..3 {
        mean_of_rows(&mut down, radius);
    }
    transposed(&down)
}

/// Running mean along rows. Near the ends, where the window is lopsided, the straight line through it is read
/// at the pixel instead, or the light's fall-off would be drawn as a dark rim.
fn mean_of_rows(plane: &mut Plane, radius: usize) {
    let width = plane.width();
    if width == 0 {
        return;
    }
    plane.data_mut().par_chunks_mut(width).for_each(|row| {
        let mut sums = Vec::with_capacity(width + 1);
        let mut sum = (0.0, 0.0);
        sums.push(sum);
        for (x, &v) in row.iter().enumerate() {
            sum = (sum.0 + f64::from(v), sum.1 + x as f64 * f64::from(v));
            sums.push(sum);
        }
        for (x, v) in row.iter_mut().enumerate() {
            let (from, to) = (x.saturating_sub(radius), (x + radius + 1).min(width));
            let n = (to - from) as f64;
            let mean = (sums[to].0 - sums[from].0) / n;
            let middle = 0.5 * (from + to - 1) as f64;
            let spread = n * (n * n - 1.0) / 12.0;
            let slope = if n > 1.0 { (sums[to].1 - sums[from].1 - n * middle * mean) / spread } else { 0.0 };
            *v = (mean + slope * (x as f64 - middle)) as f32;
        }
    });
}

fn transposed(plane: &Plane) -> Plane {
    let (width, height) = (plane.width(), plane.height());
    let mut data = vec![0.0; width * height];
    if height > 0 {
        data.par_chunks_mut(height).enumerate().for_each(|(x, column)| {
            for (y, v) in column.iter_mut().enumerate() {
                *v = plane.at(x, y);
            }
        });
    }
    Plane::from_vec(Size { width: height, height: width }, data)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { width: 300, height: 200 };

    fn drawn(light: impl Fn(f32, f32) -> f32, options: &RakeOptions) -> Plane<u8> {
        let data = (0..SIZE.height).flat_map(|y| (0..SIZE.width).map(move |x| (x as f32, y as f32)));
        rake(&Plane::from_vec(SIZE, data.map(|(x, y)| light(x, y)).collect()), options)
    }

    fn spot(x: f32, y: f32, depth: f32) -> f32 {
        if (x - 150.0).hypot(y - 100.0) < 6.0 { 1.0 - depth } else { 1.0 }
    }

    #[test]
    fn a_plain_wall_is_mid_grey_however_it_is_lit() {
        for level in [0.02f32, 0.5, 3.0] {
            assert!(drawn(|_, _| level, &RakeOptions::default()).data().iter().all(|&v| v == 128));
        }
        let falling = drawn(|x, y| 0.5 + 0.0008 * x - 0.0005 * y, &RakeOptions::default());
        assert!(falling.data().iter().all(|v| v.abs_diff(128) <= 1));
    }

    #[test]
    fn a_shadow_stays_dark_and_its_tone_follows_the_strength() {
        let at = |strength: f64| {
            let options = RakeOptions { strength, ..RakeOptions::default() };
            128 - i32::from(drawn(|x, y| 0.5 * spot(x, y, 0.01), &options).at(150, 100))
        };
        assert!((at(10.0) - 12).abs() <= 1, "1 % at strength 10 is 10 % of 127: {}", at(10.0));
        assert!(at(20.0) > at(10.0) && at(10.0) > at(5.0) && at(5.0) > 0);
    }

    #[test]
    fn the_exposure_of_the_frame_changes_nothing() {
        let bright = drawn(|x, y| 0.8 * spot(x, y, 0.05), &RakeOptions::default());
        let dim = drawn(|x, y| 0.1 * spot(x, y, 0.05), &RakeOptions::default());
        assert!(bright.data().iter().zip(dim.data()).all(|(a, b)| a.abs_diff(*b) <= 1));
    }

    #[test]
    fn what_is_wider_than_the_scale_is_taken_out() {
        let at = |scale: f64| {
            let options = RakeOptions { scale: Pixels(scale), strength: 8.0 };
            drawn(|x, y| if (x - 150.0).hypot(y - 100.0) < 40.0 { 0.95 } else { 1.0 }, &options).at(150, 100)
        };
        assert!(128 - at(5.0) <= 1, "small scale: {}", at(5.0));
        assert!(128 - at(80.0) > 25, "large scale: {}", at(80.0));
    }

    #[test]
    fn a_picture_of_nothing_is_drawn_without_fault() {
        for size in [Size { width: 0, height: 0 }, Size { width: 1, height: 1 }, Size { width: 5, height: 0 }] {
            assert_eq!(rake(&Plane::filled(size, 0.0), &RakeOptions::default()).size(), size);
        }
    }
}
