//! What the tests of reading share.
#![allow(dead_code)] // each test file takes what it needs

pub mod tiff_file;

use std::path::{Path, PathBuf};

use motelight_frame::{Frame, FrameError, Limits, RawDecoder, ReadOptions, read};
use tiff_file::{Directory, Value};

pub fn in_process() -> ReadOptions {
    ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess }
}

/// Says loudly that a check was left out.
#[allow(clippy::print_stderr)] // whoever runs the tests must see it
pub fn skipped(why: &str) {
    eprintln!("SKIPPED: {why}");
}

/// A file of the open test pictures; `None`, loudly, where they are not at hand.
pub fn shared(name: &str) -> Option<PathBuf> {
    let root = std::env::var_os("MOTELIGHT_SHARED").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data"),
        |root| PathBuf::from(root).join("data"),
    );
    let path = root.join(name);
    if !path.exists() {
        skipped(&format!("{} is not at hand (set MOTELIGHT_SHARED to the folder above data)", path.display()));
    }
    path.exists().then_some(path)
}

/// Writes the bytes to a file of this name in a fresh folder and reads it.
pub fn read_bytes(name: &str, bytes: &[u8]) -> Result<Frame, FrameError> {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).expect("the test file is written");
    read(&path, &in_process())
}

/// A raw DNG directory over these codes: one strip of 16 bits, RGGB, levels 0 to 65535, no crop.
pub fn dng(width: u32, height: u32, codes: &[u16], big_endian: bool) -> Directory {
    let bytes = codes.iter().flat_map(|c| if big_endian { c.to_be_bytes() } else { c.to_le_bytes() }).collect();
    Directory::default()
        .with(254, Value::Long(vec![0]))
        .with(256, Value::Long(vec![width]))
        .with(257, Value::Long(vec![height]))
        .with(258, Value::Short(vec![16]))
        .with(259, Value::Short(vec![1]))
        .with(262, Value::Short(vec![32803]))
        .with(271, Value::Ascii("Hilden".into()))
        .with(272, Value::Ascii("K2".into()))
        .with(273, Value::Blocks(vec![bytes]))
        .with(277, Value::Short(vec![1]))
        .with(278, Value::Long(vec![height]))
        .with(279, Value::Long(vec![codes.len() as u32 * 2]))
        .with(33421, Value::Short(vec![2, 2]))
        .with(33422, Value::Byte(vec![0, 1, 1, 2]))
        .with(50706, Value::Byte(vec![1, 4, 0, 0]))
}
