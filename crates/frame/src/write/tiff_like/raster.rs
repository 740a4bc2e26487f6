//! Where the samples of one picture of a TIFF-like file stand: strips or tiles, interleaved or plane by plane.

use super::directory::{Directory, Entry, Tiff};
use crate::error::FrameError;
use crate::space::{Rect, Size};

/// Most bytes that one decoded strip or tile may take.
const MOST_PIECE_BYTES: u64 = 1 << 30;

pub(super) const SUBFILE_TYPE: u16 = 254;
pub(super) const CFA: u64 = 32803;
const WIDTH: u16 = 256;
const HEIGHT: u16 = 257;
const BITS_PER_SAMPLE: u16 = 258;
const COMPRESSION: u16 = 259;
const PHOTOMETRIC: u16 = 262;
const FILL_ORDER: u16 = 266;
const STRIP_OFFSETS: u16 = 273;
const SAMPLES_PER_PIXEL: u16 = 277;
const ROWS_PER_STRIP: u16 = 278;
const STRIP_BYTE_COUNTS: u16 = 279;
const PLANAR: u16 = 284;
const PREDICTOR: u16 = 317;
const TILE_WIDTH: u16 = 322;
const TILE_HEIGHT: u16 = 323;
const TILE_OFFSETS: u16 = 324;
const TILE_BYTE_COUNTS: u16 = 325;
const SAMPLE_FORMAT: u16 = 339;
const LINEARIZATION_TABLE: u16 = 50712;
const ROW_INTERLEAVE: u16 = 50975;
const COLUMN_INTERLEAVE: u16 = 52547;

/// Layout and coding of one picture.
pub(super) struct Raster {
    pub(super) size: Size,
    pub(super) photometric: u64,
    pub(super) compression: u64,
    pub(super) predictor: u64,
    /// Bits of every sample.
    pub(super) bits: u32,
    /// Samples of a pixel.
    pub(super) samples: usize,
    /// DNG LinearizationTable: the code that a stored value stands for.
    pub(super) table: Option<Vec<u16>>,
    planar: bool,
    tiled: bool,
    piece: Size,
    offsets_entry: Entry,
    counts_entry: Entry,
    offsets: Vec<u64>,
    counts: Vec<u64>,
}

/// One strip or tile.
#[derive(Clone, Copy)]
pub(super) struct Piece {
    pub(super) index: usize,
    /// Its pixels in the picture; a tile may stand out at the right and at the bottom.
    pub(super) rect: Rect,
    /// The first sample of the pixel that it holds.
    pub(super) first_sample: usize,
    /// How many samples of a pixel it holds.
    pub(super) samples: usize,
    /// Where its bytes start.
    pub(super) at: u64,
    /// How many bytes it takes.
    pub(super) len: u64,
}

/// Reads just the size of a directory's picture; `None` if it holds none.
pub(super) fn size(tiff: &Tiff, d: &Directory) -> Result<Option<Size>, FrameError> {
    let (width, height) = (tiff.first(d, WIDTH, 0)?, tiff.first(d, HEIGHT, 0)?);
    Ok((width > 0 && height > 0).then_some(Size { width: width as usize, height: height as usize }))
}

/// The PhotometricInterpretation of a directory's picture.
pub(super) fn photometric(tiff: &Tiff, d: &Directory) -> Result<u64, FrameError> {
    tiff.first(d, PHOTOMETRIC, u64::MAX)
}

impl Raster {
    /// Reads the layout of a directory whose picture is known to have `size`.
    pub(super) fn read(tiff: &Tiff, d: &Directory, size: Size) -> Result<Self, FrameError> {
        let source = tiff.source;
        let samples = tiff.first(d, SAMPLES_PER_PIXEL, 1)?;
        let bits = tiff.tag(d, BITS_PER_SAMPLE)?;
        let formats = tiff.tag(d, SAMPLE_FORMAT)?;
        let bit_count = bits.first().copied().unwrap_or(1);
        if !(1..=64).contains(&samples) || !(8..=16).contains(&bit_count) || bits.iter().any(|&b| b != bit_count) {
            let what = format!("{samples} samples of {bits:?} bits are not 8 to 16 bits alike");
            return Err(source.unsupported(what, "save it with 8 or 16 bits per channel"));
        }
        if formats.iter().any(|&f| f != 1) {
            return Err(
                source.unsupported("its samples are not plain whole numbers", "save it with 8 or 16 bits per channel")
            );
        }
        for (tag, plain) in [(FILL_ORDER, 1), (ROW_INTERLEAVE, 1), (COLUMN_INTERLEAVE, 1)] {
            if tiff.first(d, tag, plain)? != plain {
                return Err(source.unsupported(format!("tag {tag} orders its samples unusually"), RESAVE));
            }
        }
        let table = tiff.tag(d, LINEARIZATION_TABLE)?;
        let tiled = d.entry(TILE_WIDTH).is_some();
        let piece = if tiled {
            Size { width: tiff.first(d, TILE_WIDTH, 0)? as usize, height: tiff.first(d, TILE_HEIGHT, 0)? as usize }
        } else {
            let rows = tiff.first(d, ROWS_PER_STRIP, size.height as u64)?;
            Size { width: size.width, height: rows.min(size.height as u64) as usize }
        };
        let (offsets_tag, counts_tag) =
            if tiled { (TILE_OFFSETS, TILE_BYTE_COUNTS) } else { (STRIP_OFFSETS, STRIP_BYTE_COUNTS) };
        let (Some(&offsets_entry), Some(&counts_entry)) = (d.entry(offsets_tag), d.entry(counts_tag)) else {
            return Err(source.broken("it does not say where its samples stand"));
        };
        let raster = Raster {
            size,
            photometric: photometric(tiff, d)?,
            compression: tiff.first(d, COMPRESSION, 1)?,
            predictor: tiff.first(d, PREDICTOR, 1)?,
            bits: bit_count as u32,
            samples: samples as usize,
            table: (!table.is_empty()).then(|| table.into_iter().map(|v| v.min(65535) as u16).collect()),
            planar: tiff.first(d, PLANAR, 1)? == 2 && samples > 1,
            tiled,
            piece,
            offsets: tiff.values(&offsets_entry)?,
            counts: tiff.values(&counts_entry)?,
            offsets_entry,
            counts_entry,
        };
        let bytes = (piece.width as u64)
            .checked_mul(piece.height as u64)
            .and_then(|n| n.checked_mul(raster.piece_samples() as u64 * 2));
        if bytes.is_none_or(|n| n == 0 || n > MOST_PIECE_BYTES) {
            return Err(source.broken(format!("strips or tiles of {} x {} are absurd", piece.width, piece.height)));
        }
        let wanted = raster.across() * raster.down() * if raster.planar { raster.samples } else { 1 };
        if raster.offsets.len() < wanted || raster.counts.len() < wanted {
            return Err(source.broken(format!("{wanted} strips or tiles are needed, fewer are listed")));
        }
        Ok(raster)
    }

    fn piece_samples(&self) -> usize {
        if self.planar { 1 } else { self.samples }
    }

    fn across(&self) -> usize {
        self.size.width.div_ceil(self.piece.width)
    }

    fn down(&self) -> usize {
        self.size.height.div_ceil(self.piece.height)
    }

    /// All strips or tiles.
    pub(super) fn pieces(&self) -> impl Iterator<Item = Piece> + '_ {
        let (across, down, planes) = (self.across(), self.down(), if self.planar { self.samples } else { 1 });
        (0..planes * down * across).map(move |index| {
            let (plane, place) = (index / (across * down), index % (across * down));
            let (x, y) = (place % across * self.piece.width, place / across * self.piece.height);
            let height = if self.tiled { self.piece.height } else { self.piece.height.min(self.size.height - y) };
            Piece {
                index,
                rect: Rect { x, y, width: self.piece.width, height },
                first_sample: plane,
                samples: self.piece_samples(),
                at: self.offsets[index],
                len: self.counts[index],
            }
        })
    }

    /// Where the offset and the byte count of a piece stand in the file, with the width of each.
    pub(super) fn slots(&self, piece: &Piece) -> Option<[(u64, u64); 2]> {
        let slot = |e: &Entry| e.value_size().map(|size| (e.values_at + piece.index as u64 * size, size));
        Some([slot(&self.offsets_entry)?, slot(&self.counts_entry)?])
    }
}

pub(super) const RESAVE: &str = "save it as a plain TIFF (uncompressed, LZW or Deflate) and mend that";
