//! Skies: a gradient, the glow of the sun, clouds on a plane overhead.

use super::paint::{Painting, Part, blend, step, times};
use crate::random::{layered_noise, smooth_noise};

/// A sky.
#[derive(Debug, Clone)]
pub(super) struct Sky {
    /// Where it meets the ground, picture heights from the top.
    pub horizon: f32,
    /// Colours from the top down to the horizon.
    pub colours: [[f32; 3]; 3],
    /// Where the sun stands (it may be outside).
    pub sun: [f32; 2],
    /// The light around the sun.
    pub glow: [f32; 3],
    /// How far the glow reaches.
    pub glow_size: f32,
    /// The clouds.
    pub clouds: Clouds,
    /// Which sky.
    pub seed: u64,
}

/// Clouds.
#[derive(Debug, Clone)]
pub(super) struct Clouds {
    /// Share of the sky they cover, 0 to 1.
    pub cover: f32,
    /// Clouds per picture height, overhead.
    pub scale: f32,
    /// How much longer than high, 1 for heaps, 3 for streaks.
    pub stretch: f32,
    /// Width of their edges, 0.1 (hard) to 0.8 (soft).
    pub softness: f32,
    /// Colour where the sun reaches them.
    pub lit: [f32; 3],
    /// Colour of their undersides.
    pub dark: [f32; 3],
}

impl Sky {
    /// Paints the sky over the whole picture above its horizon, and a little below.
    pub fn paint(&self, picture: &mut Painting) {
        let middle = picture.aspect() / 2.0;
        picture.paint_soft((self.horizon + 0.05).min(1.0), |u, v| self.light(u, v, middle));
    }

    fn light(&self, u: f32, v: f32, middle: f32) -> [f32; 3] {
        let height = ((self.horizon - v) / self.horizon).clamp(0.0, 1.0);
        let [top, half, low] = self.colours;
        let air = if height > 0.4 {
            blend(half, top, (height - 0.4) / 0.6)
        } else {
            blend(low, half, step(0.0, 1.0, height / 0.4))
        };
        let away = (u - self.sun[0]).hypot(1.4 * (v - self.sun[1])) / self.glow_size;
        let glow = (-away * away).exp() + 0.5 * (-away).exp();
        let air: [f32; 3] = std::array::from_fn(|c| air[c] + self.glow[c] * glow);
        self.clouded(air, u, v, middle, glow)
    }

    fn clouded(&self, air: [f32; 3], u: f32, v: f32, middle: f32, glow: f32) -> [f32; 3] {
        let clouds = &self.clouds;
        let up = (self.horizon - v).max(0.0);
        // A plane overhead: what is far lies low and close together.
        let near = 0.9 / (up + 0.22);
        let (x, y) = ((u - middle) * near * clouds.scale / clouds.stretch, near * clouds.scale);
        let bend = 0.35 * smooth_noise(self.seed ^ 0xb3, f64::from(x) * 0.8, f64::from(y) * 0.8);
        let density = |x: f32, y: f32| layered_noise(self.seed, f64::from(x), f64::from(y), 7);
        let here = density(x + bend, y - bend);
        let least = 0.75 - 1.3 * clouds.cover;
        let amount = step(least, least + clouds.softness, here);
        if amount <= 0.0 {
            return air;
        }
        let toward = [(self.sun[0] - u) * 0.16, (self.sun[1] - v) * -0.3];
        let behind = density(x + bend + toward[0], y - bend + toward[1]);
        let lit = (0.55 + 0.9 * (here - behind) - 0.35 * step(least + 0.3, least + 1.1, here)).clamp(0.0, 1.0);
        let body = blend(clouds.dark, clouds.lit, lit);
        let body: [f32; 3] = std::array::from_fn(|c| body[c] + 0.6 * self.glow[c] * glow * lit);
        // Haze takes them back towards the horizon.
        let clear = step(0.0, 0.22, up);
        blend(air, body, amount * (0.25 + 0.7 * clear))
    }
}

/// The sky given back by water below `line`, rippled, dimmed with the steepness of the view.
pub(super) fn water(picture: &mut Painting, line: f32, tint: [f32; 3], seed: u64) {
    let above = picture.clone();
    let aspect = picture.aspect();
    let all = Part { left: 0.0, right: aspect, top: line, bottom: 1.0 };
    picture.paint(all, |u, v, _| {
        let down = v - line;
        // Waves shrink towards the horizon.
        let near = 1.0 / (down + 0.02);
        let (x, y) = (f64::from((u - aspect / 2.0) * near * 2.0), f64::from(near * 9.0));
        let wave = layered_noise(seed, x, y, 4);
        let fine = smooth_noise(seed ^ 0xf1, x * 5.0, y * 3.0);
        let lift = (0.16 * wave + 0.05 * fine) * (down + 0.01) * 1.2;
        let source = (line - down * 1.02 + lift).clamp(0.0, line - 0.002);
        let mirrored = above.at(u + 0.25 * lift, source);
        let given_back = 0.42 + 0.42 * (-down * 5.0).exp() + 0.1 * wave;
        Some(blend(tint, mirrored, given_back))
    });
}

/// What covers a ridge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Ground {
    /// Woods and slopes far off, of this unevenness.
    Far(f32),
    /// Grass at our feet.
    Grass,
    /// Bare rock.
    Rock,
}

/// A ridge of hills: everything below a wavering line, hazier the farther.
pub(super) struct Ridge {
    /// Height of the line, picture heights from the top.
    pub line: f32,
    /// How far it wavers.
    pub relief: f32,
    /// Hills per picture height.
    pub scale: f32,
    /// Height of the trees along it.
    pub trees: f32,
    /// Its colour.
    pub colour: [f32; 3],
    /// What covers it.
    pub ground: Ground,
    /// Mist that gathers towards its foot: colour and share.
    pub mist: ([f32; 3], f32),
    /// Which ridge.
    pub seed: u64,
}

/// Paints ridges that stand one behind the other, the farthest first.
pub(super) fn paint_ridges(picture: &mut Painting, ridges: &[Ridge], bottom: f32) {
    for (i, ridge) in ridges.iter().enumerate() {
        ridge.paint(picture, ridges.get(i + 1), bottom);
    }
}

impl Ridge {
    /// Its line at a place.
    pub fn top(&self, u: f32) -> f32 {
        let hills = layered_noise(self.seed, f64::from(u * self.scale), 0.5, 4);
        let woods = layered_noise(self.seed ^ 0x77, f64::from(u * 9.0), 0.3, 2).max(-0.2) + 0.2;
        let crowns = layered_noise(self.seed ^ 0x7ee, f64::from(u * 170.0), 0.5, 3).abs();
        self.line - self.relief * hills - self.trees * woods * (0.6 + 0.8 * crowns)
    }

    /// Paints it, down to the line of the ridge in front of it or to `bottom`.
    pub fn paint(&self, picture: &mut Painting, in_front: Option<&Ridge>, bottom: f32) {
        let aspect = picture.aspect();
        let columns = picture.width;
        let line = |ridge: &Ridge| -> Vec<f32> {
            (0..columns).map(|x| ridge.top((x as f32 + 0.5) * aspect / columns as f32)).collect()
        };
        let (tops, ends) = (line(self), in_front.map_or(vec![bottom; columns], line));
        let highest = tops.iter().copied().fold(1.0f32, f32::min);
        let all = Part { left: 0.0, right: aspect, top: highest.max(0.0), bottom };
        let scale = columns as f32 / aspect;
        picture.paint(all, |u, v, _| {
            let column = ((u * scale) as usize).min(columns - 1);
            let below = v - tops[column];
            if below < 0.0 || v > ends[column] + 0.002 {
                return None;
            }
            let dark = 1.0 - 0.25 * (-below / (self.trees + 0.004)).exp();
            let cover = times(self.colour, dark * self.cover(u - aspect / 2.0, v));
            Some(blend(cover, self.mist.0, self.mist.1 * step(0.0, 0.13, below)))
        });
    }

    /// Brightness of the ground at a place, about 1.
    fn cover(&self, across: f32, v: f32) -> f32 {
        // The ground runs away from us: its marks shrink towards the ridge's line.
        let near = 1.0 / (v - self.line + 0.16).max(0.04);
        let (x, y) = (f64::from(across * near), f64::from(near));
        let (seed, fine) = (self.seed ^ 0x99, self.seed ^ 0x9a);
        let cover = match self.ground {
            Ground::Far(unevenness) => {
                let slope = layered_noise(seed, f64::from(across) * 5.0 + 1.5 * f64::from(v), f64::from(v) * 13.0, 4);
                let woods = layered_noise(fine, f64::from(across) * 90.0, f64::from(v) * 130.0, 3);
                1.0 + unevenness * (0.5 * slope + 0.3 * woods)
            }
            Ground::Grass => {
                let patches = layered_noise(seed, x * 1.6, y * 1.8, 4);
                let tufts = layered_noise(fine, x * 26.0, y * 20.0, 2);
                let blades = smooth_noise(fine, f64::from(across) * 420.0, f64::from(v) * 110.0);
                1.0 + 0.22 * patches + 0.24 * tufts + 0.16 * blades
            }
            Ground::Rock => {
                let slabs = layered_noise(seed, f64::from(across) * 7.0, f64::from(v) * 16.0, 6);
                let cracks = layered_noise(fine, f64::from(across) * 11.0, f64::from(v) * 21.0, 4).abs();
                let lit = layered_noise(seed, f64::from(across) * 7.0 - 0.12, f64::from(v) * 16.0 - 0.16, 6);
                0.85 + 1.5 * (slabs - lit) + 0.25 * slabs - 0.75 * (0.22 - cracks).max(0.0) / 0.22
            }
        };
        cover.max(0.12)
    }
}
