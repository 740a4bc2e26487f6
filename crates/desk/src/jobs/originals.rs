//! The original of a finished file: by its name, or by what it shows.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};

use motelight_frame::{Fault, Frame, FrameError, Orientation, Shot, read_reduced};
use motelight_motes::register::{Registration, Small, Unmatched, register};

use super::{Settings, pictures};

/// Pictures that finished files were made from.
#[derive(Debug, Clone, PartialEq)]
pub struct Originals {
    /// Where they lie.
    pub files: Vec<PathBuf>,
}

/// The original of a finished file.
#[derive(Debug)]
pub struct Found {
    /// Its number among the originals.
    pub number: usize,
    /// The facts of its shot.
    pub shot: Shot,
    /// Where its places lie in the finished file.
    pub way: Registration,
}

impl Originals {
    /// The pictures in a folder.
    ///
    /// # Errors
    /// A folder that cannot be read or holds no picture.
    pub fn open(folder: &Path) -> Result<Originals, FrameError> {
        let (there, mut errors) = pictures(&[folder.to_path_buf()]);
        if there.is_empty() {
            let remedy = "Name the folder of the pictures that the finished ones were made from.";
            let none = || FrameError::new(Fault::Usage, folder, "there are no pictures in this folder", remedy);
            return Err(errors.pop().unwrap_or_else(none));
        }
        Ok(Originals { files: there.into_iter().map(|s| s.path).collect() })
    }

    /// What tells these from others, by their paths: short, for it goes into the record of every picture.
    pub fn mark(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        self.files.hash(&mut hasher);
        hasher.finish()
    }

    /// The original of the same name, if it fits; else the one that fits best.
    ///
    /// # Errors
    /// Why none fits; `None`: it was made from none of these.
    pub fn find(&self, path: &Path, frame: &Frame, settings: &Settings) -> Result<Found, Option<Unmatched>> {
        let finished = Small::of_frame(frame);
        let stem = |p: &Path| p.file_stem().unwrap_or_default().to_string_lossy().to_lowercase();
        let named = stem(path);
        let (mut same, others): (Vec<usize>, Vec<usize>) =
            (0..self.files.len()).partition(|&i| named.starts_with(&stem(&self.files[i])));
        // `IMG_12` begins as `IMG_1` does: the longer name is meant.
        same.sort_by_key(|&i| std::cmp::Reverse(stem(&self.files[i]).len()));
        let mut why = None;
        for number in same {
            match self.fit(number, &finished, frame.shot.orientation, settings) {
                Ok(found) => return Ok(found),
                Err(e) => why = why.or(Some(e)),
            }
        }
        let mut best: Option<Found> = None;
        if why != Some(Unmatched::Joined) {
            for number in others {
                match self.fit(number, &finished, frame.shot.orientation, settings) {
                    Ok(f) if best.as_ref().is_none_or(|b| f.way.matched_share > b.way.matched_share) => best = Some(f),
                    Err(Unmatched::Joined) => why = why.or(Some(Unmatched::Joined)),
                    _ => {}
                }
            }
        }
        best.ok_or(why.filter(|w| *w != Unmatched::OtherPicture))
    }

    fn fit(
        &self,
        number: usize,
        finished: &Small,
        orientation: Orientation,
        settings: &Settings,
    ) -> Result<Found, Unmatched> {
        let small = read_reduced(&self.files[number], &settings.read, |_, size| Small::cell_for(size));
        // One that cannot be read tells nothing.
        let reduced = small.map_err(|_| Unmatched::OtherPicture)?;
        let quarters = |o: Orientation| match o.exif() {
            6 => 1,
            3 => 2,
            8 => 3,
            _ => 0,
        };
        let baked = (4 + quarters(reduced.shot.orientation) - quarters(orientation)) % 4;
        let way = register(&Small::of(&reduced), finished, baked)?;
        Ok(Found { number, shot: reduced.shot, way })
    }
}
