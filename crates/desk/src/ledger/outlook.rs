//! What the record is good for: how fast motes arrive, how long the sensor stays clear, what to pack, what it costs.

use motelight_frame::FrameError;
use motelight_motes::rates::{Arrivals, Rate};
use motelight_motes::recheck::Status;
use serde::Serialize;

use super::open::Ledger;
use super::record::ChartMote;
use super::when::Moment;

/// What a rate is told per.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Per {
    /// A thousand pictures.
    ThousandPictures,
    /// A lens change.
    LensChange,
    /// A day.
    Day,
}

impl Per {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Per::ThousandPictures => "1000 pictures",
            Per::LensChange => "lens change",
            Per::Day => "day",
        }
    }
}

/// Two frames between which new motes were counted.
#[derive(Debug, Clone, PartialEq)]
struct Stretch {
    starts: Moment,
    ends: Moment,
    new: u64,
    /// New ones that show at the stop asked for.
    showing: u64,
    pictures: f64,
    lens_changes: f64,
}

/// How a sensor fares.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct Outlook {
    pub f_number: f64,
    pub days_seen: f64,
    pub arrived: u64,
    pub arrived_showing: u64,
    pub per: Per,
    /// 95 % credible interval.
    pub rate: Option<Rate>,
    pub rate_showing_per_day: Option<Rate>,
    pub forecast: Option<Forecast>,
    pub quote: Option<(f64, String)>,
    #[serde(skip)]
    showing: Option<Arrivals>,
}

/// When the sensor will no longer be clear to the stop asked for.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct Forecast {
    pub clear_now: bool,
    /// One chance in ten that it is over by then.
    pub earliest: Moment,
    /// Even odds.
    pub likely: Moment,
    /// Nine chances in ten.
    pub latest: Moment,
}

/// What to take along.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct Pack {
    pub days: f64,
    pub motes_showing_at_most: u64,
    pub wet_passes: u64,
    pub swabs: u64,
    pub fluid_ml: f64,
    pub odds_clear_throughout: f64,
    pub notes: Vec<String>,
}

/// Credible probability of the intervals told.
const CREDIBLE: f64 = 0.95;

impl Outlook {
    /// Probability that the sensor, clear now, is still clear after so many days. `None` where nothing is known.
    pub fn odds_clear_for(&self, days: f64) -> Option<f64> {
        self.showing.map(|s| s.none_in(days))
    }

    /// Whether to clean before a trip of so many days, in one sentence.
    pub fn before_trip(&self, days: f64) -> String {
        let stop = format!("f/{}", self.f_number);
        match (self.forecast.as_ref().map(|f| f.clear_now), self.odds_clear_for(days)) {
            (Some(false), _) => format!("Clean before the trip: the sensor is not clear to {stop} now."),
            (Some(true), Some(odds)) => format!(
                "No cleaning before the trip: the sensor is clear to {stop}, and stays so for {days:.0} days with odds of {:.0} %{}.",
                100.0 * odds,
                if odds < 0.5 { "; pack for a pass on the way and take a test frame every evening" } else { "" },
            ),
            (Some(true), None) => {
                format!("The sensor is clear to {stop}; how fast motes arrive on this body is not known yet.")
            }
            (None, _) => "Take a test frame before the trip: none is in the ledger.".to_owned(),
        }
    }

    /// What to take along for so many days: by what comes at most in nine cases of ten.
    pub fn pack(&self, days: f64) -> Option<Pack> {
        let showing = self.showing?;
        let most = showing.at_most_in(days, 0.9);
        // Dry passes do for most; a wet one for every third mote that shows, and one in reserve. A guess.
        let wet = if most == 0 { 0 } else { most.div_ceil(3) + 1 };
        let swabs = 2 * wet;
        Some(Pack {
            days,
            motes_showing_at_most: most,
            wet_passes: wet,
            swabs,
            fluid_ml: (0.1 * swabs as f64 * 10.0).round() / 10.0,
            odds_clear_throughout: showing.none_in(days),
            notes: vec![
                "Blower and a clean brush in any case.".into(),
                "Cleaning fluid may be barred from flights: ask the carrier before packing it.".into(),
                "Two swabs per wet pass reckoned, two drops of fluid each.".into(),
            ],
        })
    }
}

impl Ledger {
    /// How a body's sensor fares, for work at that f-number.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn outlook(&self, body: i64, f_number: f64) -> Result<Outlook, FrameError> {
        let stretches = self.stretches(body, f_number)?;
        let sum = |f: &dyn Fn(&Stretch) -> f64| stretches.iter().map(f).sum::<f64>();
        let days = sum(&|s| s.ends.days_since(&s.starts));
        // Use is only told for some stretches: count what came in those.
        let counted = |f: &dyn Fn(&Stretch) -> f64| {
            let told = stretches.iter().filter(|s| f(s) > 0.0);
            told.fold(Arrivals { count: 0, over: 0.0 }, |a, s| a.and(Arrivals { count: s.new, over: f(s) }))
        };
        let (pictures, changes) = (counted(&|s| s.pictures / 1000.0), counted(&|s| s.lens_changes));
        let new: u64 = stretches.iter().map(|s| s.new).sum();
        let showing: u64 = stretches.iter().map(|s| s.showing).sum();
        let (per, arrivals) = match (pictures.over > 0.0, changes.over > 0.0) {
            (true, _) => (Per::ThousandPictures, pictures),
            (false, true) => (Per::LensChange, changes),
            (false, false) => (Per::Day, Arrivals { count: new, over: days }),
        };
        let seen = (days > 0.0).then_some(Arrivals { count: showing, over: days });
        let last = self.frames(Some(body))?.pop();
        let forecast = last.map(|last| {
            let clear_now = last.clear_to.is_some_and(|n| n >= f_number * 0.99);
            let after = |p: f64| match seen {
                Some(s) if clear_now => last.taken.plus_days(s.first_by(p)),
                _ => last.taken.clone(),
            };
            Forecast { clear_now, earliest: after(0.1), likely: after(0.5), latest: after(0.9) }
        });
        let quote = self.rows(
            "SELECT amount / 100.0, currency FROM quote WHERE body_id = ?1 ORDER BY at DESC, id DESC LIMIT 1",
            [body],
            |r| Ok((r.get(0)?, r.get(1)?)),
        )?;
        Ok(Outlook {
            f_number,
            days_seen: days,
            arrived: new,
            arrived_showing: showing,
            per,
            rate: arrivals.rate(CREDIBLE),
            rate_showing_per_day: seen.and_then(|s| s.rate(CREDIBLE)),
            forecast,
            quote: quote.into_iter().next(),
            showing: seen,
        })
    }

    /// Stretches between compared frames that do not overlap, the shortest that fit, the oldest first.
    fn stretches(&self, body: i64, f_number: f64) -> Result<Vec<Stretch>, FrameError> {
        // Fates and chart only where an older version did not work the new ones out.
        type Row = (Moment, Moment, Option<String>, Option<String>, Option<String>);
        let rows: Vec<Row> = self.rows(
            "SELECT a.taken, b.taken, c.new_from, iif(c.new_from IS NULL, c.fates, NULL),
               iif(c.new_from IS NULL, (SELECT motes FROM chart WHERE test_frame_id = b.id), NULL)
             FROM comparison c JOIN test_frame a ON a.id = c.before_id JOIN test_frame b ON b.id = c.after_id
             WHERE b.body_id = ?1 AND b.taken > a.taken ORDER BY b.taken, a.taken DESC",
            [body],
            |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?)),
        )?;
        let used: Vec<(Moment, Option<i64>, Option<i64>)> =
            self.rows("SELECT at, pictures, lens_changes FROM use WHERE body_id = ?1", [body], |r| {
                Ok((r.get(0)?, r.get(1)?, r.get(2)?))
            })?;
        let mut found: Vec<Stretch> = Vec::new();
        for (starts, ends, new_from, fates, motes) in rows {
            if found.last().is_some_and(|last| starts < last.ends) {
                continue;
            }
            let new: Vec<Option<f64>> = match new_from {
                Some(text) => serde_json::from_str(&text).unwrap_or_default(),
                None => worked_out(fates.as_deref().unwrap_or(""), motes.as_deref().unwrap_or("")),
            };
            let shows = |from: &&Option<f64>| from.is_some_and(|n| n <= f_number * 1.01);
            let within = used.iter().filter(|u| u.0 > starts && u.0 <= ends);
            found.push(Stretch {
                new: new.len() as u64,
                showing: new.iter().filter(shows).count() as u64,
                pictures: within.clone().filter_map(|u| u.1).sum::<i64>() as f64,
                lens_changes: within.filter_map(|u| u.2).sum::<i64>() as f64,
                starts,
                ends,
            });
        }
        Ok(found)
    }
}

/// From which stops on the new motes of a comparison show, from its fates and its second chart.
fn worked_out(fates: &str, motes: &str) -> Vec<Option<f64>> {
    let fates: Vec<(Status, Option<usize>, Option<usize>, f64)> = serde_json::from_str(fates).unwrap_or_default();
    let motes: Vec<ChartMote> = serde_json::from_str(motes).unwrap_or_default();
    let new = fates.iter().filter(|f| f.0 == Status::New).filter_map(|f| f.2);
    new.map(|j| motes.get(j).and_then(|m| m.from)).collect()
}
