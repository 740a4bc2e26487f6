//! A mended copy of a PNG (third edition, W3C): every chunk stays byte for byte but the coded samples. Those are
//! uncoded row by row, changed, given the filter that their row had, and coded again; interlacing stays.

use std::io::{self, Read, Write};
use std::ops::Range;
use std::path::Path;

use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use flate2::{Compression, Crc};

use super::delta::{self, Delta, Steps};
use super::record::{Changes, Packer, Unpacker};
use super::source::Source;
use super::{Undo, Written, footprint, output};
use crate::error::FrameError;
use crate::frame::{Digest, Frame, Layout};
use crate::space::Size;

const SIGNATURE: usize = 8;
/// Least size of the chunks that the coded samples are cut into.
const LEAST_CHUNK: usize = 8192;

/// Writes the copy.
pub(super) fn write(source: &Source, frame: &Frame, deltas: &[Delta], out: &Path) -> Result<Written, FrameError> {
    let file = source.bytes(0, source.len())?;
    let png = Png::read(source, &file)?;
    png.fits(source, frame)?;
    let mut steps: Vec<Steps> = deltas.iter().map(Delta::rounded).collect();
    let mut packer = Packer::default();
    let (mended, changes) = if steps.iter().any(Steps::any) {
        let coded = png.chunks_of(&recode(source, &png, &file, Some(frame), &mut steps)?);
        packer.number(steps.len() as u64);
        steps.iter().for_each(|s| s.pack(&mut packer));
        let packed = packer.finish().map_err(|e| source.unreadable(&e))?;
        (png.place(source, &file, &coded, out)?, Changes::Codes(packed))
    } else {
        (png.place(source, &file, &file[png.data.clone()], out)?, Changes::None)
    };
    let pixels_changed = steps.iter().map(Steps::pixels_changed).sum();
    let undo = Undo { original: frame.digest.clone(), mended, changes };
    Ok(Written { pixels_changed, footprint: footprint(deltas), notes: Vec::new(), undo })
}

/// Turns a copy back: its samples are those of the original again, coded anew. `None` if the record is damaged.
pub(super) fn revert(mended: &Source, packed: &str, out: &Path) -> Result<Option<Digest>, FrameError> {
    let file = mended.bytes(0, mended.len())?;
    let png = Png::read(mended, &file)?;
    let size = Size { width: png.width, height: png.height };
    let unpack = || {
        let mut record = Unpacker::new(packed)?;
        (0..record.count()?).map(|_| Steps::unpack_reversed(&mut record, size)).collect::<Option<Vec<_>>>()
    };
    let planes = if matches!(png.colour, 0 | 4) { 1 } else { 3 };
    let Some(mut steps) = unpack().filter(|all| all.iter().all(|s| s.planes() == planes)) else { return Ok(None) };
    let coded = png.chunks_of(&recode(mended, &png, &file, None, &mut steps)?);
    png.place(mended, &file, &coded, out).map(Some)
}

/// What the chunks of a file say, and where its coded samples stand.
struct Png {
    width: usize,
    height: usize,
    bits: usize,
    colour: u8,
    interlaced: bool,
    /// From the first IDAT chunk to the end of the last one.
    data: Range<usize>,
    /// What each of them holds.
    payloads: Vec<Range<usize>>,
}

impl Png {
    fn read(source: &Source, file: &[u8]) -> Result<Self, FrameError> {
        let early = || source.broken("it ends early");
        let number = |at: usize| file.get(at..at + 4).map(|b| u32::from_be_bytes([b[0], b[1], b[2], b[3]]) as usize);
        let mut payloads: Vec<Range<usize>> = Vec::new();
        let mut at = SIGNATURE;
        loop {
            let (length, kind) = (number(at).ok_or_else(early)?, file.get(at + 4..at + 8).ok_or_else(early)?);
            let payload = at + 8..at + 8 + length;
            if payload.end + 4 > file.len() {
                return Err(early());
            }
            match kind {
                b"IDAT" if payloads.last().is_some_and(|last| last.end + 12 != payload.start) => {
                    return Err(source.broken("its picture data are scattered"));
                }
                b"IDAT" => payloads.push(payload.clone()),
                b"acTL" => return Err(source.unsupported("it is animated", "save the one picture as a PNG of its own")),
                b"IEND" => break,
                _ => {}
            }
            at = payload.end + 4;
        }
        let (Some(first), Some(last)) = (payloads.first(), payloads.last()) else {
            return Err(source.broken("it holds no picture data"));
        };
        let data = first.start - 8..last.end + 4;
        let header = file.get(SIGNATURE + 8..SIGNATURE + 21).filter(|_| file[12..16] == *b"IHDR").ok_or_else(early)?;
        let (width, height) = (number(16).unwrap_or(0), number(20).unwrap_or(0));
        let &[.., depth, colour, _, _, interlace] = header else { return Err(early()) };
        Ok(Png { width, height, bits: depth.into(), colour, interlaced: interlace != 0, data, payloads })
    }

    fn samples(&self) -> usize {
        match self.colour {
            2 => 3,
            4 => 2,
            6 => 4,
            _ => 1,
        }
    }

    fn fits(&self, source: &Source, frame: &Frame) -> Result<(), FrameError> {
        let resave = "save it as a PNG of 8 or 16 bits per channel and mend that";
        if self.colour == 3 || !matches!(self.bits, 8 | 16) {
            return Err(source.unsupported("a palette or fewer than 8 bits cannot take finer steps", resave));
        }
        let size = frame.size();
        if (size.width, size.height) != (self.width, self.height) || size != frame.shot.recorded {
            return Err(source.mismatch(format!("the PNG is {} x {}, the frame is not", self.width, self.height)));
        }
        let grey = matches!(self.colour, 0 | 4);
        let planes = if grey { 1 } else { 3 };
        if (frame.layout == Layout::Grey) != grey || frame.planes.len() != planes {
            return Err(source.mismatch("the frame has other planes than the PNG"));
        }
        Ok(())
    }

    /// The passes, each as first column, first row, columns apart, rows apart (PNG, 8.2: Adam7).
    fn passes(&self) -> &'static [(usize, usize, usize, usize)] {
        const ALL: [(usize, usize, usize, usize); 1] = [(0, 0, 1, 1)];
        const ADAM7: [(usize, usize, usize, usize); 7] =
            [(0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2)];
        if self.interlaced { &ADAM7 } else { &ALL }
    }

    /// Writes the file with other chunks of picture data.
    fn place(&self, source: &Source, file: &[u8], data: &[u8], out: &Path) -> Result<Digest, FrameError> {
        output::place(source.path(), out, |f| {
            f.write_all(&file[..self.data.start])?;
            f.write_all(data)?;
            f.write_all(&file[self.data.end..])
        })
    }

    /// The chunks of a coded stream, as long as the original's first one.
    fn chunks_of(&self, coded: &[u8]) -> Vec<u8> {
        let length = self.payloads[0].len().max(LEAST_CHUNK);
        let mut chunks = Vec::with_capacity(coded.len() + coded.len() / length * 12 + 12);
        for payload in coded.chunks(length) {
            let mut crc = Crc::new();
            crc.update(b"IDAT");
            crc.update(payload);
            chunks.extend((payload.len() as u32).to_be_bytes());
            chunks.extend(b"IDAT");
            chunks.extend(payload);
            chunks.extend(crc.sum().to_be_bytes());
        }
        chunks
    }
}

/// The coded samples, one chunk after the other.
struct Payloads<'a> {
    file: &'a [u8],
    left: std::slice::Iter<'a, Range<usize>>,
    here: &'a [u8],
}

impl Read for Payloads<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        while self.here.is_empty() {
            match self.left.next() {
                Some(range) => self.here = &self.file[range.clone()],
                None => return Ok(0),
            }
        }
        self.here.read(buffer)
    }
}

/// Codes the changed samples anew, after holding them against the frame where there is one, and reads the result to its end, which checks its sum.
fn recode(
    source: &Source,
    png: &Png,
    file: &[u8],
    frame: Option<&Frame>,
    steps: &mut [Steps],
) -> Result<Vec<u8>, FrameError> {
    let damaged = |e: io::Error| source.broken(format!("its picture data are damaged: {e}"));
    let payloads = Payloads { file, left: png.payloads.iter(), here: &[] };
    let mut from = ZlibDecoder::new(payloads);
    let mut to = ZlibEncoder::new(Vec::with_capacity(png.data.len()), Compression::default());
    let pixel = png.samples() * png.bits / 8;
    let mut total = 0;
    for &(x0, y0, across, down) in png.passes() {
        let (columns, rows) =
            (png.width.saturating_sub(x0).div_ceil(across), png.height.saturating_sub(y0).div_ceil(down));
        if columns == 0 {
            continue;
        }
        let mut old = Row::new(columns * pixel);
        let mut new = Row::new(columns * pixel);
        let mut filtered = vec![0; 1 + columns * pixel];
        for row in 0..rows {
            from.read_exact(&mut filtered).map_err(damaged)?;
            old.unfilter(&filtered, pixel).map_err(damaged)?;
            new.follow(&old);
            let place = RowPlace { y: y0 + row * down, x0, across, columns };
            place.change(png, frame, steps, &mut new.here).map_err(|e| source.mismatch(e))?;
            if new.here != old.here || new.above != old.above {
                new.filter(&mut filtered, pixel);
            }
            to.write_all(&filtered).map_err(damaged)?;
            total += filtered.len() as u64;
            (old.above, old.here) = (old.here, old.above);
            (new.above, new.here) = (new.here, new.above);
        }
    }
    let coded = to.finish().map_err(damaged)?;
    let back = io::copy(&mut ZlibDecoder::new(coded.as_slice()), &mut io::sink()).map_err(damaged)?;
    if back != total {
        return Err(source.broken("the written samples do not read back as they should"));
    }
    Ok(coded)
}

/// Where the pixels of one row of a pass lie in the picture.
struct RowPlace {
    y: usize,
    x0: usize,
    across: usize,
    columns: usize,
}

impl RowPlace {
    /// Adds the steps to the bytes of the row.
    fn change(&self, png: &Png, frame: Option<&Frame>, all: &mut [Steps], row: &mut [u8]) -> Result<(), String> {
        let wide = png.bits == 16;
        let pixel = png.samples() * png.bits / 8;
        for steps in all.iter_mut().filter(|s| s.touch(self.y, 0..png.width)) {
            for i in 0..self.columns {
                let x = self.x0 + i * self.across;
                if !(steps.window.x..steps.window.right()).contains(&x) {
                    continue;
                }
                for p in 0..steps.planes() {
                    let step = steps.at(p, x, self.y);
                    if step == 0 {
                        continue;
                    }
                    let at = i * pixel + p * png.bits / 8;
                    let old = if wide { u16::from_be_bytes([row[at], row[at + 1]]) } else { u16::from(row[at]) };
                    if let Some(frame) = frame {
                        delta::hold_against(frame, p, (x, self.y), old, 0)?;
                    }
                    let most = if wide { 65535 } else { 255 };
                    let code = (i32::from(old) + step).clamp(0, most) as u16;
                    match wide {
                        true => row[at..at + 2].copy_from_slice(&code.to_be_bytes()),
                        false => row[at] = code as u8,
                    }
                    steps.became(p, x, self.y, i32::from(code) - i32::from(old));
                }
            }
        }
        Ok(())
    }
}

/// A row of samples and the one above it.
struct Row {
    here: Vec<u8>,
    above: Vec<u8>,
}

impl Row {
    fn new(bytes: usize) -> Self {
        Row { here: vec![0; bytes], above: vec![0; bytes] }
    }

    fn follow(&mut self, other: &Row) {
        self.here.copy_from_slice(&other.here);
    }

    /// Undoes the filter of a row (PNG, 9.2).
    fn unfilter(&mut self, filtered: &[u8], pixel: usize) -> io::Result<()> {
        let (here, above) = (&mut self.here, &self.above);
        here.copy_from_slice(&filtered[1..]);
        match filtered[0] {
            0 => {}
            1 => (pixel..here.len()).for_each(|i| here[i] = here[i].wrapping_add(here[i - pixel])),
            2 => here.iter_mut().zip(above).for_each(|(b, up)| *b = b.wrapping_add(*up)),
            3 => {
                for i in 0..here.len() {
                    let left = if i >= pixel { here[i - pixel] } else { 0 };
                    here[i] = here[i].wrapping_add(mean(left, above[i]));
                }
            }
            4 => {
                for i in 0..here.len() {
                    let (left, corner) = if i >= pixel { (here[i - pixel], above[i - pixel]) } else { (0, 0) };
                    here[i] = here[i].wrapping_add(paeth(left, above[i], corner));
                }
            }
            kind => return Err(io::Error::other(format!("filter {kind} is unknown"))),
        }
        Ok(())
    }

    /// Filters the row the way that `filtered` was.
    fn filter(&self, filtered: &mut [u8], pixel: usize) {
        let (kind, (here, above)) = (filtered[0], (&self.here, &self.above));
        for (i, byte) in filtered[1..].iter_mut().enumerate() {
            let (left, corner) = if i >= pixel { (here[i - pixel], above[i - pixel]) } else { (0, 0) };
            let guess = match kind {
                1 => left,
                2 => above[i],
                3 => mean(left, above[i]),
                4 => paeth(left, above[i], corner),
                _ => 0,
            };
            *byte = here[i].wrapping_sub(guess);
        }
    }
}

fn mean(left: u8, up: u8) -> u8 {
    ((u16::from(left) + u16::from(up)) / 2) as u8
}

/// Of the three neighbours the one nearest to left + up - corner (PNG, 9.4).
fn paeth(left: u8, up: u8, corner: u8) -> u8 {
    let (a, b, c) = (i16::from(left), i16::from(up), i16::from(corner));
    let (off_a, off_b, off_c) = ((b - c).abs(), (a - c).abs(), (a + b - 2 * c).abs());
    if off_a <= off_b && off_a <= off_c {
        left
    } else if off_b <= off_c {
        up
    } else {
        corner
    }
}
