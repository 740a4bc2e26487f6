//! What a person decides about single motes and pictures, by their ids.

use std::collections::BTreeMap;
use std::path::Path;

use motelight_frame::{Fault, FrameError};
use motelight_motes::mend::Choice;

use crate::jobs::Source;

/// Ids that a person named. A mote is named by its id or the number at its end, a picture by its file name with or
/// without its ending, a mote in one picture as `PICTURE:MOTE`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Choices {
    /// Mend these and nothing else.
    pub only: Vec<String>,
    /// Leave these.
    pub skip: Vec<String>,
    /// Take these motes out even where the picture does not plainly show them.
    pub mend: Vec<String>,
}

impl Choices {
    /// Refuses names that nothing has: a slip of the finger must not pass for a decision.
    ///
    /// # Errors
    /// `Usage` with the first name that no mote and no picture has.
    pub fn check(&self, sources: &[Source], ids: &[&str]) -> Result<(), FrameError> {
        let known = |name: &str| {
            let mote = |m: &str| ids.iter().any(|id| is_mote(m, id));
            let picture = |p: &str| sources.iter().any(|s| is_picture(p, &s.relative));
            mote(name) || picture(name) || name.rsplit_once(':').is_some_and(|(p, m)| picture(p) && mote(m))
        };
        let all = [("--only", &self.only), ("--skip", &self.skip), ("--mend", &self.mend)];
        for (option, names) in all {
            if let Some(name) = names.iter().find(|n| !known(n)) {
                let message = format!("no mote and no picture is called '{name}'");
                let remedy = "Name a mote by its number in the report, a picture by its file name, or \
                              PICTURE:MOTE.";
                return Err(FrameError::new(Fault::Usage, Path::new(option), message, remedy));
            }
        }
        Ok(())
    }

    /// Whether a picture is to be mended at all.
    pub fn picture(&self, picture: &Path, ids: &[&str]) -> bool {
        let named = |names: &[String]| names.iter().any(|n| is_picture(n, picture));
        let inside =
            |names: &[String]| names.iter().any(|n| n.rsplit_once(':').is_some_and(|(p, _)| is_picture(p, picture)));
        let motes_only = self.only.iter().any(|n| ids.iter().any(|id| is_mote(n, id)));
        let wanted = self.only.is_empty() || named(&self.only) || inside(&self.only) || motes_only;
        wanted && !named(&self.skip)
    }

    /// What was decided about the motes in one picture.
    pub fn motes(&self, picture: &Path, ids: &[&str]) -> BTreeMap<String, Choice> {
        let mut choices = BTreeMap::new();
        let about = |names: &[String], mote: &str| {
            names.iter().any(|n| {
                is_mote(n, mote) || n.rsplit_once(':').is_some_and(|(p, m)| is_picture(p, picture) && is_mote(m, mote))
            })
        };
        // A picture that `only` names as a whole keeps all its motes.
        let whole = self.only.is_empty() || self.only.iter().any(|n| is_picture(n, picture));
        for &id in ids {
            if about(&self.skip, id) || !(whole || about(&self.only, id)) {
                choices.insert(id.to_owned(), Choice::Skip);
            } else if about(&self.mend, id) {
                choices.insert(id.to_owned(), Choice::Mend);
            }
        }
        choices
    }
}

fn is_mote(name: &str, id: &str) -> bool {
    name == id || id.rsplit('-').next() == Some(name)
}

fn is_picture(name: &str, picture: &Path) -> bool {
    let text = |part: Option<&std::ffi::OsStr>| part.is_some_and(|p| p.to_string_lossy() == name);
    text(picture.file_name()) || text(picture.file_stem()) || picture.to_string_lossy() == name
}
