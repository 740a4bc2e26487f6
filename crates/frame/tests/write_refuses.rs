//! What writing refuses, and that nothing is left behind when it does.
#![allow(clippy::unwrap_used)]

mod support;

use std::path::{Path, PathBuf};
use std::process::Command;

use motelight_frame::{Encoding, Fault, Frame, Layout, Patch, Plane, Rect, Size, Undo, copy_sidecars, write_mended};
use support::tiff_file::{self, RGB16};
use support::{bytes, disc, picture, srgb};

const SIZE: Size = Size { width: 64, height: 48 };

struct Scene {
    dir: tempfile::TempDir,
    source: PathBuf,
    frame: Frame,
}

impl Scene {
    fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let codes = picture(SIZE, 3, 16, 7);
        let source = dir.path().join("source.tif");
        std::fs::write(&source, tiff_file::make(RGB16, SIZE, &codes, Vec::new())).unwrap();
        let frame = support::frame(Layout::Rgb, Encoding::Tones(vec![srgb(16); 3]), SIZE, &codes, 3);
        Scene { dir, source, frame }
    }

    fn patch(&self) -> Patch {
        disc(&self.frame, (20.0, 20.0), 8.0, 0.2)
    }

    fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(self.dir.path())
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }
}

#[test]
fn the_original_is_never_written_whatever_name_it_is_given() {
    let s = Scene::new();
    let before = bytes(&s.source);
    std::fs::create_dir(s.dir.path().join("sub")).unwrap();
    let mut names = vec![s.source.clone(), s.dir.path().join("sub/../source.tif")];
    #[cfg(unix)]
    {
        let (link, hard) = (s.dir.path().join("link.tif"), s.dir.path().join("hard.tif"));
        std::os::unix::fs::symlink(&s.source, &link).unwrap();
        std::fs::hard_link(&s.source, &hard).unwrap();
        names.extend([link, hard]);
    }
    for out in names {
        let e = write_mended(&s.source, &s.frame, &[s.patch()], &out).unwrap_err();
        assert_eq!(e.fault, Fault::Usage, "{e}");
        assert!(bytes(&s.source) == before);
    }
}

#[test]
fn an_existing_file_is_not_replaced() {
    let s = Scene::new();
    let out = s.dir.path().join("out.tif");
    std::fs::write(&out, "precious").unwrap();
    let e = write_mended(&s.source, &s.frame, &[s.patch()], &out).unwrap_err();
    assert_eq!(e.fault, Fault::Unwritable);
    assert_eq!(bytes(&out), b"precious");
    assert_eq!(s.names(), ["out.tif", "source.tif"]);
}

#[test]
fn a_missing_folder_is_named_with_what_to_do() {
    let s = Scene::new();
    let e = write_mended(&s.source, &s.frame, &[s.patch()], &s.dir.path().join("nowhere/out.tif")).unwrap_err();
    assert_eq!(e.fault, Fault::Unwritable);
    assert!(e.remedy.contains("folder"), "{}", e.remedy);
}

/// Under a file size limit (the way a full disk can be had without one) the test runs itself again in a shell
/// that sets the limit and ignores its signal.
#[cfg(unix)]
#[test]
fn a_full_disk_leaves_nothing_behind() {
    if let Some(dir) = std::env::var_os("MOTELIGHT_TEST_LIMITED") {
        let s = Scene::new();
        let out = Path::new(&dir).join("out.tif");
        let source = Path::new(&dir).join("source.tif");
        let e = write_mended(&source, &s.frame, &[s.patch()], &out).unwrap_err();
        assert_eq!(e.fault, Fault::Unwritable);
        assert!(e.remedy.contains("nothing was lost"), "{}", e.remedy);
        return;
    }
    let s = Scene::new();
    let codes = picture(SIZE, 3, 16, 7);
    let mut long = tiff_file::make(RGB16, SIZE, &codes, Vec::new());
    long.resize(400_000, 0);
    std::fs::write(&s.source, long).unwrap();
    let this = std::env::current_exe().unwrap();
    let script = "trap '' XFSZ; ulimit -f 100; exec \"$0\" --exact a_full_disk_leaves_nothing_behind";
    let run = Command::new("bash").args(["-c", script]).arg(this).env("MOTELIGHT_TEST_LIMITED", s.dir.path()).output();
    let run = run.unwrap();
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stdout));
    assert_eq!(s.names(), ["source.tif"]);
}

#[test]
fn patches_that_do_not_fit_the_frame_are_refused() {
    let s = Scene::new();
    let out = s.dir.path().join("out.tif");
    let good = s.patch();
    let outside = Patch { window: Rect { x: 60, ..good.window }, ..good.clone() };
    let wide = Patch { window: Rect { x: usize::MAX, ..good.window }, ..good.clone() };
    let few = Patch { planes: good.planes[..2].to_vec(), ..good.clone() };
    let small = Patch { mask: Plane::filled(Size { width: 3, height: 3 }, true), ..good.clone() };
    let mut nan = good.clone();
    nan.planes[1].data_mut().fill(f32::NAN);
    for patch in [outside, wide, few, small, nan] {
        let e = write_mended(&s.source, &s.frame, &[good.clone(), patch], &out).unwrap_err();
        assert_eq!(e.fault, Fault::Usage, "{e}");
        assert!(!out.exists());
    }
}

#[test]
fn where_patches_overlap_the_later_one_counts() {
    let s = Scene::new();
    let (a, b) = (disc(&s.frame, (20.0, 20.0), 12.0, 0.3), disc(&s.frame, (26.0, 22.0), 12.0, 0.1));
    let (both, alone) = (s.dir.path().join("both.tif"), s.dir.path().join("alone.tif"));
    write_mended(&s.source, &s.frame, &[a, b.clone()], &both).unwrap();
    write_mended(&s.source, &s.frame, std::slice::from_ref(&b), &alone).unwrap();
    let decode = |p: &Path| {
        let mut d = tiff::decoder::Decoder::new(std::io::Cursor::new(bytes(p))).unwrap();
        match d.read_image().unwrap() {
            tiff::decoder::DecodingResult::U16(v) => v,
            _ => panic!("16 bit"),
        }
    };
    let (both, alone) = (decode(&both), decode(&alone));
    for i in 0..both.len() {
        if support::masked(std::slice::from_ref(&b), i / 3 % SIZE.width, i / 3 / SIZE.width) {
            assert_eq!(both[i], alone[i]);
        }
    }
    assert!(both != alone);
}

#[cfg(unix)]
#[test]
fn the_copy_has_the_permissions_of_the_original() {
    use std::os::unix::fs::PermissionsExt;
    let s = Scene::new();
    for mode in [0o640, 0o444] {
        std::fs::set_permissions(&s.source, std::fs::Permissions::from_mode(mode)).unwrap();
        let out = s.dir.path().join(format!("out-{mode:o}.tif"));
        write_mended(&s.source, &s.frame, &[s.patch()], &out).unwrap();
        assert_eq!(std::fs::metadata(&out).unwrap().permissions().mode() & 0o777, mode);
    }
}

#[test]
fn sidecars_go_along_under_the_copys_name() {
    let s = Scene::new();
    let path = |name: &str| s.dir.path().join(name);
    std::fs::write(path("source.xmp"), "by stem").unwrap();
    std::fs::write(path("source.tif.xmp"), "by name").unwrap();
    std::fs::create_dir(path("out")).unwrap();
    let written = copy_sidecars(&s.source, &path("out/mended.tif")).unwrap();
    assert_eq!(written, [path("out/mended.xmp"), path("out/mended.tif.xmp")]);
    assert_eq!(bytes(&path("out/mended.xmp")), b"by stem");
    assert_eq!(bytes(&path("out/mended.tif.xmp")), b"by name");
    // A second time they lie there already; a changed one is not replaced.
    assert!(copy_sidecars(&s.source, &path("out/mended.tif")).unwrap().is_empty());
    std::fs::write(path("source.xmp"), "changed").unwrap();
    assert_eq!(copy_sidecars(&s.source, &path("out/mended.tif")).unwrap_err().fault, Fault::Unwritable);
    assert_eq!(bytes(&path("out/mended.xmp")), b"by stem");
}

#[test]
fn only_the_very_copy_can_be_turned_back() {
    let s = Scene::new();
    let (out, back) = (s.dir.path().join("out.tif"), s.dir.path().join("back.tif"));
    let written = write_mended(&s.source, &s.frame, &[s.patch()], &out).unwrap();
    let undo = |from: &Path, to: &Path, record: &Undo| motelight_frame::undo(from, record, to).map_err(|e| e.fault);
    assert_eq!(undo(&s.source, &back, &written.undo), Err(Fault::Usage));
    assert_eq!(undo(&out, &s.source, &written.undo), Err(Fault::Unwritable));
    assert_eq!(undo(&out, &out, &written.undo), Err(Fault::Usage));
    // A record cut short or with flipped digits is an error or gives another file's digest, never a panic.
    let text = serde_json::to_string(&written.undo).unwrap();
    let digits = text.rfind('"').unwrap();
    let start = text[..digits].rfind('"').unwrap() + 1;
    let mut noise = support::Noise(4);
    for _ in 0..60 {
        let mut damaged = text.clone().into_bytes();
        let at = start + noise.next() as usize % (digits - start);
        damaged[at] = b"0123456789abcdef"[noise.next() as usize % 16];
        let record: Undo = serde_json::from_slice(&damaged).unwrap();
        let result = undo(&out, &back, &record);
        assert!(matches!(result, Ok(_) | Err(Fault::Broken)), "{result:?}");
        let _ = std::fs::remove_file(&back);
    }
    assert_eq!(s.names(), ["out.tif", "source.tif"]);
}
