//! From a mote to its shadow, by brute force, in two independent ways.
//!
//! All lengths here are micrometres on the sensor. A point q of the glass, seen from a point u of the
//! exit pupil at distance P, falls on the sensor at `s q - s (h / P) u` with `s = 1 / (1 - h / P)`
//! (similar triangles); h is the stand-off.

pub mod fresnel;
mod grid;
mod integral;
pub mod pupil;

use rayon::prelude::*;

use crate::camera::{Camera, Lens, exact_f_number};
use crate::mote::Mote;
use grid::Raster;
use pupil::PupilImage;

/// How shadows are worked out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Straight rays from every part of the pupil.
    PupilIntegral,
    /// The wave behind the mote, propagated to the photosites, for every part of the pupil.
    Fresnel,
}

impl Mode {
    /// Its name in truth files.
    pub fn name(self) -> &'static str {
        match self {
            Mode::PupilIntegral => "pupil_integral",
            Mode::Fresnel => "fresnel",
        }
    }
}

/// The light lost in a window of the default crop, per colour.
#[derive(Debug, Clone)]
pub struct Shadow {
    /// The mote's number.
    pub id: u32,
    /// First column of the window (it may lie outside the picture).
    pub x: i64,
    /// First row.
    pub y: i64,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Relative loss, row by row, one plane each for red, green, blue. Negative in the bright ring.
    pub loss: [Vec<f32>; 3],
    /// Centroid of the stopped light, px of the default crop, pixel centres at .5.
    pub centre_px: [f64; 2],
    /// Area that stops light (integral of 1 - |transmission|^2), on the glass.
    pub blocked_area_um2: f64,
    /// Width of the pupil's image: the shadow of a very small mote, on the sensor.
    pub pupil_um: f64,
}

impl Shadow {
    /// Relative loss at a pixel of the default crop; 0 outside the window.
    pub fn loss_at(&self, colour: usize, x: i64, y: i64) -> f32 {
        let (column, row) = (x - self.x, y - self.y);
        let inside = (0..self.width as i64).contains(&column) && (0..self.height as i64).contains(&row);
        if inside { self.loss[colour][row as usize * self.width + column as usize] } else { 0.0 }
    }
}

/// All that shadows depend on besides the mote.
#[derive(Debug, Clone)]
pub struct View<'a> {
    /// The body.
    pub camera: &'a Camera,
    /// The lens.
    pub lens: &'a Lens,
    /// The f-number as marked.
    pub f_number: f64,
    /// The way of working.
    pub mode: Mode,
    /// Grid cells per pixel pitch are multiplied by this: 1 is fine enough for pictures.
    pub fineness: usize,
}

/// The shadows of all motes, in their order. Motes too far off the sensor to touch it are kept (empty ones cost
/// nothing) so that truth and motes agree in number.
pub fn shadows(view: &View, motes: &[Mote]) -> Vec<Shadow> {
    motes.par_iter().map(|mote| shadow(view, mote)).collect()
}

/// The shadow of one mote.
pub fn shadow(view: &View, mote: &Mote) -> Shadow {
    let camera = view.camera;
    let pitch = camera.pitch_um;
    let stand_off_um = mote.stand_off_mm.unwrap_or(camera.stand_off_mm) * 1000.0;
    let exit_pupil_um = view.lens.exit_pupil_mm * 1000.0;
    let scale = 1.0 / (1.0 - stand_off_um / exit_pupil_um);
    // Micrometres on the sensor per millimetre in the pupil.
    let lever = scale * stand_off_um / exit_pupil_um * 1000.0;
    let pupil_radius_mm = view.lens.exit_pupil_mm / (2.0 * exact_f_number(view.f_number));
    let mask = mote.shape.mask();

    let target_um = mote.shape.feature_um().clamp(1.1, 8.0);
    let per_pixel = ((pitch / target_um).ceil() as usize).max(1) * view.fineness;
    let cell_um = pitch / per_pixel as f64;
    let pupil = PupilImage::new(view.lens, pupil_radius_mm, lever, mote.at_mm);

    // Where the mote's place falls through the middle of the pupil, and how far the shadow reaches.
    let middle_um = [0, 1].map(|i| scale * mote.at_mm[i] * 1000.0 + pupil.middle_um[i]);
    let rings_um = match view.mode {
        Mode::PupilIntegral => 0.0,
        Mode::Fresnel => 5.0 * (0.55 * stand_off_um * scale).sqrt(),
    };
    let reach_um = scale * mask.reach_um + rings_um + 2.0 * pitch;
    let size = [camera.width, camera.height];
    let (mut first, mut pixels) = ([0i64; 2], [0usize; 2]);
    for axis in 0..2 {
        let middle_px = middle_um[axis] / pitch + size[axis] as f64 / 2.0;
        let low = ((pupil.bounds_um[axis].0 - reach_um) / pitch + middle_px).floor();
        let high = ((pupil.bounds_um[axis].1 + reach_um) / pitch + middle_px).ceil();
        pixels[axis] = match view.mode {
            Mode::PupilIntegral => (high - low) as usize,
            Mode::Fresnel => fresnel::transform_length(high - low, per_pixel),
        };
        first[axis] = low as i64 - (pixels[axis] as i64 - (high - low) as i64) / 2;
    }
    let place_um: [f64; 2] = std::array::from_fn(|i| middle_um[i] + (size[i] as f64 / 2.0 - first[i] as f64) * pitch);
    let raster = Raster::draw(&mask, place_um, scale, cell_um, pixels.map(|p| p * per_pixel));

    let fine: Vec<Vec<f32>> = match view.mode {
        Mode::PupilIntegral => vec![integral::loss(&raster, &pupil)],
        Mode::Fresnel => fresnel::loss(&raster, &pupil, stand_off_um * scale, &camera.spectrum),
    };
    let binned: Vec<Vec<f32>> = fine.iter().map(|plane| grid::binned(plane, raster.width, per_pixel)).collect();
    let loss = std::array::from_fn(|colour| binned[colour.min(binned.len() - 1)].clone());
    let centroid = raster.centroid_um(place_um);
    Shadow {
        id: mote.id,
        x: first[0],
        y: first[1],
        width: pixels[0],
        height: pixels[1],
        loss,
        centre_px: std::array::from_fn(|i| first[i] as f64 + (centroid[i] + pupil.centroid_um[i]) / pitch),
        blocked_area_um2: raster.stopped_um2() / (scale * scale),
        pupil_um: 2.0 * pupil_radius_mm * lever,
    }
}
