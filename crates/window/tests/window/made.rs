//! Pictures for these tests, made once by the synthetic camera: small, and of cameras that do not exist.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use motelight_synth::scene::View;
use motelight_synth::sets::{Fault, FrameSpec, PictureSpec, picture, test_frame, write};
use motelight_synth::write::{Chroma, Compression, Endian};
use motelight_synth::{Exposure, Format, Mode, Mote, Tone};
use tempfile::TempDir;

/// The files.
pub struct Made {
    _folder: TempDir,
    /// A test frame.
    pub before: PathBuf,
    /// The same sensor, half as dusty.
    pub after: PathBuf,
    /// The same sensor with nothing on it.
    pub clean: PathBuf,
    /// A test frame by another body.
    pub other: PathBuf,
    /// A test frame taken wide open.
    pub unfit: PathBuf,
    /// A file that is no picture.
    pub broken: PathBuf,
    /// A folder of pictures by the body of the first.
    pub shoot: PathBuf,
}

const DNG: Format = Format::Dng(Compression::None, Endian::Little);
const JPEG: Format = Format::Jpeg(95, Chroma::Full, Tone::Srgb);

fn spec(seed: u64) -> FrameSpec {
    FrameSpec {
        width: 960,
        height: 640,
        mode: Mode::PupilIntegral,
        f_number: Some(22.0),
        grains_only: true,
        ..FrameSpec::new(seed, 10)
    }
}

fn save(exposure: &Exposure, format: Format, path: &Path) -> PathBuf {
    write(exposure, format, None, path, &path.with_extension("truth.json")).expect("written");
    path.to_path_buf()
}

/// All of it.
pub fn made() -> &'static Made {
    static MADE: OnceLock<Made> = OnceLock::new();
    MADE.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let at = |name: &str| folder.path().join(name);
        let first = test_frame(&spec(3));
        let with = |motes: Vec<Mote>, more: u64| {
            let mut shot = first.shot.clone();
            shot.seed += more;
            Exposure::new(first.camera.clone(), first.lens.clone(), shot, motes, first.mode, first.canvas.clone())
        };
        let half: Vec<Mote> = first.motes.iter().filter(|m| m.id % 2 == 0).cloned().collect();
        let shoot = at("Quillhaven");
        std::fs::create_dir_all(&shoot).expect("a folder");
        for (i, view) in [View::Clouds, View::Hills, View::Lighthouse, View::Clouds].into_iter().enumerate() {
            let taken = PictureSpec::new(view, 40 + i as u64, 16.0);
            save(&picture(&spec(3), &taken), JPEG, &shoot.join(format!("view-{}.jpg", i + 1)));
        }
        std::fs::write(at("broken.dng"), b"II*\0 this is no picture").expect("written");
        Made {
            before: save(&first, DNG, &at("wall-1.dng")),
            after: save(&with(half, 1), DNG, &at("wall-2.dng")),
            clean: save(&with(Vec::new(), 2), DNG, &at("wall-3.dng")),
            other: save(&test_frame(&spec(9)), DNG, &at("other-body.dng")),
            unfit: save(&test_frame(&FrameSpec { fault: Some(Fault::WideOpen), ..spec(3) }), DNG, &at("unfit.dng")),
            broken: at("broken.dng"),
            shoot,
            _folder: folder,
        }
    })
}
