//! Lossless JPEG pieces of a DNG (ITU-T T.81 process 14), read and written by the raw library.

use std::panic::{AssertUnwindSafe, catch_unwind};

use rawler::decompressors::ljpeg::LjpegDecompressor;
use rawler::ljpeg92::LjpegCompressor;

/// What a lossless JPEG's own headers say; a new one must say the same.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Headers {
    precision: u8,
    width: usize,
    height: usize,
    components: usize,
    predictor: u8,
    point_transform: u8,
}

/// The codes of a piece in the order they are coded, which is the order of its rows: `count` of them.
pub(super) fn decode(bytes: &[u8], count: usize) -> Result<(Vec<u16>, Headers), String> {
    let headers = headers(bytes)?;
    let Headers { width, height, components, .. } = headers;
    if width * height * components != count {
        return Err(format!("a lossless JPEG of {width} x {height} x {components} does not fill its place"));
    }
    if headers.point_transform != 0 {
        return Err("a lossless JPEG with a point transform".into());
    }
    // The raw library's decoder indexes without checks in places: a damaged piece must not end the program.
    let decoded = catch_unwind(AssertUnwindSafe(|| {
        let mut codes = vec![0u16; count];
        let row = width * components;
        LjpegDecompressor::new(bytes)?.decode(&mut codes, 0, row, row, height, false)?;
        Ok::<_, String>(codes)
    }));
    let codes = decoded.map_err(|_| "a damaged lossless JPEG".to_string())??;
    Ok((codes, headers))
}

/// A piece with the geometry, components, bit depth and predictor of `original`. Predictor 1 is taken, which
/// every reader must know as well, where the original's does not read back.
pub(super) fn encode(codes: &[u16], original: &[u8]) -> Result<Vec<u8>, String> {
    let h = headers(original)?;
    if codes.iter().any(|&c| u32::from(c) >> h.precision != 0) {
        return Err(format!("a code does not fit {} bits", h.precision));
    }
    for predictor in [h.predictor, 1] {
        let encoded = catch_unwind(AssertUnwindSafe(|| {
            let compressor = LjpegCompressor::new(codes, h.width, h.height, h.components, h.precision, predictor, 0, 0);
            compressor.and_then(LjpegCompressor::encode).map_err(|e| e.to_string())
        }));
        let bytes = encoded.map_err(|_| "the lossless JPEG could not be written".to_string())??;
        if decode(&bytes, codes.len()).is_ok_and(|(back, _)| back == codes) {
            return Ok(bytes);
        }
    }
    Err("the written samples do not read back as they should".into())
}

fn headers(bytes: &[u8]) -> Result<Headers, String> {
    let short = || "a lossless JPEG that ends in its headers".to_string();
    let byte = |i: usize| bytes.get(i).copied().ok_or_else(short);
    let word = |i: usize| Ok::<usize, String>(usize::from(byte(i)?) << 8 | usize::from(byte(i + 1)?));
    if word(0)? != 0xffd8 {
        return Err("a piece that is no JPEG".into());
    }
    let mut frame = None;
    let mut at = 2;
    loop {
        let marker = word(at)?;
        let length = word(at + 2)?;
        match marker {
            0xffc3 => frame = Some((byte(at + 4)?, word(at + 5)?, word(at + 7)?, usize::from(byte(at + 9)?))),
            0xffda => {
                let Some((precision, height, width, components)) = frame else {
                    return Err("a JPEG piece that is not lossless".into());
                };
                let tail = at + 5 + 2 * components;
                let sound = (2..=16).contains(&precision) && (1..=4).contains(&components) && width > 0 && height > 0;
                if !sound || usize::from(byte(at + 4)?) != components {
                    return Err("a lossless JPEG with impossible headers".into());
                }
                let (predictor, point_transform) = (byte(tail)?, byte(tail + 2)? & 15);
                if !(1..=7).contains(&predictor) {
                    return Err(format!("a lossless JPEG with predictor {predictor}"));
                }
                return Ok(Headers { precision, width, height, components, predictor, point_transform });
            }
            0xffc0..=0xffc2 | 0xffc5..=0xffcf => {
                return Err("a JPEG piece that is not lossless".into());
            }
            0xffc4 | 0xffdd | 0xffdb | 0xffe0..=0xfffe => {}
            _ => return Err(format!("marker {marker:04x} in a lossless JPEG")),
        }
        if length < 2 {
            return Err(short());
        }
        at += 2 + length;
    }
}
