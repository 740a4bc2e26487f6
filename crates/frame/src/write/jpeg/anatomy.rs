//! The segments of a JPEG file (ITU-T T.81): frame, tables, scans, and where each part stands in the bytes.

use std::ops::Range;

use crate::write::record::{Packer, Unpacker};

/// One component of the frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::write) struct Component {
    id: u8,
    /// Horizontal sampling factor.
    pub(super) h: usize,
    /// Vertical sampling factor.
    pub(super) v: usize,
    /// Quantisation step per coefficient, natural order.
    pub(super) quantisation: [u16; 64],
}

/// What one scan holds.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::write) struct Scan {
    /// Indices of its components in the frame.
    pub(in crate::write) components: Vec<usize>,
    /// First and last coefficient.
    pub(in crate::write) spectral: (u8, u8),
    /// Successive approximation, high and low.
    pub(in crate::write) approximation: (u8, u8),
}

impl Scan {
    /// Adds the scan to a record.
    pub(super) fn pack(&self, packer: &mut Packer) {
        packer.number(self.components.len() as u64);
        self.components.iter().for_each(|&c| packer.number(c as u64));
        let (first, last) = self.spectral;
        let (high, low) = self.approximation;
        [first, last, high, low].iter().for_each(|&n| packer.number(n.into()));
    }

    /// The scan of a record; `None` if it is damaged.
    pub(super) fn unpack(record: &mut Unpacker) -> Option<Self> {
        let count = record.count().filter(|&n| n <= 4)?;
        let components = (0..count).map(|_| record.size().filter(|&c| c < 4)).collect::<Option<_>>()?;
        let mut byte = || record.number().and_then(|n| u8::try_from(n).ok());
        Some(Scan { components, spectral: (byte()?, byte()?), approximation: (byte()?, byte()?) })
    }
}

/// A Huffman table as a DHT segment holds it.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::write) struct Huffman {
    /// Number of codes of each length, entry 0 unused.
    pub(in crate::write) bits: [u8; 17],
    /// Symbols by rising code.
    pub(in crate::write) values: [u8; 256],
}

/// The Huffman tables and which component uses which.
#[derive(Debug, Clone, Default, PartialEq)]
pub(in crate::write) struct Tables {
    pub(in crate::write) dc: [Option<Huffman>; 4],
    pub(in crate::write) ac: [Option<Huffman>; 4],
    /// DC and AC table of each component.
    pub(in crate::write) selectors: Vec<(u8, u8)>,
}

/// How three components stand for red, green and blue.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::write) enum Colours {
    /// One component of luminance.
    Grey,
    /// Luminance and two colour differences (JFIF).
    YCbCr,
    /// Red, green and blue as they are.
    Rgb,
}

/// The parts of a JPEG file.
#[derive(Debug)]
pub(in crate::write) struct Anatomy {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) components: Vec<Component>,
    pub(super) colours: Colours,
    pub(super) tables: Tables,
    pub(super) scans: Vec<Scan>,
    pub(super) restart_interval: u32,
    /// Segments before the first scan that tables made anew replace: Huffman tables, restart interval.
    replaceable: Vec<Range<usize>>,
    /// Where the frame header ends.
    frame_end: usize,
    /// Every scan from its header to the end of its coded data.
    scan_ranges: Vec<Range<usize>>,
    progressive: bool,
    /// Huffman tables are redefined between scans.
    late_tables: bool,
    /// Just past the end marker.
    pub(super) end: usize,
}

/// More scans than any sensible file has, and all that the JPEG library has room for when it writes.
pub(super) const MOST_SCANS: usize = 64;

/// Natural order of the zigzag's places (T.81, figure A.6).
const ZIGZAG: [usize; 64] = [
    0, 1, 8, 16, 9, 2, 3, 10, 17, 24, 32, 25, 18, 11, 4, 5, 12, 19, 26, 33, 40, 48, 41, 34, 27, 20, 13, 6, 7, 14, 21,
    28, 35, 42, 49, 56, 57, 50, 43, 36, 29, 22, 15, 23, 30, 37, 44, 51, 58, 59, 52, 45, 38, 31, 39, 46, 53, 60, 61, 54,
    47, 55, 62, 63,
];

/// Why a JPEG cannot be taken apart.
#[derive(Debug, PartialEq)]
pub(in crate::write) enum Refusal {
    /// The file is damaged.
    Broken(String),
    /// The file is of a kind that is not handled.
    Unsupported(String),
}

fn broken(what: &str) -> Refusal {
    Refusal::Broken(what.into())
}

/// Reads big-endian numbers with every access checked.
struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn byte(&self, at: usize) -> Result<u8, Refusal> {
        self.0.get(at).copied().ok_or_else(|| broken("it ends early"))
    }

    fn word(&self, at: usize) -> Result<usize, Refusal> {
        Ok(usize::from(self.byte(at)?) << 8 | usize::from(self.byte(at + 1)?))
    }

    /// The first marker at or after `at` that is neither stuffing nor a restart: where its code byte stands.
    fn marker_after_data(&self, mut at: usize) -> Result<usize, Refusal> {
        loop {
            let found = self.0.get(at..).and_then(|rest| rest.iter().position(|&b| b == 0xff));
            at += found.ok_or_else(|| broken("it ends early"))? + 1;
            if !matches!(self.byte(at)?, 0 | 0xff | 0xd0..=0xd7) {
                return Ok(at);
            }
        }
    }
}

/// Width, height and, per component, id, sampling factors and quantisation table.
type FrameHeader = (usize, usize, Vec<(u8, usize, usize, u8)>);

#[derive(Default)]
struct Reading {
    frame: Option<FrameHeader>,
    quantisation: [Option<[u16; 64]>; 4],
    adobe: Option<u8>,
    jfif: bool,
    tables: Tables,
    scans: Vec<Scan>,
    restart_interval: u32,
    replaceable: Vec<Range<usize>>,
    frame_end: usize,
    scan_ranges: Vec<Range<usize>>,
    progressive: bool,
    late_tables: bool,
}

impl Anatomy {
    /// Takes a file apart.
    pub(in crate::write) fn read(file: &[u8]) -> Result<Self, Refusal> {
        let bytes = Bytes(file);
        let mut r = Reading::default();
        let mut at = 2;
        loop {
            if bytes.byte(at)? != 0xff {
                return Err(broken("a marker is missing"));
            }
            while bytes.byte(at + 1)? == 0xff {
                at += 1;
            }
            let (start, marker) = (at, bytes.byte(at + 1)?);
            if marker == 0xd9 {
                return r.finish(at + 2);
            }
            let length = bytes.word(at + 2)?;
            let end = at + 2 + length;
            if length < 2 || end > file.len() {
                return Err(broken("a segment runs past the end"));
            }
            at = r.segment(&Bytes(&file[..end]), marker, start, end)?;
            if marker == 0xda {
                at = bytes.marker_after_data(end)? - 1;
                r.scan_ranges.push(start..at);
            }
        }
    }

    /// Whether the file's Huffman tables can be used again: no progression, and all of them before the scans.
    pub(super) fn tables_stand_first(&self) -> bool {
        !self.progressive && !self.late_tables
    }

    /// How a writer must arrange the scans; empty for one scan of everything. Where the tables are made anew, a
    /// sequential picture becomes one scan, since not every reader takes new tables between such scans.
    pub(super) fn script(&self, own_tables: bool) -> &[Scan] {
        if self.progressive || (own_tables && self.scans.len() > 1) { &self.scans } else { &[] }
    }

    /// `file` with the scans of `stream` in place of its own; both use the tables of `file`.
    pub(super) fn with_data_of(&self, file: &[u8], stream: &[u8], anatomy: &Anatomy) -> Vec<u8> {
        let mut whole = Vec::with_capacity(file.len());
        whole.extend_from_slice(&file[..self.first_scan()]);
        anatomy.scan_ranges.iter().for_each(|r| whole.extend_from_slice(&stream[r.clone()]));
        whole.extend_from_slice(&stream[anatomy.end - 2..anatomy.end]);
        whole.extend_from_slice(&file[self.end..]);
        whole
    }

    /// The table segments before the scans, as places and bytes of `file`.
    pub(super) fn table_segments<'a>(&self, file: &'a [u8]) -> impl Iterator<Item = (usize, &'a [u8])> {
        self.replaceable.clone().into_iter().map(|r| (r.start, &file[r]))
    }

    /// `file` with other table segments before its scans; each stands at its place in the result. `None` if a
    /// place lies past the header.
    pub(super) fn with_tables(&self, file: &[u8], tables: &[(usize, Vec<u8>)]) -> Option<Vec<u8>> {
        let mut head = Vec::new();
        let mut at = 0;
        for cut in &self.replaceable {
            head.extend_from_slice(&file[at..cut.start]);
            at = cut.end;
        }
        head.extend_from_slice(&file[at..self.first_scan()]);
        for (at, bytes) in tables {
            head = [head.get(..*at)?, bytes, head.get(*at..)?].concat();
        }
        head.extend_from_slice(&file[self.first_scan()..]);
        Some(head)
    }

    fn first_scan(&self) -> usize {
        self.scan_ranges.first().map_or(self.end, |r| r.start)
    }

    /// `file` with the tables and scans of `stream` in place of its own.
    pub(super) fn with_scans_of(&self, file: &[u8], stream: &[u8], anatomy: &Anatomy) -> Vec<u8> {
        let mut whole = Vec::with_capacity(file.len());
        let mut at = 0;
        for cut in &self.replaceable {
            whole.extend_from_slice(&file[at..cut.start]);
            at = cut.end;
        }
        whole.extend_from_slice(&file[at..self.first_scan()]);
        whole.extend_from_slice(&stream[anatomy.frame_end..anatomy.end]);
        whole.extend_from_slice(&file[self.end..]);
        whole
    }
}

impl Reading {
    fn segment(&mut self, b: &Bytes, marker: u8, start: usize, end: usize) -> Result<usize, Refusal> {
        let at = start + 4;
        match marker {
            0xc4 => self.huffman(b, at, end)?,
            0xdb => self.quantisation(b, at, end)?,
            0xc0..=0xc2 => {
                self.frame(b, at, end)?;
                self.progressive = marker == 0xc2;
            }
            0xc3..=0xcf => return Err(Refusal::Unsupported(format!("a JPEG of coding process {}", marker - 0xc0))),
            0xdd if !self.scans.is_empty() && b.word(at)? as u32 != self.restart_interval => {
                return Err(Refusal::Unsupported("a JPEG whose restart interval changes".into()));
            }
            0xdd => self.restart_interval = b.word(at)? as u32,
            0xda => self.scan(b, at)?,
            0xe0 if b.0[at..].starts_with(b"JFIF") => self.jfif = true,
            0xee if b.0[at..].starts_with(b"Adobe") => self.adobe = Some(b.byte(at + 11)?),
            0xdc | 0xd8 | 0xde | 0xdf => return Err(Refusal::Unsupported(format!("a JPEG with marker {marker:02x}"))),
            _ => {}
        }
        let table = matches!(marker, 0xc4 | 0xdd);
        if !self.scans.is_empty() && !table && marker != 0xda {
            return Err(Refusal::Unsupported("a JPEG with segments between its scans".into()));
        }
        if self.scans.is_empty() && table {
            self.replaceable.push(start..end);
        }
        Ok(end)
    }

    fn huffman(&mut self, b: &Bytes, mut at: usize, end: usize) -> Result<(), Refusal> {
        while at < end {
            let place = b.byte(at)?;
            let mut table = Huffman { bits: [0; 17], values: [0; 256] };
            let mut count = 0;
            for length in 1..=16 {
                table.bits[length] = b.byte(at + length)?;
                count += usize::from(table.bits[length]);
            }
            if count > 256 || place & 15 > 3 || place >> 4 > 1 {
                return Err(broken("an impossible Huffman table"));
            }
            for i in 0..count {
                table.values[i] = b.byte(at + 17 + i)?;
            }
            self.late_tables |= !self.scans.is_empty();
            let class = if place >> 4 == 0 { &mut self.tables.dc } else { &mut self.tables.ac };
            class[usize::from(place & 15)] = Some(table);
            at += 17 + count;
        }
        Ok(())
    }

    fn quantisation(&mut self, b: &Bytes, mut at: usize, end: usize) -> Result<(), Refusal> {
        while at < end {
            let place = b.byte(at)?;
            let wide = place >> 4 != 0;
            let mut steps = [0; 64];
            for (k, &natural) in ZIGZAG.iter().enumerate() {
                let step = if wide { b.word(at + 1 + 2 * k)? } else { usize::from(b.byte(at + 1 + k)?) };
                steps[natural] = step as u16;
            }
            if place & 15 > 3 || steps.contains(&0) {
                return Err(broken("an impossible quantisation table"));
            }
            self.quantisation[usize::from(place & 15)] = Some(steps);
            at += if wide { 129 } else { 65 };
        }
        Ok(())
    }

    fn frame(&mut self, b: &Bytes, at: usize, end: usize) -> Result<(), Refusal> {
        if self.frame.is_some() {
            return Err(Refusal::Unsupported("a JPEG of several frames".into()));
        }
        if b.byte(at)? != 8 {
            return Err(Refusal::Unsupported(format!("a JPEG of {} bits", b.byte(at)?)));
        }
        let mut components = Vec::new();
        for i in 0..usize::from(b.byte(at + 5)?) {
            let c = at + 6 + 3 * i;
            let (h, v) = (usize::from(b.byte(c + 1)? >> 4), usize::from(b.byte(c + 1)? & 15));
            if !(1..=4).contains(&h) || !(1..=4).contains(&v) {
                return Err(broken("impossible sampling factors"));
            }
            components.push((b.byte(c)?, h, v, b.byte(c + 2)?));
        }
        self.frame = Some((b.word(at + 3)?, b.word(at + 1)?, components));
        self.frame_end = end;
        Ok(())
    }

    fn scan(&mut self, b: &Bytes, at: usize) -> Result<(), Refusal> {
        let Some((_, _, frame)) = &self.frame else { return Err(broken("a scan before the frame")) };
        let count = usize::from(b.byte(at)?);
        let mut components = Vec::new();
        self.tables.selectors.resize(frame.len(), (0, 0));
        for i in 0..count {
            let id = b.byte(at + 1 + 2 * i)?;
            let index = frame.iter().position(|c| c.0 == id).ok_or_else(|| broken("a scan of an unknown component"))?;
            components.push(index);
            self.tables.selectors[index] = (b.byte(at + 2 + 2 * i)? >> 4 & 3, b.byte(at + 2 + 2 * i)? & 3);
        }
        let tail = at + 1 + 2 * count;
        let approximation = b.byte(tail + 2)?;
        self.scans.push(Scan {
            components,
            spectral: (b.byte(tail)?, b.byte(tail + 1)?),
            approximation: (approximation >> 4, approximation & 15),
        });
        if self.scans.len() > MOST_SCANS {
            return Err(Refusal::Unsupported(format!("a JPEG of more than {MOST_SCANS} scans")));
        }
        Ok(())
    }

    fn finish(self, end: usize) -> Result<Anatomy, Refusal> {
        let Some((width, height, frame)) = self.frame.filter(|_| !self.scans.is_empty()) else {
            return Err(broken("it holds no picture"));
        };
        // As libjpeg tells them apart (and after it most readers): JFIF, the Adobe marker, the components' ids.
        let ids: Vec<u8> = frame.iter().map(|c| c.0).collect();
        let colours = match (ids.as_slice(), self.jfif, self.adobe) {
            ([_], _, _) => Colours::Grey,
            ([_, _, _], true, _) => Colours::YCbCr,
            ([_, _, _], _, Some(0)) => Colours::Rgb,
            ([_, _, _], _, Some(_)) => Colours::YCbCr,
            ([b'R', b'G', b'B'], _, None) => Colours::Rgb,
            ([_, _, _], _, None) => Colours::YCbCr,
            _ => return Err(Refusal::Unsupported(format!("a JPEG of {} components", ids.len()))),
        };
        let components = frame.into_iter().map(|(id, h, v, table)| {
            let quantisation = self.quantisation.get(usize::from(table)).copied().flatten();
            let quantisation = quantisation.ok_or_else(|| broken("a quantisation table is missing"))?;
            Ok(Component { id, h, v, quantisation })
        });
        Ok(Anatomy {
            width,
            height,
            components: components.collect::<Result<_, Refusal>>()?,
            colours,
            tables: self.tables,
            scans: self.scans,
            restart_interval: self.restart_interval,
            replaceable: self.replaceable,
            frame_end: self.frame_end,
            scan_ranges: self.scan_ranges,
            progressive: self.progressive,
            late_tables: self.late_tables,
            end,
        })
    }
}
