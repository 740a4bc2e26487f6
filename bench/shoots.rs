//! Shoots by the synthetic camera, made once.

use std::error::Error;
use std::path::{Path, PathBuf};

use motelight_synth::sets::{ShootSpec, shoot};

/// Of the JPEGs that are made: common practice, no source.
pub const QUALITY: u8 = 97;

/// The folder of a shoot, `size` as in 6000x4000. `spec`: all but size and quality.
pub fn made(name: &str, size: &str, spec: ShootSpec) -> Result<PathBuf, Box<dyn Error>> {
    let (width, height) = size.split_once('x').ok_or("give a size such as 6000x4000")?;
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../target/bench")
        .join(format!("{name}-{size}-q{QUALITY}-{}", spec.pictures));
    if !folder.join("truth.json").is_file() {
        println!("making {} ...", folder.display());
        let (width, height) = (width.parse()?, height.parse()?);
        shoot(&ShootSpec { width, height, quality: Some(QUALITY), ..spec }, &folder)?;
    }
    Ok(folder)
}

/// The JPEGs of a folder, by name.
pub fn pictures(folder: &Path) -> Result<Vec<PathBuf>, Box<dyn Error>> {
    let all = std::fs::read_dir(folder)?.flatten().map(|e| e.path());
    let mut found: Vec<PathBuf> = all.filter(|p| p.extension().is_some_and(|e| e == "jpg")).collect();
    found.sort();
    Ok(found)
}
