//! Finished pictures, brought together with their originals: each mote of a trace answered for, and shadows taken out.

use std::path::Path;

use motelight_frame::{Frame, Plane, Size};
use motelight_synth::scene::View;
use motelight_synth::sets::{FrameSpec, PictureSpec, picture, test_frame, write};
use motelight_synth::write::{Depth, Endian};
use motelight_synth::{Exposure, Format, Glass, Mode, Tone, encode};
use serde_json::Value;

use crate::run::{digests, motelight};
use crate::shoot::light_of;
use crate::trace::traced;

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().expect("a number")
}

/// Uncompressed TIFF of 8-bit RGB, sRGB curve (TIFF 6.0, baseline; IEC 61966-2-1).
fn tiff(path: &Path, size: Size, light: impl Fn(usize, usize) -> [f64; 3]) {
    let mut pixels = Vec::new();
    for y in 0..size.height {
        for x in 0..size.width {
            pixels.extend(light(x, y).map(|l| {
                let l = l.clamp(0.0, 1.0);
                let v = if l <= 0.003_130_8 { 12.92 * l } else { 1.055 * l.powf(1.0 / 2.4) - 0.055 };
                (255.0 * v).round() as u8
            }));
        }
    }
    let (w, h) = (size.width as u32, size.height as u32);
    let entries: [(u16, u16, u32, u32); 10] = [
        (256, 4, 1, w),
        (257, 4, 1, h),
        (258, 3, 3, 8 + 2 + 10 * 12 + 4),
        (259, 3, 1, 1),
        (262, 3, 1, 2),
        (273, 4, 1, 8 + 2 + 10 * 12 + 4 + 6),
        (277, 3, 1, 3),
        (278, 4, 1, h),
        (279, 4, 1, 3 * w * h),
        (284, 3, 1, 1),
    ];
    let mut bytes = b"II*\0\x08\0\0\0".to_vec();
    bytes.extend(10u16.to_le_bytes());
    for (tag, kind, count, value) in entries {
        bytes.extend(tag.to_le_bytes());
        bytes.extend(kind.to_le_bytes());
        bytes.extend(count.to_le_bytes());
        bytes.extend(value.to_le_bytes());
    }
    bytes.extend([0; 4]);
    bytes.extend([8, 0, 8, 0, 8, 0]);
    bytes.extend(pixels);
    std::fs::write(path, bytes).expect("written");
}

/// Straightened by 1.5 degrees and cropped to 84 % of the width: where a place of the original comes, px.
fn edited(original: Size, x: f64, y: f64) -> (f64, f64) {
    let (sin, cos) = 1.5f64.to_radians().sin_cos();
    let (dx, dy) = (x - 0.5 * original.width as f64, y - 0.5 * original.height as f64);
    let size = cropped(original);
    (cos * dx - sin * dy + 0.5 * size.width as f64, sin * dx + cos * dy + 0.5 * size.height as f64)
}

fn cropped(original: Size) -> Size {
    Size { width: original.width * 84 / 100, height: original.height * 84 / 100 }
}

fn edit(frame: &Frame, path: &Path) {
    let (from, size) = (frame.size(), cropped(frame.size()));
    let (sin, cos) = (-1.5f64).to_radians().sin_cos();
    let at = |plane: &Plane, x: f64, y: f64| {
        let (i, j) = ((x as usize).min(from.width - 2), (y as usize).min(from.height - 2));
        let (s, t) = (x - i as f64, y - j as f64);
        let v = |i: usize, j: usize| f64::from(plane.at(i, j));
        (v(i, j) * (1.0 - s) + v(i + 1, j) * s) * (1.0 - t) + (v(i, j + 1) * (1.0 - s) + v(i + 1, j + 1) * s) * t
    };
    tiff(path, size, |x, y| {
        let (dx, dy) = (x as f64 + 0.5 - 0.5 * size.width as f64, y as f64 + 0.5 - 0.5 * size.height as f64);
        let (u, v) = (cos * dx - sin * dy + 0.5 * from.width as f64, sin * dx + cos * dy + 0.5 * from.height as f64);
        [0, 1, 2].map(|c| at(&frame.planes[c], (u - 0.5).max(0.0), (v - 0.5).max(0.0)))
    });
}

#[test]
fn each_mote_of_a_trace_is_answered_in_straightened_and_cropped_pictures() {
    let shoot = traced();
    let text = std::fs::read_to_string(shoot.document()).expect("written");
    let trace: Value = serde_json::from_str(&text).expect("JSON");
    let folder = tempfile::tempdir().expect("a folder");
    let entries = trace["bodies"][0]["pictures"].as_array().expect("pictures");
    let mut taken: Vec<&Value> = entries.iter().collect();
    let shows = |p: &Value| p["motes"].as_array().map_or(0, |m| m.iter().filter(|m| m["shows"] == true).count());
    taken.sort_by_key(|p| std::cmp::Reverse(shows(p)));
    taken.truncate(4);
    for picture in &taken {
        let path = Path::new(picture["path"].as_str().expect("a path"));
        let stem = path.file_stem().expect("a name").to_string_lossy();
        edit(&light_of(path), &folder.path().join(format!("{stem}-print.tif")));
    }
    let run = motelight(&[
        &"signoff",
        &folder.path(),
        &"--trace",
        &shoot.document(),
        &"--originals",
        &shoot.pictures(),
        &"--json",
        &"--no-record",
    ]);
    let document = run.document();
    let (mut found, mut right, mut all) = (0, 0, 0);
    let mut wrong = String::new();
    for picture in &taken {
        let stem = Path::new(picture["path"].as_str().expect("a path")).file_stem().expect("a name").to_string_lossy();
        let of_it = |f: &&Value| f["path"].as_str().is_some_and(|p| p.contains(&*stem));
        let file = document["files"].as_array().expect("files").iter().find(of_it).expect("judged");
        let notes = &file["notes"];
        if file["original"].is_null() {
            assert!(notes.to_string().contains("without the trace"), "{notes}");
            continue;
        }
        found += 1;
        assert!(file["original"]["path"].as_str().is_some_and(|p| p.contains(&*stem)));
        let size = |key: &str| picture[key].as_u64().expect("a size") as usize;
        let original = Size { width: size("width"), height: size("height") };
        let finished = cropped(original);
        for mote in file["motes"].as_array().expect("motes") {
            let sighting = picture["motes"].as_array().expect("motes").iter().find(|m| m["id"] == mote["mote_id"]);
            let sighting = sighting.expect("of the trace");
            let (x, y) = edited(original, number(sighting, "x_px"), number(sighting, "y_px"));
            let inside = (0.0..finished.width as f64).contains(&x) && (0.0..finished.height as f64).contains(&y);
            let width = number(sighting, "shadow_width_px");
            let off = (number(mote, "x_px") - x).hypot(number(mote, "y_px") - y);
            // As the trace's own promise: within 0.3 of the shadow's width.
            assert!(!inside || off < 0.3 * width.max(4.0), "{stem} {mote}: {off:.2} px off, {width:.1} px wide");
            // At the threshold either answer is right: its uncertainty is a factor of 1.5.
            let clearly = !(0.5..2.0).contains(&number(sighting, "times_threshold"));
            if clearly {
                let wanted = match (inside, sighting["shows"] == true) {
                    (false, _) => "outside_the_crop",
                    (true, true) => "visible",
                    (true, false) => "not_visible",
                };
                all += 1;
                right += usize::from(mote["answer"] == wanted);
                if mote["answer"] != wanted {
                    wrong += &format!("{stem}: wanted {wanted}, trace {sighting}, got {mote}\n");
                }
            }
        }
    }
    assert!(found >= 3, "{found} of {} brought together with their originals", taken.len());
    assert!(10 * right >= 9 * all && all > 10, "{right} of {all} answered rightly\n{wrong}");
}

const SIXTEEN: Format = Format::Tiff(Depth::Sixteen, Endian::Little, Tone::Srgb);

/// A body with 24 grains.
fn body(seed: u64) -> FrameSpec {
    FrameSpec {
        width: 1200,
        height: 800,
        mode: Mode::PupilIntegral,
        f_number: Some(22.0),
        grains_only: true,
        grains_um: [20.0, 70.0],
        stand_off_mm: Some(0.9),
        ..FrameSpec::new(seed, 24)
    }
}

/// A test frame (`wall.tif`), a picture of a house by the same body (`originals`), the same without motes (`clean`), and the first one
/// finished (`finished/house-web.tif`).
fn house(folder: &Path) -> Exposure {
    let at = |name: &str| folder.join(name);
    write(&test_frame(&body(41)), SIXTEEN, None, &at("wall.tif"), &at("wall.json")).expect("written");
    let taken = picture(&body(41), &PictureSpec::new(View::Harbour, 9, 16.0));
    for (place, glass) in [("originals/house.tif", Glass::AsItIs), ("clean/house.tif", Glass::Clean)] {
        std::fs::create_dir_all(at(place).parent().expect("a folder")).expect("made");
        std::fs::write(at(place), encode(&taken, SIXTEEN, glass).expect("encoded").bytes).expect("written");
    }
    std::fs::create_dir(at("finished")).expect("made");
    edit(&light_of(&at("originals/house.tif")), &at("finished/house-web.tif"));
    taken
}

/// Held against what the synthetic camera knows: where shadows stand, and the same picture without any.
#[test]
fn a_test_frame_answers_for_the_motes_of_finished_pictures() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    let taken = house(folder.path());
    edit(&light_of(&at("clean/house.tif")), &at("finished/house-mended.tif"));
    let sign_off = |wall: &str| {
        let (finished, wall, originals) = (at("finished"), at(wall), at("originals"));
        motelight(&[
            &"signoff",
            &finished,
            &"--test-frame",
            &wall,
            &"--originals",
            &originals,
            &"--json",
            &"--no-record",
        ])
    };
    let document = sign_off("wall.tif").document();
    assert!(document["test_frame"].as_str().is_some_and(|p| p.ends_with("wall.tif")) && document["trace"].is_null());
    let files = document["files"].as_array().expect("files");
    let motes_of = |name: &str| -> &Vec<Value> {
        let file = files.iter().find(|f| f["path"].as_str().is_some_and(|p| p.ends_with(name))).expect("judged");
        assert!(file["original"]["path"].as_str().is_some_and(|p| p.ends_with("house.tif")), "{file}");
        file["motes"].as_array().expect("motes")
    };
    let (dirty, clean) = (motes_of("house-web.tif"), motes_of("house-mended.tif"));
    let mut visible = 0;
    for mote in dirty {
        let (x, y) = (number(mote, "x_px"), number(mote, "y_px"));
        let places =
            taken.shadows.iter().map(|s| edited(Size { width: 1200, height: 800 }, s.centre_px[0], s.centre_px[1]));
        let off = places.map(|(u, v)| (u - x).hypot(v - y)).fold(f64::MAX, f64::min);
        assert!(off < 0.3 * number(mote, "width_px"), "{mote}: {off:.2} px from the nearest shadow");
        visible += usize::from(mote["answer"] == "visible");
    }
    assert!(visible >= 4, "{visible} of {} motes show", dirty.len());
    assert_eq!(clean.len(), dirty.len());
    assert!(clean.iter().all(|m| m["answer"] != "visible"), "{clean:?}");
    // A test frame by another body answers for nothing, and says so.
    write(&test_frame(&body(42)), SIXTEEN, None, &at("other.tif"), &at("other.json")).expect("written");
    let document = sign_off("other.tif").document();
    let file = &document["files"][0];
    assert!(file["motes"].as_array().is_some_and(Vec::is_empty) && file["original"].is_null(), "{file}");
    assert!(file["notes"].to_string().contains("without the test frame"), "{file}");
}

/// With nothing named but the originals, the ledger's test frame of their body answers as if it had been named; one of another
/// body, and one that has changed since, answers for nothing.
#[test]
fn the_ledger_answers_for_the_motes_of_finished_pictures() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    house(folder.path());
    write(&test_frame(&body(42)), SIXTEEN, None, &at("other.tif"), &at("other.json")).expect("written");
    let (ledger, finished, originals) = (at("ledger.sqlite"), at("finished"), at("originals"));
    let inspect = |wall: &str| motelight(&[&"inspect", &at(wall), &"--ledger", &ledger, &"--json"]).document();
    let sign_off = |more: &[&dyn AsRef<std::ffi::OsStr>]| {
        let mut words: Vec<&dyn AsRef<std::ffi::OsStr>> =
            vec![&"signoff", &finished, &"--originals", &originals, &"--ledger", &ledger, &"--json"];
        words.extend(more);
        motelight(&words)
    };
    let refused = sign_off(&[]);
    assert!(refused.code == 2 && refused.stderr.contains("knows no usable test frame"), "{}", refused.stderr);
    inspect("other.tif");
    let without = sign_off(&[]).document();
    assert!(without["files"][0]["notes"].to_string().contains("no usable test frame of this body"), "{without}");
    inspect("wall.tif");
    let document = sign_off(&[]).document();
    assert!(
        document["ledger"].as_str().is_some_and(|p| p.ends_with("ledger.sqlite")) && document["test_frame"].is_null()
    );
    let file = &document["files"][0];
    assert!(file["original"]["told_by"].as_str().is_some_and(|p| p.ends_with("wall.tif")), "{file}");
    let wall = at("wall.tif");
    let named = sign_off(&[&"--test-frame", &wall]).document();
    assert!(file["motes"].as_array().is_some_and(|m| m.len() >= 4));
    assert_eq!(file["motes"], named["files"][0]["motes"]);
    assert_eq!(sign_off(&[&"--no-record"]).code, 2, "nothing tells the motes");
    std::fs::copy(at("other.tif"), &wall).expect("written over");
    let changed = sign_off(&[]).document();
    assert!(changed["files"][0]["notes"].to_string().contains("no longer the test frame"), "{changed}");
}

/// Held against the same picture without motes, edited alike: the synthetic camera knows it.
#[test]
fn shadows_are_taken_out_of_a_finished_picture_where_its_original_says() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    let taken = house(folder.path());
    edit(&light_of(&at("clean/house.tif")), &at("clean/house-web.tif"));
    let before = digests(&at("finished"));
    let mend = |more: &[&dyn AsRef<std::ffi::OsStr>]| {
        let (finished, wall, out) = (at("finished"), at("wall.tif"), at("out"));
        let mut words: Vec<&dyn AsRef<std::ffi::OsStr>> =
            vec![&"mend", &finished, &"--test-frame", &wall, &"--out", &out, &"--json"];
        words.extend(more);
        motelight(&words)
    };
    // Alone it tells neither body nor f-number.
    assert_eq!(mend(&[]).code, 2);
    let run = mend(&[&"--originals", &at("originals")]);
    assert!(run.code < 2, "{}", run.stderr);
    let document = run.document();
    assert!(document["pictures"][0]["notes"][0].as_str().is_some_and(|n| n.contains("house.tif")), "{document}");
    assert_eq!(digests(&at("finished")), before, "finished pictures are only read");
    let [was, is, wanted] =
        ["finished/house-web.tif", "out/house-web.tif", "clean/house-web.tif"].map(|name| light_of(&at(name)));
    let size = was.size();
    // What detail hides is left: nothing tells that it has not gone since the test frame.
    let told = document["pictures"][0]["motes"].as_array().expect("motes");
    let is_hidden = |x: f64, y: f64| {
        let here = |m: &&Value| (number(m, "x_px") - x).hypot(number(m, "y_px") - y) < 4.0;
        told.iter().find(here).is_some_and(|m| m["reason"] == "hidden_by_detail")
    };
    let (mut all, mut better, mut hidden) = (0, 0, 0);
    for mote in taken.shadows.iter() {
        let (x, y) = edited(Size { width: 1200, height: 800 }, mote.centre_px[0], mote.centre_px[1]);
        let left = is_hidden(x, y);
        let (x, y) = (x as usize, y as usize);
        if x < 12 || y < 12 || x + 12 >= size.width || y + 12 >= size.height {
            continue;
        }
        // Squared error of the logarithm of light over the heart of the shadow.
        let error = |frame: &Frame| -> f64 {
            let one = |i: usize| {
                let (x, y) = (x - 4 + i % 9, y - 4 + i / 9);
                f64::from((frame.planes[1].at(x, y).max(1e-3) / wanted.planes[1].at(x, y).max(1e-3)).ln()).powi(2)
            };
            (0..81).map(one).sum::<f64>() / 81.0
        };
        let (then, now) = (error(&was), error(&is));
        // Never worse by more than a tenth of a decibel, or than the codes can tell.
        assert!(now <= 1.023 * then + 1e-5, "mote at {x},{y}: {then:.2e} to {now:.2e}");
        if then > 4e-4 {
            all += 1;
            hidden += usize::from(left);
            better += usize::from(now < 0.25 * then);
        }
    }
    let seen = all - hidden;
    assert!(seen >= 6 && 5 * better >= 4 * seen, "{better} of {seen} shadows come 6 dB nearer to the clean picture");
    assert!(4 * hidden <= all, "{hidden} of {all} are said to be hidden by detail");
    let changed = (0..size.area()).filter(|&i| was.planes[1].data()[i] != is.planes[1].data()[i]).count();
    assert!(changed > 0 && changed < size.area() / 8, "{changed} of {} pixels changed", size.area());
    let again = mend(&[&"--originals", &at("originals")]);
    assert_eq!(again.document()["pictures"][0]["done_before"], true);
    // A picture that was made from something else is refused, and says so.
    std::fs::remove_file(at("originals/house.tif")).expect("removed");
    let other = picture(&body(41), &PictureSpec::new(View::Leaves, 4, 16.0));
    std::fs::write(at("originals/leaves.tif"), encode(&other, SIXTEEN, Glass::AsItIs).expect("encoded").bytes)
        .expect("written");
    let run = mend(&[&"--originals", &at("originals")]);
    assert_eq!(run.code, 2);
    assert!(run.stderr.contains("house-web.tif") && run.stderr.contains("hint:"), "{}", run.stderr);
}
