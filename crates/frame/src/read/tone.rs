//! From stored codes of rendered pictures to linear light: ICC profile, else what Exif or PNG say, else sRGB.

use moxcms::{ColorProfile, DataColorSpace, ToneReprCurve};

use super::facts::ExifColour;
use crate::planes::Tone;

/// Luminance weights of the sRGB primaries (IEC 61966-2-1, ITU-R BT.709).
const SRGB_WEIGHTS: [f32; 3] = [0.2126, 0.7152, 0.0722];
/// Luminance weights of the Adobe RGB (1998) primaries, as that encoding's specification prints them.
const ADOBE_WEIGHTS: [f32; 3] = [0.2973, 0.6274, 0.0753];

/// How a rendered picture's codes become light.
#[derive(Debug, Clone)]
pub(super) struct Rendering {
    /// One tone per channel.
    pub tones: Vec<Tone>,
    /// Weights of the channels in luminance, sum 1.
    pub luminance: [f32; 3],
    /// Where the curve was taken from, if the photographer should know.
    pub note: Option<String>,
}

/// What a file says about its colours.
#[derive(Debug, Clone, Default)]
pub(super) struct Colours {
    /// Embedded ICC profile.
    pub icc: Option<Vec<u8>>,
    /// PNG gAMA (encoding exponent, e.g. 0.45455) where no sRGB chunk stands beside it.
    pub gamma: Option<f64>,
    /// PNG sRGB chunk.
    pub srgb: bool,
    /// Exif ColorSpace.
    pub exif: Option<ExifColour>,
}

/// The rendering of pictures of `channels` (1 or 3) channels and codes 0 to `max_code`.
pub(super) fn rendering(colours: &Colours, channels: usize, max_code: u16) -> Rendering {
    let said = match colours.icc.as_deref().map(|icc| from_profile(icc, channels, max_code)) {
        Some(Ok((tones, luminance))) => return Rendering { tones, luminance, note: None },
        Some(Err(why)) => format!("The colour profile in the file cannot be used ({why})"),
        None => match colours {
            Colours { srgb: true, .. } | Colours { exif: Some(ExifColour::Srgb), gamma: None, .. } => String::new(),
            Colours { gamma: Some(gamma), .. } => {
                let exponent = 1.0 / gamma;
                return same(channels, max_code, |v| v.powf(exponent), SRGB_WEIGHTS, None);
            }
            Colours { exif: Some(ExifColour::AdobeRgb), .. } => {
                // Adobe RGB (1998) encoding, 4.3.1.2: gamma is exactly 2 + 51/256.
                return same(channels, max_code, |v| v.powf(2.0 + 51.0 / 256.0), ADOBE_WEIGHTS, None);
            }
            _ => "The file holds no colour profile".to_owned(),
        },
    };
    let note = (!said.is_empty()).then(|| format!("{said}: the sRGB curve is assumed."));
    same(channels, max_code, srgb_light, SRGB_WEIGHTS, note)
}

fn same(
    channels: usize,
    max_code: u16,
    light: impl Fn(f64) -> f64,
    luminance: [f32; 3],
    note: Option<String>,
) -> Rendering {
    let max = f64::from(max_code);
    let table = (0..=max_code).map(|c| light(f64::from(c) / max) as f32).collect();
    // Powers of a positive exponent rise; a straight line is the harmless fallback.
    let tone = Tone::new(table).unwrap_or_else(|| straight(max_code));
    Rendering { tones: vec![tone; channels], luminance, note }
}

fn straight(max_code: u16) -> Tone {
    let table = (0..=max_code).map(|c| f32::from(c) / f32::from(max_code)).collect();
    Tone::new(table).unwrap_or_else(|| unreachable!("a straight line rises"))
}

/// Linear light of a relative sRGB code (IEC 61966-2-1).
fn srgb_light(v: f64) -> f64 {
    if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
}

/// Tones and luminance weights of a matrix/TRC or grey profile; `Err` says why there are none.
fn from_profile(icc: &[u8], channels: usize, max_code: u16) -> Result<(Vec<Tone>, [f32; 3]), &'static str> {
    let profile = ColorProfile::new_from_slice(icc).map_err(|_| "it is damaged")?;
    match (profile.color_space, channels) {
        (DataColorSpace::Rgb, 3) => {
            let curves = [&profile.red_trc, &profile.green_trc, &profile.blue_trc];
            let tones = curves.iter().map(|c| tone(c.as_ref(), max_code)).collect::<Result<Vec<_>, _>>()?;
            let y = [profile.red_colorant.y, profile.green_colorant.y, profile.blue_colorant.y];
            let sum: f64 = y.iter().sum();
            if !(sum.is_finite() && sum > 0.0 && y.iter().all(|v| *v >= 0.0)) {
                return Err("it has no primaries");
            }
            Ok((tones, y.map(|v| (v / sum) as f32)))
        }
        // A grey picture under an RGB profile is shown with equal channels.
        (DataColorSpace::Rgb, 1) => Ok((vec![tone(profile.green_trc.as_ref(), max_code)?], SRGB_WEIGHTS)),
        (DataColorSpace::Gray, 1) => Ok((vec![tone(profile.gray_trc.as_ref(), max_code)?], SRGB_WEIGHTS)),
        (DataColorSpace::Cmyk, _) => Err("it is a printing profile, for CMYK"),
        _ => Err("it is made for another kind of picture"),
    }
}

fn tone(curve: Option<&ToneReprCurve>, max_code: u16) -> Result<Tone, &'static str> {
    let evaluator = curve.ok_or("it has no tone curve")?.make_linear_evaluator();
    let evaluator = evaluator.map_err(|_| "its tone curve is damaged")?;
    let max = f32::from(max_code);
    // Full scale is 1 by definition here; a profile's own numbers may end a rounding error off it.
    let full = evaluator.evaluate_value(1.0);
    let light = |code: u16| (evaluator.evaluate_value(f32::from(code) / max) / full).clamp(0.0, 1.0);
    let table: Vec<f32> = (0..=max_code).map(light).collect();
    let whole = table.iter().all(|v| v.is_finite()) && table[0] < table[table.len() - 1];
    Tone::new(table).filter(|_| whole).ok_or("its tone curve does not rise")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61966-2-1 by its formula, computed outside the project.
    #[test]
    fn srgb_codes_give_the_standard_s_light() {
        let table = [
            (1, 0.000304),
            (10, 0.003035),
            (11, 0.003347),
            (64, 0.051269),
            (118, 0.181164),
            (128, 0.215861),
            (188, 0.502886),
            (200, 0.577580),
            (254, 0.991102),
        ];
        let tone = &rendering(&Colours::default(), 3, 255).tones[0];
        for (code, light) in table {
            assert!((f64::from(tone.decode(code)) - light).abs() < 1e-6, "{code}");
        }
        assert_eq!((tone.decode(0), tone.decode(255)), (0.0, 1.0));
    }

    #[test]
    fn sixteen_bit_srgb_falls_on_the_eight_bit_curve() {
        let (eight, sixteen) = (rendering(&Colours::default(), 1, 255), rendering(&Colours::default(), 1, 65535));
        for code in 0..=255u16 {
            let both = (eight.tones[0].decode(code), sixteen.tones[0].decode(code * 257));
            assert!((both.0 - both.1).abs() < 1e-6, "{code}: {both:?}");
        }
    }

    fn with(icc: &[u8]) -> Rendering {
        rendering(&Colours { icc: Some(icc.to_vec()), ..Colours::default() }, 3, 255)
    }

    /// Y of equal codes and of each primary under relative colorimetric intent, from Little CMS 2.14
    /// (`transicc -i PROFILE -o '*XYZ' -t 1 -n`), Y of white 100; that program works in 16-bit XYZ, whose step is
    /// 0.003.
    #[test]
    fn profile_curves_and_weights_agree_with_little_cms() {
        let p3 = with(include_bytes!("../../tests/data/DisplayP3-v2-micro.icc"));
        let adobe = with(include_bytes!("../../tests/data/AdobeCompat-v4.icc"));
        let curves = [
            (&p3, [(255, 100.0), (128, 21.5915), (64, 5.1286), (20, 0.7004), (5, 0.1526)], [24.1196, 69.2245, 6.6559]),
            (
                &adobe,
                [(255, 100.0), (128, 21.9520), (64, 4.7776), (20, 0.3697), (5, 0.0613)],
                [31.1111, 62.5671, 6.3217],
            ),
        ];
        for (rendering, curve, weights) in curves {
            assert_eq!(rendering.note, None);
            for (code, y) in curve {
                for tone in &rendering.tones {
                    let light = f64::from(tone.decode(code)) * 100.0;
                    assert!((light - y).abs() < 0.003, "code {code}: {light} against {y}");
                }
            }
            for (weight, y) in rendering.luminance.iter().zip(weights) {
                assert!((f64::from(*weight) * 100.0 - y).abs() < 0.003, "{weight} against {y}");
            }
        }
    }

    #[test]
    fn a_profile_that_does_not_fit_is_said_and_srgb_assumed() {
        let cmyk = {
            let mut icc = include_bytes!("../../tests/data/DisplayP3-v2-micro.icc").to_vec();
            icc[16..20].copy_from_slice(b"CMYK");
            icc
        };
        for icc in [&b"no profile"[..], &cmyk] {
            let rendering = with(icc);
            assert!(rendering.note.is_some_and(|n| n.contains("sRGB curve is assumed")));
            assert!((rendering.tones[1].decode(128) - 0.215861).abs() < 1e-6);
        }
    }

    /// PNG (third edition) 11.3.2.2: sample = light ^ gAMA.
    #[test]
    fn gamma_chunk_is_the_encoding_exponent() {
        let colours = Colours { gamma: Some(0.5), ..Colours::default() };
        let tone = &rendering(&colours, 1, 255).tones[0];
        assert!((tone.decode(51) - 0.04).abs() < 1e-6);
    }
}
