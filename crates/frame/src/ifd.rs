//! Directories of TIFF-like files (TIFF 6.0, BigTIFF, DNG, Exif blocks, most camera raws).
//!
//! In: any seekable source. Out: the entries of one directory at a time; values are fetched only when
//! asked for, so the facts of a large raw cost a few reads. Values that lie outside the source, or that
//! claim absurd counts, are absent; nothing is allocated on a header's word alone.

use std::collections::BTreeMap;
use std::io::{self, Read, Seek, SeekFrom};

/// Tags of TIFF 6.0, Exif 2.32 and DNG 1.7 used here.
pub(crate) mod tag {
    pub const NEW_SUBFILE_TYPE: u16 = 254;
    pub const IMAGE_WIDTH: u16 = 256;
    pub const IMAGE_LENGTH: u16 = 257;
    pub const BITS_PER_SAMPLE: u16 = 258;
    pub const COMPRESSION: u16 = 259;
    pub const PHOTOMETRIC: u16 = 262;
    pub const FILL_ORDER: u16 = 266;
    pub const MAKE: u16 = 271;
    pub const MODEL: u16 = 272;
    pub const STRIP_OFFSETS: u16 = 273;
    pub const ORIENTATION: u16 = 274;
    pub const SAMPLES_PER_PIXEL: u16 = 277;
    pub const ROWS_PER_STRIP: u16 = 278;
    pub const STRIP_BYTE_COUNTS: u16 = 279;
    pub const PLANAR_CONFIGURATION: u16 = 284;
    pub const SOFTWARE: u16 = 305;
    pub const PREDICTOR: u16 = 317;
    pub const TILE_WIDTH: u16 = 322;
    pub const TILE_LENGTH: u16 = 323;
    pub const TILE_OFFSETS: u16 = 324;
    pub const TILE_BYTE_COUNTS: u16 = 325;
    pub const SUB_IFDS: u16 = 330;
    pub const SAMPLE_FORMAT: u16 = 339;
    pub const XMP: u16 = 700;
    pub const CFA_REPEAT: u16 = 33421;
    pub const CFA_PATTERN: u16 = 33422;
    pub const EXPOSURE_TIME: u16 = 33434;
    pub const F_NUMBER: u16 = 33437;
    pub const ICC_PROFILE: u16 = 34675;
    pub const EXIF_IFD: u16 = 34665;
    pub const ISO: u16 = 34855;
    pub const RECOMMENDED_EXPOSURE_INDEX: u16 = 34866;
    pub const DATE_TIME_ORIGINAL: u16 = 36867;
    pub const OFFSET_TIME_ORIGINAL: u16 = 36881;
    pub const APERTURE_VALUE: u16 = 37378;
    pub const FOCAL_LENGTH: u16 = 37386;
    pub const SUB_SEC_TIME_ORIGINAL: u16 = 37521;
    pub const COLOR_SPACE: u16 = 40961;
    pub const PIXEL_X_DIMENSION: u16 = 40962;
    pub const PIXEL_Y_DIMENSION: u16 = 40963;
    pub const INTEROP_IFD: u16 = 40965;
    pub const FOCAL_PLANE_X_RESOLUTION: u16 = 41486;
    pub const FOCAL_PLANE_Y_RESOLUTION: u16 = 41487;
    pub const FOCAL_PLANE_UNIT: u16 = 41488;
    pub const BODY_SERIAL_NUMBER: u16 = 42033;
    pub const LENS_MODEL: u16 = 42036;
    pub const LENS_SERIAL_NUMBER: u16 = 42037;
    pub const DNG_VERSION: u16 = 50706;
    pub const CFA_LAYOUT: u16 = 50711;
    pub const LINEARIZATION_TABLE: u16 = 50712;
    pub const BLACK_LEVEL_REPEAT: u16 = 50713;
    pub const BLACK_LEVEL: u16 = 50714;
    pub const BLACK_LEVEL_DELTA_H: u16 = 50715;
    pub const BLACK_LEVEL_DELTA_V: u16 = 50716;
    pub const WHITE_LEVEL: u16 = 50717;
    pub const DEFAULT_CROP_ORIGIN: u16 = 50719;
    pub const DEFAULT_CROP_SIZE: u16 = 50720;
    pub const CAMERA_SERIAL_NUMBER: u16 = 50735;
    pub const RAW_DATA_UNIQUE_ID: u16 = 50781;
    pub const ACTIVE_AREA: u16 = 50829;
    pub const RAW_IMAGE_DIGEST: u16 = 50972;
    pub const ROW_INTERLEAVE_FACTOR: u16 = 50975;
    pub const OPCODE_LIST_2: u16 = 51009;
    pub const NEW_RAW_IMAGE_DIGEST: u16 = 51111;
    pub const COLUMN_INTERLEAVE_FACTOR: u16 = 52547;
}

/// Directories followed at most: chains and trees of a damaged file may be loops.
const DIRECTORIES_MAX: usize = 64;
/// Numbers read from one entry at most (strip tables of gigapixel files stay below).
const NUMBERS_MAX: u64 = 1 << 20;

/// One entry: where its value lies and how it is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Entry {
    /// Field type, TIFF 6.0 section 2 (and 13, 16 to 18).
    pub kind: u16,
    /// Number of values.
    pub count: u64,
    /// Place of the first byte of the value in the source.
    pub at: u64,
}

impl Entry {
    /// Length of one value, bytes; 0 for unknown types.
    pub fn value_bytes(self) -> u64 {
        match self.kind {
            1 | 2 | 6 | 7 => 1,
            3 | 8 => 2,
            4 | 9 | 11 | 13 => 4,
            5 | 10 | 12 | 16 | 17 | 18 => 8,
            _ => 0,
        }
    }

    /// Length of the whole value, bytes; `None` for unknown types and counts past any file.
    pub fn bytes(self) -> Option<u64> {
        let one = self.value_bytes();
        (one > 0).then_some(())?;
        self.count.checked_mul(one)
    }
}

/// One directory.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Directory {
    /// Place of the directory in the source.
    pub at: u64,
    /// Its entries by tag.
    pub entries: BTreeMap<u16, Entry>,
    /// Place of the next directory in the chain; 0 at its end.
    pub next: u64,
}

impl Directory {
    /// Whether the directory has the tag.
    pub fn has(&self, tag: u16) -> bool {
        self.entries.contains_key(&tag)
    }
}

/// A TIFF-like source.
#[derive(Debug)]
pub(crate) struct Tiff<R> {
    source: R,
    len: u64,
    big_endian: bool,
    /// BigTIFF: 8-byte offsets.
    wide: bool,
    magic: u64,
    root: u64,
}

impl<R: Read + Seek> Tiff<R> {
    /// Opens a source; `None` if it does not start like a TIFF. Magic numbers: 42 TIFF, 43 BigTIFF;
    /// 85, 0x4F52 and 0x5352 are written by cameras whose raws are otherwise plain TIFF.
    pub fn open(mut source: R) -> io::Result<Option<Self>> {
        let len = source.seek(SeekFrom::End(0))?;
        source.seek(SeekFrom::Start(0))?;
        let mut head = [0u8; 16];
        let got = read_up_to(&mut source, &mut head)?;
        let big_endian = match &head[..2] {
            b"II" => false,
            b"MM" => true,
            _ => return Ok(None),
        };
        let mut tiff = Tiff { source, len, big_endian, wide: false, magic: 0, root: 0 };
        let magic = tiff.number(&head[2..4]);
        tiff.magic = magic;
        tiff.wide = magic == 43;
        if got < 8 || !matches!(magic, 42 | 43 | 85 | 0x4F52 | 0x5352) || (tiff.wide && got < 16) {
            return Ok(None);
        }
        tiff.root = if tiff.wide { tiff.number(&head[8..16]) } else { tiff.number(&head[4..8]) };
        Ok(Some(tiff))
    }

    /// Length of the source, bytes.
    pub fn len(&self) -> u64 {
        self.len
    }

    /// Whether numbers are written most significant byte first.
    pub fn big_endian(&self) -> bool {
        self.big_endian
    }

    /// Whether this is a BigTIFF, with counts and offsets of 8 bytes.
    pub fn wide(&self) -> bool {
        self.wide
    }

    /// Whether the magic number is that of a TIFF or BigTIFF, not one of a camera's own.
    pub fn plain(&self) -> bool {
        matches!(self.magic, 42 | 43)
    }

    /// The first directory.
    pub fn root(&mut self) -> io::Result<Directory> {
        self.directory(self.root)
    }

    /// The directory at a place of the source.
    pub fn directory(&mut self, at: u64) -> io::Result<Directory> {
        let (count_len, entry_len) = if self.wide { (8, 20) } else { (2, 12) };
        let count = self.bytes_at(at, count_len)?;
        let count = self.number(&count);
        let body_at = at + count_len;
        let body_len = count.checked_mul(entry_len).filter(|n| *n <= self.len.saturating_sub(body_at));
        let Some(body_len) = body_len else {
            return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "directory past the end of the file"));
        };
        let body = self.bytes_at(body_at, body_len)?;
        let mut entries = BTreeMap::new();
        for (i, raw) in body.chunks_exact(entry_len as usize).enumerate() {
            let (tag, kind) = (self.number(&raw[..2]) as u16, self.number(&raw[2..4]) as u16);
            let inline = if self.wide { 12 } else { 8 };
            let count = self.number(&raw[4..inline]);
            let mut entry = Entry { kind, count, at: body_at + i as u64 * entry_len + inline as u64 };
            let Some(len) = entry.bytes() else { continue };
            if len > (entry_len - inline as u64) {
                entry.at = self.number(&raw[inline..]);
            }
            if entry.at.checked_add(len).is_some_and(|end| end <= self.len) {
                entries.entry(tag).or_insert(entry);
            }
        }
        // Exif blocks may end right after their last entry.
        let link = self.bytes_at(body_at + body_len, if self.wide { 8 } else { 4 });
        let next = link.map(|b| self.number(&b)).unwrap_or(0);
        Ok(Directory { at, entries, next })
    }

    /// The main chain and every directory below it through SubIFDs, in file order; unreadable ones are
    /// left out.
    pub fn all(&mut self) -> Vec<Directory> {
        let mut found: Vec<Directory> = Vec::new();
        let mut to_visit = vec![self.root];
        while let Some(at) = to_visit.pop() {
            if at == 0 || found.len() >= DIRECTORIES_MAX || found.iter().any(|d| d.at == at) {
                continue;
            }
            let Ok(directory) = self.directory(at) else { continue };
            to_visit.push(directory.next);
            let below = self.numbers(&directory, tag::SUB_IFDS);
            to_visit.extend(below.iter().rev().map(|&v| v as u64));
            found.push(directory);
        }
        found
    }

    /// The directory an entry points to.
    pub fn below(&mut self, directory: &Directory, tag: u16) -> Option<Directory> {
        let at = self.first(directory, tag)? as u64;
        self.directory(at).ok()
    }

    /// The value as bytes; empty if absent or longer than `max`.
    pub fn bytes(&mut self, directory: &Directory, tag: u16, max: u64) -> Vec<u8> {
        let Some(entry) = directory.entries.get(&tag) else { return Vec::new() };
        let Some(len) = entry.bytes().filter(|n| *n <= max) else { return Vec::new() };
        self.bytes_at(entry.at, len).unwrap_or_default()
    }

    /// The value as numbers (fractions divided out); empty if absent, text, or absurdly long.
    pub fn numbers(&mut self, directory: &Directory, tag: u16) -> Vec<f64> {
        let Some(&entry) = directory.entries.get(&tag) else { return Vec::new() };
        if entry.count > NUMBERS_MAX || entry.kind == 2 {
            return Vec::new();
        }
        let one = entry.value_bytes() as usize;
        let bytes = self.bytes(directory, tag, NUMBERS_MAX * 8);
        bytes.chunks_exact(one.max(1)).map(|b| self.value(entry.kind, b)).collect()
    }

    /// The first number of a value.
    pub fn first(&mut self, directory: &Directory, tag: u16) -> Option<f64> {
        self.numbers(directory, tag).first().copied()
    }

    /// The value as text: up to the first NUL, without white space at its ends; `None` if empty.
    pub fn text(&mut self, directory: &Directory, tag: u16) -> Option<String> {
        let bytes = self.bytes(directory, tag, 4096);
        let end = bytes.iter().position(|&b| b == 0).unwrap_or(bytes.len());
        let text = String::from_utf8_lossy(&bytes[..end]).trim().to_owned();
        (!text.is_empty()).then_some(text)
    }

    /// `len` bytes from a place of the source.
    pub fn bytes_at(&mut self, at: u64, len: u64) -> io::Result<Vec<u8>> {
        if at.checked_add(len).is_none_or(|end| end > self.len) {
            return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "value past the end of the file"));
        }
        self.source.seek(SeekFrom::Start(at))?;
        let mut bytes = vec![0; len as usize];
        self.source.read_exact(&mut bytes)?;
        Ok(bytes)
    }

    /// A whole number in the source's byte order.
    pub fn number(&self, bytes: &[u8]) -> u64 {
        let fold = |n: u64, b: &u8| (n << 8) | u64::from(*b);
        if self.big_endian { bytes.iter().fold(0, fold) } else { bytes.iter().rev().fold(0, fold) }
    }

    fn value(&self, kind: u16, b: &[u8]) -> f64 {
        let n = self.number(b);
        match kind {
            5 => self.number(&b[..4]) as f64 / self.number(&b[4..]) as f64,
            6 => f64::from(n as u8 as i8),
            8 => f64::from(n as u16 as i16),
            9 => f64::from(n as u32 as i32),
            10 => f64::from(self.number(&b[..4]) as u32 as i32) / f64::from(self.number(&b[4..]) as u32 as i32),
            11 => f64::from(f32::from_bits(n as u32)),
            12 => f64::from_bits(n),
            17 => n as i64 as f64,
            _ => n as f64,
        }
    }
}

fn read_up_to(source: &mut impl Read, buffer: &mut [u8]) -> io::Result<usize> {
    let mut got = 0;
    while got < buffer.len() {
        match source.read(&mut buffer[got..])? {
            0 => break,
            n => got += n,
        }
    }
    Ok(got)
}
