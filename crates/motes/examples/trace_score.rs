//! Scores `trace` on folders of shoots with the truth beside them.
//!
//! `cargo run --release -p motelight-motes --example trace_score -- DIR... [--list]`: per shoot and over all, motes found,
//! false ones, errors of place, arrivals, and whether shows / hidden agrees with the truth.
#![allow(clippy::print_stdout, reason = "a table for a person")]

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use motelight_frame::{Limits, Micrometres, RawDecoder, ReadOptions, Shot, read_reduced, read_shot};
use motelight_motes::Profile;
use motelight_motes::trace::{Boiled, LOWEST_MM, TraceOptions, Traced, Tracer, View, cell_for};
use motelight_motes::visibility::{Picture, Viewing, shows};
use serde_json::Value;

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let list = args.iter().any(|a| a == "--list");
    let mut total = Score::default();
    for folder in args.iter().filter(|a| !a.starts_with("--")) {
        let folder = PathBuf::from(folder);
        let text = std::fs::read_to_string(folder.join("truth.json")).expect("truth.json");
        let truth: Value = serde_json::from_str(&text).expect("JSON");
        let start = Instant::now();
        let traced = trace(&folder, &truth);
        let took = start.elapsed().as_secs_f64();
        let score = compare(&traced, &truth, list);
        println!(
            "{}: {took:.1} s, h {:.2} ± {:.2} ({}) true {:.2}",
            folder.display(),
            traced.stand_off_mm.value,
            traced.stand_off_mm.sigma,
            if traced.stand_off_measured { "measured" } else { "assumed" },
            truth["stand_off_mm"].as_f64().unwrap_or(0.0)
        );
        println!("   {score}");
        total.add(&score);
    }
    println!("all: {total}");
}

fn trace(folder: &Path, truth: &Value) -> Traced {
    let options = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
    let pictures = truth["pictures"].as_array().expect("pictures");
    let paths: Vec<PathBuf> = pictures.iter().map(|p| folder.join(p["file"].as_str().expect("a name"))).collect();
    let shots: Vec<Shot> = paths.iter().map(|p| read_shot(p, &options).expect("a picture").0).collect();
    let mut tracer = Tracer::new(TraceOptions::default(), &shots.iter().collect::<Vec<_>>());
    let mut views = Vec::new();
    for path in &paths {
        let reduced = read_reduced(path, &options, |shot, size| cell_for(shot, size, LOWEST_MM)).expect("a picture");
        views.push(Arc::new(tracer.add(Boiled::of(View::of(reduced)))));
    }
    tracer.finish(|k| Some(Arc::clone(&views[k])))
}

#[derive(Default)]
struct Score {
    wanted: usize,
    found: usize,
    false_motes: usize,
    shoots: usize,
    misplaced: usize,
    matched: usize,
    arrival_strong: (usize, usize),
    arrival_held: (usize, usize),
    agree: (usize, usize),
}

impl Score {
    fn add(&mut self, o: &Score) {
        self.wanted += o.wanted;
        self.found += o.found;
        self.false_motes += o.false_motes;
        self.shoots += o.shoots;
        self.misplaced += o.misplaced;
        self.matched += o.matched;
        for (a, b) in [
            (&mut self.arrival_strong, o.arrival_strong),
            (&mut self.arrival_held, o.arrival_held),
            (&mut self.agree, o.agree),
        ] {
            a.0 += b.0;
            a.1 += b.1;
        }
    }
}

impl std::fmt::Display for Score {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let share = |(a, b): (usize, usize)| format!("{a}/{b} = {:.1} %", 100.0 * a as f64 / b.max(1) as f64);
        write!(
            f,
            "found {}; false {} in {} shoots; misplaced {}; arrival (SNR 3) {}; held {}; shows agrees {}",
            share((self.found, self.wanted)),
            self.false_motes,
            self.shoots,
            share((self.misplaced, self.matched)),
            share(self.arrival_strong),
            share(self.arrival_held),
            share(self.agree)
        )
    }
}

/// A true mote in one picture.
struct There {
    x: f64,
    y: f64,
    width: f64,
    /// Signal-to-noise ratio with the scene's own unevenness counted as noise of the shadow's size.
    snr: f64,
    shows: bool,
    plain: bool,
    ratio: f64,
}

fn there(picture: &Value, mote: &Value, uneven: f64) -> There {
    let number = |key: &str| mote[key].as_f64().unwrap_or(0.0);
    let (depth, width) = (number("depth_luminance"), number("shadow_width_px"));
    let pitch = picture["pitch_um"].as_f64().unwrap_or(5.0);
    let size = motelight_frame::Size {
        width: picture["size"][0].as_u64().unwrap_or(1) as usize,
        height: picture["size"][1].as_u64().unwrap_or(1) as usize,
    };
    // A disc of the true depth and width stands for the shadow.
    let radius = 0.5 * width * pitch;
    let lost = (0..=40).map(|i| if f64::from(i) * radius / 20.0 <= radius { depth } else { 0.0 }).collect();
    let profile = Profile::new(Micrometres(radius / 20.0), lost).expect("two samples");
    let seen = Picture { size, pitch: Micrometres(pitch), grain: 0.01 };
    let visible = Viewing::standard().iter().any(|v| shows(&profile, &seen, v).shows());
    let plain = uneven < 0.4 * depth;
    There {
        x: number("x_px"),
        y: number("y_px"),
        width,
        snr: number("snr"),
        shows: visible && plain,
        plain,
        ratio: uneven / depth,
    }
}

fn compare(traced: &Traced, truth: &Value, list: bool) -> Score {
    let mut score = Score { shoots: 1, ..Score::default() };
    let pictures = truth["pictures"].as_array().expect("pictures");
    let motes = truth["motes"].as_array().expect("motes");
    let mut used = vec![false; traced.motes.len()];
    for mote in motes {
        let id = mote["id"].as_u64();
        let first = mote["first"].as_u64().unwrap_or(0) as usize;
        let all: Vec<Option<There>> = pictures
            .iter()
            .map(|p| {
                let here = p["motes"].as_array()?;
                let i = here.iter().position(|m| m["id"].as_u64() == id)?;
                let t = there(p, &here[i], p["unevenness"][i].as_f64().unwrap_or(0.0));
                let inside = |v: f64, side: usize| v > 0.0 && v < p["size"][side].as_f64().unwrap_or(0.0);
                (inside(t.x, 0) && inside(t.y, 1)).then_some(t)
            })
            .collect();
        let showing = all.iter().flatten().filter(|t| t.shows).count();
        // The found mote that lies nearest in the pictures that have both.
        let near = (0..traced.motes.len())
            .filter_map(|m| {
                let id = &traced.motes[m].id;
                let misses: Vec<(f64, f64)> = traced
                    .pictures
                    .iter()
                    .zip(&all)
                    .filter_map(|(p, t)| {
                        let (t, s) = (t.as_ref()?, p.motes.iter().find(|s| s.id == *id)?);
                        Some(((s.x_px - t.x).hypot(s.y_px - t.y) / t.width, t.snr))
                    })
                    .collect();
                let weight: f64 = misses.iter().map(|m| m.1).sum();
                let mean = misses.iter().map(|m| m.0 * m.1).sum::<f64>() / weight.max(1e-9);
                (!misses.is_empty()).then_some((m, mean))
            })
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|n| n.1 < 1.0);
        let wanted = showing >= 3;
        score.wanted += usize::from(wanted);
        let best = all.iter().flatten().filter(|t| t.plain).map(|t| t.snr).fold(0.0, f64::max);
        let Some((m, miss)) = near else {
            if list && wanted {
                println!(
                    "   missed {id:?}: shows in {showing}, best SNR {best:.1}, since {first}, at {}",
                    mote["glass_mm"]
                );
            }
            continue;
        };
        used[m] = true;
        score.found += usize::from(wanted);
        score.matched += 1;
        score.misplaced += usize::from(miss > 0.3);
        let found = &traced.motes[m];
        // Arrival, counted over the pictures in which its place is plain.
        let plain: Vec<usize> = (0..pictures.len())
            .filter(|&k| {
                let here = traced.pictures[k].motes.iter().any(|s| s.id == found.id && s.snr >= 2.0);
                all[k].as_ref().map_or(here || k < first, |t| t.plain)
            })
            .collect();
        let count = |k: usize| plain.iter().filter(|&&p| p < k).count() as i64;
        let span = found.arrival;
        let held = span.after.is_none_or(|a| a < first) && span.before.is_some_and(|b| b >= first);
        let held = held || (span.after.is_none() && span.before == Some(0) && first == 0);
        score.arrival_held.1 += 1;
        score.arrival_held.0 += usize::from(held);
        let mut per_picture: Vec<f64> = all.iter().flatten().filter(|t| t.plain).map(|t| t.snr).collect();
        per_picture.sort_by(f64::total_cmp);
        let typical = per_picture.get(per_picture.len() / 2).copied().unwrap_or(0.0);
        let right = (count(span.before.unwrap_or(0)) - count(first)).abs() <= 1;
        if typical >= 3.0 {
            score.arrival_strong.1 += 1;
            score.arrival_strong.0 += usize::from(right);
        }
        let mut agreed = (0, 0);
        for (k, t) in all.iter().enumerate() {
            let Some(t) = t else { continue };
            let said = traced.pictures[k].motes.iter().find(|s| s.id == found.id).is_some_and(|s| s.shows);
            agreed.1 += 1;
            if list && said != t.shows {
                let s = traced.pictures[k].motes.iter().find(|s| s.id == found.id);
                println!(
                    "     differs k {k}: said {said} truth {} plain {} uneven/depth {:.2} truth snr {:.1} | {:?}",
                    t.shows,
                    t.plain,
                    t.ratio,
                    t.snr,
                    s.map(|s| (s.snr, s.times_threshold, s.reason))
                );
            }
            agreed.0 += usize::from(said == t.shows);
        }
        score.agree.0 += agreed.0;
        score.agree.1 += agreed.1;
        if list {
            println!(
                "   {} {id:?}: {:.1} um (true {:.1}), miss {miss:.2}, snr {:.0}, typical {typical:.1}, since {:?}..{:?} p {:.2} (true {first}) {}{}, shows {showing} agree {agreed:?}",
                found.id,
                found.equivalent_diameter_um.value,
                pictures
                    .iter()
                    .find_map(|p| {
                        p["motes"].as_array()?.iter().find(|m| m["id"].as_u64() == id)?["equivalent_diameter_um"]
                            .as_f64()
                    })
                    .unwrap_or(0.0),
                found.snr,
                span.after,
                span.before,
                span.probability,
                if held { "" } else { "NOT HELD " },
                if right || typical < 3.0 { "" } else { "WRONG" },
            );
        }
    }
    for (m, used) in used.iter().enumerate() {
        if !used {
            score.false_motes += 1;
            if list {
                println!("   false {:?}", traced.motes[m]);
            }
        }
    }
    score
}
