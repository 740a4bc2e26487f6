//! What the ledger tells: lists, and the story of one body.

use motelight_frame::{FNumber, FrameError};
use motelight_motes::advise::PassKind;
use motelight_motes::recheck::Status;
use rusqlite::params;
use serde::Serialize;

use super::keep::pass_kind;
use super::open::Ledger;
use super::record::ChartMote;
use super::when::Moment;

/// One body in the list.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct BodyRow {
    pub number: i64,
    pub name: Option<String>,
    pub make: String,
    pub model: String,
    pub serial: Option<String>,
    pub sensor_mm: Option<(f64, f64)>,
    pub test_frames: i64,
    pub passes: i64,
    pub last_test_frame: Option<Moment>,
    pub clear_to: Option<f64>,
}

impl BodyRow {
    /// What a person calls it.
    pub fn called(&self) -> String {
        self.name.clone().unwrap_or_else(|| match &self.serial {
            Some(serial) => format!("{} no. {serial}", self.model),
            None => self.model.clone(),
        })
    }
}

/// One test frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct FrameRow {
    pub number: i64,
    pub body: i64,
    pub path: String,
    pub taken: Moment,
    pub taken_known: bool,
    pub lens: Option<String>,
    pub f_number: Option<f64>,
    pub verdict: String,
    pub clear_to: Option<f64>,
    pub limited_by: Option<String>,
    pub floor_um: Option<f64>,
    pub motes: i64,
    pub showing: i64,
}

/// One pass and what it did.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct PassRow {
    pub number: i64,
    pub body: i64,
    pub made: Moment,
    pub kind: String,
    pub swab: Option<String>,
    pub fluid: Option<String>,
    pub note: Option<String>,
    pub gone: Option<i64>,
    pub stayed: Option<i64>,
    pub moved: Option<i64>,
    pub new: Option<i64>,
    pub residue: Option<i64>,
}

/// A mote of the last chart that stayed through passes.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct StayedMote {
    pub mote: usize,
    pub passes: u32,
    pub wet_passes: u32,
    pub since: Moment,
    #[serde(flatten)]
    pub chart: ChartMote,
}

/// One shoot.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct ShootRow {
    pub name: String,
    pub starts: Moment,
    pub ends: Moment,
    pub booked: f64,
    pub note: Option<String>,
    pub bodies: Vec<i64>,
}

/// One delivery.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct DeliveryRow {
    pub body: Option<i64>,
    pub kind: String,
    pub path: String,
    pub output: Option<String>,
    pub recorded: Moment,
    pub lifted: Option<i64>,
    pub filled: Option<i64>,
    pub untouched: Option<i64>,
    pub verdict: Option<String>,
}

/// All of one body.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct Story {
    pub body: BodyRow,
    pub test_frames: Vec<FrameRow>,
    pub passes: Vec<PassRow>,
    pub stayed: Vec<StayedMote>,
    pub chart: Vec<ChartMote>,
    pub mended: i64,
}

/// A fate as the ledger keeps it: status, number before, number after, probability.
type KeptFate = (Status, Option<usize>, Option<usize>, f64);

impl Ledger {
    /// All bodies.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn bodies(&self) -> Result<Vec<BodyRow>, FrameError> {
        self.rows(
            "SELECT b.id, b.name, b.make, b.model, b.serial, b.width_mm, b.height_mm,
               (SELECT count(*) FROM test_frame WHERE body_id = b.id), (SELECT count(*) FROM pass WHERE body_id = b.id),
               f.taken, f.clear_to
             FROM body b LEFT JOIN test_frame f ON f.id =
               (SELECT id FROM test_frame WHERE body_id = b.id ORDER BY taken DESC, id DESC LIMIT 1)
             ORDER BY coalesce(b.name, b.model), b.id",
            [],
            |r| {
                let side: (Option<f64>, Option<f64>) = (r.get(5)?, r.get(6)?);
                Ok(BodyRow {
                    number: r.get(0)?,
                    name: r.get(1)?,
                    make: r.get(2)?,
                    model: r.get(3)?,
                    serial: r.get(4)?,
                    sensor_mm: side.0.zip(side.1),
                    test_frames: r.get(7)?,
                    passes: r.get(8)?,
                    last_test_frame: r.get(9)?,
                    clear_to: r.get(10)?,
                })
            },
        )
    }

    /// Test frames, the oldest first; of one body or of all.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn frames(&self, body: Option<i64>) -> Result<Vec<FrameRow>, FrameError> {
        self.rows(
            "SELECT f.id, f.body_id, f.path, f.taken, f.taken_known, l.model, f.f_number, f.verdict, f.clear_to, f.limited_by,
               f.floor_um, f.motes, f.showing
             FROM test_frame f LEFT JOIN lens l ON l.id = f.lens_id
             WHERE ?1 IS NULL OR f.body_id = ?1 ORDER BY f.taken, f.id",
            params![body],
            |r| {
                Ok(FrameRow {
                    number: r.get(0)?,
                    body: r.get(1)?,
                    path: r.get(2)?,
                    taken: r.get(3)?,
                    taken_known: r.get(4)?,
                    lens: r.get(5)?,
                    f_number: r.get(6)?,
                    verdict: r.get(7)?,
                    clear_to: r.get(8)?,
                    limited_by: r.get(9)?,
                    floor_um: r.get(10)?,
                    motes: r.get(11)?,
                    showing: r.get(12)?,
                })
            },
        )
    }

    /// Passes, the oldest first; of one body or of all.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn passes(&self, body: Option<i64>) -> Result<Vec<PassRow>, FrameError> {
        self.rows(
            "SELECT p.id, p.body_id, p.made, p.kind, p.swab, p.fluid, p.note, c.gone, c.stayed, c.moved, c.new, c.residue
             FROM pass p LEFT JOIN comparison c ON c.id = p.comparison_id
             WHERE ?1 IS NULL OR p.body_id = ?1 ORDER BY p.made, p.id",
            params![body],
            |r| {
                Ok(PassRow {
                    number: r.get(0)?,
                    body: r.get(1)?,
                    made: r.get(2)?,
                    kind: r.get(3)?,
                    swab: r.get(4)?,
                    fluid: r.get(5)?,
                    note: r.get(6)?,
                    gone: r.get(7)?,
                    stayed: r.get(8)?,
                    moved: r.get(9)?,
                    new: r.get(10)?,
                    residue: r.get(11)?,
                })
            },
        )
    }

    /// Kinds of the passes that a comparison shows, in their order.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn passes_of(&self, comparison: i64) -> Result<Vec<PassKind>, FrameError> {
        let words: Vec<String> =
            self.rows("SELECT kind FROM pass WHERE comparison_id = ?1 ORDER BY made, id", [comparison], |r| r.get(0))?;
        Ok(words.iter().filter_map(|w| pass_kind(w)).collect())
    }

    /// Largest f-number of a body's shoots that are not over on a day.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn booked(&self, body: i64, today: &Moment) -> Result<Option<FNumber>, FrameError> {
        let most: Vec<Option<f64>> = self.rows(
            "SELECT max(booked) FROM shoot s JOIN shoot_body b ON b.shoot_id = s.id WHERE b.body_id = ?1 AND s.ends >= ?2",
            params![body, today],
            |r| r.get(0),
        )?;
        Ok(most.first().copied().flatten().and_then(FNumber::new))
    }

    /// All shoots, the next first to start first.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn shoots(&self) -> Result<Vec<ShootRow>, FrameError> {
        let shoots =
            self.rows("SELECT id, name, starts, ends, booked, note FROM shoot ORDER BY starts, id", [], |r| {
                let shoot = ShootRow {
                    name: r.get(1)?,
                    starts: r.get(2)?,
                    ends: r.get(3)?,
                    booked: r.get(4)?,
                    note: r.get(5)?,
                    bodies: Vec::new(),
                };
                Ok((r.get::<_, i64>(0)?, shoot))
            })?;
        let bodies: Vec<(i64, i64)> =
            self.rows("SELECT shoot_id, body_id FROM shoot_body ORDER BY 1, 2", [], |r| Ok((r.get(0)?, r.get(1)?)))?;
        let with = |(id, mut shoot): (i64, ShootRow)| {
            shoot.bodies = bodies.iter().filter(|b| b.0 == id).map(|b| b.1).collect();
            shoot
        };
        Ok(shoots.into_iter().map(with).collect())
    }

    /// Deliveries, the latest first.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn deliveries(&self) -> Result<Vec<DeliveryRow>, FrameError> {
        self.rows(
            "SELECT body_id, kind, path, output, recorded, lifted, filled, untouched, verdict FROM delivery
             ORDER BY recorded DESC, id DESC",
            [],
            |r| {
                Ok(DeliveryRow {
                    body: r.get(0)?,
                    kind: r.get(1)?,
                    path: r.get(2)?,
                    output: r.get(3)?,
                    recorded: r.get(4)?,
                    lifted: r.get(5)?,
                    filled: r.get(6)?,
                    untouched: r.get(7)?,
                    verdict: r.get(8)?,
                })
            },
        )
    }

    /// The story of a body.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn story(&self, body: i64) -> Result<Story, FrameError> {
        let all = self.bodies()?;
        let row = all.into_iter().find(|b| b.number == body);
        let row = row.ok_or_else(|| self.fault(&rusqlite::Error::QueryReturnedNoRows))?;
        let test_frames = self.frames(Some(body))?;
        let last = test_frames.last().map(|f| f.number);
        let mended = self
            .rows("SELECT count(*) FROM delivery WHERE body_id = ?1 AND kind = 'mended'", [body], |r| r.get(0))?
            .pop()
            .unwrap_or(0);
        Ok(Story {
            body: row,
            passes: self.passes(Some(body))?,
            stayed: last.map_or_else(|| Ok(Vec::new()), |f| self.stayed(f))?,
            chart: last.map_or_else(|| Ok(Vec::new()), |f| self.chart(f))?,
            test_frames,
            mended,
        })
    }

    /// The chart of a frame.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn chart(&self, frame: i64) -> Result<Vec<ChartMote>, FrameError> {
        let texts: Vec<String> =
            self.rows("SELECT motes FROM chart WHERE test_frame_id = ?1", [frame], |r| r.get(0))?;
        Ok(texts.first().and_then(|t| serde_json::from_str(t).ok()).unwrap_or_default())
    }

    /// The motes of a frame that were there before passes, followed back from comparison to comparison.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn stayed(&self, frame: i64) -> Result<Vec<StayedMote>, FrameError> {
        let chart = self.chart(frame)?;
        // Number in the frame looked at, by number in the last one.
        let mut traced: Vec<Option<usize>> = (0..chart.len()).map(Some).collect();
        let mut found: Vec<Option<StayedMote>> = vec![None; chart.len()];
        let mut at = frame;
        let mut seen = vec![frame];
        while traced.iter().any(Option::is_some) {
            type Step = (i64, i64, String, Moment, u32, u32);
            let steps: Vec<Step> = self.rows(
                "SELECT c.id, c.before_id, c.fates, f.taken, (SELECT count(*) FROM pass WHERE comparison_id = c.id),
                   (SELECT count(*) FROM pass WHERE comparison_id = c.id AND kind = 'swab')
                 FROM comparison c JOIN test_frame f ON f.id = c.before_id
                 WHERE c.after_id = ?1 ORDER BY f.taken DESC, c.id DESC",
                [at],
                |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?)),
            )?;
            let Some((_, before, fates, taken, passes, wet)) = steps.into_iter().find(|s| !seen.contains(&s.1)) else {
                break;
            };
            let fates: Vec<KeptFate> = serde_json::from_str(&fates).unwrap_or_default();
            for (mote, number) in traced.iter_mut().enumerate() {
                let came = number
                    .and_then(|n| fates.iter().find(|f| f.0 == Status::Stayed && f.2 == Some(n)).and_then(|f| f.1));
                *number = came;
                if came.is_some() && passes > 0 {
                    let one = found[mote].get_or_insert_with(|| StayedMote {
                        mote,
                        passes: 0,
                        wet_passes: 0,
                        since: taken.clone(),
                        chart: chart[mote].clone(),
                    });
                    one.passes += passes;
                    one.wet_passes += wet;
                    one.since = taken.clone();
                }
            }
            at = before;
            seen.push(before);
        }
        Ok(found.into_iter().flatten().collect())
    }
}
