//! What a wet pass left: wide streaks and drying rings that were not there before.

use motelight_frame::SensorPoint;
use serde::{Deserialize, Serialize};

use crate::grid::{about, median_and_sigma};
use crate::inspect::{Kind, Mote};
use crate::recheck::Side;
use crate::recheck::fate::{Fate, Status};
use crate::recheck::ratio::Map;

/// What it looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ResidueKind {
    /// At least twice as long as wide.
    Streak,
    /// Darker around than in the middle: where a drop dried.
    Ring,
    /// Neither.
    Patch,
}

/// Something wide and faint that the second frame shows and the first did not.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Residue {
    /// Its middle, in the second frame.
    pub at: SensorPoint,
    /// Along its long axis, mm.
    pub length_mm: f64,
    /// Across, mm.
    pub width_mm: f64,
    /// Direction of its long axis, radians from the picture's right, downwards, -pi/2 to pi/2; `None` where not measured.
    pub angle: Option<f64>,
    /// Share of light lost where it is thickest.
    pub contrast: f64,
    /// What it looks like.
    pub kind: ResidueKind,
    /// The mote of the second inspection that it is, where that lists it.
    pub after: Option<usize>,
}

/// Half widths that are looked for, mm.
const SCALES_MM: [f64; 4] = [0.05, 0.12, 0.3, 0.7];
/// Deviations of the map that a place must exceed.
const SEEN: f64 = 6.0;
/// Least share of light lost: below it the wall itself is not even enough. A guess.
const LEAST: f64 = 0.0025;
/// Shorter things are motes, which the chart has.
const SHORTEST_MM: f64 = 0.4;

/// A connected part of the map.
struct Region {
    cells: Vec<usize>,
    /// Light lost, summed, over its deviation.
    weight: f64,
    residue: Residue,
}

/// By the ratio of the frames, and by what the second chart calls so.
pub(super) fn by_ratio(before: Side, after: Side, fates: &[Fate]) -> Vec<Residue> {
    let pitch_mm = after.inspection.pitch_um.unwrap_or(5.0) / 1000.0;
    let wide = |m: &Mote| matches!(m.kind, Kind::Residue | Kind::Ring);
    // Shadows of motes in either frame are no residue.
    let shadows: Vec<(f64, f64, f64)> = before
        .inspection
        .motes
        .iter()
        .chain(after.inspection.motes.iter().filter(|m| !wide(m)))
        .map(|m| (m.at_picture.x, m.at_picture.y, 0.8 * m.shadow_width_px.value + 6.0))
        .collect();
    let hidden = |x: f64, y: f64| shadows.iter().any(|s| (s.0 - x).abs() < s.2 && (s.1 - y).hypot(s.0 - x) < s.2);
    let map = Map::of(before.frame, after.frame, hidden);
    let mut found: Vec<Region> = SCALES_MM
        .iter()
        .flat_map(|&mm| regions(&map, mm / (pitch_mm * map.block as f64), pitch_mm * map.block as f64))
        .collect();
    found.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    let mut taken = vec![false; map.lost.len()];
    let mut kept: Vec<Residue> = Vec::new();
    for region in found {
        let again = region.cells.iter().filter(|&&i| taken[i]).count();
        region.cells.iter().for_each(|&i| taken[i] = true);
        if 5 * again < region.cells.len() {
            kept.push(region.residue);
        }
    }
    // What the chart lists as residue already has its number; what the map missed is added.
    for mut listed in by_motes(after, fates) {
        let reach = |r: &Residue| 0.5 * r.length_mm.max(listed.length_mm);
        let near = kept.iter_mut().find(|r| (r.at.x - listed.at.x).hypot(r.at.y - listed.at.y) < reach(r));
        match near {
            Some(r) => r.after = r.after.or(listed.after.take()),
            None => kept.push(listed),
        }
    }
    kept
}

/// By what the second chart calls residue or a ring and the first did not have.
pub(super) fn by_motes(after: Side, fates: &[Fate]) -> Vec<Residue> {
    let pitch_mm = after.inspection.pitch_um.unwrap_or(5.0) / 1000.0;
    let new = fates.iter().filter(|f| f.status == Status::New).filter_map(|f| f.after);
    new.filter_map(|j| {
        let mote = after.inspection.motes.get(j)?;
        let kind = match mote.kind {
            Kind::Residue => ResidueKind::Streak,
            Kind::Ring => ResidueKind::Ring,
            Kind::Grain | Kind::Fibre | Kind::Oil => return None,
        };
        let width_mm = mote.shadow_width_px.value * pitch_mm;
        // Area over depth and width: the length of a band of even depth.
        let area_mm2 = mote.blocked_area_um2.map_or(0.0, |a| a.value) * 1e-6;
        let length_mm = (area_mm2 / (mote.depth.value.max(1e-3) * width_mm.max(1e-3))).max(width_mm);
        Some(Residue {
            at: mote.at_sensor?,
            length_mm: if kind == ResidueKind::Ring { width_mm } else { length_mm },
            width_mm,
            angle: None,
            contrast: mote.depth.value,
            kind,
            after: Some(j),
        })
    })
    .collect()
}

/// Connected parts that stand out at one scale; `sigma` in blocks, `block_mm` the side of one.
fn regions(map: &Map, sigma: f64, block_mm: f64) -> Vec<Region> {
    if sigma < 0.7 || sigma * 4.0 > 0.5 * map.size.width.min(map.size.height) as f64 {
        return Vec::new();
    }
    let (near, far) = (map.blurred(sigma), map.blurred(3.5 * sigma));
    // Beside a place that lost a shadow the surroundings look dark: only what is dark by itself counts.
    let band: Vec<f32> = near.iter().zip(&far).map(|(n, f)| (n - f).min(*n)).collect();
    let mut sample: Vec<f32> = band.iter().zip(&map.known).filter(|(_, k)| **k).step_by(3).map(|(b, _)| *b).collect();
    let deviation = median_and_sigma(&mut sample).1;
    let seen = (SEEN as f32 * deviation).max(LEAST as f32);
    let mut order: Vec<usize> = (0..band.len()).filter(|&i| band[i] > seen && map.known[i]).collect();
    order.sort_by(|&a, &b| band[b].total_cmp(&band[a]));
    let mut used = vec![false; band.len()];
    let mut found = Vec::new();
    for seed in order {
        if used[seed] {
            continue;
        }
        let level = (3.0 * deviation).max(0.35 * band[seed]);
        let mut cells = vec![seed];
        used[seed] = true;
        let mut next = 0;
        while next < cells.len() {
            for i in about(cells[next], map.size) {
                if !used[i] && band[i] > level {
                    used[i] = true;
                    cells.push(i);
                }
            }
            next += 1;
        }
        found.extend(region(map, &near, &band, cells, sigma, f64::from(deviation), block_mm));
    }
    found
}

/// Measures a region; `None` where it is too short to be residue.
fn region(
    map: &Map,
    near: &[f32],
    band: &[f32],
    cells: Vec<usize>,
    sigma: f64,
    deviation: f64,
    block_mm: f64,
) -> Option<Region> {
    let width = map.size.width;
    let at = |i: usize| ((i % width) as f64 + 0.5, (i / width) as f64 + 0.5);
    let strength = |i: usize| f64::from(band[i].max(0.0));
    let sum: f64 = cells.iter().map(|&i| strength(i)).sum();
    let mean = |f: &dyn Fn(usize) -> f64| cells.iter().map(|&i| strength(i) * f(i)).sum::<f64>() / sum;
    let (x, y) = (mean(&|i| at(i).0), mean(&|i| at(i).1));
    let (xx, yy) = (mean(&|i| (at(i).0 - x).powi(2)), mean(&|i| (at(i).1 - y).powi(2)));
    let xy = mean(&|i| (at(i).0 - x) * (at(i).1 - y));
    let (middle, spread) = (0.5 * (xx + yy), (0.25 * (xx - yy).powi(2) + xy * xy).sqrt());
    // A band of length L has a variance of L^2 / 12 along it; the averaging adds its own.
    let length = (12.0 * (middle + spread)).sqrt();
    // Cells above 0.35 of the peak reach over 2.9 standard deviations of a Gaussian across.
    let across = (cells.len() as f64 / length.max(1.0) / 2.9).max(1.0);
    let own = (across * across - sigma * sigma).max(0.25 * across * across).sqrt();
    let (length_mm, width_mm) = (length * block_mm, (12f64.sqrt() * own).min(length) * block_mm);
    if length_mm < SHORTEST_MM {
        return None;
    }
    // The far average holds part of the thing itself.
    let contrast = cells.iter().map(|&i| strength(i)).fold(0.0, f64::max) / 0.75;
    let peak = cells.iter().map(|&i| f64::from(near[i])).fold(0.0, f64::max);
    let middle_block = (y as usize).min(map.size.height - 1) * width + (x as usize).min(width - 1);
    let hollow = f64::from(near[middle_block]) < 0.5 * peak;
    let kind = match () {
        () if length_mm > 2.0 * width_mm => ResidueKind::Streak,
        () if hollow => ResidueKind::Ring,
        () => ResidueKind::Patch,
    };
    let half = [map.size.width as f64 * 0.5, map.size.height as f64 * 0.5];
    let residue = Residue {
        at: SensorPoint { x: (x - half[0]) * block_mm, y: (y - half[1]) * block_mm },
        length_mm,
        width_mm,
        angle: Some(0.5 * (2.0 * xy).atan2(xx - yy)),
        contrast,
        kind,
        after: None,
    };
    Some(Region { weight: sum / deviation.max(1e-9), cells, residue })
}
