//! Small pictures with motes, taken by the synthetic camera, and what mending made of them.

use motelight_frame::{
    Body, Cfa, Colour, Digest, Encoding, FNumber, Frame, Layout, Mask, Micrometres, NoiseModel, Pitch, PitchSource,
    Plane, Rect, SensorPoint, Shot, Size,
};
use motelight_motes::Estimate;
use motelight_motes::diffraction::Edge;
use motelight_motes::inspect::{InspectOptions, Kind, MoteFlags, inspect};
use motelight_motes::mend::{Chart, ChartMote, Mended};
use motelight_synth::random::{Random, layered_noise};
use motelight_synth::scene::{Canvas, Painting, Wall};
use motelight_synth::{Camera, Exposure, Glass, Lens, Mode, Mote, Shape};

const WIDTH: usize = 1600;
const HEIGHT: usize = 1200;
const PITCH: f64 = 6.0;

/// What is in the picture.
#[derive(Debug, Clone, Copy)]
pub enum Canvases {
    /// A smooth gradient with faint clouds.
    Sky,
    /// Fine and coarse detail of strong contrast.
    Texture,
}

/// A picture with motes, and the chart of its body.
pub struct Taken {
    pub frame: Frame,
    pub chart: Chart,
    exposure: Exposure,
}

/// One shadow, in dB of peak signal to noise against the noise-free clean picture, as a screen shows it.
#[derive(Debug)]
pub struct Place {
    pub id: u32,
    pub depth: f64,
    pub shown: f64,
    pub exact: f64,
    pub mended: f64,
}

impl Taken {
    /// A picture through the test frame's own lens.
    pub fn of(canvas: Canvases, mode: Mode, stop: f64, motes: usize, seed: u64) -> Taken {
        Taken::new(canvas, mode, stop, motes, seed, &Lens::new(65.0))
    }

    /// A picture through a shifted lens with a pupil farther off.
    pub fn through_another_lens(canvas: Canvases, stop: f64, motes: usize, seed: u64) -> Taken {
        let lens = Lens { shift_mm: [-7.0, 4.0], ..Lens::new(110.0) };
        Taken::new(canvas, Mode::Fresnel, stop, motes, seed, &lens)
    }

    fn new(canvas: Canvases, mode: Mode, stop: f64, count: usize, seed: u64, lens: &Lens) -> Taken {
        let camera = Camera { stand_off_mm: 1.3, ..Camera::new(WIDTH, HEIGHT, PITCH) };
        let mut random = Random::new(seed, 1);
        let half = [WIDTH, HEIGHT].map(|px| px as f64 * PITCH / 2000.0 - 0.3);
        let motes: Vec<Mote> = (0..count as u32)
            .map(|id| Mote {
                id,
                at_mm: half.map(|h| random.between(-h, h)),
                shape: Shape::Grain { diameter_um: random.between_log(10.0, 70.0) },
                stand_off_mm: None,
            })
            .collect();
        let wall = Canvas::Painting(painted(Canvases::Sky, seed));
        let shot = |n: f64| motelight_synth::Shot::new(n, seed);
        let test = Exposure::new(camera.clone(), Lens::new(65.0), shot(22.0), motes.clone(), mode, wall);
        let chart = chart_of(&test);
        let scene = Canvas::Painting(painted(canvas, seed));
        let exposure = Exposure::new(camera, lens.clone(), shot(stop), motes, mode, scene);
        Taken { frame: frame_of(&exposure), chart, exposure }
    }

    /// A sky with these motes through a lens, and the chart that an inspected wall at f/16 through the test frame's lens gives.
    pub fn inspected(motes: Vec<Mote>, mode: Mode, stop: f64, seed: u64, lens: Lens) -> Taken {
        let camera = Camera { stand_off_mm: 1.3, ..Camera::new(WIDTH, HEIGHT, PITCH) };
        let wall = Canvas::Wall(Wall::even([WIDTH, HEIGHT], 0.5));
        let shot = |n: f64, seed| motelight_synth::Shot::new(n, seed);
        let test = Exposure::new(camera.clone(), Lens::new(65.0), shot(16.0, seed), motes.clone(), mode, wall);
        let options = InspectOptions { forms: true, ..InspectOptions::default() };
        let chart = Chart::of(&inspect(&frame_of(&test), &options)).expect("a test frame");
        let scene = Canvas::Painting(painted(Canvases::Sky, seed));
        let exposure = Exposure::new(camera, lens, shot(stop, seed + 1), motes, mode, scene);
        Taken { frame: frame_of(&exposure), chart, exposure }
    }

    /// The picture as compression leaves it: without grain in every other square, but for those that a shadow reaches.
    pub fn patchy(mut self) -> Taken {
        const SIDE: usize = 32;
        let passed = [0, 1, 2].map(|c| self.exposure.transmission_map(c));
        let mut light = self.frame.planes[0].clone();
        for corner in (0..HEIGHT / SIDE * (WIDTH / SIDE)).map(|i| (i % (WIDTH / SIDE), i / (WIDTH / SIDE))) {
            let cells = (0..SIDE * SIDE).map(|i| (corner.0 * SIDE + i % SIDE, corner.1 * SIDE + i / SIDE));
            let plain = cells.clone().all(|(x, y)| passed.iter().all(|map| map[y * WIDTH + x] > 0.998));
            if plain && (corner.0 + corner.1) % 2 == 0 {
                cells.for_each(|(x, y)| light.set(x, y, self.clean(x as i64, y as i64) as f32));
            }
        }
        self.frame.planes = vec![light].into();
        self
    }

    /// Motes whose shadow is at least that deep.
    pub fn visible(&self, depth: f64) -> usize {
        self.exposure.shadows.iter().filter(|s| depth_of(s) > depth).count()
    }

    /// Pixels that lose or gain more light than that.
    pub fn shadowed(&self, bound: f32) -> usize {
        self.exposure.transmission_map(1).iter().filter(|t| (*t - 1.0).abs() > bound).count()
    }

    /// Least and most light of any square of seven pixels in a mended shadow, over that of the clean picture.
    pub fn strays(&self, mended: &Mended, id: u32) -> Option<(f64, f64)> {
        const HALF: i64 = 3;
        let shadow = self.exposure.shadows.iter().find(|s| s.id == id)?;
        let light = self.light_of(mended);
        let square = |x: i64, y: i64| {
            let side = 2 * HALF + 1;
            let over = |i| self.over_clean(&light, x - HALF + i % side, y - HALF + i / side);
            (0..side * side).map(over).sum::<f64>() / (side * side) as f64
        };
        let mut strays = (f64::MAX, f64::MIN);
        for y in shadow.y.max(HALF)..(shadow.y + shadow.height as i64).min(HEIGHT as i64 - HALF) {
            for x in shadow.x.max(HALF)..(shadow.x + shadow.width as i64).min(WIDTH as i64 - HALF) {
                if shadow.loss_at(1, x, y) > 0.02 {
                    let v = square(x, y);
                    strays = (strays.0.min(v), strays.1.max(v));
                }
            }
        }
        Some(strays)
    }

    /// Mean squared difference of two pixels of one colour over the clean light there, in the dark core of a mended shadow (less
    /// than a fifth of the light passed), and where nothing was taken around it: sums and how many.
    pub fn grain(&self, mended: &Mended, id: u32) -> Option<[(f64, f64); 2]> {
        let shadow = self.exposure.shadows.iter().find(|s| s.id == id)?;
        let (light, passed) = (self.light_of(mended), [0, 1, 2].map(|c| self.exposure.transmission_map(c)));
        let mut sums = [(0.0, 0.0); 2];
        for y in shadow.y.max(0)..(shadow.y + shadow.height as i64).min(HEIGHT as i64) {
            for x in shadow.x.max(0)..(shadow.x + shadow.width as i64).min(WIDTH as i64 - 2) {
                let colour = self.exposure.camera.cfa.colour(x as usize, y as usize);
                let through = [x, x + 2].map(|x| passed[colour][y as usize * WIDTH + x as usize]);
                let square = (self.over_clean(&light, x, y) - self.over_clean(&light, x + 2, y)).powi(2);
                let all = |dark: bool| through.iter().all(|&t| if dark { t < 0.2 } else { t > 0.998 });
                for (sum, _) in sums.iter_mut().zip([true, false]).filter(|(_, dark)| all(*dark)) {
                    *sum = (sum.0 + square, sum.1 + 1.0);
                }
            }
        }
        Some(sums)
    }

    /// Light of a pixel over that of the noise-free clean picture.
    fn over_clean(&self, light: &Plane, x: i64, y: i64) -> f64 {
        f64::from(light.at(x as usize, y as usize)) / self.clean(x, y)
    }

    /// Noise-free light of a pixel without motes.
    fn clean(&self, x: i64, y: i64) -> f64 {
        let colour = self.exposure.camera.cfa.colour(x as usize, y as usize);
        f64::from(self.exposure.light(x, y)[colour]) * self.exposure.camera.neutral[colour]
    }

    /// The light of a mended picture.
    fn light_of(&self, mended: &Mended) -> Plane {
        let mut planes = vec![self.frame.planes[0].clone()];
        mended.patches.iter().for_each(|p| p.put(&mut planes, Rect::whole(self.frame.size())));
        planes.remove(0)
    }

    /// What became of each shadow that can be told from noise at all.
    pub fn places<'a>(&'a self, mended: &'a Mended) -> impl Iterator<Item = Place> + 'a {
        let passed: [Vec<f32>; 3] = std::array::from_fn(|c| self.exposure.transmission_map(c));
        let light = self.light_of(mended);
        self.exposure.shadows.iter().filter_map(move |s| self.place(s, &passed, &light))
    }

    fn place(&self, shadow: &motelight_synth::Shadow, passed: &[Vec<f32>; 3], light: &Plane) -> Option<Place> {
        let depth = depth_of(shadow);
        let (mut errors, mut count) = ([0.0f64; 3], 0.0);
        for y in 0..HEIGHT as i64 {
            if y < shadow.y || y >= shadow.y + shadow.height as i64 {
                continue;
            }
            for x in shadow.x.max(0)..(shadow.x + shadow.width as i64).min(WIDTH as i64) {
                if f64::from(shadow.loss_at(1, x, y)) < 0.1 * depth {
                    continue;
                }
                let (i, j) = (x as usize, y as usize);
                let colour = self.exposure.camera.cfa.colour(i, j);
                let want = screen(self.clean(x, y));
                let before = f64::from(self.frame.planes[0].at(i, j));
                let through = f64::from(passed[colour][j * WIDTH + i]).max(1e-3);
                for (e, v) in errors.iter_mut().zip([before, before / through, f64::from(light.at(i, j))]) {
                    *e += (screen(v) - want).powi(2);
                }
                count += 1.0;
            }
        }
        let db = |e: f64| -10.0 * (e / count).log10();
        let [shown, exact, mended] = errors.map(db);
        (depth > 0.01 && count > 20.0).then_some(Place { id: shadow.id, depth, shown, exact, mended })
    }
}

fn depth_of(shadow: &motelight_synth::Shadow) -> f64 {
    f64::from(shadow.loss[1].iter().copied().fold(0.0f32, f32::max))
}

/// Code of linear light on a screen, 0 to 1 (IEC 61966-2-1).
fn screen(light: f64) -> f64 {
    let light = light.clamp(0.0, 1.0);
    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}

fn painted(canvas: Canvases, seed: u64) -> Painting {
    let light = |i: usize| {
        let (x, y) = ((i % WIDTH) as f64, (i / WIDTH) as f64);
        let v = match canvas {
            Canvases::Sky => {
                0.45 + 0.2 * y / HEIGHT as f64 + 0.05 * f64::from(layered_noise(seed, x / 500.0, y / 250.0, 2))
            }
            Canvases::Texture => 0.25 * (1.2 * f64::from(layered_noise(seed, x / 60.0, y / 60.0, 6))).exp(),
        };
        [0.9 * v as f32, v as f32, 1.1 * v as f32]
    };
    Painting { width: WIDTH, height: HEIGHT, light: (0..WIDTH * HEIGHT).map(light).collect() }
}

/// The picture as a reader would hand it over.
fn frame_of(exposure: &Exposure) -> Frame {
    let camera = &exposure.camera;
    let size = Size { width: WIDTH, height: HEIGHT };
    let mosaic = exposure.mosaic(Glass::AsItIs);
    let (black, white) = (f32::from(camera.black), f32::from(camera.white));
    let light: Vec<f32> = mosaic.samples.iter().map(|&c| (f32::from(c) - black) / (white - black)).collect();
    let mask = light.iter().map(|&l| if l > 0.995 { Mask::CLIPPED } else { 0 }).collect();
    let full = camera.electrons_at_white(100.0) as f32;
    let colours = vec![Colour::Red, Colour::Green, Colour::Green, Colour::Blue];
    let mut shot = Shot::unknown(size);
    shot.body = Some(Body { make: camera.make.clone(), model: camera.model.clone(), serial: camera.serial.clone() });
    shot.f_number = FNumber::new(exposure.shot.f_number);
    shot.pitch = Some(Pitch { value: Micrometres(PITCH), source: PitchSource::FocalPlaneResolution });
    Frame {
        planes: vec![Plane::from_vec(size, light)].into(),
        layout: Layout::Mosaic(Cfa::new(Size { width: 2, height: 2 }, colours).expect("whole")),
        encoding: Encoding::Levels { period: Size { width: 1, height: 1 }, black: vec![black], white },
        luminance: [0.2, 0.7, 0.1],
        noise: vec![NoiseModel { shot: 1.0 / full, read: (camera.read_noise_e as f32 / full).powi(2) }],
        mask: Mask(Plane::from_vec(size, mask)),
        shot,
        digest: Digest("0".repeat(64)),
        notes: Vec::new(),
    }
}

/// A chart as a good test frame gives it: true values with the errors of a measurement.
fn chart_of(test: &Exposure) -> Chart {
    let mut random = Random::new(test.shot.seed, 77);
    let camera = &test.camera;
    let motes = test.shadows.iter().map(|s| {
        let mm = |px: f64, length: usize| (px - length as f64 / 2.0) * PITCH / 1000.0;
        let (a, b) = random.normal_pair();
        let (c, _) = random.normal_pair();
        let at_error = 0.15 * PITCH / 1000.0;
        ChartMote {
            form: None,
            stands: None,
            id: format!("m-{}", s.id),
            at: SensorPoint {
                x: mm(s.centre_px[0], camera.width) + at_error * f64::from(a),
                y: mm(s.centre_px[1], camera.height) + at_error * f64::from(b),
            },
            at_error: Micrometres(0.15 * PITCH),
            blocked_area_um2: Estimate::new(
                s.blocked_area_um2 * (1.0 + 0.03 * f64::from(c)),
                0.03 * s.blocked_area_um2,
            ),
            kind: Kind::Grain,
            stand_off_mm: None,
            flags: MoteFlags::default(),
        }
    });
    Chart {
        body: Some(Body { make: camera.make.clone(), model: camera.model.clone(), serial: camera.serial.clone() }),
        size: Size { width: WIDTH, height: HEIGHT },
        pitch: Micrometres(PITCH),
        stand_off_mm: Estimate::new(1.3 / (1.0 - 1.3 / 65.0), 0.01),
        edge: if test.mode == Mode::Fresnel { Edge::WAVE } else { Edge::RAYS },
        motes: motes.collect(),
    }
}
