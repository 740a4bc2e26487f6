//! Sums over boxes of cells in constant time, and the answer of a place: how much darker it is than around it.

use std::ops::Range;

use motelight_frame::{Plane, Size};

use crate::trace::ask::SIDE;
use crate::trace::view::STEPS;

/// Sums of all cells above and left of each corner (Crow, "Summed-area tables for texture mapping", 1984), over a picture or
/// a part of it. They run over, but the sum over a box of less than 65 536 cells comes out right all the same.
#[derive(Debug)]
pub struct Sums {
    /// Cells of the picture.
    picture: Size,
    /// Cells left of and above the part.
    origin: (usize, usize),
    /// Cells of the part.
    part: Size,
    values: Vec<i32>,
}

/// Distance of the eight boxes around from the one in the middle, in widths of the shadow.
pub const AROUND: f64 = 1.4;
/// Side of a square box of the area of a disc: sqrt(pi) / 2.
pub const BOX: f64 = 0.886_226_925;

impl Sums {
    /// Over a plane of logarithms.
    pub fn of(ln: &Plane<i16>) -> Sums {
        Sums::over(ln, 0..ln.width(), 0..ln.height())
    }

    /// Over what lies within `reach` cells of a place, both ways: enough to ask about it, and far quicker made.
    pub fn near(ln: &Plane<i16>, (x, y): (f64, f64), reach: f64) -> Sums {
        let span = |v: f64, end: usize| {
            let from = ((v - reach).max(0.0) as usize).min(end);
            from..((v + reach).max(0.0).ceil() as usize + 1).clamp(from, end)
        };
        Sums::over(ln, span(x, ln.width()), span(y, ln.height()))
    }

    fn over(ln: &Plane<i16>, columns: Range<usize>, rows: Range<usize>) -> Sums {
        let stride = columns.len() + 1;
        let mut values = vec![0i32; stride * (rows.len() + 1)];
        for (y, line) in rows.clone().enumerate() {
            let (above, below) = values[y * stride..].split_at_mut(stride);
            let mut row = 0i32;
            let cells = &ln.row(line)[columns.clone()];
            for ((to, up), &v) in below[1..].iter_mut().zip(&above[1..]).zip(cells) {
                row = row.wrapping_add(i32::from(v));
                *to = up.wrapping_add(row);
            }
        }
        let part = Size { width: columns.len(), height: rows.len() };
        Sums { picture: ln.size(), origin: (columns.start, rows.start), part, values }
    }

    /// Cells of the picture.
    pub fn cells(&self) -> Size {
        self.picture
    }

    /// Corner row `y` of the table.
    pub fn row(&self, y: usize) -> &[i32] {
        let stride = self.part.width + 1;
        &self.values[y * stride..(y + 1) * stride]
    }

    /// The exact sum over an area that cuts cells: between corners the table is bilinear. Everything is taken against the
    /// area's first whole corner, where no sum has run over.
    fn area(&self, (x0, x1): (f64, f64), (y0, y1): (f64, f64)) -> f64 {
        let cut = |v: f64, end: usize| {
            let i = (v as usize).min(end);
            (i, (i + 1).min(end), v - i as f64)
        };
        let (x, y) = (self.origin.0 as f64, self.origin.1 as f64);
        let (left, left_next, left_part) = cut(x0 - x, self.part.width);
        let (right, right_next, right_part) = cut(x1 - x, self.part.width);
        let (top, top_next, top_part) = cut(y0 - y, self.part.height);
        let (bottom, bottom_next, bottom_part) = cut(y1 - y, self.part.height);
        let columns = [(left_next, -left_part), (right, 1.0 - right_part), (right_next, right_part)];
        let rows = [(top_next, -top_part), (bottom, 1.0 - bottom_part), (bottom_next, bottom_part)];
        let stride = self.part.width + 1;
        let corner = self.values[top * stride + left];
        let mut sum = 0.0;
        for (row, row_weight) in rows {
            let line = &self.values[row * stride..(row + 1) * stride];
            let start = line[left].wrapping_sub(corner);
            let mut across = 0.0;
            for (column, weight) in columns {
                let above = self.values[top * stride + column];
                across += weight * f64::from(line[column].wrapping_sub(above).wrapping_sub(start));
            }
            sum += row_weight * across;
        }
        sum
    }

    /// Mean logarithm over a square about a place, in cells. Where the picture's edge cuts it, over the part inside; `None`
    /// where less than half of a side is.
    pub fn square(&self, x: f64, y: f64, side: f64) -> Option<f64> {
        let half = side / 2.0;
        let (right, bottom) = (self.picture.width as f64, self.picture.height as f64);
        let (x0, x1) = ((x - half).max(0.0), (x + half).min(right));
        let (y0, y1) = ((y - half).max(0.0), (y + half).min(bottom));
        if x1 - x0 < half || y1 - y0 < half {
            return None;
        }
        let sum = self.area((x0, x1), (y0, y1));
        Some(sum / ((x1 - x0) * (y1 - y0) * f64::from(STEPS)))
    }

    /// The eight boxes around a place, so many widths of a shadow (cells) away, in the order of [`EIGHT`].
    fn ring(&self, (x, y): (f64, f64), width: f64, far: f64) -> [Option<f64>; 8] {
        EIGHT.map(|(dx, dy)| self.square(x + far * dx * width, y + far * dy * width, BOX * width))
    }

    /// How much darker a place is than around it, as a logarithm, for a shadow `width` cells wide. At the picture's edge only
    /// the directions count in which both neighbours lie inside; `None` if there are none.
    pub fn darker(&self, x: f64, y: f64, width: f64) -> Option<f64> {
        let middle = self.square(x, y, BOX * width)?;
        against(middle, &self.ring((x, y), width, AROUND))
    }

    /// [`Self::darker`], and the variance of boxes around about a plane through them with the number of values it rests on: of
    /// two rings of eight boxes, the outer one 2.2 widths away.
    pub fn darker_and_unevenness(&self, x: f64, y: f64, width: f64) -> Option<(f64, (f64, f64))> {
        let middle = self.square(x, y, BOX * width)?;
        let rings = RINGS.map(|far| self.ring((x, y), width, far));
        let darker = against(middle, &rings[0])?;
        let mut points = [(0.0, 0.0, 0.0); 16];
        let mut count = 0;
        for (far, ring) in RINGS.into_iter().zip(rings) {
            for ((dx, dy), v) in EIGHT.into_iter().zip(ring) {
                if let Some(v) = v {
                    points[count] = (far * dx, far * dy, v);
                    count += 1;
                }
            }
        }
        Some((darker, plane_variance(&points[..count])))
    }

    /// [`Self::darker`] at the `SIDE` x `SIDE` places about one that lie `step` cells apart, row by row; NaN where it cannot be told.
    pub fn patch(&self, x: f64, y: f64, width: f64, step: f64) -> [f32; SIDE * SIDE] {
        let half = (SIDE / 2) as f64;
        let place = |p: usize| (p as f64 - half) * step;
        let reach = half * step + AROUND * width + BOX * width / 2.0 + 1.0;
        let inside = |v: f64, end: usize| v >= reach && v + reach < end as f64;
        let (across, down) = (x - self.origin.0 as f64, y - self.origin.1 as f64);
        if !(inside(across, self.part.width) && inside(down, self.part.height)) {
            let darker = |p: usize| self.darker(x + place(p % SIDE), y + place(p / SIDE), width);
            return std::array::from_fn(|p| darker(p).map_or(f32::NAN, |darker| darker as f32));
        }
        let (x, y) = (across, down);
        // The boxes of all places stand in few rows and columns: the table is read once, against one of its corners, rows
        // are taken between its lines once, and a box is what is left between two columns of such a row.
        let (left, top) = ((x - reach) as usize, (y - reach) as usize);
        let (columns, lines) = ((x + reach) as usize + 2 - left, (y + reach) as usize + 2 - top);
        let stride = self.part.width + 1;
        let first = &self.values[top * stride + left..][..columns.min(stride - left)];
        let mut table = Vec::with_capacity(first.len() * lines);
        for line in (top..(top + lines).min(self.part.height + 1)).map(|j| &self.values[j * stride + left..]) {
            let start = line[0].wrapping_sub(first[0]);
            table.extend(line.iter().zip(first).map(|(a, b)| f64::from(a.wrapping_sub(*b).wrapping_sub(start))));
        }
        let (far, slant) = (AROUND * width, AROUND * SLANT * width);
        let offsets = [0.0, -far, far, -slant, slant];
        let side = BOX * width / 2.0;
        let cut = |v: f64| (v as usize, v.fract());
        let columns = first.len();
        let spans: [[_; 5]; SIDE] = std::array::from_fn(|p| {
            offsets.map(|o| [cut(x + place(p) + o - side - left as f64), cut(x + place(p) + o + side - left as f64)])
        });
        let mut patch = [0.0f32; SIDE * SIDE];
        let mut row = vec![0.0f64; columns];
        for (q, to) in patch.chunks_exact_mut(SIDE).enumerate() {
            let mut sums = [0.0f64; SIDE];
            for (o, offset) in offsets.into_iter().enumerate() {
                let edge = |v: f64| {
                    let (j, part) = cut(v - top as f64);
                    let (above, below) = table[j * columns..][..2 * columns].split_at(columns);
                    above.iter().zip(below).map(move |(a, b)| a + (b - a) * part)
                };
                let middle = y + place(q) + offset;
                for (v, (low, high)) in row.iter_mut().zip(edge(middle - side).zip(edge(middle + side))) {
                    *v = high - low;
                }
                let at = |(i, part): (usize, f64)| row[i] + (row[i + 1] - row[i]) * part;
                let sum = |[low, high]: [(usize, f64); 2]| at(high) - at(low);
                for (to, spans) in sums.iter_mut().zip(&spans) {
                    *to += match o {
                        0 => 0.125 * (sum(spans[1]) + sum(spans[2])) - sum(spans[0]),
                        1 | 2 => 0.125 * sum(spans[0]),
                        _ => 0.125 * (sum(spans[3]) + sum(spans[4])),
                    };
                }
            }
            for (to, sum) in to.iter_mut().zip(sums) {
                *to = (sum / (4.0 * side * side * f64::from(STEPS))) as f32;
            }
        }
        patch
    }
}

/// A box against pairs of boxes on either side of it; `None` if no pair is whole.
fn against(middle: f64, ring: &[Option<f64>; 8]) -> Option<f64> {
    let (mut sum, mut count) = (0.0, 0.0);
    for pair in [0, 2, 1, 7] {
        if let Some((a, b)) = ring[pair].zip(ring[(pair + 4) % 8]) {
            sum += 0.5 * (a + b) - middle;
            count += 1.0;
        }
    }
    (count > 0.0).then(|| sum / count)
}

/// How far around a place the sums must reach for a patch about it, and its unevenness, cells.
pub fn reach(width: f64, step: f64) -> f64 {
    let (patch, around) = ((SIDE / 2) as f64 * step + AROUND * width, RINGS[1] * width);
    patch.max(around) + BOX * width / 2.0 + 2.0
}

/// Distances of the rings of boxes whose unevenness is told, in widths.
const RINGS: [f64; 2] = [AROUND, 2.2];
/// Directions of the boxes around a place.
const EIGHT: [(f64, f64); 8] = [
    (1.0, 0.0),
    (SLANT, SLANT),
    (0.0, 1.0),
    (-SLANT, SLANT),
    (-1.0, 0.0),
    (-SLANT, -SLANT),
    (0.0, -1.0),
    (SLANT, -SLANT),
];

/// Variance about the plane of least squares, and its degrees of freedom; none where the points tell no plane.
fn plane_variance(points: &[(f64, f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    if points.len() < 5 {
        return (0.0, 0.0);
    }
    let (mut x, mut y, mut v) = (0.0, 0.0, 0.0);
    for p in points {
        (x, y, v) = (x + p.0, y + p.1, v + p.2);
    }
    let middle = (x / n, y / n, v / n);
    let (mut xx, mut yy, mut xy, mut xv, mut yv, mut vv) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for p in points {
        let (x, y, v) = (p.0 - middle.0, p.1 - middle.1, p.2 - middle.2);
        (xx, yy, xy) = (xx + x * x, yy + y * y, xy + x * y);
        (xv, yv, vv) = (xv + x * v, yv + y * v, vv + v * v);
    }
    let determinant = xx * yy - xy * xy;
    if determinant < 1e-9 * n * n {
        return (0.0, 0.0);
    }
    let (a, b) = ((xv * yy - yv * xy) / determinant, (yv * xx - xv * xy) / determinant);
    ((vv - a * xv - b * yv).max(0.0) / (n - 3.0), n - 3.0)
}

/// Distance of the slanted boxes along each axis, against the straight ones.
pub const SLANT: f64 = 0.75;

#[cfg(test)]
mod tests {
    use super::*;

    fn plane() -> Plane<i16> {
        let size = Size { width: 40, height: 30 };
        let value = |i: usize| ((i * 7919) % 30_011) as i16 - 30_000;
        Plane::from_vec(size, (0..size.area()).map(value).collect())
    }

    #[test]
    fn a_box_that_cuts_cells_counts_their_shares() {
        let plane = plane();
        let sums = Sums::of(&plane);
        let (x, y, side) = (20.3, 14.8, 9.5);
        let share = |low: f64, high: f64, i: usize| (high.min(i as f64 + 1.0) - low.max(i as f64)).max(0.0);
        let (mut sum, half) = (0.0, side / 2.0);
        for j in 0..30 {
            for i in 0..40 {
                let weight = share(x - half, x + half, i) * share(y - half, y + half, j);
                sum += weight * f64::from(plane.at(i, j));
            }
        }
        let mean = sum / (side * side) / f64::from(STEPS);
        let got = sums.square(x, y, side).expect("inside");
        assert!((got - mean).abs() < 1e-9, "{got} against {mean}");
    }

    #[test]
    fn a_patch_holds_the_answers_of_its_places() {
        let plane = plane();
        // In the middle, and at the edge, where boxes are cut.
        for (x, y, width, step) in [(20.3, 14.8, 3.2, 0.9), (19.0, 15.0, 4.0, 1.0), (33.0, 5.5, 4.1, 0.7)] {
            let patch = Sums::near(&plane, (x, y), reach(width, step)).patch(x, y, width, step);
            let sums = Sums::of(&plane);
            for (p, got) in patch.iter().enumerate() {
                let place = |p: usize| (p as f64 - 3.0) * step;
                let expected = sums.darker(x + place(p % SIDE), y + place(p / SIDE), width).map_or(f64::NAN, |v| v);
                let same = (f64::from(*got) - expected).abs() < 1e-5 || (got.is_nan() && expected.is_nan());
                assert!(same, "{p}: {got} against {expected}");
            }
        }
    }

    #[test]
    fn a_slope_of_light_is_not_darker_anywhere() {
        let size = Size { width: 60, height: 60 };
        let slope = Plane::from_vec(size, (0..3600).map(|i| (i % 60 * 40 + i / 60 * 25) as i16 - 8000).collect());
        let sums = Sums::of(&slope);
        let darker = sums.darker(30.2, 29.6, 6.0).expect("inside");
        // Cells that a box cuts count as flat, so a little of the slope from one cell to the next is left.
        let left = 0.05 * 40.0 / f64::from(STEPS);
        assert!(darker.abs() < left, "{darker}");
        let (same, (uneven, _)) = sums.darker_and_unevenness(30.2, 29.6, 6.0).expect("inside");
        assert!(same == darker && uneven < left * left, "{same} {uneven}");
    }
}
