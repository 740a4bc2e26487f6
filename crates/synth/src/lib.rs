//! The synthetic camera: pictures of motes by brute force, with the truth beside them.
//!
//! It shares no code with the engine it tests. A [`Camera`] with a [`Lens`] takes a [`Shot`] of a
//! [`Canvas`] through [`Mote`]s: that is an [`Exposure`]. Its shadows come from straight rays integrated
//! over the pupil or from waves ([`Mode`]); noise is added photosite by photosite; files are written as DNG,
//! TIFF, PNG or JPEG.
//!
//! # Axes, origin, pixel centres
//!
//! Pixels are those of the default crop before the Exif orientation, x to the right, y down, pixel
//! centres at .5. Millimetres on glass and sensor count from the centre of the default crop, same axes; the
//! optical axis goes through it. Light is linear, 1.0 = full scale.
//!
//! Modules are listed in the order in which they may import each other.

pub mod random;
pub mod tone;
pub mod camera;
pub mod mote;
pub mod optics;
pub mod scene;
pub mod expose;
pub mod develop;
pub mod truth;
pub mod write;
pub mod sets;
pub mod demo;

pub use camera::{Blades, Borders, Camera, Cfa, Lens, Rim};
pub use develop::{Depth, Rendered, develop};
pub use expose::{Caption, Exposure, Facts, Glass, Mosaic, Shot};
pub use mote::{Mote, Shape};
pub use optics::{Mode, Shadow};
pub use scene::Canvas;
pub use tone::Tone;
pub use truth::{MoteTruth, Truth, truth};
pub use write::{Encoded, Format, SynthError, encode};
