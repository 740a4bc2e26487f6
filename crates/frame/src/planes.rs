//! Light, plane by plane, and the tones through which codes stand for it.

use std::ops::{Deref, DerefMut, Range};
use std::sync::{Arc, OnceLock};

use rayon::prelude::*;

use crate::plane::Plane;
use crate::space::{Rect, Size};

/// A monotone table from stored code to linear light.
#[derive(Debug, Clone, PartialEq)]
pub struct Tone(Arc<[f32]>);

impl Tone {
    /// A tone from one linear value per code, code 0 first; it must not fall anywhere.
    pub fn new(table: Vec<f32>) -> Option<Self> {
        let rising = table.len() >= 2 && table.windows(2).all(|w| w[0] <= w[1]);
        rising.then(|| Tone(table.into()))
    }

    /// Linear light of a stored code; codes past the table read as its end.
    pub fn decode(&self, code: u16) -> f32 {
        self.0[usize::from(code).min(self.0.len() - 1)]
    }

    /// The stored code whose light lies nearest to `light`.
    pub fn encode(&self, light: f32) -> u16 {
        let above = self.0.partition_point(|&v| v < light).min(self.0.len() - 1);
        let below = above.saturating_sub(1);
        let nearest = if (light - self.0[below]).abs() < (self.0[above] - light).abs() { below } else { above };
        nearest as u16
    }

    /// Highest code.
    pub fn max_code(&self) -> u16 {
        (self.0.len() - 1) as u16
    }
}

/// Linear light of a picture, one plane per channel, all of one size.
///
/// A picture of 8 bits keeps its codes, a quarter of the memory: a pixel or a window is brought to light where it is looked at, and
/// whole planes are made when they are first asked for, that is when this is dereferenced.
#[derive(Debug, Clone)]
pub struct Planes(Kept);

#[derive(Debug, Clone)]
enum Kept {
    Light(Vec<Plane>),
    Codes(Codes),
}

#[derive(Debug, Clone)]
struct Codes {
    size: Size,
    /// Row by row, the channels of a pixel side by side.
    samples: Vec<u8>,
    /// One per channel.
    tones: Vec<Tone>,
    light: OnceLock<Vec<Plane>>,
}

impl From<Vec<Plane>> for Planes {
    fn from(planes: Vec<Plane>) -> Planes {
        Planes(Kept::Light(planes))
    }
}

impl Planes {
    /// Of a picture of 8 bits: codes row by row, those of a pixel side by side, and what they stand for, channel by channel.
    ///
    /// # Panics
    /// If there is not one sample per pixel and tone: a mistake of the caller's, never of a file's.
    pub fn of_codes(size: Size, samples: Vec<u8>, tones: Vec<Tone>) -> Planes {
        assert_eq!(samples.len(), size.area() * tones.len(), "planes hold one sample per pixel and channel");
        Planes(Kept::Codes(Codes { size, samples, tones, light: OnceLock::new() }))
    }

    /// How many there are. Makes none.
    #[expect(clippy::len_without_is_empty, reason = "there is always one")]
    pub fn len(&self) -> usize {
        match &self.0 {
            Kept::Light(planes) => planes.len(),
            Kept::Codes(codes) => codes.tones.len(),
        }
    }

    /// Width and height. Makes none.
    pub fn size(&self) -> Size {
        match &self.0 {
            Kept::Light(planes) => planes[0].size(),
            Kept::Codes(codes) => codes.size,
        }
    }

    /// Light of one pixel of plane `plane`. Makes none.
    pub fn at(&self, plane: usize, x: usize, y: usize) -> f32 {
        match &self.0 {
            Kept::Light(planes) => planes[plane].at(x, y),
            Kept::Codes(codes) => {
                let i = (y * codes.size.width + x) * codes.tones.len() + plane;
                codes.tones[plane].decode(codes.samples[i].into())
            }
        }
    }

    /// A copy of the light of plane `plane` under `window`, which must lie inside. Makes no whole plane.
    pub fn window(&self, plane: usize, window: Rect) -> Plane {
        match &self.0 {
            Kept::Light(planes) => planes[plane].window(window),
            Kept::Codes(codes) => codes.window(plane, window),
        }
    }

    /// The same of all planes.
    pub fn windows(&self, window: Rect) -> Vec<Plane> {
        (0..self.len()).map(|plane| self.window(plane, window)).collect()
    }
}

impl Codes {
    /// Light of a part of a row of one plane.
    fn light(&self, plane: usize, y: usize, columns: Range<usize>) -> impl Iterator<Item = f32> {
        let (tone, channels, row) = (&self.tones[plane], self.tones.len(), y * self.size.width);
        let codes = &self.samples[(row + columns.start) * channels..(row + columns.end) * channels];
        codes.iter().skip(plane).step_by(channels).map(|&code| tone.decode(code.into()))
    }

    fn window(&self, plane: usize, window: Rect) -> Plane {
        let mut light = Vec::with_capacity(window.size().area());
        (window.y..window.bottom()).for_each(|y| light.extend(self.light(plane, y, window.x..window.right())));
        Plane::from_vec(window.size(), light)
    }

    fn whole(&self) -> Vec<Plane> {
        let width = self.size.width;
        let plane = |plane: usize| {
            // From the system anew, which costs nothing until it is written to.
            let mut light = Plane::filled(self.size, 0.0);
            let rows = light.data_mut().par_chunks_exact_mut(width.max(1)).enumerate();
            rows.for_each(|(y, row)| row.iter_mut().zip(self.light(plane, y, 0..width)).for_each(|(l, v)| *l = v));
            light
        };
        (0..self.tones.len()).map(plane).collect()
    }
}

impl Deref for Planes {
    type Target = [Plane];

    fn deref(&self) -> &[Plane] {
        match &self.0 {
            Kept::Light(planes) => planes,
            Kept::Codes(codes) => codes.light.get_or_init(|| codes.whole()),
        }
    }
}

impl DerefMut for Planes {
    fn deref_mut(&mut self) -> &mut [Plane] {
        if let Kept::Codes(codes) = &mut self.0 {
            let light = codes.light.take().unwrap_or_else(|| codes.whole());
            self.0 = Kept::Light(light);
        }
        match &mut self.0 {
            Kept::Light(planes) => planes,
            Kept::Codes(_) => unreachable!("made light above"),
        }
    }
}

impl PartialEq for Planes {
    fn eq(&self, other: &Planes) -> bool {
        self[..] == other[..]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_the_same_light_pixel_by_pixel_window_by_window_and_whole() {
        let size = Size { width: 7, height: 5 };
        let tone = |power: f32| Tone::new((0..256).map(|c| (c as f32 / 255.0).powf(power)).collect()).expect("rising");
        let tones = vec![tone(2.2), tone(1.8), tone(1.0)];
        let samples: Vec<u8> = (0..size.area() * 3).map(|i| (i * 37 % 256) as u8).collect();
        let kept = Planes::of_codes(size, samples.clone(), tones.clone());
        let light = |plane: usize, x: usize, y: usize| tones[plane].decode(samples[(y * 7 + x) * 3 + plane].into());
        let window = Rect { x: 2, y: 1, width: 4, height: 3 };
        let windows = kept.windows(window);
        for (plane, x, y) in (0..3).flat_map(|p| (0..4).flat_map(move |x| (0..3).map(move |y| (p, x, y)))) {
            let wanted = light(plane, x + 2, y + 1);
            assert_eq!(windows[plane].at(x, y), wanted);
            assert_eq!(kept.at(plane, x + 2, y + 1), wanted);
            assert_eq!(kept[plane].at(x + 2, y + 1), wanted);
        }
        assert_eq!((kept.len(), kept.size()), (3, size));
        // What is changed is no code any more, and is kept.
        let mut changed = kept.clone();
        changed[1].set(3, 3, 0.123);
        assert_eq!((changed.at(1, 3, 3), changed.window(1, window).at(1, 2)), (0.123, 0.123));
        assert!(changed != kept && kept == Planes::from(kept.to_vec()));
    }
}
