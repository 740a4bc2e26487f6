//! Builds TIFF-like files byte by byte (TIFF 6.0), so that the reader is tested on structures that no
//! writer of its own makes: both byte orders, strips and tiles, planes, sub directories, odd tags.

/// A value of a tag.
#[derive(Clone)]
pub enum Value {
    Byte(Vec<u8>),
    Ascii(String),
    Short(Vec<u16>),
    Long(Vec<u32>),
    Rational(Vec<(u32, u32)>),
    Undefined(Vec<u8>),
    /// Directories elsewhere in the file.
    Directories(Vec<Directory>),
    /// Blocks of data elsewhere in the file; the value is their places.
    Blocks(Vec<Vec<u8>>),
}

/// Tags and values, in any order.
#[derive(Clone, Default)]
pub struct Directory(pub Vec<(u16, Value)>);

impl Directory {
    pub fn with(mut self, tag: u16, value: Value) -> Self {
        self.0.retain(|(t, _)| *t != tag);
        self.0.push((tag, value));
        self
    }

    pub fn without(mut self, tag: u16) -> Self {
        self.0.retain(|(t, _)| *t != tag);
        self
    }
}

/// The bytes of a file with this first directory.
pub fn file(big_endian: bool, root: &Directory) -> Vec<u8> {
    let mut out = Writer { big_endian, bytes: if big_endian { b"MM\0\x2a".to_vec() } else { b"II\x2a\0".to_vec() } };
    out.bytes.extend([0; 4]);
    let at = out.directory(root);
    let at = out.long(at);
    out.bytes[4..8].copy_from_slice(&at);
    out.bytes
}

struct Writer {
    big_endian: bool,
    bytes: Vec<u8>,
}

impl Writer {
    fn short(&self, v: u16) -> [u8; 2] {
        if self.big_endian { v.to_be_bytes() } else { v.to_le_bytes() }
    }

    fn long(&self, v: u32) -> [u8; 4] {
        if self.big_endian { v.to_be_bytes() } else { v.to_le_bytes() }
    }

    fn put(&mut self, bytes: &[u8]) -> u32 {
        if self.bytes.len() % 2 == 1 {
            self.bytes.push(0);
        }
        let at = self.bytes.len() as u32;
        self.bytes.extend_from_slice(bytes);
        at
    }

    fn directory(&mut self, directory: &Directory) -> u32 {
        let mut entries: Vec<(u16, u16, u32, Vec<u8>)> = Vec::new();
        for (tag, value) in &directory.0 {
            let longs = |w: &Writer, v: &[u32]| v.iter().flat_map(|v| w.long(*v)).collect::<Vec<u8>>();
            let (kind, count, bytes) = match value {
                Value::Byte(v) => (1, v.len(), v.clone()),
                Value::Undefined(v) => (7, v.len(), v.clone()),
                Value::Ascii(v) => (2, v.len() + 1, [v.as_bytes(), &[0]].concat()),
                Value::Short(v) => (3, v.len(), v.iter().flat_map(|v| self.short(*v)).collect()),
                Value::Long(v) => (4, v.len(), longs(self, v)),
                Value::Rational(v) => {
                    (5, v.len(), v.iter().flat_map(|(n, d)| [self.long(*n), self.long(*d)].concat()).collect())
                }
                Value::Directories(v) => {
                    let places: Vec<u32> = v.iter().map(|d| self.directory(d)).collect();
                    (4, v.len(), longs(self, &places))
                }
                Value::Blocks(v) => {
                    let places: Vec<u32> = v.iter().map(|b| self.put(b)).collect();
                    (4, v.len(), longs(self, &places))
                }
            };
            entries.push((*tag, kind, count as u32, bytes));
        }
        entries.sort_by_key(|e| e.0);
        let mut body = self.short(entries.len() as u16).to_vec();
        for (tag, kind, count, bytes) in entries {
            body.extend([self.short(tag), self.short(kind)].concat());
            body.extend(self.long(count));
            if bytes.len() <= 4 {
                body.extend(&bytes);
                body.extend(vec![0; 4 - bytes.len()]);
            } else {
                let at = self.put(&bytes);
                body.extend(self.long(at));
            }
        }
        body.extend([0; 4]);
        self.put(&body)
    }
}
