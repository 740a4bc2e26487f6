//! Whether two files are of one body.

use motelight_frame::Frame;
use serde::{Deserialize, Serialize};

use crate::refusal::{Refusal, RefusalCode};

/// Why two files are taken to be of one body.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SameBody {
    /// They are one file.
    File,
    /// Make, model and serial number agree.
    Serial,
    /// Make and model agree and the charts match; no serial number in at least one file.
    Chart,
    /// Make and model agree; the charts have still to be compared.
    #[serde(skip)]
    MakeAndModel,
}

/// What the files themselves tell.
pub(super) fn same_body(before: &Frame, after: &Frame) -> Result<SameBody, Refusal> {
    if before.digest == after.digest {
        return Ok(SameBody::File);
    }
    let refused = |message: String| {
        Err(Refusal::new(RefusalCode::OtherBody, message, "hold test frames of one body against each other"))
    };
    let (Some(a), Some(b)) = (&before.shot.body, &after.shot.body) else {
        let which = if before.shot.body.is_none() { "first" } else { "second" };
        return Err(Refusal::new(
            RefusalCode::OtherBody,
            format!("the {which} file does not tell which body took it"),
            "use both files as the camera wrote them",
        ));
    };
    if !same_text(&a.make, &b.make) || !same_text(&a.model, &b.model) {
        return refused(format!(
            "the first was taken with {} {}, the second with {} {}",
            a.make, a.model, b.make, b.model
        ));
    }
    match (&a.serial, &b.serial) {
        (Some(s), Some(t)) if same_text(s, t) => Ok(SameBody::Serial),
        (Some(s), Some(t)) => {
            refused(format!("the first was taken with {} number {s}, the second with number {t}", a.model))
        }
        _ => Ok(SameBody::MakeAndModel),
    }
}

fn same_text(a: &str, b: &str) -> bool {
    a.trim().eq_ignore_ascii_case(b.trim())
}
