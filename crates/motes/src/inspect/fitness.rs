//! Whether a test frame can be judged by, and what to change on the next exposure.

use motelight_frame::{Frame, Layout, Mask};
use serde::{Deserialize, Serialize};

use crate::flat::Flat;
use crate::grid::Grid;
use crate::inspect::seek::Sought;

/// Whether a test frame can be judged by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Verdict {
    /// Nothing to object to.
    #[serde(rename = "fit")]
    Fit,
    /// What it shows is there, but it may not show all.
    #[serde(rename = "usable with care")]
    UsableWithCare,
    /// It cannot be judged by.
    #[serde(rename = "unfit")]
    Unfit,
}

/// What can be wrong with a test frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FindingCode {
    /// The aperture is so wide that shadows are too faint.
    ApertureTooWide,
    /// Parts are at full scale.
    Clipped,
    /// Too little light.
    TooDark,
    /// So much noise that small motes drown.
    IsoTooHigh,
    /// The wall is much brighter in one place than in another.
    Uneven,
    /// The wall's own texture is sharp.
    WallSharp,
    /// Not a plain surface.
    Scene,
    /// The file does not tell f-number or pixel pitch.
    NoShotFacts,
    /// The picture was cropped or worked on.
    EditedOrCropped,
}

/// One thing that is wrong, and what to do about it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// What.
    pub code: FindingCode,
    /// How bad.
    pub verdict: Verdict,
    /// In plain words, with the figure.
    pub message: String,
    /// What to change on the next exposure.
    pub remedy: String,
}

/// The fitness of a frame: the worst of its findings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fitness {
    /// The worst finding's verdict.
    pub verdict: Verdict,
    /// All findings, worst first.
    pub findings: Vec<Finding>,
}

impl Fitness {
    fn of(mut findings: Vec<Finding>) -> Fitness {
        findings.sort_by(|a, b| b.verdict.cmp(&a.verdict).then(a.code.cmp(&b.code)));
        Fitness { verdict: findings.first().map_or(Verdict::Fit, |f| f.verdict), findings }
    }

    /// Whether some finding says so.
    pub fn has(&self, code: FindingCode) -> bool {
        self.findings.iter().any(|f| f.code == code)
    }
}

/// Verdict of a figure that is worse the larger it is.
fn rising(value: f64, care: f64, unfit: f64) -> Verdict {
    match value {
        v if v > unfit => Verdict::Unfit,
        v if v > care => Verdict::UsableWithCare,
        _ => Verdict::Fit,
    }
}

/// Judges a frame. The bounds are common practice where practice has any (practice of test frames: f/16 or
/// smaller, ISO about 100, 40 to 85 % of full scale wanted, 12 % quite usable), else they stand where the frame could
/// not have shown a mote that matters; none was fitted to a set of pictures.
pub fn judge(frame: &Frame, flat: &Flat, sought: &Sought) -> Fitness {
    let mut findings = Vec::new();
    let mut note = |code, verdict, message: String, remedy: &str| {
        if verdict > Verdict::Fit {
            findings.push(Finding { code, verdict, message, remedy: remedy.into() });
        }
    };

    let shot = &frame.shot;
    if let Some(n) = shot.f_number {
        // Depth goes as the square of the f-number: at f/8 a quarter of what f/16 shows.
        note(
            FindingCode::ApertureTooWide,
            rising(1.0 / n.exact(), 1.0 / 12.5, 1.0 / 7.5),
            format!("Taken at {n}: shadows are {:.0} times fainter than at f/22.", (22.627 / n.exact()).powi(2)),
            "Close the aperture to f/16 or smaller, f/22 if the lens has it.",
        );
    }
    let facts: Vec<&str> = [(shot.f_number.is_none(), "the f-number"), (shot.pitch.is_none(), "the pixel pitch")]
        .into_iter()
        .filter_map(|(missing, name)| missing.then_some(name))
        .collect();
    if !facts.is_empty() {
        note(
            FindingCode::NoShotFacts,
            Verdict::UsableWithCare,
            format!("The file does not tell {}: sizes in micrometres cannot be given.", facts.join(" and ")),
            "Use the file as the camera wrote it; a sensor size can be given with --sensor, e.g. --sensor 36x24.",
        );
    }
    if let Some(why) = &shot.edited {
        note(
            FindingCode::EditedOrCropped,
            Verdict::UsableWithCare,
            format!("The picture looks worked on: {why}."),
            "Use the file as the camera wrote it: no crop, no lens correction, no spot correction.",
        );
    }

    let pixels = frame.size().area() as f64;
    let clipped = frame.mask.0.data().iter().filter(|&&m| m & Mask::CLIPPED != 0).count() as f64 / pixels;
    note(
        FindingCode::Clipped,
        rising(clipped, 0.002, 0.02),
        format!("{:.1} % of the picture is at full scale; nothing can be seen there.", 100.0 * clipped),
        "Expose less: the wall should stand at 40 to 85 % of full scale.",
    );

    let level = f64::from(brightest(flat).median());
    note(
        FindingCode::TooDark,
        rising(-level, -0.08, -0.025),
        format!("The wall stands at {:.1} % of full scale.", 100.0 * level),
        "Expose longer or light the wall: 40 to 85 % of full scale is wanted, 12 % is enough.",
    );

    let side = (frame.size().area() as f64).sqrt();
    // Noise as a 24-megapixel picture of the same exposure would have it per pixel.
    let noise = noise_of(frame, flat) * (side / 4899.0).recip().clamp(0.5, 2.0);
    let iso_verdict = rising(noise, 0.035, 0.07).max(rising(shot.iso.unwrap_or(100.0), 1000.0, 5000.0));
    if level >= 0.025 || shot.iso.is_some_and(|i| i > 1000.0) {
        let iso = shot.iso.map_or(String::new(), |i| format!(" at ISO {i:.0}"));
        note(
            FindingCode::IsoTooHigh,
            iso_verdict,
            format!("A pixel's noise{iso} is {:.1} % of the wall's light.", 100.0 * noise_of(frame, flat)),
            "Set the lowest ISO, about 100, and expose longer.",
        );
    }

    let (roughness, spread) = unevenness(brightest(flat));
    let scene = rising(roughness, 0.02, 0.05);
    note(
        FindingCode::Scene,
        scene,
        format!("Neighbouring parts differ by {:.0} % in light: this is not a plain surface.", 100.0 * roughness),
        "Fill the frame with a plain wall, a white sheet or a plain part of the sky.",
    );
    if scene != Verdict::Unfit {
        note(
            FindingCode::Uneven,
            rising(spread, 3.5, 8.0),
            format!("The brightest part has {spread:.1} times the light of the darkest."),
            "Light the wall evenly or go closer; a plain part of the sky away from the sun serves too.",
        );
        // Texture shows as noise that does not average out from scale to scale. A demosaiced, compressed picture has
        // an excess of its own at small scales, which does not grow: the growth between scales counts.
        let texture = texture_of(frame, flat, sought);
        note(
            FindingCode::WallSharp,
            if clipped > 0.02 { Verdict::Fit } else { rising(texture, 2.5, 4.0) },
            format!("The wall's own texture is {texture:.1} times the noise at the size of shadows."),
            "Focus at infinity, go close, and move the camera during half a second of exposure.",
        );
    }
    Fitness::of(findings)
}

/// The channel with the most light.
fn brightest(flat: &Flat) -> &Grid {
    let median = |g: &&Grid| f64::from(g.median());
    let most = flat.backdrop.iter().max_by(|a, b| median(a).total_cmp(&median(b)));
    most.unwrap_or(&flat.sigma)
}

/// Noise of one pixel relative to the wall's light. In a raw what the noise model foretells, where the wall's cells
/// scatter more: what is beyond is the wall's texture.
fn noise_of(frame: &Frame, flat: &Flat) -> f64 {
    let measured = f64::from(flat.sigma.median());
    foretold(frame, flat).map_or(measured, |f| f.min(measured)) * flat.cell as f64
}

/// Scatter of a raw's cells by its own noise model: the colours' relative noise, joined by inverse variance.
fn foretold(frame: &Frame, flat: &Flat) -> Option<f64> {
    if !matches!(frame.layout, Layout::Mosaic(_)) {
        return None;
    }
    let model = frame.noise.first()?;
    let samples = (flat.cell * flat.cell) as f64 / flat.backdrop.len().max(1) as f64;
    let weight: f64 = flat
        .backdrop
        .iter()
        .map(|b| {
            let level = b.median().max(1e-4);
            let relative = f64::from(model.sigma(level) / level);
            samples / (relative * relative).max(1e-12)
        })
        .sum();
    Some(weight.sqrt().recip())
}

/// The most relative noise that a pixel of a rendered picture can owe to light and ISO speed: what is beyond is the
/// wall's. By photon noise of a small full well, 1000 electrons per square micrometre at ISO 100 (two to three times that is
/// usual; from memory), doubled by tone curve and sharpening (a guess).
fn most_noise(frame: &Frame, flat: &Flat) -> Option<f64> {
    let (iso, pitch) = (frame.shot.iso?, frame.shot.pitch?.value.0);
    let electrons = 1000.0 * pitch * pitch * (100.0 / iso).min(1.0) * f64::from(brightest(flat).median());
    Some(2.0 / electrons.max(1.0).sqrt())
}

/// Typical relative step between neighbouring blocks beyond a steady slope, and brightest over darkest.
fn unevenness(grid: &Grid) -> (f64, f64) {
    let size = grid.size();
    let at = |x: usize, y: usize| f64::from(grid.values()[y * size.width + x]).max(1e-5);
    let mut bends = Vec::new();
    for y in 1..size.height.saturating_sub(1) {
        for x in 1..size.width.saturating_sub(1) {
            let bend = |a: f64, b: f64| (0.5 * (a + b) / at(x, y) - 1.0).abs();
            bends.push(bend(at(x - 1, y), at(x + 1, y)).max(bend(at(x, y - 1), at(x, y + 1))));
        }
    }
    bends.sort_unstable_by(f64::total_cmp);
    // A plain wall is plain nearly everywhere: the roughest tenth tells a scene with a large sky.
    let rough = bends.get(bends.len() * 9 / 10).copied().unwrap_or(0.0);
    let mut levels: Vec<f64> = grid.values().iter().map(|&v| f64::from(v).max(1e-5)).collect();
    levels.sort_unstable_by(f64::total_cmp);
    let end = levels.len() - 1;
    (rough, levels[end - end / 100] / levels[end / 100])
}

/// How far the wall's scatter at the scales of shadows lies over that of noise.
fn texture_of(frame: &Frame, flat: &Flat, sought: &Sought) -> f64 {
    let own = match foretold(frame, flat) {
        Some(foretold) => f64::from(flat.sigma.median()) / foretold,
        None => most_noise(frame, flat).map_or(1.0, |most| noise_of(frame, flat) / most),
    };
    let smallest = sought.noise.first().map_or(1.0, |n| n.excess);
    let shadows = sought.noise.iter().take(4).map(|n| n.excess).fold(1.0, f64::max);
    // Correlated noise of rendered pictures reaches its full excess at the second scale at the latest.
    own.max(1.0) * shadows / smallest.clamp(1.0, 2.5)
}
