//! An invented test frame: a plain wall with some motes, and what an inspection of it might say.

use motelight_frame::{
    Body, Cfa, Colour, Digest, Encoding, FNumber, Frame, Layout, Mask, Micrometres, NoiseModel, Orientation,
    PicturePoint, Pitch, PitchSource, Plane, Rect, SensorFromPicture, Shot, Size,
};
use motelight_motes::Estimate;
use motelight_motes::diffraction::Edge;
pub use motelight_motes::inspect::Inspection;
use motelight_motes::inspect::fitness::{Finding, FindingCode, Fitness, Verdict};
use motelight_motes::inspect::stand_off::{StandOff, StandOffSource};
use motelight_motes::inspect::{Kind, Mote, MoteFlags};
use motelight_motes::visibility::{ClearTo, LimitedBy, Viewing};

const SIZE: Size = Size { width: 3000, height: 2000 };
const PITCH: f64 = 12.0;
const PUPIL_PX: f64 = 66.0 / PITCH;

/// Places as fractions of the picture, diameters in µm, stops.
const MOTES: [(f64, f64, f64, f64, Kind); 14] = [
    (0.12, 0.10, 46.0, 5.6, Kind::Grain),
    (0.81, 0.07, 38.0, 8.0, Kind::Grain),
    (0.45, 0.22, 33.0, 8.0, Kind::Grain),
    (0.93, 0.35, 28.0, 11.0, Kind::Fibre),
    (0.22, 0.62, 26.0, 11.0, Kind::Grain),
    (0.225, 0.63, 22.0, 11.0, Kind::Grain),
    (0.66, 0.81, 24.0, 11.0, Kind::Oil),
    (0.05, 0.93, 21.0, 11.0, Kind::Grain),
    (0.52, 0.51, 19.0, 16.0, Kind::Residue),
    (0.35, 0.35, 17.0, 16.0, Kind::Grain),
    (0.74, 0.42, 15.0, 16.0, Kind::Grain),
    (0.60, 0.15, 12.0, 22.0, Kind::Grain),
    (0.15, 0.40, 10.0, 32.0, Kind::Grain),
    (0.88, 0.88, 8.0, 0.0, Kind::Grain),
];

fn stop(n: f64) -> Option<FNumber> {
    FNumber::new(n)
}

pub fn shot() -> Shot {
    Shot {
        body: Some(Body { make: "Brennholm".into(), model: "K2".into(), serial: Some("0041887".into()) }),
        lens: None,
        f_number: stop(22.0),
        iso: Some(100.0),
        exposure_seconds: Some(0.5),
        taken: Some("2031-04-02T10:15:00".into()),
        orientation: Orientation::UPRIGHT,
        crop: Rect { x: 0, y: 0, width: SIZE.width, height: SIZE.height },
        pitch: Some(Pitch { value: Micrometres(PITCH), source: PitchSource::FocalPlaneResolution }),
        ..Shot::unknown(SIZE)
    }
}

fn depth(diameter: f64) -> f64 {
    (diameter / 66.0).powi(2).min(1.0)
}

pub fn inspection() -> Inspection {
    let motes = MOTES.iter().enumerate().map(|(i, &(x, y, diameter, from, kind))| {
        let at_picture = PicturePoint { x: x * SIZE.width as f64, y: y * SIZE.height as f64 };
        Mote {
            id: format!("41c0de-{}", i + 1),
            at_picture,
            at_error_px: 0.1,
            at_sensor: Some(SensorFromPicture { size: SIZE, pitch: Micrometres(PITCH) }.sensor(at_picture)),
            depth: Estimate::new(depth(diameter), 0.004),
            shadow_width_px: Estimate::new(diameter.max(66.0) / PITCH, 0.12),
            blocked_area_um2: Some(Estimate::new(0.785 * diameter * diameter, 14.0)),
            equivalent_diameter_um: Some(Estimate::new(diameter, 9.0 / diameter)),
            shows_from: stop(from),
            kind,
            snr: diameter * diameter / 14.0,
            stand_off_mm: None,
            flags: MoteFlags { at_edge: false, merged: matches!(i, 4 | 5), under_glass: i == 9 },
            form: None,
        }
    });
    Inspection {
        size: SIZE,
        pitch_um: Some(PITCH),
        f_number: stop(22.0),
        iso: Some(100.0),
        body: shot().body,
        fitness: Fitness { verdict: Verdict::Fit, findings: Vec::new() },
        stand_off: Some(StandOff {
            height_mm: Estimate::new(1.49, 0.03),
            source: StandOffSource::Measured,
            shadows: 11,
            edge: Edge::WAVE,
        }),
        floor_um: Some(6.5),
        clear_to: Some(ClearTo { f_number: stop(4.0), limited_by: LimitedBy::Mote }),
        motes: motes.collect(),
        threshold_snr: Some(5.4),
        false_motes: 0.1,
        viewings: Viewing::standard(),
        notes: vec!["Pixel pitch 12.00 µm from the file’s focal-plane resolution.".into()],
    }
}

pub fn clean() -> Inspection {
    Inspection {
        motes: Vec::new(),
        clear_to: Some(ClearTo { f_number: stop(22.0), limited_by: LimitedBy::Floor }),
        ..inspection()
    }
}

fn finding(verdict: Verdict) -> Fitness {
    let finding = Finding {
        code: FindingCode::ApertureTooWide,
        verdict,
        message: "It was taken at f/4, where most shadows are too faint to be found.".into(),
        remedy: "Set the smallest aperture the lens has, f/16 or f/22.".into(),
    };
    Fitness { verdict, findings: vec![finding] }
}

pub fn unfit() -> Inspection {
    Inspection { fitness: finding(Verdict::Unfit), ..inspection() }
}

pub fn with_care() -> Inspection {
    Inspection { fitness: finding(Verdict::UsableWithCare), ..inspection() }
}

/// The wall with the shadows in it, as a colour mosaic.
pub fn frame() -> Frame {
    use Colour::{Blue, Green, Red};
    let period = Size { width: 2, height: 2 };
    let cfa = Cfa::new(period, vec![Red, Green, Green, Blue]).expect("whole");
    let mut seed = 7u64;
    let mut noise = move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 40) as f32 / 16_777_216.0 - 0.5
    };
    let mut plane = Plane::filled(SIZE, 0.0f32);
    for y in 0..SIZE.height {
        for x in 0..SIZE.width {
            let from_middle = (x as f32 / 1500.0 - 1.0).powi(2) + (y as f32 / 1000.0 - 1.0).powi(2);
            let colour = [0.35, 0.6, 0.45][cfa.colour(x, y) as usize];
            plane.set(x, y, colour * (1.0 - 0.18 * from_middle) * (1.0 + 0.035 * noise()));
        }
    }
    for (fx, fy, diameter, ..) in MOTES {
        let (cx, cy, r) = (fx * SIZE.width as f64, fy * SIZE.height as f64, PUPIL_PX / 2.0);
        let reach = r.ceil() as usize + 3;
        for y in (cy as usize).saturating_sub(reach)..(cy as usize + reach).min(SIZE.height) {
            for x in (cx as usize).saturating_sub(reach)..(cx as usize + reach).min(SIZE.width) {
                let inside = (r + 0.5 - (x as f64 + 0.5 - cx).hypot(y as f64 + 0.5 - cy)).clamp(0.0, 1.0);
                plane.set(x, y, plane.at(x, y) * (1.0 - inside * depth(diameter)) as f32);
            }
        }
    }
    Frame {
        planes: vec![plane].into(),
        layout: Layout::Mosaic(cfa),
        encoding: Encoding::Levels { period, black: vec![0.0; 4], white: 16383.0 },
        luminance: [0.2, 0.7, 0.1],
        noise: vec![NoiseModel { shot: 1e-4, read: 1e-7 }],
        mask: Mask(Plane::filled(SIZE, 0)),
        shot: shot(),
        digest: Digest("00".repeat(32)),
        notes: Vec::new(),
    }
}
