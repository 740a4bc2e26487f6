//! What found shadows look like: round ones stay as fitted, others get their outline measured.

use std::cell::LazyCell;

use motelight_frame::Millimetres;

use crate::bank::Bank;
use crate::flat::Flat;
use crate::inspect::Kind;
use crate::inspect::extended::{Extent, extent_of};
use crate::inspect::find::{ALIKE, Believed, Finder, LARGEST_ROUND, ROUND, SURE, Shadow};
use crate::inspect::fit::{Spot, Wall, mean_within};
use crate::inspect::scatter::excess_at;
use crate::inspect::seek::Candidate;
use crate::inspect::stand_off::{self, Setting, StandOff, StandOffSource};
use crate::measure::Estimate;

/// Share of a round shadow's depth that its fit may leave over around it: its first bright ring is a twentieth deep
/// (project optics notes, section 2.8), and compression and a mote's own form move it. A guess.
const MISFIT: f64 = 0.08;

/// Light lost in an outline over what round fits in it explain, from which on it is one thing that they took apart: grains
/// side by side leave their rings. A guess.
const UNEXPLAINED: f64 = 1.35;

/// Cells across from which on an outline tells width and depth: it is of averages over three. A guess.
const RESOLVED: f64 = 6.0;

/// Answer of the search from which on something lies there, whatever it looks like. A guess.
const PLAIN: f64 = 20.0;

/// Greatest depth of a faint patch: a drying ring or a streak of fluid takes a few per cent of the light. A guess.
const FAINT: f64 = 0.15;

impl Finder<'_> {
    /// What is no round shadow gets its outline measured; what is no shadow at all goes.
    pub(super) fn shaped(
        &self,
        believed: &[Believed],
        broad: &[Candidate],
        setting: &Setting,
        stand_off: &StandOff,
    ) -> Vec<Shadow> {
        // Two standard deviations of the pupil's image are half as wide as it; what is narrower by far than that of the
        // lowest glass there is, is a defect or the wall's. The measured height may be off.
        let height = Millimetres(stand_off.height_mm.value.min(stand_off::LOWEST));
        let narrowest = 0.33 * setting.shadowing(height, stand_off.edge).pupil.0;
        let clusters = self.clusters(believed);
        // A piece of a fibre may look round by chance.
        let single = |i: usize| clusters.iter().all(|c| c.len() < 4 || !c.contains(&i));
        let sure = |i: usize, b: &Believed| b.is_sure(if single(i) { SURE } else { 2.0 * SURE });
        let sure: Vec<bool> = believed.iter().enumerate().map(|(i, b)| sure(i, b)).collect();
        let clear = self.without(believed.iter().zip(&sure).filter(|(_, sure)| **sure).map(|(b, _)| b));
        let clear = Wall { flat: &clear, ..self.wall };
        let mut shadows = self.patches(believed, broad, &clear, narrowest);
        let mut joined: Vec<Shadow> = Vec::new();
        for cluster in clusters {
            // What is told of it already may be an arc of a ring, say: a part of the whole, which then stands for it.
            let holds = |s: &Shadow| cluster.iter().any(|&i| s.holds(believed[i].spot, 2));
            let length = |s: &Shadow| s.extent.as_ref().map_or(0.0, |e| e.major_um);
            let told = shadows.iter().chain(&joined).filter(|s| holds(s)).map(length).fold(0.0, f64::max);
            if let Some(whole) = self.joined(&cluster, believed, &clear).filter(|w| told < 0.8 * length(w)) {
                shadows.retain(|s| !holds(s));
                joined.retain(|s| !holds(s));
                joined.push(whole);
            }
        }
        let patches = shadows.len();
        shadows.extend(joined);
        let half = LazyCell::new(|| {
            let height = Millimetres(0.5 * stand_off.height_mm.value);
            Bank::new(setting.shadowing(height, stand_off.edge), LARGEST_ROUND)
        });
        for (b, sure) in believed.iter().zip(sure) {
            let depth = self.banks[b.bank].shape(b.spot.area_um2).at(0.0).0;
            let round = b.snr > 12.0 && b.fit.likeness() > 0.95;
            // On a faint patch a grain may lie, if it is much deeper or clearly round; in another outline it is part of that. A
            // piece of a ring's rim or of a fibre, which are as broad as the pupil's image, looks round too.
            let thin = |s: &Shadow| !matches!(s.kind, Kind::Residue | Kind::Oil);
            let least = |i: usize, s: &Shadow| {
                if round && s.depth() < FAINT {
                    if thin(s) { 2.0 } else { 1.0 }
                } else if i < patches {
                    4.0
                } else {
                    f64::INFINITY
                }
            };
            // Taken out as if it were a grain, a piece leaves a gap in the outline.
            let gap = ((0.3 * self.width(b)) as isize).max(2);
            let margin = |s: &Shadow| if thin(s) { gap } else { 2 };
            // The ends of a faint patch fray: what stands by them, as faint and not clearly round, is part of it.
            let frayed = |s: &Shadow| {
                let reach = (3.0 * self.width(b)) as isize;
                !round && s.depth() < 0.1 && depth < 1.5 * s.depth() && s.holds(b.spot, reach)
            };
            let part =
                |(i, s): (usize, &Shadow)| s.holds(b.spot, margin(s)) && depth < least(i, s) * s.depth() || frayed(s);
            if !sure && shadows.iter().enumerate().any(part) {
                continue;
            }
            let likeness = b.fit.likeness();
            // Too narrow for the common height, it may be round at its own.
            let narrow = stand_off.source == StandOffSource::Measured && b.snr > 20.0 && likeness < 0.99;
            if let Some(lower) = narrow.then(|| self.lower(b, setting, stand_off, &half)).flatten() {
                let round = self.round(&lower.believed, believed);
                shadows.push(Shadow { own_height_mm: Some(lower.height_mm), ..round });
                continue;
            }
            let found = (b.snr > 12.0).then(|| extent_of(&self.wall, b.spot, b.excess, 1)).flatten();
            let wide = |e: &&Extent| e.width_um > RESOLVED * self.wall.cell_um;
            let more = found.as_ref().filter(wide).filter(|e| is_more(e, b, believed));
            let on_another = || shadows.iter().any(|s| s.holds(b.spot, 2));
            if let Some(extent) = more.filter(|_| !on_another()) {
                take_in(&mut shadows, self.free(extent.clone(), b.snr));
                continue;
            }
            if likeness < ROUND && b.snr > 12.0 {
                let pupil = self.banks[b.bank].shadowing().pupil.0;
                if found.as_ref().is_some_and(|e| runs_into(e, b.snr, believed)) {
                    continue;
                }
                if found.as_ref().is_some_and(|e| e.minor_um < narrowest || is_told(e, &shadows))
                    || (found.is_none() && likeness < ALIKE)
                {
                    continue;
                }
                if let Some(extent) = found.filter(|e| e.is_long(pupil) || likeness < ALIKE) {
                    take_in(&mut shadows, self.free(extent, b.snr));
                    continue;
                }
            }
            shadows.push(self.round(b, believed));
        }
        for c in broad.iter().filter(|c| c.snr > PLAIN) {
            if let Some(whole) = self.untold(c, &shadows, believed, &clear) {
                take_in(&mut shadows, whole);
            }
        }
        shadows
    }

    /// What answered strongly and is in no shadow told so far, by its outline: drops and rings that no round shadow fits.
    fn untold(&self, c: &Candidate, told: &[Shadow], believed: &[Believed], clear: &Wall) -> Option<Shadow> {
        let spot = Spot { x: c.x, y: c.y, area_um2: 1.0 };
        // To a defect the narrowest filter answers best; the rim of a ring is as broad as the pupil's image.
        let narrowest = self.noise.first().map_or(0.0, |n| n.scale * self.wall.cell_um);
        if c.scale * self.wall.cell_um < (0.2 * self.banks[0].shadowing().pupil.0).max(1.01 * narrowest) {
            return None;
        }
        let within = |s: &Shadow| {
            let width = self.width_by(self.banks.len() - 1, s.spot.area_um2);
            (s.spot.x - c.x).hypot(s.spot.y - c.y) < width
        };
        if told.iter().any(|s| s.holds(spot, 3) || within(s)) {
            return None;
        }
        let blur = ((0.3 * c.scale) as usize).max(1);
        let extent = extent_of(clear, spot, excess_at(self.noise, blur as f64), blur)?;
        // Two standard deviations of the pupil's image are half as wide as it: a defect is narrower.
        let real = self.is_real(clear, &extent, 0.4 * self.banks[0].shadowing().pupil.0);
        let other = runs_into(&extent, c.snr, believed)
            || self.left_by_another(spot, &extent, believed)
            || is_told(&extent, told);
        (real && !other).then(|| self.free(extent, c.snr))
    }

    /// Faint patches, streaks and rings: each answers in many places, but is one thing. What lies on them is taken out;
    /// `clear` is the wall without the sure ones, `narrowest` the least width (two standard deviations, µm).
    fn patches(&self, believed: &[Believed], broad: &[Candidate], clear: &Wall, narrowest: f64) -> Vec<Shadow> {
        let mut shadows: Vec<(Shadow, usize)> = Vec::new();
        if broad.is_empty() {
            return Vec::new();
        }
        let pupil = self.banks[self.banks.len() - 1].shadowing().pupil.0;
        let bare = LazyCell::new(|| self.without(believed.iter().filter(|b| b.fit.likeness() > 0.9)));
        for c in broad {
            // Round fits may take a narrow streak apart: of that only what is round beyond doubt is taken out.
            let wall = if c.scale > self.widest_round() { &Wall { flat: &bare, ..self.wall } } else { clear };
            let spot = Spot { x: c.x, y: c.y, area_um2: 1.0 };
            if shadows.iter().any(|(s, _)| s.holds(spot, 2)) {
                continue;
            }
            let peak = mean_within(wall, c.x, c.y, 0.5 * c.scale);
            let blur = (0.3 * c.scale) as usize;
            let Some(extent) = extent_of(wall, spot, excess_at(self.noise, blur as f64), blur) else { continue };
            // A deep or narrow thing is a mote of its own, measured better than by its outline.
            let faint = peak.max(extent.depth) < FAINT;
            let wide = extent.minor_um > 1.2 * pupil || extent.major_um > 3.0 * pupil;
            let real = self.is_real(wall, &extent, narrowest);
            let left = self.left_by_another(spot, &extent, believed);
            if faint && wide && real && !left && !is_told(&extent, shadows.iter().map(|(s, _)| s)) {
                shadows.push((self.free(extent, c.snr), blur));
            }
        }
        if shadows.len() < 2 {
            return shadows.into_iter().map(|(s, _)| s).collect();
        }
        self.rejoined(shadows, &Wall { flat: &bare, ..self.wall })
    }

    /// Faint patches, each with the blur it was measured at, the parts of one thing as one: twice the blur bridges a gap that
    /// noise tore.
    fn rejoined(&self, mut parts: Vec<(Shadow, usize)>, bare: &Wall) -> Vec<Shadow> {
        let mut whole = Vec::new();
        while !parts.is_empty() {
            let (first, blur) = parts.remove(0);
            let blur = 2 * blur.max(1);
            let extent = extent_of(bare, first.spot, excess_at(self.noise, blur as f64), blur);
            let Some(extent) = extent.filter(|e| e.depth < FAINT && is_told(e, [&first])) else {
                whole.push(first);
                continue;
            };
            let same: Vec<f64> = parts.extract_if(.., |(s, _)| is_told(&extent, [&*s])).map(|(s, _)| s.snr).collect();
            let snr = same.iter().copied().fold(first.snr, f64::hypot);
            whole.push(if same.is_empty() { first } else { self.free(extent, snr) });
        }
        whole
    }

    /// Whether an outline may be what the fit of a far deeper round shadow left over in its surroundings: a long
    /// thing reaches out of these.
    fn left_by_another(&self, spot: Spot, extent: &Extent, believed: &[Believed]) -> bool {
        let margin = 0.5 * extent.major_um / self.wall.cell_um;
        believed.iter().any(|o| {
            let deeper = MISFIT * self.banks[o.bank].shape(o.spot.area_um2).at(0.0).0 > extent.depth;
            let width = self.width(o);
            deeper && margin < 2.0 * width && (o.spot.x - spot.x).hypot(o.spot.y - spot.y) < margin + width
        })
    }

    /// Whether an outline on a wall is one of something on the glass, no narrower than `least_um`.
    fn is_real(&self, wall: &Wall, extent: &Extent, least_um: f64) -> bool {
        // What lies along the picture's edge, nearer than half the pupil's image, is the edge's: a demosaic's or a lens's.
        let room = 0.5 * self.banks[self.banks.len() - 1].shadowing().pupil.0 / self.wall.cell_um;
        extent.minor_um > least_um && extent.snr() > self.threshold && wall.holds(extent.x, extent.y, room)
    }

    /// The wall with these round shadows taken out.
    pub(super) fn without<'b>(&self, taken: impl Iterator<Item = &'b Believed>) -> Flat {
        let mut flat = self.wall.flat.clone();
        let size = flat.size();
        for b in taken {
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

    /// Chains of overlapping spots of like depth.
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
            if cluster.len() > 1 {
                clusters.push(cluster);
            }
        }
        clusters
    }

    /// The outline that holds most of a cluster, at the least blur that does, if that is one thing: more than three such
    /// spots are no grains that fell side by side, but one streak, ring or fibre that round fits took apart. Two or three
    /// may be grains, if they look like grains and leave little of the light unexplained.
    fn joined(&self, cluster: &[usize], believed: &[Believed], wall: &Wall) -> Option<Shadow> {
        let snr = cluster.iter().map(|&i| believed[i].snr * believed[i].snr).sum::<f64>().sqrt();
        let first = &believed[cluster[0]];
        let grains = cluster.iter().all(|&i| believed[i].fit.likeness() >= 0.9);
        let explained: f64 = cluster.iter().map(|&i| believed[i].spot.area_um2).sum();
        [1, 2, 4, 7, 11].into_iter().find_map(|blur| {
            let extent = extent_of(wall, first.spot, first.excess, blur)?;
            let held = cluster.iter().filter(|&&i| extent.holds(believed[i].spot.x, believed[i].spot.y, 2)).count();
            let long = !grains && extent.is_long(self.banks[first.bank].shadowing().pupil.0);
            let more = extent.area_um2 - 5.0 * extent.area_error_um2 > UNEXPLAINED * explained;
            let one = (cluster.len() > 3 || long || more) && !runs_into(&extent, snr, believed);
            (one && 5 * held >= 4 * cluster.len()).then(|| self.free(extent, snr))
        })
    }

    /// A shadow by its outline.
    fn free(&self, extent: Extent, snr: f64) -> Shadow {
        let size = self.wall.flat.size();
        Shadow {
            spot: Spot { x: extent.x, y: extent.y, area_um2: extent.area_um2 },
            form: None,
            likeness: 0.0,
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
    fn round(&self, b: &Believed, believed: &[Believed]) -> Shadow {
        let size = self.wall.flat.size();
        let width = self.width(b);
        let (x, y, half) = (b.spot.x, b.spot.y, 0.5 * width);
        Shadow {
            spot: b.spot,
            errors: b.fit.errors.map(|e| e * b.excess),
            snr: b.snr,
            own_height_mm: None,
            extent: None,
            form: None,
            likeness: b.fit.likeness(),
            kind: Kind::Grain,
            merged: believed.iter().any(|o| {
                let d = (o.spot.x - x).hypot(o.spot.y - y);
                d > 0.0 && d < 0.5 * (width + self.width(o))
            }),
            at_edge: x < half || y < half || x > size.width as f64 - half || y > size.height as f64 - half,
        }
    }

    /// A bright shadow fitted at its own stand-off, if that lies clearly below the frame's. `half`: shadows at half of that.
    fn lower(&self, b: &Believed, setting: &Setting, stand_off: &StandOff, half: &Bank) -> Option<Lower> {
        let common = stand_off.height_mm;
        let radius = self.wall.radius(half, b.spot.area_um2);
        // A first look spares most of the search.
        let narrower = self.wall.fit(half, b.spot, radius, &[])?;
        if 1.0 - narrower.likeness() > 0.7 * (1.0 - b.fit.likeness()) {
            return None;
        }
        let own = stand_off::measure_one(&self.wall, setting, narrower.spot)?;
        if own.value > 0.75 * common.value || common.value - own.value < 5.0 * own.sigma.hypot(common.sigma) {
            return None;
        }
        let bank = Bank::new(setting.shadowing(Millimetres(own.value), stand_off.edge), LARGEST_ROUND);
        let fit = self.wall.fit(&bank, narrower.spot, radius, &[])?;
        let better = fit.likeness() > b.fit.likeness();
        let believed = Believed { spot: fit.spot, fit, snr: fit.snr / b.excess, ..*b };
        better.then_some(Lower { height_mm: own, believed })
    }
}

/// A shadow at a stand-off of its own.
struct Lower {
    height_mm: Estimate,
    believed: Believed,
}

/// Adds a shadow with an outline: a part of it may have been told as round before.
fn take_in(shadows: &mut Vec<Shadow>, whole: Shadow) {
    shadows.retain(|s| s.extent.is_some() || s.is_sure() || !whole.holds(s.spot, 0));
    shadows.push(whole);
}

/// Whether an outline around one round shadow alone has lost far more light than an opaque disc's fit explains: a drop or a flake
/// that light passes through is as broad and less deep.
fn is_more(extent: &Extent, b: &Believed, believed: &[Believed]) -> bool {
    // An outline is looked for around a spot: it may be that of something stronger beside it.
    let alone = believed.iter().all(|o| extent.holds(o.spot.x, o.spot.y, 1) == (o.spot == b.spot));
    alone && extent.area_um2 - 5.0 * extent.area_error_um2 > UNEXPLAINED * b.spot.area_um2
}

/// Whether an outline is that of a shadow told already.
fn is_told<'s>(extent: &Extent, shadows: impl IntoIterator<Item = &'s Shadow>) -> bool {
    shadows.into_iter().filter_map(|s| s.extent.as_ref()).any(|told| told.is_same(extent))
}

/// Whether an outline runs into a far stronger round shadow: then it is what the fit of that one left over.
fn runs_into(extent: &Extent, snr: f64, believed: &[Believed]) -> bool {
    let stronger = |o: &Believed| o.snr > 3.0 * snr && o.fit.likeness() > ALIKE;
    believed.iter().any(|o| stronger(o) && extent.holds(o.spot.x, o.spot.y, 2))
}
