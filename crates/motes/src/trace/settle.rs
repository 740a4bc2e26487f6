//! From evidence to motes: candidates of all lenses lined up, asked about again in every picture, and told apart from
//! what is no mote.

use std::collections::BTreeMap;
use std::sync::Arc;

use motelight_frame::FNumber;
use rayon::prelude::*;

use crate::inspect::stand_off::ASSUMED;
use crate::measure::Estimate;
use crate::trace::STAND_OFFS_MM;
use crate::trace::arrive::{Word, story};
use crate::trace::ask::{SIDE, Told, ask, ask_middle, top};
use crate::trace::candidate::{Candidate, between, line_up};
use crate::trace::expect::{answers, diameter_um, size_prior};
use crate::trace::height::{Rings, left_by_fixed, left_by_shadow, stand_off};
use crate::trace::judge;
use crate::trace::lens::{Pair, Transform, least_squares};
use crate::trace::result::Traced;
use crate::trace::tracer::Tracer;
use crate::trace::view::View;

/// Motes that a sensor is taken to have before anything is seen: a guess that counts for little.
const USUAL_MOTES: f64 = 25.0;

/// Evidence of a candidate, asked at its first place alone, below which it is not looked at more closely. What it may gain
/// by being moved a fraction of a shadow's width is far less than what it lacks: a guess on the safe side.
const SIFTED_BELOW: f64 = 1.0;

/// Pictures whose answers wait to be sorted by candidate: bounds the memory.
const ASKED_TOGETHER: usize = 64;

/// Everything a body's pictures share while they are judged.
pub(super) struct Body<'a, V> {
    pub tracer: &'a Tracer,
    pub view: &'a V,
    /// One per lens.
    pub transforms: Vec<Transform>,
    pub reference: usize,
    /// How much each picture counts.
    pub weights: Vec<f64>,
    /// Distance of neighbouring places of a patch, mm.
    step_mm: f64,
    pub stand_off: Option<(f64, f64)>,
    tables: BTreeMap<(u64, u64), Arc<[f64]>>,
}

/// Judges all pictures taken in.
pub(super) fn settle<V: Fn(usize) -> Option<Arc<View>> + Sync>(tracer: &Tracer, view: &V) -> Traced {
    let mut counts = BTreeMap::new();
    tracer.entries.iter().for_each(|e| *counts.entry(e.view_of).or_insert(0usize) += 1);
    let weights = tracer.entries.iter().map(|e| 1.0 / counts[&e.view_of] as f64).collect();
    let (transforms, reference, mut candidates) = line_up(tracer);
    let step_mm = STAND_OFFS_MM[1] / tracer.largest_n / 5.0;
    let mut body =
        Body { tracer, view, transforms, reference, weights, step_mm, stand_off: None, tables: BTreeMap::new() };
    if tracer.is_empty() {
        return judge::judge(&body, Vec::new(), 1.0, ASSUMED);
    }
    let strays = body.sift(&mut candidates);
    body.ask_all(&mut candidates);
    body.tell_all(&mut candidates);
    body.refine(&mut candidates);
    body.keep(&mut candidates, body.ln_prior() - 6.0);
    body.ask_all(&mut candidates);
    body.tell_all(&mut candidates);
    body.refine(&mut candidates);
    body.keep(&mut candidates, body.ln_prior() - 3.0);
    body.collect_rings(&mut candidates);
    body.measure_height(&candidates);
    let fallback = tracer.known().map_or(ASSUMED, |k| k.stand_off_mm);
    let height = body.stand_off.map_or(fallback, |(value, sigma)| Estimate::new(value, sigma));
    if body.stand_off.is_some() {
        // The glass's own template serves most; where detail crowds in, or the mote is large, the one that found it may.
        let own = |c: &Candidate| Candidate { known: c.known, ..Candidate::new(c.at, height.value) };
        let own: Vec<Candidate> = candidates.iter().map(own).collect();
        candidates.extend(own);
    }
    body.ask_all(&mut candidates);
    body.tell_all(&mut candidates);
    body.refine(&mut candidates);
    body.keep(&mut candidates, 0.0);
    body.collect_rings(&mut candidates);
    let defects = tracer.defects();
    candidates.retain(|c| !body.is_defect(c, &defects) && !body.keeps_its_size(c, height.value));
    judge::judge(&body, candidates, strays, height)
}

impl<V: Fn(usize) -> Option<Arc<View>> + Sync> Body<'_, V> {
    /// Logarithm of the odds that a mote lies at one given place, before anything is seen.
    pub fn ln_prior(&self) -> f64 {
        let side = STAND_OFFS_MM[1] / self.tracer.largest_n / 3.0;
        let places = self.tracer.sensor_mm.0 * self.tracer.sensor_mm.1 / (side * side);
        (places / USUAL_MOTES).max(1.0).ln()
    }

    /// What a mote of each size answers in a picture.
    pub fn answers(&self, f_number: FNumber, template_mm: f64) -> Arc<[f64]> {
        let height = self.stand_off.map_or(template_mm, |s| s.0);
        self.tables
            .get(&(f_number.marked().to_bits(), template_mm.to_bits()))
            .cloned()
            .unwrap_or_else(|| answers(height, f_number, template_mm * 1000.0 / f_number.exact()).into())
    }

    /// The same of every picture.
    fn answers_of_all(&self, template_mm: f64) -> Vec<Arc<[f64]>> {
        let mut last: Option<(FNumber, Arc<[f64]>)> = None;
        let entries = self.tracer.entries.iter();
        let answers = |n: FNumber| {
            let same = last.take().filter(|(of, _)| *of == n);
            let (_, answers) = last.insert(same.unwrap_or_else(|| (n, self.answers(n, template_mm))));
            answers.clone()
        };
        entries.map(|e| e.f_number).map(answers).collect()
    }

    fn fill_tables(&mut self, candidates: &[Candidate]) {
        let mut keys: Vec<(FNumber, f64)> = Vec::new();
        for n in self.tracer.entries.iter().map(|e| e.f_number) {
            for c in candidates {
                if !keys.iter().any(|k| k.0 == n && k.1 == c.template_mm) {
                    keys.push((n, c.template_mm));
                }
            }
        }
        self.tables.clear();
        let tables: Vec<_> = keys
            .par_iter()
            .map(|&(n, template)| ((n.marked().to_bits(), template.to_bits()), self.answers(n, template)))
            .collect();
        self.tables = tables.into_iter().collect();
    }

    /// Asks every picture about every candidate.
    fn ask_all(&mut self, candidates: &mut [Candidate]) {
        self.fill_tables(candidates);
        let pictures = self.tracer.entries.len();
        candidates.iter_mut().for_each(|c| c.told = Vec::with_capacity(pictures));
        for first in (0..pictures).step_by(ASKED_TOGETHER) {
            let asked: &[Candidate] = candidates;
            let told: Vec<Vec<Option<Told>>> = (first..(first + ASKED_TOGETHER).min(pictures))
                .into_par_iter()
                .map(|k| (self.view)(k).map_or(vec![None; asked.len()], |view| self.ask_picture(k, &view, asked)))
                .collect();
            for told in told {
                candidates.iter_mut().zip(told).for_each(|(c, told)| c.told.push(told));
            }
        }
    }

    fn ask_picture(&self, k: usize, view: &View, asked: &[Candidate]) -> Vec<Option<Told>> {
        let entry = &self.tracer.entries[k];
        let transform = self.transforms[entry.lens];
        asked.iter().map(|c| ask(view, &entry.strays, transform.apply(c.at), c.template_mm, self.step_mm)).collect()
    }

    /// Lost light in rings, where a picture shows a candidate plainly.
    fn collect_rings(&self, candidates: &mut [Candidate]) {
        let strong: Vec<usize> = (0..candidates.len()).filter(|&c| candidates[c].evidence() > 0.0).collect();
        let per_picture: Vec<Vec<(usize, Rings)>> = (0..self.tracer.entries.len())
            .into_par_iter()
            .map(|k| {
                let entry = &self.tracer.entries[k];
                let transform = self.transforms[entry.lens];
                let Some(view) = (self.view)(k) else { return Vec::new() };
                let mut found = Vec::new();
                for &c in &strong {
                    let candidate = &candidates[c];
                    let there = candidate.story.as_ref().map_or(0.0, |s| s.present[k]);
                    let Some(told) = &candidate.told[k] else { continue };
                    let expected = self.answers(entry.f_number, candidate.template_mm)[candidate.size()];
                    if there < 0.5 || expected < 1.5 * f64::from(told.sigma) {
                        continue;
                    }
                    let width = candidate.template_mm * 1000.0 / entry.f_number.exact() / view.cell_um();
                    let mut rings = Rings::new(entry.f_number);
                    rings.add(&view, transform.apply(candidate.at), f64::from(told.sigma), width * width);
                    found.push((c, rings));
                }
                found
            })
            .collect();
        for candidate in candidates.iter_mut() {
            candidate.rings.clear();
        }
        for (c, rings) in per_picture.into_iter().flatten() {
            let all = &mut candidates[c].rings;
            match all.iter_mut().find(|r| r.f_number == rings.f_number) {
                Some(same) => same.merge(&rings),
                None => all.push(rings),
            }
        }
    }

    /// Tells the stories of all candidates, those with the most evidence first: what a plainer mote nearby takes of the
    /// light is not counted twice.
    fn tell_all(&self, candidates: &mut [Candidate]) {
        candidates.par_iter_mut().for_each(|c| self.tell(c, &[]));
        let mut order: Vec<usize> = (0..candidates.len()).collect();
        order.sort_by(|&a, &b| candidates[b].evidence().total_cmp(&candidates[a].evidence()));
        let strong: Vec<(usize, (f64, f64), f64)> = order
            .iter()
            .filter(|&&c| candidates[c].evidence() > self.ln_prior())
            .map(|&c| (c, candidates[c].at, diameter_um(candidates[c].size()) / 1000.0))
            .collect();
        let rank: BTreeMap<usize, usize> = order.iter().enumerate().map(|(rank, &c)| (c, rank)).collect();
        candidates.par_iter_mut().enumerate().for_each(|(own, c)| {
            let near: Vec<((f64, f64), f64)> = strong
                .iter()
                .filter(|(other, at, a)| {
                    let apart = (at.0 - c.at.0).hypot(at.1 - c.at.1);
                    rank[other] < rank[&own] && apart < 1.0 + a
                })
                .map(|(_, at, a)| (*at, *a))
                .collect();
            if !near.is_empty() {
                self.tell(c, &near);
            }
        });
    }

    /// Words and story of one candidate; `near`: plainer motes about, with their diameters, mm.
    fn tell(&self, c: &mut Candidate, near: &[((f64, f64), f64)]) {
        let entries = &self.tracer.entries;
        let answers = self.answers_of_all(c.template_mm);
        c.words = (0..entries.len())
            .map(|k| {
                let width = self.stand_off.map_or(c.template_mm, |s| s.0) / entries[k].f_number.exact();
                let covered = near.iter().any(|(at, a)| (at.0 - c.at.0).hypot(at.1 - c.at.1) < 0.9 * (width + a));
                let told = c.told[k].as_ref().map(|t| {
                    let darker = if covered { f64::NAN } else { between(&t.darker, c.offset) };
                    (darker, f64::from(t.sigma))
                });
                self.word(k, c.template_mm, &answers, told)
            })
            .collect();
        c.story = Some(story(&c.words, &size_prior()));
    }

    /// What picture `k` says of a place: how much darker it is (NaN: that does not count) and the standard error.
    fn word(&self, k: usize, template_mm: f64, answers: &[Arc<[f64]>], told: Option<(f64, f64)>) -> Word {
        let entries = &self.tracer.entries;
        let entry = &entries[k];
        let sigma = told.map_or(f64::INFINITY, |t| t.1);
        let lens_changed = k > 0 && {
            let (a, b) = (entries[k - 1].lens, entry.lens);
            a != b && !self.tracer.lenses[a].key.same_lens(&self.tracer.lenses[b].key)
        };
        Word {
            darker: told.map(|t| t.0 / sigma).filter(|z| z.is_finite()),
            answers: answers[k].clone(),
            sigma,
            weight: self.weights[k],
            lens_changed,
            strange: entry.strays.strange(template_mm),
        }
    }

    /// Moves candidates to where their pictures show them best, and lenses to where they show their candidates.
    fn refine(&mut self, candidates: &mut [Candidate]) {
        let lenses = self.transforms.len();
        let stacks: Vec<Vec<Option<Stack>>> = candidates
            .par_iter()
            .map(|c| (0..=lenses).map(|g| self.stack(c, (g < lenses).then_some(g))).collect())
            .collect();
        // Lenses first: how far each shows the candidates off against the reference lens.
        let (far, step) = (self.tracer.sensor_mm.0.hypot(self.tracer.sensor_mm.1) / 3.0, self.step_mm);
        let mut moved = self.transforms.clone();
        for g in (0..lenses).filter(|&g| g != self.reference) {
            let mut pairs = Vec::new();
            for (c, stacks) in candidates.iter().zip(&stacks) {
                let (Some(own), Some(base)) = (&stacks[g], &stacks[self.reference]) else { continue };
                if c.evidence() < self.ln_prior() + 4.0 {
                    continue;
                }
                let at = (c.at.0 + base.offset.0 * step, c.at.1 + base.offset.1 * step);
                let here = self.transforms[g].apply(c.at);
                let there = (here.0 + own.offset.0 * step, here.1 + own.offset.1 * step);
                let error = (own.error_mm.powi(2) + base.error_mm.powi(2)).sqrt() + 0.004;
                pairs.push(Pair { at, there, weight: 1.0 / (error * error) });
            }
            moved[g] = least_squares(&pairs, self.transforms[g], 0.03, far);
        }
        for (c, stacks) in candidates.iter_mut().zip(&stacks) {
            // The answers stay those of the old place until it is asked again.
            c.offset = stacks[lenses].as_ref().map_or((0.0, 0.0), |all| all.offset);
            let seen = |g: usize| {
                let stack = stacks[g].as_ref()?;
                let here = self.transforms[g].apply(c.at);
                let there = (here.0 + stack.offset.0 * step, here.1 + stack.offset.1 * step);
                Some((moved[g].undo(there), 1.0 / stack.error_mm.powi(2)))
            };
            let places: Vec<_> = (0..lenses).filter_map(seen).collect();
            let weight: f64 = places.iter().map(|p| p.1).sum();
            if weight > 0.0 {
                let mean = |f: fn(&((f64, f64), f64)) -> f64| places.iter().map(|p| f(p) * p.1).sum::<f64>() / weight;
                c.at = (mean(|p| p.0.0), mean(|p| p.0.1));
            }
        }
        self.transforms = moved;
        self.tell_all(candidates);
        candidates.iter_mut().for_each(|c| c.offset = (0.0, 0.0));
    }

    /// All patches of a candidate, through one lens or all, added up by what they tell.
    fn stack(&self, c: &Candidate, lens: Option<usize>) -> Option<Stack> {
        let story = c.story.as_ref()?;
        let size = c.size();
        let (mut sum, mut squares, mut width, mut weights) = ([0.0f64; SIDE * SIDE], 0.0, 0.0, 0.0);
        for (k, entry) in self.tracer.entries.iter().enumerate() {
            let Some(told) = c.told[k].as_ref().filter(|_| lens.is_none_or(|g| g == entry.lens)) else { continue };
            let sigma = f64::from(told.sigma);
            let expected = c.words[k].answers[size];
            let spread = sigma.hypot(0.2 * expected);
            let weight = self.weights[k] * story.present[k] * expected / (spread * spread);
            if weight * expected < 0.05 || told.darker.iter().any(|v| v.is_nan()) {
                continue;
            }
            for (to, v) in sum.iter_mut().zip(&told.darker) {
                *to += weight * f64::from(*v).min(2.0 * expected);
            }
            let snr = expected / sigma;
            squares += (snr * snr).min(25.0) * story.present[k];
            width += weight * expected * c.template_mm / entry.f_number.exact();
            weights += weight * expected;
        }
        if squares < 9.0 {
            return None;
        }
        let (offset, _) = top(&sum);
        // Position error of a disc-like answer: about a third of its width over the signal-to-noise ratio.
        Some(Stack { offset, error_mm: 0.33 * width / weights / squares.sqrt() })
    }

    /// Keeps what has at least this much evidence over what a place needs, each thing once.
    fn keep(&self, candidates: &mut Vec<Candidate>, least: f64) {
        let least = if least == 0.0 { self.ln_prior() } else { least };
        let mut kept: Vec<Candidate> = Vec::new();
        let mut all = std::mem::take(candidates);
        all.sort_by(|a, b| b.evidence().total_cmp(&a.evidence()));
        for c in all {
            let Some(story) = &c.story else { continue };
            let least = if c.known { 0.0 } else { least };
            let several = c.known || (story.evidence_without_best > 0.35 * least && story.views > 1.5);
            if story.evidence < least || !several {
                continue;
            }
            let twin = kept.iter().any(|k| {
                let reach = 0.5 * (diameter_um(k.size()) / 1000.0 + 0.7 * k.template_mm / self.tracer.largest_n);
                (k.at.0 - c.at.0).hypot(k.at.1 - c.at.1) < reach
            });
            if !twin {
                kept.push(c);
            }
        }
        *candidates = kept;
    }

    fn measure_height(&mut self, candidates: &[Candidate]) {
        let mut plain: Vec<&Candidate> = candidates.iter().filter(|c| !c.rings.is_empty()).collect();
        plain.truncate(30);
        let places: Vec<Vec<Rings>> = plain.iter().map(|c| c.rings.clone()).collect();
        self.stand_off = stand_off(&places);
    }

    /// Whether a candidate is no larger than a defect of a pixel and stands where one is, seen through any of the lenses.
    fn is_defect(&self, c: &Candidate, defects: &[(f64, f64)]) -> bool {
        let pitch_um = self.tracer.entries[0].pitch_um;
        // A dead photosite and what demosaicing makes of it take the light of a few pixels, and more of its logarithm.
        let small = diameter_um(c.size()) < 5.5 * pitch_um;
        let near_mm = 0.4 * STAND_OFFS_MM[0] / self.tracer.largest_n + 0.01;
        small
            && self.transforms.iter().any(|t| {
                let (x, y) = t.apply(c.at);
                defects.iter().any(|d| (d.0 - x).hypot(d.1 - y) < near_mm)
            })
    }

    /// Whether a candidate is the same at all f-numbers rather than a shadow.
    fn keeps_its_size(&self, c: &Candidate, height: f64) -> bool {
        if c.rings.is_empty() {
            return false;
        }
        let shadow = left_by_shadow(&c.rings, height);
        let (fixed, diameter) = left_by_fixed(&c.rings);
        let several = c.rings.iter().any(|r| r.f_number.exact() > 1.3 * c.rings[0].f_number.exact())
            || c.rings.iter().any(|r| 1.3 * r.f_number.exact() < c.rings[0].f_number.exact());
        let narrow = diameter < 0.45 * height * 1000.0 / self.tracer.largest_n;
        let excess = (fixed.min(shadow) / (15.0 * c.rings.len() as f64)).max(1.0);
        // Defects of single pixels are about as frequent as motes of that size: the better fit decides. Larger things
        // must fit much better to be no shadow.
        let least = if narrow { 2.0 } else { 20.0 };
        (several || narrow) && (shadow - fixed) / excess > least
    }

    /// Asks every picture about candidates and about places taken blindly, each alone: leaves out candidates that their own
    /// pictures speak against, and gives how much answers stray ([`Self::strays`]).
    fn sift(&mut self, candidates: &mut Vec<Candidate>) -> f64 {
        const ACROSS: i32 = 18;
        self.fill_tables(candidates);
        let (w, h) = self.tracer.sensor_mm;
        let blindly = (0..ACROSS * ACROSS).map(|p| {
            let at = |i: i32| (f64::from(i) + 0.5) / f64::from(ACROSS) - 0.5;
            ((0.97 * w * at(p % ACROSS), 0.97 * h * at(p / ACROSS)), STAND_OFFS_MM[1])
        });
        let places: Vec<((f64, f64), f64)> = candidates.iter().map(|c| (c.at, c.template_mm)).chain(blindly).collect();
        let told: Vec<Vec<Option<(f64, f64)>>> = (0..self.tracer.entries.len())
            .into_par_iter()
            .map(|k| {
                let Some(view) = (self.view)(k) else { return vec![None; places.len()] };
                let entry = &self.tracer.entries[k];
                let transform = self.transforms[entry.lens];
                places.iter().map(|&(at, h)| ask_middle(&view, &entry.strays, transform.apply(at), h)).collect()
            })
            .collect();
        let stays: Vec<bool> = candidates
            .par_iter()
            .enumerate()
            .map(|(c, candidate)| {
                let (template, answers) = (candidate.template_mm, self.answers_of_all(candidate.template_mm));
                let told = told.iter().enumerate();
                let words: Vec<Word> = told.map(|(k, told)| self.word(k, template, &answers, told[c])).collect();
                candidate.known || story(&words, &size_prior()).evidence > SIFTED_BELOW
            })
            .collect();
        let blind = candidates.len();
        let mut stays = stays.into_iter();
        candidates.retain(|_| stays.next().unwrap_or(true));
        self.strays(&told, blind..places.len())
    }

    /// How much answers added up over all pictures stray at places taken blindly, against what their errors say: more
    /// than 1 where something stays put that is no mote (gains of pixels, blocks of compression).
    fn strays(&self, told: &[Vec<Option<(f64, f64)>>], places: std::ops::Range<usize>) -> f64 {
        let mut sums: Vec<f32> = places
            .filter_map(|p| {
                let (mut sum, mut squares) = (0.0, 0.0);
                for (k, entry) in self.tracer.entries.iter().enumerate() {
                    let Some((darker, sigma)) = told[k][p] else { continue };
                    let n = entry.f_number.exact();
                    let (z, s) = (darker / sigma, (n * n / 3e4 / sigma).min(1.0));
                    sum += self.weights[k] * s * z.clamp(-4.0, 4.0);
                    squares += (self.weights[k] * s).powi(2);
                }
                (squares > 0.0).then(|| (sum / squares.sqrt()).abs() as f32)
            })
            .collect();
        if sums.len() < 50 {
            return 1.0;
        }
        let middle = sums.len() / 2;
        f64::from(*sums.select_nth_unstable_by(middle, f32::total_cmp).1) / 0.6745
    }
}

struct Stack {
    offset: (f64, f64),
    error_mm: f64,
}
