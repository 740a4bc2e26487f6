//! What all rendered pictures share: size checks, linearisation, facts, notes.

use std::path::Path;

use super::facts::Facts;
use super::light::{Codes, Light};
use super::tone::{Colours, Rendering, rendering};
use super::{Developed, RENDERED_NOTE, ReadOptions, check_size};
use crate::error::FrameError;
use crate::frame::{Encoding, Frame, Layout};
use crate::shot::Shot;
use crate::space::{Rect, Size};

/// What the head of a rendered picture tells.
#[derive(Debug)]
pub(super) struct Head {
    pub width: u64,
    pub height: u64,
    /// 1 grey, 3 colour; further channels of the file are not read.
    pub channels: usize,
    /// 255 or 65535.
    pub max_code: u16,
    pub colours: Colours,
    pub facts: Facts,
    /// Further notes of the decoder's.
    pub notes: Vec<String>,
}

impl Head {
    /// The shot, once the size has been held against the limits.
    pub fn shot(self, path: &Path, options: &ReadOptions) -> Result<Shot, FrameError> {
        let size = check_size(path, (self.width, self.height), 1, &options.limits)?;
        Ok(self.facts.shot(size, Rect::whole(size), false, options.sensor))
    }
}

/// A rendered picture being filled from its decoder.
#[derive(Debug)]
pub(super) struct Canvas {
    pub size: Size,
    light: Light,
    rendering: Rendering,
    facts: Facts,
    notes: Vec<String>,
}

impl Canvas {
    /// Dark planes for the picture, if the limits allow. `code_bytes`: memory that the decoder takes for
    /// each pixel.
    pub fn new(path: &Path, mut head: Head, code_bytes: u64, options: &ReadOptions) -> Result<Canvas, FrameError> {
        let per_pixel = 4 * head.channels as u64 + 1 + code_bytes;
        let size = check_size(path, (head.width, head.height), per_pixel, &options.limits)?;
        head.colours.exif = head.colours.exif.or(head.facts.colour);
        let rendering = rendering(&head.colours, head.channels, head.max_code);
        let light = Light::dark(size, head.channels);
        Ok(Canvas { size, light, rendering, facts: head.facts, notes: head.notes })
    }

    /// Number of planes.
    pub fn channels(&self) -> usize {
        self.rendering.tones.len()
    }

    /// Fills a part of all planes from interleaved codes.
    pub fn fill<T: Copy + Into<u16> + Sync>(&mut self, window: Rect, codes: Codes<T>) {
        for plane in 0..self.channels() {
            self.fill_plane(plane, window, Codes { samples: &codes.samples[plane..], ..codes });
        }
    }

    /// Fills a part of one plane.
    pub fn fill_plane<T: Copy + Into<u16> + Sync>(&mut self, plane: usize, window: Rect, codes: Codes<T>) {
        self.light.fill(plane, window, codes, &self.rendering.tones[plane]);
    }

    /// Takes the codes of a whole picture of 8 bits as they are, in place of filling it part by part.
    pub fn take(&mut self, samples: Vec<u8>) {
        self.light = Light::of_codes(self.size, samples, &self.rendering.tones);
    }

    /// The frame.
    pub fn into_frame(self, options: &ReadOptions) -> Frame {
        let Canvas { size, light, rendering, facts, mut notes } = self;
        notes.extend(rendering.note);
        notes.push(RENDERED_NOTE.to_owned());
        Developed {
            layout: if rendering.tones.len() == 3 { Layout::Rgb } else { Layout::Grey },
            encoding: Encoding::Tones(rendering.tones),
            luminance: rendering.luminance,
            shot: facts.shot(size, Rect::whole(size), false, options.sensor),
            light,
            notes,
        }
        .into_frame()
    }
}
