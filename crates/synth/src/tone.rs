//! Light and code of rendered pictures.

/// How linear light becomes code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    /// The curve of sRGB (IEC 61966-2-1), nothing else.
    Srgb,
    /// sRGB with the S-shaped contrast curve of a camera's own pictures on top, which no file tells of.
    Camera,
    /// A pure power of 1.8, sRGB's primaries, told by an embedded ICC profile.
    Power,
}

/// Exponent of [`Tone::Power`].
pub const POWER: f32 = 1.8;

impl Tone {
    /// Code, 0 to 1, of linear light.
    pub fn encode(self, light: f32) -> f32 {
        let light = light.clamp(0.0, 1.0);
        match self {
            Tone::Srgb => srgb_encode(light),
            Tone::Camera => {
                let code = srgb_encode(light);
                code - 0.35 / std::f32::consts::TAU * (std::f32::consts::TAU * code).sin()
            }
            Tone::Power => light.powf(1.0 / POWER),
        }
    }

    /// Linear light of a code, 0 to 1, as a reader takes it from what the file tells.
    pub fn decode_as_told(self, code: f32) -> f32 {
        match self {
            Tone::Srgb | Tone::Camera => srgb_decode(code),
            Tone::Power => code.powf(POWER),
        }
    }
}

fn srgb_encode(light: f32) -> f32 {
    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}

/// Linear light of an sRGB code, 0 to 1 (IEC 61966-2-1).
pub fn srgb_decode(code: f32) -> f32 {
    if code <= 0.040_45 { code / 12.92 } else { ((code + 0.055) / 1.055).powf(2.4) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61966-2-1: light and code.
    #[test]
    fn codes_are_those_of_srgb() {
        let table = [
            (0.001, 0.01292),
            (0.003_130_8, 0.04045),
            (0.01, 0.099_853),
            (0.18, 0.461_356),
            (0.5, 0.735_357),
            (0.9, 0.954_687),
        ];
        for (light, code) in table {
            assert!((Tone::Srgb.encode(light) - code).abs() < 2e-5, "{light}");
            assert!((srgb_decode(code) - light).abs() < 2e-5, "{code}");
        }
    }

    #[test]
    fn every_tone_rises() {
        for tone in [Tone::Srgb, Tone::Camera, Tone::Power] {
            let codes: Vec<f32> = (0..=1000).map(|i| tone.encode(i as f32 / 1000.0)).collect();
            assert!(codes.windows(2).all(|pair| pair[0] < pair[1]), "{tone:?}");
            assert!(codes[0].abs() < 1e-6 && (codes[1000] - 1.0).abs() < 1e-6, "{tone:?}");
        }
    }
}
