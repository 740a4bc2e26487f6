//! A run shared out: which pictures each part takes.
//!
//! Parts need not know of each other; each is told its number and how many there are, and lists the same pictures in the
//! same order.

use std::fmt;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::ops::Range;
use std::str::FromStr;

use crate::contract::PartEntry;
use crate::jobs::{Settings, Source};

/// Most parts of a run: more than any house has machines.
const MOST: usize = 10_000;

/// One part of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    number: usize,
    of: usize,
}

impl Part {
    /// The run of pictures that this part takes: parts are as even as can be, and follow one another.
    pub fn share(self, pictures: usize) -> Range<usize> {
        let end = |number: usize| pictures * number / self.of;
        end(self.number - 1)..end(self.number)
    }

    /// What a document says of it. `told`: whatever else makes the results what they are.
    pub fn entry(self, sources: &[Source], settings: &Settings, told: &str) -> PartEntry {
        let mut hasher = DefaultHasher::new();
        env!("CARGO_PKG_VERSION").hash(&mut hasher);
        sources.iter().for_each(|s| s.path.hash(&mut hasher));
        format!("{:?} {:?} {told}", settings.viewings, settings.read.sensor).hash(&mut hasher);
        PartEntry { number: self.number, of: self.of, run: format!("{:016x}", hasher.finish()) }
    }
}

impl FromStr for Part {
    type Err = String;

    /// Reads `2/4`.
    fn from_str(text: &str) -> Result<Part, String> {
        let wanted = "give the part's number and how many there are, such as 2/4";
        let (number, of) = text.split_once('/').ok_or(wanted)?;
        let (number, of) = (number.trim().parse().map_err(|_| wanted)?, of.trim().parse().map_err(|_| wanted)?);
        if of == 0 || of > MOST || number == 0 || number > of {
            return Err(format!("there is no part {number} of {of}; {wanted}"));
        }
        Ok(Part { number, of })
    }
}

impl fmt::Display for Part {
    /// As in a file name: `2-of-4`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-of-{}", self.number, self.of)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_cover_every_picture_once_in_order() {
        for pictures in [0, 1, 3, 7, 400] {
            for of in [1, 2, 3, 8, 11] {
                let shares = (1..=of).map(|number| Part { number, of }.share(pictures));
                let all: Vec<usize> = shares.clone().flatten().collect();
                assert_eq!(all, (0..pictures).collect::<Vec<_>>(), "{pictures} in {of}");
                let sizes: Vec<usize> = shares.map(|s| s.len()).collect();
                assert!(sizes.iter().max() <= sizes.iter().min().map(|least| least + 1).as_ref());
            }
        }
    }

    #[test]
    fn a_part_is_read_and_nonsense_is_not() {
        assert_eq!("2/4".parse(), Ok(Part { number: 2, of: 4 }));
        for bad in ["", "2", "0/4", "5/4", "1/0", "a/b", "-1/2", "1/99999999999"] {
            assert!(bad.parse::<Part>().is_err(), "{bad}");
        }
    }
}
