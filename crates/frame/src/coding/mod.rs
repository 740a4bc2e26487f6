//! Bytes of a strip or tile to codes and back: packing, byte order, predictor, LZW, Deflate, PackBits. One
//! coding for what is read and what is written.

mod lossless_jpeg;

use std::io::{Read, Write};

/// How the samples of a piece are coded.
#[derive(Clone, Copy)]
pub(crate) struct Coding {
    /// TIFF Compression (259).
    pub(crate) compression: u64,
    /// TIFF Predictor (317).
    pub(crate) predictor: u64,
    /// Bits of a sample, 8 to 16.
    pub(crate) bits: u32,
    /// Whether 16-bit samples have their high byte first.
    pub(crate) big_endian: bool,
    /// Codes of a row.
    pub(crate) row: usize,
    /// Codes of a pixel: how far back the predictor looks.
    pub(crate) step: usize,
    /// Rows.
    pub(crate) rows: usize,
}

pub(crate) const UNCOMPRESSED: u64 = 1;
const LZW: u64 = 5;
pub(crate) const JPEG: u64 = 7;
const DEFLATE: u64 = 8;
const DEFLATE_OLD: u64 = 32946;
const PACK_BITS: u64 = 32773;

impl Coding {
    /// Why this coding cannot be written back, if it cannot.
    pub(crate) fn refusal(&self) -> Option<String> {
        let predictors: &[u64] = match self.compression {
            LZW | DEFLATE | DEFLATE_OLD => &[1, 2],
            UNCOMPRESSED | PACK_BITS | JPEG => &[1],
            other => return Some(format!("its compression ({other}) cannot be written back")),
        };
        if !predictors.contains(&self.predictor) {
            return Some(format!("its predictor ({}) cannot be written back", self.predictor));
        }
        let byte_wise = matches!(self.bits, 8 | 16);
        (self.compression != UNCOMPRESSED && self.compression != JPEG && !byte_wise)
            .then(|| format!("compressed samples of {} bits cannot be written back", self.bits))
    }

    /// Bytes of one packed row.
    pub(crate) fn row_bytes(&self) -> usize {
        (self.row * self.bits as usize).div_ceil(8)
    }

    /// The codes of a piece.
    pub(crate) fn decode(&self, bytes: &[u8]) -> Result<Vec<u16>, String> {
        let packed = match self.compression {
            JPEG => return lossless_jpeg::decode(bytes, self.row * self.rows).map(|(codes, _)| codes),
            UNCOMPRESSED => bytes.to_vec(),
            LZW => self.unpacked(weezl::decode::Decoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8), bytes)?,
            PACK_BITS => unpack_bits(bytes, self.row_bytes() * self.rows),
            _ => inflate(bytes, self.row_bytes() * self.rows)?,
        };
        if packed.len() < self.row_bytes() * self.rows {
            return Err(format!("{} bytes where {} are needed", packed.len(), self.row_bytes() * self.rows));
        }
        let mut codes = Vec::with_capacity(self.row * self.rows);
        packed.chunks_exact(self.row_bytes()).take(self.rows).for_each(|row| self.unpack_row(row, &mut codes));
        if self.predictor == 2 {
            for row in codes.chunks_exact_mut(self.row) {
                for i in self.step..self.row {
                    row[i] = self.wrap(row[i].wrapping_add(row[i - self.step]));
                }
            }
        }
        Ok(codes)
    }

    /// The bytes of a piece; `original` tells what the codes alone do not (lossless JPEG: frame and predictor).
    /// What is returned has been decoded again and gave the same codes.
    pub(crate) fn encode(&self, codes: &[u16], original: &[u8]) -> Result<Vec<u8>, String> {
        if self.compression == JPEG {
            return lossless_jpeg::encode(codes, original);
        }
        let mut rows = codes.to_vec();
        if self.predictor == 2 {
            for row in rows.chunks_exact_mut(self.row) {
                for i in (self.step..self.row).rev() {
                    row[i] = self.wrap(row[i].wrapping_sub(row[i - self.step]));
                }
            }
        }
        let mut packed = Vec::with_capacity(self.row_bytes() * self.rows);
        rows.chunks_exact(self.row).for_each(|row| self.pack_row(row, &mut packed));
        let bytes = match self.compression {
            UNCOMPRESSED => packed,
            LZW => weezl::encode::Encoder::with_tiff_size_switch(weezl::BitOrder::Msb, 8)
                .encode(&packed)
                .map_err(|e| e.to_string())?,
            PACK_BITS => packed.chunks(self.row_bytes()).flat_map(pack_bits).collect(),
            _ => deflate(&packed).map_err(|e| e.to_string())?,
        };
        if self.decode(&bytes)? != codes {
            return Err("the written samples do not read back as they should".into());
        }
        Ok(bytes)
    }

    fn wrap(&self, code: u16) -> u16 {
        if self.bits == 8 { code & 0xff } else { code }
    }

    fn unpack_row(&self, row: &[u8], codes: &mut Vec<u16>) {
        match self.bits {
            8 => codes.extend(row[..self.row].iter().map(|&b| u16::from(b))),
            16 if self.big_endian => codes.extend(row.chunks_exact(2).map(|b| u16::from_be_bytes([b[0], b[1]]))),
            16 => codes.extend(row.chunks_exact(2).map(|b| u16::from_le_bytes([b[0], b[1]]))),
            // TIFF 6.0: packed from the high bit, whatever the byte order of the file.
            bits => {
                let (mut held, mut count) = (0u32, 0);
                let mut bytes = row.iter();
                for _ in 0..self.row {
                    while count < bits {
                        held = held << 8 | u32::from(*bytes.next().unwrap_or(&0));
                        count += 8;
                    }
                    count -= bits;
                    codes.push((held >> count & ((1 << bits) - 1)) as u16);
                }
            }
        }
    }

    fn pack_row(&self, row: &[u16], packed: &mut Vec<u8>) {
        match self.bits {
            8 => packed.extend(row.iter().map(|&c| c as u8)),
            16 if self.big_endian => packed.extend(row.iter().flat_map(|c| c.to_be_bytes())),
            16 => packed.extend(row.iter().flat_map(|c| c.to_le_bytes())),
            bits => {
                let (mut held, mut count) = (0u32, 0);
                for &code in row {
                    held = held << bits | u32::from(code);
                    count += bits;
                    while count >= 8 {
                        count -= 8;
                        packed.push((held >> count) as u8);
                    }
                }
                if count > 0 {
                    packed.push((held << (8 - count)) as u8);
                }
            }
        }
    }

    fn unpacked(&self, mut decoder: weezl::decode::Decoder, bytes: &[u8]) -> Result<Vec<u8>, String> {
        // A little room past the end: some writers pad the last strip, and what is past the rows is not needed.
        let mut out = vec![0; self.row_bytes() * self.rows];
        let (mut read, mut written) = (0, 0);
        while written < out.len() {
            let step = decoder.decode_bytes(&bytes[read..], &mut out[written..]);
            read += step.consumed_in;
            written += step.consumed_out;
            match step.status.map_err(|e| e.to_string())? {
                weezl::LzwStatus::Ok if step.consumed_in + step.consumed_out > 0 => {}
                _ => break,
            }
        }
        out.truncate(written);
        Ok(out)
    }
}

fn inflate(bytes: &[u8], limit: usize) -> Result<Vec<u8>, String> {
    let mut out = Vec::new();
    flate2::read::ZlibDecoder::new(bytes).take(limit as u64).read_to_end(&mut out).map_err(|e| e.to_string())?;
    Ok(out)
}

fn deflate(bytes: &[u8]) -> std::io::Result<Vec<u8>> {
    let mut encoder = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(bytes)?;
    encoder.finish()
}

/// PackBits of TIFF 6.0, section 9.
fn unpack_bits(bytes: &[u8], limit: usize) -> Vec<u8> {
    let mut out = Vec::with_capacity(limit);
    let mut i = 0;
    while out.len() < limit && i < bytes.len() {
        let n = bytes[i] as i8;
        i += 1;
        if n >= 0 {
            let run = &bytes[i.min(bytes.len())..(i + n as usize + 1).min(bytes.len())];
            out.extend_from_slice(run);
            i += n as usize + 1;
        } else if n != -128 && i < bytes.len() {
            out.resize(out.len() + (1 - isize::from(n)) as usize, bytes[i]);
            i += 1;
        }
    }
    out.truncate(limit);
    out
}

/// PackBits of one row: the standard wants every row packed for itself.
fn pack_bits(row: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(row.len() + row.len() / 64 + 2);
    let run_at = |i: usize| row[i..].iter().take(128).take_while(|&&b| b == row[i]).count();
    let mut i = 0;
    while i < row.len() {
        let run = run_at(i);
        if run >= 3 || (run == 2 && i + 2 == row.len()) {
            out.extend([(1 - run as i16) as u8, row[i]]);
            i += run;
            continue;
        }
        let start = i;
        while i < row.len() && i - start < 128 && run_at(i) < 3 {
            i += 1;
        }
        out.push((i - start - 1) as u8);
        out.extend_from_slice(&row[start..i]);
    }
    out
}
