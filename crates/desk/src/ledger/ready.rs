//! Whether every body of a shoot is ready.

use motelight_frame::{Fault, FrameError};
use serde::Serialize;

use super::keep::Stock;
use super::open::Ledger;
use super::story::{BodyRow, ShootRow};
use super::when::Moment;

/// One screen before a shoot.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct Ready {
    pub shoot: ShootRow,
    pub ready: bool,
    pub bodies: Vec<BodyReady>,
    pub checklist: Vec<String>,
}

/// One body before a shoot.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct BodyReady {
    pub body: BodyRow,
    pub ready: bool,
    pub reason: String,
    pub test_frame_age_days: Option<f64>,
    pub odds_clear_to_the_end: Option<f64>,
    pub advice: String,
}

/// A test frame older than this says little of the sensor today. A guess.
const STALE_DAYS: f64 = 7.0;

impl Ledger {
    /// Whether the bodies of a shoot are ready, seen on a day.
    ///
    /// # Errors
    /// No such shoot; what the file of the ledger gives.
    pub fn ready(&self, shoot: &str, today: &Moment) -> Result<Ready, FrameError> {
        let found = self.shoots()?.into_iter().find(|s| s.name.eq_ignore_ascii_case(shoot));
        let shoot = found.ok_or_else(|| {
            let message = format!("no shoot is called {shoot}");
            let remedy = "Write it down: motelight ledger shoot NAME --from DAY --to DAY --booked f/16 --body BODY";
            FrameError::new(Fault::Usage, self.path(), message, remedy)
        })?;
        let all = self.bodies()?;
        let of_shoot = all.into_iter().filter(|b| shoot.bodies.contains(&b.number));
        let bodies: Vec<BodyReady> = of_shoot.map(|b| self.body_ready(b, &shoot, today)).collect::<Result<_, _>>()?;
        let ready = !bodies.is_empty() && bodies.iter().all(|b| b.ready);
        Ok(Ready { ready, checklist: checklist(&self.stock()?, &bodies), bodies, shoot })
    }

    fn body_ready(&self, body: BodyRow, shoot: &ShootRow, today: &Moment) -> Result<BodyReady, FrameError> {
        let outlook = self.outlook(body.number, shoot.booked)?;
        let last = self.frames(Some(body.number))?.pop();
        let age = last.as_ref().map(|f| today.days_since(&f.taken));
        let days = shoot.ends.days_since(last.as_ref().map_or(today, |f| &f.taken)).max(0.0) + 1.0;
        let booked = format!("f/{}", shoot.booked);
        let (ready, reason) = match (&last, age) {
            (None, _) => (false, "No test frame in the ledger.".to_owned()),
            (Some(f), _) if f.verdict == "unfit" => (false, "The last test frame cannot be judged by.".to_owned()),
            (Some(f), Some(age)) => match f.clear_to {
                Some(n) if n < shoot.booked * 0.99 && f.limited_by.as_deref() == Some("floor") => {
                    (false, format!("Clear to f/{n} as far as its frame can tell; {booked} is booked."))
                }
                Some(n) if n < shoot.booked * 0.99 => (false, format!("Clear to f/{n} only; {booked} is booked.")),
                None => (false, format!("Clear at no aperture; {booked} is booked.")),
                Some(_) if age > STALE_DAYS => {
                    (false, format!("The last test frame is {age:.0} days old: take a new one."))
                }
                Some(n) => (true, format!("Clear to f/{n}; {booked} is booked.")),
            },
            (Some(_), None) => (false, "No test frame in the ledger.".to_owned()),
        };
        Ok(BodyReady {
            ready,
            reason,
            test_frame_age_days: age.map(|a| (a * 10.0).round() / 10.0),
            odds_clear_to_the_end: outlook.odds_clear_for(days),
            advice: outlook.before_trip(days),
            body,
        })
    }
}

fn checklist(stock: &[Stock], bodies: &[BodyReady]) -> Vec<String> {
    let mut list: Vec<String> =
        bodies.iter().map(|b| format!("{}: batteries full, a spare each", b.body.called())).collect();
    list.push("Blower and a clean sensor brush".into());
    list.push("A lens that stops down to f/16 or f/22, for test frames".into());
    for s in stock {
        let low = s.low.is_some_and(|low| s.stock < low) || s.stock <= 0.0;
        let warn = if low { ": low, buy more" } else { "" };
        list.push(format!("{}: {} {} in stock{warn}", s.name, s.stock, s.unit));
    }
    list.push("Cleaning fluid: ask the carrier before flying with it".into());
    list
}
