//! From shadows to motes: what each looks like, and from which stop on it shows.

use motelight_frame::{Colour, FNumber, Frame, Micrometres, Millimetres};
use rayon::prelude::*;

use crate::bank::Bank;
use crate::diffraction::{Light, Shadowing};
use crate::inspect::find::{Found, Shadow};
use crate::inspect::fitness::{Fitness, Verdict};
use crate::inspect::stand_off::Setting;
use crate::inspect::{InspectOptions, Inspection, Kind, Mote, MoteFlags};
use crate::measure::Estimate;
use crate::optics::equivalent_diameter;
use crate::profile::Profile;
use crate::visibility::{Picture, clear_to, shows_from};

/// Writes down what was found.
pub fn judge(
    frame: &Frame,
    setting: &Setting,
    fitness: Fitness,
    found: &Found,
    options: &InspectOptions,
) -> Inspection {
    let shot = &frame.shot;
    let known = shot.f_number.is_some() && shot.pitch.is_some();
    let largest = found.shadows.iter().map(|s| s.spot.area_um2).fold(100.0, f64::max);
    let series = Series::new(setting, found, equivalent_diameter(largest).0.min(400.0));
    let picture = shot.pitch.map(|pitch| Picture { size: frame.size(), pitch: pitch.value, grain: found.grain });
    let from = |area_um2: f64| {
        let picture = picture.filter(|_| known)?;
        shows_from(&picture, &options.viewings, |n| series.profile(n, area_um2))
    };

    let mut motes: Vec<Mote> =
        found.shadows.par_iter().map(|s| mote_of(frame, setting, &series, s, known, &from)).collect();
    // Worst first: what shows at the widest aperture, then what blocks most light.
    let weight = |m: &Mote| m.blocked_area_um2.map_or(m.depth.value, |a| a.value);
    let stop = |m: &Mote| m.shows_from.map_or(f64::MAX, FNumber::exact);
    motes.sort_by(|a, b| {
        stop(a).total_cmp(&stop(b)).then(weight(b).total_cmp(&weight(a))).then(b.snr.total_cmp(&a.snr))
    });
    let prefix: String = frame.digest.0.chars().take(6).collect();
    for (i, mote) in motes.iter_mut().enumerate() {
        mote.id = format!("{prefix}-{}", i + 1);
    }

    let floor = found.floor_um2.filter(|_| known);
    let rated = found.floor_um2.is_some() && known;
    let clear = rated.then(|| clear_to(motes.iter().map(|m| m.shows_from), floor.and_then(from)));
    Inspection {
        size: frame.size(),
        pitch_um: shot.pitch.map(|p| p.value.0),
        f_number: shot.f_number,
        iso: shot.iso,
        body: shot.body.clone(),
        stand_off: (known && found.floor_um2.is_some()).then_some(found.stand_off),
        floor_um: floor.map(|a| equivalent_diameter(a).0),
        threshold_snr: found.threshold_snr,
        clear_to: clear.filter(|_| fitness.verdict != Verdict::Unfit || !motes.is_empty()),
        fitness,
        motes,
        false_motes: options.false_motes,
        viewings: options.viewings.clone(),
        notes: frame.notes.clone(),
    }
}

/// Shadows at every full stop, and at the frame's own f-number in green light.
struct Series {
    own: Bank,
    /// The same were the glass a standard error higher.
    higher: Bank,
    stops: Vec<(FNumber, Bank)>,
}

impl Series {
    fn new(setting: &Setting, found: &Found, largest_um: f64) -> Series {
        let Estimate { value: height, sigma } = found.stand_off.height_mm;
        let bank = |height: f64, n: FNumber| {
            let green = Shadowing::new(Millimetres(height), n, found.stand_off.edge, Light::of(Colour::Green));
            Bank::new(green, Micrometres(largest_um))
        };
        let stops: Vec<FNumber> = FNumber::stops().collect();
        Series {
            own: bank(height, setting.f_number),
            higher: bank(height + sigma, setting.f_number),
            stops: stops.into_par_iter().map(|n| (n, bank(height, n))).collect(),
        }
    }

    fn profile(&self, stop: FNumber, area_um2: f64) -> Option<Profile> {
        self.stops.iter().find(|(n, _)| *n == stop).map(|(_, bank)| bank.profile(area_um2))
    }
}

fn mote_of(
    frame: &Frame,
    setting: &Setting,
    series: &Series,
    shadow: &Shadow,
    known: bool,
    from: &impl Fn(f64) -> Option<FNumber>,
) -> Mote {
    let per_cell = setting.pixels as f64;
    let pitch = setting.cell.0 / per_cell;
    let area = shadow.spot.area_um2;
    let area_error = shadow.errors[2];
    let at_picture = motelight_frame::PicturePoint { x: shadow.spot.x * per_cell, y: shadow.spot.y * per_cell };

    let (depth, width) = match &shadow.extent {
        Some(e) => {
            let width = e.width_um / pitch;
            let of_area = area_error / area.max(1.0);
            (Estimate::new(e.depth, e.depth * of_area), Estimate::new(width, width * 0.5 * of_area))
        }
        None => {
            let at = |bank: &Bank, area: f64| {
                let profile = bank.profile(area);
                [profile.depth(), profile.width().0 / pitch]
            };
            // By noise, and by what is not known of the height.
            let here = at(&series.own, area);
            let (more, higher) = (at(&series.own, area + area_error), at(&series.higher, area));
            let one = |i: usize| Estimate::new(here[i], (more[i] - here[i]).hypot(higher[i] - here[i]));
            (one(0), one(1))
        }
    };
    let diameter = equivalent_diameter(area);
    Mote {
        id: String::new(),
        at_picture,
        at_error_px: shadow.errors[0].hypot(shadow.errors[1]) / std::f64::consts::SQRT_2 * per_cell,
        at_sensor: frame.sensor_from_picture().map(|t| t.sensor(at_picture)),
        depth,
        shadow_width_px: width,
        blocked_area_um2: known.then_some(Estimate::new(area, area_error)),
        equivalent_diameter_um: known
            .then_some(Estimate::new(diameter.0, diameter.0 * 0.5 * area_error / area.max(1.0))),
        shows_from: from(area),
        kind: shadow.kind,
        snr: shadow.snr,
        stand_off_mm: shadow.own_height_mm,
        flags: MoteFlags {
            at_edge: shadow.at_edge,
            merged: shadow.merged,
            under_glass: shadow.own_height_mm.is_some() && shadow.kind == Kind::Grain,
        },
        form: shadow.form.clone(),
    }
}
