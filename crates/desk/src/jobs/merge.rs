//! What the parts of a run wrote, put together again: the same document, to the byte, that one run would have written.

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

use motelight_frame::{Fault, FrameError};
use serde::de::{MapAccess, Visitor};
use serde::ser::SerializeMap;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::value::RawValue;

use crate::contract::{MEND_SCHEMA, PartEntry, RepairEntry, SIGNOFF_SCHEMA};
use crate::jobs::Outcome;
use crate::jobs::mend::leaves_work;

/// A document put together. Its entries are the parts' own text.
#[derive(Debug)]
pub struct Merged {
    keys: Vec<(String, Box<RawValue>)>,
    /// How the run ended.
    pub outcome: Outcome,
}

impl Serialize for Merged {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut map = to.serialize_map(Some(self.keys.len()))?;
        for (key, value) in &self.keys {
            map.serialize_entry(key, value)?;
        }
        map.end()
    }
}

/// The keys of a document in their order, their values untouched.
struct Keys(Vec<(String, Box<RawValue>)>);

impl<'de> Deserialize<'de> for Keys {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Keys, D::Error> {
        struct InOrder;
        impl<'de> Visitor<'de> for InOrder {
            type Value = Keys;

            fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.write_str("a document")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Keys, A::Error> {
                let mut keys = Vec::new();
                while let Some(entry) = map.next_entry()? {
                    keys.push(entry);
                }
                Ok(Keys(keys))
            }
        }
        from.deserialize_map(InOrder)
    }
}

/// One part's document.
struct One {
    path: PathBuf,
    keys: Vec<(String, Box<RawValue>)>,
    part: PartEntry,
}

/// Which key of a document holds one entry per picture.
const LISTS: [(&str, &str); 2] = [(MEND_SCHEMA, "pictures"), (SIGNOFF_SCHEMA, "files")];
/// Keys that name what only a whole run writes, or tell the part.
const OWN: [&str; 3] = ["part", "report", "delivery_note"];

/// Puts the documents of all parts of one run of `mend` or `signoff` together.
///
/// # Errors
/// A file that is no such document, parts that are missing or come twice, parts of different runs.
pub fn merge(paths: &[PathBuf]) -> Result<Merged, FrameError> {
    let mut all = paths.iter().map(|p| open(p)).collect::<Result<Vec<One>, _>>()?;
    complete(all.iter().map(|one| (one.path.as_path(), &one.part)))?;
    all.sort_by_key(|one| one.part.number);
    let told = |one: &One, key: &str| one.keys.iter().find(|k| k.0 == key).map(|k| k.1.get().to_owned());
    let Some(first) = all.first() else { return Err(nothing()) };
    let list = LISTS.iter().find(|(schema, _)| told(first, "schema") == Some(format!("{schema:?}"))).map(|l| l.1);
    let Some(list) = list else { return Err(no_part(&first.path)) };
    let mut keys = Vec::new();
    let mut outcome = Outcome::Clear;
    for (key, value) in &first.keys {
        let value = match key.as_str() {
            _ if key == list => {
                let mut entries: Vec<Box<RawValue>> = Vec::new();
                for one in &all {
                    let text = told(one, key).unwrap_or_default();
                    let some: Vec<Box<RawValue>> = serde_json::from_str(&text).map_err(|_| no_part(&one.path))?;
                    entries.extend(some);
                }
                for entry in &entries {
                    outcome = outcome.max(ended(entry).map_err(|_| no_part(&first.path))?);
                }
                raw(&entries)?
            }
            key if OWN.contains(&key) => raw(&())?,
            _ => match all.iter().find(|one| told(one, key).as_deref() != Some(value.get())) {
                Some(other) => return Err(of_another_run(&other.path)),
                None => value.clone(),
            },
        };
        keys.push((key.clone(), value));
    }
    Ok(Merged { keys, outcome })
}

fn open(path: &Path) -> Result<One, FrameError> {
    let text = std::fs::read_to_string(path).map_err(|e| unreadable(path, &e))?;
    let Keys(keys) = serde_json::from_str(&text).map_err(|_| no_part(path))?;
    let part = keys.iter().find(|k| k.0 == "part").map(|k| k.1.get()).unwrap_or("null");
    let part = serde_json::from_str(part).map_err(|_| no_part(path))?;
    Ok(One { path: path.to_path_buf(), keys, part })
}

fn raw(value: &impl Serialize) -> Result<Box<RawValue>, FrameError> {
    // The brackets stand at the first level of the document, as they do in one that was written whole.
    let whole = BTreeMap::from([("it", value)]);
    let text = serde_json::to_string_pretty(&whole).unwrap_or_default();
    let inner = text.trim_start_matches("{\n  \"it\": ").trim_end_matches("\n}");
    RawValue::from_string(inner.to_owned()).map_err(|_| nothing())
}

/// How an entry's picture ended.
fn ended(entry: &RawValue) -> Result<Outcome, serde_json::Error> {
    #[derive(Deserialize)]
    struct Entry {
        error: Option<serde::de::IgnoredAny>,
        verdict: Option<String>,
    }
    #[derive(Deserialize)]
    struct Mended {
        motes: Vec<RepairEntry>,
    }
    let told: Entry = serde_json::from_str(entry.get())?;
    Ok(match (told.error, told.verdict.as_deref()) {
        (Some(_), _) | (None, Some("cannot_judge")) => Outcome::Failed,
        (None, Some("suspects")) => Outcome::Work,
        (None, Some(_)) => Outcome::Clear,
        (None, None) if leaves_work(&serde_json::from_str::<Mended>(entry.get())?.motes) => Outcome::Work,
        (None, None) => Outcome::Clear,
    })
}

/// Whether these are all parts of one run, each once.
pub(super) fn complete<'a>(parts: impl Iterator<Item = (&'a Path, &'a PartEntry)>) -> Result<(), FrameError> {
    let mut seen: BTreeMap<usize, &Path> = BTreeMap::new();
    let mut run: Option<&PartEntry> = None;
    for (path, part) in parts {
        if run.is_some_and(|run| run.run != part.run || run.of != part.of) {
            return Err(of_another_run(path));
        }
        if part.number == 0 || part.number > part.of {
            return Err(no_part(path));
        }
        if seen.insert(part.number, path).is_some() {
            let remedy = "Name each part once.";
            let message = format!("part {} of {} is named twice", part.number, part.of);
            return Err(FrameError::new(Fault::Usage, path, message, remedy));
        }
        run = Some(part);
    }
    let Some(run) = run else { return Err(nothing()) };
    let missing: Vec<String> = (1..=run.of).filter(|n| !seen.contains_key(n)).map(|n| n.to_string()).collect();
    if missing.is_empty() {
        return Ok(());
    }
    let message = format!("of {} parts these are missing: {}", run.of, missing.join(", "));
    let path = seen.values().next().copied().unwrap_or(Path::new("merge"));
    Err(FrameError::new(Fault::Usage, path, message, "Run the missing parts, then merge all of them."))
}

pub(super) fn unreadable(path: &Path, e: &std::io::Error) -> FrameError {
    FrameError::new(Fault::Unreadable, path, format!("it cannot be read: {e}"), "Check its name and permissions.")
}

pub(super) fn no_part(path: &Path) -> FrameError {
    let remedy = "Name what runs with --part wrote: the documents of mend and signoff, the part files of trace.";
    FrameError::new(Fault::Broken, path, "it is no part of a run", remedy)
}

fn of_another_run(path: &Path) -> FrameError {
    let message = "it is part of another run than the first one named: other pictures or other settings";
    FrameError::new(Fault::Usage, path, message, "Merge the parts of one run.")
}

fn nothing() -> FrameError {
    FrameError::new(Fault::Usage, Path::new("merge"), "there is nothing to merge", "Name the parts of a run.")
}
