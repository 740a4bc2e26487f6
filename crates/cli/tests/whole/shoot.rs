//! A small shoot by one body, in every format that is mended, and its test frame.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use motelight_frame::{Frame, Limits, RawDecoder, ReadOptions, read};
use motelight_synth::scene::View;
use motelight_synth::sets::{FrameSpec, PictureSpec, picture, test_frame, write};
use motelight_synth::write::{Chroma, Compression, Depth, Endian};
use motelight_synth::{Format, Mode, Tone};
use tempfile::TempDir;

/// The shoot, made once for all tests.
pub struct Shoot {
    folder: TempDir,
    /// The test frame.
    pub wall: PathBuf,
    /// A test frame by another body.
    pub other_wall: PathBuf,
}

impl Shoot {
    /// Folder of the pictures.
    pub fn pictures(&self) -> PathBuf {
        self.folder.path().join("shoot")
    }
}

const FORMATS: [(&str, Format); 7] = [
    ("plain.dng", Format::Dng(Compression::None, Endian::Little)),
    ("packed.dng", Format::DngWithPreview(Compression::Lossless, Endian::Little)),
    ("sixteen.tif", Format::Tiff(Depth::Sixteen, Endian::Little, Tone::Srgb)),
    ("eight.tif", Format::Tiff(Depth::Eight, Endian::Big, Tone::Srgb)),
    ("sixteen.png", Format::Png(Depth::Sixteen, Tone::Srgb)),
    ("halved.jpg", Format::Jpeg(92, Chroma::Halved, Tone::Srgb)),
    ("full.jpg", Format::Jpeg(95, Chroma::Full, Tone::Camera)),
];

fn body(seed: u64) -> FrameSpec {
    FrameSpec {
        width: 960,
        height: 640,
        mode: Mode::PupilIntegral,
        f_number: Some(22.0),
        grains_only: true,
        ..FrameSpec::new(seed, 10)
    }
}

/// The shoot.
pub fn shoot() -> &'static Shoot {
    static SHOOT: OnceLock<Shoot> = OnceLock::new();
    SHOOT.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let dng = Format::Dng(Compression::None, Endian::Little);
        let wall_of = |seed: u64, name: &str| {
            let path = folder.path().join(name);
            write(&test_frame(&body(seed)), dng, None, &path, &path.with_extension("json")).expect("written");
            path
        };
        let (wall, other_wall) = (wall_of(41, "wall.dng"), wall_of(42, "other.dng"));
        let pictures = folder.path().join("shoot/day");
        std::fs::create_dir_all(&pictures).expect("a folder");
        for (i, (name, format)) in FORMATS.iter().enumerate() {
            let view = [View::ClearSky, View::Clouds, View::Facade][i % 3];
            let taken = picture(&body(41), &PictureSpec::new(view, 7 + i as u64, [16.0, 11.0][i % 2]));
            let truth = folder.path().join(format!("{name}.json"));
            write(&taken, *format, None, &pictures.join(name), &truth).expect("written");
        }
        std::fs::write(pictures.join("plain.xmp"), "<x:xmpmeta/>").expect("written");
        Shoot { folder, wall, other_wall }
    })
}

/// A picture as the reader has it.
pub fn light_of(path: &Path) -> Frame {
    let options = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
    read(path, &options).expect("read")
}

/// Pixels of an 8-bit grey PNG.
pub fn grey(path: &Path) -> Vec<bool> {
    let light = light_of(path);
    light.planes[0].data().iter().map(|&v| v > 0.5).collect()
}

/// A picture in a camera's own raw format: big-endian TIFF with a mosaic of 12 bits, packed, as the Mamiya ZD wrote it (read so by
/// the raw library; black 0, white 4000, RGGB). Facts of a shot at f/16 on a sensor of pixels as wide as given.
pub fn camera_raw(frame: &Frame, pitch_um: f64, path: &Path) {
    const WHITE: f32 = 4000.0;
    let size = frame.size();
    let (word, long) = (|v: u32| (v as u16).to_be_bytes().to_vec(), |v: u32| v.to_be_bytes().to_vec());
    let text = |t: &str| t.bytes().chain([0]).collect::<Vec<u8>>();
    let ratio = |n: u32, d: u32| [n.to_be_bytes(), d.to_be_bytes()].concat();
    let per_cm = (1e7 / pitch_um).round() as u32;
    let mut exif: Vec<(u16, u16, Vec<u8>)> = vec![
        (33437, 5, ratio(16, 1)),
        (36867, 2, text("2026:05:02 10:00:00")),
        (37386, 5, ratio(80, 1)),
        (41486, 5, ratio(per_cm, 1000)),
        (41487, 5, ratio(per_cm, 1000)),
        (41488, 3, word(3)),
    ];
    let mut root: Vec<(u16, u16, Vec<u8>)> = vec![
        (256, 4, long(size.width as u32)),
        (257, 4, long(size.height as u32)),
        (258, 3, word(12)),
        (259, 3, word(1)),
        (262, 3, word(32803)),
        (271, 2, text("Mamiya-OP Co.,Ltd.")),
        (272, 2, text("MAMIYA ZD")),
        (273, 4, long(0)),
        (277, 3, word(1)),
        (279, 4, long((size.area() * 3 / 2) as u32)),
        (33421, 3, [word(2), word(2)].concat()),
        (33422, 1, vec![0, 1, 1, 2]),
        (34665, 4, long(0)),
    ];
    let length = |fields: &[(u16, u16, Vec<u8>)]| {
        6 + 12 * fields.len()
            + fields.iter().map(|f| if f.2.len() > 4 { f.2.len().next_multiple_of(2) } else { 0 }).sum::<usize>()
    };
    let exif_at = 8 + length(&root);
    let mosaic_at = exif_at + length(&exif);
    root[7].2 = long(mosaic_at as u32);
    root[12].2 = long(exif_at as u32);
    let mut bytes = b"MM\0\x2a\0\0\0\x08".to_vec();
    for fields in [&mut root, &mut exif] {
        let mut beside = bytes.len() + 6 + 12 * fields.len();
        let mut far = Vec::new();
        bytes.extend(word(fields.len() as u32));
        for (tag, kind, value) in fields {
            let count = value.len() / [1, 1, 1, 2, 4, 8][usize::from(*kind)];
            bytes.extend([word(u32::from(*tag)), word(u32::from(*kind)), long(count as u32)].concat());
            let wide = value.len() > 4;
            value.resize(if wide { value.len().next_multiple_of(2) } else { 4 }, 0);
            bytes.extend(if wide { long(beside as u32) } else { value.clone() });
            if wide {
                beside += value.len();
                far.append(value);
            }
        }
        bytes.extend(long(0));
        bytes.append(&mut far);
    }
    let code = |v: f32| (v * WHITE).round().clamp(0.0, 4095.0) as u16;
    for pair in frame.planes[0].data().chunks_exact(2) {
        let (a, b) = (code(pair[0]), code(pair[1]));
        bytes.extend([(a >> 4) as u8, ((a << 4) | (b >> 8)) as u8, b as u8]);
    }
    std::fs::write(path, bytes).expect("written");
}
