//! Places that may hold a mote, from all lenses.

use crate::measure::Estimate;
use crate::trace::STAND_OFFS_MM;
use crate::trace::arrive::{Story, Word};
use crate::trace::ask::{SIDE, Told};
use crate::trace::expect::diameter_um;
use crate::trace::height::Rings;
use crate::trace::lens::{Transform, align};
use crate::trace::tally::Peak;
use crate::trace::tracer::Tracer;

/// Evidence from which on a place is asked about again.
const ASKED_FROM: f32 = 9.0;
/// The same for the pictures of one lens, before those of the others are added.
const PEAKS_FROM: f32 = 6.0;
/// Most places that are.
const MOST: usize = 900;
/// A place that may hold a mote.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    /// Through the reference lens, mm.
    pub at: (f64, f64),
    /// Stand-off of the shadow that it is asked about with, mm.
    pub template_mm: f64,
    /// What each picture says.
    pub told: Vec<Option<Told>>,
    /// Offset of the best place of the patch, steps.
    pub offset: (f64, f64),
    /// Words of all pictures, in their order.
    pub words: Vec<Word>,
    /// What they add up to.
    pub story: Option<Story>,
    /// Lost light in rings, per f-number.
    pub rings: Vec<Rings>,
    /// Whether a test frame shows a mote there.
    pub known: bool,
}

impl Candidate {
    pub fn new(at: (f64, f64), template_mm: f64) -> Self {
        let (told, words, rings) = (Vec::new(), Vec::new(), Vec::new());
        Candidate { at, template_mm, told, offset: (0.0, 0.0), words, story: None, rings, known: false }
    }

    /// The likeliest size.
    pub fn size(&self) -> usize {
        let sizes = self.story.as_ref().map_or(&[][..], |s| &s.sizes);
        (0..sizes.len()).max_by(|&a, &b| sizes[a].total_cmp(&sizes[b])).unwrap_or(0)
    }

    /// Logarithm of how much likelier the pictures are with a mote there.
    pub fn evidence(&self) -> f64 {
        self.story.as_ref().map_or(f64::NEG_INFINITY, |s| s.evidence)
    }
}

/// Candidates of all lenses in the coordinates of the one with the most evidence.
pub(super) fn line_up(tracer: &Tracer) -> (Vec<Transform>, usize, Vec<Candidate>) {
    let peaks: Vec<Vec<Peak>> = tracer
        .lenses
        .iter()
        .map(|g| {
            let mut all: Vec<Peak> = g.tallies.iter().flat_map(|t| t.peaks(PEAKS_FROM)).collect();
            all.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
            all.truncate(4 * MOST);
            thinned(all, tracer.largest_n)
        })
        .collect();
    let strength = |p: &Vec<Peak>| p.iter().map(|p| f64::from(p.evidence.min(60.0))).filter(|e| *e > 14.0).sum::<f64>();
    let reference = (0..peaks.len()).max_by(|&a, &b| strength(&peaks[a]).total_cmp(&strength(&peaks[b]))).unwrap_or(0);
    let near_mm = 0.5 * STAND_OFFS_MM[1] / tracer.largest_n;
    let transforms: Vec<Transform> = (0..peaks.len())
        .map(|g| {
            let found = (g != reference).then(|| align(&peaks[reference], &peaks[g], near_mm));
            found.flatten().unwrap_or(Transform::STILL)
        })
        .collect();
    let mut all: Vec<Peak> = Vec::new();
    for (g, peaks) in peaks.iter().enumerate() {
        let others = |at: (f64, f64), height: f64| -> f32 {
            let lenses = tracer.lenses.iter().enumerate().filter(|(other, _)| *other != g);
            let tallies =
                lenses.filter_map(|(other, l)| Some((other, l.tallies.iter().find(|t| t.stand_off_mm == height)?)));
            tallies.map(|(other, tally)| tally.near(transforms[other].apply(at))).sum()
        };
        all.extend(peaks.iter().map(|p| {
            let at = transforms[g].undo(p.at);
            Peak { at, evidence: p.evidence + others(at, p.stand_off_mm), ..*p }
        }));
    }
    all.retain(|p| p.evidence >= ASKED_FROM);
    let mut all = thinned(all, tracer.largest_n);
    all.truncate(MOST);
    let mut candidates: Vec<Candidate> = all.iter().map(|p| Candidate::new(p.at, p.stand_off_mm)).collect();
    if let Some(known) = tracer.known() {
        // The test frame's lens may be another one.
        let height = known.stand_off_mm.value;
        let charted: Vec<Peak> =
            known.motes.iter().map(|&at| Peak { at, evidence: 100.0, stand_off_mm: height }).collect();
        let moved = align(&charted, &all, near_mm).unwrap_or(Transform::STILL);
        for at in known.motes.iter().map(|&at| moved.apply(at)) {
            candidates.retain(|c| (c.at.0 - at.0).hypot(c.at.1 - at.1) > near_mm);
            candidates.push(Candidate { known: true, ..Candidate::new(at, height) });
        }
    }
    (transforms, reference, candidates)
}

/// Of places that lie within half a narrow shadow of each other, the one with the most evidence.
fn thinned(mut peaks: Vec<Peak>, largest_n: f64) -> Vec<Peak> {
    peaks.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
    let mut kept: Vec<Peak> = Vec::new();
    for peak in peaks {
        let near = 0.5 * peak.stand_off_mm / largest_n;
        if !kept.iter().any(|k| (k.at.0 - peak.at.0).powi(2) + (k.at.1 - peak.at.1).powi(2) < near * near) {
            kept.push(peak);
        }
    }
    kept
}

/// A patch between its places.
pub(super) fn between(patch: &[f32; SIDE * SIDE], offset: (f64, f64)) -> f64 {
    let half = (SIDE / 2) as f64;
    let clip = |v: f64| (v + half).clamp(0.0, (SIDE - 1) as f64 - 1e-9);
    let (x, y) = (clip(offset.0), clip(offset.1));
    let (i, j) = (x as usize, y as usize);
    let (u, v) = (x - i as f64, y - j as f64);
    let at = |i: usize, j: usize| f64::from(patch[j * SIDE + i]);
    (at(i, j) * (1.0 - u) + at(i + 1, j) * u) * (1.0 - v) + (at(i, j + 1) * (1.0 - u) + at(i + 1, j + 1) * u) * v
}

/// Blocked area of a candidate, as the diameter of its disc, with its spread.
pub(super) fn diameter(c: &Candidate) -> Estimate {
    let sizes = c.story.as_ref().map_or(&[][..], |s| &s.sizes);
    let mean: f64 = sizes.iter().enumerate().map(|(i, p)| p * diameter_um(i).ln()).sum();
    let variance: f64 = sizes.iter().enumerate().map(|(i, p)| p * (diameter_um(i).ln() - mean).powi(2)).sum();
    // The steps between sizes, and what tone and form leave open of an area (a tenth of it).
    let sigma = (variance + 0.045f64.powi(2) + 0.05f64.powi(2)).sqrt();
    Estimate::new(mean.exp(), mean.exp() * sigma)
}
