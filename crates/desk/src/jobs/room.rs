//! Memory shared out among the pictures in work.

use std::sync::{Condvar, Mutex, PoisonError};

use motelight_frame::{FileKind, read_shot};

use crate::jobs::{Settings, Source};

/// Memory that the pictures in work may take together, bytes.
const ROOM: u64 = 1_050_000_000;

/// Memory that a picture takes: its planes in single precision, its mask, what the decoder and the writer hold.
pub(super) fn cost(settings: &Settings, source: &Source) -> u64 {
    match read_shot(&source.path, &settings.read) {
        Ok((shot, kind)) => {
            let bytes = if matches!(kind, FileKind::Raw | FileKind::Dng) { 14 } else { 21 };
            shot.recorded.area() as u64 * bytes
        }
        // It will be refused without being decoded.
        Err(_) => 0,
    }
}

/// Memory shared out among the pictures in work.
pub(super) struct Room {
    free: Mutex<u64>,
    freed: Condvar,
}

/// One picture's share; given back when it is dropped.
pub(super) struct Share<'a>(&'a Room, u64);

impl Room {
    pub(super) fn new() -> Room {
        Room { free: Mutex::new(ROOM), freed: Condvar::new() }
    }

    /// Waits for a share. A picture larger than all of it gets all of it.
    pub(super) fn take(&self, bytes: u64) -> Share<'_> {
        let bytes = bytes.min(ROOM);
        let free = self.free.lock().unwrap_or_else(PoisonError::into_inner);
        let enough = self.freed.wait_while(free, |free| *free < bytes);
        *enough.unwrap_or_else(PoisonError::into_inner) -= bytes;
        Share(self, bytes)
    }
}

impl Drop for Share<'_> {
    fn drop(&mut self) {
        *self.0.free.lock().unwrap_or_else(PoisonError::into_inner) += self.1;
        self.0.freed.notify_all();
    }
}
