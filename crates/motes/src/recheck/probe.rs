//! The picture itself asked: how much of a mote's shadow is there, where one should stand.

use motelight_frame::{Micrometres, PicturePoint, SensorFromPicture, SensorPoint};
use rayon::prelude::*;

use crate::bank::Bank;
use crate::flat::Flat;
use crate::inspect::find;
use crate::inspect::fit::{Spot, Wall};
use crate::inspect::stand_off::StandOff;
use crate::inspect::{Inspection, Kind, Mote};
use crate::measure::Estimate;
use crate::recheck::Side;
use crate::recheck::figure::{Asked, Figure, freed_of_the_pupil};

/// A frame made ready to be asked.
pub(super) struct Ground<'a> {
    side: Side<'a>,
    flat: Flat,
    bank: Bank,
    sensor: SensorFromPicture,
    /// Standard error of a small mote's blocked area, µm²: the floor is where that many of them are passed.
    area_error_um2: f64,
}

/// Largest shadows with a shape of their own.
const LARGEST: Micrometres = Micrometres(300.0);
/// A floor lies this many standard errors up: a threshold of 5.5 to 6 and 2.33 for 99 %.
const FLOOR_SIGMAS: f64 = 8.0;
/// Most cells along one side of a window.
const WINDOW: f64 = 240.0;

impl<'a> Ground<'a> {
    /// Flattens a frame and draws the shadows it would show.
    pub fn of(side: Side<'a>) -> Ground<'a> {
        let Side { frame, inspection } = side;
        let flat = Flat::of(frame, find::wants_fine_cells(frame));
        let setting = find::setting_of(frame, &flat);
        let stand_off = inspection.stand_off.unwrap_or_else(|| find::Found::nothing().stand_off);
        let shadowing = setting.shadowing(motelight_frame::Millimetres(stand_off.height_mm.value), stand_off.edge);
        let floor = inspection.floor_um.map_or(400.0, |um| crate::optics::disc_area_um2(Micrometres(um)));
        let pitch = Micrometres(inspection.pitch_um.unwrap_or(5.0));
        Ground {
            side,
            bank: Bank::new(shadowing, LARGEST),
            flat,
            sensor: SensorFromPicture { size: frame.size(), pitch },
            area_error_um2: floor / FLOOR_SIGMAS,
        }
    }

    /// A mote of this frame's chart.
    pub fn mote(&self, number: usize) -> &'a Mote {
        &self.side.inspection.motes[number]
    }

    /// Whether a place lies within the frame.
    pub fn holds(&self, at: SensorPoint) -> bool {
        let PicturePoint { x, y } = self.sensor.picture(at);
        let size = self.side.frame.size();
        x > 0.0 && y > 0.0 && x < size.width as f64 && y < size.height as f64
    }

    /// Blocked area that this frame would have shown for certain, µm².
    pub fn floor_area_um2(&self) -> f64 {
        self.area_error_um2 * FLOOR_SIGMAS
    }

    /// How much of a mote's shadow stands at `at`: 1 all of it, 0 nothing. `None` where too little of the place is in
    /// the frame. `mote` is told by another frame, `home`, in which it stands at its own place.
    pub fn share(&self, mote: &Mote, home: &Ground, at: SensorPoint) -> Option<Estimate> {
        let area = mote.blocked_area_um2?.value;
        if mote.kind == Kind::Grain && area < self.bank.largest_area_um2() {
            self.share_of_round(area, at)
        } else {
            self.share_of_outline(mote, home, at)
        }
    }

    fn wall(&self) -> Wall<'_> {
        Wall { flat: &self.flat, mask: &self.side.frame.mask, cell_um: self.cell_um() }
    }

    fn cell_um(&self) -> f64 {
        self.sensor.pitch.0 * self.flat.cell as f64
    }

    fn cell(&self, at: SensorPoint) -> (f64, f64) {
        let PicturePoint { x, y } = self.sensor.picture(at);
        (x / self.flat.cell as f64, y / self.flat.cell as f64)
    }

    /// By the shape of a round shadow, the frame's own other motes taken out.
    fn share_of_round(&self, area_um2: f64, at: SensorPoint) -> Option<Estimate> {
        let (x, y) = self.cell(at);
        let radius = self.wall().radius(&self.bank, area_um2);
        let shape = self.bank.shape(area_um2);
        let mut sums = Sums::default();
        self.each_alone(x, y, radius, |cx, cy, loss| {
            sums.add(shape.at((cx - x).hypot(cy - y) * self.cell_um()).0, loss);
        });
        let share = sums.slope(self.noise(x, y))?;
        // Neighbouring pixels of a rendered picture hang together: the frame's own floor has that counted.
        let pupil = self.bank.shadowing().pupil.0;
        let wider = (1.0 + area_um2 / (0.785 * pupil * pupil)).sqrt();
        Some(Estimate::new(share.value, share.sigma.max(self.area_error_um2 * wider / area_um2)))
    }

    /// Noise of a cell at a place.
    fn noise(&self, x: f64, y: f64) -> f64 {
        f64::from(self.flat.sigma.under(x.max(0.0) as usize, y.max(0.0) as usize))
    }

    /// Every sound cell within `radius` of a place: its centre and its loss, less what other round motes take there.
    fn each_alone(&self, x: f64, y: f64, radius: f64, mut f: impl FnMut(f64, f64, f64)) {
        let (others, cell_um) = (self.others((x, y), radius), self.cell_um());
        self.each(x, y, radius, |cx, cy, loss| {
            let modelled: f64 = others.iter().map(|(s, b)| b.at((cx - s.x).hypot(cy - s.y) * cell_um).0).sum();
            f(cx, cy, loss - modelled);
        });
    }

    /// Round motes of this frame that reach into a window but stand clearly apart from its middle.
    fn others(&self, middle: (f64, f64), radius: f64) -> Vec<(Spot, crate::bank::Shape)> {
        let apart = |m: &&Mote| {
            let (x, y) = m.at_sensor.map_or((-1e9, -1e9), |at| self.cell(at));
            let d = (x - middle.0).hypot(y - middle.1);
            let width = m.shadow_width_px.value / self.flat.cell as f64;
            d > 0.45 * width && d < radius + width
        };
        let motes = self.side.inspection.motes.iter().filter(|m| m.kind == Kind::Grain).filter(apart);
        motes
            .filter_map(|m| {
                let (x, y) = self.cell(m.at_sensor?);
                let area_um2 = m.blocked_area_um2?.value;
                Some((Spot { x, y, area_um2 }, self.bank.shape(area_um2)))
            })
            .collect()
    }

    /// Blocked area of one of this frame's round motes, fitted with the shadows of this ground.
    fn area_anew(&self, mote: &Mote) -> Option<Estimate> {
        let was = mote.blocked_area_um2?;
        if mote.kind != Kind::Grain || mote.stand_off_mm.is_some() {
            return None;
        }
        let (x, y) = self.cell(mote.at_sensor?);
        let radius = self.wall().radius(&self.bank, was.value);
        let others: Vec<Spot> = self.others((x, y), radius).into_iter().map(|(spot, _)| spot).collect();
        let fit = self.wall().fit(&self.bank, Spot { x, y, area_um2: was.value }, radius, &others)?;
        let area = fit.spot.area_um2;
        Some(Estimate::new(area, was.sigma * area / was.value.max(1.0)))
    }

    /// The figures of this frame's round motes, in their order.
    pub fn figures(&self) -> Vec<Option<Figure>> {
        let motes = &self.side.inspection.motes;
        let mut figures: Vec<Option<Figure>> = motes.par_iter().map(|m| self.figure(m)).collect();
        freed_of_the_pupil(&mut figures);
        figures
    }

    fn figure(&self, mote: &Mote) -> Option<Figure> {
        let area_um2 = mote.blocked_area_um2?.value;
        if mote.kind != Kind::Grain || mote.flags.at_edge || mote.flags.merged {
            return None;
        }
        let (x, y) = self.cell(mote.at_sensor?);
        let radius = self.wall().radius(&self.bank, area_um2);
        let shape = self.bank.shape(area_um2);
        let mut asked = Asked::new(&shape, area_um2);
        self.each_alone(x, y, radius, |cx, cy, loss| {
            asked.add((cx - x) * self.cell_um(), (cy - y) * self.cell_um(), loss);
        });
        asked.figure(self.noise(x, y))
    }

    /// By what the other frame shows there.
    fn share_of_outline(&self, mote: &Mote, home: &Ground, at: SensorPoint) -> Option<Estimate> {
        let area = mote.blocked_area_um2?.value;
        let width_um = mote.shadow_width_px.value * home.sensor.pitch.0;
        let length_um = (area / (mote.depth.value.max(0.003) * width_um.max(1.0))).clamp(width_um, 3000.0);
        let radius = (0.65 * length_um.hypot(width_um) / self.cell_um() + 3.0).min(0.5 * WINDOW);
        let (x, y) = self.cell(at);
        let (hx, hy) = home.cell(mote.at_sensor?);
        let zoom = self.cell_um() / home.cell_um();
        let mut sums = Sums::default();
        self.each(x, y, radius, |cx, cy, loss| {
            if let Some(there) = home.averaged(hx + (cx - x) * zoom, hy + (cy - y) * zoom) {
                sums.add(there, loss);
            }
        });
        let share = sums.slope(self.noise(x, y))?;
        Some(Estimate::new(share.value, share.sigma.max(3.0 * self.area_error_um2 / area)))
    }

    /// Loss averaged over the nine cells about a place.
    fn averaged(&self, x: f64, y: f64) -> Option<f64> {
        let size = self.flat.size();
        if x < 1.0 || y < 1.0 || x >= size.width as f64 - 1.0 || y >= size.height as f64 - 1.0 {
            return None;
        }
        let (cx, cy) = (x as usize, y as usize);
        let sum: f32 = (cy - 1..=cy + 1).map(|j| self.flat.loss.row(j)[cx - 1..=cx + 1].iter().sum::<f32>()).sum();
        Some(f64::from(sum) / 9.0)
    }

    /// Every sound cell within `radius` of a place: its centre and its loss.
    fn each(&self, x: f64, y: f64, radius: f64, mut f: impl FnMut(f64, f64, f64)) {
        let size = self.flat.size();
        let clip = |v: f64, end: usize| v.clamp(0.0, end as f64) as usize;
        let wall = self.wall();
        for cy in clip(y - radius, size.height)..clip(y + radius + 1.0, size.height) {
            for cx in clip(x - radius, size.width)..clip(x + radius + 1.0, size.width) {
                let (px, py) = (cx as f64 + 0.5, cy as f64 + 0.5);
                if (px - x).hypot(py - y) <= radius && wall.sound(cx, cy) {
                    f(px, py, f64::from(self.flat.loss.at(cx, cy)));
                }
            }
        }
    }
}

/// What a frame shows if the glass lies at that height: blocked areas of round motes and the floor measured anew, all else as it was.
pub(super) fn at_height(side: Side, height: StandOff) -> Inspection {
    let mut inspection = side.inspection.clone();
    let was = inspection.stand_off.replace(height);
    if let (Some(was), Some(floor)) = (was, inspection.floor_um.as_mut()) {
        // The least area that shows grows with the pupil's image, and that with the height.
        *floor *= (height.height_mm.value / was.height_mm.value).sqrt();
    }
    let areas: Vec<Option<Estimate>> = {
        let ground = Ground::of(Side { inspection: &inspection, ..side });
        inspection.motes.par_iter().map(|m| ground.area_anew(m)).collect()
    };
    for (mote, area) in inspection.motes.iter_mut().zip(areas) {
        mote.blocked_area_um2 = area.or(mote.blocked_area_um2);
    }
    inspection
}

/// Sums for a straight line of what is seen over what is expected, with a backdrop of its own.
#[derive(Default)]
struct Sums {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
}

impl Sums {
    fn add(&mut self, x: f64, y: f64) {
        self.n += 1.0;
        self.x += x;
        self.y += y;
        self.xx += x * x;
        self.xy += x * y;
    }

    /// The slope, and its standard error for white noise of `sigma`; `None` where there is nothing to tell it by.
    fn slope(&self, sigma: f64) -> Option<Estimate> {
        let spread = self.xx - self.x * self.x / self.n.max(1.0);
        if self.n < 12.0 || spread <= 0.0 {
            return None;
        }
        let slope = (self.xy - self.x * self.y / self.n) / spread;
        slope.is_finite().then(|| Estimate::new(slope, sigma.max(1e-6) / spread.sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use motelight_frame::{Limits, RawDecoder, ReadOptions, read};
    use motelight_synth::sets::{FrameSpec, format, test_frame, write};

    use super::*;
    use crate::inspect::find::Found;
    use crate::inspect::{InspectOptions, inspect};

    /// A frame that did not know its height, told it, gives the areas that it gives when it knows it.
    #[test]
    fn areas_measured_anew_are_those_of_the_height_they_are_measured_at() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("wall.dng");
        let spec = FrameSpec { grains_only: true, stand_off_mm: Some(2.2), ..FrameSpec::new(5018, 16) };
        write(&test_frame(&spec), format(0), None, &path, &folder.path().join("wall.json")).expect("written");
        let options = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
        let frame = read(&path, &options).expect("read");
        let known = inspect(&frame, &InspectOptions::default());
        let height = known.stand_off.expect("measured");
        let mut assumed = known.clone();
        assumed.stand_off = Some(Found::nothing().stand_off);
        for mote in &mut assumed.motes {
            mote.blocked_area_um2 = mote.blocked_area_um2.map(|a| Estimate::new(0.7 * a.value, 0.7 * a.sigma));
        }
        let told = at_height(Side { frame: &frame, inspection: &assumed }, height);
        let area = |m: &Mote| m.blocked_area_um2.expect("facts of the shot").value;
        let pairs = known.motes.iter().zip(&told.motes).filter(|(m, _)| m.snr > 20.0 && !m.flags.merged);
        let misses: Vec<f64> = pairs.map(|(a, b)| (area(b) / area(a) - 1.0).abs()).collect();
        assert!(misses.len() > 5 && misses.iter().all(|m| *m < 0.02), "{misses:?}");
        let floors = [&told, &known].map(|i| i.floor_um.expect("a floor"));
        assert!(floors[0] > floors[1], "what a lower glass would show, this one does not: {floors:?}");
    }
}
