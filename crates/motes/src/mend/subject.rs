//! One mote in one picture, from foretelling to outcome.

use motelight_frame::{FNumber, Frame, Layout, Micrometres, PicturePoint, Pixels, Rect};
use rayon::prelude::*;

use crate::inspect::Kind;
use crate::mend::cast::{CastSetting, Casts};
use crate::mend::cells::{Cells, Cutout, Scheme};
use crate::mend::chart::{Chart, ChartMote};
use crate::mend::evidence::{Evidence, evidence, reach};
use crate::mend::fit::{Fit, Foretold, fit};
use crate::mend::lift::{Lift, reach_px};
use crate::mend::place::{Ground, Placement, Voter, place};
use crate::mend::probe::{LnShadow, ask};
use crate::mend::result::{Choice, MendOptions, Outcome, Reason, Treatment};

/// The picture, and the shadows foretold for it.
pub struct Scene<'a> {
    /// The picture.
    pub frame: &'a Frame,
    chart: &'a Chart,
    pitch: Micrometres,
    scheme: Scheme,
    /// One for the common stand-off, one for each that differs.
    casts: Vec<Casts>,
}

/// One mote in the picture.
#[derive(Debug, Clone)]
pub struct Subject<'a> {
    mote: &'a ChartMote,
    cast: usize,
    /// Its foretold shadow.
    pub shadow: LnShadow,
    /// Diameter of the shadow's geometric edge, px.
    pub width: f64,
    depth: f64,
    /// Where it stands, px.
    pub x: f64,
    /// The same, down.
    pub y: f64,
    /// What the picture says of it.
    pub evidence: Option<Evidence>,
    /// Probability that it is there.
    pub probability: Option<f64>,
    /// Why it is left alone.
    pub reason: Option<Reason>,
    fit: Option<Fit>,
    tone: f64,
    /// Amplitude that is left after dividing out.
    pub left: Option<f64>,
}

/// Foretold depth below which nothing is done: no disc so faint has been seen (Blackwell 1946: 0.25 % at best).
const FAINTEST: f64 = 0.0025;
/// Cells across the narrowest shadow.
const ACROSS: f64 = 8.0;
/// What the foretold logarithm of a shadow errs by beside the chart's own error: form and pupil. A guess.
const MODEL_ERROR: f64 = 0.04;
/// The same for pictures with a tone of their own.
const TONE_ERROR: f64 = 0.12;

impl<'a> Scene<'a> {
    /// Foretells all shadows.
    pub fn new(frame: &'a Frame, chart: &'a Chart, f_number: FNumber, pitch: Micrometres) -> Self {
        let pupil_px = chart.stand_off_mm.value * 1000.0 / f_number.exact() / pitch.0;
        let scheme = Scheme::of(frame, pupil_px / ACROSS);
        let setting = CastSetting { pitch, cell: scheme.cell, colours: scheme.colours() };
        let mut heights = vec![chart.stand_off_mm.value];
        for mote in &chart.motes {
            let own = mote.stand_off_mm.unwrap_or(heights[0]);
            if !heights.iter().any(|h| (h / own - 1.0).abs() < 0.03) {
                heights.push(own);
            }
        }
        let casts = heights.par_iter().map(|&h| Casts::new(chart, frame, f_number, setting, h, 1.0)).collect();
        Scene { frame, chart, pitch, scheme, casts }
    }

    /// All motes of the chart.
    pub fn subjects(&self, options: &MendOptions) -> Vec<Subject<'a>> {
        self.chart.motes.iter().map(|m| self.subject(m, options)).collect()
    }

    fn subject(&self, mote: &'a ChartMote, options: &MendOptions) -> Subject<'a> {
        let height = mote.stand_off_mm.unwrap_or(self.casts[0].height);
        let off = |c: &Casts| (c.height / height).ln().abs();
        let cast =
            (0..self.casts.len()).min_by(|&a, &b| off(&self.casts[a]).total_cmp(&off(&self.casts[b]))).unwrap_or(0);
        let casts = &self.casts[cast];
        let area = mote.blocked_area_um2.value;
        let edge = casts.edge_px(area);
        // As much backdrop around the shadow as tells it from a slope, and its first bright ring.
        let window = 1.25 * edge + 1.2 * casts.ring_px() + 1.5 * self.scheme.cell as f64;
        let shape = casts.mixed.shape(area);
        let depth = shape.at(0.0).0;
        let reason = if options.choices.get(&mote.id) == Some(&Choice::Skip) {
            Some(Reason::Skipped)
        } else if matches!(mote.kind, Kind::Fibre | Kind::Residue | Kind::Ring) || area > casts.mixed.largest_area_um2()
        {
            Some(Reason::NotRound)
        } else if depth < FAINTEST {
            Some(Reason::TooFaint)
        } else {
            None
        };
        let at = self.ground().picture(mote.at);
        Subject {
            mote,
            cast,
            shadow: LnShadow::of(&shape, self.pitch.0, window),
            width: 2.0 * edge,
            depth,
            x: at.x,
            y: at.y,
            evidence: None,
            probability: None,
            reason,
            fit: None,
            tone: 1.0,
            left: None,
        }
    }

    fn ground(&self) -> Ground<'_> {
        Ground { frame: self.frame, scheme: &self.scheme, pitch: self.pitch }
    }

    /// Where the chart lies.
    pub fn place(&self, subjects: &[Subject]) -> Placement {
        let mut order: Vec<&Subject> = subjects.iter().filter(|s| s.reason.is_none()).collect();
        order.sort_by(|a, b| (b.depth * b.width).total_cmp(&(a.depth * a.width)));
        let voters: Vec<Voter> = order
            .into_iter()
            .map(|s| Voter {
                at: s.mote.at,
                shadow: &s.shadow,
                width: s.width,
                spread: self.spread(s),
                area_um2: s.mote.blocked_area_um2.value,
                bank: &self.casts[s.cast].mixed,
            })
            .collect();
        place(&self.ground(), &voters)
    }

    /// Standard error of a foretold amplitude.
    fn spread(&self, s: &Subject) -> f64 {
        let area = s.mote.blocked_area_um2;
        let model = if matches!(self.frame.layout, Layout::Mosaic(_)) { MODEL_ERROR } else { TONE_ERROR };
        (area.sigma / area.value).hypot(model)
    }

    /// Moves a subject to where it is foretold.
    pub fn aim(&self, s: &mut Subject, placement: &Placement) {
        let at = self.ground().picture(placement.apply(s.mote.at));
        (s.x, s.y) = (at.x, at.y);
        let size = self.frame.size();
        let inside = s.x > 0.0 && s.y > 0.0 && s.x < size.width as f64 && s.y < size.height as f64;
        if !inside && s.reason.is_none() {
            s.reason = Some(Reason::OutsidePicture);
        }
    }

    fn cells_around(&self, s: &Subject, radius: f64) -> Option<Cells> {
        let rect = Rect::around(PicturePoint { x: s.x, y: s.y }, Pixels(radius), self.frame.size())?;
        Some(self.scheme.cells(&Cutout::of(self.frame, rect)))
    }

    /// Asks the picture for one shadow. `places` holds centre and width of all.
    pub fn ask(&self, s: &mut Subject, own: usize, places: &[(f64, f64, f64)]) {
        if s.reason.is_some() {
            return;
        }
        let far = reach(&s.shadow, s.width) + 2.0 * self.scheme.cell as f64;
        let others: Vec<(f64, f64, f64)> = places
            .iter()
            .enumerate()
            .filter(|&(i, p)| i != own && (p.0 - s.x).hypot(p.1 - s.y) < far + p.2)
            .map(|(_, p)| *p)
            .collect();
        let window = s.shadow.window;
        let taken = |x: f64, y: f64| others.iter().any(|o| (o.0 - x).hypot(o.1 - y) < 0.5 * o.2 + window);
        let found = self
            .cells_around(s, far)
            .and_then(|cells| evidence(&cells, &s.shadow, s.width, (s.x, s.y), self.spread(s), taken));
        match found {
            Some(e) => s.evidence = Some(e),
            None => s.reason = Some(Reason::Clipped),
        }
    }

    /// How strongly the picture shows all shadows against the foretold logarithm: 1 in linear light, else by its tone.
    /// From shadows that show clearly, each pulled towards 1 by what the model itself errs by.
    pub fn tone(&self, subjects: &[Subject]) -> f64 {
        let (mut sum, mut weight) = (0.0, 1.0 / (TONE_ERROR * TONE_ERROR));
        if matches!(self.frame.layout, Layout::Mosaic(_)) {
            return 1.0;
        }
        for s in subjects.iter().filter(|s| s.reason.is_none()) {
            let Some(e) = s.evidence.filter(|e| e.answer.sigma < 0.15) else { continue };
            let own =
                e.answer.sigma.hypot(MODEL_ERROR).hypot(s.mote.blocked_area_um2.sigma / s.mote.blocked_area_um2.value);
            sum += (e.answer.amplitude - 1.0) / (own * own);
            weight += 1.0 / (own * own);
        }
        (1.0 + sum / weight).clamp(0.7, 1.4)
    }

    /// What should be said of the tone.
    pub fn note_on_tone(&self, tone: f64) -> Option<String> {
        ((tone - 1.0).abs() > 0.05).then(|| {
            format!(
                "The picture's tone shows shadows {:.0} % of their strength in linear light; counted in.",
                100.0 * tone
            )
        })
    }

    /// Fits place and strength of a shadow that is to go.
    pub fn settle(&self, s: &mut Subject, placement: &Placement, tone: f64) {
        s.tone = tone;
        let Some(e) = s.evidence.filter(|_| s.reason.is_none()) else { return };
        let Some(cells) = self.cells_around(s, s.shadow.window + 2.0 * self.scheme.cell as f64) else { return };
        let area = s.mote.blocked_area_um2;
        let rigid = (area.sigma / area.value).hypot(MODEL_ERROR);
        let foretold = Foretold {
            x: s.x,
            y: s.y,
            place_error: placement.error_px.hypot(s.mote.at_error.0 / self.pitch.0),
            area_um2: area.value,
            area_error: rigid,
            tone,
        };
        // The excess of the evidence's error over that of the residuals.
        let plain = ask(&cells, &s.shadow, s.x, s.y).map_or(1.0, |a| (e.answer.sigma / a.sigma).max(1.0));
        s.fit = fit(&cells, &self.casts[s.cast].mixed, self.pitch.0, &foretold, s.shadow.window, plain);
        if let Some(f) = s.fit {
            (s.x, s.y) = (f.x, f.y);
        }
    }

    /// The shadow to be divided out, if it is to go.
    pub fn lift(&self, index: usize, s: &Subject) -> Option<Lift> {
        if s.reason.is_some() {
            return None;
        }
        let casts = &self.casts[s.cast];
        let area = s.fit.map_or(s.mote.blocked_area_um2.value, |f| f.area_um2);
        let shapes: Vec<_> = casts.colours.iter().map(|bank| bank.shape(area)).collect();
        let farthest = casts.edge_px(area) + 4.0 * casts.ring_px() + 2.0;
        let reach = reach_px(&shapes, self.pitch.0, farthest);
        Some(Lift { mote: index, x: s.x, y: s.y, shapes, tone: [s.tone; 3], pitch: self.pitch.0, reach })
    }

    /// Amplitude of a shadow in a mended part of the picture.
    pub fn left(&self, s: &Subject, cutout: &Cutout) -> Option<f64> {
        ask(&self.scheme.cells(cutout), &s.shadow, s.x, s.y).map(|a| a.amplitude)
    }
}

impl<'a> Subject<'a> {
    /// Logarithm of the likelihood ratio; 0 where nothing was measured.
    pub fn ln_ratio(&self) -> f64 {
        self.evidence.map_or(0.0, |e| e.ln_ratio)
    }

    /// Whether it goes, and if not, why.
    pub fn decide(&mut self, options: &MendOptions) {
        if self.reason.is_some() || options.choices.get(&self.mote.id) == Some(&Choice::Mend) {
            return;
        }
        let there = self.probability.unwrap_or(0.0);
        if there < options.certainty {
            // An answer that would have been clear had the shadow been there.
            let clear = self.ln_ratio() < -1.5;
            self.reason = Some(if clear { Reason::NotPresent } else { Reason::HiddenByDetail });
        }
    }

    /// Whether what is left is less than what was there, as far as noise lets tell.
    pub fn helped(&self, left: Option<f64>) -> bool {
        let (Some(e), Some(left)) = (self.evidence, left) else { return true };
        left.abs() < e.answer.amplitude.abs() + e.answer.sigma
    }

    /// What came of it.
    pub fn outcome(self) -> Outcome {
        let answer = self.evidence.map(|e| e.answer);
        Outcome {
            id: self.mote.id.clone(),
            x_px: self.x,
            y_px: self.y,
            treatment: if self.reason.is_none() { Treatment::Lifted } else { Treatment::Untouched },
            reason: self.reason,
            depth_before: answer.map(|a| a.amplitude * self.depth),
            depth_after: match self.reason {
                None => self.left.map(|l| l * self.depth),
                Some(_) => answer.map(|a| a.amplitude * self.depth),
            },
            depth_error: answer.map(|a| a.sigma * self.depth),
            depth_foretold: self.depth,
            snr: answer.map(|a| 1.0 / a.sigma),
            probability: self.probability,
        }
    }
}
