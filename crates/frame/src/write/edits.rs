//! Changes to a byte copy: replaced ranges and bytes added at the end. Everything else stays as it is.

use std::fs::File;
use std::io::{self, Seek, SeekFrom, Write};

use super::record::{Changes, Packer, Unpacker};
use super::source::Source;
use crate::error::FrameError;

/// The changes collected for one copy, in the order in which they were made.
pub(super) struct Edits<'a> {
    source: &'a Source,
    replaced: Vec<(u64, Vec<u8>)>,
    added: Vec<u8>,
}

impl<'a> Edits<'a> {
    /// No change yet.
    pub(super) fn new(source: &'a Source) -> Self {
        Edits { source, replaced: Vec::new(), added: Vec::new() }
    }

    /// Bytes of the original as changed so far; the range must lie in the original.
    pub(super) fn read(&self, offset: u64, count: u64) -> Result<Vec<u8>, FrameError> {
        let mut bytes = self.source.bytes(offset, count)?;
        for (at, new) in &self.replaced {
            let (start, end) = (offset.max(*at), (offset + count).min(at + new.len() as u64));
            if start < end {
                bytes[(start - offset) as usize..(end - offset) as usize]
                    .copy_from_slice(&new[(start - at) as usize..(end - at) as usize]);
            }
        }
        Ok(bytes)
    }

    /// Puts `new` in place of the bytes at `offset`; only what differs is written.
    pub(super) fn replace(&mut self, offset: u64, new: &[u8]) -> Result<(), FrameError> {
        let old = self.read(offset, new.len() as u64)?;
        let Some(first) = (0..new.len()).find(|&i| old[i] != new[i]) else { return Ok(()) };
        let last = (first..new.len()).rfind(|&i| old[i] != new[i]).unwrap_or(first);
        self.replaced.push((offset + first as u64, new[first..=last].to_vec()));
        Ok(())
    }

    /// Adds `bytes` at the end of the file, at a multiple of 8, and says where.
    pub(super) fn append(&mut self, bytes: &[u8]) -> u64 {
        let end = self.source.len() + self.added.len() as u64;
        let at = end.next_multiple_of(8);
        self.added.resize(self.added.len() + (at - end) as usize, 0);
        self.added.extend_from_slice(bytes);
        at
    }

    /// Writes the original with all changes.
    pub(super) fn write(&self, to: &mut File) -> io::Result<()> {
        self.source.copy_to(to)?;
        for (offset, new) in &self.replaced {
            to.seek(SeekFrom::Start(*offset))?;
            to.write_all(new)?;
        }
        to.seek(SeekFrom::Start(self.source.len()))?;
        to.write_all(&self.added)
    }

    /// What the copy lacks of the original: its length and the bytes that were replaced.
    pub(super) fn record(&self) -> Result<Changes, FrameError> {
        let mut packer = Packer::default();
        packer.number(self.source.len());
        packer.number(self.replaced.len() as u64);
        for (at, new) in &self.replaced {
            packer.number(*at);
            packer.bytes(&self.source.bytes(*at, new.len() as u64)?);
        }
        Ok(Changes::Bytes(packer.finish().map_err(|e| self.source.unreadable(&e))?))
    }

    /// The new bytes in the order they were set: what makes this copy another raw image.
    pub(super) fn new_bytes(&self) -> impl Iterator<Item = &[u8]> {
        self.replaced.iter().map(|(_, new)| new.as_slice()).chain([self.added.as_slice()])
    }
}

/// A copy to be turned back: the bytes of the record in their old places, the length as it was.
pub(super) struct Reversal<'a> {
    mended: &'a Source,
    length: u64,
    replaced: Vec<(u64, Vec<u8>)>,
}

impl<'a> Reversal<'a> {
    /// From a record; `None` if it is damaged.
    pub(super) fn new(mended: &'a Source, packed: &str) -> Option<Self> {
        let mut record = Unpacker::new(packed)?;
        let length = record.number().filter(|&n| n <= mended.len())?;
        let count = record.count()?;
        let mut replaced = Vec::with_capacity(count);
        for _ in 0..count {
            let at = record.number()?;
            let bytes = record.bytes()?.to_vec();
            at.checked_add(bytes.len() as u64).filter(|&end| end <= length)?;
            replaced.push((at, bytes));
        }
        Some(Reversal { mended, length, replaced })
    }

    /// Writes the original.
    pub(super) fn write(&self, to: &mut File) -> io::Result<()> {
        self.mended.copy_to(to)?;
        to.set_len(self.length)?;
        self.replaced.iter().try_for_each(|(at, bytes)| {
            to.seek(SeekFrom::Start(*at))?;
            to.write_all(bytes)
        })
    }
}
