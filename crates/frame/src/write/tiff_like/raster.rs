//! Where the samples of one picture of a TIFF-like file stand: strips or tiles, interleaved or plane by plane.

use super::Layouts;
use crate::error::FrameError;
use crate::ifd::{Directory, Entry, tag};
use crate::space::{Rect, Size};

/// Most bytes that one decoded strip or tile may take.
const MOST_PIECE_BYTES: u64 = 1 << 30;

/// Layout and coding of one picture.
pub(super) struct Raster {
    pub(super) size: Size,
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

impl Raster {
    /// Reads the layout of a directory whose picture is known to have `size`.
    pub(super) fn read(file: &mut Layouts, d: &Directory, size: Size) -> Result<Self, FrameError> {
        let source = file.source;
        let mut first = |tag, default| file.first(d, tag, default);
        let samples = first(tag::SAMPLES_PER_PIXEL, 1);
        for plain in [tag::SAMPLE_FORMAT, tag::FILL_ORDER, tag::ROW_INTERLEAVE_FACTOR, tag::COLUMN_INTERLEAVE_FACTOR] {
            if first(plain, 1) != 1 {
                return Err(source.unsupported(format!("tag {plain} says that its samples are no plain codes"), RESAVE));
            }
        }
        let tiled = d.has(tag::TILE_WIDTH);
        let piece = if tiled {
            Size { width: first(tag::TILE_WIDTH, 0) as usize, height: first(tag::TILE_LENGTH, 0) as usize }
        } else {
            let rows = first(tag::ROWS_PER_STRIP, size.height as u64);
            Size { width: size.width, height: rows.min(size.height as u64) as usize }
        };
        let (compression, predictor) = (first(tag::COMPRESSION, 1), first(tag::PREDICTOR, 1));
        let planar = first(tag::PLANAR_CONFIGURATION, 1) == 2 && samples > 1;
        let bits = file.numbers(d, tag::BITS_PER_SAMPLE);
        let bit_count = bits.first().copied().unwrap_or(1);
        if !(1..=64).contains(&samples) || !(8..=16).contains(&bit_count) || bits.iter().any(|&b| b != bit_count) {
            let what = format!("{samples} samples of {bits:?} bits are not 8 to 16 bits alike");
            return Err(source.unsupported(what, "save it with 8 or 16 bits per channel"));
        }
        let table = file.numbers(d, tag::LINEARIZATION_TABLE);
        let (offsets_tag, counts_tag) = match tiled {
            true => (tag::TILE_OFFSETS, tag::TILE_BYTE_COUNTS),
            false => (tag::STRIP_OFFSETS, tag::STRIP_BYTE_COUNTS),
        };
        let (Some(&offsets_entry), Some(&counts_entry)) = (d.entries.get(&offsets_tag), d.entries.get(&counts_tag))
        else {
            return Err(source.broken("it does not say where its samples stand"));
        };
        let raster = Raster {
            size,
            compression,
            predictor,
            bits: bit_count as u32,
            samples: samples as usize,
            table: (!table.is_empty()).then(|| table.into_iter().map(|v| v.min(65535) as u16).collect()),
            planar,
            tiled,
            piece,
            offsets: file.numbers(d, offsets_tag),
            counts: file.numbers(d, counts_tag),
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
    pub(super) fn slots(&self, piece: &Piece) -> [(u64, u64); 2] {
        let slot = |e: &Entry| (e.at + piece.index as u64 * e.value_bytes(), e.value_bytes());
        [slot(&self.offsets_entry), slot(&self.counts_entry)]
    }
}

pub(super) const RESAVE: &str = "save it as a plain TIFF (uncompressed, LZW or Deflate) and mend that";
