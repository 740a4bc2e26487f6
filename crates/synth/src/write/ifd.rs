//! Directories of TIFF 6.0: what Exif, TIFF and DNG files are made of.

use std::collections::BTreeMap;

/// Byte order of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Endian {
    /// `II`.
    Little,
    /// `MM`.
    Big,
}

impl Endian {
    pub(super) fn u16(self, v: u16) -> [u8; 2] {
        if self == Endian::Little { v.to_le_bytes() } else { v.to_be_bytes() }
    }

    pub(super) fn u32(self, v: u32) -> [u8; 4] {
        if self == Endian::Little { v.to_le_bytes() } else { v.to_be_bytes() }
    }
}

/// A field's value.
#[derive(Debug, Clone)]
pub(super) enum Value {
    Byte(Vec<u8>),
    Text(String),
    Short(Vec<u16>),
    Long(Vec<u32>),
    Rational(Vec<[u32; 2]>),
    SignedRational(Vec<[i32; 2]>),
    Undefined(Vec<u8>),
    /// A directory of its own, pointed at.
    Directory(Directory),
}

impl Value {
    /// A fraction near `v`, which must be positive.
    pub fn fraction(v: f64) -> Value {
        Value::Rational(vec![fraction(v)])
    }

    fn kind_and_count(&self) -> (u16, u32) {
        match self {
            Value::Byte(v) => (1, v.len() as u32),
            Value::Text(v) => (2, v.len() as u32 + 1),
            Value::Short(v) => (3, v.len() as u32),
            Value::Long(v) => (4, v.len() as u32),
            Value::Rational(v) => (5, v.len() as u32),
            Value::SignedRational(v) => (10, v.len() as u32),
            Value::Undefined(v) => (7, v.len() as u32),
            Value::Directory(_) => (4, 1),
        }
    }

    fn bytes(&self, endian: Endian) -> Vec<u8> {
        match self {
            Value::Byte(v) | Value::Undefined(v) => v.clone(),
            Value::Text(v) => v.bytes().chain([0]).collect(),
            Value::Short(v) => v.iter().flat_map(|&v| endian.u16(v)).collect(),
            Value::Long(v) => v.iter().flat_map(|&v| endian.u32(v)).collect(),
            Value::Rational(v) => v.iter().flatten().flat_map(|&v| endian.u32(v)).collect(),
            Value::SignedRational(v) => v.iter().flatten().flat_map(|&v| endian.u32(v as u32)).collect(),
            Value::Directory(_) => Vec::new(),
        }
    }
}

/// The fraction with the smallest denominator, a power of ten, that is exact to 1e-9 of `v` or better.
pub(super) fn fraction(v: f64) -> [u32; 2] {
    if v > 0.0 && v < 1.0 && (1.0 / v - (1.0 / v).round()).abs() < 1e-6 / v {
        return [1, (1.0 / v).round() as u32];
    }
    let mut denominator = 1u32;
    while denominator < 1_000_000 && v * f64::from(denominator) < 4e8 {
        let scaled = v * f64::from(denominator);
        if (scaled - scaled.round()).abs() < 1e-9 * scaled {
            break;
        }
        denominator *= 10;
    }
    [(v * f64::from(denominator)).round() as u32, denominator]
}

/// A directory: fields in the order of their tags.
#[derive(Debug, Clone, Default)]
pub(super) struct Directory(BTreeMap<u16, Value>);

impl Directory {
    pub fn set(&mut self, tag: u16, value: Value) -> &mut Self {
        self.0.insert(tag, value);
        self
    }

    /// Bytes of the directory, what its fields point at and the directories under it, for this place in the
    /// file (even).
    pub fn encode(&self, at: u32, endian: Endian) -> Vec<u8> {
        let mut head = endian.u16(self.0.len() as u16).to_vec();
        let mut tail: Vec<u8> = Vec::new();
        let tail_at = at + 2 + 12 * self.0.len() as u32 + 4;
        for (&tag, value) in &self.0 {
            let (kind, count) = value.kind_and_count();
            head.extend(endian.u16(tag));
            head.extend(endian.u16(kind));
            head.extend(endian.u32(count));
            let here = tail_at + tail.len() as u32;
            let data = match value {
                Value::Directory(under) => under.encode(here, endian),
                _ => value.bytes(endian),
            };
            if data.len() <= 4 {
                head.extend(data.iter().copied().chain([0; 4]).take(4));
            } else {
                head.extend(endian.u32(here));
                tail.extend(&data);
                tail.resize(tail.len().next_multiple_of(2), 0);
            }
        }
        head.extend(endian.u32(0));
        head.extend(tail);
        head
    }
}

/// The eight bytes a TIFF file starts with, its first directory following.
pub(super) fn header(endian: Endian) -> Vec<u8> {
    let mut bytes = if endian == Endian::Little { b"II".to_vec() } else { b"MM".to_vec() };
    bytes.extend(endian.u16(42));
    bytes.extend(endian.u32(8));
    bytes
}

/// A whole file: header, directory, then `parts` of pixel data. `directory` is asked twice, first with
/// places of no meaning, for the fields that point at the parts.
pub(super) fn file(endian: Endian, parts: &[Vec<u8>], directory: impl Fn(&[u32]) -> Directory) -> Vec<u8> {
    let blank = vec![0u32; parts.len()];
    let first = (8 + directory(&blank).encode(8, endian).len()).next_multiple_of(16);
    let mut places = Vec::with_capacity(parts.len());
    let mut at = first;
    for part in parts {
        places.push(at as u32);
        at = (at + part.len()).next_multiple_of(2);
    }
    let mut bytes = header(endian);
    bytes.reserve(at);
    bytes.extend(directory(&places).encode(8, endian));
    for (part, place) in parts.iter().zip(places) {
        bytes.resize(place as usize, 0);
        bytes.extend(part);
    }
    bytes
}
