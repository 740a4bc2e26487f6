//! Files as cameras and developers write them.

mod dng;
mod exif;
mod icc;
mod ifd;
mod jpeg;
mod png;
mod tiff;

use std::path::{Path, PathBuf};

use crate::develop::{Rendered, develop};
use crate::expose::{Exposure, Glass};
use crate::tone::Tone;

pub use dng::{Compression, Preview, dng};
pub use ifd::Endian;
pub use jpeg::{Chroma, jpeg};
pub use png::png;
pub use tiff::tiff;

pub use crate::develop::Depth;

/// Why a picture could not be written.
#[derive(Debug, thiserror::Error)]
pub enum SynthError {
    /// The disk or the folder.
    #[error("{path}: {source}")]
    Disk {
        /// The file being written.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// An encoder.
    #[error("cannot encode the picture: {0}")]
    Encode(String),
}

/// A kind of file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Format {
    /// The mosaic.
    Dng(Compression, Endian),
    /// The mosaic in a directory of its own behind a small preview, as most cameras write it.
    DngWithPreview(Compression, Endian),
    /// A rendered picture, uncompressed.
    Tiff(Depth, Endian, Tone),
    /// A rendered picture, losslessly compressed.
    Png(Depth, Tone),
    /// A rendered picture of this quality.
    Jpeg(u8, Chroma, Tone),
}

impl Format {
    /// The ending of its files' names.
    pub fn extension(self) -> &'static str {
        match self {
            Format::Dng(..) | Format::DngWithPreview(..) => "dng",
            Format::Png(..) => "png",
            Format::Tiff(..) => "tif",
            Format::Jpeg(..) => "jpg",
        }
    }

    /// The tone of a rendered file.
    pub fn tone(self) -> Option<Tone> {
        match self {
            Format::Dng(..) | Format::DngWithPreview(..) => None,
            Format::Tiff(.., tone) | Format::Png(_, tone) | Format::Jpeg(.., tone) => Some(tone),
        }
    }
}

/// A picture ready to be written.
#[derive(Debug, Clone)]
pub struct Encoded {
    /// The file's bytes.
    pub bytes: Vec<u8>,
    /// What a reader will see of a rendered file, after compression; `None` for raw.
    pub seen: Option<Rendered>,
}

/// Takes the picture and encodes it.
pub fn encode(exposure: &Exposure, format: Format, glass: Glass) -> Result<Encoded, SynthError> {
    let mosaic = exposure.mosaic(glass);
    let rendered = |tone| develop(&exposure.camera, &mosaic, tone);
    match format {
        Format::Dng(compression, endian) => {
            Ok(Encoded { bytes: dng(exposure, &mosaic, compression, endian, Preview::None)?, seen: None })
        }
        Format::DngWithPreview(compression, endian) => {
            Ok(Encoded { bytes: dng(exposure, &mosaic, compression, endian, Preview::Small)?, seen: None })
        }
        Format::Tiff(depth, endian, tone) => {
            let picture = rendered(tone).in_depth(depth);
            Ok(Encoded { bytes: tiff(exposure, &picture, depth, endian, tone)?, seen: Some(picture) })
        }
        Format::Png(depth, tone) => {
            let picture = rendered(tone).in_depth(depth);
            Ok(Encoded { bytes: png(exposure, &picture, depth, tone)?, seen: Some(picture) })
        }
        Format::Jpeg(quality, chroma, tone) => {
            let bytes = jpeg(exposure, &rendered(tone), quality, chroma, tone)?;
            let seen = jpeg::decode(&bytes)?;
            Ok(Encoded { bytes, seen: Some(seen) })
        }
    }
}

/// Writes a file whole or not at all: beside its place first, then renamed.
pub fn save(path: &Path, bytes: &[u8]) -> Result<(), SynthError> {
    let name = path.file_name().and_then(|n| n.to_str()).unwrap_or("picture");
    let beside = path.with_file_name(format!(".{name}.part"));
    let written = std::fs::write(&beside, bytes).and_then(|()| std::fs::rename(&beside, path));
    written.map_err(|source| {
        // The half-written file is of no use; that it may not go away changes nothing.
        let _ = std::fs::remove_file(&beside);
        SynthError::Disk { path: path.into(), source }
    })
}
