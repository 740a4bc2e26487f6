//! What both ways of fuzzing need.

use std::path::{Path, PathBuf};

/// One folder a process, in memory where the system has that.
pub fn folder() -> PathBuf {
    let memory = Path::new("/dev/shm");
    let base = if memory.is_dir() { memory.to_path_buf() } else { std::env::temp_dir() };
    let folder = base.join(format!("motelight-fuzz-{}", std::process::id()));
    let _ = std::fs::create_dir(&folder);
    folder
}
