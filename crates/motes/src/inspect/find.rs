//! From candidate places to motes: stand-off, fits with the true shape, and what is believed.

use motelight_frame::{FNumber, Frame, Layout, Micrometres, Millimetres};
use rayon::prelude::*;

use crate::bank::Bank;
use crate::diffraction::{Edge, Shadowing};
use crate::flat::Flat;
use crate::inspect::Kind;
use crate::inspect::extended::{Extent, extent_of};
use crate::inspect::fit::{Fit, Spot, Wall, mean_within, rough_spot};
use crate::inspect::scatter::{Scatter, excess_at, threshold};
use crate::inspect::seek::{Candidate, ScaleNoise, Sought, seek};
use crate::inspect::stand_off::{self, Setting, StandOff, StandOffSource};
use crate::measure::Estimate;

/// Answer of the search from which on a place is worth a fit: at 4.3 a 45-megapixel frame of noise gives some
/// hundred candidates per scale, and a shadow of SNR 8 is missed once in ten thousand times.
const SEEK: f64 = 4.3;
/// Most candidates that are fitted.
const MOST: usize = 3000;
/// What is assumed of a picture that does not tell: only widths in pixels come of it.
const ASSUMED_PITCH: Micrometres = Micrometres(4.4);
const ASSUMED_F_NUMBER: f64 = 16.0;
/// Largest motes that are fitted as round.
const LARGEST_ROUND: Micrometres = Micrometres(250.0);
/// Correlation of seen and fitted shape below which a spot is no round shadow.
const ALIKE: f64 = 0.72;

/// What was found in a frame.
#[derive(Debug, Clone)]
pub struct Found {
    /// The shadows.
    pub shadows: Vec<Shadow>,
    /// The stand-off they were fitted with.
    pub stand_off: StandOff,
    /// Blocked area of the smallest mote that would have been found with 99 % certainty, µm².
    pub floor_um2: Option<f64>,
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
    /// What it looks like.
    pub kind: Kind,
    /// Whether another shadow overlaps.
    pub merged: bool,
    /// Whether part of it lies outside.
    pub at_edge: bool,
}

impl Shadow {
    /// Whether a place lies in its outline.
    fn holds(&self, spot: Spot, margin: isize) -> bool {
        self.extent.as_ref().is_some_and(|e| e.holds(spot.x, spot.y, margin))
    }

    /// Deepest loss of its outline.
    fn depth(&self) -> f64 {
        self.extent.as_ref().map_or(1.0, |e| e.depth)
    }
}

impl Found {
    /// Nothing was looked for.
    pub fn nothing() -> Found {
        let stand_off =
            StandOff { height_mm: stand_off::ASSUMED, source: StandOffSource::Assumed, shadows: 0, edge: Edge::Wave };
        Found { shadows: Vec::new(), stand_off, floor_um2: None, grain: 0.0 }
    }
}

/// Whether cells of one pixel are needed: shadows of the lowest stand-off would be under five pixels wide.
pub fn wants_fine_cells(frame: &Frame) -> bool {
    let pitch = frame.shot.pitch.map_or(ASSUMED_PITCH, |p| p.value);
    let f_number = frame.shot.f_number.map_or(ASSUMED_F_NUMBER, FNumber::exact);
    let small = frame.size().area() < 3_000_000;
    !matches!(frame.layout, Layout::Mosaic(_)) && (small || 500.0 / f_number / pitch.0 < 5.0)
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
pub fn find(frame: &Frame, flat: &Flat, setting: &Setting, sought: &Sought, false_motes: f64) -> Found {
    let wall = Wall { flat, mask: &frame.mask, cell_um: setting.cell.0 };
    let rough: Vec<(Spot, f64)> =
        sought.candidates.iter().map(|c| (rough_spot(&wall, c.x, c.y, c.scale), c.snr)).collect();
    let bright: Vec<Spot> = rough.iter().filter(|(_, snr)| *snr > 9.0).map(|(s, _)| *s).collect();
    let stand_off = stand_off::measure(&wall, setting, &bright);
    let heights: Vec<f64> = match stand_off.source {
        StandOffSource::Measured => vec![stand_off.height_mm.value],
        // Nothing bright enough to tell: whichever of three fits a candidate best.
        StandOffSource::Assumed => [0.55, 1.0, 1.8].map(|k| k * stand_off.height_mm.value).to_vec(),
    };
    let banks: Vec<Bank> = heights
        .par_iter()
        .map(|&h| Bank::new(setting.shadowing(Millimetres(h), stand_off.edge), LARGEST_ROUND))
        .collect();
    let threshold = threshold(sought.places, false_motes);
    let rendered = !matches!(frame.layout, Layout::Mosaic(_));
    let scatter = banks.iter().map(|bank| Scatter::of(&wall, bank, &bright, rendered)).collect();
    let finder = Finder { wall, banks: &banks, defect: defect_bank(setting), noise: &sought.noise, scatter, threshold };

    let starts: Vec<Spot> = rough.into_iter().map(|(s, _)| s).collect();
    let mut believed = finder.settle(starts);
    // What stood in the light of a stronger neighbour shows once that is taken out.
    let hidden = finder.hidden(&believed);
    if !hidden.is_empty() {
        let all = believed.iter().map(|s| s.spot).chain(hidden).collect();
        believed = finder.settle(all);
    }
    // Wider than a large round mote by half.
    let widest = 0.6 * banks[banks.len() - 1].shadowing().pupil.0.hypot(100.0) / setting.cell.0;
    let broad: Vec<Candidate> =
        sought.candidates.iter().filter(|c| c.scale > widest && c.snr > 10.0).copied().collect();
    let shadows = finder.shaped(&believed, &broad, setting, &stand_off);
    let grain = f64::from(flat.sigma.median()) * flat.cell as f64;
    Found { shadows, floor_um2: finder.floor_um2(), stand_off, grain }
}

/// All that fits need.
struct Finder<'a> {
    wall: Wall<'a>,
    banks: &'a [Bank],
    /// What a pixel defect looks like once a demosaic has spread it.
    defect: Bank,
    noise: &'a [ScaleNoise],
    scatter: Vec<Scatter>,
    threshold: f64,
}

/// A fit with its error put right, and the bank it was made with.
#[derive(Debug, Clone, Copy)]
struct Believed {
    spot: Spot,
    fit: Fit,
    bank: usize,
    snr: f64,
    excess: f64,
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
        let defect = self.wall.fit(&self.defect, start, radius, others);
        if defect.is_some_and(|d| d.chi2 + 4.0 < fit.chi2) {
            return None;
        }
        let excess = self.scatter[bank].at(fit.spot.area_um2);
        Some(Believed { spot: fit.spot, fit, bank, snr: fit.snr() / excess, excess })
    }

    /// Rough width of a shadow, cells.
    fn width(&self, b: &Believed) -> f64 {
        let pupil = self.banks[b.bank].shadowing().pupil.0;
        pupil.hypot(crate::optics::equivalent_diameter(b.spot.area_um2).0) / self.wall.cell_um
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
        let mut loss = motelight_frame::Plane::filled(window, 0.0f32);
        for y in 0..window.height {
            for x in 0..window.width {
                let (cx, cy) = ((x0 + x) as f64 + 0.5, (y0 + y) as f64 + 0.5);
                let modelled: f64 =
                    near.iter().map(|(s, shape)| shape.at((cx - s.x).hypot(cy - s.y) * self.wall.cell_um).0).sum();
                loss.set(x, y, flat.loss.at(x0 + x, y0 + y) - modelled as f32);
            }
        }
        let small =
            Flat { cell: flat.cell, loss, sigma: flat.sigma.clone(), backdrop: Vec::new(), colours: flat.colours };
        let scale = 0.35 * self.banks[0].shadowing().pupil.0 / self.wall.cell_um;
        let found = seek(&small, scale, 2.0 * scale, self.threshold, 1);
        let c = found.candidates.first()?;
        let place = (c.x + x0 as f64, c.y + y0 as f64);
        // The rough area comes from what is left, not from the whole.
        let wall = Wall { flat: &small, ..self.wall };
        let rough = rough_spot(&wall, c.x, c.y, c.scale);
        Some(Spot { x: place.0, y: place.1, area_um2: rough.area_um2 })
    }

    /// What is no round shadow gets its outline measured; what is no shadow at all goes.
    fn shaped(
        &self,
        believed: &[Believed],
        broad: &[Candidate],
        setting: &Setting,
        stand_off: &StandOff,
    ) -> Vec<Shadow> {
        let shadowing = self.banks[self.banks.len() - 1].shadowing();
        let mut shadows: Vec<Shadow> = Vec::new();
        // Wide faint patches first: each answers in many places, but is one thing. What lies on them is taken out.
        let bare = if broad.is_empty() { None } else { Some(self.without(believed)) };
        for c in broad {
            let spot = Spot { x: c.x, y: c.y, area_um2: 1.0 };
            let Some(bare) = bare.as_ref().filter(|_| !shadows.iter().any(|s| s.holds(spot, 2))) else { continue };
            let wall = Wall { flat: bare, ..self.wall };
            let peak = mean_within(&wall, c.x, c.y, 0.5 * c.scale);
            let blur = (0.3 * c.scale) as usize;
            let Some(extent) = extent_of(&wall, spot, excess_at(self.noise, blur as f64), blur) else { continue };
            // A deep or narrow thing is a mote of its own, measured better below.
            let wide = extent.minor_um > 1.2 * shadowing.pupil.0 || extent.major_um > 3.0 * shadowing.pupil.0;
            if wide && peak < 0.15 && extent.snr() > self.threshold {
                shadows.push(self.free(extent, c.snr));
            }
        }
        for cluster in self.clusters(believed) {
            if !shadows.iter().any(|s| cluster.iter().any(|&i| s.holds(believed[i].spot, 2))) {
                shadows.extend(self.joined(&cluster, believed));
            }
        }
        let broad_count = shadows.len();
        for b in believed {
            // The ends of a faint patch fray: what stands by them, as faint, is part of it.
            let frayed = |s: &Shadow, depth: f64| {
                let margin = if depth < 1.5 * s.depth() && s.depth() < 0.1 { 3.0 * self.width(b) } else { 2.0 };
                s.holds(b.spot, margin as isize)
            };
            // On a faint patch a grain may lie, if it is much deeper; in another outline it is part of that.
            let depth = self.banks[b.bank].shape(b.spot.area_um2).at(0.0).0;
            let part = |(i, s): (usize, &Shadow)| frayed(s, depth) && (i >= broad_count || depth < 4.0 * s.depth());
            if shadows.iter().enumerate().any(part) {
                continue;
            }
            let likeness = b.fit.likeness();
            if likeness < 0.93 && b.snr > 12.0 {
                let pupil = self.banks[b.bank].shadowing().pupil.0;
                // The image of the pupil at the lowest glass there is: the measured height may be off.
                let narrowest = pupil * (stand_off::LOWEST / stand_off.height_mm.value).min(1.0);
                let found = extent_of(&self.wall, b.spot, b.excess, 1);
                // The pupil's image alone is b/2 wide in this measure: what is narrower by far is a defect or the wall's.
                if found.as_ref().is_some_and(|e| e.minor_um < 0.33 * narrowest)
                    || (found.is_none() && likeness < ALIKE)
                {
                    continue;
                }
                if let Some(extent) = found.filter(|e| e.is_long(pupil) || likeness < ALIKE) {
                    shadows.push(self.free(extent, b.snr));
                    continue;
                }
            }
            shadows.push(self.round(b, believed, setting, stand_off));
        }
        shadows
    }

    /// The wall with the round shadows that are sure taken out.
    fn without(&self, believed: &[Believed]) -> Flat {
        let mut flat = self.wall.flat.clone();
        let size = flat.size();
        for b in believed.iter().filter(|b| b.fit.likeness() > 0.9) {
            let bank = &self.banks[b.bank];
            let shape = bank.shape(b.spot.area_um2);
            let depth = shape.at(0.0).0;
            if depth < 0.03 {
                continue;
            }
            let radius = self.wall.radius(bank, b.spot.area_um2);
            let clip = |v: f64, end: usize| v.clamp(0.0, end as f64) as usize;
            for y in clip(b.spot.y - radius, size.height)..clip(b.spot.y + radius + 1.0, size.height) {
                for x in clip(b.spot.x - radius, size.width)..clip(b.spot.x + radius + 1.0, size.width) {
                    let r = (x as f64 + 0.5 - b.spot.x).hypot(y as f64 + 0.5 - b.spot.y) * self.wall.cell_um;
                    let passed = (1.0 - shape.at(r).0).max(0.05);
                    let loss = flat.loss.at(x, y);
                    flat.loss.set(x, y, 1.0 - (1.0 - loss) / passed as f32);
                }
            }
        }
        flat
    }

    /// Chains of overlapping spots of like depth: more than three such are no grains that fell side by side, but
    /// one streak, ring or fibre that round fits took apart.
    fn clusters(&self, believed: &[Believed]) -> Vec<Vec<usize>> {
        let depth: Vec<f64> = believed.iter().map(|b| self.banks[b.bank].shape(b.spot.area_um2).at(0.0).0).collect();
        let linked = |i: usize, j: usize| {
            let (a, b) = (&believed[i], &believed[j]);
            let apart = (a.spot.x - b.spot.x).hypot(a.spot.y - b.spot.y);
            let alike = depth[i].max(depth[j]) < 2.5 * depth[i].min(depth[j]);
            alike && apart < 0.8 * (self.width(a) + self.width(b))
        };
        let mut free: Vec<bool> = vec![true; believed.len()];
        let mut clusters = Vec::new();
        for first in 0..believed.len() {
            if !free[first] {
                continue;
            }
            free[first] = false;
            let mut cluster = vec![first];
            let mut next = 0;
            while next < cluster.len() {
                let from = cluster[next];
                for (j, free) in free.iter_mut().enumerate() {
                    if *free && linked(from, j) {
                        *free = false;
                        cluster.push(j);
                    }
                }
                next += 1;
            }
            // Two or three may be grains side by side, if they look like grains.
            if cluster.len() > 3 || cluster.len() > 1 && cluster.iter().any(|&i| believed[i].fit.likeness() < 0.9) {
                clusters.push(cluster);
            }
        }
        clusters
    }

    /// The outline that holds most of a cluster, at the least blur that does.
    fn joined(&self, cluster: &[usize], believed: &[Believed]) -> Option<Shadow> {
        let snr = cluster.iter().map(|&i| believed[i].snr * believed[i].snr).sum::<f64>().sqrt();
        let first = &believed[cluster[0]];
        [1, 2, 4, 7, 11].into_iter().find_map(|blur| {
            let extent = extent_of(&self.wall, first.spot, first.excess, blur)?;
            let held = cluster.iter().filter(|&&i| extent.holds(believed[i].spot.x, believed[i].spot.y, 2)).count();
            let one = cluster.len() > 3 || extent.is_long(self.banks[first.bank].shadowing().pupil.0);
            (one && 5 * held >= 4 * cluster.len()).then(|| self.free(extent, snr))
        })
    }

    /// A shadow by its outline.
    fn free(&self, extent: Extent, snr: f64) -> Shadow {
        let size = self.wall.flat.size();
        Shadow {
            spot: Spot { x: extent.x, y: extent.y, area_um2: extent.area_um2 },
            errors: [extent.x_error, extent.x_error, extent.area_error_um2],
            snr,
            own_height_mm: None,
            kind: extent.kind(self.banks[self.banks.len() - 1].shadowing().pupil),
            merged: false,
            at_edge: extent.touches(size),
            extent: Some(extent),
        }
    }

    /// A round shadow.
    fn round(&self, b: &Believed, believed: &[Believed], setting: &Setting, stand_off: &StandOff) -> Shadow {
        let size = self.wall.flat.size();
        let width = self.width(b);
        let own_height_mm = if b.snr > 20.0 && stand_off.source == StandOffSource::Measured {
            self.own_height(b, setting, stand_off)
        } else {
            None
        };
        let (x, y, half) = (b.spot.x, b.spot.y, 0.5 * width);
        Shadow {
            spot: b.spot,
            errors: b.fit.errors.map(|e| e * b.excess),
            snr: b.snr,
            own_height_mm,
            extent: None,
            kind: Kind::Grain,
            merged: believed.iter().any(|o| {
                let d = (o.spot.x - x).hypot(o.spot.y - y);
                d > 0.0 && d < 0.5 * (width + self.width(o))
            }),
            at_edge: x < half || y < half || x > size.width as f64 - half || y > size.height as f64 - half,
        }
    }

    /// The stand-off of one bright shadow, if it lies clearly below the frame's.
    fn own_height(&self, b: &Believed, setting: &Setting, stand_off: &StandOff) -> Option<Estimate> {
        let common = stand_off.height_mm;
        let likeness = b.fit.likeness();
        if likeness > 0.99 {
            return None;
        }
        let alone = stand_off::measure(&self.wall, setting, &[b.spot]);
        let own = alone.height_mm;
        let clear = alone.source == StandOffSource::Measured
            && own.value < 0.75 * common.value
            && common.value - own.value > 5.0 * own.sigma.hypot(common.sigma);
        clear.then_some(own)
    }

    /// Blocked area found with 99 % certainty: 2.33 standard errors of a small mote above the threshold.
    fn floor_um2(&self) -> Option<f64> {
        let last = self.banks.len() - 1;
        let shadowing = self.banks[last].shadowing();
        let sigma = f64::from(self.wall.flat.sigma.median());
        // 1.165: what a sloping backdrop fitted along costs (project optics notes, section 5).
        let one = crate::optics::area_at_snr_um2(1.165, sigma, Micrometres(self.wall.cell_um), shadowing.pupil);
        let excess = self.scatter[last].at(0.0);
        Some((self.threshold + 2.33) * one * excess / (shadowing.scale * shadowing.scale))
    }
}

/// What a pixel defect looks like: no wider than two pixels.
fn defect_bank(setting: &Setting) -> Bank {
    let pixel = setting.cell.0 / setting.pixels as f64;
    let shadowing = setting.shadowing(Millimetres(0.1), Edge::Geometric);
    Bank::new(Shadowing { pupil: Micrometres(2.0 * pixel), ..shadowing }, Micrometres(2.0 * pixel))
}

/// Whether two spots can touch at all, in cells.
fn near(a: &Spot, b: &Spot) -> bool {
    (a.x - b.x).abs() < 150.0 && (a.y - b.y).abs() < 150.0
}
