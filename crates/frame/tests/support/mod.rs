//! What the tests of writing share: frames made from codes, patches, files made byte by byte.
#![allow(dead_code, clippy::unwrap_used, clippy::print_stderr)]

pub mod dng;
pub mod tiff_file;

use std::path::{Path, PathBuf};

use motelight_frame::{
    Cfa, Colour, Digest, Encoding, Frame, FrameError, Layout, Mask, NoiseModel, Patch, Plane, Rect, Shot, Size, Tone,
    Written,
};

/// A repeatable stand-in for grain.
pub struct Noise(pub u64);

impl Noise {
    pub fn next(&mut self) -> u32 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 33) as u32
    }
}

/// A smooth picture with grain, `bits` deep, samples interleaved.
pub fn picture(size: Size, samples: usize, bits: u32, seed: u64) -> Vec<u16> {
    let mut noise = Noise(seed);
    let full = f64::from((1u32 << bits) - 1);
    let mut codes = Vec::new();
    for y in 0..size.height {
        for x in 0..size.width {
            for s in 0..samples {
                let level = 0.35 + 0.2 * (x as f64 / 40.0 + s as f64).sin() + 0.15 * y as f64 / size.height as f64;
                let grain = (f64::from(noise.next() % 1000) / 1000.0 - 0.5) * 0.02;
                codes.push(((level + grain) * full).round() as u16);
            }
        }
    }
    codes
}

/// IEC 61966-2-1.
pub fn srgb(bits: u32) -> Tone {
    let most = (1u32 << bits) - 1;
    let linear = |v: f64| if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) };
    Tone::new((0..=most).map(|c| linear(f64::from(c) / f64::from(most)) as f32).collect()).unwrap()
}

/// A frame over interleaved codes.
pub fn frame(layout: Layout, encoding: Encoding, size: Size, codes: &[u16], samples: usize) -> Frame {
    let crop = Rect { x: 0, y: 0, width: size.width, height: size.height };
    cropped_frame(layout, encoding, size, codes, samples, crop)
}

/// A frame over a part of the recorded codes; black levels repeat from the crop's corner.
pub fn cropped_frame(
    layout: Layout,
    encoding: Encoding,
    recorded: Size,
    codes: &[u16],
    samples: usize,
    crop: Rect,
) -> Frame {
    let count = if layout == Layout::Rgb { 3 } else { 1 };
    let mut planes = Vec::new();
    for p in 0..count {
        let mut plane = Plane::filled(crop.size(), 0f32);
        for y in 0..crop.height {
            for x in 0..crop.width {
                let code = codes[((y + crop.y) * recorded.width + x + crop.x) * samples + p];
                plane.set(x, y, encoding.decode(p, x, y, code));
            }
        }
        planes.push(plane);
    }
    let mut shot = Shot::unknown(recorded);
    shot.crop = crop;
    Frame {
        noise: vec![NoiseModel { shot: 0.0, read: 1e-6 }; planes.len()],
        mask: Mask(Plane::filled(crop.size(), 0)),
        planes: planes.into(),
        layout,
        encoding,
        luminance: [0.2126, 0.7152, 0.0722],
        shot,
        digest: Digest(String::new()),
        notes: Vec::new(),
    }
}

pub fn rggb() -> Layout {
    use Colour::{Blue, Green, Red};
    Layout::Mosaic(Cfa::new(Size { width: 2, height: 2 }, vec![Red, Green, Green, Blue]).unwrap())
}

/// A round patch that divides out a soft shadow of the given depth.
pub fn disc(frame: &Frame, centre: (f64, f64), radius: f64, depth: f64) -> Patch {
    let size = frame.size();
    let clip = |v: f64, end: usize| v.clamp(0.0, end as f64) as usize;
    let (x0, x1) = (clip(centre.0 - radius, size.width), clip(centre.0 + radius + 1.0, size.width));
    let (y0, y1) = (clip(centre.1 - radius, size.height), clip(centre.1 + radius + 1.0, size.height));
    let window = Rect { x: x0, y: y0, width: x1 - x0, height: y1 - y0 };
    let mut planes: Vec<Plane> = frame.planes.iter().map(|p| p.window(window)).collect();
    let mut mask = Plane::filled(window.size(), false);
    for y in 0..window.height {
        for x in 0..window.width {
            let r = ((x0 + x) as f64 + 0.5 - centre.0).hypot((y0 + y) as f64 + 0.5 - centre.1) / radius;
            if r < 1.0 {
                mask.set(x, y, true);
                let shade = 1.0 - depth * (1.0 - r * r);
                planes.iter_mut().for_each(|p| p.set(x, y, (f64::from(p.at(x, y)) / shade) as f32));
            }
        }
    }
    Patch { window, planes, mask }
}

/// Whether any patch's mask holds the pixel.
pub fn masked(patches: &[Patch], x: usize, y: usize) -> bool {
    patches.iter().any(|p| {
        let w = p.window;
        (w.x..w.right()).contains(&x) && (w.y..w.bottom()).contains(&y) && p.mask.at(x - w.x, y - w.y)
    })
}

/// Whether any of the rectangles holds the pixel.
pub fn inside(rects: &[Rect], x: usize, y: usize) -> bool {
    rects.iter().any(|r| (r.x..r.right()).contains(&x) && (r.y..r.bottom()).contains(&y))
}

/// The code wanted at a pixel: the last patch over it, nearest code.
pub fn wanted(frame: &Frame, patches: &[Patch], plane: usize, x: usize, y: usize) -> Option<u16> {
    let over = |p: &&Patch| masked(std::slice::from_ref(*p), x, y);
    let patch = patches.iter().rev().find(over)?;
    let light = patch.planes[plane].at(x - patch.window.x, y - patch.window.y);
    Some(frame.encoding.encode(plane, x, y, light))
}

/// Open test pictures, if they are at hand; says so if not.
pub fn shared(name: &str) -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared");
    let root = std::env::var_os("MOTELIGHT_SHARED").map_or(beside, PathBuf::from);
    let found = [root.join("data").join(name), root.join(name)].into_iter().find(|p| p.exists());
    if found.is_none() {
        eprintln!(
            "SKIPPED: {name} is not in {}; set MOTELIGHT_SHARED to the folder of open test pictures",
            root.display()
        );
    }
    found
}

/// What the independent reader exiftool says. Without it the check is skipped loudly, and fails where CI=true.
pub fn exiftool(path: &Path, arguments: &[&str]) -> Option<Vec<u8>> {
    let Ok(output) = std::process::Command::new("exiftool").args(arguments).arg(path).output() else {
        let missing = "exiftool is missing (apt-get install libimage-exiftool-perl)";
        assert_ne!(std::env::var("CI").as_deref(), Ok("true"), "{missing}");
        eprintln!("SKIPPED: {missing}");
        return None;
    };
    Some(output.stdout)
}

/// All metadata of a file as exiftool prints them, without what the file system and the given tags say.
pub fn metadata(path: &Path, leave_out: &[&str]) -> Option<String> {
    let text = exiftool(path, &["-a", "-G1", "-s", "-u", "--System:all"])?;
    let text = String::from_utf8_lossy(&text);
    Some(text.lines().filter(|l| !leave_out.iter().any(|tag| l.contains(tag))).collect::<Vec<_>>().join("\n"))
}

pub fn bytes(path: &Path) -> Vec<u8> {
    std::fs::read(path).unwrap()
}

/// Mends `file` as `source` into a fresh `out`, checks that the original stays untouched, turns the copy back and
/// returns the copy, what was said of it, and how far the original came back (as bytes).
pub fn mend_and_undo(dir: &Path, kind: &str, file: &[u8], frame: &Frame, patches: &[Patch]) -> Mended {
    write_and_undo(motelight_frame::write_mended, dir, kind, file, frame, patches)
}

/// The same by any way of writing.
pub fn write_and_undo(
    write: impl Fn(&Path, &Frame, &[Patch], &Path) -> Result<Written, FrameError>,
    dir: &Path,
    kind: &str,
    file: &[u8],
    frame: &Frame,
    patches: &[Patch],
) -> Mended {
    let path = |name: &str| dir.join(format!("{name}.{kind}"));
    let (source, out, back) = (path("source"), path("out"), path("back"));
    std::fs::write(&source, file).unwrap();
    [&out, &back].into_iter().for_each(|p| drop(std::fs::remove_file(p)));
    let frame = Frame { digest: digest(file), ..frame.clone() };
    let written = write(&source, &frame, patches, &out).unwrap();
    assert!(bytes(&source) == file, "the original was written to");
    assert_eq!(written.undo.mended, digest(&bytes(&out)));
    // The record lives in a file of its own.
    let record = serde_json::from_str(&serde_json::to_string(&written.undo).unwrap()).unwrap();
    let undone = motelight_frame::undo(&out, &record, &back).unwrap();
    Mended { out: bytes(&out), written, undone, back: bytes(&back) }
}

pub struct Mended {
    pub out: Vec<u8>,
    pub written: Written,
    pub undone: motelight_frame::Undone,
    pub back: Vec<u8>,
}

/// SHA-256 as hexadecimal.
pub fn digest(file: &[u8]) -> Digest {
    use sha2::Digest as _;
    Digest(sha2::Sha256::digest(file).iter().map(|b| format!("{b:02x}")).collect())
}
