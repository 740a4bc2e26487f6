//! A synthetic test frame, written as a file, read and inspected, beside its truth.

use motelight_frame::{FNumber, Frame, Limits, Micrometres, Millimetres, RawDecoder, ReadOptions, read};
use motelight_motes::diffraction::{Edge, Light, Shadowing};
use motelight_motes::inspect::{InspectOptions, Inspection, Mote, inspect};
use motelight_synth::Mode;
use motelight_synth::sets::{FrameSpec, format, test_frame, write};
use motelight_synth::truth::{MoteTruth, Truth, truth};

/// One inspected frame.
pub struct Judged {
    /// What was found.
    pub inspection: Inspection,
    /// Whether its codes are as fine as a raw's.
    pub raw_like: bool,
    /// True stand-off, mm.
    pub stand_off_mm: f64,
    truth: Truth,
    mode: Mode,
}

/// One true mote, opaque and whole, and what was found of it.
#[derive(Debug, Clone, Copy)]
pub struct Seen {
    /// True signal-to-noise ratio of the matched filter.
    pub snr: f64,
    /// True equivalent diameter, um.
    pub diameter_um: f64,
    /// True full width at half depth, px.
    pub width_px: f64,
    /// Whether no other shadow overlaps.
    pub alone: bool,
    /// What was found.
    pub found: Option<Measured>,
}

/// How a mote was measured.
#[derive(Debug, Clone, Copy)]
pub struct Measured {
    /// Distance from the true place, px.
    pub miss_px: f64,
    /// Measured over true blocked area.
    pub area_ratio: f64,
    /// Measured over true centre depth.
    pub depth_ratio: f64,
    /// How far the depth is off, in its own standard errors.
    pub depth_pull: f64,
}

impl Judged {
    /// Makes a frame of a kind (by number, as the sets count them) and inspects it.
    pub fn of(spec: &FrameSpec, kind: u64) -> Judged {
        Judged::changed(spec, kind, |_| ())
    }

    /// The same, the frame changed before it is inspected.
    pub fn changed(spec: &FrameSpec, kind: u64, change: impl FnOnce(&mut Frame)) -> Judged {
        let folder = tempfile::tempdir().expect("a folder");
        let kind = spec.fault.map_or(format(kind), |f| f.format(kind));
        let picture = folder.path().join("wall").with_extension(kind.extension());
        let told = folder.path().join("wall.truth.json");
        let truth = write(&test_frame(spec), kind, spec.fault, &picture, &told).expect("written");
        let options = ReadOptions { limits: Limits::default(), sensor: None, raw: RawDecoder::InProcess };
        let mut frame = read(&picture, &options).expect("read");
        change(&mut frame);
        let inspection = inspect(&frame, &InspectOptions::default());
        let raw_like = kind.extension() != "jpg";
        Judged { inspection, raw_like, stand_off_mm: truth.stand_off_mm, truth, mode: spec.mode }
    }

    /// The mote found nearest to a true one, and how far off it lies, px.
    fn nearest(&self, m: &MoteTruth) -> Option<(&Mote, f64)> {
        let all = self.inspection.motes.iter();
        let missed = all.map(|f| (f, (f.at_picture.x - m.x_px).hypot(f.at_picture.y - m.y_px)));
        missed.min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Opaque motes that lie wholly in the frame, each with the nearest found.
    pub fn seen(&self) -> impl Iterator<Item = Seen> + '_ {
        self.truth.motes.iter().filter(|m| m.opaque && m.whole).map(|m| {
            let found = self.nearest(m).map(|(f, miss_px)| {
                let area_ratio = f.blocked_area_um2.map_or(f64::NAN, |a| a.value / m.blocked_area_um2);
                let depth_pull = (f.depth.value - m.depth) / f.depth.sigma;
                Measured { miss_px, area_ratio, depth_ratio: f.depth.value / m.depth, depth_pull }
            });
            Seen {
                snr: m.snr,
                diameter_um: m.equivalent_diameter_um,
                width_px: m.shadow_width_px,
                alone: m.overlaps.is_empty(),
                found: found.filter(|f| f.miss_px < (0.6 * m.shadow_width_px).max(4.0)),
            }
        })
    }

    /// Motes found where none lies, of whatever kind.
    pub fn false_motes(&self) -> usize {
        let nothing_near = |x: f64, y: f64| {
            let near = |m: &MoteTruth| (m.x_px - x).hypot(m.y_px - y) < (0.6 * m.shadow_width_px).max(4.0);
            !self.truth.motes.iter().any(near)
        };
        self.inspection.motes.iter().filter(|m| nothing_near(m.at_picture.x, m.at_picture.y)).count()
    }

    /// Measured over true blocked area and width of strong single motes of a kind.
    pub fn measures_of(&self, kind: &str) -> Vec<(f64, f64)> {
        let strong = |m: &&MoteTruth| m.whole && m.kind == kind && m.overlaps.is_empty() && m.snr >= 20.0;
        let measure = |m: &MoteTruth| {
            let (found, miss_px) = self.nearest(m)?;
            let area = found.blocked_area_um2?.value / m.blocked_area_um2;
            (miss_px < 0.6 * m.shadow_width_px).then_some((area, found.shadow_width_px.value / m.shadow_width_px))
        };
        self.truth.motes.iter().filter(strong).filter_map(measure).collect()
    }

    /// How many motes were found where each true mote of a kind lies that no other overlaps.
    pub fn pieces_of(&self, kind: &str) -> Vec<usize> {
        let true_ones = self.truth.motes.iter().filter(|m| m.whole && m.kind == kind && m.overlaps.is_empty());
        let within = |m: &MoteTruth, f: &Mote| {
            (f.at_picture.x - m.x_px).hypot(f.at_picture.y - m.y_px) < 0.8 * m.shadow_width_px
        };
        true_ones.map(|m| self.inspection.motes.iter().filter(|f| within(m, f)).count()).collect()
    }

    /// Centre depths at another f-number of the strong single motes that were found: foretold from what was measured, and
    /// true, without noise.
    pub fn foretold(&self, spec: &FrameSpec, f_number: f64) -> Vec<(f64, f64)> {
        let then = truth(&test_frame(&FrameSpec { f_number: Some(f_number), ..spec.clone() }), None, None);
        let stand_off = self.inspection.stand_off.expect("facts of the shot");
        let n = FNumber::new(f_number).expect("an f-number");
        let height = Millimetres(stand_off.height_mm.value);
        let shadowing = Shadowing::new(height, n, stand_off.edge, Light::mixed([0.0, 1.0, 0.0]))
            .with_cell(Micrometres(self.truth.pitch_um));
        let strong = self.seen().zip(self.truth.motes.iter().filter(|m| m.opaque && m.whole));
        let strong = strong.filter(|(s, _)| s.alone && s.snr >= 20.0 && s.diameter_um >= 12.0);
        strong
            .filter_map(|(seen, mote)| {
                let diameter = Micrometres(seen.diameter_um * seen.found?.area_ratio.sqrt());
                let then = then.motes.iter().find(|m| m.id == mote.id)?;
                Some((shadowing.profile(diameter).depth(), then.depth))
            })
            .collect()
    }

    /// The Cramér-Rao bound of a place along one axis, px: with a shadow g and white noise s, var(x) is at least
    /// s^2 / sum (dg/dx)^2 and SNR^2 = sum g^2 / s^2, so only the shadow's shape and the SNR are needed.
    pub fn place_bound_px(&self, seen: &Seen) -> f64 {
        let edge = if self.mode == Mode::Fresnel { Edge::WAVE } else { Edge::RAYS };
        let n = FNumber::new(self.truth.f_number).expect("an f-number");
        let light = Light::mixed([1.0, 1.0, 1.0]);
        let shadowing =
            Shadowing::new(Millimetres(self.stand_off_mm), n, edge, light).with_cell(Micrometres(self.truth.pitch_um));
        let profile = shadowing.profile(Micrometres(seen.diameter_um));
        let (step, lost) = (profile.step().0, profile.samples());
        let (mut power, mut slope) = (0.0, 0.0);
        for (i, pair) in lost.windows(2).enumerate() {
            let r = (i as f64 + 0.5) * step;
            power += (0.5 * (pair[0] + pair[1])).powi(2) * r;
            slope += 0.5 * ((pair[1] - pair[0]) / step).powi(2) * r;
        }
        (power / slope).sqrt() / self.truth.pitch_um / seen.snr
    }
}

/// Root of the mean square.
pub fn rms(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, n) = values.fold((0.0, 0usize), |(s, n), v| (s + v * v, n + 1));
    (sum / n.max(1) as f64).sqrt()
}
