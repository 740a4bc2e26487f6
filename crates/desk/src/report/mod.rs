//! Reports: one value in, one page or one text out. Nothing here measures.

pub mod chart;
mod inspection;
pub mod marks;
mod page;
mod pictures;
mod text;
mod verdict;
mod words;

pub use inspection::{Sheet, inspection_page};
pub use text::inspection_text;
