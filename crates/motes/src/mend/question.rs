//! How much of a foretold shadow a picture shows at a place.
//!
//! Least squares on the logarithm of light, where the shadow is its shape times an amplitude (1 as foretold, 0 not
//! there), over a backdrop of second order. (Asking the fine detail alone, or weighing cells by how well they fit, was
//! tried on painted leaves, fronts and clouds: a tenth more shadows came out of texture, but compression, which
//! takes fine detail away, then made real shadows look like none.)

use crate::mend::cells::Cells;
use crate::mend::fill::OPEN;
use crate::mend::parts::{Allowed, Bends, apart};
use crate::mend::shadow::LnShadow;

/// Terms of a backdrop of second order.
pub const BACKDROP: usize = 6;

/// Cells ready to be asked.
#[derive(Debug, Clone)]
pub struct Ground {
    columns: usize,
    rows: usize,
    /// The logarithm of light, less its mean.
    pub ln: Vec<f32>,
    sound: Vec<bool>,
    bends: Bends,
}

impl Ground {
    /// Prepares cells.
    pub fn of(cells: &Cells) -> Ground {
        let sound: Vec<bool> = cells.weight.iter().map(|&w| w > 0.0).collect();
        let count = sound.iter().filter(|&&s| s).count().max(1);
        let sum: f64 = cells.ln.iter().zip(&sound).map(|(l, &s)| if s { *l } else { 0.0 }).sum();
        let mean = sum / count as f64;
        let ln: Vec<f32> = cells.ln.iter().zip(&sound).map(|(l, &s)| if s { (l - mean) as f32 } else { 0.0 }).collect();
        let (columns, rows) = (cells.size.width, cells.size.height);
        Ground { columns, rows, bends: Bends::of(columns, rows, &ln, &sound), ln, sound }
    }
}

/// One cell of a question.
#[derive(Debug, Clone, Copy)]
pub struct Tap {
    dx: i32,
    dy: i32,
    /// The shape.
    pub plain: f32,
    /// The shape freed of all that a backdrop could be.
    shape: f32,
    /// An orthonormal backdrop, of rising order.
    pub backdrop: [f32; BACKDROP],
    /// How a shadow bends the light here.
    allowed: Allowed,
}

/// A cell of a question that can be measured.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// The question's cell.
    pub tap: &'a Tap,
    /// Which it is of the square window, row by row.
    pub place: usize,
    /// Which it is of the ground.
    pub cell: usize,
    /// Whether the scene bends the light there as no shadow would.
    pub broken: bool,
}

/// What cells say of a shadow.
#[derive(Debug, Clone, Copy)]
pub struct Told {
    /// 1: as foretold; 0: none.
    pub amplitude: f64,
    /// Its variance by what it leaves.
    pub variance: f64,
    /// Sum of squares of the shadow in what was measured.
    pub squares: f64,
}

/// Why a place does not answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Silence {
    /// Too little light there can be measured.
    Dark,
    /// The scene's own edges leave too little of the shadow.
    Broken,
}

/// Share of a shadow, weighted by its square, that must be measured.
const LEAST: f64 = 0.1;

/// A shadow at a place between cells, ready to be asked for at any whole number of cells from there.
#[derive(Debug, Clone)]
pub struct Question {
    /// The cell nearest to the shadow's centre.
    pub column: i64,
    /// Its row.
    pub row: i64,
    radius: i32,
    taps: Vec<Tap>,
    /// Sum of squares of the freed shape, and of the shape.
    norm: f64,
    squares: f64,
}

/// What a place answers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// 1: the shadow as foretold; 0: none.
    pub amplitude: f64,
    /// Its standard error by what it leaves in the window.
    pub sigma: f64,
    /// Share of the shadow, weighted by its square, that could be measured.
    pub sound: f64,
}

impl Question {
    /// A shadow centred at a place of the picture, but for the core where too little light is left: black levels, codes and stray light
    /// decide there.
    pub fn new(cells: &Cells, shadow: &LnShadow, at: (f64, f64)) -> Question {
        Question::lighter_than(OPEN.ln(), cells, shadow, at)
    }

    /// The same without the part of it whose logarithm of light is `darkest` or less.
    fn lighter_than(darkest: f64, cells: &Cells, shadow: &LnShadow, at: (f64, f64)) -> Question {
        let cell = cells.cell as f64;
        let nearest = |v: f64, origin: f64| ((v - origin) / cell - 0.5).round() as i64;
        let (column, row) = (nearest(at.0, cells.origin.0), nearest(at.1, cells.origin.1));
        let centre = |i: i64, origin: f64| origin + (i as f64 + 0.5) * cell;
        let (px, py) = (centre(column, cells.origin.0) - at.0, centre(row, cells.origin.1) - at.1);
        let radius = (shadow.window / cell).ceil() as i32;
        let at = |dx: i32, dy: i32| (f64::from(dx) * cell + px, f64::from(dy) * cell + py);
        let shape = Window::of(radius + 3, |dx, dy| {
            let (x, y) = at(dx, dy);
            shadow.at(x, y) as f32
        });
        let bends = |dx: i32, dy: i32| {
            let twice = 2.0 * shape.at(dx, dy);
            [shape.at(dx - 1, dy) + shape.at(dx + 1, dy) - twice, shape.at(dx, dy - 1) + shape.at(dx, dy + 1) - twice]
        };
        let all = || (-radius..=radius).flat_map(|dy| (-radius..=radius).map(move |dx| (dx, dy)));
        let most = all().flat_map(|(dx, dy)| bends(dx, dy)).fold(0.0f32, |most, b| most.max(b.abs()));
        let mut taps: Vec<Tap> = Vec::new();
        for (dx, dy) in all() {
            let ((x, y), plain) = (at(dx, dy), shape.at(dx, dy));
            if shadow.is_near(x, y) && plain > darkest as f32 {
                let allowed = Allowed::around(|u, v| bends(dx + u, dy + v), most);
                taps.push(Tap { dx, dy, plain, shape: plain, backdrop: [0.0; BACKDROP], allowed });
            }
        }
        orthogonalise(&mut taps, f64::from(radius.max(1)));
        let sum = |f: fn(&Tap) -> f32| taps.iter().map(|t| f64::from(f(t)).powi(2)).sum::<f64>().max(1e-12);
        let (norm, squares) = (sum(|t| t.shape), sum(|t| t.plain));
        Question { column, row, radius, taps, norm, squares }
    }

    /// Asks some cells away from the shadow's own place.
    ///
    /// # Errors
    /// Where too little of the shadow can be measured.
    pub fn ask(&self, ground: &Ground, columns: i64, rows: i64) -> Result<Answer, Silence> {
        let (column, row) = (self.column + columns, self.row + rows);
        let side = 2 * self.radius as usize + 1;
        let mut seen = Vec::with_capacity(self.taps.len());
        let mut squares = 0.0;
        for tap in &self.taps {
            let (x, y) = (column + i64::from(tap.dx), row + i64::from(tap.dy));
            let inside = (0..ground.columns as i64).contains(&x) && (0..ground.rows as i64).contains(&y);
            if !inside {
                continue;
            }
            let cell = y as usize * ground.columns + x as usize;
            if ground.sound[cell] {
                let place = (tap.dy + self.radius) as usize * side + (tap.dx + self.radius) as usize;
                squares += f64::from(tap.plain).powi(2);
                seen.push(Seen { tap, place, cell, broken: tap.allowed.is_broken(&ground.bends, cell) });
            }
        }
        if seen.len() < 4 * (BACKDROP + 1) || squares < LEAST * self.squares {
            return Err(Silence::Dark);
        }
        let whole = seen.len() == self.taps.len() && !seen.iter().any(|s| s.broken);
        let told = if whole { Some(self.whole(ground, &seen)) } else { apart(ground, side, &seen) };
        let told = told.filter(|t| t.squares >= LEAST * self.squares).ok_or(Silence::Broken)?;
        let sigma = told.variance.max(1e-12).sqrt();
        Ok(Answer { amplitude: told.amplitude, sigma, sound: told.squares / self.squares })
    }

    /// What is said where nothing is missing and nothing broken.
    fn whole(&self, ground: &Ground, seen: &[Seen]) -> Told {
        let (mut along, mut squares, mut backdrop) = (0.0f32, 0.0f32, [0.0f32; BACKDROP]);
        for Seen { tap, cell, .. } in seen {
            let v = ground.ln[*cell];
            along += tap.shape * v;
            squares += v * v;
            for (b, t) in backdrop.iter_mut().zip(&tap.backdrop) {
                *b += t * v;
            }
        }
        let taken: f32 = backdrop.iter().map(|b| b * b).sum();
        let amplitude = f64::from(along) / self.norm;
        let left = (f64::from(squares - taken) - amplitude * amplitude * self.norm).max(0.0);
        let variance = left / (seen.len() - BACKDROP - 1) as f64;
        Told { amplitude, variance: variance / self.norm, squares: self.squares }
    }
}

/// A square of values about a middle.
struct Window {
    radius: i32,
    values: Vec<f32>,
}

impl Window {
    fn of(radius: i32, value: impl Fn(i32, i32) -> f32) -> Window {
        let values = (-radius..=radius).flat_map(|dy| (-radius..=radius).map(move |dx| (dx, dy)));
        Window { radius, values: values.map(|(dx, dy)| value(dx, dy)).collect() }
    }

    fn at(&self, dx: i32, dy: i32) -> f32 {
        let side = 2 * self.radius + 1;
        self.values[((dy + self.radius) * side + dx + self.radius) as usize]
    }
}

/// Fills in the orthonormal backdrop of second order, and frees the broad way's shape of it.
fn orthogonalise(taps: &mut [Tap], radius: f64) {
    for k in 0..BACKDROP {
        let mut values: Vec<f64> = taps
            .iter()
            .map(|t| {
                let (u, v) = (f64::from(t.dx) / radius, f64::from(t.dy) / radius);
                [1.0, u, v, u * u, u * v, v * v][k]
            })
            .collect();
        for done in 0..k {
            let along: f64 = values.iter().zip(taps.iter()).map(|(v, t)| v * f64::from(t.backdrop[done])).sum();
            values.iter_mut().zip(taps.iter()).for_each(|(v, t)| *v -= along * f64::from(t.backdrop[done]));
        }
        let norm = values.iter().map(|v| v * v).sum::<f64>().sqrt().max(1e-12);
        for (tap, v) in taps.iter_mut().zip(&values) {
            tap.backdrop[k] = (v / norm) as f32;
        }
        let along: f32 = taps.iter().map(|t| t.shape * t.backdrop[k]).sum();
        taps.iter_mut().for_each(|t| t.shape -= along * t.backdrop[k]);
    }
}

#[cfg(test)]
mod tests {
    use motelight_frame::{Colour, FNumber, Micrometres, Millimetres, Size};

    use super::*;
    use crate::bank::Bank;
    use crate::diffraction::{Edge, Light, Shadowing};
    use crate::mend::shadow::Lost;
    use crate::optics::disc_area_um2;

    /// A picture holds a shadow but for its core, where black levels and stray light decide: however dark or light that is, the
    /// flanks say the same.
    #[test]
    fn the_core_of_a_deep_shadow_says_nothing_of_its_flanks() {
        let f_number = FNumber::new(22.0).expect("an f-number");
        let shadowing = Shadowing::new(Millimetres(1.3), f_number, Edge::RAYS, Light::of(Colour::Green));
        let mote = Micrometres(100.0);
        let shape = Bank::new(shadowing, Micrometres(130.0)).shape(disc_area_um2(mote));
        let shadow = LnShadow::of(Lost::Round { shape, pitch: 6.0 }, 24.0);
        let (side, at) = (61, (30.5, 30.5));
        let amplitude = |core: f64, darkest: f64| {
            let ln = (0..side * side).map(|i| {
                let ln = shadow.at((i % side) as f64 + 0.5 - at.0, (i / side) as f64 + 0.5 - at.1);
                if ln < -2.0 { core } else { ln }
            });
            let size = Size { width: side, height: side };
            let cells = Cells { cell: 1, origin: (0.0, 0.0), size, ln: ln.collect(), weight: vec![1.0; side * side] };
            let question = Question::lighter_than(darkest, &cells, &shadow, at);
            question.ask(&Ground::of(&cells), 0, 0).expect("measured").amplitude
        };
        for core in [-2.0, -3.5, -6.0, -9.0] {
            let flanks = amplitude(core, 0.25f64.ln());
            assert!((flanks - 1.0).abs() < 1e-3, "core {core}: {flanks}");
        }
        let whole = |core| amplitude(core, f64::NEG_INFINITY);
        assert!(whole(-2.0) < 0.8, "with a core that stray light fills it is taken for a weaker shadow");
        assert!((whole(-9.0) - 1.0).abs() < 1e-3, "a core that no shadow would make breaks the window");
    }
}
