//! The answers of a picture's places to one width of shadow: how much darker each is than around it. They are worked out band by
//! band whenever they are wanted: held for a whole picture, they would cost more time to store and to fetch again.

use std::ops::Range;

use motelight_frame::{Plane, Size, widest};

use crate::trace::sums::{AROUND, BOX, SLANT, Sums};
use crate::trace::view::{PATCH, STEPS};

/// Values that the variance of eight boxes about a plane rests on.
pub const FREEDOM: f32 = 5.0;
/// Stands for a variance that cannot be told.
pub const UNKNOWN: f32 = -1.0;
/// Stands for the variance of a place that says nothing.
pub const NOTHING: f32 = f32::MAX;

/// Places of a picture and what they are compared with.
#[derive(Debug)]
pub struct Places<'a> {
    sums: &'a Sums,
    /// How many.
    pub size: Size,
    /// Cells along a box.
    pub side: usize,
    /// Cells between neighbouring places.
    pub step: usize,
    /// Places to the boxes straight and slantwise around.
    far: usize,
    slant: usize,
    struck: Option<Struck>,
}

/// The means of the boxes of some rows of places.
#[derive(Debug)]
pub struct Band {
    rows: Range<usize>,
    width: usize,
    means: Vec<f32>,
}

impl Band {
    fn row(&self, j: usize) -> &[f32] {
        &self.means[(j - self.rows.start) * self.width..][..self.width]
    }
}

impl<'a> Places<'a> {
    /// For shadows `width` cells wide; `None` where cells are too coarse or the picture too small for them.
    pub fn new(sums: &'a Sums, unsound: &Plane<bool>, width: f64) -> Option<Places<'a>> {
        let cells = sums.cells();
        let side = ((BOX * width).round() as usize).max(2);
        let step = ((width / 3.0).round() as usize).max(1);
        let far = (AROUND * width / step as f64).round() as usize;
        let slant = (AROUND * SLANT * width / step as f64).round() as usize;
        let reach = side + 3 * far * step;
        if width < 1.8 || cells.width < reach || cells.height < reach || side > 200 {
            return None;
        }
        let size = Size { width: (cells.width - side) / step + 1, height: (cells.height - side) / step + 1 };
        let struck =
            Struck::new(unsound, size, |i| (i * step).saturating_sub(far * step)..i * step + side + far * step);
        Some(Places { sums, size, side, step, far, slant, struck })
    }

    /// What the answers of these rows are made of.
    pub fn band(&self, rows: Range<usize>) -> Band {
        let rows = rows.start.saturating_sub(self.far)..(rows.end + self.far).min(self.size.height);
        let (width, side, step) = (self.size.width, self.side, self.step);
        let mut means = vec![0.0f32; width * rows.len()];
        let scale = 1.0 / ((side * side) as f32 * STEPS);
        for (means, j) in means.chunks_exact_mut(width).zip(rows.clone()) {
            let (top, bottom) = (self.sums.row(j * step), self.sums.row(j * step + side));
            let last = (width - 1) * step + 1;
            let (nw, ne, sw, se) = (&top[..last], &top[side..][..last], &bottom[..last], &bottom[side..][..last]);
            widest(|| match step {
                1 => boxes(means, 1, (nw, ne, sw, se), scale),
                2 => boxes(means, 2, (nw, ne, sw, se), scale),
                step => boxes(means, step, (nw, ne, sw, se), scale),
            });
        }
        Band { rows, width, means }
    }

    /// The answers of a row of places, and the variances of the boxes around them about a plane, [`UNKNOWN`] or [`NOTHING`].
    pub fn answers(&self, band: &Band, j: usize, darker: &mut [f32], variance: &mut [f32]) {
        let (Size { width, height }, far) = (self.size, self.far);
        let mut edge = |columns: Range<usize>| {
            for i in columns {
                (darker[i], variance[i]) = self.at_edge(band, (i, j));
            }
        };
        if j < far || j + far >= height {
            edge(0..width);
        } else {
            edge(0..far);
            edge(width - far..width);
            widest(|| self.inside(band, j, darker, variance));
        }
        if let Some(struck) = &self.struck {
            struck.strike_out(j, variance);
        }
    }

    /// The mean of the eight boxes around against the one in the middle, and their variance about a plane.
    #[inline(always)]
    fn inside(&self, band: &Band, j: usize, darker: &mut [f32], variance: &mut [f32]) {
        let (far, slant) = (self.far, self.slant);
        let count = self.size.width - 2 * far;
        let row = |j: usize, shift: usize| &band.row(j)[shift..][..count];
        let middle = row(j, far);
        let (west, east) = (row(j, 0), row(j, 2 * far));
        let (north, south) = (row(j - far, far), row(j + far, far));
        let (nw, ne) = (row(j - slant, far - slant), row(j - slant, far + slant));
        let (sw, se) = (row(j + slant, far - slant), row(j + slant, far + slant));
        let (f, s) = (far as f32, slant as f32);
        let spread = 1.0 / (2.0 * f * f + 4.0 * s * s);
        let (darker, variance) = (&mut darker[far..][..count], &mut variance[far..][..count]);
        for i in 0..count {
            // Against the middle, so that squares stay small numbers.
            let m = middle[i];
            let (w, e, n, o) = (west[i] - m, east[i] - m, north[i] - m, south[i] - m);
            let (a, b, c, d) = (nw[i] - m, ne[i] - m, sw[i] - m, se[i] - m);
            let mean = 0.125 * (w + e + n + o + a + b + c + d);
            let squares = w * w + e * e + n * n + o * o + a * a + b * b + c * c + d * d;
            let across = f * (e - w) + s * (b + d - a - c);
            let down = f * (o - n) + s * (c + d - a - b);
            let left = squares - 8.0 * mean * mean - (across * across + down * down) * spread;
            darker[i] = mean;
            variance[i] = if left > 0.0 { left * (1.0 / FREEDOM) } else { 0.0 };
        }
    }

    fn at_edge(&self, band: &Band, at: (usize, usize)) -> (f32, f32) {
        let get = |dx: isize, dy: isize| {
            let (x, y) = (at.0.checked_add_signed(dx)?, at.1.checked_add_signed(dy)?);
            (x < self.size.width && y < self.size.height).then(|| band.row(y)[x])
        };
        let middle = band.row(at.1)[at.0];
        let (far, slant) = (self.far as isize, self.slant as isize);
        let (mut sum, mut count) = (0.0f32, 0.0f32);
        for (dx, dy) in [(far, 0), (0, far), (slant, slant), (slant, -slant)] {
            if let Some((a, b)) = get(dx, dy).zip(get(-dx, -dy)) {
                sum += 0.5 * (a + b) - middle;
                count += 1.0;
            }
        }
        if count == 0.0 { (0.0, NOTHING) } else { (sum / count, UNKNOWN) }
    }
}

/// Means of boxes `step` cells apart from the sums at their four corners.
#[inline(always)]
fn boxes(means: &mut [f32], step: usize, (nw, ne, sw, se): (&[i32], &[i32], &[i32], &[i32]), scale: f32) {
    for (i, mean) in means.iter_mut().enumerate() {
        let x = i * step;
        *mean = se[x].wrapping_sub(sw[x]).wrapping_sub(ne[x]).wrapping_add(nw[x]) as f32 * scale;
    }
}

/// Places for which something counts that cannot be measured.
#[derive(Debug)]
struct Struck {
    /// Unsound patches above and left of each corner.
    sums: Plane<u32>,
    /// Patches that count for each column of places, and for each row.
    columns: Vec<Range<usize>>,
    rows: Vec<Range<usize>>,
}

impl Struck {
    /// `None` if there are none. `cells`: those that count for a place, along either axis.
    fn new(unsound: &Plane<bool>, places: Size, cells: impl Fn(usize) -> Range<usize>) -> Option<Struck> {
        if !unsound.data().contains(&true) {
            return None;
        }
        let (width, height) = (unsound.width(), unsound.height());
        let mut sums = Plane::filled(Size { width: width + 1, height: height + 1 }, 0u32);
        for y in 0..height {
            let mut row = 0;
            for x in 0..width {
                row += u32::from(unsound.at(x, y));
                let above = sums.at(x + 1, y);
                sums.row_mut(y + 1)[x + 1] = above + row;
            }
        }
        let patches = |i: usize, end: usize| {
            let Range { start, end: past } = cells(i);
            start / PATCH..past.div_ceil(PATCH).min(end)
        };
        let columns = (0..places.width).map(|i| patches(i, width)).collect();
        let rows = (0..places.height).map(|j| patches(j, height)).collect();
        Some(Struck { sums, columns, rows })
    }

    /// Says so in the variances of a row.
    fn strike_out(&self, j: usize, variance: &mut [f32]) {
        let (above, below) = (self.sums.row(self.rows[j].start), self.sums.row(self.rows[j].end));
        if below.last() == above.last() {
            return;
        }
        for (v, columns) in variance.iter_mut().zip(&self.columns) {
            if below[columns.end] + above[columns.start] != below[columns.start] + above[columns.end] {
                *v = NOTHING;
            }
        }
    }
}
