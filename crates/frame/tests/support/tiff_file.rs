//! TIFF and DNG files made byte by byte after TIFF 6.0, independent of what writes mended copies.

use motelight_frame::Size;

/// What kind of file to make.
#[derive(Clone, Copy, Debug)]
pub struct Kind {
    pub big_endian: bool,
    pub big_tiff: bool,
    pub bits: u32,
    pub samples: usize,
    /// 1 none, 5 LZW, 7 lossless JPEG, 8 Deflate, 32773 PackBits.
    pub compression: u64,
    pub predictor: u64,
    pub planar: bool,
    /// Tile size, or rows per strip in `height` with `width` 0.
    pub piece: Size,
    pub photometric: u64,
    /// Lossless JPEG: predictor and components.
    pub lossless: (u8, usize),
}

pub const RGB16: Kind = Kind {
    big_endian: false,
    big_tiff: false,
    bits: 16,
    samples: 3,
    compression: 1,
    predictor: 1,
    planar: false,
    piece: Size { width: 0, height: 16 },
    photometric: 2,
    lossless: (1, 2),
};

/// A value of a tag: the field type of TIFF 6.0 and its bytes' numbers.
pub enum Value {
    Byte(Vec<u8>),
    Ascii(&'static str),
    Short(Vec<u64>),
    Long(Vec<u64>),
    /// Signed fractions over 1.
    Rationals(Vec<u64>),
}

/// The file: one directory with the picture and the extra tags.
pub fn make(kind: Kind, size: Size, codes: &[u16], extra: Vec<(u16, Value)>) -> Vec<u8> {
    let mut file = Builder { kind, bytes: Vec::new() };
    file.bytes.extend_from_slice(if kind.big_endian { b"MM" } else { b"II" });
    if kind.big_tiff {
        file.number(43, 2);
        file.number(8, 2);
        file.number(0, 2);
        file.number(0, 8);
    } else {
        file.number(42, 2);
        file.number(0, 4);
    }
    let (offsets, counts) = file.pieces(size, codes);
    let tiled = kind.piece.width > 0;
    let mut tags = extra;
    tags.extend([
        (256, Value::Long(vec![size.width as u64])),
        (257, Value::Long(vec![size.height as u64])),
        (258, Value::Short(vec![u64::from(kind.bits); kind.samples])),
        (259, Value::Short(vec![kind.compression])),
        (262, Value::Short(vec![kind.photometric])),
        (277, Value::Short(vec![kind.samples as u64])),
        (284, Value::Short(vec![if kind.planar { 2 } else { 1 }])),
        (317, Value::Short(vec![kind.predictor])),
    ]);
    if tiled {
        tags.push((322, Value::Long(vec![kind.piece.width as u64])));
        tags.push((323, Value::Long(vec![kind.piece.height as u64])));
    } else {
        tags.push((278, Value::Long(vec![kind.piece.height as u64])));
    }
    tags.push((if tiled { 324 } else { 273 }, Value::Long(offsets)));
    tags.push((if tiled { 325 } else { 279 }, Value::Long(counts)));
    file.directory(tags);
    file.bytes
}

struct Builder {
    kind: Kind,
    bytes: Vec<u8>,
}

impl Builder {
    fn number(&mut self, n: u64, size: usize) {
        let bytes = encoded(self.kind.big_endian, n, size);
        self.bytes.extend(bytes);
    }

    fn even(&mut self) {
        if self.bytes.len() % 2 == 1 {
            self.bytes.push(0);
        }
    }

    fn pieces(&mut self, size: Size, codes: &[u16]) -> (Vec<u64>, Vec<u64>) {
        let k = self.kind;
        let tiled = k.piece.width > 0;
        let (w, h) = (if tiled { k.piece.width } else { size.width }, k.piece.height);
        let planes: Vec<Vec<usize>> =
            if k.planar { (0..k.samples).map(|s| vec![s]).collect() } else { vec![(0..k.samples).collect()] };
        let (mut offsets, mut counts) = (Vec::new(), Vec::new());
        for samples in planes {
            for y0 in (0..size.height).step_by(h) {
                for x0 in (0..size.width).step_by(w) {
                    let rows = if tiled { h } else { h.min(size.height - y0) };
                    let mut piece = Vec::new();
                    for y in y0..y0 + rows {
                        for x in x0..x0 + w {
                            // Tiles that stand out repeat the edge, as writers do.
                            let (sx, sy) = (x.min(size.width - 1), y.min(size.height - 1));
                            piece.extend(samples.iter().map(|s| codes[(sy * size.width + sx) * k.samples + s]));
                        }
                    }
                    let coded = self.coded(piece, w, rows, samples.len());
                    self.even();
                    offsets.push(self.bytes.len() as u64);
                    counts.push(coded.len() as u64);
                    self.bytes.extend(coded);
                }
            }
        }
        (offsets, counts)
    }

    fn coded(&self, mut codes: Vec<u16>, width: usize, rows: usize, samples: usize) -> Vec<u8> {
        let k = self.kind;
        if k.compression == 7 {
            let (predictor, components) = k.lossless;
            let w = width * samples / components;
            let made =
                rawler::ljpeg92::LjpegCompressor::new(&codes, w, rows, components, k.bits as u8, predictor, 0, 0);
            return made.unwrap().encode().unwrap();
        }
        if k.predictor == 2 {
            for row in codes.chunks_exact_mut(width * samples) {
                for i in (samples..row.len()).rev() {
                    row[i] = row[i].wrapping_sub(row[i - samples]) & ((1u32 << k.bits) - 1) as u16;
                }
            }
        }
        let mut packed = Vec::new();
        for row in codes.chunks_exact(width * samples) {
            match k.bits {
                8 => packed.extend(row.iter().map(|&c| c as u8)),
                16 => row.iter().for_each(|&c| packed.extend(encoded(k.big_endian, c.into(), 2))),
                bits => {
                    let text: String = row.iter().map(|c| format!("{c:0width$b}", width = bits as usize)).collect();
                    let whole = format!("{text:0<width$}", width = text.len().div_ceil(8) * 8);
                    packed
                        .extend((0..whole.len() / 8).map(|i| u8::from_str_radix(&whole[i * 8..i * 8 + 8], 2).unwrap()));
                }
            }
        }
        match k.compression {
            5 => weezl::encode::Encoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8).encode(&packed).unwrap(),
            8 => {
                let mut e = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
                std::io::Write::write_all(&mut e, &packed).unwrap();
                e.finish().unwrap()
            }
            // Literal runs only: allowed, if not small.
            32773 => packed.chunks(128).flat_map(|c| [vec![c.len() as u8 - 1], c.to_vec()].concat()).collect(),
            _ => packed,
        }
    }

    fn directory(&mut self, mut tags: Vec<(u16, Value)>) {
        tags.sort_by_key(|t| t.0);
        let wide = if self.kind.big_tiff { 8 } else { 4 };
        let mut entries = Vec::new();
        for (tag, value) in &tags {
            let (kind, size, numbers): (u64, usize, Vec<u64>) = match value {
                Value::Byte(b) => (1, 1, b.iter().map(|&b| b.into()).collect()),
                Value::Ascii(s) => (2, 1, s.bytes().chain([0]).map(u64::from).collect()),
                Value::Short(v) => (3, 2, v.clone()),
                Value::Long(v) => (4, 4, v.clone()),
                Value::Rationals(v) => (10, 4, v.iter().flat_map(|&n| [n, 1]).collect()),
            };
            let count = numbers.len() as u64 / if kind == 10 { 2 } else { 1 };
            let mut values: Vec<u8> = numbers.iter().flat_map(|&n| encoded(self.kind.big_endian, n, size)).collect();
            if values.len() > wide {
                self.even();
                let at = self.bytes.len() as u64;
                self.bytes.extend(&values);
                values = encoded(self.kind.big_endian, at, wide);
            }
            values.resize(wide, 0);
            entries.push((*tag, kind, count, values));
        }
        self.even();
        let at = self.bytes.len() as u64;
        let head = encoded(self.kind.big_endian, at, wide);
        let slot = if self.kind.big_tiff { 8 } else { 4 };
        self.bytes[slot..slot + wide].copy_from_slice(&head);
        self.number(entries.len() as u64, if self.kind.big_tiff { 8 } else { 2 });
        for (tag, kind, count, values) in entries {
            self.number(tag.into(), 2);
            self.number(kind, 2);
            self.number(count, wide);
            self.bytes.extend(values);
        }
        self.number(0, wide);
    }
}

fn encoded(big_endian: bool, n: u64, size: usize) -> Vec<u8> {
    if big_endian { n.to_be_bytes()[8 - size..].to_vec() } else { n.to_le_bytes()[..size].to_vec() }
}

/// The tags of a file's first directory, in order.
pub fn tags(file: &[u8]) -> Vec<u16> {
    let big_endian = file[0] == b'M';
    let number = |at: usize, size: usize| {
        let join = |n: usize, b: &u8| n << 8 | usize::from(*b);
        let bytes = &file[at..at + size];
        if big_endian { bytes.iter().fold(0, join) } else { bytes.iter().rev().fold(0, join) }
    };
    let (first, count_size, entry_size) =
        if number(2, 2) == 43 { (number(8, 8), 8, 20) } else { (number(4, 4), 2, 12) };
    (0..number(first, count_size)).map(|i| number(first + count_size + i * entry_size, 2) as u16).collect()
}
