//! From new light to steps in stored codes, so that every format changes codes by what the light changes and
//! leaves a code whose light stays exactly as it is.

use std::ops::Range;

use super::record::{Packer, Unpacker};
use super::source::Source;
use crate::error::FrameError;
use crate::frame::{Encoding, Frame, Patch};
use crate::plane::Plane;
use crate::space::{Rect, Size};

/// Wanted steps of the codes under one patch; 0 wherever its mask is false. With few codes (8 bit) they have
/// fractions, else they lead to the nearest code.
pub(super) struct Delta {
    /// Where it lies in the frame.
    pub(super) window: Rect,
    /// One plane per plane of the frame.
    pub(super) planes: Vec<Plane<f32>>,
}

/// The steps of all patches, made disjoint: where two patches overlap, the later one counts.
pub(super) fn from_patches(source: &Source, frame: &Frame, patches: &[Patch]) -> Result<Vec<Delta>, FrameError> {
    let mut deltas: Vec<Delta> = Vec::with_capacity(patches.len());
    for (i, patch) in patches.iter().enumerate() {
        let delta = from_patch(frame, patch).map_err(|what| source.mismatch(format!("patch {i} {what}")))?;
        for earlier in &mut deltas {
            give_way(earlier, patch);
        }
        deltas.push(delta);
    }
    Ok(deltas)
}

fn from_patch(frame: &Frame, patch: &Patch) -> Result<Delta, &'static str> {
    let (size, w) = (frame.size(), patch.window);
    let inside = |start: usize, count: usize, end: usize| start.checked_add(count).is_some_and(|e| e <= end);
    if !inside(w.x, w.width, size.width) || !inside(w.y, w.height, size.height) {
        return Err("lies outside the picture");
    }
    if patch.planes.len() != frame.planes.len()
        || patch.mask.size() != w.size()
        || patch.planes.iter().any(|p| p.size() != w.size())
    {
        return Err("has not the planes and sizes of its window");
    }
    let few = frame.encoding.few_codes();
    let mut planes = vec![Plane::filled(w.size(), 0f32); patch.planes.len()];
    for (p, steps) in planes.iter_mut().enumerate() {
        let light = frame.planes.window(p, w);
        for y in 0..w.height {
            let (old, new) = (light.row(y), patch.planes[p].row(y));
            for x in (0..w.width).filter(|&x| patch.mask.at(x, y) && old[x] != new[x]) {
                if !new[x].is_finite() {
                    return Err("holds light that is no number");
                }
                let (x_frame, y_frame) = (w.x + x, w.y + y);
                let code = |light| match few {
                    true => real_code(&frame.encoding, p, x_frame, y_frame, light),
                    false => f32::from(frame.encoding.encode(p, x_frame, y_frame, light)),
                };
                steps.set(x, y, code(new[x]) - code(old[x]));
            }
        }
    }
    Ok(Delta { window: w, planes })
}

/// Takes from an earlier patch the pixels that a later one sets.
fn give_way(earlier: &mut Delta, later: &Patch) {
    let (a, b) = (earlier.window, later.window);
    for y in a.y.max(b.y)..a.bottom().min(b.bottom()) {
        for x in a.x.max(b.x)..a.right().min(b.right()) {
            if later.mask.at(x - b.x, y - b.y) {
                earlier.planes.iter_mut().for_each(|p| p.set(x - a.x, y - a.y, 0.0));
            }
        }
    }
}

/// The code of `light`, with the fraction between neighbouring codes.
fn real_code(encoding: &Encoding, plane: usize, x: usize, y: usize, light: f32) -> f32 {
    match encoding {
        Encoding::Levels { period, black, white } => {
            let b = black[(y % period.height) * period.width + x % period.width];
            (light * (white - b) + b).clamp(0.0, 65535.0)
        }
        Encoding::Tones(tones) => {
            let tone = &tones[plane];
            let nearest = tone.encode(light);
            let (low, high) = if light > tone.decode(nearest) {
                (nearest, nearest.saturating_add(1))
            } else {
                (nearest.saturating_sub(1), nearest)
            };
            let (below, above) = (tone.decode(low), tone.decode(high));
            if above > below {
                f32::from(low) + ((light - below) / (above - below)).clamp(0.0, 1.0)
            } else {
                f32::from(nearest)
            }
        }
    }
}

/// Steps in whole codes: wanted ones at first, the real ones once the codes have been changed.
pub(super) struct Steps {
    /// Where they lie in the frame.
    pub(super) window: Rect,
    /// One plane per plane of the frame.
    planes: Vec<Plane<i32>>,
}

impl Delta {
    /// Rounds to whole codes. With few codes a faint shadow is less than half a code deep and
    /// rounding would leave it as it was; so what one pixel loses is passed on to its neighbours under
    /// the patch (error diffusion of Floyd and Steinberg, 1976: 7, 3, 5, 1 sixteenths), row by row from the
    /// left, which keeps the mean. Steps that are whole already stay what they are.
    pub(super) fn rounded(&self) -> Steps {
        Steps { window: self.window, planes: self.planes.iter().map(diffused).collect() }
    }
}

impl Steps {
    /// Whether any pixel in row `y` and columns `columns` of the frame is to change.
    pub(super) fn touch(&self, y: usize, columns: Range<usize>) -> bool {
        let w = self.window;
        let (left, right) = (columns.start.max(w.x), columns.end.min(w.right()));
        let inside = (w.y..w.bottom()).contains(&y) && left < right;
        inside && self.planes.iter().any(|p| p.row(y - w.y)[left - w.x..right - w.x].iter().any(|&s| s != 0))
    }

    /// How many planes there are.
    pub(super) fn planes(&self) -> usize {
        self.planes.len()
    }

    /// Whether any pixel is to change.
    pub(super) fn any(&self) -> bool {
        self.planes.iter().any(|p| p.data().iter().any(|&s| s != 0))
    }

    /// The step of a pixel of the window in one plane.
    pub(super) fn at(&self, plane: usize, x: usize, y: usize) -> i32 {
        self.planes[plane].at(x - self.window.x, y - self.window.y)
    }

    /// Notes by how much the code of a pixel of the window really changed.
    pub(super) fn became(&mut self, plane: usize, x: usize, y: usize, step: i32) {
        self.planes[plane].set(x - self.window.x, y - self.window.y, step);
    }

    /// How many pixels have new codes.
    pub(super) fn pixels_changed(&self) -> usize {
        let count = self.window.width * self.window.height;
        (0..count).filter(|&i| self.planes.iter().any(|p| p.data()[i] != 0)).count()
    }

    /// Adds window and steps to a record.
    pub(super) fn pack(&self, packer: &mut Packer) {
        let w = self.window;
        [w.x, w.y, w.width, w.height, self.planes.len()].iter().for_each(|&n| packer.number(n as u64));
        self.planes.iter().flat_map(|p| p.data()).for_each(|&s| packer.signed(s.into()));
    }

    /// The steps of a record, turned round; `None` if it is damaged or they lie outside a picture of `size`.
    pub(super) fn unpack_reversed(record: &mut Unpacker, size: Size) -> Option<Steps> {
        let [x, y, width, height] = [record.size()?, record.size()?, record.size()?, record.size()?];
        let window = Rect { x, y, width, height };
        let inside = x.checked_add(width)? <= size.width && y.checked_add(height)? <= size.height;
        let planes = (inside.then_some(())).and(record.size()).filter(|&n| n <= 3)?;
        let step = |record: &mut Unpacker| record.signed().and_then(|s| i32::try_from(-s).ok());
        let plane = |record: &mut Unpacker| (0..window.size().area()).map(|_| step(record)).collect::<Option<Vec<_>>>();
        let planes = (0..planes).map(|_| Some(Plane::from_vec(window.size(), plane(record)?)));
        Some(Steps { window, planes: planes.collect::<Option<_>>()? })
    }
}

/// The stored code must be the one that the frame's light was read from, within `slack` codes.
pub(super) fn hold_against(
    frame: &Frame,
    plane: usize,
    (x, y): (usize, usize),
    code: u16,
    slack: u16,
) -> Result<(), String> {
    let light = frame.planes.at(plane, x, y);
    let read = real_code(&frame.encoding, plane, x, y, light);
    let agrees =
        (read - f32::from(code)).abs() <= 0.75 + f32::from(slack) || frame.encoding.decode(plane, x, y, code) == light;
    if agrees { Ok(()) } else { Err(format!("pixel ({x}, {y}) holds {code} where the frame was read as {read:.1}")) }
}

fn diffused(steps: &Plane<f32>) -> Plane<i32> {
    let size = steps.size();
    let mut whole = Plane::filled(size, 0i32);
    let (mut here, mut below) = (vec![0f32; size.width + 2], vec![0f32; size.width + 2]);
    for y in 0..size.height {
        for x in (0..size.width).filter(|&x| steps.at(x, y) != 0.0) {
            let wanted = steps.at(x, y) + here[x + 1];
            let step = wanted.round();
            whole.set(x, y, step as i32);
            let lost = wanted - step;
            here[x + 2] += lost * 7.0 / 16.0;
            below[x] += lost * 3.0 / 16.0;
            below[x + 1] += lost * 5.0 / 16.0;
            below[x + 2] += lost / 16.0;
        }
        std::mem::swap(&mut here, &mut below);
        below.fill(0.0);
    }
    whole
}
