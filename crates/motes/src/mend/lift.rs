//! Shadows divided out of a picture, in linear light, plane by plane.

use motelight_frame::{Frame, Layout, Mask, Patch, PicturePoint, Pixels, Plane, Rect, Size};

use crate::mend::cells::Cutout;
use crate::mend::remainder::Remainder;
use crate::mend::shadow::{DARKEST, Lost};

/// A shadow to be divided out.
#[derive(Debug, Clone)]
pub struct Lift {
    /// Which mote of the chart.
    pub mote: usize,
    /// Column of its centre, px.
    pub x: f64,
    /// Row of its centre, px.
    pub y: f64,
    /// Its shadow in the light of each plane: one, or red, green, blue.
    pub shadows: Vec<Lost>,
    /// How strongly each colour shows it.
    pub tone: [f64; 3],
    /// Radius past which it changes less than [`EDGE`], px.
    pub reach: f64,
    /// What the shape leaves, the same in all colours.
    pub rest: Option<Remainder>,
}

/// Where a shadow changes the light by less than this share, the picture keeps its pixels. A twentieth of a percent to
/// a tenth is a step no eye sees (disc thresholds start at 0.25 %, Blackwell 1946) and lies below the grain of any
/// picture; it also keeps the mask close to the shadow and its first bright ring.
pub const EDGE: f64 = 0.001;

impl Lift {
    /// Natural logarithm of the transmission of one colour at a pixel.
    pub fn ln(&self, colour: usize, x: usize, y: usize) -> f64 {
        let (dx, dy) = (x as f64 + 0.5 - self.x, y as f64 + 0.5 - self.y);
        if dx.hypot(dy) > self.reach { 0.0 } else { self.ln_off(colour, dx, dy) }
    }

    fn ln_off(&self, colour: usize, dx: f64, dy: f64) -> f64 {
        let shadow = &self.shadows[colour.min(self.shadows.len() - 1)];
        let rest = self.rest.as_ref().map_or(0.0, |rest| rest.at(dx.hypot(dy)));
        self.tone[colour] * shadow.ln(dx, dy) + rest
    }

    /// Logarithm of the transmission of one colour `r` px from the centre of a round shadow.
    pub fn ln_at(&self, colour: usize, r: f64) -> f64 {
        self.ln_off(colour, r, 0.0)
    }

    /// Whether it is that of a thing far from round.
    pub fn is_long(&self) -> bool {
        self.shadows.iter().any(Lost::is_long)
    }

    /// Transmission at the darkest place, of the colour that passes least.
    pub fn least_passed(&self) -> f64 {
        let darkest = |(c, shadow): (usize, &Lost)| match shadow {
            Lost::Round { .. } => self.ln_at(c, 0.0),
            Lost::Form { cast, times } => self.tone[c] * (1.0 - times * cast.depth()).max(DARKEST).ln(),
        };
        self.shadows.iter().enumerate().map(darkest).fold(0.0, f64::min).exp()
    }

    /// Radius within which less than `passed` of a colour's light is left, px.
    pub fn radius_passing(&self, passed: f64, colour: usize) -> f64 {
        if let Lost::Form { cast, times } = &self.shadows[colour.min(self.shadows.len() - 1)] {
            return cast.reach((1.0 - passed.powf(1.0 / self.tone[colour])) / times);
        }
        let steps = (self.reach * 2.0).ceil() as usize;
        let dark = |i: &usize| self.ln_at(colour, *i as f64 * 0.5) < passed.ln();
        (0..steps).rev().find(dark).map_or(0.0, |i| (i + 1) as f64 * 0.5)
    }

    /// The same, `times` as strong.
    pub fn stronger(&self, times: f64) -> Lift {
        Lift { tone: self.tone.map(|t| t * times), ..self.clone() }
    }

    /// Its window in a frame.
    pub fn window(&self, frame: &Frame, margin: f64) -> Option<Rect> {
        Rect::around(PicturePoint { x: self.x, y: self.y }, Pixels(self.reach + margin), frame.size())
    }
}

/// Radius, px, past which shadows that reach no farther than `farthest` change the light by less than [`EDGE`].
pub fn reach_px(shadows: &[Lost], farthest: f64) -> f64 {
    let steps = (farthest * 2.0).ceil() as usize;
    let reach = |shadow: &Lost| match shadow {
        Lost::Form { cast, times } => cast.reach(EDGE / times),
        round => {
            let changes = |i: &usize| round.at(*i as f64 * 0.5, 0.0).abs() > EDGE;
            (0..steps).rev().find(changes).map_or(0.0, |i| (i + 1) as f64 * 0.5)
        }
    };
    shadows.iter().map(reach).fold(0.0, f64::max)
}

/// Shadows whose windows touch, and the part of the frame they lie in.
#[derive(Debug, Clone)]
pub struct Cluster {
    /// The shadows.
    pub lifts: Vec<Lift>,
    /// The part of the frame, as the picture has it.
    pub cutout: Cutout,
}

impl Cluster {
    /// The part of it about one shadow, `margin` px wider than what that changes, without that shadow.
    pub fn without(&self, shadow: usize, margin: f64) -> Option<Cluster> {
        let mut lifts = self.lifts.clone();
        let own = lifts.remove(shadow);
        let Rect { x, y, width, height } = self.cutout.rect;
        let middle = PicturePoint { x: own.x - x as f64, y: own.y - y as f64 };
        let inner = Rect::around(middle, Pixels(own.reach + margin), Size { width, height })?;
        Some(Cluster { lifts, cutout: self.cutout.part(inner) })
    }
}

/// Joins shadows whose windows, each by its `margin` in px wider than what it changes, overlap.
pub fn clusters(frame: &Frame, lifts: Vec<Lift>, margin: impl Fn(&Lift) -> f64) -> Vec<Cluster> {
    let mut groups: Vec<(Rect, Vec<Lift>)> = Vec::new();
    for lift in lifts {
        let Some(mut rect) = lift.window(frame, margin(&lift)) else { continue };
        let mut members = vec![lift];
        // Each union may reach further groups.
        while let Some(i) = groups.iter().position(|(r, _)| overlap(*r, rect)) {
            let (r, m) = groups.swap_remove(i);
            rect = union(r, rect);
            members.extend(m);
        }
        groups.push((rect, members));
    }
    groups.sort_by_key(|(r, _)| (r.y, r.x));
    groups.into_iter().map(|(rect, lifts)| Cluster { lifts, cutout: Cutout::of(frame, rect) }).collect()
}

fn overlap(a: Rect, b: Rect) -> bool {
    a.x < b.right() && b.x < a.right() && a.y < b.bottom() && b.y < a.bottom()
}

fn union(a: Rect, b: Rect) -> Rect {
    let (x, y) = (a.x.min(b.x), a.y.min(b.y));
    Rect { x, y, width: a.right().max(b.right()) - x, height: a.bottom().max(b.bottom()) - y }
}

/// The cluster's part of the frame with its shadows divided out, and which pixels changed. Clipped pixels keep their
/// light: the true one is unknown.
pub fn lifted(layout: &Layout, cluster: &Cluster) -> (Cutout, Plane<bool>) {
    let mut out = cluster.cutout.clone();
    let rect = out.rect;
    let mut changed = Plane::filled(rect.size(), false);
    for j in 0..rect.height {
        for i in 0..rect.width {
            let (x, y) = (rect.x + i, rect.y + j);
            if out.mask.at(i, j) & Mask::CLIPPED != 0 || !cluster.lifts.iter().any(|l| near(l, x, y)) {
                continue;
            }
            let ln = |colour: usize| cluster.lifts.iter().map(|l| l.ln(colour, x, y)).sum::<f64>();
            let mut divide = |plane: usize, colour: usize| {
                let ln = ln(colour);
                if ln.abs() > EDGE {
                    let light = f64::from(out.planes[plane].at(i, j)) * (-ln).exp();
                    out.planes[plane].set(i, j, light as f32);
                    changed.set(i, j, true);
                }
            };
            match layout {
                Layout::Mosaic(cfa) => divide(0, cfa.colour(x, y) as usize),
                Layout::Grey => divide(0, 0),
                Layout::Rgb => (0..3).for_each(|c| divide(c, c)),
            }
        }
    }
    (out, changed)
}

fn near(lift: &Lift, x: usize, y: usize) -> bool {
    (x as f64 + 0.5 - lift.x).hypot(y as f64 + 0.5 - lift.y) <= lift.reach
}

/// The patch that brings a mended part into the frame, cut down to what changed; `None` if nothing did.
pub fn patch(cutout: &Cutout, changed: &Plane<bool>) -> Option<Patch> {
    let size = changed.size();
    let rows: Vec<usize> = (0..size.height).filter(|&y| changed.row(y).contains(&true)).collect();
    let columns: Vec<usize> = (0..size.width).filter(|&x| rows.iter().any(|&y| changed.at(x, y))).collect();
    let (y0, y1) = (*rows.first()?, *rows.last()?);
    let (x0, x1) = (*columns.first()?, *columns.last()?);
    let inner = Rect { x: x0, y: y0, width: x1 + 1 - x0, height: y1 + 1 - y0 };
    Some(Patch {
        window: Rect { x: cutout.rect.x + x0, y: cutout.rect.y + y0, ..inner },
        planes: cutout.planes.iter().map(|p| p.window(inner)).collect(),
        mask: changed.window(inner),
    })
}
