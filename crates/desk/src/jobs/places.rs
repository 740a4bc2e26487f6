//! Where the window keeps things of its own: in the user's folders, as the system tells them.

use std::path::PathBuf;

use directories::ProjectDirs;

fn folders() -> Option<ProjectDirs> {
    ProjectDirs::from("", "", "motelight")
}

/// Where the window's choices are written down; `None` where the system tells no such folder.
pub fn state_path() -> Option<PathBuf> {
    let folders = folders()?;
    Some(folders.state_dir().unwrap_or(folders.data_local_dir()).join("window.json"))
}

/// Where the demo shoot goes when nobody names a folder: it can be made again at any time.
pub fn demo_folder() -> PathBuf {
    folders().map_or_else(std::env::temp_dir, |f| f.cache_dir().to_path_buf()).join("demo-shoot")
}
