//! Scores `inspect` on a folder of synthetic test frames with the truth beside them.
//!
//! `cargo run --release -p motelight-motes --example score -- DIR [--list] [--plot FILE.svg]`: per file and over all,
//! recall against true SNR, false motes, errors of place, area and stand-off; the plot shows recall beside what
//! theory says of a matched filter.
#![allow(clippy::print_stdout, reason = "a table for a person")]

use std::path::{Path, PathBuf};
use std::time::Instant;

use motelight_frame::{Limits, RawDecoder, ReadOptions, read};
use motelight_motes::inspect::stand_off::StandOffSource;
use motelight_motes::inspect::{InspectOptions, Inspection, inspect};
use serde_json::Value;

struct Row {
    snr: f64,
    diameter: f64,
    found: bool,
    miss_px: f64,
    width: f64,
    area_ratio: f64,
    depth_ratio: f64,
    width_ratio: f64,
    /// A drop, which light passes through, whole and alone.
    oil: bool,
}

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let list = args.iter().any(|a| a == "--list");
    let plot = args.iter().position(|a| a == "--plot").and_then(|i| args.get(i + 1));
    let mut files: Vec<PathBuf> = std::fs::read_dir(&args[0])
        .expect("a folder")
        .filter_map(|e| e.ok().map(|e| e.path()))
        .filter(|p| {
            p.extension()
                .is_some_and(|e| ["dng", "tif", "tiff", "jpg", "png"].iter().any(|x| e.eq_ignore_ascii_case(x)))
        })
        .collect();
    files.sort();
    let mut all: Vec<Row> = Vec::new();
    let (mut false_total, mut frames) = (0, 0);
    let (mut thresholds, mut heights) = (Vec::new(), Vec::new());
    for path in &files {
        let truth = truth_of(path);
        let start = Instant::now();
        let frame =
            match read(path, &ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess }) {
                Ok(frame) => frame,
                Err(e) => {
                    println!("{}: {e}", path.display());
                    continue;
                }
            };
        let read_s = start.elapsed().as_secs_f64();
        let start = Instant::now();
        let result = inspect(&frame, &InspectOptions::default());
        let took = start.elapsed().as_secs_f64();
        let (rows, false_motes) = compare(&result, &truth, list);
        let seen: Vec<&Row> = rows.iter().filter(|r| r.snr >= 8.0 && r.diameter >= 10.0).collect();
        let hit = seen.iter().filter(|r| r.found).count();
        let h = result.stand_off.map(|s| (s.height_mm.value, s.height_mm.sigma, s.edge, s.source));
        println!(
            "{:40} N{:<4} {:?} read {read_s:.2} inspect {took:.2} | {hit}/{} false {false_motes} | h {:?} true {} {} | floor {:?} clear {:?}",
            path.file_name().unwrap_or_default().to_string_lossy(),
            result.f_number.map_or(0.0, |n| n.marked()),
            result.fitness.findings.iter().map(|f| (f.code, f.verdict)).collect::<Vec<_>>(),
            seen.len(),
            h,
            truth["stand_off_mm"],
            truth["mode"],
            result.floor_um.map(|f| (f * 10.0).round() / 10.0),
            result.clear_to.map(|c| c.f_number),
        );
        if let (Some(s), Some(height)) = (result.stand_off, truth["stand_off_mm"].as_f64())
            && s.source == StandOffSource::Measured
        {
            heights.push(s.height_mm.value / height - 1.0);
        }
        all.extend(rows);
        thresholds.extend(result.threshold_snr);
        false_total += false_motes;
        frames += 1;
    }
    summary(&all, false_total, frames);
    let mean = |of: &dyn Fn(f64) -> f64| heights.iter().map(|h| of(*h)).sum::<f64>() / heights.len().max(1) as f64;
    println!(
        "stand-off of {} frames off by {:.4} rms, {:.4} in the mean, {:.4} at most",
        heights.len(),
        mean(&|h| h * h).sqrt(),
        mean(&|h| h),
        heights.iter().fold(0.0, |most: f64, h| most.max(h.abs()))
    );
    if let Some(path) = plot {
        std::fs::write(path, recall_plot(&all, &thresholds)).expect("a plot");
    }
}

/// Recall of opaque motes against true SNR, with the scatter of counts, beside the theory: an answer to a shadow of
/// that SNR is normal with deviation 1 about it, so it passes the threshold k with probability Phi(SNR - k); in the mean
/// over the frames' thresholds.
fn recall_plot(rows: &[Row], thresholds: &[f64]) -> String {
    const LEFT: f64 = 2.0;
    const RIGHT: f64 = 14.0;
    let x = |snr: f64| 70.0 + (snr - LEFT) / (RIGHT - LEFT) * 600.0;
    let y = |recall: f64| 30.0 + (1.0 - recall) * 300.0;
    let passes = |snr: f64| {
        let by_frame = thresholds.iter().map(|k| 0.5 * libm::erfc((k - snr) / std::f64::consts::SQRT_2));
        by_frame.sum::<f64>() / thresholds.len().max(1) as f64
    };
    let mut marks = String::new();
    let steps = 24;
    for i in 0..steps {
        let (low, high) = (LEFT + 0.5 * f64::from(i), LEFT + 0.5 * f64::from(i + 1));
        let band: Vec<&Row> = rows.iter().filter(|r| r.snr >= low && r.snr < high && r.diameter > 0.0).collect();
        if band.len() < 4 {
            continue;
        }
        let n = band.len() as f64;
        let recall = band.iter().filter(|r| r.found).count() as f64 / n;
        // Agresti and Coull, The American Statistician 52 (1998): two more hits and two more misses.
        let middle = (recall * n + 2.0) / (n + 4.0);
        let half = (middle * (1.0 - middle) / (n + 4.0)).sqrt();
        let (at, top, bottom) = (x(0.5 * (low + high)), y((middle + half).min(1.0)), y((middle - half).max(0.0)));
        marks += &format!(
            "<path d='M{at:.1} {top:.1}V{bottom:.1}' stroke='#777'/><circle cx='{at:.1}' cy='{:.1}' r='4' fill='#222'/>",
            y(recall)
        );
    }
    let curve: Vec<String> =
        (0..=240).map(|i| LEFT + 0.05 * f64::from(i)).map(|s| format!("{:.1},{:.1}", x(s), y(passes(s)))).collect();
    let mut axes = String::new();
    for i in 0..=6 {
        let snr = LEFT + 2.0 * f64::from(i);
        axes += &format!("<text x='{:.1}' y='350' text-anchor='middle'>{snr}</text>", x(snr));
    }
    for i in 0..=4 {
        let recall = 0.25 * f64::from(i);
        axes += &format!(
            "<path d='M70 {0:.1}H670' stroke='#ddd'/><text x='62' y='{1:.1}' text-anchor='end'>{2}</text>",
            y(recall),
            y(recall) + 4.0,
            recall
        );
    }
    format!(
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 700 400' font-family='DejaVu Sans, sans-serif' font-size='13'>\
         <rect width='700' height='400' fill='#fff'/>{axes}\
         <polyline points='{}' fill='none' stroke='#b5541c' stroke-width='2'/>{marks}\
         <text x='370' y='378' text-anchor='middle'>true signal-to-noise ratio of the matched filter</text>\
         <text x='40' y='20'>motes found: counted (dots, one standard error), by theory at the frames' thresholds (line)</text></svg>\n",
        curve.join(" ")
    )
}

fn truth_of(path: &Path) -> Value {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    for beside in
        [format!("{name}.truth.json"), format!("{stem}.truth.json"), format!("{stem}.json"), format!("{name}.json")]
    {
        if let Ok(text) = std::fs::read_to_string(path.with_file_name(beside)) {
            return serde_json::from_str(&text).expect("JSON");
        }
    }
    Value::Null
}

fn compare(result: &Inspection, truth: &Value, list: bool) -> (Vec<Row>, usize) {
    let number = |v: &Value, key: &str| v[key].as_f64().unwrap_or(0.0);
    let empty = Vec::new();
    let motes = truth["motes"].as_array().unwrap_or(&empty);
    let mut used = vec![false; result.motes.len()];
    let mut order: Vec<&Value> = motes.iter().collect();
    order.sort_by(|a, b| number(b, "snr").total_cmp(&number(a, "snr")));
    let mut rows = Vec::new();
    for m in order {
        let (x, y, width) = (number(m, "x_px"), number(m, "y_px"), number(m, "shadow_width_px"));
        // Of a shadow the picture's edge cuts, a disc's centre can be told, of anything else only what is seen.
        let seen = m["seen_px"].as_array().map_or([x, y], |at| [0, 1].map(|i| at[i].as_f64().unwrap_or(0.0)));
        let near = (0..used.len())
            .filter(|&i| !used[i])
            .map(|i| {
                let at = &result.motes[i].at_picture;
                let miss = (at.x - x).hypot(at.y - y);
                (i, if m["whole"] == false { miss.min((at.x - seen[0]).hypot(at.y - seen[1])) } else { miss })
            })
            .filter(|&(_, d)| d < (0.6 * width).max(4.0))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((i, _)) = near {
            used[i] = true;
        }
        let got = near.map(|(i, _)| &result.motes[i]);
        let row = Row {
            snr: number(m, "snr"),
            diameter: if m["whole"] == false || m["opaque"] == false {
                0.0
            } else {
                number(m, "equivalent_diameter_um")
            },
            found: got.is_some(),
            miss_px: near.map_or(0.0, |n| n.1),
            width,
            area_ratio: got.and_then(|g| g.blocked_area_um2).map_or(1.0, |a| a.value / number(m, "blocked_area_um2")),
            depth_ratio: got.map_or(1.0, |g| g.depth.value / number(m, "depth")),
            width_ratio: got.map_or(1.0, |g| g.shadow_width_px.value / width),
            oil: m["kind"] == "oil" && m["whole"] == true && m["overlaps"].as_array().is_some_and(Vec::is_empty),
        };
        if list || (!row.found && row.snr >= 8.0) {
            println!(
                "   {} {:9} snr {:6.1} d {:5.1} depth {:.4} w {:5.1} at {x:.1},{y:.1} | found {} miss {:.2} area x{:.3} depth x{:.3} snr {:.1} {:?} {:?} {}",
                m["kind"],
                m["shape"].as_str().unwrap_or(""),
                row.snr,
                row.diameter,
                number(m, "depth"),
                width,
                row.found,
                row.miss_px,
                row.area_ratio,
                row.depth_ratio,
                got.map_or(0.0, |g| g.snr),
                got.map(|g| g.kind),
                got.map(|g| g.flags),
                m["overlaps"],
            );
        }
        rows.push(row);
    }
    let false_motes: Vec<usize> = (0..used.len()).filter(|&i| !used[i]).collect();
    for &i in &false_motes {
        let m = &result.motes[i];
        println!(
            "   FALSE at {:.1},{:.1} snr {:.1} depth {:.4} w {:.1} {:?} {:?}",
            m.at_picture.x, m.at_picture.y, m.snr, m.depth.value, m.shadow_width_px.value, m.kind, m.flags
        );
    }
    (rows, false_motes.len())
}

fn summary(rows: &[Row], false_total: usize, frames: usize) {
    let quantile = |mut v: Vec<f64>, share: f64| {
        v.sort_unstable_by(f64::total_cmp);
        v.get((share * v.len() as f64) as usize).copied().unwrap_or(f64::NAN)
    };
    let median = |v: Vec<f64>| quantile(v, 0.5);
    println!("\nfalse motes a frame: {:.3} ({false_total} in {frames})", false_total as f64 / frames.max(1) as f64);
    for (low, high) in [
        (3.0, 4.0),
        (4.0, 5.0),
        (5.0, 6.0),
        (6.0, 7.0),
        (7.0, 8.0),
        (8.0, 10.0),
        (10.0, 14.0),
        (14.0, 20.0),
        (20.0, 40.0),
        (40.0, 1e9),
    ] {
        let band: Vec<&Row> = rows.iter().filter(|r| r.snr >= low && r.snr < high && r.diameter >= 10.0).collect();
        let hit: Vec<&&Row> = band.iter().filter(|r| r.found).collect();
        let rms = (hit.iter().map(|r| r.miss_px.powi(2)).sum::<f64>() / hit.len().max(1) as f64).sqrt();
        println!(
            "snr {low:4.0}-{high:<5.0} {:4} motes, recall {:.3} | place rms {rms:.2} px, median/width {:.3} | area median {:.3}, |error| {:.3} | depth |error| {:.3}",
            band.len(),
            hit.len() as f64 / band.len().max(1) as f64,
            median(hit.iter().map(|r| r.miss_px / r.width.max(1.0)).collect()),
            median(hit.iter().map(|r| r.area_ratio).collect()),
            median(hit.iter().map(|r| (r.area_ratio - 1.0).abs()).collect()),
            median(hit.iter().map(|r| (r.depth_ratio - 1.0).abs()).collect()),
        );
    }
    let strong: Vec<&Row> = rows.iter().filter(|r| r.snr >= 8.0 && r.diameter >= 10.0).collect();
    println!(
        "recall at snr >= 8: {:.4} of {}",
        strong.iter().filter(|r| r.found).count() as f64 / strong.len().max(1) as f64,
        strong.len()
    );
    let oil: Vec<&Row> = rows.iter().filter(|r| r.oil && r.found && r.snr >= 12.0).collect();
    let errors = |ratio: fn(&Row) -> f64| {
        let all: Vec<f64> = oil.iter().map(|r| (ratio(r) - 1.0).abs()).collect();
        format!("median {:.3}, nine tenths {:.3}", quantile(all.clone(), 0.5), quantile(all, 0.9))
    };
    let (area, width) = (errors(|r| r.area_ratio), errors(|r| r.width_ratio));
    println!("{} drops of SNR 12 and more: |error| of area {area}; of width {width}", oil.len());
}
