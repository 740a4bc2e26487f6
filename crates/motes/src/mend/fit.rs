//! A shadow fitted to the picture: place and strength, held by what the chart foretells.

use nalgebra::{SMatrix, SVector};

use crate::mend::cells::Cells;
use crate::mend::shadow::{DARKEST, Lost};

/// What is known of a shadow before the picture is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Foretold {
    /// Column, px.
    pub x: f64,
    /// Row, px.
    pub y: f64,
    /// Standard error of the place along each axis, px.
    pub place_error: f64,
    /// Blocked area, µm².
    pub area_um2: f64,
    /// Standard error of its logarithm.
    pub area_error: f64,
    /// How many times as strong as in linear light the picture shows the shadow's logarithm: its tone.
    pub tone: f64,
}

/// A fitted shadow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Column, px.
    pub x: f64,
    /// Row, px.
    pub y: f64,
    /// Blocked area, µm².
    pub area_um2: f64,
    /// Standard errors of column and row, px.
    pub place_error: f64,
    /// Standard error of the logarithm of the blocked area.
    pub area_error: f64,
    /// What the picture alone says of the logarithm of the area against the foretold one, and its standard error.
    pub own: (f64, f64),
}

const TERMS: usize = 9;
const STEPS: usize = 8;

/// Fits a shadow within `window` px of its foretold place; `shadow` gives that of a blocked area. `excess` multiplies the errors that
/// the residuals give (what places around it say). `None` where too little can be measured.
pub fn fit(cells: &Cells, shadow: impl Fn(f64) -> Lost, foretold: &Foretold, window: f64, excess: f64) -> Option<Fit> {
    let samples = samples(cells, &shadow(foretold.area_um2), foretold, window);
    if samples.len() < 2 * TERMS {
        return None;
    }
    let mut p = [0.0; TERMS];
    p[3] = samples.iter().map(|s| s.weight * s.ln).sum::<f64>() / samples.iter().map(|s| s.weight).sum::<f64>();
    let ask = Asked { samples: &samples, shadow, foretold, window };
    // The backdrop is linear: settled in one step. What a free fit would then leave tells the residuals' size.
    let mut state = ask.normal(&p);
    let (_, step) = held(&state, 3, None)?;
    (3..TERMS).for_each(|i| p[i] += step[i]);
    state = ask.normal(&p);
    let (_, step) = held(&state, 0, None)?;
    let freedom = (samples.len() - TERMS) as f64;
    let left = (state.squares - step.dot(&state.gradient)).max(0.05 * state.squares);
    let spread = (left / freedom).max(1e-12) * excess * excess;
    let pull = [
        spread / (foretold.place_error * foretold.place_error),
        spread / (foretold.place_error * foretold.place_error),
        spread / (foretold.area_error * foretold.area_error),
    ];
    let cost = |state: &Normal, p: &[f64; TERMS]| state.squares + (0..3).map(|i| pull[i] * p[i] * p[i]).sum::<f64>();
    let mut damping = 1e-4;
    let mut last = cost(&state, &p);
    for _ in 0..STEPS {
        let mut damped = state.clone();
        (0..3).for_each(|i| damped.hessian[(i, i)] *= 1.0 + damping);
        let step = held(&damped, 0, Some(Prior { strength: pull, at: [p[0], p[1], p[2]] }))?.1;
        let mut next = p;
        (0..TERMS).for_each(|i| next[i] += step[i]);
        next[2] = next[2].clamp(-1.5, 1.0);
        let trial = ask.normal(&next);
        let now = cost(&trial, &next);
        if now <= last {
            let settled = last - now < 1e-5 * last;
            (p, state, last) = (next, trial, now);
            damping *= 0.2;
            if settled {
                break;
            }
        } else {
            damping = (damping * 10.0).max(1e-2);
        }
    }
    let covariance = held(&state, 0, Some(Prior { strength: pull, at: [p[0], p[1], p[2]] }))?.0 * spread;
    // The picture's own word on the strength: place held, strength and backdrop free.
    let alone = held(&state, 0, Some(Prior { strength: [1e12, 1e12, 0.0], at: [0.0; 3] }))?;
    let own = (p[2] + alone.1[2], (alone.0[(2, 2)] * spread).max(0.0).sqrt());
    let error = |i: usize| covariance[(i, i)].max(0.0).sqrt();
    Some(Fit {
        x: foretold.x + p[0],
        y: foretold.y + p[1],
        area_um2: foretold.area_um2 * p[2].exp(),
        place_error: (error(0) * error(0) + error(1) * error(1)).sqrt() / std::f64::consts::SQRT_2,
        area_error: error(2),
        own,
    })
}

/// Strength of the pull towards the foretold values, and where the parameters stand from them.
struct Prior {
    strength: [f64; 3],
    at: [f64; 3],
}

/// Inverse of the normal matrix and the step, the first `held` parameters kept as they are.
fn held(
    state: &Normal,
    held: usize,
    prior: Option<Prior>,
) -> Option<(SMatrix<f64, TERMS, TERMS>, SVector<f64, TERMS>)> {
    let mut hessian = state.hessian;
    let mut gradient = state.gradient;
    for i in 0..held {
        for j in 0..TERMS {
            hessian[(i, j)] = 0.0;
            hessian[(j, i)] = 0.0;
        }
        hessian[(i, i)] = 1.0;
        gradient[i] = 0.0;
    }
    if let Some(prior) = prior {
        for i in 0..3 {
            hessian[(i, i)] += prior.strength[i];
            gradient[i] -= prior.strength[i] * prior.at[i];
        }
    }
    for i in 0..TERMS {
        hessian[(i, i)] += 1e-9 * hessian[(i, i)] + 1e-15;
    }
    let inverse = hessian.cholesky()?.inverse();
    Some((inverse, inverse * gradient))
}

struct Sample {
    x: f64,
    y: f64,
    ln: f64,
    weight: f64,
}

fn samples(cells: &Cells, shadow: &Lost, foretold: &Foretold, window: f64) -> Vec<Sample> {
    let (columns, rows) = cells.around(foretold.x, foretold.y, window);
    let mut samples = Vec::new();
    for row in rows {
        for column in columns.clone() {
            let (cx, cy) = cells.centre(column, row);
            let i = row * cells.size.width + column;
            let (x, y) = (cx - foretold.x, cy - foretold.y);
            if shadow.is_near(x, y, window) && cells.weight[i] > 0.0 {
                samples.push(Sample { x, y, ln: cells.ln[i], weight: cells.weight[i] });
            }
        }
    }
    samples
}

#[derive(Clone)]
struct Normal {
    hessian: SMatrix<f64, TERMS, TERMS>,
    gradient: SVector<f64, TERMS>,
    squares: f64,
}

struct Asked<'a, S> {
    samples: &'a [Sample],
    shadow: S,
    foretold: &'a Foretold,
    window: f64,
}

impl<S: Fn(f64) -> Lost> Asked<'_, S> {
    /// Normal equations at displacement right and down (px), logarithm of the area's ratio, six terms of backdrop.
    fn normal(&self, p: &[f64; TERMS]) -> Normal {
        let area = self.foretold.area_um2 * p[2].exp();
        let shadow = (self.shadow)(area);
        let tone = self.foretold.tone;
        let mut normal = Normal { hessian: SMatrix::zeros(), gradient: SVector::zeros(), squares: 0.0 };
        for s in self.samples {
            let (dx, dy) = (s.x - p[0], s.y - p[1]);
            let (lost, [right, down, stronger]) = shadow.slopes(dx, dy, area);
            let passed = (1.0 - lost).max(DARKEST);
            // d ln(1 - lost) = -d lost / (1 - lost).
            let (value, d) = (tone * passed.ln(), -tone / passed);
            let (u, v) = (s.x / self.window, s.y / self.window);
            let terms = SVector::from([-d * right, -d * down, d * stronger, 1.0, u, v, u * u, u * v, v * v]);
            let backdrop: f64 = (3..TERMS).map(|i| p[i] * terms[i]).sum();
            let residual = s.ln - value - backdrop;
            normal.hessian.ger(s.weight, &terms, &terms, 1.0);
            normal.gradient.axpy(s.weight * residual, &terms, 1.0);
            normal.squares += s.weight * residual * residual;
        }
        normal
    }
}
