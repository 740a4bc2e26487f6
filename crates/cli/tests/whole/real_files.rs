//! The open test pictures through the binary, raws in its child process: read, with the facts that an independent
//! metadata reader finds, or refused for the reason that their manifest gives.

use std::path::Path;
use std::process::Command;

use serde_json::Value;

use crate::run::{digests, motelight, shared, skipped};

/// Refused, and why (manifest.tsv): cut short, header only, malformed, no picture format, codec or colours not read.
const REFUSED: [(&str, &str); 13] = [
    ("Hero8.GPR", "unsupported"),
    ("RAW_KODAK_C330_FORMAT_NONE_YRGB.raw", "unsupported"),
    ("input.raw", "unsupported"),
    ("NEF.exif", "broken"),
    ("ARW.exif", "broken"),
    ("Canon-R6-pruned.CR3", "unsupported"),
    ("IMG_1361.dng", "broken"),
    ("corrupted.jpg", "broken"),
    ("truncated.jpg", "broken"),
    ("issue_1887_poc.crw", "broken"),
    ("issue_839_poc.rw2", "unsupported"),
    ("issue_857_poc.raf", "unsupported"),
    ("lab-a-16.tiff", "unsupported"),
];

/// Either answer is right: a picture of three channels with a profile for printing.
const EITHER: &str = "no-image-types-rgb-us-web-coated-v2-ms-photogallery-exif.jpg";

#[test]
fn real_files_are_judged_or_refused_and_their_facts_are_right() {
    let Some(data) = shared() else { return };
    let before = digests(&data);
    let place = |part: &str| data.join(part);
    let run = motelight(&[
        &"inspect",
        &"--json",
        &place("raw"),
        &place("raw/NEF.exif"),
        &place("raw/ARW.exif"),
        &place("edge"),
        &place("photos"),
        &place("orientation/Landscape_6.jpg"),
        &place("orientation/Portrait_8.jpg"),
    ]);
    assert!(run.code == 2 && !run.stderr.contains("panicked"), "{}", run.stderr);
    assert_eq!(digests(&data), before);
    let document = run.document();
    let frames = document["frames"].as_array().expect("frames");
    let facts = independent_facts(&data);
    let (mut judged, mut refused) = (0, 0);
    for frame in frames {
        let path = Path::new(frame["path"].as_str().expect("a path"));
        let name = path.file_name().and_then(|n| n.to_str()).expect("a name");
        let code = frame["error"]["code"].as_str();
        let wanted = REFUSED.iter().find(|(refused, _)| *refused == name).map(|(_, code)| *code);
        if name != EITHER {
            assert_eq!(code, wanted, "{name}: {}", frame["error"]);
        }
        match code {
            Some(_) => refused += 1,
            None => {
                judged += 1;
                if let Some(told) = facts.iter().find(|f| f["SourceFile"].as_str() == path.to_str()) {
                    compare(frame, told, name);
                }
            }
        }
    }
    assert!(judged >= 17 && refused >= REFUSED.len(), "{judged} judged, {refused} refused");
}

/// What exiftool finds, numbers as numbers.
fn independent_facts(data: &Path) -> Vec<Value> {
    let asked = Command::new("exiftool").args(["-json", "-n", "-r"]).arg(data).output();
    let Ok(told) = asked else {
        let how = "no exiftool: facts of real files were not compared (Debian: apt-get install libimage-exiftool-perl)";
        assert!(std::env::var("CI").as_deref() != Ok("true"), "{how}");
        skipped(how);
        return Vec::new();
    };
    serde_json::from_slice(&told.stdout).expect("JSON")
}

fn compare(frame: &Value, told: &Value, name: &str) {
    let number = |v: &Value| v.as_f64().filter(|n| *n > 0.0);
    let text = |v: &Value| match v {
        Value::String(s) if !s.trim().is_empty() => Some(s.trim().to_owned()),
        Value::Number(n) => Some(n.to_string()),
        _ => None,
    };
    let close = |a: Option<f64>, b: Option<f64>| match (a, b) {
        (Some(a), Some(b)) => (a / b - 1.0).abs() < 1e-3,
        (a, b) => a == b,
    };
    assert!(close(number(&frame["f_number"]), number(&told["FNumber"])), "{name}: f-number {}", frame["f_number"]);
    assert!(close(number(&frame["iso"]), number(&told["ISO"])), "{name}: ISO {} {}", frame["iso"], told["ISO"]);
    if frame["body"]["model"].is_string() {
        assert_eq!(text(&frame["body"]["make"]), text(&told["Make"]), "{name}");
        assert_eq!(text(&frame["body"]["model"]), text(&told["Model"]), "{name}");
    } else {
        assert_eq!(text(&told["Model"]), None, "{name}: the model was not found");
    }
    if let Some(serial) = text(&frame["body"]["serial"]) {
        // exiftool prints digits as a number: leading zeros are lost there.
        assert_eq!(Some(serial.trim_start_matches('0').to_owned()), text(&told["SerialNumber"]), "{name}");
    }
    // A DNG names its default crop; other files are as large as their picture.
    let crop = told["DefaultCropSize"].as_str().map(|s| s.split(' ').filter_map(|v| v.parse().ok()).collect());
    let size: Vec<f64> =
        crop.unwrap_or_else(|| ["ImageWidth", "ImageHeight"].iter().filter_map(|k| number(&told[*k])).collect());
    assert_eq!([number(&frame["width"]), number(&frame["height"])], [Some(size[0]), Some(size[1])], "{name}");
}
