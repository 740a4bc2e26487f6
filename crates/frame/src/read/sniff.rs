//! What a file is, by its content.

use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::error::{Fault, FrameError};
use crate::ifd::{Directory, Tiff, tag};

/// Kinds of picture files that are read, told by content and not by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FileKind {
    /// A camera's own raw format.
    Raw,
    /// Digital Negative (DNG 1.7).
    Dng,
    /// TIFF 6.0 or BigTIFF with a rendered picture.
    Tiff,
    /// JPEG.
    Jpeg,
    /// PNG.
    Png,
}

impl FileKind {
    /// The kind in words.
    pub fn name(self) -> &'static str {
        match self {
            FileKind::Raw => "camera raw",
            FileKind::Dng => "DNG",
            FileKind::Tiff => "TIFF",
            FileKind::Jpeg => "JPEG",
            FileKind::Png => "PNG",
        }
    }

    /// Whether the planes come straight from the sensor.
    pub fn is_raw(self) -> bool {
        matches!(self, FileKind::Raw | FileKind::Dng)
    }
}

/// Starts of raw containers that are not TIFF: offset, bytes.
const RAW_STARTS: [(usize, &[u8]); 6] =
    [(0, b"FUJIFILMCCD-RAW"), (4, b"ftypcrx "), (0, b"FOVb"), (0, b"\0MRM"), (6, b"HEAPCCDR"), (0, b"ARRI")];

/// Starts of well-known files that are no pictures we read: offset, bytes, what it is.
const OTHER_STARTS: [(usize, &[u8], &str); 13] = [
    (4, b"ftypheic", "a HEIF picture (HEIC)"),
    (4, b"ftypmif1", "a HEIF picture"),
    (4, b"ftypavif", "an AVIF picture"),
    (4, b"ftyp", "a video"),
    (0, b"\0\0\0\x0cJXL ", "a JPEG XL picture"),
    (0, b"\xff\x0a", "a JPEG XL picture"),
    (0, b"\0\0\0\x0cjP  ", "a JPEG 2000 picture"),
    (0, b"GIF8", "a GIF picture"),
    (0, b"BM", "a BMP picture"),
    (8, b"WEBP", "a WebP picture"),
    (0, b"%PDF", "a PDF document"),
    (0, b"PK\x03\x04", "a ZIP archive"),
    (0, b"8BPS", "a layered picture document"),
];

/// Compressions that only camera raws use, as registered or seen in TIFF tag 259 of raws.
const RAW_COMPRESSIONS: [u32; 6] = [32767, 32769, 32770, 34713, 34892, 65535];
/// Photometric interpretation of a colour filter array (TIFF/EP, DNG).
const CFA: u32 = 32803;

/// Tells the kind of an open file; `Err` says what it is instead.
pub(super) fn sniff<R: Read + Seek>(path: &Path, file: &mut R) -> Result<FileKind, FrameError> {
    let mut head = Vec::new();
    file.seek(SeekFrom::Start(0)).map_err(|e| super::unreadable(path, &e))?;
    file.by_ref().take(64).read_to_end(&mut head).map_err(|e| super::unreadable(path, &e))?;
    let starts = |at: usize, magic: &[u8]| head.get(at..at + magic.len()) == Some(magic);
    if head.is_empty() {
        return Err(FrameError::new(
            Fault::Broken,
            path,
            "the file is empty",
            "Copy it again from the card or the backup.",
        ));
    }
    if starts(0, b"\xff\xd8\xff") {
        return Ok(FileKind::Jpeg);
    }
    if starts(0, b"\x89PNG\r\n\x1a\n") {
        return Ok(FileKind::Png);
    }
    if RAW_STARTS.iter().any(|(at, magic)| starts(*at, magic)) {
        return Ok(FileKind::Raw);
    }
    if let Ok(Some(tiff)) = Tiff::open(&mut *file) {
        return Ok(tiff_kind(path, tiff, starts(8, b"CR")));
    }
    let other = OTHER_STARTS.iter().find(|(at, magic, _)| starts(*at, magic));
    let text = head.iter().all(|b| b.is_ascii_graphic() || b.is_ascii_whitespace());
    let picture = "Give a camera raw, DNG, TIFF, JPEG or PNG file.";
    let (what, remedy) = match other {
        Some((_, _, what)) => (*what, picture),
        None if head.iter().all(|b| *b == 0) => ("a file of zeros: copying it went wrong", picture),
        // A trace given as a word of its own stands among the pictures.
        None if text && starts(0, b"{") => ("a JSON document", "A trace is given with an equals sign: --trace=FILE."),
        None if text => ("a text file", picture),
        None => ("in no picture format that is known here", picture),
    };
    Err(FrameError::new(Fault::Unsupported, path, format!("the file is {what}"), remedy))
}

fn tiff_kind<R: Read + Seek>(path: &Path, mut tiff: Tiff<R>, cr_mark: bool) -> FileKind {
    let Ok(root) = tiff.root() else { return FileKind::Tiff };
    if root.has(tag::DNG_VERSION) {
        return FileKind::Dng;
    }
    let directories = tiff.all();
    let raw = |tiff: &mut Tiff<R>, d: &Directory| {
        let compression = tiff.first(d, tag::COMPRESSION).map(|v| v as u32);
        tiff.first(d, tag::PHOTOMETRIC).map(|v| v as u32) == Some(CFA)
            || compression.is_some_and(|c| RAW_COMPRESSIONS.contains(&c))
    };
    if cr_mark || !tiff.plain() || directories.iter().any(|d| raw(&mut tiff, d)) {
        return FileKind::Raw;
    }
    // A few raws bear no mark of their own inside; for those, and only if a camera wrote the file, the
    // name decides. Nothing is lost by it: the raw decoder refuses what it does not know.
    let extension = path.extension().map(|e| e.to_string_lossy().to_uppercase()).unwrap_or_default();
    let named_raw = rawler::decoders::supported_extensions().contains(&extension.as_str());
    let thumbnail = root.has(tag::SUB_IFDS) || tiff.first(&root, tag::NEW_SUBFILE_TYPE) == Some(1.0);
    if named_raw && root.has(tag::MAKE) && thumbnail { FileKind::Raw } else { FileKind::Tiff }
}
