//! What a shoot is mended by.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::path::{Path, PathBuf};

use motelight_frame::{Body, Fault, FrameError, Micrometres, PicturePoint, SensorFromPicture, Size, file_digest, read};
use motelight_motes::Estimate;
use motelight_motes::diffraction::Edge;
use motelight_motes::inspect::{InspectOptions, Inspection, Kind, MoteFlags};
use motelight_motes::mend::{Chart, ChartMote, Refusal};

use crate::contract::{BodyEntry, SightingEntry, TraceDocument, TracedBodyEntry, TracedMoteEntry, TracedPictureEntry};
use crate::jobs::Settings;

/// What a shoot is mended by.
#[derive(Debug, Clone)]
pub enum Basis {
    /// One test frame by the body of the pictures.
    TestFrame {
        /// The file as named.
        name: String,
        /// Digest of its content.
        digest: String,
        /// What was found in it.
        inspection: Box<Inspection>,
        /// The chart drawn from it.
        chart: Chart,
    },
    /// The trace of the shoot itself: which motes stand in which picture.
    Trace(Box<TraceBasis>),
}

/// A trace, ready to be asked about single pictures.
#[derive(Debug, Clone)]
pub struct TraceBasis {
    name: String,
    /// Digest of its file, if it has one.
    digest: Option<String>,
    document: TraceDocument,
    /// Body and picture by the picture's files.
    places: BTreeMap<PathBuf, (usize, usize)>,
}

impl Basis {
    /// Reads and judges a test frame.
    ///
    /// # Errors
    /// What reading it gives, and a test frame that no chart can be drawn from.
    pub fn test_frame(path: &Path, settings: &Settings) -> Result<Basis, FrameError> {
        let frame = read(path, &settings.read)?;
        let options = InspectOptions { viewings: settings.viewings.clone(), forms: true, ..InspectOptions::default() };
        let inspection = Box::new(motelight_motes::inspect::inspect(&frame, &options));
        let chart = Chart::of(&inspection).map_err(|refusal| usage(path, &refusal))?;
        Ok(Basis::TestFrame { name: path.display().to_string(), digest: frame.digest.0, inspection, chart })
    }

    /// Reads the document that `motelight trace --json` wrote.
    ///
    /// # Errors
    /// A file that cannot be read or is no such document, and a trace without a scale.
    pub fn trace_file(path: &Path) -> Result<Basis, FrameError> {
        TraceBasis::open(path)?.scaled()
    }

    /// A trace just made.
    ///
    /// # Errors
    /// A trace without a scale, or of no picture.
    pub fn traced(document: TraceDocument) -> Result<Basis, FrameError> {
        TraceBasis::new(document, Path::new("the trace of the shoot"), None, Path::new("")).scaled()
    }

    /// The chart for a picture: of a trace, the motes that stand in it, where they stand in it.
    ///
    /// # Errors
    /// A picture that the trace does not know.
    pub fn chart(&self, picture: &Path) -> Result<Cow<'_, Chart>, FrameError> {
        match self {
            Basis::TestFrame { chart, .. } => Ok(Cow::Borrowed(chart)),
            Basis::Trace(trace) => {
                let (body, entry) = trace.entry(picture)?;
                Ok(Cow::Owned(chart_of(body, entry)))
            }
        }
    }

    /// The ids of all motes.
    pub fn ids(&self) -> Vec<&str> {
        match self {
            Basis::TestFrame { chart, .. } => chart.motes.iter().map(|m| m.id.as_str()).collect(),
            Basis::Trace(t) => t.document.bodies.iter().flat_map(|b| &b.chart).map(|m| m.id.as_str()).collect(),
        }
    }

    /// The body that took a picture, as far as is known.
    pub fn body(&self, picture: &Path) -> Option<Body> {
        self.chart(picture).ok().and_then(|chart| chart.body.clone())
    }

    /// Its name as given.
    pub fn name(&self) -> &str {
        match self {
            Basis::TestFrame { name, .. } => name,
            Basis::Trace(trace) => &trace.name,
        }
    }

    /// What was found in the test frame, if it is one.
    pub fn inspection(&self) -> Option<&Inspection> {
        match self {
            Basis::TestFrame { inspection, .. } => Some(inspection),
            Basis::Trace(_) => None,
        }
    }

    /// What tells it from any other: a trace by its file.
    pub fn whole_digest(&self) -> Option<&str> {
        match self {
            Basis::TestFrame { digest, .. } => Some(digest),
            Basis::Trace(trace) => trace.digest.as_deref(),
        }
    }

    /// What tells it from any other, as far as a picture is concerned: of a trace all that it says of the picture's motes, so
    /// that a longer trace does not have pictures mended anew whose motes are the same.
    ///
    /// # Errors
    /// A picture that the trace does not know.
    pub fn digest(&self, picture: &Path) -> Result<serde_json::Value, FrameError> {
        match self {
            Basis::TestFrame { digest, .. } => Ok(digest.as_str().into()),
            Basis::Trace(trace) => {
                let (body, entry) = trace.entry(picture)?;
                let motes: Vec<_> = motes_in(body, entry).collect();
                Ok(serde_json::json!({ "stand_off_mm": body.stand_off_mm, "motes": motes }))
            }
        }
    }
}

/// Reads the document that `motelight trace --json` wrote.
///
/// # Errors
/// A file that cannot be read or is no such document.
fn trace_document(path: &Path) -> Result<TraceDocument, FrameError> {
    let remedy = "Give the document that `motelight trace PICTURES --json` writes.";
    let text = std::fs::read(path)
        .map_err(|e| FrameError::new(Fault::Unreadable, path, format!("the trace cannot be read: {e}"), remedy))?;
    let document: TraceDocument = serde_json::from_slice(&text)
        .map_err(|e| FrameError::new(Fault::Broken, path, format!("this is no trace: {e}"), remedy))?;
    if !document.is_known() {
        return Err(FrameError::new(Fault::Unsupported, path, "this is a document of another kind", remedy));
    }
    Ok(document)
}

impl TraceBasis {
    /// Reads the document that `motelight trace --json` wrote, for whoever only asks which motes stand where.
    ///
    /// # Errors
    /// A file that cannot be read or is no such document.
    pub(in crate::jobs) fn open(path: &Path) -> Result<TraceBasis, FrameError> {
        let document = trace_document(path)?;
        let beside = path.parent().unwrap_or(Path::new(""));
        Ok(TraceBasis::new(document, path, Some(file_digest(path)?.0), beside))
    }

    fn new(document: TraceDocument, name: &Path, digest: Option<String>, beside: &Path) -> TraceBasis {
        let mut places = BTreeMap::new();
        for (b, body) in document.bodies.iter().enumerate() {
            for (k, picture) in body.pictures.iter().enumerate() {
                for file in std::iter::once(&picture.path).chain(&picture.also) {
                    let file = Path::new(file);
                    let found = if file.exists() { file.to_path_buf() } else { beside.join(file) };
                    places.insert(identity(&found), (b, k));
                }
            }
        }
        TraceBasis { name: name.display().to_string(), digest, document, places }
    }

    /// What to mend by, if it tells how large shadows are.
    fn scaled(self) -> Result<Basis, FrameError> {
        let scaled = |b: &TracedBodyEntry| b.pictures.iter().all(|p| p.pixel_pitch_um.is_some_and(|p| p > 0.0));
        if !self.document.bodies.iter().all(scaled) {
            let message = "the trace knows no pixel pitch, so the shadows' sizes are unknown";
            let remedy = "Trace again and say how large the sensor is, e.g. --sensor 36x24.";
            return Err(FrameError::new(Fault::Usage, Path::new(&self.name), message, remedy));
        }
        Ok(Basis::Trace(Box::new(self)))
    }

    /// A picture by its file; where the folder was moved, by its name, if only one has it.
    ///
    /// # Errors
    /// A picture that the trace does not know.
    pub(in crate::jobs) fn entry(&self, picture: &Path) -> Result<(&TracedBodyEntry, &TracedPictureEntry), FrameError> {
        let named = || {
            let mut same = self.places.iter().filter(|(file, _)| file.file_name() == picture.file_name());
            let first = same.next()?.1;
            same.all(|(_, place)| place == first).then_some(first)
        };
        let place = self.places.get(&identity(picture)).or_else(named);
        let found = place.and_then(|&(b, k)| {
            let body = self.document.bodies.get(b)?;
            Some((body, body.pictures.get(k)?))
        });
        found.ok_or_else(|| {
            let remedy = "Trace it together with the others of its shoot, or mend it by a test frame.";
            FrameError::new(Fault::Usage, picture, "the trace does not know this picture", remedy)
        })
    }
}

/// One name for one file.
fn identity(path: &Path) -> PathBuf {
    path.canonicalize().or_else(|_| std::path::absolute(path)).unwrap_or_else(|_| path.to_path_buf())
}

/// The motes that stand in a picture.
fn motes_in<'a>(
    body: &'a TracedBodyEntry,
    picture: &'a TracedPictureEntry,
) -> impl Iterator<Item = (&'a TracedMoteEntry, &'a SightingEntry)> {
    let of = |s: &'a SightingEntry| Some((body.chart.iter().find(|m| m.id == s.id)?, s));
    picture.motes.iter().filter_map(of)
}

fn chart_of(body: &TracedBodyEntry, picture: &TracedPictureEntry) -> Chart {
    let size = Size { width: picture.width, height: picture.height };
    let pitch = Micrometres(picture.pixel_pitch_um.unwrap_or(0.0));
    let sensor_from_picture = SensorFromPicture { size, pitch };
    let mote = |(mote, sighting): (&TracedMoteEntry, &SightingEntry)| {
        let (diameter, sigma) = (mote.equivalent_diameter_um?, mote.equivalent_diameter_sigma_um?);
        Some(ChartMote {
            id: mote.id.clone(),
            at: sensor_from_picture.sensor(PicturePoint { x: sighting.x_px, y: sighting.y_px }),
            at_error: Micrometres(1000.0 * mote.position_sigma_mm?),
            blocked_area_um2: Estimate::new(PI / 4.0 * diameter * diameter, PI / 2.0 * diameter * sigma),
            kind: Kind::Grain,
            stand_off_mm: None,
            form: None,
            flags: MoteFlags::default(),
            stands: Some(sighting.probability),
        })
    };
    Chart {
        body: body_of(&body.body),
        size,
        pitch,
        stand_off_mm: Estimate::new(body.stand_off_mm.value, body.stand_off_mm.sigma),
        edge: Edge::WAVE,
        motes: motes_in(body, picture).filter_map(mote).collect(),
    }
}

/// The body as the frames name it.
pub fn body_of(entry: &BodyEntry) -> Option<Body> {
    let (make, model) = (entry.make.clone()?, entry.model.clone()?);
    Some(Body { make, model, serial: entry.serial.clone() })
}

/// A refusal of the engine as an error about a file.
pub(super) fn usage(path: &Path, refusal: &Refusal) -> FrameError {
    FrameError::new(Fault::Usage, path, refusal.message.clone(), refusal.remedy.clone())
}
