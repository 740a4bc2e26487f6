//! The index of a multi-picture JPEG (CIPA DC-007): cameras put large previews behind the picture and note where they
//! start. When the picture's own length changes, those places move.

/// Name of the segment that holds the index.
const NAME: &[u8] = b"MPF\0";
const MP_ENTRY: usize = 0xb002;
/// Bytes of one picture's entry: attributes, size, offset, two dependants.
const ENTRY: usize = 16;

/// Corrects the index of `file`, whose first picture ended at `old_end` before and ends at `new_end` now. A file without
/// an index, or with one that makes no sense, stays as it is.
pub(super) fn shift(file: &mut [u8], old_end: usize, new_end: usize) {
    if old_end == new_end {
        return;
    }
    let Some(index) = find(file) else { return };
    let moved = |v: usize| (v + new_end).wrapping_sub(old_end);
    let entries = index.entries(file).unwrap_or_default();
    for (i, at) in entries.into_iter().enumerate() {
        // The first picture's own length, the other ones' places; those count from the index's header.
        let slot = if i == 0 { at + 4 } else { at + 8 };
        if let Some(old) = index.number(file, slot, 4).filter(|&v| v != 0) {
            index.set(file, slot, moved(old));
        }
    }
}

struct Index {
    /// Where its header stands, from which it counts.
    at: usize,
    big_endian: bool,
}

fn find(file: &[u8]) -> Option<Index> {
    let mut at = 2;
    loop {
        let (marker, length) =
            (file.get(at + 1)?, usize::from(*file.get(at + 2)?) << 8 | usize::from(*file.get(at + 3)?));
        if *file.get(at)? != 0xff || *marker == 0xda || length < 2 {
            return None;
        }
        if *marker == 0xe2 && file.get(at + 4..)?.starts_with(NAME) {
            let head = at + 4 + NAME.len();
            return Some(Index { at: head, big_endian: file.get(head)? == &b'M' });
        }
        at += 2 + length;
    }
}

impl Index {
    fn number(&self, file: &[u8], at: usize, size: usize) -> Option<usize> {
        let bytes = file.get(at..at.checked_add(size)?)?;
        let join = |n: usize, b: &u8| n << 8 | usize::from(*b);
        Some(if self.big_endian { bytes.iter().fold(0, join) } else { bytes.iter().rev().fold(0, join) })
    }

    fn set(&self, file: &mut [u8], at: usize, value: usize) {
        let value = value as u32;
        let bytes = if self.big_endian { value.to_be_bytes() } else { value.to_le_bytes() };
        file[at..at + 4].copy_from_slice(&bytes);
    }

    /// Where the entries stand.
    fn entries(&self, file: &[u8]) -> Option<Vec<usize>> {
        let directory = self.at.checked_add(self.number(file, self.at + 4, 4)?)?;
        let tag = (0..self.number(file, directory, 2)?)
            .map(|i| directory + 2 + 12 * i)
            .find(|&tag| self.number(file, tag, 2) == Some(MP_ENTRY))?;
        let (bytes, first) = (self.number(file, tag + 4, 4)?, self.at + self.number(file, tag + 8, 4)?);
        let whole = file.get(first..first.checked_add(bytes)?)?;
        Some((0..whole.len() / ENTRY).map(|i| first + i * ENTRY).collect())
    }
}
