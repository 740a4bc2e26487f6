//! Pixels in, pixels out, and the vocabulary every other crate shares.
//!
//! What goes in: a picture file (camera raw, DNG, TIFF, JPEG, PNG). What comes out: a [`Frame`] in
//! linear light with the facts of its [`Shot`]; or a copy of the file in which only the pixels
//! under given [`Patch`]es have changed.
//!
//! # Axes, origin, pixel centres
//!
//! - *Picture coordinates* are pixels of the default crop (what the camera's own JPEG shows), before
//!   the Exif orientation. x runs right, y runs down, the origin is the outer corner of the top left
//!   pixel, so pixel centres lie at .5.
//! - *Sensor coordinates* are millimetres from the centre of the default crop, same axes.
//!
//! # Light
//!
//! Samples are `f32`, linear in light, 1.0 = full scale (white level of a raw, code maximum of a
//! rendered picture). They may fall below 0 (read noise) and are never clipped on reading.
//!
//! Modules are listed in the order in which they may import each other (crates/cli/tests/layering).

pub mod units;
pub mod space;
pub mod plane;
pub mod planes;
pub mod shot;
pub mod frame;
pub mod error;
mod ifd;
mod coding;
pub mod read;
pub mod write;

pub use error::{Fault, FrameError};
pub use frame::{Cfa, Colour, Digest, Encoding, Frame, Layout, Mask, NoiseModel, Patch};
pub use plane::{Plane, widest};
pub use planes::{Planes, Tone};
pub use read::{
    FileKind, Limits, RawDecoder, ReadOptions, Reduced, file_digest, read, read_reduced, read_shot, write_negative,
};
pub use shot::{Body, Lens, Orientation, Pitch, PitchSource, Shot, body_kind};
pub use space::{PicturePoint, Rect, SensorFromPicture, SensorPoint, Size};
pub use units::{FNumber, Micrometres, Millimetres, Pixels};
pub use write::{Undo, Undone, Written, copy_sidecars, undo, write_gain_maps, write_mended};
