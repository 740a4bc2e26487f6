//! Pictures of any content: read, and a patch written back into a copy. A DNG is decoded by the raw library in a child that may
//! die; here only what we do ourselves is asked of one, writing, with the light of a whole one (`MOTELIGHT_WHOLE_DNG`).
#![no_main]

use std::path::Path;
use std::sync::{Once, OnceLock};

use libfuzzer_sys::fuzz_target;
use motelight_frame::read::kind;
use motelight_frame::{FileKind, Frame, Limits, Patch, Plane, RawDecoder, ReadOptions, Rect, read, write_mended};
use motelight_fuzz::folder;

fuzz_target!(|data: &[u8]| {
    static ONCE: Once = Once::new();
    ONCE.call_once(forgive_the_raw_library);
    let folder = folder();
    let path = folder.join("picture");
    if std::fs::write(&path, data).is_err() {
        return;
    }
    let read_now;
    let frame = match kind(&path) {
        Ok(FileKind::Raw) | Err(_) => return,
        Ok(FileKind::Dng) => match whole_dng() {
            Some(frame) => frame,
            None => return,
        },
        Ok(_) => match read(&path, &options()) {
            Ok(frame) => {
                read_now = frame;
                &read_now
            }
            Err(_) => return,
        },
    };
    let size = frame.size();
    let part = |length: usize| (length / 3, (length / 4).max(1));
    let ((x, width), (y, height)) = (part(size.width), part(size.height));
    let window = Rect { x, y, width, height };
    let brighter = |p: &Plane| {
        let light = p.window(window);
        Plane::from_vec(light.size(), light.data().iter().map(|v| v * 1.2).collect())
    };
    let patch =
        Patch { window, planes: frame.planes.iter().map(brighter).collect(), mask: Plane::filled(window.size(), true) };
    let out = folder.join("mended");
    let _ = std::fs::remove_file(&out);
    let _ = write_mended(&path, frame, &[patch], &out);
});

/// Where the raw library's lossless JPEG panics the program catches it; anywhere else a panic is a finding.
fn forgive_the_raw_library() {
    let abort = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        if !info.location().is_some_and(|l| l.file().contains("/rawler-")) {
            abort(info);
        }
    }));
}

fn options() -> ReadOptions {
    ReadOptions { limits: Limits { pixels: 1 << 21, ..Limits::default() }, sensor: None, raw: RawDecoder::InProcess }
}

fn whole_dng() -> Option<&'static Frame> {
    static WHOLE: OnceLock<Option<Frame>> = OnceLock::new();
    WHOLE.get_or_init(|| read(Path::new(&std::env::var_os("MOTELIGHT_WHOLE_DNG")?), &options()).ok()).as_ref()
}
