//! Makes pairs of synthetic test frames with cleaning between them, and scores `recheck` on them.
//!
//! `cargo run --release -p motelight-motes --example recheck_score -- DIR [--pairs 6] [--seed 1] [--motes 30] [--list]`:
//! per pair and over all, statuses against the truth among motes over 1.2 times both floors; residue found; stand-offs; a frame held
//! against itself; pairs of different bodies without serial numbers (`--strangers 100`). Pairs already in DIR are used again.
#![allow(clippy::print_stdout, reason = "a table for a person")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use motelight_frame::{Frame, Limits, RawDecoder, ReadOptions, read};
use motelight_motes::inspect::stand_off::StandOffSource;
use motelight_motes::inspect::{InspectOptions, Inspection, inspect};
use motelight_motes::recheck::{Recheck, Side, Status, recheck};
use motelight_synth::random::Random;
use motelight_synth::scene::Canvas;
use motelight_synth::sets::{COMMON_UM, FrameSpec, dust, format, test_frame, write};
use motelight_synth::{Exposure, Mode, Mote, Shape};
use serde_json::Value;

/// What lies between two frames.
const SORTS: [&str; 7] = ["dry", "wet", "pupil", "shift", "turned", "stops", "heavy"];

struct Wanted {
    pairs: u64,
    seed: u64,
    motes: usize,
    list: bool,
    strangers: usize,
}

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let number = |name: &str, or: u64| {
        args.iter().position(|a| a == name).and_then(|i| args.get(i + 1)?.parse().ok()).unwrap_or(or)
    };
    let wanted = Wanted {
        pairs: number("--pairs", 6),
        seed: number("--seed", 1),
        motes: number("--motes", 30) as usize,
        list: args.iter().any(|a| a == "--list"),
        strangers: number("--strangers", 0) as usize,
    };
    let folder = PathBuf::from(&args[0]);
    std::fs::create_dir_all(&folder).expect("a folder");
    let mut tally = Tally::default();
    let mut charts = Vec::new();
    for (k, sort) in SORTS.into_iter().enumerate() {
        for n in 0..wanted.pairs {
            let seed = wanted.seed * 1000 + n * 17 + k as u64;
            let paths = make(&folder, sort, seed, wanted.motes);
            let told = one(sort, &paths, wanted.list, &mut tally);
            charts.push(told);
        }
        tally.say(sort);
    }
    tally.total();
    strangers(&charts, wanted.strangers);
}

/// Two frames and their truths.
fn make(folder: &Path, sort: &str, seed: u64, motes: usize) -> [PathBuf; 2] {
    let number = seed;
    let extension = format(number).extension();
    let paths = ["before", "after"].map(|which| folder.join(format!("{sort}-{seed:05}-{which}.{extension}")));
    if paths.iter().all(|p| p.is_file()) {
        return paths;
    }
    let mode = if seed.is_multiple_of(3) { Mode::PupilIntegral } else { Mode::Fresnel };
    let mut spec = FrameSpec { mode, f_number: Some(16.0), ..FrameSpec::new(seed, motes) };
    if sort == "heavy" {
        spec.motes = 2 * motes;
    }
    let before = test_frame(&spec);
    let mut random = Random::new(seed, 0xafe);
    let wet = matches!(sort, "wet");
    let (mut lens, mut shot) = (before.lens.clone(), before.shot.clone());
    shot.seed ^= 0x9e37;
    let half = [before.camera.width, before.camera.height].map(|px| px as f64 * before.camera.pitch_um / 2000.0);
    let mut after: Vec<Mote> = Vec::new();
    for mote in &before.motes {
        let lot = random.unit();
        let (gone, moved) = if wet { (0.75, 0.78) } else { (0.35, 0.45) };
        if lot < gone {
            continue;
        }
        let mut mote = mote.clone();
        if lot < moved {
            let hop = [random.normal_pair(), random.normal_pair()].map(|(a, _)| 1.5 * f64::from(a));
            let near = random.chance(0.5);
            for (k, at) in mote.at_mm.iter_mut().enumerate() {
                // A hop beyond the edge comes back from it: what lands outside is not moved but gone.
                let hopped = *at + hop[k];
                let back = if hopped.abs() > half[k] { 2.0 * half[k].copysign(hopped) - hopped } else { hopped };
                *at = if near { back.clamp(-half[k], half[k]) } else { random.between(-half[k], half[k]) };
            }
        }
        after.push(mote);
    }
    let new = dust(&mut Random::new(seed, 0xbeef), &before.camera, motes / 8, false, COMMON_UM);
    after.extend(new.into_iter().enumerate().map(|(i, m)| Mote { id: 1000 + i as u32, ..m }));
    if wet {
        let at_mm = half.map(|h| random.between(-0.6 * h, 0.6 * h));
        let shape = Shape::Residue {
            length_um: random.between(2000.0, 5000.0),
            width_um: random.between(300.0, 800.0),
            angle: random.between(-0.2, 0.2),
            loss: random.between(0.015, 0.04),
            seed,
        };
        after.push(Mote { id: 2000, at_mm, shape, stand_off_mm: None });
    }
    match sort {
        "pupil" => {
            lens.model = "Ornell 24-70mm f/4".into();
            lens.exit_pupil_mm = if before.lens.exit_pupil_mm > 85.0 { 50.0 } else { 120.0 };
        }
        "shift" => lens.shift_mm = [11.0, 0.0],
        "turned" => shot.orientation = if shot.orientation == 6 { 1 } else { 6 },
        "stops" => shot.f_number = 22.0,
        _ => {}
    }
    let canvas = match &before.canvas {
        Canvas::Wall(wall) => {
            let mut wall = wall.clone();
            if let Some(texture) = &mut wall.texture {
                texture.seed ^= 0x5eed;
            }
            wall.slope = wall.slope.map(|s| s + random.between(-0.05, 0.05));
            wall.level = wall.level.map(|l| l * random.between(0.9, 1.1) as f32);
            Canvas::Wall(wall)
        }
        other => other.clone(),
    };
    let second = Exposure::new(before.camera.clone(), lens, shot, after, before.mode, canvas);
    for (exposure, path) in [&before, &second].into_iter().zip(&paths) {
        write(exposure, format(number), None, path, &truth_path(path)).expect("written");
    }
    paths
}

fn truth_path(path: &Path) -> PathBuf {
    path.with_extension("truth.json")
}

fn open(path: &Path) -> Frame {
    read(path, &ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess }).expect("readable")
}

/// A frame and its inspection, without its serial number.
type Kept = (Frame, Inspection);

fn one(sort: &str, paths: &[PathBuf; 2], list: bool, tally: &mut Tally) -> Option<Kept> {
    let frames = [open(&paths[0]), open(&paths[1])];
    let found = frames.each_ref().map(|f| inspect(f, &InspectOptions::default()));
    tally.stand_offs.extend(stand_offs(&found, paths));
    tally.frames += 2;
    let side = |i: usize| Side { frame: &frames[i], inspection: &found[i] };
    let name = paths[0].file_name().unwrap_or_default().to_string_lossy().into_owned();
    let start = std::time::Instant::now();
    let result = recheck(side(0), side(1));
    let took = start.elapsed().as_secs_f64();
    let itself = recheck(side(1), side(1)).expect("itself");
    assert!(itself.fates.iter().all(|f| f.status == Status::Stayed) && itself.residue.is_empty());
    match &result {
        Ok(done) => {
            let truths = paths.each_ref().map(|p| truth(&truth_path(p)));
            let counts @ [right, statuses, all] = compare(done, &found, &truths, list, &name);
            let t = &done.transform;
            println!(
                "{name:32} {statuses}/{all} (with partners {right}) scale {:.5} dx {:.3} dy {:.3} by {} motes; residue {:?} ratio {} {took:.2} s",
                t.scale,
                t.dx_mm,
                t.dy_mm,
                t.motes,
                done.residue
                    .iter()
                    .map(|r| (
                        r.kind,
                        (r.length_mm * 10.0).round() / 10.0,
                        (r.width_mm * 10.0).round() / 10.0,
                        (r.contrast * 1000.0).round() / 10.0
                    ))
                    .collect::<Vec<_>>(),
                done.by_ratio,
            );
            tally.add(sort, counts, done, &truths[1]);
        }
        Err(e) => {
            println!("{name:32} REFUSED {e}");
            tally.add_refused(sort);
        }
    }
    let [_, frame] = frames;
    let [_, inspection] = found;
    Some((frame, inspection))
}

fn whole_truth(path: &Path) -> Value {
    let text = std::fs::read_to_string(path).expect("a truth");
    serde_json::from_str(&text).expect("JSON")
}

fn truth(path: &Path) -> Vec<Value> {
    whole_truth(path)["motes"].as_array().cloned().unwrap_or_default()
}

fn number(v: &Value, key: &str) -> f64 {
    v[key].as_f64().unwrap_or(0.0)
}

/// Number of the truth's mote that each mote of the inspection is.
fn named(found: &Inspection, truth: &[Value]) -> BTreeMap<usize, u64> {
    let mut order: Vec<&Value> = truth.iter().collect();
    order.sort_by(|a, b| number(b, "snr").total_cmp(&number(a, "snr")));
    let mut named = BTreeMap::new();
    for m in order {
        let far = |i: usize| {
            let at = found.motes[i].at_picture;
            (at.x - number(m, "x_px")).hypot(at.y - number(m, "y_px"))
        };
        let near = (0..found.motes.len())
            .filter(|i| !named.contains_key(i) && far(*i) < (0.6 * number(m, "shadow_width_px")).max(4.0))
            .min_by(|&a, &b| far(a).total_cmp(&far(b)));
        if let Some(i) = near {
            named.insert(i, m["id"].as_u64().unwrap_or(0));
        }
    }
    named
}

fn compare(done: &Recheck, found: &[Inspection; 2], truths: &[Vec<Value>; 2], list: bool, name: &str) -> [usize; 3] {
    let floor = found.iter().filter_map(|f| f.floor_um).fold(0.0, f64::max);
    let names = [named(&found[0], &truths[0]), named(&found[1], &truths[1])];
    let by_id = |list: &[Value]| -> BTreeMap<u64, Value> {
        list.iter().map(|m| (m["id"].as_u64().unwrap_or(0), m.clone())).collect()
    };
    let sides = [by_id(&truths[0]), by_id(&truths[1])];
    let mut ids: Vec<u64> = sides[0].keys().chain(sides[1].keys()).copied().collect();
    ids.sort_unstable();
    ids.dedup();
    let inside = |m: &Value, f: &Inspection| {
        let (x, y) = (number(m, "x_px"), number(m, "y_px"));
        x > 0.0 && y > 0.0 && x < f.size.width as f64 && y < f.size.height as f64
    };
    let (mut right, mut statuses, mut all) = (0, 0, 0);
    for id in ids {
        let (a, b) = (sides[0].get(&id), sides[1].get(&id));
        let one = a.or(b).expect("in one of them");
        if number(one, "equivalent_diameter_um") < 1.2 * floor
            || a.is_some_and(|m| !inside(m, &found[0]))
            || b.is_some_and(|m| !inside(m, &found[1]))
        {
            continue;
        }
        let expected = match (a, b) {
            (Some(a), Some(b)) if a["glass_mm"] == b["glass_mm"] => Status::Stayed,
            (Some(_), Some(_)) => Status::Moved,
            (Some(_), None) => Status::Gone,
            _ => Status::New,
        };
        all += 1;
        let is = |number: Option<usize>, side: usize| number.and_then(|n| names[side].get(&n)) == Some(&id);
        let told = done.fates.iter().find(|f| is(f.before, 0) || is(f.after, 1));
        let ok = told.is_some_and(|f| {
            f.status == expected && (a.is_none() || is(f.before, 0)) && (b.is_none() || is(f.after, 1))
        });
        right += usize::from(ok);
        statuses += usize::from(told.is_some_and(|f| f.status == expected));
        if !ok || list {
            println!(
                "   {} {name} {id} {expected:?} told {:?} {} d {:.1} floor {floor:.1} snr {:.1}/{:.1} at {:.0},{:.0} overlaps {} {}",
                if ok { "right" } else { "WRONG" },
                told.map(|f| (f.status, f.before, f.after, f.doubt, (f.probability * 1000.0).round() / 1000.0)),
                one["shape"],
                number(one, "equivalent_diameter_um"),
                a.map_or(0.0, |m| number(m, "snr")),
                b.map_or(0.0, |m| number(m, "snr")),
                number(one, "x_px"),
                number(one, "y_px"),
                one["overlaps"],
                one["whole"],
            );
        }
    }
    [right, statuses, all]
}

/// How far the measured stand-offs of both frames are off, as a share.
fn stand_offs(found: &[Inspection; 2], paths: &[PathBuf; 2]) -> Vec<f64> {
    let off = |(found, path): (&Inspection, &PathBuf)| {
        let told = found.stand_off.filter(|h| h.source == StandOffSource::Measured)?.height_mm.value;
        Some(told / number(&whole_truth(&truth_path(path)), "stand_off_mm") - 1.0)
    };
    found.iter().zip(paths).filter_map(off).collect()
}

#[derive(Default)]
struct Tally {
    /// By how much stand-offs are off, as shares.
    stand_offs: Vec<f64>,
    frames: usize,
    /// Right with partners, right statuses, all; streaks, streaks seen, regions of the ratio.
    right: BTreeMap<String, [usize; 6]>,
}

impl Tally {
    fn add(&mut self, sort: &str, counts: [usize; 3], done: &Recheck, truth: &[Value]) {
        let t = self.right.entry(sort.into()).or_default();
        (0..3).for_each(|i| t[i] += counts[i]);
        let streak = truth.iter().find(|m| m["id"] == 2000);
        if let Some(m) = streak {
            t[3] += 1;
            let near = |r: &&motelight_motes::recheck::Residue| {
                (r.at.x - number(m, "x_mm")).hypot(r.at.y - number(m, "y_mm")) < 0.7
            };
            t[4] += usize::from(done.residue.iter().any(|r| near(&r)));
        }
        t[5] += done.residue.iter().filter(|r| r.after.is_none()).count();
    }

    fn add_refused(&mut self, sort: &str) {
        self.right.entry(sort.into()).or_default()[2] += 1000;
    }

    fn say(&self, sort: &str) {
        let [right, statuses, all, streaks, seen, regions] = self.right[sort];
        println!(
            "== {sort}: {statuses} of {all} statuses right ({:.4}), {right} with their partners; streaks {seen} of {streaks}, \
             regions of the ratio {regions}",
            statuses as f64 / all as f64
        );
    }

    fn total(&self) {
        let [right, statuses, all] = [0, 1, 2].map(|i| self.right.values().map(|t| t[i]).sum::<usize>());
        println!(
            "== all: {statuses} of {all} statuses right ({:.4}), {right} with their partners",
            statuses as f64 / all as f64
        );
        let off: Vec<f64> = self.stand_offs.iter().map(|o| o.abs()).collect();
        println!(
            "== stand-offs: {} of {} frames measured, {} of them within 5 %, the worst {:.1} % off",
            off.len(),
            self.frames,
            off.iter().filter(|o| **o <= 0.05).count(),
            100.0 * off.iter().copied().fold(0.0, f64::max)
        );
    }
}

/// Pairs of different bodies of one make and model, without serial numbers: none may match.
fn strangers(charts: &[Option<Kept>], pairs: usize) {
    if pairs == 0 {
        return;
    }
    let nameless: Vec<Kept> = charts
        .iter()
        .flatten()
        .map(|(f, i)| {
            let mut f = f.clone();
            if let Some(body) = &mut f.shot.body {
                body.serial = None;
            }
            (f, i.clone())
        })
        .collect();
    let (mut tried, mut matched) = (0, 0);
    'all: for a in 0..nameless.len() {
        for b in 0..a {
            // Pairs of one seed share a body.
            if nameless[a].1.stand_off.map(|h| h.height_mm.value) == nameless[b].1.stand_off.map(|h| h.height_mm.value)
            {
                continue;
            }
            if tried == pairs {
                break 'all;
            }
            tried += 1;
            let side = |i: usize| Side { frame: &nameless[i].0, inspection: &nameless[i].1 };
            if let Ok(done) = recheck(side(a), side(b)) {
                matched += 1;
                println!("MATCHED {a} {b} by {} motes", done.transform.motes);
            }
        }
    }
    println!("== strangers: {matched} of {tried} pairs of other bodies' charts matched");
}
