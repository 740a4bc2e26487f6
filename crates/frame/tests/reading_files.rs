//! Files as they come: missing, locked, empty, mislabelled; and the open test pictures, held against an
//! independent metadata reader and an independent raw decoder.

mod reading;

use std::path::Path;
use std::process::Command;

use motelight_frame::{Colour, Fault, FileKind, FrameError, Layout, Shot, read, read_shot};
use reading::{in_process, read_bytes, shared, skipped};
use serde_json::Value;

fn refusal(path: &Path) -> FrameError {
    read(path, &in_process()).map(|_| ()).expect_err("refused")
}

#[test]
fn what_is_no_file_is_refused_in_plain_words() {
    let folder = tempfile::tempdir().expect("a folder");
    let missing = refusal(&folder.path().join("gone.dng"));
    assert_eq!((missing.fault, missing.message.as_str()), (Fault::Unreadable, "there is no such file"));
    let directory = refusal(folder.path());
    assert!(directory.fault == Fault::Unreadable && directory.message.contains("folder"));
}

#[cfg(unix)]
#[test]
fn a_locked_file_is_called_locked() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("locked.jpg");
    std::fs::write(&path, b"\xff\xd8\xff").expect("written");
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o000)).expect("locked");
    if std::fs::File::open(&path).is_ok() {
        skipped("this user may read locked files");
        return;
    }
    let error = refusal(&path);
    assert!(error.fault == Fault::Unreadable && error.message.contains("locked"));
}

#[test]
fn other_files_are_called_what_they_are() {
    let cases: [(&str, &[u8], Fault, &str); 7] = [
        ("a.jpg", b"", Fault::Broken, "empty"),
        ("a.jpg", &[0; 4096], Fault::Unsupported, "zeros"),
        ("a.tif", b"dear diary, today I cleaned my sensor", Fault::Unsupported, "a text file"),
        ("trace.json", b"{\"schema\": \"motelight.trace/1\"}", Fault::Unsupported, "a JSON document"),
        ("a.jpg", b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", Fault::Unsupported, "HEIF"),
        ("a.nef", b"II\x2a\0\xff\xff\xff\x7f", Fault::Broken, "directory"),
        ("a.raw", &[7; 300], Fault::Unsupported, "no picture format"),
    ];
    for (name, bytes, fault, words) in cases {
        let error = read_bytes(name, bytes).map(|_| ()).expect_err(words);
        assert_eq!(error.fault, fault, "{error}");
        assert!(error.message.contains(words), "{error} says nothing of '{words}'");
        assert!(!error.remedy.is_empty());
    }
}

#[test]
fn a_mislabelled_picture_is_read_and_said_to_be_what_it_is() {
    let mut bytes = Vec::new();
    let encoder = png::Encoder::new(&mut bytes, 4, 4);
    encoder.write_header().and_then(|mut w| w.write_image_data(&[9; 16])).expect("written");
    let frame = read_bytes("holiday.jpg", &bytes).expect("read");
    assert!(frame.notes[0].contains(".jpg") && frame.notes[0].contains("PNG"));
}

/// What the manifest of the open test pictures promises: each is read, or refused for the right reason.
#[test]
fn every_open_test_picture_is_read_or_refused_for_its_reason() {
    let refused = [
        ("edge/Canon-R6-pruned.CR3", Fault::Unsupported, "damaged, or of no format"),
        ("edge/IMG_1361.dng", Fault::Broken, "cut short"),
        ("edge/corrupted.jpg", Fault::Broken, "damaged or cut short"),
        ("edge/truncated.jpg", Fault::Broken, "cut short"),
        ("edge/issue_1887_poc.crw", Fault::Broken, "damaged or cut short"),
        ("edge/issue_839_poc.rw2", Fault::Unsupported, "damaged, or of no format"),
        ("edge/issue_857_poc.raf", Fault::Unsupported, "no picture format"),
        ("edge/lab-a-16.tiff", Fault::Unsupported, "Lab"),
        ("raw/ARW.exif", Fault::Broken, "cut short"),
        ("raw/NEF.exif", Fault::Broken, "cut short"),
        ("raw/Hero8.GPR", Fault::Unsupported, "compression 9"),
        ("raw/RAW_KODAK_C330_FORMAT_NONE_YRGB.raw", Fault::Unsupported, "no picture format"),
        ("raw/input.raw", Fault::Unsupported, "no picture format"),
    ];
    for (name, fault, words) in refused {
        let Some(path) = shared(name) else { return };
        let error = refusal(&path);
        assert_eq!(error.fault, fault, "{error}");
        assert!(error.message.contains(words), "{error} says nothing of '{words}'");
    }
    let swop = "edge/no-image-types-rgb-us-web-coated-v2-ms-photogallery-exif.jpg";
    let notes = shared(swop).map(|path| read(&path, &in_process()).expect(swop).notes).unwrap_or_default();
    assert!(notes.iter().any(|n| n.contains("printing profile") && n.contains("sRGB curve is assumed")), "{notes:?}");
    let readable = [
        "edge/P3-sRGB-color-ring.png",
        "edge/exif-oome-bogus-count.jpg",
        "edge/flower-rgb-contig-16.tif",
        "edge/flower.png.im_q85_420_progr.jpg",
        "edge/tahoe-gps.jpg",
        "edge/tower_progressive.jpg",
        "photos/canon-dslr.jpg",
        "photos/iptc-mess.jpg",
        "photos/Bridge_by_Sander_Klootwijk.jpg",
        "photos/aitzgorri_by_Aitzol_Berasategi.jpg",
    ];
    for name in readable {
        let Some(path) = shared(name) else { return };
        let frame = read(&path, &in_process()).unwrap_or_else(|e| panic!("{e}"));
        assert!(frame.planes.iter().all(|p| p.data().iter().all(|v| (0.0..=1.0).contains(v))), "{name}");
        assert!(frame.noise.iter().all(|n| n.read > 0.0 && n.sigma(0.5).is_finite()), "{name}: {:?}", frame.noise);
    }
}

/// Sample values of LibRaw, see tests/data/raw_samples.py; its visible mosaic is this file's default crop.
#[test]
fn the_mosaic_of_a_real_dng_agrees_with_an_independent_decoder() {
    let Some(path) = shared("raw/colorchart.dng") else { return };
    let frame = read(&path, &in_process()).expect("read");
    let Layout::Mosaic(cfa) = &frame.layout else { panic!("no mosaic") };
    let table = include_str!("data/colorchart_samples.tsv");
    let mut lines = 0;
    for line in table.lines().filter(|l| !l.starts_with('#')) {
        let fields: Vec<&str> = line.split('\t').collect();
        let (x, y) = (fields[0].parse().expect("a column"), fields[1].parse().expect("a row"));
        let colour = match fields[2] {
            "R" => Colour::Red,
            "G" => Colour::Green,
            _ => Colour::Blue,
        };
        assert_eq!(cfa.colour(x, y), colour, "{line}");
        assert_eq!(frame.encoding.encode(0, x, y, frame.planes[0].at(x, y)).to_string(), fields[3], "{line}");
        lines += 1;
    }
    assert_eq!(lines, 200);
    // FNumber and FocalLength are zero in this file.
    assert_eq!((frame.shot.f_number, frame.shot.focal_length, frame.shot.iso), (None, None, None));
}

#[test]
fn all_orientations_are_told() {
    for side in ["Landscape", "Portrait"] {
        for orientation in 0..=8u8 {
            let Some(path) = shared(&format!("orientation/{side}_{orientation}.jpg")) else { return };
            let (shot, kind) = read_shot(&path, &in_process()).expect("facts");
            // 0 is no orientation of Exif: it counts as upright.
            assert_eq!((shot.orientation.exif(), kind), (orientation.max(1), FileKind::Jpeg), "{}", path.display());
            let stored = (shot.recorded.width.max(shot.recorded.height), shot.recorded.width.min(shot.recorded.height));
            assert_eq!(stored, (1800, 1200));
        }
    }
}

/// The facts of an independent metadata reader, groups `IFD0` and `ExifIFD` as numbers.
fn metadata(path: &Path) -> Option<Value> {
    let tags = ["-j", "-n", "-G1", "-IFD0:all", "-ExifIFD:all", "-File:ImageWidth", "-File:ImageHeight", "-PNG:all"];
    match Command::new("exiftool").args(tags).arg(path).output() {
        Ok(output) => serde_json::from_slice::<Value>(&output.stdout).ok().map(|v| v[0].clone()),
        Err(_) if std::env::var_os("CI").is_some() => panic!("exiftool is missing: install libimage-exiftool-perl"),
        Err(_) => {
            skipped("exiftool is missing: install libimage-exiftool-perl");
            None
        }
    }
}

fn assert_facts(path: &Path, shot: &Shot, told: &Value) {
    let name = path.display();
    let text = |tag: &str| match &told[tag] {
        Value::String(s) => Some(s.trim().to_owned()).filter(|s| !s.is_empty()),
        Value::Number(n) => Some(n.to_string()),
        _ => None,
    };
    let number = |tag: &str| told[tag].as_f64().filter(|v| *v > 0.0);
    let body = shot.body.as_ref();
    assert_eq!(body.map(|b| b.make.clone()).filter(|m| !m.is_empty()), text("IFD0:Make"), "{name}");
    assert_eq!(body.map(|b| b.model.clone()).filter(|m| !m.is_empty()), text("IFD0:Model"), "{name}");
    let serial = text("ExifIFD:SerialNumber").or_else(|| text("IFD0:CameraSerialNumber"));
    assert_eq!(body.and_then(|b| b.serial.clone()), serial, "{name}");
    assert_eq!(shot.lens.as_ref().map(|l| l.model.clone()), text("ExifIFD:LensModel"), "{name}");
    assert_eq!(
        shot.orientation.exif().to_string(),
        text("IFD0:Orientation").filter(|o| o != "0").unwrap_or("1".into())
    );
    assert_eq!(shot.software, text("IFD0:Software"), "{name}");
    let close = |own: Option<f64>, tag: &str| {
        let theirs = number(tag);
        let same = match (own, theirs) {
            (Some(a), Some(b)) => (a / b - 1.0).abs() < 1e-6,
            (a, b) => a == b,
        };
        assert!(same, "{name}: {tag} {own:?} against {theirs:?}");
    };
    close(shot.f_number.map(|n| n.marked()), "ExifIFD:FNumber");
    close(shot.iso, "ExifIFD:ISO");
    close(shot.exposure_seconds, "ExifIFD:ExposureTime");
    close(shot.focal_length.map(|f| f.0), "ExifIFD:FocalLength");
    let taken = text("ExifIFD:DateTimeOriginal").map(|t| {
        let sub_sec = text("ExifIFD:SubSecTimeOriginal").map(|s| format!(".{s}")).unwrap_or_default();
        let (date, time) = t.split_once(' ').expect("date and time");
        format!("{}T{time}{sub_sec}{}", date.replace(':', "-"), text("ExifIFD:OffsetTimeOriginal").unwrap_or_default())
    });
    assert_eq!(shot.taken, taken, "{name}");
    if let (Some(width), Some(height)) = (number("File:ImageWidth"), number("File:ImageHeight")) {
        assert_eq!((shot.recorded.width as f64, shot.recorded.height as f64), (width, height), "{name}");
    }
}

#[test]
fn the_facts_agree_with_an_independent_metadata_reader() {
    let names = [
        "photos/01.jpg",
        "photos/02.jpg",
        "photos/03.jpg",
        "photos/Bridge_by_Sander_Klootwijk.jpg",
        "photos/IMG_2222.JPG",
        "photos/aitzgorri_by_Aitzol_Berasategi.jpg",
        "photos/canon-dslr.jpg",
        "photos/iptc-mess.jpg",
        "photos/picosdeeuropa_by_Aitzol_Berasategi.jpg",
        "edge/P3-sRGB-color-ring.png",
        "edge/corrupted.jpg",
        "edge/exif-oome-bogus-count.jpg",
        "edge/flower-rgb-contig-16.tif",
        "edge/no-image-types-rgb-us-web-coated-v2-ms-photogallery-exif.jpg",
        "edge/tahoe-gps.jpg",
        "edge/tower_progressive.jpg",
        "edge/truncated.jpg",
        "edge/IMG_1361.dng",
        "raw/Hero8.GPR",
        "orientation/Portrait_5.jpg",
    ];
    for name in names {
        let Some(path) = shared(name) else { return };
        let Some(told) = metadata(&path) else { return };
        let (shot, _) = read_shot(&path, &in_process()).unwrap_or_else(|e| panic!("{e}"));
        assert_facts(&path, &shot, &told);
    }
}

#[test]
fn the_pitch_of_a_real_camera_comes_out_right() {
    let Some(path) = shared("photos/canon-dslr.jpg") else { return };
    let (shot, _) = read_shot(&path, &in_process()).expect("facts");
    // 5184 pixels at 5728.176796 to the inch, as the independent reader prints it.
    let pitch = shot.pitch.expect("a pitch").value.0;
    assert!((pitch - 25_400.0 / 5728.176796).abs() < 1e-6);
    assert_eq!(shot.edited, None);
}

#[test]
fn pictures_that_were_made_smaller_are_called_edited() {
    let Some(path) = shared("edge/tower_progressive.jpg") else { return };
    let (shot, _) = read_shot(&path, &in_process()).expect("facts");
    assert!(shot.edited.is_some_and(|e| e.contains("3456 x 4608")));
}
