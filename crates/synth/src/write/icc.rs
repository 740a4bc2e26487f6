//! Colour profiles (ICC.1) of rendered files.

use moxcms::{ColorProfile, ToneReprCurve};

use super::SynthError;
use crate::tone::{POWER, Tone};

/// The profile of a tone; that of a camera's contrast curve is plain sRGB, as cameras have it.
pub(super) fn profile(tone: Tone) -> Result<Vec<u8>, SynthError> {
    let mut profile = ColorProfile::new_srgb();
    if tone == Tone::Power {
        let curve = Some(ToneReprCurve::Parametric(vec![POWER]));
        (profile.red_trc, profile.green_trc, profile.blue_trc) = (curve.clone(), curve.clone(), curve);
        profile.description = None;
        profile.cicp = None;
    }
    profile.encode().map_err(|e| SynthError::Encode(format!("colour profile: {e:?}")))
}
