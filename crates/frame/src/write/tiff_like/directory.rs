//! The directories of a TIFF-like file (TIFF 6.0; BigTIFF; TIFF/EP and DNG sub-directories), with every
//! offset and count held against the file's length and every loop noticed.

use std::collections::HashSet;

use super::super::source::Source;
use crate::error::FrameError;

/// More directories than any real file has.
const MOST_DIRECTORIES: usize = 512;
/// More values than any table of strips or tiles that is read here needs.
const MOST_VALUES: u64 = 1 << 22;

const SUB_IFDS: u16 = 330;

/// One entry of a directory.
#[derive(Clone, Copy)]
pub(super) struct Entry {
    pub(super) tag: u16,
    kind: u16,
    count: u64,
    /// Where the values stand, in the entry itself or elsewhere.
    pub(super) values_at: u64,
}

impl Entry {
    /// Bytes of one value; `None` for kinds that do not exist.
    pub(super) fn value_size(&self) -> Option<u64> {
        Some(match self.kind {
            1 | 2 | 6 | 7 => 1,
            3 | 8 => 2,
            4 | 9 | 11 | 13 => 4,
            5 | 10 | 12 | 16 | 17 | 18 => 8,
            _ => return None,
        })
    }

    /// Bytes of all values; `None` if the kind does not exist or the count is absurd.
    pub(super) fn byte_count(&self) -> Option<u64> {
        self.value_size()?.checked_mul(self.count)
    }
}

/// One directory.
pub(super) struct Directory {
    /// Where its count of entries stands.
    pub(super) at: u64,
    pub(super) entries: Vec<Entry>,
    /// Whether it belongs to the main chain, not to a sub-directory.
    pub(super) in_chain: bool,
}

impl Directory {
    /// The entry of a tag.
    pub(super) fn entry(&self, tag: u16) -> Option<&Entry> {
        self.entries.iter().find(|e| e.tag == tag)
    }
}

/// Byte order, offset width and all directories of a file.
pub(super) struct Tiff<'a> {
    pub(super) source: &'a Source,
    pub(super) big_endian: bool,
    /// BigTIFF: 8-byte offsets.
    pub(super) wide: bool,
    pub(super) directories: Vec<Directory>,
}

impl<'a> Tiff<'a> {
    /// Reads the header, the chain of directories and their sub-directories.
    pub(super) fn read(source: &'a Source) -> Result<Self, FrameError> {
        let head = source.bytes(0, 8)?;
        let big_endian = head.starts_with(b"MM");
        let mut tiff = Tiff { source, big_endian, wide: false, directories: Vec::new() };
        tiff.wide = tiff.number(&head[2..4]) == 43;
        let first = if tiff.wide { tiff.number(&source.bytes(8, 8)?) } else { tiff.number(&head[4..8]) };
        let mut seen = HashSet::new();
        let mut waiting = vec![(first, true)];
        while let Some((at, in_chain)) = waiting.pop() {
            if at == 0 {
                continue;
            }
            if !seen.insert(at) {
                return Err(source.broken("its directories point back at each other"));
            }
            if seen.len() > MOST_DIRECTORIES {
                return Err(source.broken(format!("it claims more than {MOST_DIRECTORIES} directories")));
            }
            let (directory, next) = tiff.directory(at, in_chain)?;
            if in_chain {
                waiting.push((next, true));
            }
            if let Some(subs) = directory.entry(SUB_IFDS) {
                waiting.extend(tiff.values(subs)?.into_iter().map(|sub| (sub, false)));
            }
            tiff.directories.push(directory);
        }
        // Found depth first; the order of their place in the file is as good and always the same.
        tiff.directories.sort_by_key(|d| (!d.in_chain, d.at));
        if tiff.directories.is_empty() {
            return Err(source.broken("it holds no directory"));
        }
        Ok(tiff)
    }

    /// Bytes of the count in front of the entries, of one entry and of an offset.
    pub(super) fn widths(&self) -> (u64, u64, u64) {
        if self.wide { (8, 20, 8) } else { (2, 12, 4) }
    }

    fn directory(&self, at: u64, in_chain: bool) -> Result<(Directory, u64), FrameError> {
        let (count_size, entry_size, offset_size) = self.widths();
        let count = self.number(&self.source.bytes(at, count_size)?);
        let table = count.checked_mul(entry_size).filter(|&t| t <= self.source.len());
        let Some(table) = table else {
            return Err(self.source.broken(format!("a directory claims {count} entries")));
        };
        let bytes = self.source.bytes(at + count_size, table + offset_size)?;
        let mut entries = Vec::with_capacity(count as usize);
        for (i, e) in bytes[..table as usize].chunks_exact(entry_size as usize).enumerate() {
            let mut entry = Entry {
                tag: self.number(&e[..2]) as u16,
                kind: self.number(&e[2..4]) as u16,
                count: self.number(&e[4..4 + offset_size as usize]),
                values_at: at + count_size + i as u64 * entry_size + 4 + offset_size,
            };
            if entry.byte_count().is_some_and(|b| b > offset_size) {
                entry.values_at = self.number(&e[4 + offset_size as usize..]);
            }
            entries.push(entry);
        }
        Ok((Directory { at, entries, in_chain }, self.number(&bytes[table as usize..])))
    }

    /// The values of an entry of whole numbers.
    pub(super) fn values(&self, entry: &Entry) -> Result<Vec<u64>, FrameError> {
        let whole = matches!(entry.kind, 1 | 3 | 4 | 7 | 13 | 16 | 18);
        let size = entry.value_size().filter(|_| whole && entry.count <= MOST_VALUES);
        let Some(size) = size else {
            let what = format!("tag {} holds {} values of kind {}", entry.tag, entry.count, entry.kind);
            return Err(self.source.broken(what));
        };
        let bytes = self.source.bytes(entry.values_at, entry.count * size)?;
        Ok(bytes.chunks_exact(size as usize).map(|v| self.number(v)).collect())
    }

    /// The values of a tag, or none if the directory has no such tag.
    pub(super) fn tag(&self, directory: &Directory, tag: u16) -> Result<Vec<u64>, FrameError> {
        directory.entry(tag).map_or(Ok(Vec::new()), |e| self.values(e))
    }

    /// The first value of a tag, or its default.
    pub(super) fn first(&self, directory: &Directory, tag: u16, default: u64) -> Result<u64, FrameError> {
        Ok(self.tag(directory, tag)?.first().copied().unwrap_or(default))
    }

    /// A number in the file's byte order.
    pub(super) fn number(&self, bytes: &[u8]) -> u64 {
        let join = |n: u64, b: &u8| n << 8 | u64::from(*b);
        if self.big_endian { bytes.iter().fold(0, join) } else { bytes.iter().rev().fold(0, join) }
    }

    /// `size` bytes of a number in the file's byte order; `None` if it does not fit.
    pub(super) fn encoded(&self, number: u64, size: u64) -> Option<Vec<u8>> {
        if size < 8 && number >> (8 * size) != 0 {
            return None;
        }
        let mut bytes = number.to_le_bytes()[..size as usize].to_vec();
        if self.big_endian {
            bytes.reverse();
        }
        Some(bytes)
    }
}
