//! The picture, the shadows foretold for it, and what it says of them.

use motelight_frame::{FNumber, Frame, Layout, Micrometres, PicturePoint, Pixels, Rect, SensorPoint};
use rayon::prelude::*;

use crate::form::Cast;
use crate::inspect::Kind;
use crate::mend::cast::{CastSetting, Casts};
use crate::mend::cells::{Cells, Cutout, Scheme};
use crate::mend::chart::{Chart, ChartMote};
use crate::mend::evidence::{evidence, reach};
use crate::mend::fit::{Foretold, fit};
use crate::mend::lift::{Lift, reach_px};
use crate::mend::place::{Ground, Placement, Voter, place};
use crate::mend::question::Silence;
use crate::mend::result::{Choice, MendOptions, Reason};
use crate::mend::shadow::{LnShadow, Lost};
use crate::mend::subject::{Light, Subject};
use crate::visibility::{Picture, shows};

/// The picture, and the shadows foretold for it.
pub struct Scene<'a> {
    /// The picture.
    pub frame: &'a Frame,
    /// How its pixels are joined to cells.
    pub scheme: Scheme,
    chart: &'a Chart,
    pitch: Micrometres,
    /// One for the common stand-off, one for each that differs.
    casts: Vec<Casts>,
}

/// A shadow in the light of another.
#[derive(Debug, Clone)]
pub struct Neighbour {
    subject: usize,
    x: f64,
    y: f64,
    width: f64,
    shadow: LnShadow,
    tone: f64,
}

/// Foretold depth below which nothing is done: no disc so faint has been seen (Blackwell 1946: 0.25 % at best).
const FAINTEST: f64 = 0.0025;
/// A shadow below this share of the contrast that would just be seen is left: the uncertainty of what is seen is a factor
/// of 1.5, and a steep tone curve may raise contrasts by a third (a guess).
const UNSEEN: f64 = 0.5;
/// One code of 8 bits at four tenths of full scale, as a logarithm of light (sRGB). What is no deeper and would not be seen is
/// left: how much of it rounding and blocks have swallowed nobody can tell, and dividing by it may do harm.
const A_CODE: f64 = 0.012;
/// Logarithm of light that rounding to 8 bits and to blocks swallows: about a third of a code.
const CODED: f64 = A_CODE / 3.0;
/// Cells across the pupil's image.
const ACROSS: f64 = 8.0;
/// Cells along a long thing at most.
const ALONG: f64 = 150.0;
/// What the foretold logarithm of a shadow errs by beside the chart's own error: form and pupil. A guess.
const MODEL_ERROR: f64 = 0.04;
/// The same where a picture has a tone of its own.
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
        let nearest = |&a: &usize, &b: &usize| off(&self.casts[a]).total_cmp(&off(&self.casts[b]));
        let cast = (0..self.casts.len()).min_by(nearest).unwrap_or(0);
        let casts = &self.casts[cast];
        let area = mote.blocked_area_um2.value;
        // As much backdrop around the shadow as tells it from a slope, and its first bright ring.
        let room = |edge: f64| 1.25 * edge + 1.2 * casts.ring_px() + 1.5 * self.scheme.cell as f64;
        // A point's, about each part of a form.
        let (point, round) = (casts.edge_px(0.0), casts.edge_px(area));
        let (edge, window) = match mote.form.as_ref().filter(|_| mote.is_long()) {
            Some(form) => (form.radius_um() / self.pitch.0 + point, form.radius_um() / self.pitch.0 + room(point)),
            None => (round, room(round)),
        };
        let form = mote.form.as_ref().map(|form| form.cast(&casts.mixed, self.pitch.0, room(point)));
        let lost = match &form {
            Some(cast) => Lost::Form { cast: cast.clone(), times: 1.0 },
            None => Lost::Round { shape: casts.mixed.shape(area), pitch: self.pitch.0 },
        };
        let depth = form.as_ref().map_or_else(|| lost.at(0.0, 0.0), Cast::depth);
        let choice = options.choices.get(&mote.id).copied();
        let picture = Picture { size: self.frame.size(), pitch: self.pitch, grain: 0.0 };
        let profile = casts.mixed.profile(area);
        let seen = options.viewings.iter().map(|v| shows(&profile, &picture, v).times_threshold);
        let times_seen = seen.fold(0.0, f64::max);
        let swallowed = self.few_codes() && depth < A_CODE && times_seen < 1.0;
        let reason = if choice == Some(Choice::Skip) {
            Some(Reason::Skipped)
        } else if form.is_none()
            && (matches!(mote.kind, Kind::Fibre | Kind::Residue | Kind::Ring) || area > casts.mixed.largest_area_um2())
        {
            Some(Reason::NotRound)
        } else if depth < FAINTEST || ((times_seen < UNSEEN || swallowed) && choice != Some(Choice::Mend)) {
            Some(Reason::TooFaint)
        } else {
            None
        };
        let at = self.ground().picture(mote.at);
        let shadow = LnShadow::of(lost, window);
        let mut s = Subject::new(mote, cast, choice, reason, (at.x, at.y), shadow, 2.0 * edge, depth, times_seen);
        s.form = form;
        s
    }

    fn ground(&self) -> Ground<'_> {
        Ground { frame: self.frame, scheme: &self.scheme, pitch: self.pitch }
    }

    /// Where the chart lies.
    pub fn place(&self, subjects: &[Subject]) -> Placement {
        let mut order: Vec<&Subject> = subjects.iter().filter(|s| s.votes() && !s.mote.is_long()).collect();
        order.sort_by(|a, b| (b.depth * b.width).total_cmp(&(a.depth * a.width)));
        let voters: Vec<Voter> = order
            .into_iter()
            .map(|s| Voter {
                at: s.mote.at,
                shadow: &s.shadow,
                width: s.width,
                spread: self.spread(s.mote),
                area_um2: s.mote.blocked_area_um2.value,
                bank: &self.casts[s.cast].mixed,
            })
            .collect();
        place(&self.ground(), &voters)
    }

    /// Standard error of a foretold amplitude.
    fn spread(&self, mote: &ChartMote) -> f64 {
        mote.area_error().hypot(if self.linear() { MODEL_ERROR } else { TONE_ERROR })
    }

    /// Whether the picture's light is the sensor's.
    pub fn linear(&self) -> bool {
        matches!(self.frame.layout, Layout::Mosaic(_))
    }

    /// How far the amplitude of a shadow in few codes may be from the one in the light itself: rounding swallows
    /// faint shadows, and what is not shown must not be divided out.
    fn coded_error(&self, depth: f64) -> f64 {
        if self.few_codes() { CODED / depth.max(1e-3) } else { 0.0 }
    }

    /// Whether light is stored in 8 bits.
    fn few_codes(&self) -> bool {
        self.frame.encoding.few_codes()
    }

    /// Where a mote's shadow is foretold. By another lens it moves in proportion to its height over the photosites (project
    /// optics notes 2.7), and the placement is that of the common one.
    fn placed(&self, mote: &ChartMote, placement: &Placement) -> SensorPoint {
        let (at, moved) = (mote.at, placement.apply(mote.at));
        let share = mote.stand_off_mm.map_or(1.0, |own| own / self.chart.stand_off_mm.value);
        SensorPoint { x: at.x + share * (moved.x - at.x), y: at.y + share * (moved.y - at.y) }
    }

    /// Moves a subject to where it is foretold.
    pub fn aim(&self, s: &mut Subject, placement: &Placement) {
        let at = self.ground().picture(self.placed(s.mote, placement));
        (s.x, s.y) = (at.x, at.y);
        let size = self.frame.size();
        let half = 0.5 * s.width;
        let touches = |v: f64, length: usize| v > -half && v < length as f64 + half;
        if !(touches(s.x, size.width) && touches(s.y, size.height)) && s.reason.is_none() {
            s.reason = Some(Reason::OutsidePicture);
        }
    }

    /// The shadows of some subjects, as far as they are known.
    pub fn neighbours(&self, subjects: &[Subject]) -> Vec<Neighbour> {
        let there = subjects.iter().enumerate().filter(|(_, s)| s.there());
        there
            .map(|(i, s)| {
                let casts = &self.casts[s.cast];
                let window = 0.5 * s.width + 3.0 * casts.ring_px();
                let shadow = LnShadow::of(s.lost(Light::Cell, s.area_um2(), &casts.mixed, self.pitch.0), window);
                Neighbour { subject: i, x: s.x, y: s.y, width: s.width, shadow, tone: s.tone }
            })
            .collect()
    }

    /// Cells in which a subject is asked for: large ones for what is long, whose detail says little.
    fn scheme(&self, s: &Subject) -> Scheme {
        let wanted = if s.mote.is_long() { s.width / ALONG } else { 0.0 };
        self.scheme.with_cell(wanted.max(self.scheme.cell as f64))
    }

    /// Cells around a subject, the shadows of others divided out.
    fn cells_around(&self, scheme: &Scheme, s: &Subject, radius: f64, others: &[&Neighbour]) -> Option<Cells> {
        let rect = Rect::around(PicturePoint { x: s.x, y: s.y }, Pixels(radius), self.frame.size())?;
        let mut cells = scheme.cells(&Cutout::of(self.frame, rect));
        for o in others {
            cells.lift(&o.shadow, (o.x, o.y), o.tone);
        }
        Some(cells)
    }

    /// Asks the picture for one shadow. `places` holds centre and width of all subjects, `others` those that are
    /// known to be there.
    pub fn ask(&self, s: &mut Subject, own: usize, places: &[(f64, f64, f64)], others: &[Neighbour]) {
        let others: Vec<&Neighbour> = others.iter().filter(|o| o.subject != own).collect();
        let scheme = self.scheme(s);
        let far = reach(&s.shadow, s.width) + 2.0 * scheme.cell as f64;
        let near = |p: &(f64, f64, f64)| (p.0 - s.x).hypot(p.1 - s.y) < far + p.2;
        let taken_by: Vec<(f64, f64, f64)> =
            places.iter().enumerate().filter(|(i, p)| *i != own && near(p)).map(|(_, p)| *p).collect();
        let window = s.shadow.window;
        let taken = |x: f64, y: f64| taken_by.iter().any(|o| (o.0 - x).hypot(o.1 - y) < 0.5 * o.2 + window);
        let spread = self.spread(s.mote);
        let found = self
            .cells_around(&scheme, s, far, &others)
            .ok_or(Silence::Dark)
            .and_then(|cells| evidence(&cells, &s.shadow, s.width, (s.x, s.y), spread, taken));
        s.evidence = found.ok();
        if s.reason == Some(Reason::Skipped) {
            return;
        }
        match found {
            Ok(_) => {}
            Err(Silence::Broken) => s.reason = Some(Reason::HiddenByDetail),
            Err(Silence::Dark) => {
                let size = self.frame.size();
                let inside = s.x > 0.0 && s.y > 0.0 && s.x < size.width as f64 && s.y < size.height as f64;
                s.reason = Some(if inside { Reason::Clipped } else { Reason::OutsidePicture });
            }
        }
    }

    /// Whether another shadow reaches into the window of a subject.
    pub fn crowded(&self, s: &Subject, own: usize, others: &[Neighbour]) -> bool {
        others.iter().any(|o| o.subject != own && (o.x - s.x).hypot(o.y - s.y) < s.shadow.window + 0.5 * o.width)
    }

    /// How strongly the picture shows all shadows against the foretold logarithm: 1 in linear light, else by its tone.
    /// From shadows that show clearly, each pulled towards 1 by what the model itself errs by.
    pub fn tone(&self, subjects: &[Subject]) -> f64 {
        if self.linear() {
            return 1.0;
        }
        let (mut sum, mut weight) = (0.0, 1.0 / (TONE_ERROR * TONE_ERROR));
        for s in subjects.iter().filter(|s| s.there()) {
            let Some(e) = s.evidence.filter(|e| e.answer.sigma < 0.15) else { continue };
            let own = e.answer.sigma.hypot(MODEL_ERROR).hypot(s.mote.area_error());
            sum += (e.answer.amplitude - 1.0) / (own * own);
            weight += 1.0 / (own * own);
        }
        (1.0 + sum / weight).clamp(0.7, 1.4)
    }

    /// What should be said of the tone.
    pub fn note_on_tone(&self, tone: f64) -> Option<String> {
        ((tone - 1.0).abs() > 0.05).then(|| {
            format!(
                "The picture's tone shows shadows at {:.0} % of their strength in linear light; counted in.",
                100.0 * tone
            )
        })
    }

    /// Fits place and strength of a shadow that is to go.
    pub fn settle(&self, s: &mut Subject, own: usize, placement: &Placement, others: &[Neighbour]) {
        let Some(e) = s.evidence.filter(|_| s.there()) else { return };
        let others: Vec<&Neighbour> = others.iter().filter(|o| o.subject != own).collect();
        let scheme = self.scheme(s);
        let radius = s.shadow.window + 2.0 * scheme.cell as f64;
        let Some(cells) = self.cells_around(&scheme, s, radius, &others) else { return };
        let at = self.ground().picture(self.placed(s.mote, placement));
        let foretold = Foretold {
            x: at.x,
            y: at.y,
            place_error: placement.error_px.hypot(s.mote.at_error.0 / self.pitch.0),
            area_um2: s.mote.blocked_area_um2.value,
            area_error: s.mote.area_error().hypot(MODEL_ERROR).hypot(self.coded_error(s.depth)),
            tone: s.tone,
        };
        let bank = &self.casts[s.cast].mixed;
        let shadow = |area| s.lost(Light::Cell, area, bank, self.pitch.0);
        if let Some(mut f) = fit(&cells, shadow, &foretold, s.shadow.window, e.excess) {
            // Rounding swallows a shadow, it never deepens one.
            let most = 1.0 + 2.0 * s.mote.area_error().hypot(MODEL_ERROR);
            f.area_um2 = if self.few_codes() { f.area_um2.min(most * foretold.area_um2) } else { f.area_um2 };
            (s.x, s.y) = (f.x, f.y);
            s.fit = Some(f);
        }
    }

    /// How strongly each plane of a rendered picture shows a shadow: its own tone, chroma lost in compression.
    pub fn settle_tones(&self, s: &mut Subject, own: usize, places: &[(f64, f64, f64)], others: &[Neighbour]) {
        s.tones = [s.tone; 3];
        let casts = &self.casts[s.cast];
        if let Some(form) = s.mote.form.as_ref().filter(|_| s.there()) {
            let margin = casts.edge_px(0.0) + 4.0 * casts.ring_px() + 2.0;
            s.planes = casts.colours.iter().map(|bank| form.cast(bank, self.pitch.0, margin)).collect();
        }
        if self.linear() || !s.there() {
            return;
        }
        let others: Vec<&Neighbour> = others.iter().filter(|o| o.subject != own).collect();
        let scheme = self.scheme(s);
        let far = reach(&s.shadow, s.width) + 2.0 * scheme.cell as f64;
        let window = s.shadow.window;
        let near = |p: &(f64, f64, f64)| (p.0 - s.x).hypot(p.1 - s.y) < far + p.2;
        let taken_by: Vec<(f64, f64, f64)> =
            places.iter().enumerate().filter(|(i, p)| *i != own && near(p)).map(|(_, p)| *p).collect();
        let taken = |x: f64, y: f64| taken_by.iter().any(|o| (o.0 - x).hypot(o.1 - y) < 0.5 * o.2 + window);
        for (colour, bank) in self.casts[s.cast].colours.iter().enumerate() {
            let only = if self.casts[s.cast].colours.len() == 1 { scheme.clone() } else { scheme.only(colour) };
            let shadow = LnShadow::of(s.lost(Light::Plane(colour), s.area_um2(), bank, self.pitch.0), window);
            let found = self
                .cells_around(&only, s, far, &others)
                .map(|cells| evidence(&cells, &shadow, s.width, (s.x, s.y), TONE_ERROR, taken));
            if let Some(Ok(e)) = found {
                let (own, prior) = (e.answer.sigma.powi(-2), TONE_ERROR.powi(-2));
                let tone = (own * e.answer.amplitude + prior * s.tone) / (own + prior);
                s.tones[colour] = tone.clamp(0.5, 1.6);
            }
        }
    }

    /// The shadow to be divided out, if it is to go.
    pub fn lift(&self, index: usize, s: &Subject) -> Option<Lift> {
        if !s.there() {
            return None;
        }
        let casts = &self.casts[s.cast];
        let area = s.area_um2();
        let lost = |(i, bank)| s.lost(Light::Plane(i), area, bank, self.pitch.0);
        let shadows: Vec<Lost> = casts.colours.iter().enumerate().map(lost).collect();
        let farthest = casts.edge_px(area) + 4.0 * casts.ring_px() + 2.0;
        let reach = reach_px(&shadows, farthest);
        Some(Lift { mote: index, x: s.x, y: s.y, shadows, tone: s.tones, reach, rest: None })
    }
}
