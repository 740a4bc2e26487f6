//! The last look at a finished picture: shadow-like marks that would be seen, without knowing the camera.

mod result;

pub use result::{Cause, SignOff, Suspect, Verdict, Vouch};

use motelight_frame::Frame;

use crate::visibility::Viewing;

/// What to look for.
#[derive(Debug, Clone, PartialEq)]
pub struct SignOffOptions {
    /// How the picture will be looked at; each is judged.
    pub viewings: Vec<Viewing>,
}

impl Default for SignOffOptions {
    fn default() -> Self {
        SignOffOptions { viewings: Viewing::standard() }
    }
}

/// Looks a finished picture over.
pub fn sign_off(_frame: &Frame, _options: &SignOffOptions) -> SignOff {
    todo!("the eye of sign-off")
}
