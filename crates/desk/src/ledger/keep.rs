//! What the user writes: names of bodies, passes, supplies, shoots, use, quotes.

use motelight_frame::{Fault, FrameError};
use motelight_motes::advise::PassKind;
use rusqlite::{OptionalExtension, Transaction, params};
use serde::Serialize;

use super::open::Ledger;
use super::when::Moment;

/// A pass to be written down.
#[derive(Debug, Clone, PartialEq)]
pub struct PassEntry {
    /// When it was made.
    pub made: Moment,
    /// What was done.
    pub kind: PassKind,
    /// The swab, by the name of a supply; one is taken from the stock.
    pub swab: Option<String>,
    /// The fluid, by the name of a supply; two drops are taken from the stock.
    pub fluid: Option<String>,
    /// Anything else.
    pub note: Option<String>,
    /// The comparison that shows what it did.
    pub comparison: Option<i64>,
}

/// What is to be kept of a body.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct BodyChange {
    /// The name that the user gives it.
    pub name: Option<String>,
    /// Pictures taken since the last such entry.
    pub pictures: Option<i64>,
    /// Lens changes since the last such entry.
    pub lens_changes: Option<i64>,
    /// What a workshop asks for a cleaning: hundredths, currency, workshop.
    pub quote: Option<(i64, String, Option<String>)>,
}

/// A change of stock.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplyChange {
    /// The supply.
    pub name: String,
    /// Pieces or ml; kept from the first time it is told.
    pub unit: Option<String>,
    /// Bought.
    pub bought: Option<f64>,
    /// What was paid for it: hundredths and currency.
    pub paid: Option<(i64, String)>,
    /// Used or lost.
    pub used: Option<f64>,
    /// Warn below this stock.
    pub low: Option<f64>,
}

/// A shoot.
#[derive(Debug, Clone, PartialEq)]
pub struct ShootEntry {
    /// Its name.
    pub name: String,
    /// First day.
    pub starts: Moment,
    /// Last day.
    pub ends: Moment,
    /// Largest f-number booked.
    pub booked: f64,
    /// The bodies, by name, number in the ledger or serial number.
    pub bodies: Vec<String>,
    /// Anything else.
    pub note: Option<String>,
}

/// A supply in stock.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct Stock {
    pub name: String,
    pub unit: String,
    pub stock: f64,
    pub low: Option<f64>,
    pub unit_cost: Option<f64>,
    pub currency: Option<String>,
}

/// Money spent in one currency, in whole units.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "the keys are the contract, told in docs/json.md")]
pub struct Spent {
    pub currency: String,
    pub bought: f64,
    pub used: f64,
}

/// Two drops of fluid from a dropper, ml. From memory: some twenty drops to the ml.
const DROPS_ML: f64 = 0.1;

/// The word of a kind of pass in the ledger.
pub(super) fn pass_word(kind: PassKind) -> &'static str {
    match kind {
        PassKind::Blow => "blow",
        PassKind::Brush => "brush",
        PassKind::Swab => "swab",
    }
}

/// The kind of pass of a word in the ledger.
pub(super) fn pass_kind(word: &str) -> Option<PassKind> {
    [PassKind::Blow, PassKind::Brush, PassKind::Swab].into_iter().find(|&k| pass_word(k) == word)
}

impl Ledger {
    /// The body of that name, number in the ledger or serial number; also by a model of which there is one body only.
    ///
    /// # Errors
    /// None such, or more than one.
    pub fn body(&self, called: &str) -> Result<i64, FrameError> {
        for by in ["name = ?1", "serial = ?1", "CAST(id AS TEXT) = ?1", "model = ?1"] {
            let found = self.rows(&format!("SELECT id FROM body WHERE {by} COLLATE NOCASE"), [called], |r| r.get(0))?;
            match found.as_slice() {
                [] => {}
                [one] => return Ok(*one),
                _ => {
                    return Err(self.nonsense(
                        &format!("more than one body is called {called}"),
                        "Give it a name: ledger body NUMBER --name NAME",
                    ));
                }
            }
        }
        Err(self.nonsense(&format!("no body is called {called}"), "See what is there: motelight ledger"))
    }

    fn nonsense(&self, message: &str, remedy: &str) -> FrameError {
        FrameError::new(Fault::Usage, self.path(), message, remedy)
    }

    /// Writes a pass down and takes what it used from the stock.
    ///
    /// # Errors
    /// A supply that is not known; what the file of the ledger gives.
    pub fn add_pass(&mut self, body: i64, pass: &PassEntry) -> Result<i64, FrameError> {
        let used = [(&pass.swab, 1.0), (&pass.fluid, DROPS_ML)];
        let mut from = Vec::new();
        for (name, quantity) in used {
            let Some(name) = name else { continue };
            let id: Vec<i64> =
                self.rows("SELECT id FROM supply WHERE name = ?1 COLLATE NOCASE", [name], |r| r.get(0))?;
            from.extend(id.first().map(|id| (*id, quantity)));
        }
        self.write(|t| {
            t.execute(
                "INSERT INTO pass (body_id, made, kind, swab, fluid, note, comparison_id, recorded)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
                params![
                    body,
                    pass.made,
                    pass_word(pass.kind),
                    pass.swab,
                    pass.fluid,
                    pass.note,
                    pass.comparison,
                    super::now()
                ],
            )?;
            let id = t.last_insert_rowid();
            for (supply, quantity) in &from {
                t.execute(
                    "INSERT INTO supply_move (supply_id, at, quantity, pass_id) VALUES (?1, ?2, ?3, ?4)",
                    params![supply, pass.made, -quantity, id],
                )?;
            }
            Ok(id)
        })
    }

    /// Names a body, writes its use and a workshop's quote down.
    ///
    /// # Errors
    /// A name that another body has; what the file of the ledger gives.
    pub fn change_body(&mut self, body: i64, change: &BodyChange, at: &Moment) -> Result<(), FrameError> {
        self.write(|t| {
            if let Some(name) = &change.name {
                t.execute("UPDATE body SET name = ?2 WHERE id = ?1", params![body, name])?;
            }
            if change.pictures.is_some() || change.lens_changes.is_some() {
                t.execute(
                    "INSERT INTO use (body_id, at, pictures, lens_changes) VALUES (?1, ?2, ?3, ?4)",
                    params![body, at, change.pictures, change.lens_changes],
                )?;
            }
            if let Some((amount, currency, workshop)) = &change.quote {
                t.execute(
                    "INSERT INTO quote (body_id, at, amount, currency, workshop) VALUES (?1, ?2, ?3, ?4, ?5)",
                    params![body, at, amount, currency, workshop],
                )?;
            }
            Ok(())
        })
    }

    /// Changes a stock.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn change_supply(&mut self, change: &SupplyChange, at: &Moment) -> Result<(), FrameError> {
        self.write(|t| {
            let id = supply_id(t, change)?;
            if let Some(low) = change.low {
                t.execute("UPDATE supply SET low = ?2 WHERE id = ?1", params![id, low])?;
            }
            let (paid, currency) = change.paid.as_ref().map_or((None, None), |(p, c)| (Some(*p), Some(c.as_str())));
            if let Some(quantity) = change.bought {
                t.execute(
                    "INSERT INTO supply_move (supply_id, at, quantity, paid, currency) VALUES (?1, ?2, ?3, ?4, ?5)",
                    params![id, at, quantity, paid, currency],
                )?;
            }
            if let Some(quantity) = change.used {
                t.execute(
                    "INSERT INTO supply_move (supply_id, at, quantity) VALUES (?1, ?2, ?3)",
                    params![id, at, -quantity],
                )?;
            }
            Ok(())
        })
    }

    /// Writes a shoot down; one of that name is changed.
    ///
    /// # Errors
    /// A body that is not known; what the file of the ledger gives.
    pub fn keep_shoot(&mut self, shoot: &ShootEntry, at: &Moment) -> Result<(), FrameError> {
        if shoot.ends < shoot.starts {
            return Err(
                self.nonsense("the shoot ends before it starts", "Give the first day and the last day: --from, --to")
            );
        }
        let bodies: Vec<i64> = shoot.bodies.iter().map(|b| self.body(b)).collect::<Result<_, _>>()?;
        self.write(|t| {
            let id: i64 = t.query_row(
                "INSERT INTO shoot (name, starts, ends, booked, note, added) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
                 ON CONFLICT (name) DO UPDATE SET starts = excluded.starts, ends = excluded.ends, booked = excluded.booked,
                   note = coalesce(excluded.note, note)
                 RETURNING id",
                params![shoot.name, shoot.starts, shoot.ends, shoot.booked, shoot.note, at],
                |r| r.get(0),
            )?;
            for body in bodies {
                t.execute("INSERT OR IGNORE INTO shoot_body (shoot_id, body_id) VALUES (?1, ?2)", params![id, body])?;
            }
            Ok(())
        })
    }

    /// What is in stock.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn stock(&self) -> Result<Vec<Stock>, FrameError> {
        self.rows(
            "SELECT s.name, s.unit, coalesce((SELECT sum(quantity) FROM supply_move WHERE supply_id = s.id), 0), s.low,
               (SELECT sum(paid) / sum(quantity) / 100.0 FROM supply_move WHERE supply_id = s.id AND paid IS NOT NULL AND quantity > 0),
               (SELECT currency FROM supply_move WHERE supply_id = s.id AND currency IS NOT NULL ORDER BY id DESC LIMIT 1)
             FROM supply s ORDER BY s.name",
            [],
            |r| {
                let stock: f64 = r.get(2)?;
                Ok(Stock {
                    name: r.get(0)?,
                    unit: r.get(1)?,
                    stock: (stock * 1e6).round() / 1e6,
                    low: r.get(3)?,
                    unit_cost: r.get(4)?,
                    currency: r.get(5)?,
                })
            },
        )
    }

    /// What was spent on supplies: bought, and used at what was paid per unit; per currency.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn spent(&self) -> Result<Vec<Spent>, FrameError> {
        self.rows(
            "WITH price AS (SELECT supply_id, currency, sum(paid) AS paid, sum(quantity) AS bought FROM supply_move
                            WHERE paid IS NOT NULL AND quantity > 0 GROUP BY supply_id, currency),
                  gone AS (SELECT supply_id, -sum(quantity) AS used FROM supply_move WHERE quantity < 0 GROUP BY supply_id)
             SELECT p.currency, sum(p.paid) / 100.0, sum(p.paid * min(1.0, coalesce(g.used, 0) / p.bought)) / 100.0
             FROM price p LEFT JOIN gone g USING (supply_id) GROUP BY p.currency ORDER BY p.currency",
            [],
            |r| Ok(Spent { currency: r.get(0)?, bought: r.get(1)?, used: r.get(2)? }),
        )
    }
}

fn supply_id(t: &Transaction, change: &SupplyChange) -> rusqlite::Result<i64> {
    let known =
        t.query_row("SELECT id FROM supply WHERE name = ?1 COLLATE NOCASE", [&change.name], |r| r.get(0)).optional()?;
    if let Some(id) = known {
        return Ok(id);
    }
    let unit = change.unit.as_deref().unwrap_or("pieces");
    t.execute("INSERT INTO supply (name, unit) VALUES (?1, ?2)", params![change.name, unit])?;
    Ok(t.last_insert_rowid())
}
