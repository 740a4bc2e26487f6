//! Everything out, and back in without loss: one JSON document, or a folder of CSV files, one per table.
//!
//! In CSV, nothing is `\N` and a text that starts with a backslash gets another before it.

use std::path::Path;

use motelight_frame::{Fault, FrameError};
use rusqlite::types::Value;
use rusqlite::{Transaction, params_from_iter};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value as Json};

use super::open::{Ledger, MIGRATIONS};

/// Tables in an order in which each refers only to those before it.
const TABLES: [&str; 13] = [
    "body",
    "lens",
    "test_frame",
    "chart",
    "comparison",
    "pass",
    "use",
    "shoot",
    "shoot_body",
    "delivery",
    "supply",
    "supply_move",
    "quote",
];

/// A whole ledger as a document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Export {
    /// `motelight.ledger-export/1`.
    pub schema: String,
    /// Schema of the tables.
    pub version: usize,
    /// Rows by table: column names to values.
    pub tables: Map<String, Json>,
}

/// Names of a table's columns and their types.
type Columns = Vec<(String, String)>;

impl Ledger {
    /// Everything that is in the ledger.
    ///
    /// # Errors
    /// What the file of the ledger gives.
    pub fn export(&self) -> Result<Export, FrameError> {
        let mut tables = Map::new();
        for table in TABLES {
            let columns = self.columns(table)?;
            let rows = self.all(table, &columns)?;
            let named = |row: Vec<Value>| {
                let pairs = columns.iter().zip(row).map(|((name, _), v)| (name.clone(), to_json(v)));
                Json::Object(pairs.collect())
            };
            tables.insert(table.to_owned(), Json::Array(rows.into_iter().map(named).collect()));
        }
        Ok(Export { schema: "motelight.ledger-export/1".into(), version: MIGRATIONS.len(), tables })
    }

    /// Takes an export into a ledger that has nothing in it yet; whole or not at all.
    ///
    /// # Errors
    /// A ledger that is not empty, an export of a newer version, rows that do not fit.
    pub fn import(&mut self, export: &Export) -> Result<usize, FrameError> {
        if export.schema != "motelight.ledger-export/1" || export.version > MIGRATIONS.len() {
            return Err(self.refused("this is no export that this version knows", "Use the version that wrote it."));
        }
        let mut rows = Vec::new();
        for table in TABLES {
            let columns = self.columns(table)?;
            let list = export.tables.get(table).and_then(Json::as_array).map_or(&[][..], Vec::as_slice);
            for row in list {
                let value = |(name, kind): &(String, String)| from_json(row.get(name).unwrap_or(&Json::Null), kind);
                let values: Option<Vec<Value>> = columns.iter().map(value).collect();
                let Some(values) = values else {
                    return Err(self.refused(&format!("a row of {table} does not fit"), "Export it anew."));
                };
                rows.push((table, columns.iter().map(|c| c.0.clone()).collect::<Vec<_>>(), values));
            }
        }
        for table in TABLES {
            let count: i64 = self.one(&format!("SELECT count(*) FROM \"{table}\""))?;
            if count > 0 {
                return Err(self.refused(
                    "the ledger already has entries",
                    "Import into a new file: --ledger NEW; two ledgers are not mixed.",
                ));
            }
        }
        let count = rows.len();
        self.write(|t| rows.iter().try_for_each(|(table, names, values)| insert(t, table, names, values)))?;
        Ok(count)
    }

    fn refused(&self, message: &str, remedy: &str) -> FrameError {
        FrameError::new(Fault::Usage, self.path(), message, remedy)
    }

    fn columns(&self, table: &str) -> Result<Columns, FrameError> {
        self.rows("SELECT name, type FROM pragma_table_info(?1) ORDER BY cid", [table], |r| Ok((r.get(0)?, r.get(1)?)))
    }

    fn all(&self, table: &str, columns: &Columns) -> Result<Vec<Vec<Value>>, FrameError> {
        self.rows(&format!("SELECT * FROM \"{table}\" ORDER BY rowid"), [], |r| {
            (0..columns.len()).map(|i| r.get::<_, Value>(i)).collect()
        })
    }
}

fn insert(t: &Transaction, table: &str, names: &[String], values: &[Value]) -> rusqlite::Result<()> {
    let places: Vec<String> = (1..=names.len()).map(|i| format!("?{i}")).collect();
    let sql = format!("INSERT INTO \"{table}\" (\"{}\") VALUES ({})", names.join("\", \""), places.join(", "));
    t.prepare_cached(&sql)?.execute(params_from_iter(values)).map(|_| ())
}

fn to_json(value: Value) -> Json {
    match value {
        Value::Null | Value::Blob(_) => Json::Null,
        Value::Integer(i) => i.into(),
        Value::Real(r) => serde_json::Number::from_f64(r).map_or(Json::Null, Json::Number),
        Value::Text(t) => Json::String(t),
    }
}

/// `None` where the value is not of the column's type.
fn from_json(value: &Json, kind: &str) -> Option<Value> {
    match (value, kind) {
        (Json::Null, _) => Some(Value::Null),
        (Json::String(t), "TEXT") => Some(Value::Text(t.clone())),
        (Json::Number(n), "INTEGER") => n.as_i64().map(Value::Integer),
        (Json::Number(n), "REAL") => n.as_f64().map(Value::Real),
        _ => None,
    }
}

/// The CSV files of an export: name and bytes.
///
/// # Errors
/// None that is met in practice: writing into memory.
pub fn exported_csv(export: &Export) -> Result<Vec<(String, Vec<u8>)>, csv::Error> {
    let mut files = Vec::new();
    for (table, rows) in &export.tables {
        let mut out = csv::Writer::from_writer(Vec::new());
        let rows = rows.as_array().map_or(&[][..], Vec::as_slice);
        if let Some(Json::Object(first)) = rows.first() {
            out.write_record(first.keys())?;
        }
        for row in rows.iter().filter_map(Json::as_object) {
            out.write_record(row.values().map(cell))?;
        }
        let bytes = out.into_inner().map_err(|e| csv::Error::from(std::io::Error::other(e.to_string())))?;
        files.push((format!("{table}.csv"), bytes));
    }
    Ok(files)
}

fn cell(value: &Json) -> String {
    match value {
        Json::Null => "\\N".into(),
        Json::String(t) if t.starts_with('\\') => format!("\\{t}"),
        Json::String(t) => t.clone(),
        other => other.to_string(),
    }
}

/// Reads the CSV files of an export back. `columns` come from the ledger that is to take it.
///
/// # Errors
/// Files that cannot be read, cells that are no value of their column.
pub fn import_csv(folder: &Path, ledger: &Ledger) -> Result<Export, FrameError> {
    let mut tables = Map::new();
    for table in TABLES {
        let path = folder.join(format!("{table}.csv"));
        let columns = ledger.columns(table)?;
        let broken = |e: String| FrameError::new(Fault::Broken, &path, e, "Export it anew.");
        let mut reader = csv::Reader::from_path(&path).map_err(|e| broken(e.to_string()))?;
        let names = reader.headers().map_err(|e| broken(e.to_string()))?.clone();
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.map_err(|e| broken(e.to_string()))?;
            let mut row = Map::new();
            for (name, text) in names.iter().zip(&record) {
                let kind = columns.iter().find(|c| c.0 == name).map_or("TEXT", |c| c.1.as_str());
                let value = parsed(text, kind).ok_or_else(|| broken(format!("{text} is no value of {name}")))?;
                row.insert(name.to_owned(), value);
            }
            rows.push(Json::Object(row));
        }
        tables.insert(table.to_owned(), Json::Array(rows));
    }
    Ok(Export { schema: "motelight.ledger-export/1".into(), version: MIGRATIONS.len(), tables })
}

fn parsed(text: &str, kind: &str) -> Option<Json> {
    match (text, kind) {
        ("\\N", _) => Some(Json::Null),
        (t, "INTEGER") => t.parse::<i64>().ok().map(Json::from),
        (t, "REAL") => t.parse::<f64>().ok().and_then(serde_json::Number::from_f64).map(Json::Number),
        (t, _) => Some(Json::String(t.strip_prefix('\\').unwrap_or(t).to_owned())),
    }
}
