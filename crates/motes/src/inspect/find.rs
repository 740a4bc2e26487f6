//! From candidate places to motes: stand-off, fits with the true shape, and what is believed.

use motelight_frame::{FNumber, Frame, Layout, Micrometres, Millimetres, Plane};
use rayon::prelude::*;

use crate::bank::{Bank, Shape};
use crate::diffraction::{Edge, Shadowing};
use crate::flat::Flat;
use crate::form::Form;
use crate::inspect::extended::Extent;
use crate::inspect::fit::{Dark, Fit, Spot, Wall, rough_spot};
use crate::inspect::scatter::{Scatter, TOP, tail, threshold, threshold_against};
use crate::inspect::seek::{Candidate, SEEK, ScaleNoise, Sought, seek};
use crate::inspect::stand_off::{self, Setting, StandOff, StandOffSource};
use crate::inspect::{InspectOptions, Kind};
use crate::measure::Estimate;

/// Answer of the search from which on a place may tell the stand-off.
const BRIGHT: f64 = 9.0;
/// Most candidates that are fitted.
const MOST: usize = 3000;
/// What is assumed of a picture that does not tell: only widths in pixels come of it.
const ASSUMED_PITCH: Micrometres = Micrometres(4.4);
const ASSUMED_F_NUMBER: f64 = 16.0;
/// Correlation with a round shadow beyond which nothing else looks so.
const ROUND_BEYOND_DOUBT: f64 = 0.98;
/// Signal-to-noise ratio from which on a round fit is a grain beyond doubt, whatever outline it lies in; twice that in a chain
/// of such. A guess.
pub(super) const SURE: f64 = 60.0;
/// Largest motes that are fitted as round.
pub(super) const LARGEST_ROUND: Micrometres = Micrometres(250.0);
/// Correlation of seen and fitted shape below which a spot is no round shadow.
pub(super) const ALIKE: f64 = 0.72;
/// The same from which on it is one, as far as that can be told.
pub(super) const ROUND: f64 = 0.93;

/// What was found in a frame.
#[derive(Debug, Clone)]
pub struct Found {
    /// The shadows.
    pub shadows: Vec<Shadow>,
    /// The stand-off they were fitted with.
    pub stand_off: StandOff,
    /// Blocked area of the smallest mote that would have been found with 99 % certainty, µm².
    pub floor_um2: Option<f64>,
    /// Signal-to-noise ratio from which on a shadow is believed; `None` where nothing was looked for.
    pub threshold_snr: Option<f64>,
    /// Noise of one pixel over the wall's light.
    pub grain: f64,
}

/// One shadow that is believed.
#[derive(Debug, Clone)]
pub struct Shadow {
    /// Where it stands and how much it blocks.
    pub spot: Spot,
    /// Standard errors of x, y (cells) and blocked area (µm²), the noise's correlation counted.
    pub errors: [f64; 3],
    /// Signal-to-noise ratio.
    pub snr: f64,
    /// Its own stand-off, where that fits clearly better than the frame's.
    pub own_height_mm: Option<Estimate>,
    /// Its outline, where it is no round shadow.
    pub extent: Option<Extent>,
    /// What casts it, where that was measured and is not round.
    pub form: Option<Form>,
    /// Correlation with a round shadow; 0 where it is none.
    pub likeness: f64,
    /// What it looks like.
    pub kind: Kind,
    /// Whether another shadow overlaps.
    pub merged: bool,
    /// Whether part of it lies outside.
    pub at_edge: bool,
}

impl Shadow {
    /// Whether it is as round as shadows are, beyond doubt.
    pub(super) fn is_sure(&self) -> bool {
        self.snr > SURE && self.likeness > ROUND_BEYOND_DOUBT
    }

    /// Whether a place lies in its outline.
    pub(super) fn holds(&self, spot: Spot, margin: isize) -> bool {
        self.extent.as_ref().is_some_and(|e| e.holds(spot.x, spot.y, margin))
    }

    /// Deepest loss of its outline.
    pub(super) fn depth(&self) -> f64 {
        self.extent.as_ref().map_or(1.0, |e| e.depth)
    }
}

impl Found {
    /// Nothing was looked for.
    pub fn nothing() -> Found {
        Found { shadows: Vec::new(), stand_off: StandOff::ASSUMED, floor_um2: None, threshold_snr: None, grain: 0.0 }
    }
}

/// Whether cells of one pixel are needed: shadows of the lowest stand-off would be under five pixels wide.
pub fn wants_fine_cells(frame: &Frame) -> bool {
    let pitch = frame.shot.pitch.map_or(ASSUMED_PITCH, |p| p.value);
    let f_number = frame.shot.f_number.map_or(ASSUMED_F_NUMBER, FNumber::exact);
    let small = frame.size().area() < 3_000_000;
    rendered(frame) && (small || 500.0 / f_number / pitch.0 < 5.0)
}

/// The optics of a frame; what it does not tell is assumed, and then only pixels count.
pub fn setting_of(frame: &Frame, flat: &Flat) -> Setting {
    let pitch = frame.shot.pitch.map_or(ASSUMED_PITCH, |p| p.value);
    let assumed = FNumber::new(ASSUMED_F_NUMBER).unwrap_or_else(|| unreachable!("f/16 is an f-number"));
    Setting {
        f_number: frame.shot.f_number.unwrap_or(assumed),
        colours: flat.colours,
        cell: pitch * flat.cell as f64,
        pixels: flat.cell,
    }
}

/// Searches a flattened wall for all that could be shadows.
pub fn sought(flat: &Flat, setting: &Setting) -> Sought {
    // A Gaussian of .35 of the pupil's image answers best to a small mote; from the lowest stand-off to the
    // widest motes that still have an edge.
    let cells = |um: f64| um / setting.cell.0;
    let smallest = (0.35 * cells(400.0 / setting.f_number.exact())).max(0.8);
    let largest = 0.4 * cells(4000.0 / setting.f_number.exact() + 150.0);
    seek(flat, smallest, largest.max(4.0 * smallest), SEEK, MOST)
}

/// The motes of a frame.
pub fn find(frame: &Frame, flat: &Flat, setting: &Setting, sought: &Sought, options: &InspectOptions) -> Found {
    let wall = Wall { flat, mask: &frame.mask, cell_um: setting.cell.0 };
    let rough: Vec<(Spot, f64)> =
        sought.candidates.iter().map(|c| (rough_spot(&wall, c.x, c.y, c.scale), c.snr)).collect();
    let bright = bright_of(&rough);
    let mut stand_off = stand_off::measure(&wall, setting, &bright);
    if rendered(frame) && setting.pupil_px(stand_off.height_mm.value) < NARROWEST_PX {
        stand_off = StandOff::ASSUMED;
    }
    let found = found_at(frame, &wall, setting, sought, &rough, stand_off, options);
    if stand_off.source == StandOffSource::Measured && !found.shadows.iter().any(|s| s.snr > BRIGHT) {
        // What the stand-off was measured by turned out to be no mote.
        return found_at(frame, &wall, setting, sought, &rough, StandOff::ASSUMED, options);
    }
    found
}

/// Pupil's image, px, below which a rendered picture tells no stand-off: demosaic and sharpening make as much of a single
/// dead photosite, with a rim like a shadow's. A guess.
const NARROWEST_PX: f64 = 3.5;

fn rendered(frame: &Frame) -> bool {
    !matches!(frame.layout, Layout::Mosaic(_))
}

/// Candidates bright enough to measure a stand-off by.
fn bright_of(rough: &[(Spot, f64)]) -> Vec<Spot> {
    rough.iter().filter(|(_, snr)| *snr > BRIGHT).map(|(s, _)| *s).collect()
}

/// The motes of a frame whose stand-off is known or assumed.
fn found_at(
    frame: &Frame,
    wall: &Wall,
    setting: &Setting,
    sought: &Sought,
    rough: &[(Spot, f64)],
    stand_off: StandOff,
    options: &InspectOptions,
) -> Found {
    let heights: Vec<f64> = match stand_off.source {
        StandOffSource::Measured => vec![stand_off.height_mm.value],
        // Nothing bright enough to tell: whichever of three fits a candidate best.
        StandOffSource::Assumed => [0.55, 1.0, 1.8].map(|k| k * stand_off.height_mm.value).to_vec(),
    };
    let banks: Vec<Bank> = heights
        .par_iter()
        .map(|&h| Bank::new(setting.shadowing(Millimetres(h), stand_off.edge), LARGEST_ROUND))
        .collect();
    // Every bank is one more look at each place.
    let threshold = threshold(sought.places * banks.len() as f64, options.false_motes);
    let pupil = banks[banks.len() - 1].shadowing().pupil.0 / wall.cell_um;
    let bright = sought.candidates.iter().filter(|c| c.snr > BRIGHT);
    let dark: Vec<Dark> = bright.map(|c| Dark { x: c.x, y: c.y, reach: 2.0 * pupil + 4.0 * c.scale }).collect();
    // A raw's noise is normal; what demosaic, codes and compression make of it is not.
    let rendered = rendered(frame);
    let tail_of = |bank: &Bank| if rendered { tail(wall, bank, &dark) } else { 1.0 };
    let scatter = banks.iter().map(|bank| Scatter::of(wall, bank, &dark, tail_of(bank))).collect();
    let lowest = (!rendered)
        .then(|| Bank::new(setting.shadowing(Millimetres(stand_off::LOWEST), stand_off.edge), LARGEST_ROUND));
    let mut finder = Finder {
        wall: *wall,
        banks: &banks,
        defect: defect_bank(setting),
        lowest,
        noise: &sought.noise,
        scatter,
        threshold,
    };
    if rendered {
        let against = finder.bright_answers(setting, &dark);
        finder.threshold = threshold.max(threshold_against(&against, frame.encoding.few_codes(), options.false_motes));
    }

    let starts: Vec<Spot> = rough.iter().map(|(s, _)| *s).collect();
    let mut believed = finder.settle(starts);
    // What stood in the light of a stronger neighbour shows once that is taken out.
    let hidden = finder.hidden(&believed);
    if !hidden.is_empty() {
        let all = believed.iter().map(|s| s.spot).chain(hidden).collect();
        believed = finder.settle(all);
    }
    let bright = sought.candidates.iter().take_while(|c| c.snr > 10.0);
    let broad: Vec<Candidate> =
        bright.filter(|c| c.scale > finder.widest_round() || !finder.explained(c, &believed)).copied().collect();
    believed.retain(|b| !finder.is_tinted(frame, b));
    let mut shadows = finder.shaped(&believed, &broad, setting, &stand_off);
    if options.forms {
        finder.form(&mut shadows, &believed, setting, &stand_off);
    }
    let grain = f64::from(wall.flat.sigma.median()) * wall.flat.cell as f64;
    Found { shadows, floor_um2: finder.floor_um2(), threshold_snr: Some(finder.threshold), stand_off, grain }
}

/// All that fits need.
pub(super) struct Finder<'a> {
    pub(super) wall: Wall<'a>,
    pub(super) banks: &'a [Bank],
    /// What a pixel defect looks like once a demosaic has spread it.
    defect: Bank,
    /// Shadows of the lowest glass there is; `None` where a defect cannot be told from them.
    lowest: Option<Bank>,
    pub(super) noise: &'a [ScaleNoise],
    scatter: Vec<Scatter>,
    pub(super) threshold: f64,
}

/// A fit with its error put right, and the bank it was made with.
#[derive(Debug, Clone, Copy)]
pub(super) struct Believed {
    pub(super) spot: Spot,
    pub(super) fit: Fit,
    pub(super) bank: usize,
    pub(super) snr: f64,
    pub(super) excess: f64,
}

impl Believed {
    /// Whether it is as round as shadows are and at least this strong.
    pub(super) fn is_sure(&self, snr: f64) -> bool {
        self.snr > snr && self.fit.likeness() > ROUND_BEYOND_DOUBT
    }
}

impl Finder<'_> {
    /// Fits all starts, each with the others taken out, and keeps those that are believed.
    fn settle(&self, starts: Vec<Spot>) -> Vec<Believed> {
        // Alone first: what falls away now need not be taken out of others.
        let mut believed = self.fitted(&starts, &[]);
        for _ in 0..2 {
            let spots: Vec<Spot> = believed.iter().map(|b| b.spot).collect();
            believed = self.fitted(&spots, &spots);
        }
        believed
    }

    fn fitted(&self, starts: &[Spot], others: &[Spot]) -> Vec<Believed> {
        let mut fits: Vec<Believed> = starts
            .par_iter()
            .enumerate()
            .filter_map(|(i, &start)| {
                let rest: Vec<Spot> =
                    others.iter().enumerate().filter(|&(j, o)| j != i && near(o, &start)).map(|(_, o)| *o).collect();
                self.best(start, &rest)
            })
            .filter(|b| b.snr > self.threshold && (b.fit.likeness() > ALIKE || b.snr > 12.0))
            .filter(|b| self.within(b))
            .collect();
        fits.sort_by(|a, b| b.snr.total_cmp(&a.snr).then(a.spot.y.total_cmp(&b.spot.y)));
        // Two fits that came to one place are one shadow.
        let mut kept: Vec<Believed> = Vec::new();
        for fit in fits {
            let apart = 0.3 * self.width(&fit);
            if !kept.iter().any(|k| (k.spot.x - fit.spot.x).hypot(k.spot.y - fit.spot.y) < apart.max(1.5)) {
                kept.push(fit);
            }
        }
        kept
    }

    /// The best of the banks for one place.
    fn best(&self, start: Spot, others: &[Spot]) -> Option<Believed> {
        let widest = &self.banks[self.banks.len() - 1];
        let radius = self.wall.radius(widest, start.area_um2);
        let fits = self.banks.iter().enumerate().filter_map(|(i, bank)| {
            let fit = self.wall.fit(bank, start, radius, others)?;
            Some((i, fit))
        });
        let (bank, fit) = fits.min_by(|a, b| a.1.chi2.total_cmp(&b.1.chi2))?;
        let defect = self.wall.fit(&self.defect, start, radius, others).filter(|d| d.chi2 + 4.0 < fit.chi2);
        if let Some(defect) = defect {
            // What lies under the glass casts a narrow shadow too: in a raw, where a defect is one photosite, that is told.
            let low = self.lowest.as_ref().and_then(|bank| self.wall.fit(bank, start, radius, others));
            if low.is_none_or(|low| defect.chi2 < low.chi2 + 4.0) {
                return None;
            }
        }
        let excess = self.scatter[bank].at(fit.spot.area_um2);
        Some(Believed { spot: fit.spot, fit, bank, snr: fit.snr / excess, excess })
    }

    /// Whether the centre lies in the picture, but for a tenth of the shadow: of one further out too little is seen to
    /// measure it by.
    fn within(&self, b: &Believed) -> bool {
        self.wall.holds(b.spot.x, b.spot.y, -0.1 * self.width(b))
    }

    /// The answers, strongest first, that places brighter than the wall give to the same questions: no mote makes these, so
    /// they tell how far answers reach where there is nothing. Left out are the surroundings of dark places.
    fn bright_answers(&self, setting: &Setting, dark: &[Dark]) -> Vec<f64> {
        let flat = self.wall.flat;
        let mirrored = Plane::from_vec(flat.size(), flat.loss.data().par_iter().map(|v| -v).collect());
        let mirror = Flat { loss: mirrored, ..flat.clone() };
        let wall = Wall { flat: &mirror, ..self.wall };
        let starts: Vec<Spot> = sought(&mirror, setting)
            .candidates
            .iter()
            .filter(|c| !dark.iter().any(|d| d.touches(c.x, c.y, 0.0)))
            .take(20 * TOP)
            .map(|c| rough_spot(&wall, c.x, c.y, c.scale))
            .collect();
        let finder = Finder {
            wall,
            defect: self.defect.clone(),
            lowest: None,
            scatter: self.scatter.clone(),
            threshold: 0.0,
            ..*self
        };
        finder.fitted(&starts, &[]).iter().map(|b| b.snr).collect()
    }

    /// Filter width, cells, that only things wider than a large round mote by half answer best to.
    pub(super) fn widest_round(&self) -> f64 {
        let pupil = self.banks[self.banks.len() - 1].shadowing().pupil.0;
        0.6 * pupil.hypot(100.0) / self.wall.cell_um
    }

    /// Whether a candidate stands in a round shadow that is believed, and such shadows make at least half of its answer.
    fn explained(&self, c: &Candidate, believed: &[Believed]) -> bool {
        let apart = |b: &&Believed| (b.spot.x - c.x).hypot(b.spot.y - c.y);
        let round = || believed.iter().filter(|b| b.fit.likeness() > ROUND);
        if !round().any(|b| apart(&b) < self.width(b)) {
            return false;
        }
        let reach = 3.0 * c.scale;
        let near: Vec<(Spot, Shape)> = round()
            .filter(|b| apart(b) < reach + self.width(b))
            .map(|b| (b.spot, self.banks[b.bank].shape(b.spot.area_um2)))
            .collect();
        let size = self.wall.flat.size();
        let step = (c.scale / 4.0).max(1.0);
        let places = |at: f64, end: usize| {
            let steps = (reach / step) as i32;
            (-steps..=steps).map(move |i| at + f64::from(i) * step).filter(move |v| *v >= 0.0 && *v < end as f64)
        };
        let (mut answer, mut made) = (0.0, 0.0);
        for y in places(c.y, size.height) {
            for x in places(c.x, size.width) {
                let weight = (-0.5 * ((x - c.x).powi(2) + (y - c.y).powi(2)) / (c.scale * c.scale)).exp();
                answer += weight * f64::from(self.wall.flat.loss.at(x as usize, y as usize));
                made += weight * self.lost_to(&near, x, y);
            }
        }
        made >= 0.5 * answer
    }

    /// Light that some shadows are modelled to take at a place, cells.
    fn lost_to(&self, shadows: &[(Spot, Shape)], x: f64, y: f64) -> f64 {
        shadows.iter().map(|(s, shape)| shape.at((x - s.x).hypot(y - s.y) * self.wall.cell_um).0).sum()
    }

    /// Rough width of a shadow, cells.
    pub(super) fn width(&self, b: &Believed) -> f64 {
        self.width_by(b.bank, b.spot.area_um2)
    }

    /// The same of any mote, by one of the banks.
    pub(super) fn width_by(&self, bank: usize, area_um2: f64) -> f64 {
        let pupil = self.banks[bank].shadowing().pupil.0;
        pupil.hypot(crate::optics::equivalent_diameter(area_um2).0) / self.wall.cell_um
    }

    /// Shadows beside those found, once these are taken out.
    fn hidden(&self, believed: &[Believed]) -> Vec<Spot> {
        let strong: Vec<&Believed> = believed.iter().filter(|b| b.snr > 10.0).collect();
        strong
            .par_iter()
            .flat_map_iter(|b| {
                let radius = 2.5 * self.wall.radius(&self.banks[b.bank], b.spot.area_um2);
                self.left_over(b.spot, radius, believed)
            })
            .collect()
    }

    /// The strongest place left in the window around a spot.
    fn left_over(&self, at: Spot, radius: f64, believed: &[Believed]) -> Option<Spot> {
        let flat = self.wall.flat;
        let size = flat.size();
        let clip = |v: f64, end: usize| v.clamp(0.0, end as f64) as usize;
        let (x0, x1) = (clip(at.x - radius, size.width), clip(at.x + radius, size.width));
        let (y0, y1) = (clip(at.y - radius, size.height), clip(at.y + radius, size.height));
        let near: Vec<_> = believed
            .iter()
            .filter(|b| (b.spot.x - at.x).hypot(b.spot.y - at.y) < 2.0 * radius)
            .map(|b| (b.spot, self.banks[b.bank].shape(b.spot.area_um2)))
            .collect();
        let window = motelight_frame::Size { width: x1 - x0, height: y1 - y0 };
        let mut loss = Plane::filled(window, 0.0f32);
        for y in 0..window.height {
            for x in 0..window.width {
                let (cx, cy) = ((x0 + x) as f64 + 0.5, (y0 + y) as f64 + 0.5);
                loss.set(x, y, flat.loss.at(x0 + x, y0 + y) - self.lost_to(&near, cx, cy) as f32);
            }
        }
        let small = Flat { loss, sigma: flat.sigma.clone(), backdrop: Vec::new(), ..*flat };
        let scale = 0.35 * self.banks[0].shadowing().pupil.0 / self.wall.cell_um;
        let found = seek(&small, scale, 2.0 * scale, self.threshold, 1);
        let c = found.candidates.first()?;
        let place = (c.x + x0 as f64, c.y + y0 as f64);
        // The rough area comes from what is left, not from the whole.
        let wall = Wall { flat: &small, ..self.wall };
        let rough = rough_spot(&wall, c.x, c.y, c.scale);
        Some(Spot { x: place.0, y: place.1, area_um2: rough.area_um2 })
    }

    /// Blocked area found with 99 % certainty: 2.33 standard errors of a small mote above the threshold.
    fn floor_um2(&self) -> Option<f64> {
        let last = self.banks.len() - 1;
        let bank = &self.banks[last];
        let certain =
            |area: f64| self.wall.expected_snr(bank, area) / self.scatter[last].at(area) >= self.threshold + 2.33;
        let (mut low, mut high) = (1.0, bank.largest_area_um2());
        if !certain(high) {
            return None;
        }
        while high > 1.001 * low {
            let middle = (low * high).sqrt();
            if certain(middle) { high = middle } else { low = middle }
        }
        Some(high)
    }
}

/// What a pixel defect looks like: no wider than two pixels.
fn defect_bank(setting: &Setting) -> Bank {
    let pixel = setting.cell.0 / setting.pixels as f64;
    let shadowing = setting.shadowing(Millimetres(0.1), Edge::RAYS);
    Bank::new(Shadowing { pupil: Micrometres(2.0 * pixel), ..shadowing }, Micrometres(2.0 * pixel))
}

/// Whether two spots can touch at all, in cells.
fn near(a: &Spot, b: &Spot) -> bool {
    (a.x - b.x).abs() < 150.0 && (a.y - b.y).abs() < 150.0
}
