//! A picture boiled down to what tracing needs: the logarithm of its light on cells, and where nothing can be measured.

use motelight_frame::{FNumber, Micrometres, Plane, Reduced, Shot, Size};

pub use motelight_frame::read::LN_STEPS as STEPS;
use motelight_frame::read::UNMEASURED;

/// Cells along a side of a patch that is sound or not as a whole.
pub const PATCH: usize = 8;
/// F-number taken where the picture does not tell: the middle of what shows motes. A guess; stand-offs measured
/// with it are off by the same factor.
pub const ASSUMED_F_NUMBER: f64 = 11.0;
/// Long side of the sensor taken where the picture tells no pixel pitch.
pub const ASSUMED_LONG_SIDE: Micrometres = Micrometres(36_000.0);

/// One picture of a shoot.
#[derive(Debug, Clone)]
pub struct View {
    /// Logarithm of the light per cell, [`STEPS`] to a unit; what cannot be measured repeats its neighbour.
    pub ln: Plane<i16>,
    /// Whether a patch of `PATCH` x `PATCH` cells holds more than a few cells that cannot be measured.
    pub unsound: Plane<bool>,
    /// Side of a cell, px.
    pub cell: usize,
    /// Size of the default crop, px.
    pub size: Size,
    /// Pixel pitch, µm.
    pub pitch_um: f64,
    /// The f-number, told or assumed.
    pub f_number: FNumber,
    /// The facts of the shot.
    pub shot: Shot,
    /// Pixels that look like defects, see [`Reduced::spikes`].
    pub spikes: Vec<(u32, u32)>,
    /// Noise over signal of a single pixel in the plain parts, taken as white.
    pub grain: f64,
}

impl View {
    /// Boils a picture down.
    pub fn of(reduced: Reduced) -> View {
        let Reduced { mut ln, cell, size, shot, spikes } = reduced;
        let cells = ln.size();
        let patches = Size { width: cells.width.div_ceil(PATCH), height: cells.height.div_ceil(PATCH) };
        let mut bad = vec![0u32; patches.area()];
        for y in 0..cells.height {
            let row = ln.row_mut(y);
            // The least number there is.
            if row.iter().fold(i16::MAX, |least, v| least.min(*v)) > UNMEASURED {
                continue;
            }
            let mut last = 0i16;
            let patch_row = y / PATCH * patches.width;
            for (x, v) in row.iter_mut().enumerate() {
                if *v == UNMEASURED {
                    bad[patch_row + x / PATCH] += 1;
                    *v = last;
                }
                last = *v;
            }
        }
        let few = (PATCH * PATCH / 16) as u32;
        let unsound = Plane::from_vec(patches, bad.into_iter().map(|n| n > few).collect());
        let pitch_um = pitch_of(&shot, size);
        let f_number = shot.f_number.or(FNumber::new(ASSUMED_F_NUMBER));
        let grain = grain(&ln, &unsound) * cell as f64;
        // The assumed number is one.
        let f_number = f_number.unwrap_or_else(|| unreachable!("f/11 is an f-number"));
        View { ln, unsound, cell, size, pitch_um, f_number, shot, spikes, grain }
    }

    /// Side of a cell on the sensor, µm.
    pub fn cell_um(&self) -> f64 {
        self.cell as f64 * self.pitch_um
    }

    /// How uneven the scene itself is around a shadow: root mean square deviation of the logarithm of light from a plane
    /// within `radius` cells of a place (cells), the shadow (`ln_lost` over the distance in cells) and the noise taken
    /// off. `None` where too little can be measured.
    pub fn unevenness(&self, at: (f64, f64), radius: f64, ln_lost: impl Fn(f64) -> f64) -> Option<f64> {
        let radius = radius.max(2.5);
        let size = self.ln.size();
        let span = |v: f64, end: usize| (v - radius).max(0.0) as usize..((v + radius).max(0.0) as usize + 1).min(end);
        // Sums for value = a + b x + c y over a disc, in which x and y are nearly independent.
        let mut points: Vec<(f64, f64, f64)> = Vec::new();
        let mut bad = 0usize;
        for j in span(at.1, size.height) {
            for i in span(at.0, size.width) {
                let (dx, dy) = (i as f64 + 0.5 - at.0, j as f64 + 0.5 - at.1);
                let r = dx.hypot(dy);
                if r > radius {
                    continue;
                }
                if self.unsound.at(i / PATCH, j / PATCH) {
                    bad += 1;
                } else {
                    points.push((dx, dy, f64::from(self.ln.at(i, j)) / f64::from(STEPS) + ln_lost(r)));
                }
            }
        }
        if points.len() < 8 || 3 * bad > points.len() {
            return None;
        }
        let n = points.len() as f64;
        let mean = |f: &dyn Fn(&(f64, f64, f64)) -> f64| points.iter().map(f).sum::<f64>() / n;
        let (x, y, v) = (mean(&|p| p.0), mean(&|p| p.1), mean(&|p| p.2));
        let slope =
            |of: &dyn Fn(&(f64, f64, f64)) -> f64| mean(&|p| of(p) * (p.2 - v)) / mean(&|p| of(p) * of(p)).max(1e-12);
        let (across, down) = (slope(&|p| p.0 - x), slope(&|p| p.1 - y));
        let variance = mean(&|p| (p.2 - v - across * (p.0 - x) - down * (p.1 - y)).powi(2));
        let noise = self.grain / self.cell as f64;
        Some((variance - noise * noise).max(0.0).sqrt())
    }

    /// A place on the sensor (mm from the centre) in cells from the picture's corner.
    pub fn cells_at(&self, at: (f64, f64)) -> (f64, f64) {
        let per_mm = 1000.0 / self.pitch_um;
        let cell = self.cell as f64;
        ((at.0 * per_mm + self.size.width as f64 / 2.0) / cell, (at.1 * per_mm + self.size.height as f64 / 2.0) / cell)
    }
}

/// Standard deviation of a cell from noise, relative to its light, in the plainest quarter of the picture: from second
/// differences along rows, of which texture over many cells is not part.
fn grain(ln: &Plane<i16>, unsound: &Plane<bool>) -> f64 {
    const SIDE: usize = 16;
    let mut variances = Vec::new();
    for y0 in (0..ln.height().saturating_sub(SIDE)).step_by(2 * SIDE) {
        for x0 in (0..ln.width().saturating_sub(SIDE)).step_by(2 * SIDE) {
            if unsound.at(x0 / PATCH, y0 / PATCH) || unsound.at((x0 + SIDE - 1) / PATCH, (y0 + SIDE - 1) / PATCH) {
                continue;
            }
            let mut sum = 0.0f32;
            for y in y0..y0 + SIDE {
                let row = &ln.row(y)[x0..x0 + SIDE];
                sum += row
                    .windows(3)
                    .map(|w| (f32::from(w[1]) - 0.5 * (f32::from(w[0]) + f32::from(w[2]))).powi(2))
                    .sum::<f32>();
            }
            variances.push(sum / (SIDE * (SIDE - 2)) as f32);
        }
    }
    if variances.is_empty() {
        return 0.01;
    }
    let at = variances.len() / 4;
    let quarter = *variances.select_nth_unstable_by(at, f32::total_cmp).1;
    // var(a - (b + c) / 2) = 1.5 var(a)
    (f64::from(quarter) / 1.5).sqrt() / f64::from(STEPS)
}

/// Side of the cells on which a picture is read, px: three cells to the narrowest shadow that a glass `lowest_mm` over the
/// photosites casts. Shadows of usual glass are then four to six cells wide, and lose a few hundredths of their signal.
pub fn cell_for(shot: &Shot, size: Size, lowest_mm: f64) -> usize {
    let n = shot.f_number.map_or(ASSUMED_F_NUMBER, FNumber::exact);
    ((lowest_mm * 1000.0 / n / 3.0 / pitch_of(shot, size)) as usize).clamp(1, 12)
}

/// Pixel pitch of a picture, µm: told, or from a long side of 36 mm, by which places are right but not to scale.
pub fn pitch_of(shot: &Shot, size: Size) -> f64 {
    let long = size.width.max(size.height).max(1) as f64;
    shot.pitch.map_or(ASSUMED_LONG_SIDE.0 / long, |p| p.value.0)
}
