//! SHA-256 of a file.

use std::fmt::Write as _;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use sha2::{Digest as _, Sha256};

use crate::frame::Digest;

/// Digest of all bytes of a file, read once.
pub(super) fn digest(path: &Path) -> io::Result<Digest> {
    digest_of(File::open(path)?)
}

/// Digest of all bytes from where the source stands.
pub(crate) fn digest_of(mut file: impl Read) -> io::Result<Digest> {
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 18];
    loop {
        match file.read(&mut buffer)? {
            0 => break,
            n => hasher.update(&buffer[..n]),
        }
    }
    let mut text = String::with_capacity(64);
    for byte in hasher.finalize() {
        // Writing to a String does not fail.
        let _ = write!(text, "{byte:02x}");
    }
    Ok(Digest(text))
}
