//! Scores `mend` on synthetic pictures whose clean truth is known.
//!
//! `cargo run --release -p motelight-motes --example mend_score -- [format=dng|tif|jpg|jpgtone] [dust=round|irregular|all]
//! [blades=0|5|7|9] [mode=both|rays|waves] [lens=same|other|shift] [chart=own|other] [list]`

#![allow(clippy::print_stdout, reason = "a table for a person")]

mod table;

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;

use motelight_frame::{Colour, Frame, Layout, PicturePoint, RawDecoder, ReadOptions, Rect, read};
use motelight_motes::answer::standing;
use motelight_motes::inspect::{InspectOptions, inspect};
use motelight_motes::mend::{Chart, MendOptions, Mended, Outcome, Treatment, mend};
use motelight_motes::visibility::Viewing;
use motelight_synth::random::Random;
use motelight_synth::scene::{Canvas, View, Wall};
use motelight_synth::write::{Chroma, Compression, Depth, Endian};
use motelight_synth::{Blades, Camera, Exposure, Format, Glass, Lens, Mode, Mote, Shape, Shot, Tone, encode};
use table::{Grain, Row, summary};

const WIDTH: usize = 2000;
const HEIGHT: usize = 1400;

fn main() {
    let args: BTreeMap<String, String> = std::env::args()
        .skip(1)
        .map(|a| a.split_once('=').map_or((a.clone(), String::new()), |(k, v)| (k.into(), v.into())))
        .collect();
    let get = |k: &str, d: &str| args.get(k).cloned().unwrap_or(d.into());
    let format = match get("format", "dng").as_str() {
        "tif" => Format::Tiff(Depth::Sixteen, Endian::Little, Tone::Srgb),
        "jpg" => Format::Jpeg(92, Chroma::Halved, Tone::Srgb),
        "jpgtone" => Format::Jpeg(92, Chroma::Halved, Tone::Camera),
        _ => Format::Dng(Compression::None, Endian::Little),
    };
    let modes = match get("mode", "both").as_str() {
        "rays" => vec![Mode::PupilIntegral],
        "waves" => vec![Mode::Fresnel],
        _ => vec![Mode::PupilIntegral, Mode::Fresnel],
    };
    let views = match get("view", "all").as_str() {
        "sky" => vec![View::ClearSky],
        "clouds" => vec![View::Clouds],
        "leaves" => vec![View::Leaves],
        "facade" => vec![View::Facade],
        _ => vec![View::ClearSky, View::Clouds, View::Facade, View::Leaves, View::Lighthouse],
    };
    let stops: Vec<f64> = get("stops", "5.6,8,11,16,22").split(',').map(|s| s.parse().expect("number")).collect();
    let count: usize = get("motes", "40").parse().expect("number");
    let mut rows = Vec::new();
    let mut touched_absent = (0usize, 0usize);
    let folder = tempfile::tempdir().expect("folder");
    for (m, &mode) in modes.iter().enumerate() {
        let seed = get("seed", "7").parse::<u64>().expect("number") + m as u64;
        let mut camera = Camera::new(WIDTH, HEIGHT, 6.0);
        camera.stand_off_mm = get("height", "1.3").parse().expect("number");
        let motes = dust(seed, &camera, count, &get("dust", "round"));
        let mut lens = Lens::new(65.0);
        let blades: u32 = get("blades", "0").parse().expect("number");
        lens.blades = (blades > 2).then_some(Blades { count: blades, rotation: 0.3 });
        let chart_motes =
            if get("chart", "own") == "other" { dust(seed + 100, &camera, count, "round") } else { motes.clone() };
        let wall = Canvas::Wall(Wall::even([WIDTH, HEIGHT], 0.6));
        let frame = Exposure::new(camera.clone(), lens.clone(), Shot::new(22.0, seed), chart_motes, mode, wall);
        let inspection = inspect(
            &look(&frame, format, Glass::AsItIs, folder.path()),
            &InspectOptions { forms: true, ..InspectOptions::default() },
        );
        let chart = match Chart::of(&inspection) {
            Ok(c) => c,
            Err(e) => {
                println!("no chart: {e}");
                continue;
            }
        };
        println!(
            "{mode:?}: chart of {} motes, h {:.3} +- {:.3}, {:?}",
            chart.motes.len(),
            chart.stand_off_mm.value,
            chart.stand_off_mm.sigma,
            chart.edge
        );
        if args.contains_key("list") {
            for m in &chart.motes {
                println!(
                    "  {} area {:.0} +- {:.0} {:?} own h {:?} {:?}",
                    m.id, m.blocked_area_um2.value, m.blocked_area_um2.sigma, m.kind, m.stand_off_mm, m.flags
                );
            }
        }
        for &view in &views {
            for &stop in &stops {
                let mut lens = lens.clone();
                match get("lens", "same").as_str() {
                    "other" => lens.exit_pupil_mm = 110.0,
                    "shift" => {
                        lens.exit_pupil_mm = 90.0;
                        lens.shift_mm = [-8.0, 5.0];
                    }
                    _ => {}
                }
                let canvas = Canvas::Painting(view.paint(WIDTH, HEIGHT, 1, seed + 3));
                let picture =
                    Exposure::new(camera.clone(), lens, Shot::new(stop, seed + 11), motes.clone(), mode, canvas);
                let shown = look(&picture, format, Glass::AsItIs, folder.path());
                let start = Instant::now();
                let mended = match mend(&shown, &chart, &MendOptions::default()) {
                    Ok(m) => m,
                    Err(e) => {
                        println!("{e}");
                        continue;
                    }
                };
                let took = start.elapsed().as_secs_f64();
                let n = |t: Treatment| mended.motes.iter().filter(|m| m.treatment == t).count();
                println!(
                    "{view:?} f/{stop}: lifted {} filled {} untouched {} of {}, holds {:.3}, placement {:.5} {:.4} {:.4} +-{:.2} px by {} in {took:.3} s {:?}",
                    n(Treatment::Lifted),
                    n(Treatment::Filled),
                    n(Treatment::Untouched),
                    mended.motes.len(),
                    mended.holds,
                    mended.placement.scale,
                    mended.placement.dx_mm,
                    mended.placement.dy_mm,
                    mended.placement.error_px,
                    mended.placement.shadows,
                    mended.notes
                );
                if get("chart", "own") == "other" {
                    touched_absent.0 += n(Treatment::Lifted) + n(Treatment::Filled);
                    touched_absent.1 += mended.motes.len();
                    for o in mended.motes.iter().filter(|o| o.treatment != Treatment::Untouched) {
                        println!("   TOUCHED {o:?}");
                    }
                    continue;
                }
                score(&picture, &shown, &mended, view, stop, args.contains_key("list"), &Bend::of(format), &mut rows);
            }
        }
    }
    if touched_absent.1 > 0 {
        println!("absent motes touched: {} of {}", touched_absent.0, touched_absent.1);
        return;
    }
    summary(&rows);
}

fn dust(seed: u64, camera: &Camera, count: usize, kind: &str) -> Vec<Mote> {
    let mut random = Random::new(seed, 5);
    if kind == "all" {
        return motelight_synth::sets::dust(&mut random, camera, count, false, motelight_synth::sets::COMMON_UM);
    }
    let half = [camera.width, camera.height].map(|px| px as f64 * camera.pitch_um / 2000.0);
    (0..count as u32)
        .map(|id| {
            let diameter_um = random.between_log(9.0, 90.0);
            let shape = if kind == "irregular" {
                Shape::Irregular {
                    diameter_um,
                    roughness: random.between(0.1, 0.4),
                    elongation: random.between(1.0, 1.8),
                    seed: random.bits(),
                }
            } else {
                Shape::Grain { diameter_um }
            };
            Mote { id, at_mm: half.map(|h| random.between(-h, h)), shape, stand_off_mm: None }
        })
        .collect()
}

fn look(exposure: &Exposure, format: Format, glass: Glass, folder: &Path) -> Frame {
    let encoded = encode(exposure, format, glass).expect("encoded");
    let path = folder.join(format!("picture.{}", format.extension()));
    std::fs::write(&path, encoded.bytes).expect("written");
    read(&path, &ReadOptions { limits: motelight_frame::Limits::default(), sensor: None, raw: RawDecoder::InProcess })
        .expect("read")
}

/// The light of a picture as its reader has it, against the sensor's: a tone of the camera's own bends it.
struct Bend(Option<Vec<f64>>);

impl Bend {
    fn of(format: Format) -> Bend {
        let decode = |c: f64| if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) };
        let bent = |i: usize| decode(f64::from(Tone::Camera.encode(i as f32 / 4000.0)));
        Bend((format.tone() == Some(Tone::Camera)).then(|| (0..=4000).map(bent).collect()))
    }

    fn forth(&self, light: f64) -> f64 {
        let Some(table) = &self.0 else { return light };
        let at = light.clamp(0.0, 1.0) * 4000.0;
        let i = (at as usize).min(3999);
        table[i] + (table[i + 1] - table[i]) * (at - i as f64)
    }

    fn back(&self, light: f64) -> f64 {
        let Some(table) = &self.0 else { return light };
        let i = table.partition_point(|&v| v < light).clamp(1, 4000);
        let step = (table[i] - table[i - 1]).max(1e-12);
        (i as f64 - 1.0 + ((light - table[i - 1]) / step).clamp(0.0, 1.0)) / 4000.0
    }
}

fn srgb(light: f64) -> f64 {
    let l = light.clamp(0.0, 1.0);
    if l <= 0.0031308 { 12.92 * l } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 }
}

/// Noise-free light of a pixel without motes, as the frame's plane has it.
fn clean(picture: &Exposure, colour: usize, mosaic: bool, x: usize, y: usize) -> f64 {
    let light = f64::from(picture.light(x as i64, y as i64)[colour]);
    if mosaic { light * picture.camera.neutral[colour] } else { light }
}

#[allow(clippy::too_many_arguments, reason = "a table for a person")]
fn score(
    picture: &Exposure,
    shown: &Frame,
    mended: &Mended,
    view: View,
    stop: f64,
    list: bool,
    bend: &Bend,
    rows: &mut Vec<Row>,
) {
    let mosaic = matches!(shown.layout, Layout::Mosaic(_));
    let size = shown.size();
    let mut treated = shown.clone();
    let mut planes = treated.planes.to_vec();
    mended.patches.iter().for_each(|p| p.put(&mut planes, Rect::whole(shown.size())));
    treated.planes = planes.into();
    let maps: [Vec<f32>; 3] = std::array::from_fn(|c| picture.transmission_map(c));
    for shadow in &picture.shadows {
        let depth = shadow.loss[1].iter().copied().fold(0.0f32, f32::max) as f64;
        let near = mended
            .motes
            .iter()
            .map(|o| (o, (o.x_px - shadow.centre_px[0]).hypot(o.y_px - shadow.centre_px[1])))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        let Some((outcome, d)) = near else { continue };
        if depth < 0.004 {
            continue;
        }
        let (mut e_raw, mut e_exact, mut e_mended, mut n) = (0.0, 0.0, 0.0, 0.0);
        let mut truth_ln = Vec::new();
        let (mut along, mut squares) = (0.0, 0.0);
        let mut grain = [Grain::default(); 5];
        let colour_of = |plane: usize, x: usize, y: usize| match &shown.layout {
            Layout::Mosaic(cfa) => match cfa.colour(x, y) {
                Colour::Red => 0,
                Colour::Green => 1,
                Colour::Blue => 2,
            },
            _ => plane,
        };
        let count = if mosaic { 1 } else { 3 };
        let passed = |c: usize, x: usize, y: usize| f64::from(maps[c][y * size.width + x]);
        let filled_one = |o: &Outcome| d < 6.0 && o.treatment == Treatment::Filled;
        for (y, x) in (0..shadow.height * shadow.width)
            .map(|i| (shadow.y + (i / shadow.width) as i64, shadow.x + (i % shadow.width) as i64))
            .filter(|&(y, x)| x >= 0 && y >= 0 && x + 2 < size.width as i64 && y < size.height as i64)
        {
            let (x, y) = (x as usize, y as usize);
            for plane in 0..count {
                let c = colour_of(plane, x, y);
                let over = |f: &Frame, x: usize, t: f64| {
                    bend.back(f64::from(f.planes[plane].at(x, y))) / t / clean(picture, c, mosaic, x, y).max(1e-4)
                };
                let square = |f: &Frame, t: [f64; 2]| (over(f, x, t[0]) - over(f, x + 2, t[1])).powi(2);
                let t = [passed(c, x, y), passed(c, x + 2, y)];
                if t.iter().all(|&t| t > 0.3) && f64::from(shadow.loss_at(1, x as i64, y as i64)) > 0.1 * depth {
                    grain[0].is += square(&treated, [1.0; 2]);
                    grain[0].wanted += square(shown, t);
                    grain[0].count = grain[0].count.map(|n| n + 1.0);
                }
                if filled_one(outcome) && t.iter().all(|&t| t < 0.22) {
                    for of in [1, 2 + c] {
                        grain[of].is += square(&treated, [1.0; 2]);
                        grain[of].count[0] += 1.0;
                    }
                }
                if t.iter().all(|&t| t > 0.995) {
                    for of in [1, 2 + c] {
                        grain[of].wanted += square(shown, [1.0; 2]);
                        grain[of].count[1] += 1.0;
                    }
                }
            }
        }
        for j in 0..shadow.height {
            for i in 0..shadow.width {
                let (x, y) = (shadow.x + i as i64, shadow.y + j as i64);
                if x < 0 || y < 0 || x >= size.width as i64 || y >= size.height as i64 {
                    continue;
                }
                if f64::from(shadow.loss_at(1, x, y)) < 0.1 * depth {
                    continue;
                }
                let (x, y) = (x as usize, y as usize);
                for plane in 0..count {
                    let colour = colour_of(plane, x, y);
                    let want = srgb(bend.forth(clean(picture, colour, mosaic, x, y)));
                    let before = f64::from(shown.planes[plane].at(x, y));
                    let t = f64::from(maps[colour][y * size.width + x]).max(1e-3);
                    let after = f64::from(treated.planes[plane].at(x, y));
                    e_raw += (srgb(before) - want).powi(2);
                    e_exact += (srgb(bend.forth(bend.back(before) / t)) - want).powi(2);
                    e_mended += (srgb(after) - want).powi(2);
                    n += 1.0;
                    if colour == 1 {
                        let wanted = clean(picture, 1, mosaic, x, y).max(1e-4);
                        along += t.ln() * (bend.back(after).max(1e-4) / wanted).ln();
                        squares += t.ln() * t.ln();
                        truth_ln.push((x as f64, y as f64, clean(picture, 1, mosaic, x, y).max(1e-4).ln()));
                    }
                }
            }
        }
        if n < 20.0 {
            continue;
        }
        let half = shadow.loss[1].iter().filter(|&&l| f64::from(l) > 0.5 * depth).count() as f64;
        let (at, width) = (PicturePoint { x: shadow.centre_px[0], y: shadow.centre_px[1] }, (1.273 * half).sqrt());
        let seen =
            [shown, &treated].map(|f| standing(f, at, width, &Viewing::standard()).is_some_and(|s| s.visible(depth)));
        let psnr = |e: f64| -10.0 * (e / n).max(1e-12).log10();
        let detail = plane_free_spread(&truth_ln);
        let row = Row {
            view,
            f_number: stop,
            depth,
            textured: detail > 0.03,
            treatment: if d < 6.0 { outcome.treatment } else { Treatment::Untouched },
            reason: if d < 6.0 { format!("{:?}", outcome.reason) } else { "not on the chart".into() },
            raw: psnr(e_raw),
            exact: psnr(e_exact),
            mended: psnr(e_mended),
            grain,
            left: depth * along / f64::max(squares, 1e-9),
            still_shows: d < 6.0 && outcome.still_shows,
            seen,
        };
        let worse = row.raw - row.mended > 0.1;
        let poor = row.exact - row.mended > 1.5 && row.exact - row.raw > 1.5;
        let shows = row.seen == [true, true];
        if list && (worse || poor || shows) {
            println!(
                "   {} depth {:.3} (foretold {:.3}) off {d:.2} px detail {detail:.3} raw {:.1} exact {:.1} mended {:.1} {:?} {} p {:?} snr {:.1} before {:.3} after {:.3} at {:.0},{:.0} {}",
                if worse {
                    "WORSE"
                } else if shows {
                    "SHOWS"
                } else {
                    "poor"
                },
                depth,
                outcome.depth_foretold,
                row.raw,
                row.exact,
                row.mended,
                row.treatment,
                row.reason,
                outcome.probability,
                outcome.snr.unwrap_or(0.0),
                outcome.depth_before.unwrap_or(0.0),
                outcome.depth_after.unwrap_or(0.0),
                shadow.centre_px[0],
                shadow.centre_px[1],
                outcome.id
            );
        }
        rows.push(row);
    }
}

/// Spread of values about the plane through them.
fn plane_free_spread(v: &[(f64, f64, f64)]) -> f64 {
    let n = v.len() as f64;
    if n < 4.0 {
        return 0.0;
    }
    let mean = |f: &dyn Fn(&(f64, f64, f64)) -> f64| v.iter().map(f).sum::<f64>() / n;
    let (mx, my, mz) = (mean(&|p| p.0), mean(&|p| p.1), mean(&|p| p.2));
    let s = |f: &dyn Fn(f64, f64, f64) -> f64| v.iter().map(|p| f(p.0 - mx, p.1 - my, p.2 - mz)).sum::<f64>() / n;
    let (xx, yy, xy, xz, yz, zz) = (
        s(&|x, _, _| x * x),
        s(&|_, y, _| y * y),
        s(&|x, y, _| x * y),
        s(&|x, _, z| x * z),
        s(&|_, y, z| y * z),
        s(&|_, _, z| z * z),
    );
    let det = xx * yy - xy * xy;
    if det < 1e-9 {
        return zz.sqrt();
    }
    let (a, b) = ((xz * yy - yz * xy) / det, (yz * xx - xz * xy) / det);
    (zz - a * xz - b * yz).max(0.0).sqrt()
}
