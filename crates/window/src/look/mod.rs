//! Looking at pictures: of any size, to single pixels, without ever waiting in the window's own thread.

mod viewport;
mod looker;
mod tiles;
mod viewer;

pub use looker::{Looker, Wanted};
pub use viewer::{Spot, Viewer, draw_mark};
pub use viewport::Viewport;
