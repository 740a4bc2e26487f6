//! The stand-off of the glass, measured from the shadows of one frame.
//!
//! Every shadow holds the pupil's image, `b = h/N` wide, and the near-field pattern, `sqrt(l h)` wide. Each bright
//! shadow is fitted at several stand-offs; the sum of squared residuals has its least value near the true one, and
//! its curvature tells the uncertainty. All shadows are then pooled, so that single odd ones (irregular motes,
//! overlaps, motes under the glass) do not count.

use motelight_frame::{FNumber, Micrometres, Millimetres};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::bank::Bank;
use crate::density::normal;
use crate::diffraction::{Edge, Light, Shadowing};
use crate::inspect::fit::{Fit, Spot, Wall};
use crate::measure::Estimate;
use crate::optics::{area_at_snr_um2, equivalent_diameter, pupil_disc};

/// Where a stand-off comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StandOffSource {
    /// Measured from the shadows of this frame.
    Measured,
    /// Too little to measure it from: the middle of what bodies have, with a sigma that spans them.
    Assumed,
}

/// The air-equivalent height of the glass over the photosites.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct StandOff {
    /// Height, mm.
    pub height_mm: Estimate,
    /// Where it comes from.
    pub source: StandOffSource,
    /// Number of shadows it was measured from.
    pub shadows: usize,
    /// Whether the shadows' edges are those of waves or of rays, and through what pupil.
    #[serde(skip, default = "wave")]
    pub edge: Edge,
}

fn wave() -> Edge {
    Edge::WAVE
}

impl StandOff {
    /// Nothing told it.
    pub const ASSUMED: StandOff =
        StandOff { height_mm: ASSUMED, source: StandOffSource::Assumed, shadows: 0, edge: Edge::WAVE };
}

/// Range of stand-offs tried, mm: glass of "less than 1 mm to slightly more than 4 mm" over n = 1.5, and air
/// (lens-testing laboratory articles, 2014), with room to spare.
const RANGE: (f64, f64) = (0.3, 4.0);
/// What is assumed where nothing can be measured: a guess, the middle of that range.
pub const ASSUMED: Estimate = Estimate { value: 1.2, sigma: 0.6 };
/// Lower than any glass lies, mm: what looks so is a pixel defect.
pub const LOWEST: f64 = 0.35;
/// Most shadows that are pooled.
const MOST: usize = 24;
/// Shadows that are fitted to see which tell most, and how often: the window grows with what the last fit told.
const SIZED: usize = 10 * MOST;
const RESIZED: usize = 3;
/// Largest motes by which it is measured: wider ones hide the pupil's image.
const LARGEST: Micrometres = Micrometres(120.0);

/// Numbers of blades that are told apart: more look round.
const BLADES: [u8; 4] = [9, 7, 6, 5];
/// Twice the log likelihood that blades must gain over a round pupil: four standard deviations.
const CLEARLY: f64 = 16.0;
/// Shadows from which on they are asked for.
const BLADES_FROM: usize = 3;

/// The optics of a frame, with the stand-off left open.
#[derive(Debug, Clone)]
pub struct Setting {
    /// The f-number.
    pub f_number: FNumber,
    /// Weights of red, green and blue in the flattened wall.
    pub colours: [f64; 3],
    /// Side of a cell on the sensor.
    pub cell: Micrometres,
    /// Side of a cell, px.
    pub pixels: usize,
}

impl Setting {
    /// Diameter of the pupil's image at one stand-off, px.
    pub fn pupil_px(&self, height_mm: f64) -> f64 {
        height_mm * 1000.0 / self.f_number.exact() / self.cell.0 * self.pixels as f64
    }

    /// The shadows of this frame at one stand-off.
    pub fn shadowing(&self, height: Millimetres, edge: Edge) -> Shadowing {
        Shadowing::new(height, self.f_number, edge, Light::mixed(self.colours)).with_cell(self.cell)
    }
}

/// Measures the stand-off from candidate places, brightest first, with a rough blocked area each.
pub fn measure(wall: &Wall, setting: &Setting, bright: &[Spot]) -> StandOff {
    // What the picture's edge cuts tells less, and what converters make of an edge tells nothing.
    let room = 0.5 * 1000.0 * RANGE.1 / setting.f_number.exact() / wall.cell_um;
    let whole = bright.iter().filter(|s| wall.holds(s.x, s.y, room));
    let single: Vec<Spot> = whole.filter(|s| !is_piece(s, bright, 2.0 * room)).copied().collect();
    match measured(wall, setting, &single) {
        Some((edge, pooled)) if pooled.sigma < 0.12 => {
            StandOff { height_mm: pooled.estimate(), source: StandOffSource::Measured, shadows: pooled.shadows, edge }
        }
        _ => StandOff::ASSUMED,
    }
}

/// Whether a spot is a piece of something long or large, a streak or a ring: two others, none much smaller, lie within `near`
/// cells of it. Of grains that is so by chance of few.
fn is_piece(spot: &Spot, all: &[Spot], near: f64) -> bool {
    let beside = |o: &&Spot| {
        let apart = (o.x - spot.x).hypot(o.y - spot.y);
        apart > 0.0 && apart < near && o.area_um2 > 0.5 * spot.area_um2
    };
    all.iter().filter(beside).nth(1).is_some()
}

/// Measures the stand-off of one mote alone, however roughly.
pub fn measure_one(wall: &Wall, setting: &Setting, spot: Spot) -> Option<Estimate> {
    measured(wall, setting, &[spot]).map(|(_, pooled)| pooled.estimate())
}

fn measured(wall: &Wall, setting: &Setting, bright: &[Spot]) -> Option<(Edge, Pooled)> {
    if bright.is_empty() {
        return None;
    }
    // By rays and far apart first, then close around the best, by rays and by waves.
    let coarse: Vec<f64> = (0..10).map(|i| RANGE.0 * (RANGE.1 / RANGE.0).powf(f64::from(i) / 9.0)).collect();
    let light = Light::mixed(setting.colours).coarser();
    let brightest = &bright[..bright.len().min(MOST)];
    let first = Table::of(wall, setting, (Edge::RAYS, &light), &coarse, brightest).pooled()?;
    let sized = sized(wall, setting, (first.height, &light), bright);
    let bright: &[Spot] = &telling(wall, setting, first.height, &sized);
    let around = |middle: f64, ratio: f64| -> Vec<f64> { (-2..=2).map(|i| middle * ratio.powi(i)).collect() };
    let fine = |edge: Edge| -> Option<Table> {
        let rough = Table::of(wall, setting, (edge, &light), &around(first.height, 1.16), bright).pooled()?;
        Some(Table::of(wall, setting, (edge, &light), &around(rough.height, 1.07), bright))
    };
    let (rays, waves) = (fine(Edge::RAYS)?, fine(Edge::WAVE)?);
    let (round, table) = if rays.gain_over(&waves) > 0.0 { (Edge::RAYS, rays) } else { (Edge::WAVE, waves) };
    let pooled = table.pooled()?;
    // Whatever outline of the pupil explains the shadows best, by those of them that tell most.
    let asked: &[Spot] = &outlining(wall, setting, pooled.height, &sized);
    if asked.len() < BLADES_FROM {
        return Some((round, pooled));
    }
    let heights = around(pooled.height, 1.07);
    let tables =
        BLADES.map(|n| (round.bladed(n), Table::of(wall, setting, (round.bladed(n), &light), &heights, asked)));
    let same = Table::of(wall, setting, (round, &light), &heights, asked);
    let gains = tables.iter().map(|(edge, bladed)| (*edge, bladed.gain_over(&same)));
    let (edge, gain) = gains.fold((round, 0.0), |best, other| if other.1 > best.1 { other } else { best });
    // The height stays what a round pupil tells: blades also take up what other softness there is, and raise it.
    Some((if gain < CLEARLY { round } else { edge }, pooled))
}

/// The brightest shadows with the place and area that their fits tell, now that the height is roughly known: a window made for a
/// first guess may be far too small, and is made anew. What is not round keeps its guess; what came to one place is one shadow.
fn sized(wall: &Wall, setting: &Setting, (height_mm, light): (f64, &Light), bright: &[Spot]) -> Vec<Spot> {
    let shadowing = Shadowing { light: light.clone(), ..setting.shadowing(Millimetres(height_mm), Edge::RAYS) };
    let bank = Bank::new(shadowing, LARGEST);
    let fitted = |spot: &Spot| {
        let fit = (0..RESIZED).fold(None, |fit: Option<Fit>, _| {
            let from = fit.map_or(*spot, |f| f.spot);
            wall.fit(&bank, from, wall.radius(&bank, from.area_um2), &[])
        });
        fit.filter(|f| f.likeness() > ROUND).map_or(*spot, |f| f.spot)
    };
    let all: Vec<Spot> = bright[..bright.len().min(SIZED)].par_iter().map(fitted).collect();
    let mut kept: Vec<Spot> = Vec::new();
    for spot in all {
        let apart = 0.3 * wall.radius(&bank, spot.area_um2);
        if kept.iter().all(|k| (k.x - spot.x).hypot(k.y - spot.y) > apart) {
            kept.push(spot);
        }
    }
    kept
}

/// Of some shadows those that tell most of the height, now that it is roughly known: not the brightest, which are broad and ragged.
fn telling(wall: &Wall, setting: &Setting, height_mm: f64, bright: &[Spot]) -> Vec<Spot> {
    let pupil = pupil_disc(Millimetres(height_mm), setting.f_number);
    let expected = |s: &Spot| uncertainty(BY_NOISE / snr(wall, pupil, s), equivalent_diameter(s.area_um2).0 / pupil.0);
    foremost(bright, MOST, expected)
}

/// Of some shadows those that tell most of the pupil's outline: the brightest of motes no broader than its image.
fn outlining(wall: &Wall, setting: &Setting, height_mm: f64, bright: &[Spot]) -> Vec<Spot> {
    let pupil = pupil_disc(Millimetres(height_mm), setting.f_number);
    let narrow: Vec<Spot> = bright.iter().filter(|s| equivalent_diameter(s.area_um2).0 < pupil.0).copied().collect();
    foremost(&narrow, MOST / 2, |s| -snr(wall, pupil, s))
}

/// Signal-to-noise ratio of a shadow, by theory.
fn snr(wall: &Wall, pupil: Micrometres, spot: &Spot) -> f64 {
    let noise = f64::from(wall.flat.sigma.under(spot.x as usize, spot.y as usize));
    spot.area_um2 / area_at_snr_um2(1.0, noise, Micrometres(wall.cell_um), pupil)
}

/// The first `most` of some shadows in rising order.
fn foremost(spots: &[Spot], most: usize, order: impl Fn(&Spot) -> f64) -> Vec<Spot> {
    let mut all: Vec<(f64, Spot)> = spots.iter().map(|s| (order(s), *s)).collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all.into_iter().take(most).map(|(_, spot)| spot).collect()
}

/// How well each shadow is fitted at each stand-off.
struct Table {
    heights: Vec<f64>,
    /// One row per bright place; `None` where it could not be fitted at all heights.
    rows: Vec<Option<Row>>,
}

struct Row {
    /// Sum of squared residuals per height, over their variance.
    chi2: Vec<f64>,
    /// Cells less parameters.
    freedom: f64,
    /// Correlation of seen and fitted shape at the best height.
    likeness: f64,
    /// Diameter of the mote over that of the pupil's image there.
    breadth: f64,
}

struct Pooled {
    height: f64,
    /// Uncertainty of ln height.
    sigma: f64,
    shadows: usize,
}

impl Pooled {
    fn estimate(&self) -> Estimate {
        Estimate::new(self.height, self.height * self.sigma)
    }
}

/// Correlation below which a shadow is not round enough to measure by.
const ROUND: f64 = 0.9;
/// What the model does not know of one shadow, in ln height: blades of the pupil, vignetting, ragged edges. A guess,
/// from the widths of regular pentagons to heptagons against the disc of the same area.
const MODEL: f64 = 0.03;
/// The part of it that all shadows of a frame have in common, so that many of them do not make it smaller. A guess.
const COMMON: f64 = 0.01;
/// The same of a mote as broad as the pupil's image: its own ragged outline is taken for blur. It falls with the square of the
/// breadth, for a small mote's shadow has the outline of the pupil. A guess.
const RAGGED: f64 = 0.15;
/// What noise makes uncertain of one shadow at SNR 1, in ln height, of motes smaller than the pupil's image: as the fits of 1000
/// shadows of synthetic frames said.
const BY_NOISE: f64 = 0.5;

/// Uncertainty of what one shadow tells, in ln height: by noise, by what the model does not know, and by a ragged outline.
/// `breadth`: diameter of the mote over that of the pupil's image.
fn uncertainty(by_noise: f64, breadth: f64) -> f64 {
    by_noise.hypot(MODEL).hypot(RAGGED * breadth.powi(2).min(1.0))
}

/// Share of shadows that tell the common height: not those of odd motes, of overlapping ones, of ones under the glass. A guess.
const AGREE: f64 = 0.7;

impl Table {
    fn of(wall: &Wall, setting: &Setting, (edge, light): (Edge, &Light), heights: &[f64], bright: &[Spot]) -> Table {
        // No larger than what the areas, known roughly so far, can turn out to be.
        let largest = bright.iter().map(|s| equivalent_diameter(s.area_um2).0).fold(0.0, f64::max);
        let largest = Micrometres((1.6 * largest).clamp(40.0, LARGEST.0));
        let bank = |&h: &f64| {
            let shadowing = Shadowing { light: light.clone(), ..setting.shadowing(Millimetres(h), edge) };
            Bank::new(shadowing, largest)
        };
        let banks: Vec<Bank> = heights.par_iter().map(bank).collect();
        let last = &banks[banks.len() - 1];
        let row = |i: usize| -> Option<Row> {
            let spot = bright[i];
            // One window for all heights, or their residuals could not be compared.
            let radius = wall.radius(last, spot.area_um2);
            let others: Vec<Spot> = bright.iter().enumerate().filter(|&(j, _)| j != i).map(|(_, s)| *s).collect();
            // Each height starts where the one before it ended.
            let mut guess = spot;
            let fit = |bank| {
                let fit = wall.fit_from(bank, guess, spot, radius, &others)?;
                guess = fit.spot;
                Some(fit)
            };
            let fits: Vec<Fit> = banks.iter().map(fit).collect::<Option<Vec<_>>>()?;
            let (best, bank) = fits.iter().zip(&banks).min_by(|a, b| a.0.chi2.total_cmp(&b.0.chi2))?;
            Some(Row {
                chi2: fits.iter().map(|f| f.chi2).collect(),
                freedom: best.freedom,
                likeness: best.likeness(),
                breadth: equivalent_diameter(best.spot.area_um2).0 / bank.shadowing().pupil.0,
            })
        };
        let rows = (0..bright.len()).into_par_iter().map(row).collect();
        Table { heights: heights.to_vec(), rows }
    }

    /// How much less this table's shadows leave than the other's, each counted by its own scatter: twice the gain in log likelihood.
    fn gain_over(&self, other: &Table) -> f64 {
        let pairs = self.rows.iter().zip(&other.rows).filter_map(|(a, b)| a.as_ref().zip(b.as_ref()));
        pairs
            .filter(|(a, b)| a.likeness.max(b.likeness) > ROUND)
            .map(|(a, b)| {
                let scatter = (a.least().min(b.least()) / a.freedom).max(1.0);
                (b.least() - a.least()) / scatter
            })
            .sum()
    }

    /// The height that the round shadows agree on: each one's own best height, weighted by how well it can tell
    /// (its residuals' scatter counted), the odd ones left out.
    fn pooled(&self) -> Option<Pooled> {
        let round = self.rows.iter().flatten().filter(|r| r.likeness > ROUND);
        let own: Vec<(f64, f64)> = round
            .map(|row| {
                let (at, sigma) = self.least(&row.chi2);
                let by_noise = sigma * (row.least() / row.freedom).max(1.0).sqrt();
                (at, uncertainty(by_noise, row.breadth))
            })
            .filter(|o| o.1 < 0.5 && (LOWEST.ln()..RANGE.1.ln()).contains(&o.0))
            .collect();
        let weight = |o: &(f64, f64)| 1.0 / (o.1 * o.1);
        let middle = most_agree_on(&own)?;
        let kept: Vec<&(f64, f64)> = own.iter().filter(|o| (o.0 - middle).abs() < 3.0 * o.1 + 0.02).collect();
        // Shadows that agree on nothing measure nothing. Of pieces of something large, which all say something else, there may be
        // more than of grains: within three errors of a given one lies a tenth of what is anywhere in the range.
        let few = if kept.len() < 4 { 2 } else { 3 };
        if few * kept.len() < own.len() {
            return None;
        }
        let sum: f64 = kept.iter().map(|o| weight(o)).sum();
        let at = kept.iter().map(|o| weight(o) * o.0).sum::<f64>() / sum;
        Some(Pooled { height: at.exp(), sigma: (1.0 / sum).sqrt().hypot(COMMON), shadows: kept.len() })
    }

    /// Where in ln height a row is least, by the parabola through its least value and the two beside it, and the
    /// distance at which it has risen by 1.
    fn least(&self, row: &[f64]) -> (f64, f64) {
        let best = (0..row.len()).min_by(|&a, &b| row[a].total_cmp(&row[b])).unwrap_or(0);
        let i = best.clamp(1, row.len() - 2);
        let at = |j: usize| self.heights[j].ln();
        let step = at(i + 1) - at(i);
        let (left, middle, right) = (row[i - 1], row[i], row[i + 1]);
        let bend = (left + right - 2.0 * middle) / (step * step);
        if bend <= 1e-9 {
            return (at(best), f64::INFINITY);
        }
        let shift = ((left - right) / (2.0 * step * bend)).clamp(-1.5 * step, 1.5 * step);
        (at(i) + shift, (2.0 / bend).sqrt())
    }
}

/// The one of some values on which the others agree most, each within its error: the sum of logarithms of likelihoods, some of
/// them being about something else. Weights alone would let two sure ones that are wrong outvote ten (motes that let light through
/// are broader than opaque ones, and look as if they lay higher).
fn most_agree_on(own: &[(f64, f64)]) -> Option<f64> {
    let anything = (1.0 - AGREE) / (RANGE.1 / RANGE.0).ln();
    let agreement = |at: f64| -> f64 {
        let one = |(value, sigma): &(f64, f64)| (AGREE * normal(value - at, *sigma) + anything).ln();
        own.iter().map(one).sum()
    };
    let all = own.iter().map(|o| (o.0, agreement(o.0)));
    all.max_by(|a, b| a.1.total_cmp(&b.1)).map(|best| best.0)
}

impl Row {
    fn least(&self) -> f64 {
        self.chi2.iter().copied().fold(f64::MAX, f64::min)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As a streak, a strong grain with a bright ring's dark rim about it, and two grains side by side were told.
    #[test]
    fn what_lies_in_a_row_of_its_like_is_a_piece() {
        let streak =
            [(830.0, 114.0), (853.0, 129.0), (874.0, 141.0), (894.0, 165.0)].map(|(x, area_um2)| (x, 490.0, area_um2));
        let others = [
            (100.0, 100.0, 9000.0),
            (110.0, 108.0, 90.0),
            (92.0, 104.0, 80.0),
            (500.0, 60.0, 700.0),
            (520.0, 60.0, 650.0),
        ];
        let all: Vec<Spot> = streak.into_iter().chain(others).map(|(x, y, area_um2)| Spot { x, y, area_um2 }).collect();
        let pieces: Vec<bool> = all.iter().map(|s| is_piece(s, &all, 50.0)).collect();
        assert_eq!(pieces, [true, true, true, true, false, true, true, false, false]);
    }

    /// Heights and errors as shadows of a synthetic frame told them: broad ragged motes roughly, two small ones well, and two of
    /// oil, which look as if they lay higher, best. The glass lay at 0.903 mm; the median by weight says 1.45.
    #[test]
    fn a_few_sure_shadows_that_are_wrong_do_not_outvote_the_many() {
        let told = [(0.934, 0.16), (0.978, 0.16), (0.937, 0.16), (1.018, 0.17), (0.937, 0.16), (1.079, 0.18)];
        let told = told.into_iter().chain([(0.895, 0.055), (0.902, 0.055), (1.710, 0.041), (1.451, 0.043)]);
        let own: Vec<(f64, f64)> = told.map(|(h, sigma)| (libm::log(h), sigma)).collect();
        let height = libm::exp(most_agree_on(&own).expect("some"));
        assert!((height / 0.903 - 1.0).abs() < 0.05, "{height}");
    }
}
