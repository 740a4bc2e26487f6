//! The pupil as a mote shows it: its image through a pinhole on the glass, in lines.

use crate::camera::Lens;

/// A stretch of the pupil's image along x, micrometres on the sensor from where the pupil's middle falls.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    /// Where it starts.
    pub from_um: f64,
    /// Where it ends.
    pub to_um: f64,
}

/// The image of the pupil, point-inverted by the mote, about where the pupil's middle falls.
#[derive(Debug, Clone)]
pub struct PupilImage {
    edges: Vec<Edge>,
    /// Where its middle falls, from where that of an unshifted pupil would.
    pub middle_um: [f64; 2],
    /// Lowest and highest x, then y, of the image.
    pub bounds_um: [(f64, f64); 2],
    /// Its centroid.
    pub centroid_um: [f64; 2],
}

/// What bounds a pupil; every pupil here is convex, the common part of what its edges leave open.
#[derive(Debug, Clone, Copy)]
enum Edge {
    Circle {
        x: f64,
        y: f64,
        radius: f64,
    },
    /// Open where `nx x + ny y < distance`.
    Straight {
        nx: f64,
        ny: f64,
        distance: f64,
    },
}

impl PupilImage {
    /// The image of a lens's pupil of this radius; `lever` is micrometres on the sensor per millimetre in the pupil.
    pub fn new(lens: &Lens, radius_mm: f64, lever: f64, at_mm: [f64; 2]) -> Self {
        let mut edges = Vec::new();
        match lens.blades {
            None => edges.push(Edge::Circle { x: 0.0, y: 0.0, radius: radius_mm * lever }),
            Some(blades) => {
                // A polygon of the same area as the round pupil of that f-number.
                let half = std::f64::consts::PI / f64::from(blades.count);
                let inner = radius_mm * lever * (half / half.tan()).sqrt();
                for blade in 0..blades.count {
                    let turn = blades.rotation + half * f64::from(2 * blade + 1);
                    // Inverted: the side that lies at `turn` in the pupil lies opposite in its image.
                    let (nx, ny) = (-turn.cos(), -turn.sin());
                    edges.push(Edge::Straight { nx, ny, distance: inner });
                }
            }
        }
        if let Some(rim) = lens.rim {
            let [x, y] = [0, 1].map(|i| -rim.slide * at_mm[i] * lever);
            edges.push(Edge::Circle { x, y, radius: rim.radius_mm * lever });
        }
        let reach = 1.6 * radius_mm * lever;
        let middle_um = lens.shift_mm.map(|shift| -shift * lever);
        let mut image = PupilImage { edges, middle_um, bounds_um: [(0.0, 0.0); 2], centroid_um: [0.0; 2] };
        image.measure(reach);
        image
    }

    /// Bounds and centroid from many lines.
    fn measure(&mut self, reach: f64) {
        const LINES: usize = 4000;
        let (mut area, mut sum) = (0.0, [0.0; 2]);
        let mut bounds = [(f64::INFINITY, f64::NEG_INFINITY); 2];
        let step = 2.0 * reach / LINES as f64;
        for i in 0..LINES {
            let y = -reach + (i as f64 + 0.5) * step;
            let Some(line) = self.line(y) else { continue };
            let length = line.to_um - line.from_um;
            area += length;
            sum[0] += length * (line.from_um + line.to_um) / 2.0;
            sum[1] += length * y;
            bounds[0] = (bounds[0].0.min(line.from_um), bounds[0].1.max(line.to_um));
            bounds[1] = (bounds[1].0.min(y - step), bounds[1].1.max(y + step));
        }
        if area > 0.0 {
            self.centroid_um = sum.map(|v| v / area);
            self.bounds_um = bounds;
        } else {
            // A pupil wholly cut away sees nothing; a point stands for it.
            self.edges = vec![Edge::Circle { x: 0.0, y: 0.0, radius: 1.0 }];
            self.bounds_um = [(-1.0, 1.0); 2];
        }
    }

    /// The stretch of the image at height `y`.
    pub fn line(&self, y: f64) -> Option<Line> {
        let (mut from_um, mut to_um) = (f64::NEG_INFINITY, f64::INFINITY);
        for edge in &self.edges {
            match *edge {
                Edge::Circle { x, y: cy, radius } => {
                    let half2 = radius * radius - (y - cy) * (y - cy);
                    if half2 <= 0.0 {
                        return None;
                    }
                    from_um = f64::max(from_um, x - half2.sqrt());
                    to_um = f64::min(to_um, x + half2.sqrt());
                }
                Edge::Straight { nx, ny, distance } => {
                    let left = distance - ny * y;
                    if nx.abs() < 1e-9 {
                        if left < 0.0 {
                            return None;
                        }
                    } else if nx > 0.0 {
                        to_um = to_um.min(left / nx);
                    } else {
                        from_um = from_um.max(left / nx);
                    }
                }
            }
        }
        (from_um < to_um).then_some(Line { from_um, to_um })
    }

    /// The image in rows of a grid: per row (0 at the middle) `lines` equally spaced stretches, in cells.
    pub(super) fn rows(&self, cell_um: f64, lines: usize) -> Vec<(i64, Vec<(f64, f64)>)> {
        let first = (self.bounds_um[1].0 / cell_um - 0.5).floor() as i64;
        let last = (self.bounds_um[1].1 / cell_um + 0.5).ceil() as i64;
        (first..=last)
            .map(|row| {
                let stretches = (0..lines).filter_map(|i| {
                    let y = (row as f64 - 0.5 + (i as f64 + 0.5) / lines as f64) * cell_um;
                    self.line(y).map(|line| (line.from_um / cell_um, line.to_um / cell_um))
                });
                (row, stretches.collect::<Vec<_>>())
            })
            .filter(|(_, stretches)| !stretches.is_empty())
            .collect()
    }
}
