//! `motelight ledger`.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use motelight_desk::contract::LedgerDocument;
use motelight_desk::jobs::{Outcome, write_whole};
use motelight_desk::ledger::{
    BodyChange, Export, Ledger as File, Moment, PassEntry, ShootEntry, SupplyChange, default_path, exported_csv,
    import_csv, now,
};
use motelight_desk::report::{bodies_text, ledger_page, pack_text, ready_text, story_text, supplies_text};
use motelight_frame::{FNumber, Fault, FrameError};
use motelight_motes::advise::USUAL;

use crate::say;
use crate::verbs::recheck::{Pass, f_number};

/// What was recorded, and what it is good for.
#[derive(Debug, Args)]
pub struct Ledger {
    /// The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user's data folder)
    #[arg(long, value_name = "FILE", global = true)]
    pub ledger: Option<PathBuf>,
    /// Write the result as JSON to standard output, and nothing else there
    #[arg(long, global = true)]
    pub json: bool,
    /// What to do; without it, all bodies are listed
    #[command(subcommand)]
    pub what: Option<What>,
}

/// What to do with the ledger.
#[derive(Debug, Subcommand)]
pub enum What {
    /// List all bodies
    List,
    /// Tell a body's story: how clear it was, its passes, what arrives, how long it stays clear
    Show {
        /// By name, serial number, number in the list or model
        body: String,
        /// The f-number to judge for
        #[arg(long, value_name = "F", value_parser = f_number)]
        booked: Option<FNumber>,
    },
    /// Write a pass down
    Pass {
        /// The body
        body: String,
        /// What was done
        #[arg(long)]
        kind: Pass,
        /// The swab, by the name of a supply: one is taken from the stock
        #[arg(long)]
        swab: Option<String>,
        /// The fluid, by the name of a supply: two drops are taken from the stock
        #[arg(long)]
        fluid: Option<String>,
        /// When: 2031-04-02 or 2031-04-02T10:15:00, by the camera's clock (default: now)
        #[arg(long, value_parser = moment)]
        made: Option<Moment>,
        /// Anything else
        #[arg(long)]
        note: Option<String>,
    },
    /// Name a body; write its use and a workshop's quote down
    Body {
        /// The body
        body: String,
        /// What you call it
        #[arg(long)]
        name: Option<String>,
        /// Pictures taken since this was last told
        #[arg(long)]
        pictures: Option<i64>,
        /// Lens changes since this was last told
        #[arg(long)]
        lens_changes: Option<i64>,
        /// What a workshop asks for a cleaning: "65.50 EUR"
        #[arg(long, value_parser = money)]
        quote: Option<(i64, String)>,
        /// The workshop
        #[arg(long, requires = "quote")]
        workshop: Option<String>,
    },
    /// Supplies: without a name the stock is listed
    Supply {
        /// The supply
        name: Option<String>,
        /// Pieces, ml
        #[arg(long)]
        unit: Option<String>,
        /// So many bought
        #[arg(long, value_parser = quantity)]
        bought: Option<f64>,
        /// What was paid for them: "31.00 EUR"
        #[arg(long, value_parser = money, requires = "bought")]
        paid: Option<(i64, String)>,
        /// So many used or lost
        #[arg(long, value_parser = quantity)]
        used: Option<f64>,
        /// Warn below this stock
        #[arg(long, value_parser = quantity)]
        low: Option<f64>,
    },
    /// Shoots: without a name all are listed
    Shoot {
        /// The shoot
        #[arg(requires_all = ["from", "to", "booked"])]
        name: Option<String>,
        /// First day
        #[arg(long, value_parser = moment)]
        from: Option<Moment>,
        /// Last day
        #[arg(long, value_parser = moment)]
        to: Option<Moment>,
        /// Largest f-number booked
        #[arg(long, value_name = "F", value_parser = f_number)]
        booked: Option<FNumber>,
        /// A body that goes along; once per body
        #[arg(long = "body")]
        bodies: Vec<String>,
        /// Anything else
        #[arg(long)]
        note: Option<String>,
    },
    /// Whether every body of a shoot is ready, on one screen
    Ready {
        /// The shoot
        #[arg(long)]
        shoot: String,
    },
    /// Clean before the trip or not, and what to pack
    Pack {
        /// The body
        body: String,
        /// Days of the trip
        #[arg(long, value_parser = quantity)]
        days: f64,
        /// The f-number to judge for
        #[arg(long, value_name = "F", value_parser = f_number)]
        booked: Option<FNumber>,
    },
    /// What was mended and signed off
    Deliveries,
    /// Write everything out: one JSON document and one CSV file per table
    Export {
        /// The folder to write to
        #[arg(long)]
        out: PathBuf,
    },
    /// Take an export back, into a ledger that has nothing in it yet
    Import {
        /// The JSON document, or the folder of CSV files
        from: PathBuf,
    },
    /// Write a page with every body's story and plots
    Report {
        /// The folder to write to
        #[arg(long)]
        out: PathBuf,
        /// The f-number to judge for
        #[arg(long, value_name = "F", value_parser = f_number)]
        booked: Option<FNumber>,
    },
}

/// Opens the ledger and does it.
pub fn run(a: &Ledger) -> Outcome {
    let Some(path) = a.ledger.clone().or_else(default_path) else {
        let remedy = "Name a file: --ledger FILE";
        say::error(&FrameError::new(
            Fault::Usage,
            Path::new("--ledger"),
            "the system tells no folder for data",
            remedy,
        ));
        return Outcome::Failed;
    };
    let mut document = LedgerDocument::of(path.display().to_string());
    let (text, outcome) = match done(a.what.as_ref().unwrap_or(&What::List), &path, &mut document) {
        Ok(told) => told,
        Err(e) => {
            say::error(&e);
            document.error = Some((&e).into());
            (String::new(), Outcome::Failed)
        }
    };
    if a.json {
        say::document(&document);
    } else if !text.is_empty() {
        say::text(&text);
    }
    outcome
}

type Told = (String, Outcome);

fn done(what: &What, path: &Path, document: &mut LedgerDocument) -> Result<Told, FrameError> {
    match what {
        What::Pass { .. } | What::Body { .. } | What::Import { .. } => written(what, path, document),
        What::Supply { name: Some(_), .. } | What::Shoot { name: Some(_), .. } => written(what, path, document),
        What::Export { .. } | What::Report { .. } => taken_out(what, path, document),
        _ => read(what, path, document),
    }
}

fn read(what: &What, path: &Path, document: &mut LedgerDocument) -> Result<Told, FrameError> {
    let Some(ledger) = File::open_existing(path)? else {
        if matches!(what, What::List) {
            document.bodies = Some(Vec::new());
            return Ok((bodies_text(&[]), Outcome::Clear));
        }
        return Err(nothing_yet(path));
    };
    let clear = |text: String| Ok((text, Outcome::Clear));
    match what {
        What::Show { body, booked } => {
            let body = ledger.body(body)?;
            let story = ledger.story(body)?;
            let outlook = ledger.outlook(body, wanted(&ledger, body, *booked)?)?;
            let spent = ledger.spent()?;
            let text = story_text(&story, &outlook, &spent);
            (document.story, document.outlook, document.spent) = (Some(story), Some(outlook), Some(spent));
            clear(text)
        }
        What::Supply { .. } => {
            let (stock, spent) = (ledger.stock()?, ledger.spent()?);
            let text = supplies_text(&stock, &spent);
            (document.stock, document.spent) = (Some(stock), Some(spent));
            clear(text)
        }
        What::Shoot { .. } => {
            let shoots = ledger.shoots()?;
            let line = |s: &motelight_desk::ledger::ShootRow| {
                format!(
                    "  {} to {}  f/{}  {}",
                    s.starts.day(),
                    s.ends.day(),
                    s.booked,
                    motelight_desk::report::shown(&s.name)
                )
            };
            let text = shoots.iter().map(line).collect::<Vec<_>>().join("\n");
            document.shoots = Some(shoots);
            clear(if text.is_empty() { "  No shoot is in the ledger yet.".into() } else { text })
        }
        What::Ready { shoot } => {
            let ready = ledger.ready(shoot, &now())?;
            let (text, outcome) = (ready_text(&ready), if ready.ready { Outcome::Clear } else { Outcome::Work });
            document.ready = Some(ready);
            Ok((text, outcome))
        }
        What::Pack { body, days, booked } => {
            let body = ledger.body(body)?;
            let outlook = ledger.outlook(body, wanted(&ledger, body, *booked)?)?;
            let (before, pack) = (outlook.before_trip(*days), outlook.pack(*days));
            let text = pack_text(&before, pack.as_ref());
            (document.before_trip, document.pack, document.outlook) = (Some(before), pack, Some(outlook));
            clear(text)
        }
        What::Deliveries => {
            let all = ledger.deliveries()?;
            let line = |d: &motelight_desk::ledger::DeliveryRow| {
                let lifted = d.lifted.map_or_else(String::new, |n| format!(", {n} lifted"));
                let verdict = d.verdict.as_ref().map_or_else(String::new, |v| format!(", {v}"));
                format!(
                    "  {}  {}  {}{lifted}{verdict}",
                    d.recorded.day(),
                    d.kind.replace('_', " "),
                    motelight_desk::report::shown(&d.path)
                )
            };
            let text = all.iter().map(line).collect::<Vec<_>>().join("\n");
            document.deliveries = Some(all);
            clear(if text.is_empty() { "  Nothing was delivered yet.".into() } else { text })
        }
        _ => {
            let bodies = ledger.bodies()?;
            let text = bodies_text(&bodies);
            document.bodies = Some(bodies);
            clear(text)
        }
    }
}

fn written(what: &What, path: &Path, document: &mut LedgerDocument) -> Result<Told, FrameError> {
    let mut ledger = File::open(path)?;
    let today = now();
    let told = match what {
        What::Pass { body, kind, swab, fluid, made, note } => {
            let body = ledger.body(body)?;
            let entry = PassEntry {
                made: made.clone().unwrap_or_else(|| today.clone()),
                kind: (*kind).into(),
                swab: swab.clone(),
                fluid: fluid.clone(),
                note: note.clone(),
                comparison: None,
            };
            ledger.add_pass(body, &entry)?;
            document.passes = Some(ledger.passes(Some(body))?);
            "  Written down. Take a new test frame and hold it against the last one: motelight recheck BEFORE AFTER"
                .into()
        }
        What::Body { body, name, pictures, lens_changes, quote, workshop } => {
            let body = ledger.body(body)?;
            let quote = quote.clone().map(|(amount, currency)| (amount, currency, workshop.clone()));
            let change = BodyChange { name: name.clone(), pictures: *pictures, lens_changes: *lens_changes, quote };
            ledger.change_body(body, &change, &today)?;
            let bodies = ledger.bodies()?;
            let text = bodies_text(&bodies);
            document.bodies = Some(bodies);
            text
        }
        What::Supply { name: Some(name), unit, bought, paid, used, low } => {
            let change = SupplyChange {
                name: name.clone(),
                unit: unit.clone(),
                bought: *bought,
                paid: paid.clone(),
                used: *used,
                low: *low,
            };
            ledger.change_supply(&change, &today)?;
            let (stock, spent) = (ledger.stock()?, ledger.spent()?);
            let text = supplies_text(&stock, &spent);
            (document.stock, document.spent) = (Some(stock), Some(spent));
            text
        }
        What::Shoot { name: Some(name), from: Some(from), to: Some(to), booked: Some(booked), bodies, note } => {
            let entry = ShootEntry {
                name: name.clone(),
                starts: from.clone(),
                ends: to.clone(),
                booked: booked.marked(),
                bodies: bodies.clone(),
                note: note.clone(),
            };
            ledger.keep_shoot(&entry, &today)?;
            document.shoots = Some(ledger.shoots()?);
            "  Written down. Whether all is ready: motelight ledger ready --shoot NAME".into()
        }
        What::Import { from } => {
            let export = if from.is_dir() { import_csv(from, &ledger)? } else { exported(from)? };
            let count = ledger.import(&export)?;
            document.bodies = Some(ledger.bodies()?);
            format!("  {count} entries taken in.")
        }
        _ => String::new(),
    };
    Ok((told, Outcome::Clear))
}

fn taken_out(what: &What, path: &Path, document: &mut LedgerDocument) -> Result<Told, FrameError> {
    let ledger = File::open_existing(path)?.ok_or_else(|| nothing_yet(path))?;
    let mut files = Vec::new();
    match what {
        What::Export { out } => {
            let export = ledger.export()?;
            let unwritable = |e: String| FrameError::new(Fault::Unwritable, out, e, "Check the folder.");
            let json = serde_json::to_vec_pretty(&export).map_err(|e| unwritable(e.to_string()))?;
            files.push((out.join("ledger.json"), json));
            for (name, bytes) in exported_csv(&export).map_err(|e| unwritable(e.to_string()))? {
                files.push((out.join(name), bytes));
            }
        }
        What::Report { out, booked } => {
            let mut stories = Vec::new();
            for body in ledger.bodies()? {
                let outlook = ledger.outlook(body.number, wanted(&ledger, body.number, *booked)?)?;
                stories.push((ledger.story(body.number)?, outlook));
            }
            let page = ledger_page(&stories, &ledger.stock()?, &ledger.spent()?);
            files.push((out.join("ledger.html"), page.into_bytes()));
        }
        _ => {}
    }
    for (file, bytes) in &files {
        write_whole(file, bytes)?;
    }
    let names: Vec<String> = files.iter().map(|(f, _)| f.display().to_string()).collect();
    let text = names.iter().map(|n| format!("  {}", motelight_desk::report::shown(n))).collect::<Vec<_>>().join("\n");
    document.written = Some(names);
    Ok((text, Outcome::Clear))
}

/// The f-number to judge a body for: told, else of its next shoots, else the usual.
fn wanted(ledger: &File, body: i64, told: Option<FNumber>) -> Result<f64, FrameError> {
    let booked = match told {
        Some(n) => Some(n),
        None => ledger.booked(body, &now())?,
    };
    Ok(booked.map_or(USUAL, FNumber::marked))
}

fn nothing_yet(path: &Path) -> FrameError {
    FrameError::new(
        Fault::Usage,
        path,
        "there is no ledger yet",
        "Inspect a test frame, or name another with --ledger.",
    )
}

fn exported(path: &Path) -> Result<Export, FrameError> {
    let broken = |e: String| FrameError::new(Fault::Broken, path, format!("this is no export: {e}"), "Export it anew.");
    let bytes = std::fs::read(path).map_err(|e| broken(e.to_string()))?;
    serde_json::from_slice(&bytes).map_err(|e| broken(e.to_string()))
}

fn moment(text: &str) -> Result<Moment, String> {
    Moment::parse(text).ok_or_else(|| "give a day such as 2031-04-02, or a day and time".into())
}

/// Reads `31.00 EUR` as hundredths and currency.
fn money(text: &str) -> Result<(i64, String), String> {
    let wanted = "give an amount and its currency, such as \"31.00 EUR\"";
    let (amount, currency) = text.trim().split_once(char::is_whitespace).ok_or(wanted)?;
    let value: f64 = amount.replace(',', ".").parse().map_err(|_| wanted)?;
    let sound = (0.0..1e9).contains(&value) && (1..=12).contains(&currency.trim().chars().count());
    if sound { Ok(((value * 100.0).round() as i64, currency.trim().to_uppercase())) } else { Err(wanted.into()) }
}

fn quantity(text: &str) -> Result<f64, String> {
    let value = text.replace(',', ".").parse().ok().filter(|v: &f64| v.is_finite() && *v > 0.0 && *v < 1e6);
    value.ok_or_else(|| "give a number above 0".into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn money_is_kept_in_hundredths() {
        assert_eq!(money("31.00 EUR"), Ok((3100, "EUR".into())));
        assert_eq!(money("12,99 chf"), Ok((1299, "CHF".into())));
        for bad in ["31", "EUR", "-3 EUR", "NaN EUR", "1e99 EUR"] {
            assert!(money(bad).is_err(), "{bad}");
        }
    }
}
