//! What commands write down: test frames with their charts, comparisons, mended pictures.

use std::path::Path;

use motelight_frame::{Body, Digest, FrameError, Shot};
use motelight_motes::inspect::fitness::Verdict;
use motelight_motes::inspect::{Inspection, Kind};
use motelight_motes::recheck::{Recheck, Status};
use motelight_motes::visibility::LimitedBy;
use rusqlite::{OptionalExtension, Transaction, params};
use serde::{Deserialize, Serialize};

use super::open::Ledger;
use super::when::{Moment, now};

/// What the ledger wants of a frame besides its inspection.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameFacts {
    /// The facts of the shot.
    pub shot: Shot,
    /// Digest of the file.
    pub digest: Digest,
}

/// One mote of a recorded chart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChartMote {
    /// Place on the sensor, mm.
    pub x_mm: Option<f64>,
    /// The same, down.
    pub y_mm: Option<f64>,
    /// Equivalent diameter, µm.
    pub um: Option<f64>,
    /// Smallest stop at which it shows.
    pub from: Option<f64>,
    /// What it looks like.
    pub kind: Kind,
    /// Likely under the glass.
    pub under_glass: bool,
}

impl Ledger {
    /// Writes a test frame and its chart down; one that is already there is judged anew. Its number in the ledger; `None` for
    /// files that do not tell their body.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn record_frame(
        &mut self,
        path: &Path,
        facts: &FrameFacts,
        inspection: &Inspection,
    ) -> Result<Option<i64>, FrameError> {
        let Some(body) = &facts.shot.body else { return Ok(None) };
        self.write(|t| frame(t, path, facts, body, inspection)).map(Some)
    }

    /// Writes down what became of the motes between two recorded frames, and gives it to the passes made between them that have
    /// no outcome yet.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn record_comparison(&mut self, before: i64, after: i64, recheck: &Recheck) -> Result<i64, FrameError> {
        self.write(|t| comparison(t, before, after, recheck))
    }

    /// Writes a mended picture down: how many motes were lifted, filled and left untouched.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn record_mended(
        &mut self,
        path: &Path,
        output: &Path,
        body: Option<&Body>,
        [lifted, filled, untouched]: [usize; 3],
    ) -> Result<(), FrameError> {
        self.write(|t| {
            let body = body.map(|b| body_id(t, b, None)).transpose()?;
            t.execute(
                "INSERT INTO delivery (body_id, kind, path, output, recorded, lifted, filled, untouched)
                 VALUES (?1, 'mended', ?2, ?3, ?4, ?5, ?6, ?7)",
                params![
                    body,
                    path.to_string_lossy(),
                    output.to_string_lossy(),
                    now(),
                    lifted as i64,
                    filled as i64,
                    untouched as i64,
                ],
            )?;
            Ok(())
        })
    }

    /// Writes a finished file down that was looked over, with the verdict.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn record_signed_off(&mut self, path: &Path, body: Option<&Body>, verdict: &str) -> Result<(), FrameError> {
        self.write(|t| {
            let body = body.map(|b| body_id(t, b, None)).transpose()?;
            t.execute(
                "INSERT INTO delivery (body_id, kind, path, recorded, verdict) VALUES (?1, 'signed_off', ?2, ?3, ?4)",
                params![body, path.to_string_lossy(), now(), verdict],
            )?;
            Ok(())
        })
    }
}

/// The body's number; a new one if it was never seen. `sensor`: width and height, mm.
pub(super) fn body_id(t: &Transaction, body: &Body, sensor: Option<(f64, f64)>) -> rusqlite::Result<i64> {
    let serial = body.serial.as_deref();
    let known = t
        .query_row(
            "SELECT id FROM body WHERE make = ?1 AND model = ?2 AND coalesce(serial, '') = coalesce(?3, '')",
            params![body.make, body.model, serial],
            |r| r.get(0),
        )
        .optional()?;
    let id = match known {
        Some(id) => id,
        None => {
            t.execute(
                "INSERT INTO body (make, model, serial, added) VALUES (?1, ?2, ?3, ?4)",
                params![body.make, body.model, serial, now()],
            )?;
            t.last_insert_rowid()
        }
    };
    if let Some((width, height)) = sensor {
        t.execute(
            "UPDATE body SET width_mm = ?2, height_mm = ?3 WHERE id = ?1 AND width_mm IS NULL",
            params![id, width, height],
        )?;
    }
    Ok(id)
}

fn lens_id(t: &Transaction, shot: &Shot) -> rusqlite::Result<Option<i64>> {
    let Some(lens) = &shot.lens else { return Ok(None) };
    t.execute("INSERT OR IGNORE INTO lens (model, serial) VALUES (?1, ?2)", params![lens.model, lens.serial])?;
    t.query_row(
        "SELECT id FROM lens WHERE model = ?1 AND coalesce(serial, '') = coalesce(?2, '')",
        params![lens.model, lens.serial],
        |r| r.get(0),
    )
    .map(Some)
}

fn frame(
    t: &Transaction,
    path: &Path,
    facts: &FrameFacts,
    body: &Body,
    inspection: &Inspection,
) -> rusqlite::Result<i64> {
    let side = |px: usize| inspection.pitch_um.map(|p| px as f64 * p / 1000.0);
    let body = body_id(t, body, side(inspection.size.width).zip(side(inspection.size.height)))?;
    let lens = lens_id(t, &facts.shot)?;
    let recorded = now();
    let taken = facts.shot.taken.as_deref().and_then(Moment::parse);
    let known = taken.is_some();
    let limited = inspection.clear_to.map(|c| match c.limited_by {
        LimitedBy::Mote => "mote",
        LimitedBy::Floor => "floor",
        LimitedBy::SeriesEnd => "series_end",
    });
    let verdict = match inspection.fitness.verdict {
        Verdict::Fit => "fit",
        Verdict::UsableWithCare => "usable with care",
        Verdict::Unfit => "unfit",
    };
    let id: i64 = t.query_row(
        "INSERT INTO test_frame (body_id, lens_id, digest, path, taken, taken_known, recorded, f_number, iso, verdict, clear_to,
           limited_by, floor_um, stand_off_mm, stand_off_sigma_mm, motes, showing)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)
         ON CONFLICT (digest) DO UPDATE SET path = excluded.path, verdict = excluded.verdict, clear_to = excluded.clear_to,
           limited_by = excluded.limited_by, floor_um = excluded.floor_um, stand_off_mm = excluded.stand_off_mm,
           stand_off_sigma_mm = excluded.stand_off_sigma_mm, motes = excluded.motes, showing = excluded.showing
         RETURNING id",
        params![
            body,
            lens,
            facts.digest.0,
            path.to_string_lossy(),
            taken.unwrap_or_else(|| recorded.clone()),
            known,
            recorded,
            inspection.f_number.map(|n| n.marked()),
            inspection.iso,
            verdict,
            inspection.clear_to.and_then(|c| c.f_number).map(|n| n.marked()),
            limited,
            inspection.floor_um,
            inspection.stand_off.map(|s| s.height_mm.value),
            inspection.stand_off.map(|s| s.height_mm.sigma),
            inspection.motes.len() as i64,
            inspection.motes.iter().filter(|m| m.shows_from.is_some()).count() as i64,
        ],
        |r| r.get(0),
    )?;
    let rounded = |v: f64, unit: f64| (v * unit).round() / unit;
    let motes: Vec<ChartMote> = inspection
        .motes
        .iter()
        .map(|m| ChartMote {
            x_mm: m.at_sensor.map(|at| rounded(at.x, 1e4)),
            y_mm: m.at_sensor.map(|at| rounded(at.y, 1e4)),
            um: m.equivalent_diameter_um.map(|d| rounded(d.value, 1e2)),
            from: m.shows_from.map(|n| n.marked()),
            kind: m.kind,
            under_glass: m.flags.under_glass,
        })
        .collect();
    t.execute("INSERT OR REPLACE INTO chart (test_frame_id, motes) VALUES (?1, ?2)", params![id, json(&motes)?])?;
    Ok(id)
}

fn comparison(t: &Transaction, before: i64, after: i64, recheck: &Recheck) -> rusqlite::Result<i64> {
    let count = |s: Status| recheck.count(s) as i64;
    let fates: Vec<(Status, Option<usize>, Option<usize>, f64)> =
        recheck.fates.iter().map(|f| (f.status, f.before, f.after, (f.probability * 1e4).round() / 1e4)).collect();
    let chart: String = t
        .query_row("SELECT motes FROM chart WHERE test_frame_id = ?1", [after], |r| r.get(0))
        .optional()?
        .unwrap_or_default();
    let chart: Vec<ChartMote> = serde_json::from_str(&chart).unwrap_or_default();
    let new = fates.iter().filter(|f| f.0 == Status::New).filter_map(|f| f.2);
    let new_from: Vec<Option<f64>> = new.map(|j| chart.get(j).and_then(|m| m.from)).collect();
    let id: i64 = t.query_row(
        "INSERT INTO comparison (before_id, after_id, recorded, gone, stayed, moved, new, undecided, residue, fates, new_from)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
         ON CONFLICT (before_id, after_id) DO UPDATE SET gone = excluded.gone, stayed = excluded.stayed, moved = excluded.moved,
           new = excluded.new, undecided = excluded.undecided, residue = excluded.residue, fates = excluded.fates, new_from = excluded.new_from
         RETURNING id",
        params![
            before,
            after,
            now(),
            count(Status::Gone),
            count(Status::Stayed),
            count(Status::Moved),
            count(Status::New),
            count(Status::Undecided),
            recheck.residue.len() as i64,
            json(&fates)?,
            json(&new_from)?,
        ],
        |r| r.get(0),
    )?;
    t.execute(
        "UPDATE pass SET comparison_id = ?1
         WHERE comparison_id IS NULL AND body_id = (SELECT body_id FROM test_frame WHERE id = ?2)
           AND made >= (SELECT taken FROM test_frame WHERE id = ?2) AND made <= (SELECT taken FROM test_frame WHERE id = ?3)",
        params![id, before, after],
    )?;
    Ok(id)
}

pub(super) fn json(value: &impl Serialize) -> rusqlite::Result<String> {
    serde_json::to_string(value).map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))
}
