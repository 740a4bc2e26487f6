//! Scores sign-off on synthetic deliveries whose truth is known, and on pictures given.
//!
//! `cargo run --release --example signoff_score -- [scenes=24] [seed=1] [only=SCENE] [motes=60] [list] [cut=FOLDER] [keep=FOLDER] [FILES...]`
//! `keep`: every delivery with its truth and what was said of it beside. With files: suspects of each as it is, then of three
//! deliveries of it (`edits=3`), then recall of motes laid over it.

#![allow(clippy::print_stdout, reason = "a table for a person")]

mod delivery;
mod truth;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Instant;

use motelight_frame::{Frame, RawDecoder, ReadOptions, read};
use motelight_motes::signoff::{SignOff, SignOffOptions, Suspect, sign_off};
use motelight_synth::random::Random;
use motelight_synth::scene::{Canvas, Painting, Texture, View, Wall};
use motelight_synth::sets::{COMMON_UM, dust};
use motelight_synth::{Camera, Exposure, Facts, Glass, Lens, Mode, Shot};

use delivery::{Editing, Rgb, ideal, linear, taken};
use truth::{Pictures, Shown, shown};

#[derive(Default)]
struct Score {
    pictures: usize,
    false_suspects: usize,
    false_in: usize,
    verdicts: BTreeMap<String, usize>,
    /// Marks of at least twice the threshold, plain and alone: found, listed low by cause, missed.
    marks: BTreeMap<String, [usize; 3]>,
    causes: BTreeMap<String, usize>,
}

fn main() {
    let (options, files): (Vec<String>, Vec<String>) = std::env::args().skip(1).partition(|a| !Path::new(a).is_file());
    let options: BTreeMap<String, String> = options
        .into_iter()
        .map(|a| a.split_once('=').map_or((a.clone(), String::new()), |(k, v)| (k.into(), v.into())))
        .collect();
    let number = |k: &str, d: usize| options.get(k).map_or(d, |v| v.parse().expect("a number"));
    let run = Run {
        folder: tempfile::tempdir().expect("a folder"),
        list: options.contains_key("list"),
        cut: options.get("cut").map(PathBuf::from),
        keep: options.get("keep").map(PathBuf::from),
        motes: number("motes", 60),
    };
    let (seed, edits) = (number("seed", 1) as u64, number("edits", 3));
    let (mut dusty, mut clean, mut real) = (Score::default(), Score::default(), Score::default());
    for i in 0..number("scenes", if files.is_empty() { 24 } else { 0 }) {
        if number("only", i) != i {
            continue;
        }
        let mut random = Random::new(seed, i as u64);
        let (name, canvas) = scene(&mut random, i);
        let name = format!("{i} {name}");
        run.one(&mut random, &name, canvas.clone(), Glass::Clean, &mut clean);
        run.one(&mut random, &name, canvas, Glass::AsItIs, &mut dusty);
    }
    for file in &files {
        let frame = match read(Path::new(file), &reading()) {
            Ok(frame) => frame,
            Err(error) => {
                println!("{error}");
                continue;
            }
        };
        let name = Path::new(file).file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let start = Instant::now();
        let said = sign_off(&frame, &SignOffOptions::default());
        println!("{name}: {:.2} s, {:?}", start.elapsed().as_secs_f64(), said.verdict);
        run.count(&name, &said, &[], &frame, &mut real);
        for edit in 0..edits {
            let mut random = Random::new(seed + 77, edit as u64);
            let canvas = Canvas::Painting(painting(&frame));
            run.one(&mut random, &format!("{name} e{edit}"), canvas.clone(), Glass::Clean, &mut clean);
            run.one(&mut random, &format!("{name} d{edit}"), canvas, Glass::AsItIs, &mut dusty);
        }
    }
    for (what, score) in [("with motes", &dusty), ("clean deliveries", &clean), ("files as they are", &real)] {
        score.print(what);
    }
}

struct Run {
    folder: tempfile::TempDir,
    list: bool,
    cut: Option<PathBuf>,
    keep: Option<PathBuf>,
    motes: usize,
}

const SIZE: [usize; 2] = [3000, 2000];

/// A sky, a town, leaves, or a wall of some kind.
fn scene(random: &mut Random, number: usize) -> (String, Canvas) {
    let kinds = View::ALL.len() + 2;
    if let Some(view) = View::ALL.get(number % kinds) {
        return (format!("{view:?}"), Canvas::Painting(view.paint(SIZE[0], SIZE[1], 1, random.bits())));
    }
    let mut wall = Wall::even(SIZE, random.between(0.25, 0.8) as f32);
    wall.slope = [random.between(-0.4, 0.4), random.between(-0.4, 0.4)];
    wall.bow = random.between(0.0, 0.2);
    let size = random.between_log(4.0, 400.0);
    let contrast = random.between_log(0.004, 0.2);
    wall.texture = Some(Texture {
        contrast,
        size_px: [size, size * random.between(0.5, 1.0)],
        direction: [1.0, 0.0],
        layers: 1 + (random.bits() % 4) as u32,
        seed: random.bits(),
    });
    (format!("Wall {size:.0} px {contrast:.3}"), Canvas::Wall(wall))
}

/// A file as something to take a picture of.
fn painting(frame: &Frame) -> Painting {
    let size = frame.size();
    let last = frame.planes.len() - 1;
    let light = |i: usize| std::array::from_fn(|c| frame.planes[c.min(last)].data()[i]);
    Painting { width: size.width, height: size.height, light: (0..size.area()).map(light).collect() }
}

fn reading() -> ReadOptions {
    ReadOptions { limits: motelight_frame::Limits::default(), sensor: None, raw: RawDecoder::InProcess }
}

impl Run {
    fn one(&self, random: &mut Random, name: &str, canvas: Canvas, glass: Glass, score: &mut Score) {
        let (width, height) = match &canvas {
            Canvas::Painting(p) => (p.width, p.height),
            Canvas::Wall(w) => (w.size[0], w.size[1]),
        };
        // A sensor 36 mm wide, whatever the picture's size.
        let mut camera = Camera::new(width, height, 36_000.0 / width.max(height) as f64);
        camera.stand_off_mm = random.between(0.7, 2.2);
        let motes = if glass == Glass::Clean {
            Vec::new()
        } else {
            let grains_only = random.chance(0.5);
            dust(random, &camera, self.motes, grains_only, COMMON_UM)
        };
        let mut shot = Shot::new(random.pick(&[5.6, 8.0, 11.0, 16.0, 22.0]), random.bits());
        shot.iso = random.between_log(100.0, 1600.0);
        shot.facts = random.pick(&[Facts::None, Facts::Edited]);
        let exposure =
            Exposure::new(camera, Lens::new(random.between(45.0, 110.0)), shot, motes, Mode::Fresnel, canvas);
        let editing = Editing::random(random, width, height);
        let path = self.folder.path().join(format!("picture.{}", editing.extension()));
        let delivered = editing.apply(&taken(&exposure, glass));
        std::fs::write(&path, editing.written(&exposure, &delivered)).expect("written");
        let frame = read(&path, &reading()).expect("read");
        let options = SignOffOptions::default();
        let said = sign_off(&frame, &options);
        let truths = if exposure.motes.is_empty() {
            Vec::new()
        } else {
            let made = |glass| linear(&editing.apply(&ideal(&exposure, glass)));
            let seen = seen(&frame);
            let pictures = Pictures { dusty: made(Glass::AsItIs), clean: made(Glass::Clean), seen };
            shown(&exposure, &editing, &pictures, &options.viewings)
        };
        if let Some(folder) = &self.keep {
            let glass = if exposure.motes.is_empty() { "clean" } else { "dusty" };
            let kept = folder.join(format!("{} {glass}.{}", name.replace('/', "_"), editing.extension()));
            std::fs::create_dir_all(folder).expect("a folder");
            std::fs::copy(&path, &kept).expect("copied");
            std::fs::write(kept.with_extension("json"), told(&said, &truths)).expect("written");
        }
        let name = format!("{name} f/{} {:?} {:?}", exposure.shot.f_number, editing.size, editing.store);
        self.count(&name, &said, &truths, &frame, score);
    }

    fn count(&self, name: &str, said: &SignOff, truths: &[Shown], frame: &Frame, score: &mut Score) {
        score.pictures += 1;
        *score.verdicts.entry(format!("{:?}", said.verdict)).or_default() += 1;
        let near = |s: &Suspect, t: &Shown, factor: f64| {
            (s.at.x - t.at[0]).hypot(s.at.y - t.at[1]) < (factor * t.width_px.max(s.width_px)).max(3.0)
        };
        let false_ones: Vec<&Suspect> =
            said.suspects.iter().filter(|s| s.counts && !truths.iter().any(|t| near(s, t, 1.2))).collect();
        score.false_suspects += false_ones.len();
        score.false_in += usize::from(!false_ones.is_empty());
        for (i, s) in false_ones.iter().enumerate() {
            println!(
                "  FALSE {name}: {:.0},{:.0} width {:.1} contrast {:.3} times {:.1} snr {:.1}",
                s.at.x, s.at.y, s.width_px, s.contrast, s.times_threshold, s.snr
            );
            if let Some(folder) = &self.cut {
                cut(frame, s, &folder.join(format!("{} {i}.png", name.replace(['/', ' '], "_"))));
            }
        }
        for t in truths.iter().filter(|t| t.wanted()) {
            let hit = said.suspects.iter().find(|s| s.counts && near(s, t, 0.6));
            let low = said.suspects.iter().find(|s| near(s, t, 0.6));
            let which = if hit.is_some() { 0 } else { 1 + usize::from(low.is_none()) };
            score.marks.entry(t.kind.into()).or_default()[which] += 1;
            let cause = low.map_or_else(|| "not listed".into(), |s| format!("{:?}", s.cause));
            if which > 0 {
                *score.causes.entry(cause.clone()).or_default() += 1;
            }
            if which > 0 && self.list {
                println!(
                    "  MISSED {name}: {} {:.0},{:.0} width {:.1} contrast {:.3} times {:.1}: {cause}",
                    t.kind, t.at[0], t.at[1], t.width_px, t.contrast, t.times
                );
            }
        }
    }
}

/// What is there and what was said, for others to be measured by.
fn told(said: &SignOff, truths: &[Shown]) -> String {
    let marks: Vec<serde_json::Value> = truths
        .iter()
        .map(|t| {
            let wanted = t.wanted();
            serde_json::json!({"x": t.at[0], "y": t.at[1], "width": t.width_px, "wanted": wanted, "kind": t.kind})
        })
        .collect();
    let suspects: Vec<serde_json::Value> = (said.suspects.iter().filter(|s| s.counts))
        .map(|s| serde_json::json!({"x": s.at.x, "y": s.at.y, "width": s.width_px}))
        .collect();
    serde_json::json!({"marks": marks, "suspects": suspects}).to_string()
}

/// The luminance that was read back.
fn seen(frame: &Frame) -> Rgb {
    let p = painting(frame);
    Rgb { width: p.width, height: p.height, data: p.light }
}

/// A suspect and its surroundings, to be looked at.
fn cut(frame: &Frame, s: &Suspect, path: &Path) {
    let size = frame.size();
    let reach = (4.0 * s.width_px).max(40.0) as i64;
    let (cx, cy) = (s.at.x as i64, s.at.y as i64);
    let last = frame.planes.len() - 1;
    let mut samples = Vec::new();
    for y in cy - reach..cy + reach {
        for x in cx - reach..cx + reach {
            let (x, y) = (x.clamp(0, size.width as i64 - 1) as usize, y.clamp(0, size.height as i64 - 1) as usize);
            for c in 0..3 {
                let light = frame.planes[usize::min(c, last)].at(x, y);
                samples.push((motelight_synth::Tone::Srgb.encode(light) * 65535.0) as u16);
            }
        }
    }
    let side = 2 * reach as usize;
    let rendered = motelight_synth::Rendered { width: side, height: side, samples };
    let shot = Shot::new(8.0, 1);
    let canvas = Canvas::Wall(Wall::even([4, 4], 0.5));
    let exposure =
        Exposure::new(Camera::new(4, 4, 6.0), Lens::new(65.0), shot, Vec::new(), Mode::PupilIntegral, canvas);
    let depth = motelight_synth::Depth::Eight;
    let bytes = motelight_synth::write::png(&exposure, &rendered, depth, motelight_synth::Tone::Srgb).expect("a PNG");
    std::fs::write(path, bytes).expect("written");
}

impl Score {
    fn print(&self, what: &str) {
        if self.pictures == 0 {
            return;
        }
        println!(
            "{what}: {} pictures, {:.2} false suspects a picture (in {} pictures), {:?}",
            self.pictures,
            self.false_suspects as f64 / self.pictures as f64,
            self.false_in,
            self.verdicts
        );
        let mut all = [0; 3];
        for (kind, n) in &self.marks {
            all.iter_mut().zip(n).for_each(|(a, n)| *a += n);
            println!("  {kind}: {} of {} found, {} listed low", n[0], n.iter().sum::<usize>(), n[1]);
        }
        let total: usize = all.iter().sum();
        if total > 0 {
            println!(
                "  all: {:.1} % of {total} found, {:.1} % listed low; not counted because {:?}",
                100.0 * all[0] as f64 / total as f64,
                100.0 * all[1] as f64 / total as f64,
                self.causes
            );
        }
    }
}
