//! The file to be copied, read piece by piece with every length checked against the file's own.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use crate::error::{Fault, FrameError};

/// An original, open for reading only.
pub(super) struct Source {
    path: PathBuf,
    file: File,
    len: u64,
}

impl Source {
    /// Opens the file. `Unreadable` if that fails or it is no plain file.
    pub(super) fn open(path: &Path) -> Result<Self, FrameError> {
        let unreadable =
            |what: String| FrameError::new(Fault::Unreadable, path, what, "check the path and its permissions");
        let file = File::open(path).map_err(|e| unreadable(format!("cannot be opened: {e}")))?;
        let meta = file.metadata().map_err(|e| unreadable(format!("cannot be examined: {e}")))?;
        if !meta.is_file() {
            return Err(unreadable("is not a file".into()));
        }
        Ok(Source { path: path.to_path_buf(), file, len: meta.len() })
    }

    /// Where it lies.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// The file itself, for readers that seek.
    pub(super) fn file(&self) -> &File {
        &self.file
    }

    /// Its length, bytes.
    pub(super) fn len(&self) -> u64 {
        self.len
    }

    /// `count` bytes from `offset`; `Broken` if the file ends before.
    pub(super) fn bytes(&self, offset: u64, count: u64) -> Result<Vec<u8>, FrameError> {
        if offset.checked_add(count).is_none_or(|end| end > self.len) {
            return Err(self.broken(format!("{count} bytes are said to stand at {offset}, past the end of the file")));
        }
        let mut bytes = vec![0; count as usize];
        let mut file = &self.file;
        file.seek(SeekFrom::Start(offset))
            .and_then(|_| file.read_exact(&mut bytes))
            .map_err(|e| self.unreadable(&e))?;
        Ok(bytes)
    }

    /// Writes the whole file to `to`.
    pub(super) fn copy_to(&self, mut to: &File) -> std::io::Result<()> {
        let mut file = &self.file;
        file.seek(SeekFrom::Start(0))?;
        let copied = std::io::copy(&mut file.take(self.len), &mut to)?;
        if copied != self.len {
            return Err(std::io::Error::other("the original changed while it was copied"));
        }
        Ok(())
    }

    /// The file is damaged.
    pub(super) fn broken(&self, what: impl Into<String>) -> FrameError {
        FrameError::new(Fault::Broken, &self.path, what, "fetch the file again from its card or backup")
    }

    /// The file is whole but cannot be written back.
    pub(super) fn unsupported(&self, what: impl Into<String>, remedy: impl Into<String>) -> FrameError {
        FrameError::new(Fault::Unsupported, &self.path, what, remedy)
    }

    /// The frame or the patches do not belong to this file.
    pub(super) fn mismatch(&self, what: impl Into<String>) -> FrameError {
        FrameError::new(
            Fault::Usage,
            &self.path,
            what,
            "read the picture again and mend what was read from this very file",
        )
    }

    /// The file cannot be read.
    pub(super) fn unreadable(&self, e: &std::io::Error) -> FrameError {
        FrameError::new(
            Fault::Unreadable,
            &self.path,
            format!("cannot be read: {e}"),
            "check the disk or card it lies on",
        )
    }
}
