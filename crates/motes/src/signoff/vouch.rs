//! What a picture can vouch for.

use motelight_frame::Size;

use super::levels::Level;
use super::result::Vouch;
use super::seek::{RESPONSE_OF_DISC, Responses};
use super::{Eye, SNR};
use crate::visibility::{Medium, Viewing};

/// Side of a pixel, arcmin, from which a picture is too small for a viewing: twice what an eye of normal acuity
/// resolves (1 arcmin, ISO 8596 acuity 1.0, from memory); the pixels themselves would be seen. A guess.
const COARSEST: f64 = 2.0;
/// A block is plain where responses to a shadow stay below so much of the light: a shadow of twice that shows.
const PLAIN: f64 = 0.02;
/// Light below which nothing shows, white = 1: the blacks of a print (ISO 3664 viewing, a guess).
const DARK: f64 = 0.005;
/// Share of the picture that must be light enough, and of it what must be plain for a bound to be told. A guess.
const LEAST: f64 = 0.01;

/// What was noted of one width.
struct Noted {
    width_px: f64,
    /// Light and usual contrast by block.
    blocks: Vec<(f64, f64)>,
}

/// The notes taken while a picture is looked over.
pub(super) struct Tally {
    size: Size,
    noted: Vec<Noted>,
}

impl Tally {
    pub fn new(size: Size) -> Tally {
        Tally { size, noted: Vec::new() }
    }

    /// Takes a note of one width.
    pub fn note(&mut self, level: &Level, responses: &Responses) {
        let grid = &responses.usual;
        let Size { width, height } = level.light.size();
        let at = |i: usize| {
            let (bx, by) = (i % grid.size().width, i / grid.size().width);
            let x = ((2 * bx + 1) * width / (2 * grid.size().width)).min(width - 1);
            let y = ((2 * by + 1) * height / (2 * grid.size().height)).min(height - 1);
            (f64::from(level.light.at(x, y)), f64::from(grid.values()[i]) / RESPONSE_OF_DISC)
        };
        let blocks = (0..grid.size().area()).map(at).collect();
        self.noted.push(Noted { width_px: responses.width * level.cell as f64, blocks });
    }

    /// By viewing, what the picture can vouch for.
    pub fn vouches(&self, viewings: &[Viewing], eye: &Eye) -> Vec<Vouch> {
        viewings.iter().enumerate().map(|(i, v)| self.vouch(v, &Eye { viewings: vec![eye.viewings[i]] })).collect()
    }

    fn vouch(&self, viewing: &Viewing, eye: &Eye) -> Vouch {
        let arcmin = eye.viewings[0].0;
        let ppi = match viewing.medium {
            Medium::Screen { ppi } => ppi,
            Medium::Print(_) => {
                let mm = arcmin * viewing.distance.0 / (60.0 * 180.0 / std::f64::consts::PI);
                25.4 / mm
            }
        };
        // Found in nine of ten: 1.28 sigma over the bound.
        let found = |sigma: f64| (SNR + 1.28) * sigma;
        let (mut plain_share, mut lit_share): (f64, f64) = (0.0, 0.0);
        let mut worst: f64 = 0.0;
        for noted in &self.noted {
            let of_all = |n: usize| n as f64 / noted.blocks.len().max(1) as f64;
            let lit = noted.blocks.iter().filter(|b| b.0 > DARK);
            lit_share = lit_share.max(of_all(lit.clone().count()));
            let mut times: Vec<f64> =
                lit.filter(|b| b.1 < PLAIN).map(|b| found(b.1) / eye.noticed(noted.width_px, b.0, b.1)).collect();
            plain_share = plain_share.max(of_all(times.len()));
            if times.is_empty() {
                continue;
            }
            times.sort_by(f64::total_cmp);
            worst = worst.max(times[times.len() * 9 / 10].max(0.0));
        }
        // Detail all over is an answer: no shadow shows in it. Darkness, and pixels that show by themselves, are none.
        let judged = arcmin <= COARSEST && lit_share >= LEAST && self.size.area() > 0;
        let finds_from_times_threshold = (plain_share >= LEAST).then_some(worst);
        Vouch { viewing: *viewing, ppi, plain_share, finds_from_times_threshold, judged }
    }
}
