//! A grid of samples.

use crate::space::{Rect, Size};

/// Runs a loop with the widest instructions that this processor has; compiled for all, a program may count on the oldest alone.
/// Only what is inlined into `work` gains by it: mark functions it calls `#[inline(always)]`. The result is the same to the
/// last bit, since nothing is fused or reordered.
pub fn widest<R>(work: impl FnOnce() -> R) -> R {
    pulp::Arch::new().dispatch(work)
}

/// A grid of samples, rows from the top, no padding.
#[derive(Debug, Clone, PartialEq)]
pub struct Plane<T = f32> {
    size: Size,
    data: Vec<T>,
}

impl<T: Copy> Plane<T> {
    /// A plane with every sample set to `value`.
    pub fn filled(size: Size, value: T) -> Self {
        Plane { size, data: vec![value; size.area()] }
    }

    /// A plane over samples already at hand.
    ///
    /// # Panics
    /// If `data` does not hold `size.area()` samples: a mistake of the caller's, never of a file's.
    pub fn from_vec(size: Size, data: Vec<T>) -> Self {
        assert_eq!(data.len(), size.area(), "a plane holds one sample per pixel");
        Plane { size, data }
    }

    /// Width and height.
    pub fn size(&self) -> Size {
        self.size
    }

    /// Samples in a row.
    pub fn width(&self) -> usize {
        self.size.width
    }

    /// Rows.
    pub fn height(&self) -> usize {
        self.size.height
    }

    /// All samples, row by row.
    pub fn data(&self) -> &[T] {
        &self.data
    }

    /// All samples, row by row, to be changed.
    pub fn data_mut(&mut self) -> &mut [T] {
        &mut self.data
    }

    /// One row.
    pub fn row(&self, y: usize) -> &[T] {
        &self.data[y * self.size.width..(y + 1) * self.size.width]
    }

    /// One row, to be changed.
    pub fn row_mut(&mut self, y: usize) -> &mut [T] {
        &mut self.data[y * self.size.width..(y + 1) * self.size.width]
    }

    /// One sample.
    pub fn at(&self, x: usize, y: usize) -> T {
        self.data[y * self.size.width + x]
    }

    /// Sets one sample.
    pub fn set(&mut self, x: usize, y: usize, value: T) {
        self.data[y * self.size.width + x] = value;
    }

    /// A copy of the samples under `window`, which must lie inside.
    pub fn window(&self, window: Rect) -> Plane<T> {
        let mut data = Vec::with_capacity(window.width * window.height);
        for y in window.y..window.bottom() {
            data.extend_from_slice(&self.row(y)[window.x..window.right()]);
        }
        Plane { size: window.size(), data }
    }
}
