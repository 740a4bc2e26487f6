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
