//! The views of the demo and of the test sets.

use super::leaves::{bank, tree};
use super::paint::{Painting, Part, colour, times};
use super::sky::{Clouds, Ground, Ridge, Sky, paint_ridges, water};
use super::town::{Row, boat, lighthouse, stones};
use crate::random::Random;

/// Something to take a picture of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum View {
    /// Houses along a harbour after sunset, given back by the water.
    Harbour,
    /// Hills behind hills under an evening sky.
    Hills,
    /// Heaps of cloud over the sea, and a lighthouse.
    Lighthouse,
    /// House fronts by day.
    Facade,
    /// A clear sky over a tree-lined field.
    Field,
    /// Leaves, edge to edge.
    Leaves,
    /// Nothing but clouds.
    Clouds,
    /// Nothing but clear sky.
    ClearSky,
}

impl View {
    /// All of them.
    pub const ALL: [View; 8] = [
        View::Harbour,
        View::Hills,
        View::Lighthouse,
        View::Facade,
        View::Field,
        View::Leaves,
        View::Clouds,
        View::ClearSky,
    ];

    /// Paints the view for a sensor of `width` x `height` px, which this Exif orientation sets upright (1, 6 or 8).
    pub fn paint(self, width: usize, height: usize, orientation: u16, seed: u64) -> Painting {
        let sideways = orientation == 6 || orientation == 8;
        let (width, height) = if sideways { (height, width) } else { (width, height) };
        let mut picture = Painting::new(width, height);
        let mut random = Random::new(seed, self as u64);
        match self {
            View::Harbour => harbour(&mut picture, &mut random),
            View::Hills => hills(&mut picture, &mut random),
            View::Lighthouse => sea(&mut picture, &mut random),
            View::Facade => facade(&mut picture, &mut random),
            View::Field => field(&mut picture, &mut random),
            View::Leaves => {
                picture.light.fill([0.004, 0.006, 0.004]);
                bank(&mut picture, &mut random, 24_000, 0.034, [colour(0x6f9a3c), colour(0xa9c25a)]);
            }
            View::Clouds => day_sky(1.25, 0.68, &mut random).paint(&mut picture),
            View::ClearSky => day_sky(1.25, 0.0, &mut random).paint(&mut picture),
        }
        // A lens at f/8 to f/16 is no sharper than this.
        picture.soften(0.9);
        picture.onto_sensor(orientation)
    }
}

fn day_sky(horizon: f32, cover: f32, random: &mut Random) -> Sky {
    Sky {
        horizon,
        colours: [times(colour(0x4f86c6), 0.75), times(colour(0x7fb0de), 0.85), times(colour(0xcfe0ea), 0.85)],
        sun: [random.between(-0.3, 0.2) as f32, random.between(-0.3, 0.0) as f32],
        glow: [0.10, 0.09, 0.07],
        glow_size: 0.8,
        clouds: Clouds {
            cover,
            scale: 1.5,
            stretch: 1.5,
            softness: 0.45,
            lit: times(colour(0xfffaf2), 0.86),
            dark: times(colour(0xa9b3c2), 0.72),
        },
        seed: random.bits(),
    }
}

fn evening_sky(horizon: f32, sun: [f32; 2], random: &mut Random) -> Sky {
    Sky {
        horizon,
        colours: [times(colour(0x3d5684), 0.62), times(colour(0x9a93ad), 0.75), times(colour(0xf2b98a), 0.80)],
        sun,
        glow: [0.30, 0.13, 0.03],
        glow_size: 0.42,
        clouds: Clouds {
            cover: 0.56,
            scale: 1.3,
            stretch: 2.6,
            softness: 0.75,
            lit: times(colour(0xffc9a0), 0.62),
            dark: times(colour(0x6d6a86), 0.55),
        },
        seed: random.bits(),
    }
}

fn harbour(picture: &mut Painting, random: &mut Random) {
    let (line, aspect) = (0.68, picture.aspect());
    evening_sky(line, [aspect * 0.24, 0.66], random).paint(picture);
    let far = [colour(0x7d7a94), colour(0x5b5a74)];
    for (i, tone) in far.into_iter().enumerate() {
        let ridge = Ridge {
            line: line - 0.035 + 0.02 * i as f32,
            relief: 0.05 - 0.02 * i as f32,
            scale: 1.6 + i as f32,
            trees: 0.004 * i as f32,
            colour: times(tone, 0.62),
            ground: Ground::Far(0.12),
            mist: (times(colour(0xd9a58a), 0.6), 0.35),
            seed: random.bits(),
        };
        ridge.paint(picture, None, line + 0.013);
    }
    let walls = [0x8a5a4a, 0xb59a72, 0x6a7488, 0x9c6f58, 0xa9a08e, 0x5f6a62, 0xb0784e].map(|c| times(colour(c), 1.0));
    let row = Row {
        from: aspect * 0.36,
        to: aspect * 0.97,
        foot: line - 0.018,
        width: 0.060..0.088,
        eaves: 0.085..0.135,
        walls: &walls,
        glass: times(colour(0xb7a9b0), 0.9),
        lamps: 0.30,
        shutters: false,
    };
    for house in row.houses(random) {
        house.paint(picture, 0.34);
    }
    let quay = Part { left: aspect * 0.33, right: aspect, top: line - 0.020, bottom: line + 0.013 };
    stones(picture, quay, times(colour(0x6c6660), 0.24), 3.0, random.bits());
    for (at, length, paint) in
        [(0.27, 0.105, 0x33485f), (0.50, 0.075, 0x7a3a32), (0.66, 0.085, 0x3f5a50), (0.87, 0.070, 0x8a8070)]
    {
        boat(picture, aspect * at, line + 0.012, length, times(colour(paint), 0.40));
    }
    water(picture, line + 0.012, times(colour(0x2a3448), 0.35), random.bits());
}

fn hills(picture: &mut Painting, random: &mut Random) {
    let aspect = picture.aspect();
    let mut sky = evening_sky(0.66, [aspect * 0.68, 0.60], random);
    sky.colours = [times(colour(0x55789f), 0.72), times(colour(0xa9b7c4), 0.80), times(colour(0xf6d2a2), 0.84)];
    sky.clouds.cover = 0.50;
    sky.clouds.lit = times(colour(0xffe0be), 0.75);
    sky.clouds.dark = times(colour(0x8d93a8), 0.62);
    sky.paint(picture);
    let mut ridges = Vec::new();
    let tones = [0xb9b4c4, 0x98a0b4, 0x7d8fa0, 0x5f7a80, 0x466458, 0x3f5a34].map(colour);
    for (i, tone) in tones.into_iter().enumerate() {
        let share = i as f32 / 5.0;
        ridges.push(Ridge {
            line: 0.585 + 0.34 * share.powf(1.25),
            relief: 0.055 + 0.03 * share,
            scale: 2.3 - 1.2 * share,
            trees: 0.002 + 0.024 * share * share,
            colour: times(tone, 0.60 - 0.12 * share),
            ground: if i < 5 { Ground::Far(0.10 + 0.9 * share) } else { Ground::Grass },
            mist: (times(colour(0xe6d2c4), 0.62), 0.55 * (1.0 - share)),
            seed: random.bits(),
        });
    }
    paint_ridges(picture, &ridges, 1.0);
}

fn sea(picture: &mut Painting, random: &mut Random) {
    let (line, aspect) = (0.80, picture.aspect());
    let mut sky = day_sky(line, 0.56, random);
    sky.clouds.scale = 1.1;
    sky.paint(picture);
    water(picture, line, times(colour(0x2f5568), 0.55), random.bits());
    let rocks = Ridge {
        line: 0.885,
        relief: 0.05,
        scale: 2.2,
        trees: 0.004,
        colour: times(colour(0x8f8778), 0.55),
        ground: Ground::Rock,
        mist: ([0.0; 3], 0.0),
        seed: random.bits(),
    };
    lighthouse(picture, aspect * 0.60, 0.90, 0.50, [times(colour(0xf2ede2), 0.88), times(colour(0xa63a2c), 0.9)], 1.0);
    rocks.paint(picture, None, 1.0);
}

fn facade(picture: &mut Painting, random: &mut Random) {
    let aspect = picture.aspect();
    day_sky(0.75, 0.38, random).paint(picture);
    let walls = [0xd9b382, 0xc98d6b, 0xe3d3b0, 0x9fb0a8, 0xcfa0a0, 0xb7c0cc, 0xe0c07a].map(colour);
    let row = Row {
        from: -0.08,
        to: aspect,
        foot: 0.93,
        width: 0.27..0.36,
        eaves: 0.46..0.56,
        walls: &walls,
        glass: times(colour(0x7d93a8), 0.75),
        lamps: 0.0,
        shutters: true,
    };
    for house in row.houses(random) {
        house.paint(picture, 0.82);
    }
    let street = Part { left: 0.0, right: aspect, top: 0.93, bottom: 1.0 };
    stones(picture, street, times(colour(0x8d867c), 0.7), 4.0, random.bits());
}

fn field(picture: &mut Painting, random: &mut Random) {
    let aspect = picture.aspect();
    let mut sky = day_sky(0.74, 0.48, random);
    sky.clouds.stretch = 2.2;
    sky.clouds.softness = 0.8;
    sky.paint(picture);
    let ridges = [0, 1, 2].map(|i| Ridge {
        line: 0.715 + 0.03 * i as f32,
        relief: 0.02,
        scale: 1.2,
        trees: 0.012 - 0.004 * i as f32,
        colour: times([colour(0x8fa3a0), colour(0x7f9a5e), colour(0xa3ab58)][i], 0.62),
        ground: if i < 2 { Ground::Far(0.3 + 0.3 * i as f32) } else { Ground::Grass },
        mist: (times(colour(0xd5dfe2), 0.7), 0.3 - 0.15 * i as f32),
        seed: random.bits(),
    });
    paint_ridges(picture, &ridges, 1.0);
    let mut at = aspect * 0.10;
    while at < aspect {
        let height = random.between(0.13, 0.30) as f32;
        tree(picture, [at, 0.80], height, times(colour(0x6d8c3e), 0.55), random.bits());
        at += random.between(0.10, 0.5) as f32;
    }
}
