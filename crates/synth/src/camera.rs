//! Body and lens: everything of them that leaves a mark in a file or in a shadow.

/// A camera body.
#[derive(Debug, Clone)]
pub struct Camera {
    /// Maker, as Exif has it.
    pub make: String,
    /// Model, as Exif has it.
    pub model: String,
    /// Serial number; also what its sensor's own faults are drawn from. `None` is left out of the files.
    pub serial: Option<String>,
    /// Width of the default crop, px.
    pub width: usize,
    /// Height of the default crop, px.
    pub height: usize,
    /// Photosites around the default crop.
    pub borders: Borders,
    /// Pixel pitch.
    pub pitch_um: f64,
    /// Stand-off of the cover glass.
    pub stand_off_mm: f64,
    /// Electrons at white level at the base ISO.
    pub full_well_e: f64,
    /// Read noise, electrons.
    pub read_noise_e: f64,
    /// ISO at which the full well reaches the white level.
    pub base_iso: f64,
    /// Bits of a raw sample.
    pub bits: u8,
    /// Black level, codes.
    pub black: u16,
    /// White level, codes.
    pub white: u16,
    /// Colours of the photosites.
    pub cfa: Cfa,
    /// What each colour sees of white light, relative to green.
    pub neutral: [f64; 3],
    /// Wavelengths in nm and their weights, per colour; weights sum to 1.
    pub spectrum: [Vec<(f64, f64)>; 3],
    /// Spread of the photosites' sensitivity, relative.
    pub prnu: f64,
    /// Photosites stuck bright, per million.
    pub hot_per_million: f64,
    /// Photosites stuck dark, per million.
    pub dead_per_million: f64,
}

/// Rows and columns of the mosaic outside the default crop.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Borders {
    /// Light-shielded columns at the left.
    pub masked_left: usize,
    /// Light-shielded rows at the top.
    pub masked_top: usize,
    /// Lit photosites between the shielded ones and the default crop, and on its far sides.
    pub lit: usize,
}

/// Colours of the photosites: 0 red, 1 green, 2 blue, from the first photosite of the mosaic.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cfa {
    /// Columns of one repeat.
    pub width: usize,
    /// Rows of one repeat.
    pub height: usize,
    /// One colour per photosite of the repeat, row by row.
    pub colours: Vec<u8>,
}

impl Cfa {
    /// The pattern written as letters, e.g. `RGGB`; its length must be the square of its side.
    pub fn new(letters: &str) -> Option<Self> {
        let colours: Option<Vec<u8>> = letters.chars().map(|c| "RGB".find(c).map(|i| i as u8)).collect();
        let colours = colours?;
        let side = (1..=8).find(|s| s * s == colours.len())?;
        Some(Cfa { width: side, height: side, colours })
    }

    /// Colour of a photosite of the mosaic.
    pub fn colour(&self, x: usize, y: usize) -> usize {
        usize::from(self.colours[(y % self.height) * self.width + x % self.width])
    }
}

impl Camera {
    /// An ordinary body of an invented maker, of the given crop size.
    pub fn new(width: usize, height: usize, pitch_um: f64) -> Self {
        let even = |nm: [f64; 3]| nm.iter().map(|&l| (l, 1.0 / 3.0)).collect();
        Camera {
            make: "Halden".into(),
            model: "Halden H2".into(),
            serial: Some("H2-004217".into()),
            width,
            height,
            borders: Borders::default(),
            pitch_um,
            stand_off_mm: 1.5,
            full_well_e: 40_000.0,
            read_noise_e: 3.0,
            base_iso: 100.0,
            bits: 14,
            black: 512,
            white: 16_000,
            cfa: Cfa { width: 2, height: 2, colours: vec![0, 1, 1, 2] },
            neutral: [0.52, 1.0, 0.66],
            spectrum: [even([580.0, 610.0, 645.0]), even([505.0, 535.0, 570.0]), even([435.0, 460.0, 485.0])],
            prnu: 0.003,
            hot_per_million: 3.0,
            dead_per_million: 2.0,
        }
    }

    /// Width of the whole mosaic.
    pub fn mosaic_width(&self) -> usize {
        self.borders.masked_left + 2 * self.borders.lit + self.width
    }

    /// Height of the whole mosaic.
    pub fn mosaic_height(&self) -> usize {
        self.borders.masked_top + 2 * self.borders.lit + self.height
    }

    /// First column and row of the default crop in the mosaic.
    pub fn crop_origin(&self) -> (usize, usize) {
        (self.borders.masked_left + self.borders.lit, self.borders.masked_top + self.borders.lit)
    }

    /// Electrons at the white level at an ISO setting.
    pub fn electrons_at_white(&self, iso: f64) -> f64 {
        self.full_well_e * self.base_iso / iso
    }
}

/// A lens, as far as it shapes shadows.
#[derive(Debug, Clone)]
pub struct Lens {
    /// Name, as Exif has it.
    pub model: String,
    /// Focal length.
    pub focal_length_mm: f64,
    /// Distance from the sensor to the exit pupil.
    pub exit_pupil_mm: f64,
    /// Aperture blades, `None` for a round opening.
    pub blades: Option<Blades>,
    /// An outer rim that cuts the pupil towards the corners.
    pub rim: Option<Rim>,
    /// Sideways shift of the pupil against the sensor's centre, picture axes.
    pub shift_mm: [f64; 2],
    /// Light lost in the corner by the lens, 0 to 1, cos^4-like.
    pub falloff: f64,
}

/// A polygon of straight blades.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blades {
    /// How many.
    pub count: u32,
    /// Direction of the first corner, radians.
    pub rotation: f64,
}

/// A round rim elsewhere in the lens; seen from off the axis it slides over the pupil (the cat's eye).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rim {
    /// Its radius as seen at the pupil.
    pub radius_mm: f64,
    /// How far it slides per mm off the sensor's centre, mm.
    pub slide: f64,
}

impl Lens {
    /// A round pupil at this distance.
    pub fn new(exit_pupil_mm: f64) -> Self {
        Lens {
            model: "Ornell 50mm f/2".into(),
            focal_length_mm: 50.0,
            exit_pupil_mm,
            blades: None,
            rim: None,
            shift_mm: [0.0, 0.0],
            falloff: 0.15,
        }
    }
}

/// The f-number a marking stands for: the nearest of the series 2^(k/6) and 2^(k/4) of ISO 517:2008
/// (22 is 22.627); a number that lies far from all of them is taken as it is.
pub fn exact_f_number(marked: f64) -> f64 {
    let stops = 2.0 * marked.log2();
    let nearest = |step: f64| (stops * step).round() / step;
    let (third, half) = (nearest(3.0), nearest(2.0));
    let best = if (third - stops).abs() <= (half - stops).abs() { third } else { half };
    if (best - stops).abs() < 0.11 { 2f64.powf(best / 2.0) } else { marked }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 517:2008, as tabled there: full stops 2^(k/2), thirds 2^(k/6).
    #[test]
    fn marked_apertures_stand_for_the_exact_series() {
        let table = [
            (2.8, 2.8284),
            (5.6, 5.6569),
            (11.0, 11.3137),
            (22.0, 22.6274),
            (13.0, 12.70),
            (14.0, 14.25),
            (18.0, 17.96),
        ];
        for (marked, exact) in table {
            assert!((exact_f_number(marked) - exact).abs() < 0.006, "f/{marked}");
        }
    }
}
