//! What mending needs of a test frame.

use motelight_frame::{Body, Frame, Micrometres, PicturePoint, SensorFromPicture, SensorPoint, Size};

use crate::diffraction::Edge;
use crate::form::Form;
use crate::inspect::{Inspection, Kind, MoteFlags};
use crate::measure::Estimate;
use crate::refusal::{Refusal, RefusalCode};
use crate::register::Registration;

/// The motes of one body at one time, and the optics by which they were measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// The body; `None` where the test frame does not tell.
    pub body: Option<Body>,
    /// Size of the test frame's default crop.
    pub size: Size,
    /// Its pixel pitch.
    pub pitch: Micrometres,
    /// Height of the glass, mm.
    pub stand_off_mm: Estimate,
    /// How shadow edges are drawn.
    pub edge: Edge,
    /// The motes.
    pub motes: Vec<ChartMote>,
}

/// One mote of a chart.
#[derive(Debug, Clone, PartialEq)]
pub struct ChartMote {
    /// The id that the inspection gave it.
    pub id: String,
    /// Where its shadow stood in the test frame.
    pub at: SensorPoint,
    /// Standard error of the place along each axis, µm.
    pub at_error: Micrometres,
    /// Blocked area, µm².
    pub blocked_area_um2: Estimate,
    /// What it looks like.
    pub kind: Kind,
    /// Its own stand-off, where it differs, mm.
    pub stand_off_mm: Option<f64>,
    /// What to keep in mind.
    pub flags: MoteFlags,
    /// What casts its shadow, where that is not round.
    pub form: Option<Form>,
    /// Probability that it stands in the very picture to be mended, where other pictures of the shoot tell.
    pub stands: Option<f64>,
}

impl Chart {
    /// The chart of an inspected test frame.
    ///
    /// # Errors
    /// `NoShotFacts` where the test frame tells no f-number or pixel pitch: nothing can be foretold from it.
    pub fn of(inspection: &Inspection) -> Result<Chart, Refusal> {
        let (Some(pitch), Some(_)) = (inspection.pitch_um, inspection.f_number) else {
            return Err(Refusal::new(
                RefusalCode::NoShotFacts,
                "the test frame tells no f-number or no pixel pitch",
                "use the test frame as the camera wrote it, or give the sensor's size, e.g. --sensor 36x24",
            ));
        };
        let Some(stand_off) = inspection.stand_off else {
            return Err(Refusal::new(
                RefusalCode::UnfitTestFrame,
                "the test frame shows no plain surface, so no mote was measured in it",
                "take a test frame of a plain bright wall at f/16 or smaller",
            ));
        };
        let pitch = Micrometres(pitch);
        let motes = inspection.motes.iter().filter_map(|m| {
            Some(ChartMote {
                id: m.id.clone(),
                at: m.at_sensor?,
                at_error: pitch * m.at_error_px,
                blocked_area_um2: m.blocked_area_um2?,
                kind: m.kind,
                stand_off_mm: m.stand_off_mm.map(|h| h.value),
                flags: m.flags,
                form: m.form.clone(),
                stands: None,
            })
        });
        Ok(Chart {
            body: inspection.body.clone(),
            size: inspection.size,
            pitch,
            stand_off_mm: stand_off.height_mm,
            // Other pictures, other lenses: what their pupils look like is not known.
            edge: stand_off.edge.bladed(0),
            motes: motes.collect(),
        })
    }

    /// The chart as it lies in a picture that was finished from one of this body: cropped, turned, resized, straightened. The
    /// finished picture is taken for a sensor of its own whose pixels are as large as they are at its middle; where
    /// perspective made things larger, glass and motes are larger: all shadows are then right in pixels and in depth, but
    /// for the bright ring (which grows with the root of the height) and for the oval that perspective makes of a disc.
    /// `None` where the finished picture's middle lies outside the original.
    pub fn carried(&self, way: &Registration) -> Option<Chart> {
        // Raw and rendered files of one exposure differ by a few pixels.
        let pitch = self.pitch * (self.size.width as f64 / way.original.width as f64);
        let from = SensorFromPicture { size: way.original, pitch };
        let middle = PicturePoint { x: way.finished.width as f64 / 2.0, y: way.finished.height as f64 / 2.0 };
        let scale = |at: PicturePoint| way.scale_at(at).filter(|s| *s > 0.0);
        let whole = scale(way.original_from_finished(middle)?)?;
        let pitch = pitch * (1.0 / whole);
        let to = SensorFromPicture { size: way.finished, pitch };
        let mote = |mote: &ChartMote| {
            let place = from.picture(mote.at);
            let larger = scale(place)? / whole;
            let height = mote.stand_off_mm.unwrap_or(self.stand_off_mm.value);
            let area = mote.blocked_area_um2;
            Some(ChartMote {
                at: to.sensor(way.finished_from_original(place)?),
                at_error: Micrometres((mote.at_error.0 * larger).hypot(pitch.0 * way.sigma_px)),
                blocked_area_um2: Estimate::new(area.value * larger * larger, area.sigma * larger * larger),
                stand_off_mm: Some(height * larger),
                // Turned and stretched it is another.
                form: None,
                ..mote.clone()
            })
        };
        Some(Chart { size: way.finished, pitch, motes: self.motes.iter().filter_map(mote).collect(), ..self.clone() })
    }

    /// Pixel pitch of a picture of this chart's body: the picture's own, else the chart's, scaled where the
    /// picture is a resized copy of the same shape.
    ///
    /// # Errors
    /// `NoShotFacts` where the picture is of another shape, so that nothing tells which part it shows.
    pub(super) fn pitch_in(&self, frame: &Frame) -> Result<Micrometres, Refusal> {
        let size = frame.size();
        // Camera JPEGs and raws of one exposure differ by a few pixels.
        let same = |a: usize, b: usize| a.abs_diff(b) <= 16.max(a / 100);
        if same(size.width, self.size.width) && same(size.height, self.size.height) {
            return Ok(self.pitch);
        }
        if let Some(pitch) = frame.shot.pitch.filter(|_| frame.shot.edited.is_none()) {
            return Ok(pitch.value);
        }
        let (across, down) = (self.size.width as f64 / size.width as f64, self.size.height as f64 / size.height as f64);
        if (across / down - 1.0).abs() < 0.01 {
            return Ok(self.pitch * across);
        }
        Err(Refusal::new(
            RefusalCode::NoShotFacts,
            format!(
                "the picture ({} x {} px) is of another shape than the test frame ({} x {} px): it was cropped",
                size.width, size.height, self.size.width, self.size.height
            ),
            "mend the picture as the camera wrote it, then crop it",
        ))
    }

    /// Whether a picture was taken with this chart's body.
    ///
    /// # Errors
    /// `OtherBody` where make, model or serial number differ, or where nothing tells the body.
    pub(super) fn holds_for(&self, body: Option<&Body>) -> Result<Option<String>, Refusal> {
        let remedy = "take a test frame with the body of the picture";
        let (Some(own), Some(other)) = (&self.body, body) else {
            let which = if body.is_none() { "the picture" } else { "the test frame" };
            return Err(Refusal::new(
                RefusalCode::OtherBody,
                format!("{which} does not tell which body took it"),
                "use files as the camera wrote them, or say that both are of one body",
            ));
        };
        if !same_text(&own.make, &other.make) || !same_text(&own.model, &other.model) {
            let message =
                format!("taken with {} {}, the test frame with {} {}", other.make, other.model, own.make, own.model);
            return Err(Refusal::new(RefusalCode::OtherBody, message, remedy));
        }
        match (&own.serial, &other.serial) {
            (Some(a), Some(b)) if !same_text(a, b) => Err(Refusal::new(
                RefusalCode::OtherBody,
                format!("taken with {} number {b}, the test frame with number {a}", other.model),
                remedy,
            )),
            (Some(_), Some(_)) => Ok(None),
            _ => Ok(Some("No serial number in the files: taken as one body because make and model agree.".into())),
        }
    }
}

impl ChartMote {
    /// Whether it is known to be far from round.
    pub(super) fn is_long(&self) -> bool {
        self.form.as_ref().is_some_and(|form| !form.is_nearly_round())
    }

    /// Standard error of the logarithm of the blocked area.
    pub(super) fn area_error(&self) -> f64 {
        self.blocked_area_um2.sigma / self.blocked_area_um2.value.max(1e-9)
    }
}

fn same_text(a: &str, b: &str) -> bool {
    a.trim().eq_ignore_ascii_case(b.trim())
}
