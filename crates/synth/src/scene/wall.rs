//! A plain wall, more or less evenly lit, more or less blurred.

use crate::random::layered_noise;

/// A wall that fills the frame.
#[derive(Debug, Clone)]
pub struct Wall {
    /// Frame width and height, px.
    pub size: [usize; 2],
    /// Light in the middle: red, green, blue.
    pub level: [f32; 3],
    /// Relative change of the light from edge to edge, to the right and down.
    pub slope: [f64; 2],
    /// Relative light lost towards the corners by the lamp (quadratic), beside the lens's own falloff.
    pub bow: f64,
    /// Its own marks.
    pub texture: Option<Texture>,
}

/// Marks on a wall, as the lens shows them.
#[derive(Debug, Clone)]
pub struct Texture {
    /// Strength: about the largest relative deviation.
    pub contrast: f64,
    /// Size along and across the blur, px.
    pub size_px: [f64; 2],
    /// Direction of the blur: cosine and sine of its angle.
    pub direction: [f64; 2],
    /// Layers of finer and finer detail; 1 is smooth.
    pub layers: u32,
    /// Which wall.
    pub seed: u64,
}

impl Wall {
    /// An even grey wall.
    pub fn even(size: [usize; 2], level: f32) -> Self {
        Wall { size, level: [level; 3], slope: [0.0; 2], bow: 0.0, texture: None }
    }

    /// Light at a place, px.
    pub fn light(&self, x: f64, y: f64) -> [f32; 3] {
        let [width, height] = self.size.map(|v| v as f64);
        let (u, v) = (x / width - 0.5, y / height - 0.5);
        let mut factor = 1.0 + self.slope[0] * u + self.slope[1] * v - self.bow * 2.0 * (u * u + v * v);
        if let Some(texture) = &self.texture {
            let [cos, sin] = texture.direction;
            let along = (x * cos + y * sin) / texture.size_px[0];
            let across = (y * cos - x * sin) / texture.size_px[1];
            factor += texture.contrast * f64::from(layered_noise(texture.seed, along, across, texture.layers));
        }
        self.level.map(|level| (level * factor as f32).max(0.0))
    }
}
