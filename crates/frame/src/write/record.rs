//! The record from which a mended copy is turned back into its original, and the small binary form of its parts.

use std::io::{Read, Write};

use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use serde::{Deserialize, Serialize};

use crate::frame::Digest;

/// Most bytes that the parts of a record may take.
const MOST_BYTES: u64 = 1 << 30;

/// All that a mended copy lacks of its original; [`super::undo`] puts it back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Undo {
    /// Digest of the original, as the frame told it.
    pub original: Digest,
    /// Digest of the mended copy. Only this very file can be turned back.
    pub mended: Digest,
    /// What was changed in which way.
    pub(super) changes: Changes,
}

/// Parts of a record by the way of writing; each is numbers and bytes, deflated, in hexadecimal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Changes {
    /// Nothing was changed.
    None,
    /// TIFF and DNG: bytes that were replaced, and the length without what was added.
    Bytes(String),
    /// JPEG: what was added to the coefficients, and tables that were replaced.
    Blocks(String),
    /// PNG: what was added to the codes.
    Codes(String),
}

/// Collects numbers and bytes.
#[derive(Default)]
pub(super) struct Packer(Vec<u8>);

impl Packer {
    /// A number, 7 bits to the byte.
    pub(super) fn number(&mut self, mut n: u64) {
        while n >= 0x80 {
            self.0.push(n as u8 | 0x80);
            n >>= 7;
        }
        self.0.push(n as u8);
    }

    /// A number that may be negative.
    pub(super) fn signed(&mut self, n: i64) {
        self.number(((n << 1) ^ (n >> 63)) as u64);
    }

    /// Bytes with their count.
    pub(super) fn bytes(&mut self, bytes: &[u8]) {
        self.number(bytes.len() as u64);
        self.0.extend_from_slice(bytes);
    }

    /// The text form.
    pub(super) fn finish(self) -> std::io::Result<String> {
        let mut encoder = ZlibEncoder::new(Vec::new(), Compression::default());
        encoder.write_all(&self.0)?;
        let hex = |b: &u8| [b >> 4, b & 15].map(|n| char::from(b"0123456789abcdef"[usize::from(n)]));
        Ok(encoder.finish()?.iter().flat_map(hex).collect())
    }
}

/// Gives back what a [`Packer`] collected; `None` wherever the record is damaged.
pub(super) struct Unpacker {
    bytes: Vec<u8>,
    at: usize,
}

impl Unpacker {
    /// From the text form.
    pub(super) fn new(text: &str) -> Option<Self> {
        let digit = |b: u8| char::from(b).to_digit(16).map(|d| d as u8);
        let pairs = text.as_bytes().chunks(2);
        let packed: Vec<u8> = pairs
            .map(|p| match p {
                &[high, low] => Some(digit(high)? << 4 | digit(low)?),
                _ => None,
            })
            .collect::<Option<_>>()?;
        let mut bytes = Vec::new();
        ZlibDecoder::new(packed.as_slice()).take(MOST_BYTES).read_to_end(&mut bytes).ok()?;
        Some(Unpacker { bytes, at: 0 })
    }

    /// A number.
    pub(super) fn number(&mut self) -> Option<u64> {
        let mut n = 0u64;
        for shift in (0..64).step_by(7) {
            let byte = *self.bytes.get(self.at)?;
            self.at += 1;
            n |= u64::from(byte & 0x7f) << shift;
            if byte < 0x80 {
                return Some(n);
            }
        }
        None
    }

    /// A number used as a place or a size.
    pub(super) fn size(&mut self) -> Option<usize> {
        usize::try_from(self.number()?).ok()
    }

    /// A number that may be negative.
    pub(super) fn signed(&mut self) -> Option<i64> {
        let n = self.number()?;
        Some((n >> 1) as i64 ^ -((n & 1) as i64))
    }

    /// Bytes with their count.
    pub(super) fn bytes(&mut self) -> Option<&[u8]> {
        let count = self.size()?;
        let range = self.at..self.at.checked_add(count)?;
        self.at = range.end;
        self.bytes.get(range)
    }

    /// A count of things that take a byte each at least, so that no list is made on a damaged record's word.
    pub(super) fn count(&mut self) -> Option<usize> {
        self.size().filter(|&n| n <= self.bytes.len() - self.at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_packed_comes_back() {
        let numbers = [0, 1, 127, 128, 300, u64::from(u32::MAX), u64::MAX];
        let signed = [0, -1, 1, -64, 64, i64::from(i32::MIN), i64::MAX, i64::MIN];
        let mut packer = Packer::default();
        numbers.iter().for_each(|&n| packer.number(n));
        signed.iter().for_each(|&n| packer.signed(n));
        packer.bytes(b"and bytes");
        let text = packer.finish().expect("in memory");
        let mut back = Unpacker::new(&text).expect("whole");
        numbers.iter().for_each(|&n| assert_eq!(back.number(), Some(n)));
        signed.iter().for_each(|&n| assert_eq!(back.signed(), Some(n)));
        assert_eq!(back.bytes(), Some(&b"and bytes"[..]));
        assert_eq!(back.number(), None);
    }

    #[test]
    fn damaged_text_is_none() {
        assert!(Unpacker::new("0").is_none() && Unpacker::new("zz").is_none() && Unpacker::new("00ff").is_none());
    }
}
