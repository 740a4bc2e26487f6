//! Numbers from a seed: the same seed gives the same picture.
//!
//! SplitMix64 (Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014).

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Random(u64);

/// One well-mixed number from another (the finaliser of SplitMix64).
pub fn mix(value: u64) -> u64 {
    let z = (value ^ (value >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

impl Random {
    /// A stream told apart by a seed and a place within it (a row, a thing's number).
    pub fn new(seed: u64, place: u64) -> Self {
        Random(mix(seed.wrapping_add(0x9E37_79B9_7F4A_7C15)) ^ mix(place.wrapping_mul(0xD134_2543_DE82_EF95)))
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        mix(self.0)
    }

    /// Evenly spread within 0 to 1, both ends excluded.
    pub fn unit(&mut self) -> f64 {
        ((self.bits() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
    }

    /// Evenly spread between two ends.
    pub fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.unit()
    }

    /// Evenly spread in the logarithm between two positive ends.
    pub fn between_log(&mut self, from: f64, to: f64) -> f64 {
        from * (to / from).powf(self.unit())
    }

    /// One of `choices`, which must not be empty.
    pub fn pick<T: Clone>(&mut self, choices: &[T]) -> T {
        choices[(self.unit() * choices.len() as f64) as usize].clone()
    }

    /// True in this share of the cases.
    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// Two independent standard normal numbers (Box and Muller, 1958).
    pub fn normal_pair(&mut self) -> (f32, f32) {
        let bits = self.bits();
        let radius = (((bits >> 32) as f64 + 0.5) / 4_294_967_296.0).ln();
        let (sin, cos) = ((bits & 0xFFFF_FFFF) as f32 * (std::f32::consts::TAU / 4_294_967_296.0)).sin_cos();
        let radius = (-2.0 * radius).sqrt() as f32;
        (radius * cos, radius * sin)
    }
}

/// A photon count of the given mean, from a standard normal and an even random number.
///
/// From a mean of 20 on by the Cornish-Fisher expansion of the Poisson quantile (Abramowitz and Stegun
/// 26.2.49), below by summing the probabilities. A fixed number of random numbers goes in, so the noise
/// of a picture with and without motes is drawn from the same numbers.
pub fn poisson(mean: f32, normal: f32, unit: f64) -> f32 {
    if mean >= 20.0 {
        let (root, z2) = (mean.sqrt(), normal * normal);
        let tail = normal * ((z2 - 3.0) / 24.0 - (2.0 * z2 - 5.0) / 36.0);
        // Rounds: the sum is far below 2^31, and what falls below 0 becomes 0.
        return (mean + root * normal + (z2 - 1.0) / 6.0 + tail / root + 0.5).max(0.0) as u32 as f32;
    }
    let mut probability = (-f64::from(mean.max(0.0))).exp();
    let (mut below, mut count) = (probability, 0.0f32);
    while unit > below && count < 200.0 {
        count += 1.0;
        probability *= f64::from(mean) / f64::from(count);
        below += probability;
    }
    count
}

/// Smooth noise over the plane, about -1 to 1: gradient noise (Perlin, "Improving noise", 2002).
pub fn smooth_noise(seed: u64, x: f64, y: f64) -> f32 {
    let cell = |v: f64| v as i64 - i64::from(v < 0.0);
    let (cell_x, cell_y) = (cell(x), cell(y));
    let (fx, fy) = ((x - cell_x as f64) as f32, (y - cell_y as f64) as f32);
    let slope = |dx: i64, dy: i64| {
        let key = (cell_x + dx) as u64 ^ ((cell_y + dy) as u64).rotate_left(32);
        let bits = mix(key.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ seed);
        let (gx, gy) = ((bits as u16 as i16) as f32 / 32768.0, ((bits >> 16) as u16 as i16) as f32 / 32768.0);
        gx * (fx - dx as f32) + gy * (fy - dy as f32)
    };
    let fade = |t: f32| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
    let (u, v) = (fade(fx), fade(fy));
    let mixed = |a: f32, b: f32, t: f32| a + (b - a) * t;
    let low = mixed(slope(0, 0), slope(1, 0), u);
    let high = mixed(slope(0, 1), slope(1, 1), u);
    1.6 * mixed(low, high, v)
}

/// `octaves` of smooth noise, each of half the size and half the strength of the one before.
pub fn layered_noise(seed: u64, x: f64, y: f64, octaves: u32) -> f32 {
    let (mut sum, mut strength, mut scale) = (0.0, 1.0, 1.0);
    for octave in 0..octaves {
        sum += strength * smooth_noise(seed.wrapping_add(u64::from(octave) * 7919), x * scale, y * scale);
        strength *= 0.5;
        scale *= 2.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The mean and the variance of a Poisson count are both its mean.
    #[test]
    fn photon_counts_have_the_mean_and_variance_of_poisson() {
        for mean in [0.3f32, 4.0, 19.9, 20.1, 150.0, 30_000.0] {
            let mut random = Random::new(7, 1);
            let n = 200_000;
            let (mut sum, mut squares) = (0.0f64, 0.0f64);
            for _ in 0..n {
                let (z, _) = random.normal_pair();
                let off = f64::from(poisson(mean, z, random.unit()) - mean);
                sum += off;
                squares += off * off;
            }
            let (bias, variance) = (sum / f64::from(n), squares / f64::from(n));
            let limit = 5.0 * (f64::from(mean) / f64::from(n)).sqrt();
            assert!(bias.abs() < limit + 0.02, "mean {mean}: bias {bias}");
            let limit = 5.0 * (2.0 / f64::from(n)).sqrt() + 5.0 / (f64::from(mean) * f64::from(n)).sqrt();
            let excess = (variance - 1.0 / 12.0 * f64::from(u8::from(mean >= 20.0))) / f64::from(mean) - 1.0;
            assert!(excess.abs() < limit + 0.005, "mean {mean}: variance off by {excess}");
        }
    }
}
