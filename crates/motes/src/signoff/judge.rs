//! What a mark is taken for.

use motelight_frame::Size;

use super::levels::ACROSS;
use super::patch::{Mark, Tint, own_blur};
use super::result::{Cause, Suspect};
use super::seek::{Around, CLEARLY, Place, STANDS_OUT};
use super::strand::Strand;

/// Light from which on a colour is clipped: it loses more than is seen.
const CLIPPED: f64 = 0.96;

/// Bounds of what a shadow can look like in a finished picture.
///
/// All are guesses with a reason, none is fitted to a set of pictures.
mod bound {
    /// Strongest part of the surroundings over the mark: half the contrast at which it would compete with it.
    pub const UNREST: f64 = 0.35;
    /// The same, so low that it never competes, even where it would be noticed by itself.
    pub const QUIET: f64 = 0.12;
    /// The same for a mark that stands out clearly: of an even texture.
    pub const QUIET_AROUND: f64 = 0.16;
    /// Share of a mark and its surroundings that is seen, below which the picture's edge cuts it: what makes it may lie outside.
    /// A guess.
    pub const CUT: f64 = 0.7;
    /// How much farther such a one must stand out. A guess.
    pub const CUT_STANDS_OUT: f64 = 2.0;
    /// Share of the mark that no round mark of any softness explains: a blob stretched by half leaves 0.1.
    pub const UNEXPLAINED: f64 = 0.18;
    /// Long over short axis: motes are up to 1.8 times as long as wide, and blurred by the pupil.
    pub const ELONGATION: f64 = 1.7;
    /// Share of the blur that an edge has by the optics ([`super::least_softness`]) that sharpening and tone curves leave. A guess.
    pub const LEFT_SOFT: f64 = 0.5;
    /// Width over the picture's own blur below which sharpening decides how an edge looks: five pixels of a sharp one. A guess.
    pub const EDGE: f64 = 11.0;
    /// Such a blur over the picture's own from which the two together are told from that alone: it adds a sixth. A guess.
    pub const TOLD: f64 = 0.6;
    /// Greatest blur that is taken for a picture's own, px: of one made twice as large. A guess.
    pub const MOST_BLUR: f64 = 2.0;
    /// Width over that of the narrowest shadow: a width is measured to a fifth.
    pub const TOO_NARROW: f64 = 0.8;
    /// Marks about one that are no shadows from which it lies in a swarm of them, and how far about, in widths. A guess.
    pub const SWARM: usize = 2;
    /// See `SWARM`.
    pub const SWARM_REACH: f64 = 12.0;
    /// Distance of two marks over the wider one's width, below which both are of one thing. A guess.
    pub const SIDE_BY_SIDE: f64 = 2.0;
    /// Width of a single dead photosite once its colours were filled in and sharpened, px: what is no wider may be one. A guess.
    pub const SPECK: f64 = 3.5;
    /// What is left of it however much smaller a picture is made: a pixel, and the blur of resampling. A guess.
    pub const PIXEL: f64 = 1.7;
    /// Long side of what a camera takes, px, at least: 12 megapixels, common practice. A smaller picture was made smaller, or cut.
    pub const TAKEN: f64 = 3000.0;
    /// Greatest loss of a colour over that of one that is as dark or darker, as logarithms of the light left. Waves take a fifth
    /// more of red than of blue (optics: 0.142 against 0.119), and tone curves flatten towards white, so that the lighter colour
    /// of a sky loses less, next to it much less. Leaves before it take its blue most, which is its lightest.
    pub const LIGHTER: f64 = 1.2;
    /// Greatest loss of a colour over that of one that is as light, and how that grows with the light of the one over the
    /// other's, as a power: as steeply as tone curves flatten. A dead photosite takes one colour alone. Guesses.
    pub const DARKER: (f64, f64) = (1.5, 0.75);
    /// Light below and above which tone curves bend as they like: next to black, a quarter of the code of sRGB, and next to
    /// white. Guesses.
    pub const TOE: f64 = 0.05;
    /// See `TOE`.
    pub const SHOULDER: f64 = 0.9;
    /// Light of what is blown out.
    pub const BLOWN_OUT: f64 = 0.98;
    /// Contrast below which only the tip of a mark comes out of light that is blown out: how wide and soft it is does not show, nor
    /// what else lies about it. A guess.
    pub const TIP: f64 = 0.3;
    /// How much farther beyond white one colour may lie than another, as a logarithm: what is blown out was nearly white. A guess.
    pub const BEYOND_WHITE: f64 = 0.35;
    /// Loss that a tone curve leaves of the lightest colour, at least, over that of the darkest.
    pub const FLATTENED: f64 = 0.15;
    /// Green's loss over the lesser of red's and blue's, as logarithms, below which it is spared: waves and tone curves let it
    /// lie between the two, unless green is the lightest. Leaves spare it.
    pub const GREEN: f64 = 0.9;
    /// Share of a colour's light from which another counts as being as light.
    pub const AS_LIGHT: f64 = 0.95;
    /// Length over thickness of a strand, both from its area and depth: twice a disc's. What is shorter is judged as round.
    pub const SLENDER: f64 = 3.5;
    /// Thickest part of a strand over its mean thickness: fibres are drawn out evenly, and cross themselves at times.
    pub const BULGE: f64 = 1.7;
    /// Least fall of a strand's side over its thickness: a thin fibre's shadow has the pupil's outline, half a circle, which
    /// falls from four fifths to one fifth in 0.21 of its width at half depth. Sharpening is given the rest. One that takes more
    /// of the light is thicker, and its sides fall more slowly. A picture's own blur adds to it as variances do. A guess.
    pub const FALL: f64 = 0.15;
    /// See `FALL`: by so much more per contrast.
    pub const FALL_OF_THICK: f64 = 0.3;
    /// Width over which a Gaussian's integral falls from four fifths to one fifth, in its standard deviation.
    pub const FOUR_FIFTHS: f64 = 1.683;
    /// Strongest square beside a strand over it: there are many of these, and a cloud's streak has others about it. A guess.
    pub const UNREST_BESIDE: f64 = 0.25;
    /// Like `QUIET`.
    pub const QUIET_BESIDE: f64 = 0.15;
    /// Thickness of a strand over the narrowest shadow: half a circle is 0.87 of its foot wide at half depth.
    pub const STRAND: f64 = 0.87;
    /// Widths of two of a kind, the one over the other: a width is measured to a fifth, and bright photosites are narrower than
    /// most shadows.
    pub const AS_WIDE: f64 = 1.3;
}

/// Least widths in a picture, px.
pub(super) struct Least {
    /// Of a shadow.
    pub shadow: f64,
    /// Of what is no dead photosite.
    speck: f64,
    /// Blur of the picture's sharpest edges.
    blur: f64,
    /// Side of the finest cells.
    cell: f64,
}

impl Least {
    pub fn new(size: Size, shadow: f64, blur: Option<f64>, cell: usize) -> Least {
        let scale = (size.width.max(size.height) as f64 / bound::TAKEN).min(1.0);
        let taken = (bound::SPECK.powi(2) - bound::PIXEL.powi(2)).sqrt();
        let blur = blur.unwrap_or(0.0).min(bound::MOST_BLUR);
        Least { shadow, speck: (scale * taken).hypot(bound::PIXEL), blur, cell: cell as f64 }
    }

    /// Whether a suspect is wide enough for its edge to be told from a sharp one: it was measured on cells it is seven across.
    pub fn tells(&self, s: &Suspect) -> bool {
        is_told(s.contrast, own_blur(s.width_px, (s.width_px / self.cell).min(ACROSS), self.blur))
    }
}

/// What a mark is taken for; [`Cause::LikeAShadow`] where nothing speaks against it.
/// `closer`, the mark on finer cells if it was measured on coarse ones, and `colours` are asked only where all else fits.
/// `noticed`: contrast that would just be noticed there, grain apart.
pub(super) fn cause(
    mark: &Mark,
    around: &Around,
    least: &Least,
    noticed: f64,
    closer: impl FnOnce() -> Option<Mark>,
    colours: impl FnOnce() -> Vec<Tint>,
) -> Cause {
    if around.is_crowd() {
        return Cause::OneOfMany;
    }
    if mark.ground() > bound::BLOWN_OUT && mark.contrast < bound::TIP {
        return Cause::BlownOut;
    }
    // Plain is where nothing else of that size would be noticed: detail that shows by itself hides a shadow.
    let stands_out = around.stands_out(mark.contrast);
    let quiet = if stands_out > CLEARLY { bound::QUIET_AROUND } else { bound::QUIET };
    let plain = || mark.unrest() < (noticed / mark.contrast).clamp(quiet, bound::UNREST);
    let must = if mark.seen() < bound::CUT { bound::CUT_STANDS_OUT } else { 1.0 };
    if stands_out < must || !plain() {
        return Cause::AmongDetail;
    }
    if mark.width < (bound::TOO_NARROW * least.shadow).max(least.speck) {
        return Cause::TooNarrow;
    }
    if mark.moments().elongation > bound::ELONGATION || mark.unexplained() > bound::UNEXPLAINED {
        return Cause::NotRound;
    }
    let closer = closer();
    if is_sharp(closer.as_ref().unwrap_or(mark), least.blur) {
        return Cause::SharpEdge;
    }
    if coloured(&colours()) {
        return Cause::Coloured;
    }
    Cause::LikeAShadow
}

/// Whether a mark's edge is sharper than a shadow's can be, if that can be told.
fn is_sharp(mark: &Mark, blur: f64) -> bool {
    let soft = least_softness(mark.contrast);
    // What a tone curve sinks into black, or what comes out of clipped light, has the edge that these give it.
    let bent = (1.0 - mark.contrast) * mark.ground() < bound::TOE || mark.ground() > CLIPPED;
    !bent && is_told(mark.contrast, mark.own_blur(blur)) && mark.softness(blur) < soft
}

/// Whether the edge of a shadow of some contrast can be told from a sharp one, where that is blurred by so much of its width.
fn is_told(contrast: f64, own_blur: f64) -> bool {
    bound::EDGE * own_blur < 1.0 && least_softness(contrast) > bound::TOLD * own_blur
}

/// Least blur of the edge of a shadow of some contrast, standard deviation in widths.
///
/// A round mote of width a under a pupil's image of width b takes (a / b)^2 of the light, is b wide and blurs the edge by a disc
/// of width a: of standard deviation a / 4. One wider than that image blurs it by b / 4, and the light that is left within its own
/// width comes in at the edge: `1 - c = 0.36 b / a`, for the convolution of two discs of a / b from 1.1 to 2, within 0.03. A tone
/// curve makes what is dark darker still and its edge steeper, which is given as a square.
fn least_softness(contrast: f64) -> f64 {
    let let_in = (1.0 - contrast).max(0.0) / 0.36;
    bound::LEFT_SOFT * 0.25 * contrast.sqrt().min(let_in * let_in)
}

/// Whether a strand looks like a fibre's shadow: even, soft at its sides, dark without a colour of its own, and alone on a
/// plain place.
pub(super) fn is_fibre(strand: &Strand, least: &Least, noticed: f64, colours: impl FnOnce() -> Vec<Tint>) -> bool {
    let plain = strand.unrest < (noticed / strand.contrast).clamp(bound::QUIET_BESIDE, bound::UNREST_BESIDE);
    let even = strand.slenderness > bound::SLENDER && strand.bulge < bound::BULGE;
    let wide = strand.thickness > bound::TOO_NARROW * (bound::STRAND * least.shadow).max(least.speck);
    let sharp = bound::FOUR_FIFTHS * least.blur / strand.thickness;
    let soft = strand.fall > sharp.hypot(bound::FALL + bound::FALL_OF_THICK * strand.contrast);
    plain && even && wide && soft && strand.contrast > STANDS_OUT * strand.sigma && !coloured(&colours())
}

/// Whether a place might count once it is measured: its contrast through the filter is less than that over its own disc,
/// by two fifths at most.
pub(super) fn may_count(place: &Place) -> bool {
    !place.around.is_crowd() && place.around.stands_out(place.contrast) > 0.6 || place.beside.is_some()
}

/// Takes back what lies in a swarm: leaves before a sky are of every shape and colour, and a few of them are round and grey.
/// Marks of its kind close by that are no shadows tell of one, if they outnumber those that look like shadows; one with a sharp
/// edge is not of the kind of one with a soft edge.
pub(super) fn against_swarms(suspects: &mut [Suspect], least: &Least) {
    take_back(suspects, Cause::OneOfMany, |s, all| {
        let reach = bound::SWARM_REACH * s.width_px;
        let soft = least.tells(s);
        let about = all.iter().filter(|m| {
            let off = s.at.distance(m.at).0;
            let seen_as_well =
                (0.4..=2.5).contains(&(m.contrast / s.contrast)) && m.times_threshold > 0.4 * s.times_threshold;
            let kin = (0.5..=2.0).contains(&(m.width_px / s.width_px)) && seen_as_well;
            off > 0.0 && off < reach && kin && !(soft && m.cause == Cause::SharpEdge)
        });
        let (like, odd): (Vec<&Suspect>, Vec<&Suspect>) = about.partition(|m| m.counts);
        let things = apart(&odd);
        things >= bound::SWARM && things > like.len()
    });
}

/// How many things some marks are of: what lies side by side is one, a mast or a branch told piece by piece.
fn apart(marks: &[&Suspect]) -> usize {
    let joined = |a: &Suspect, b: &Suspect| a.at.distance(b.at).0 < bound::SIDE_BY_SIDE * a.width_px.max(b.width_px);
    (0..marks.len()).filter(|&i| !marks[..i].iter().any(|m| joined(m, marks[i]))).count()
}

/// How far about a dark mark light ones tell of it, px: a quarter of the picture is of one kind. A guess.
pub(super) fn mirrored_reach(size: Size) -> f64 {
    0.25 * size.width.max(size.height) as f64
}

/// Takes back what may as well be the picture's own texture: no shadow is lighter than its surroundings, so marks that are,
/// and pass all else, tell how many of the dark ones are the picture's. A dark one counts only if most of its
/// like in its part of the picture are dark.
pub(super) fn against_mirrored(suspects: &mut [Suspect], mirrored: &[Suspect], reach: f64) {
    take_back(suspects, Cause::LightOnesToo, |s, all| {
        let of_a_kind = |m: &&Suspect| {
            let within = |ratio: f64, least: f64, most: f64| (least..=most).contains(&ratio);
            s.at.distance(m.at).0 < reach
                && within(m.width_px / s.width_px, 1.0 / bound::AS_WIDE, bound::AS_WIDE)
                && within(m.contrast / s.contrast, 0.5, 4.0)
                && m.snr > 0.7 * s.snr
        };
        let lighter = mirrored.iter().filter(of_a_kind).count();
        // Itself among them.
        let darker = all.iter().filter(|m| m.counts && of_a_kind(m)).count();
        2 * lighter >= darker
    });
}

/// Counts no longer what `doubted` says of a suspect among all as they were.
pub(super) fn take_back(suspects: &mut [Suspect], cause: Cause, doubted: impl Fn(&Suspect, &[Suspect]) -> bool) {
    let all: Vec<bool> = suspects.iter().map(|s| s.counts && doubted(s, suspects)).collect();
    for (s, _) in suspects.iter_mut().zip(all).filter(|(_, doubted)| *doubted) {
        (s.counts, s.cause) = (false, cause);
    }
}

/// Light lost as a logarithm, `side` times three standard deviations off.
fn loses(t: &Tint, side: f64) -> f64 {
    let contrast = t.contrast + side * 3.0 * t.sigma;
    (-libm::log((1.0 - contrast).max(0.01))).max(0.0)
}

/// Whether green loses less than red and blue, as before leaves.
fn spares_green(colours: &[Tint]) -> bool {
    let [red, green, blue] = colours else { return false };
    green.ground < red.ground.max(blue.ground)
        && loses(green, 1.0) < bound::GREEN * loses(red, -1.0).min(loses(blue, -1.0))
}

fn coloured(colours: &[Tint]) -> bool {
    let at_odds = |light: &Tint, dark: &Tint| {
        if light.ground <= bound::AS_LIGHT * dark.ground || dark.ground <= bound::TOE {
            return false;
        }
        if dark.ground >= CLIPPED {
            return loses(light, -1.0) > loses(dark, 1.0) + bound::BEYOND_WHITE;
        }
        let (most, steepness) = bound::DARKER;
        let flatter = (most * (light.ground / dark.ground).powf(steepness)).min(1.0 / bound::FLATTENED);
        loses(light, -1.0) > bound::LIGHTER * loses(dark, 1.0)
            || (light.ground < bound::SHOULDER && loses(dark, -1.0) > flatter * loses(light, 1.0))
    };
    if spares_green(colours) {
        return true;
    }
    colours.iter().any(|light| colours.iter().any(|dark| at_odds(light, dark)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Share of a disc of diameter `b`, `r` off, that one of diameter `a` covers: two circles' common area (Bronshtein and
    /// Semendyayev, Handbook of Mathematics, circular segments).
    fn covered(a: f64, b: f64, r: f64) -> f64 {
        let (p, q) = (0.5 * a, 0.5 * b);
        let common = if r >= p + q {
            0.0
        } else if r <= (p - q).abs() {
            PI * p.min(q).powi(2)
        } else {
            let segment = |s: f64, t: f64| {
                let d = (r * r + s * s - t * t) / (2.0 * r);
                s * s * (d / s).acos() - d * (s * s - d * d).sqrt()
            };
            segment(p, q) + segment(q, p)
        };
        common / (PI * q * q)
    }

    /// Contrast over the disc of its width at half depth and blur of the edge in widths, of a disc before a round pupil: the spread of
    /// the slope about its middle.
    fn shadow_of(a: f64) -> (f64, f64) {
        let at = |i: usize| (i as f64 + 0.5) * 1e-3;
        let half = (0..).map(at).find(|&r| covered(a, 1.0, r) < 0.5 * covered(a, 1.0, 0.0)).expect("it ends");
        let inside: Vec<f64> = (0..).map(at).take_while(|r| *r < half).collect();
        let contrast = inside.iter().map(|&r| covered(a, 1.0, r) * r).sum::<f64>() / inside.iter().sum::<f64>();
        let ends = 0.5 * (1.0 + a) + 2e-3;
        let slopes =
            (0..).map(at).take_while(|r| *r < ends).map(|r| (r, covered(a, 1.0, r) - covered(a, 1.0, r + 1e-3)));
        let slopes: Vec<(f64, f64)> = slopes.collect();
        let sum: f64 = slopes.iter().map(|s| s.1).sum();
        let middle = slopes.iter().map(|s| s.0 * s.1).sum::<f64>() / sum;
        let spread = (slopes.iter().map(|s| (s.0 - middle).powi(2) * s.1).sum::<f64>() / sum).sqrt();
        (contrast, spread / (2.0 * half))
    }

    /// Half of the blur that the optics give is asked for, and of a dark mark less: a shadow of any size has more, and up to three
    /// fifths of the light taken twice what is asked for is near what it has.
    #[test]
    fn no_shadow_of_a_disc_is_as_sharp_as_what_is_called_sharp() {
        for a in [0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 1.0, 1.2, 1.5, 2.0, 3.0] {
            let (contrast, blur) = shadow_of(a);
            let asked = least_softness(contrast) / bound::LEFT_SOFT;
            let least = if contrast < 0.6 { 0.55 } else { 0.05 };
            let said = format!("a / b = {a}: contrast {contrast:.3}, blur {blur:.3}, asked {asked:.3}");
            assert!((least..1.15).contains(&(asked / blur)), "{said}");
        }
    }
}
