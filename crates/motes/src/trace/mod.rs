//! The motes of a whole shoot, without a test frame: what stays at one place of the sensor while the scenes change.
//!
//! In: the pictures of one body, read small (`Reduced`), in the order they were taken. Out: [`Traced`], the chart, when
//! each mote came and went, and in which pictures it shows. The steps:
//!
//! 1. *Boil down* (`view`, `sums`, `response`): the logarithm of light on cells; how much darker each place is than around
//!    it, in units of how far such answers stray nearby, so that plain places count and detail does not.
//! 2. *Add up* (`tally`): evidence per place of the sensor and lens, in order of time, each picture's share cut off.
//! 3. *Line up* (`lens`): where the same places stand through another lens.
//! 4. *Ask again* (`ask`, `height`): every candidate in every picture; the height of the glass from all shadows.
//! 5. *Tell the story* (`arrive`): whether it is a mote, how large, when it came and went.
//! 6. *Judge* (`judge`): in which pictures it shows.

mod view;
mod sums;
mod response;
mod same;
mod tally;
mod lens;
mod ask;
mod expect;
mod height;
mod answers;
mod arrive;
mod result;
mod candidate;
mod settle;
mod judge;
mod tracer;

pub use lens::Transform;
pub use result::{Known, Sighting, Span, TraceOptions, Traced, TracedMote, TracedPicture, Unseen};
pub use tracer::{Boiled, Tracer};
pub use view::{View, cell_for};

/// Lowest stand-off looked for, mm: shadows of lower glass are narrower than most pictures can hold.
pub const LOWEST_MM: f64 = STAND_OFFS_MM[0];
/// Stand-offs that are looked for, mm: each about 1.57 times the one before, so that a template is wrong by a quarter at
/// most. From "less than 1 mm" of glass to "slightly more than 4 mm" over n = 1.5 (lens-testing laboratory articles, 2014).
const STAND_OFFS_MM: [f64; 3] = [0.9, 1.4, 2.2];
