//! The core of a shadow, where too little light is left to be divided: rebuilt from around, with the picture's grain.
//!
//! Every pixel of the core is a mean of what its surroundings and the divided light itself say, each weighed by how
//! well it is known, and on top of it as much of the divided fine detail as rises above its own noise (Wiener's filter).
//! What that lacks of the noise around is taken from a plain place near by, so that the grain stays the picture's own.

use motelight_frame::{Frame, Layout, Plane, Rect};

use crate::mend::cells::Cutout;
use crate::mend::lift::{Cluster, Lift};

/// Transmission below which the core is filled; dividing would double the grain.
pub const OPEN: f64 = 0.25;
/// Up to this transmission filled and divided light run into each other, so that no seam shows.
const JOINED: f64 = 0.35;
/// Error of a transmission: what the model of a deep shadow leaves, a guess.
const PASSED_ERROR: f64 = 0.01;
/// Below this transmission divided light tells nothing.
const LOST: f64 = 0.05;
/// Most that a place's grain is raised by, to be as strong as around. A guess.
const MORE_GRAIN: f64 = 1.3;
/// Grain over the noise foretold from which on it is the picture's detail. A guess.
const DETAIL: f64 = 2.0;
/// Standard deviations of the surroundings that are tried, px.
const SCALES: [f64; 6] = [1.5, 3.0, 6.0, 12.0, 24.0, 48.0];
/// A mean of surroundings is good once it weighs as much as so many undisturbed pixels.
const ENOUGH: f64 = 6.0;

/// Fills the cores of a cluster's shadows in the divided cutout. Gives back which of its lifts were filled.
pub fn fill(frame: &Frame, cluster: &Cluster, divided: &mut Cutout, taken: impl Fn(f64, f64) -> bool) -> Vec<bool> {
    let lifts = &cluster.lifts;
    let deep = |l: &Lift| l.least_passed() < OPEN;
    if !lifts.iter().any(deep) {
        return vec![false; lifts.len()];
    }
    let before = divided.clone();
    let mut filled = vec![false; lifts.len()];
    for (k, lift) in lifts.iter().enumerate().filter(|(_, l)| deep(l)) {
        for (plane, colour) in channels(&frame.layout) {
            let core = Core { frame, cluster, divided: &before, lift, plane, colour };
            if let Some(pixels) = core.pixels(&taken) {
                filled[k] |= !pixels.is_empty();
                pixels.into_iter().for_each(|(x, y, light)| divided.planes[plane].set(x, y, light as f32));
            }
        }
    }
    filled
}

/// Planes, and the colour to be looked at in each.
fn channels(layout: &Layout) -> Vec<(usize, usize)> {
    match layout {
        Layout::Mosaic(_) => vec![(0, 0), (0, 1), (0, 2)],
        Layout::Grey => vec![(0, 0)],
        Layout::Rgb => vec![(0, 0), (1, 1), (2, 2)],
    }
}

/// One shadow's core in one colour. Places are those of the cutout.
struct Core<'a> {
    frame: &'a Frame,
    cluster: &'a Cluster,
    divided: &'a Cutout,
    lift: &'a Lift,
    plane: usize,
    colour: usize,
}

/// A pixel of the right colour that can be measured.
#[derive(Clone, Copy)]
struct Known {
    x: usize,
    y: usize,
    light: f64,
    passed: f64,
}

impl Core<'_> {
    fn rect(&self) -> Rect {
        self.divided.rect
    }

    fn own_colour(&self, x: usize, y: usize) -> bool {
        match &self.frame.layout {
            Layout::Mosaic(cfa) => cfa.colour(x, y) as usize == self.colour,
            _ => true,
        }
    }

    fn passed(&self, x: usize, y: usize) -> f64 {
        let (x, y) = (x + self.rect().x, y + self.rect().y);
        self.cluster.lifts.iter().map(|l| l.ln(self.colour, x, y)).sum::<f64>().exp()
    }

    /// Variance of noise at an undisturbed light.
    fn noise(&self, light: f64) -> f64 {
        let model = self.frame.noise.get(self.plane).or(self.frame.noise.first());
        model.map_or(1e-5, |m| f64::from(m.sigma(light as f32)).powi(2)).max(1e-10)
    }

    /// Variance of divided light where the light around is `level`.
    fn variance(&self, level: f64, passed: f64) -> f64 {
        let noise = self.noise(level * passed) / (passed * passed);
        noise + (PASSED_ERROR * level * (1.0 / passed - 1.0).max(0.0)).powi(2)
    }

    /// New light for the pixels of the core; `None` where the surroundings tell too little.
    fn pixels(&self, taken: &impl Fn(f64, f64) -> bool) -> Option<Vec<(usize, usize, f64)>> {
        let radius = self.lift.radius_passing(JOINED, self.colour);
        if radius < 1.0 {
            return None;
        }
        let known = self.known(2.0 * radius + 12.0);
        let around: Vec<&Known> = known.iter().filter(|k| k.passed > 0.6).collect();
        if around.len() < 24 {
            return None;
        }
        let level = around.iter().map(|k| k.light).sum::<f64>() / around.len() as f64;
        let noise = self.noise(level);
        let weight: Vec<f64> =
            known.iter().map(|k| if k.passed < LOST { 0.0 } else { noise / self.variance(level, k.passed) }).collect();
        let map = Map::new(self.divided, &known, &weight);
        let smooth = |x: usize, y: usize| map.mean(x, y);
        let detail = around.iter().filter_map(|k| Some((k.light - smooth(k.x, k.y)?).powi(2)));
        let detail: Vec<f64> = detail.collect();
        // Fine detail that is no noise: what the residuals around hold beside it.
        let detail = (mean(&detail) - noise).max(0.0);
        let donor = self.donor(radius, level, taken);
        let cores = known.iter().filter(|k| k.passed < JOINED && self.near(k, radius + 1.0));
        let mut pixels = Vec::new();
        for k in cores {
            let base = smooth(k.x, k.y)?;
            let own = self.variance(level, k.passed.max(0.01));
            let kept = if k.passed < LOST { 0.0 } else { detail / (detail + own) };
            let lacking = (1.0 - kept * kept * own / noise).max(0.0).sqrt();
            let grain = donor.as_ref().and_then(|d| d.grain(self, k)).unwrap_or(0.0);
            let rebuilt = base + kept * (k.light - base) + lacking * grain;
            let share = ((k.passed - OPEN) / (JOINED - OPEN)).clamp(0.0, 1.0);
            pixels.push((k.x, k.y, (1.0 - share) * rebuilt + share * k.light));
        }
        Some(pixels)
    }

    fn near(&self, k: &Known, radius: f64) -> bool {
        let (x, y) = (k.x + self.rect().x, k.y + self.rect().y);
        (x as f64 + 0.5 - self.lift.x).hypot(y as f64 + 0.5 - self.lift.y) <= radius
    }

    /// Pixels about the shadow's centre that can be measured.
    fn known(&self, radius: f64) -> Vec<Known> {
        let rect = self.rect();
        let mut known = Vec::new();
        for y in 0..rect.height {
            for x in 0..rect.width {
                let k = Known { x, y, light: 0.0, passed: 1.0 };
                if !self.near(&k, radius) || !self.own_colour(x + rect.x, y + rect.y) || self.divided.mask.at(x, y) != 0
                {
                    continue;
                }
                let light = f64::from(self.divided.planes[self.plane].at(x, y));
                known.push(Known { light, passed: self.passed(x, y), ..k });
            }
        }
        known
    }

    /// A place near by, without shadows, whose light is most like that around the shadow and whose grain is most as usual: the
    /// plainest of many has less, in a JPEG next to none. What is left of the difference is made up for.
    fn donor(&self, radius: f64, level: f64, taken: &impl Fn(f64, f64) -> bool) -> Option<Donor> {
        let size = self.frame.size();
        let period = match &self.frame.layout {
            Layout::Mosaic(cfa) => cfa.period().width as i64,
            _ => 1,
        };
        let reach = radius.ceil() + 4.0;
        // Light, grain over the noise foretold.
        let mut asked: Vec<(f64, f64, Donor)> = Vec::new();
        for ring in [1.2, 1.8, 2.6] {
            for turn in 0..12 {
                let angle = f64::from(turn) * std::f64::consts::PI / 6.0;
                let far = ring * (self.lift.reach + radius + 4.0);
                let step = |v: f64| (v / period as f64).round() as i64 * period;
                let (dx, dy) = (step(far * libm::cos(angle)), step(far * libm::sin(angle)));
                let (x, y) = (self.lift.x + dx as f64, self.lift.y + dy as f64);
                let inside = x > reach && y > reach && x + reach < size.width as f64 && y + reach < size.height as f64;
                if !inside || taken(x, y) {
                    continue;
                }
                let donor = Donor { dx, dy, gain: 1.0 };
                let Some((light, rough)) = donor.facts(self, radius) else { continue };
                let grain = rough / self.noise(light).sqrt();
                asked.push((light, grain.max(1e-3), donor));
            }
        }
        let mut grains: Vec<f64> = asked.iter().map(|a| a.1).collect();
        grains.sort_by(f64::total_cmp);
        let usual = grains.get(grains.len() / 2)?.clamp(1.0 / DETAIL, DETAIL);
        let unlike =
            |&(light, grain, _): &(f64, f64, Donor)| (light / level.max(1e-6)).ln().abs() + (grain / usual).ln().abs();
        let (light, own, best) = asked.into_iter().min_by(|a, b| unlike(a).total_cmp(&unlike(b)))?;
        let gain = (self.noise(level) / self.noise(light)).sqrt().min(2.0) * (usual / own).min(MORE_GRAIN);
        Some(Donor { gain, ..best })
    }
}

/// A place that grain is taken from, as steps from the core.
struct Donor {
    dx: i64,
    dy: i64,
    gain: f64,
}

/// Half a side of the square whose mean grain is measured against, px.
const MEANS: i64 = 4;

impl Donor {
    fn light(&self, core: &Core, x: i64, y: i64) -> Option<f64> {
        let size = core.frame.size();
        let inside = (0..size.width as i64).contains(&x) && (0..size.height as i64).contains(&y);
        let (x, y) = (usize::try_from(x).ok()?, usize::try_from(y).ok()?);
        let fits = inside && core.own_colour(x, y) && core.frame.mask.sound(x, y);
        fits.then(|| f64::from(core.frame.planes.at(core.plane, x, y)))
    }

    /// What a pixel differs by from the mean of a square about it, made up for what that mean takes away.
    fn residual(&self, core: &Core, x: i64, y: i64) -> Option<(f64, f64)> {
        let own = self.light(core, x, y)?;
        let (mut sum, mut count) = (0.0, 0.0);
        for j in -MEANS..=MEANS {
            for i in -MEANS..=MEANS {
                if let Some(v) = self.light(core, x + i, y + j) {
                    sum += v;
                    count += 1.0;
                }
            }
        }
        let mean = sum / count;
        (count > 4.0).then(|| (mean, (own - mean) / (1.0f64 - 1.0 / count).sqrt()))
    }

    /// Mean light, and root mean square of the residuals, at a sparse sample of the donor's pixels.
    fn facts(&self, core: &Core, radius: f64) -> Option<(f64, f64)> {
        let step = (radius / 6.0).ceil().max(1.0) as i64;
        let (cx, cy) = (core.lift.x as i64 + self.dx, core.lift.y as i64 + self.dy);
        let reach = radius.ceil() as i64;
        let (mut lights, mut squares) = (Vec::new(), Vec::new());
        for y in (-reach..=reach).step_by(step as usize) {
            for x in (-reach..=reach).step_by(step as usize) {
                for (i, j) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                    if let Some((mean, left)) = self.residual(core, cx + x + i, cy + y + j) {
                        lights.push(mean);
                        squares.push(left * left);
                    }
                }
            }
        }
        (squares.len() >= 16).then(|| (mean(&lights), mean(&squares).sqrt()))
    }

    /// Grain for a pixel of the core.
    fn grain(&self, core: &Core, k: &Known) -> Option<f64> {
        let rect = core.rect();
        let (x, y) = ((k.x + rect.x) as i64 + self.dx, (k.y + rect.y) as i64 + self.dy);
        self.residual(core, x, y).map(|(_, left)| self.gain * left)
    }
}

/// Known light, to be averaged with weights.
struct Map {
    weight: Plane<f64>,
    light: Plane<f64>,
}

impl Map {
    fn new(cutout: &Cutout, known: &[Known], weights: &[f64]) -> Map {
        let size = cutout.rect.size();
        let (mut weight, mut light) = (Plane::filled(size, 0.0), Plane::filled(size, 0.0));
        for (k, &w) in known.iter().zip(weights) {
            weight.set(k.x, k.y, w);
            light.set(k.x, k.y, k.light);
        }
        Map { weight, light }
    }

    /// Mean of the surroundings, as near ones as tell enough.
    fn mean(&self, x: usize, y: usize) -> Option<f64> {
        let size = self.weight.size();
        for sigma in SCALES {
            let reach = (2.5 * sigma).ceil() as usize;
            // Far surroundings are looked at sparsely, by odd steps so that every colour of a mosaic is met.
            let step = ((sigma / 6.0) as usize) | 1;
            let (mut sum, mut total) = (0.0, 0.0);
            let mut j = y.saturating_sub(reach);
            while j < (y + reach + 1).min(size.height) {
                let mut i = x.saturating_sub(reach);
                while i < (x + reach + 1).min(size.width) {
                    let w = self.weight.at(i, j);
                    if w > 0.0 {
                        let (dx, dy) = (i as f64 - x as f64, j as f64 - y as f64);
                        let g = w * libm::exp(-(dx * dx + dy * dy) / (2.0 * sigma * sigma));
                        sum += g * self.light.at(i, j);
                        total += g;
                    }
                    i += step;
                }
                j += step;
            }
            if total * (step * step) as f64 >= ENOUGH {
                return Some(sum / total);
            }
        }
        None
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}
