//! The binary being run, and pictures to run it on.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;

use motelight_synth::Mode;
use motelight_synth::sets::{Fault, FrameSpec, format, test_frame, write};
use serde_json::Value;
use sha2::{Digest, Sha256};
use tempfile::TempDir;

/// How a run ended.
pub struct Run {
    /// Exit code.
    pub code: i32,
    /// Standard output, byte for byte.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
}

impl Run {
    /// Standard output as one JSON document and nothing else.
    pub fn document(&self) -> Value {
        serde_json::from_str(&self.stdout).unwrap_or_else(|e| panic!("{e}: {}", self.stdout))
    }
}

/// Runs the binary.
pub fn motelight(arguments: &[&dyn AsRef<OsStr>]) -> Run {
    let done = command(arguments).output().expect("the binary runs");
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("UTF-8");
    Run { code: done.status.code().expect("no signal"), stdout: text(done.stdout), stderr: text(done.stderr) }
}

/// The binary with its arguments, not yet run. Nobody's own ledger and cache are touched by a test.
pub fn command(arguments: &[&dyn AsRef<OsStr>]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_motelight"));
    command.args(arguments.iter().map(|a| a.as_ref()));
    command.env("MOTELIGHT_LEDGER", ledger_file()).env("MOTELIGHT_CACHE", ledger_file().with_file_name("cache"));
    command.stdin(Stdio::null());
    command
}

/// The ledger of this run of tests.
pub fn ledger_file() -> PathBuf {
    static FOLDER: OnceLock<TempDir> = OnceLock::new();
    FOLDER.get_or_init(|| tempfile::tempdir().expect("a folder")).path().join("ledger.sqlite")
}

/// A small test frame: 1200 x 800 px, grains, straight rays.
pub fn spec(seed: u64, motes: usize) -> FrameSpec {
    FrameSpec {
        width: 1200,
        height: 800,
        mode: Mode::PupilIntegral,
        f_number: Some(16.0),
        grains_only: true,
        ..FrameSpec::new(seed, motes)
    }
}

/// Test frames, made once for all tests.
pub struct Wall {
    _folder: TempDir,
    /// A DNG with motes that show.
    pub dusty: PathBuf,
    /// A DNG without a mote.
    pub clean: PathBuf,
    /// A JPEG whose file tells nothing of the shot.
    pub untold: PathBuf,
}

/// The test frames.
pub fn wall() -> &'static Wall {
    static WALL: OnceLock<Wall> = OnceLock::new();
    WALL.get_or_init(|| {
        let folder = tempfile::tempdir().expect("a folder");
        let make = |name: &str, spec: FrameSpec, kind: u64| make_frame(folder.path(), name, &spec, kind);
        let dusty = make("dusty", spec(3, 12), 0);
        let clean = make("clean", spec(4, 0), 3);
        let untold = make("untold", FrameSpec { fault: Some(Fault::NoFacts), ..spec(5, 6) }, 1);
        Wall { dusty, clean, untold, _folder: folder }
    })
}

/// Makes a test frame, `kind` by number as in the sets, and beside it `NAME.truth.json`.
pub fn make_frame(folder: &Path, name: &str, spec: &FrameSpec, kind: u64) -> PathBuf {
    let kind = format(kind);
    let picture = folder.join(name).with_extension(kind.extension());
    write(&test_frame(spec), kind, spec.fault, &picture, &picture.with_extension("truth.json")).expect("written");
    picture
}

/// Digests of all files below a folder.
pub fn digests(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = BTreeMap::new();
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            all.extend(digests(&path));
        } else {
            let digest = Sha256::digest(std::fs::read(&path).expect("read"));
            all.insert(path, digest.to_vec());
        }
    }
    all
}

/// Names directly in a folder, sorted; none if there is no such folder.
pub fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries.map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// Says that a check was skipped.
#[allow(clippy::print_stderr, reason = "a skipped check says so")]
pub fn skipped(why: &str) {
    eprintln!("SKIPPED: {why}");
}

/// The open test pictures, if they are there.
pub fn shared() -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared/data");
    let folder = std::env::var_os("MOTELIGHT_SHARED").map_or(beside, PathBuf::from);
    let found = folder.join("manifest.tsv").is_file().then_some(folder);
    if found.is_none() {
        skipped("no open test pictures: put them in ../shared/data or say where with MOTELIGHT_SHARED");
    }
    found
}
