//! What was found in a shoot, kept by the digests of its files.
//!
//! Nothing depends on it: what cannot be read or written is worked out anew. Folder: `MOTELIGHT_CACHE`, else
//! `motelight` in the user's cache folder.

use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use motelight_frame::file_digest;
use motelight_motes::trace::Known as Prior;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::jobs::trace::{TracedBody, TracedShoot};
use crate::jobs::{Settings, Source, write_whole};

/// Changes whenever the same pictures may give another result.
const EDITION: &str = concat!("trace 1, motelight ", env!("CARGO_PKG_VERSION"));
/// Most digests that are remembered.
const MOST_DIGESTS: usize = 50_000;

/// The place of one shoot's result.
#[derive(Debug)]
pub(super) struct Cache {
    file: PathBuf,
    key: String,
}

/// What a file was when its digest was taken.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Known {
    bytes: u64,
    changed_ns: u128,
    digest: String,
}

#[derive(Serialize, Deserialize)]
struct Entry<B, L> {
    key: String,
    bodies: B,
    left_out: L,
}

impl Cache {
    /// The place for these pictures under these settings and priors; `None` where there is no folder for it or a file cannot be read.
    pub(super) fn open(sources: &[Source], settings: &Settings, priors: &[Prior]) -> Option<Cache> {
        let folder = folder()?.join("trace");
        let digests = digests(&folder.join("digests.json"), sources)?;
        let files: Vec<String> =
            sources.iter().zip(digests).map(|(s, d)| format!("{} {d}", s.path.display())).collect();
        let key =
            format!("{EDITION}\n{:?}\n{:?}\n{priors:?}\n{}", settings.viewings, settings.read.sensor, files.join("\n"));
        let mut hasher = DefaultHasher::new();
        key.hash(&mut hasher);
        Some(Cache { file: folder.join(format!("{:016x}.json", hasher.finish())), key })
    }

    /// What is known of them.
    pub(super) fn get(&self) -> Option<TracedShoot> {
        let text = std::fs::read(&self.file).ok()?;
        let entry: Entry<Vec<TracedBody>, Vec<(PathBuf, String)>> = serde_json::from_slice(&text).ok()?;
        (entry.key == self.key).then_some(TracedShoot {
            bodies: entry.bodies,
            left_out: entry.left_out,
            errors: Vec::new(),
            report: None,
        })
    }

    /// Keeps what was found.
    pub(super) fn put(&self, shoot: &TracedShoot) {
        let entry = Entry { key: self.key.clone(), bodies: &shoot.bodies, left_out: &shoot.left_out };
        if let Ok(text) = serde_json::to_vec(&entry) {
            // A full disk costs time at the next run, nothing else.
            let _ = write_whole(&self.file, &text);
        }
    }
}

fn folder() -> Option<PathBuf> {
    let set = std::env::var_os("MOTELIGHT_CACHE").filter(|v| !v.is_empty()).map(PathBuf::from);
    set.or_else(|| Some(directories::BaseDirs::new()?.cache_dir().join("motelight")))
}

/// Digests of all files: those whose size and time of change are as remembered are not read again.
fn digests(memory: &Path, sources: &[Source]) -> Option<Vec<String>> {
    let text = std::fs::read(memory).unwrap_or_default();
    let mut known: BTreeMap<PathBuf, Known> = serde_json::from_slice(&text).unwrap_or_default();
    let found: Vec<(PathBuf, Known, bool)> = sources
        .par_iter()
        .map(|source| {
            let path = std::path::absolute(&source.path).ok()?;
            let about = std::fs::metadata(&path).ok()?;
            let changed_ns = about.modified().ok()?.duration_since(UNIX_EPOCH).ok()?.as_nanos();
            let remembered = known.get(&path).filter(|k| k.bytes == about.len() && k.changed_ns == changed_ns);
            match remembered {
                Some(same) => Some((path, same.clone(), false)),
                None => {
                    let digest = file_digest(&path).ok()?.0;
                    Some((path, Known { bytes: about.len(), changed_ns, digest }, true))
                }
            }
        })
        .collect::<Option<_>>()?;
    let digests = found.iter().map(|(_, k, _)| k.digest.clone()).collect();
    if found.iter().any(|(_, _, new)| *new) {
        if known.len() > MOST_DIGESTS {
            known.clear();
        }
        known.extend(found.into_iter().map(|(path, k, _)| (path, k)));
        if let Ok(text) = serde_json::to_vec(&known) {
            let _ = write_whole(memory, &text);
        }
    }
    Some(digests)
}
