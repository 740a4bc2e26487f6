//! The shadow each mote of a chart must cast in a given picture.

use motelight_frame::{Colour, FNumber, Frame, Micrometres, Millimetres};

use crate::bank::Bank;
use crate::diffraction::{Light, Shadowing};
use crate::mend::chart::{Chart, ChartMote};
use crate::optics::equivalent_diameter;

/// Largest motes that are taken for round, µm.
const LARGEST: f64 = 400.0;

/// Shadows of round motes as one picture shows them, for one stand-off.
#[derive(Debug, Clone)]
pub struct Casts {
    /// Height, mm.
    pub height: f64,
    /// Pixel pitch.
    pub pitch: Micrometres,
    /// In the light of a cell.
    pub mixed: Bank,
    /// In the light of each plane: one for a grey picture, else red, green, blue.
    pub colours: Vec<Bank>,
}

impl Casts {
    /// The shadows at `height` mm. `width` multiplies the pupil's image: 1 unless the picture showed otherwise.
    pub fn new(
        chart: &Chart,
        frame: &Frame,
        f_number: FNumber,
        setting: CastSetting,
        height: f64,
        width: f64,
    ) -> Casts {
        let largest = chart.motes.iter().map(diameter).fold(20.0, f64::max);
        let bank = |light: Light, cell: f64| {
            let mut shadowing =
                Shadowing::new(Millimetres(height), f_number, chart.edge, light).with_cell(setting.pitch * cell);
            shadowing.pupil = shadowing.pupil * width;
            // Dividing by a deep shadow raises its errors: a hundredth of the depth would show.
            Bank::finer(shadowing, Micrometres((1.3 * largest).min(LARGEST)), 4.0)
        };
        let colours = if frame.planes.len() == 1 && frame.layout == motelight_frame::Layout::Grey {
            vec![bank(Light::mixed([1.0, 2.0, 1.0]), 1.0)]
        } else {
            [Colour::Red, Colour::Green, Colour::Blue].map(|c| bank(Light::of(c), 1.0)).to_vec()
        };
        let mixed = bank(Light::mixed(setting.colours), setting.cell as f64);
        Casts { height, pitch: setting.pitch, mixed, colours }
    }

    /// Radius of the geometric edge of the shadow of a blocked area, px.
    pub fn edge_px(&self, area_um2: f64) -> f64 {
        0.5 * (equivalent_diameter(area_um2).0 + self.mixed.shadowing().pupil.0) / self.pitch.0
    }

    /// Width of the bright ring, px: `sqrt(l h)` at 0.55 µm.
    pub fn ring_px(&self) -> f64 {
        (0.55 * self.height * 1000.0).sqrt() / self.pitch.0
    }
}

/// What all casts of a picture share.
#[derive(Debug, Clone, Copy)]
pub struct CastSetting {
    /// Pixel pitch.
    pub pitch: Micrometres,
    /// Side of a cell, px.
    pub cell: usize,
    /// Weights of red, green, blue in a cell.
    pub colours: [f64; 3],
}

/// Diameter of the opaque disc of a mote's blocked area, µm.
pub fn diameter(mote: &ChartMote) -> f64 {
    equivalent_diameter(mote.blocked_area_um2.value).0
}
