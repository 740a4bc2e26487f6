//! One mote in one picture: what is known of it, and what comes of it.

use crate::bank::Bank;
use crate::form::Cast;
use crate::mend::cells::Cells;
use crate::mend::chart::ChartMote;
use crate::mend::evidence::{Evidence, POSITIVE, STRENGTH_ERROR, STRONG, speaks_for};
use crate::mend::fit::Fit;
use crate::mend::question::{Ground, Question};
use crate::mend::result::{Choice, MendOptions, Outcome, Reason, Treatment};
use crate::mend::shadow::{LnShadow, Lost};

/// One mote in the picture.
#[derive(Debug, Clone)]
pub struct Subject<'a> {
    /// The mote.
    pub mote: &'a ChartMote,
    /// Which of the scene's casts its shadow is of.
    pub cast: usize,
    choice: Option<Choice>,
    /// Its shadow in the light of a cell, where it is not round.
    pub form: Option<Cast>,
    /// The same in the light of each plane, once it is to go.
    pub planes: Vec<Cast>,
    /// Its foretold shadow.
    pub shadow: LnShadow,
    /// Diameter of the shadow's geometric edge, px.
    pub width: f64,
    /// Foretold depth.
    pub depth: f64,
    /// How many times the contrast that would just be seen the foretold shadow has on plain ground.
    pub times_seen: f64,
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
    /// Whether it was found to be there.
    decided: bool,
    /// Fitted to the picture.
    pub fit: Option<Fit>,
    /// How strongly the picture shows it against linear light.
    pub tone: f64,
    /// The same for each plane.
    pub tones: [f64; 3],
    /// Amplitude that is left after dividing out.
    pub left: Option<f64>,
    /// Whether part of it was rebuilt from around.
    pub filled: bool,
}

/// In which light a shadow is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Light {
    /// That of a cell.
    Cell,
    /// That of one plane.
    Plane(usize),
}

/// Amplitude errors above this: detail so many times as strong as the shadow lies in the way. A guess.
const HIDDEN: f64 = 30.0;
/// The same for developed pictures: sharpening and few codes change such detail by more than the shadow does, and dividing
/// raises that. A guess.
const HIDDEN_ONCE_DEVELOPED: f64 = 5.0;

impl<'a> Subject<'a> {
    /// A mote that has only been foretold.
    #[expect(clippy::too_many_arguments, reason = "called once; each is a fact of its own")]
    pub fn new(
        mote: &'a ChartMote,
        cast: usize,
        choice: Option<Choice>,
        reason: Option<Reason>,
        at: (f64, f64),
        shadow: LnShadow,
        width: f64,
        depth: f64,
        times_seen: f64,
    ) -> Self {
        Subject {
            mote,
            cast,
            choice,
            form: None,
            planes: Vec::new(),
            shadow,
            width,
            depth,
            times_seen,
            x: at.0,
            y: at.1,
            evidence: None,
            probability: None,
            reason,
            decided: false,
            fit: None,
            tone: 1.0,
            tones: [1.0; 3],
            left: None,
            filled: false,
        }
    }

    /// How far its window reaches past the shadow's edge, px.
    pub fn margin(&self) -> f64 {
        (self.shadow.window - 0.5 * self.width).max(0.0)
    }

    /// Whether it may tell where the chart lies and whether it holds: what a person wants kept does so too.
    pub fn votes(&self) -> bool {
        matches!(self.reason, None | Some(Reason::Skipped | Reason::NotPresent | Reason::HiddenByDetail))
    }

    /// Whether it is there and is to go.
    pub fn there(&self) -> bool {
        self.decided && self.reason.is_none()
    }

    /// The shadow of a blocked area: in the light of a cell, or of one plane. `bank`: round ones of that light.
    pub fn lost(&self, light: Light, area_um2: f64, bank: &Bank, pitch: f64) -> Lost {
        let cast = match light {
            Light::Cell => self.form.as_ref(),
            Light::Plane(plane) => self.planes.get(plane),
        };
        match cast {
            Some(cast) => {
                let times = area_um2 / self.mote.blocked_area_um2.value.max(1e-9);
                Lost::Form { cast: cast.clone(), times }
            }
            None => Lost::Round { shape: bank.shape(area_um2), pitch },
        }
    }

    /// Blocked area, as well as it is known, µm².
    pub fn area_um2(&self) -> f64 {
        self.fit.map_or(self.mote.blocked_area_um2.value, |f| f.area_um2)
    }

    /// Whether it goes, and if not, why.
    pub fn decide(&mut self, options: &MendOptions, developed: bool) {
        self.decided = true;
        if matches!(self.reason, Some(Reason::NotPresent | Reason::HiddenByDetail)) {
            self.reason = None;
        }
        if self.reason.is_some() || self.choice == Some(Choice::Mend) {
            return;
        }
        let hidden = if developed { HIDDEN_ONCE_DEVELOPED } else { HIDDEN };
        if self.evidence.is_some_and(|e| e.answer.sigma > hidden) {
            self.reason = Some(Reason::HiddenByDetail);
            return;
        }
        let certain = |probability: Option<f64>| probability.is_some_and(|p| p >= options.certainty);
        // That most motes of a chart are still there says nothing of the one that is gone, and dividing by a shadow that is
        // gone paints a bright spot.
        let shown = self.evidence.is_some_and(|e| e.ln_ratio >= POSITIVE.ln());
        if !certain(self.probability) || !(shown || certain(self.mote.stands)) {
            // An answer that would have been clear had the shadow been there.
            let clear = self.evidence.is_some_and(|e| e.ln_ratio < -1.5);
            self.reason = Some(if clear { Reason::NotPresent } else { Reason::HiddenByDetail });
        }
    }

    /// Amplitude of its shadow in mended cells.
    pub fn left_in(&self, cells: &Cells) -> Option<f64> {
        let question = Question::new(cells, &self.shadow, (self.x, self.y));
        question.ask(&Ground::of(cells), 0, 0).ok().map(|a| a.amplitude)
    }

    /// Whether what is left is less than what was there, as far as noise lets tell.
    pub fn helped(&self, before: Option<f64>, left: Option<f64>) -> bool {
        let (Some(e), Some(before), Some(left)) = (self.evidence, before, left) else { return true };
        left.abs() < before.abs() + e.answer.sigma
    }

    /// How much stronger it should have been divided out by what is left; `None` where that is no more than chance.
    /// What detail under the shadow says is held against how far the fitted strength can be wrong.
    pub fn correction(&self, left: Option<f64>) -> Option<f64> {
        let (sigma, left) = (self.evidence?.answer.sigma, left?);
        let share = STRENGTH_ERROR * STRENGTH_ERROR / (STRENGTH_ERROR * STRENGTH_ERROR + sigma * sigma);
        (left.abs() > 2.0 * sigma).then_some(1.0 + (share * left).clamp(-0.3, 0.3))
    }

    /// Whether an amplitude would be seen on plain ground and is more than chance: of a shadow that was left as it was, or of what
    /// one that was divided out left.
    fn shows(&self, amplitude: f64, treated: bool) -> bool {
        let sigma = self.evidence.map_or(f64::INFINITY, |e| e.answer.sigma);
        let seen = 1.0 / self.times_seen;
        let sure = if treated { speaks_for(seen, amplitude, sigma) > STRONG } else { amplitude.abs() > 2.0 * sigma };
        amplitude.abs() >= seen && sure
    }

    /// What came of it.
    pub fn outcome(self) -> Outcome {
        let answer = self.evidence.map(|e| e.answer);
        let treated = self.there();
        let remains = if treated { self.left } else { answer.map(|a| a.amplitude) };
        let unknown = matches!(self.reason, Some(Reason::NotPresent | Reason::HiddenByDetail));
        let still_shows = !unknown && remains.is_some_and(|a| self.shows(a, treated));
        let treatment = match (treated, self.filled) {
            (false, _) => Treatment::Untouched,
            (true, false) => Treatment::Lifted,
            (true, true) => Treatment::Filled,
        };
        // No shadow takes more than all light: such an answer is made by the picture's own detail.
        let depth = |amplitude: f64| Some(amplitude * self.depth).filter(|d| d.abs() <= 1.0);
        Outcome {
            id: self.mote.id.clone(),
            x_px: self.x,
            y_px: self.y,
            treatment,
            reason: self.reason,
            depth_before: answer.and_then(|a| depth(a.amplitude)),
            depth_after: remains.and_then(depth),
            depth_error: answer.map(|a| a.sigma * self.depth),
            shadow_width_px: self.width,
            depth_foretold: self.depth,
            snr: answer.map(|a| 1.0 / a.sigma),
            probability: self.probability,
            still_shows,
        }
    }
}
