//! How fast motes arrive, and how long a sensor stays clear.
//!
//! Arrivals are taken as a Poisson process: each independent of the others, at a steady rate per unit of use. Its rate is
//! estimated with the conjugate gamma distribution from Jeffreys' prior Gamma(1/2, 0) (Gelman et al., Bayesian Data Analysis,
//! 3rd ed., section 2.6; Jeffreys 1961). Where arrivals come in bursts the intervals are too narrow.

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Gamma};

/// What the prior adds to the count.
const PRIOR: f64 = 0.5;

/// Arrivals counted over some use: days, frames or lens changes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Arrivals {
    /// Motes that came.
    pub count: u64,
    /// Over how much use; the caller's unit. More than 0.
    pub over: f64,
}

/// A rate with its credible interval, per the unit of [`Arrivals::over`].
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Rate {
    /// Mean of the posterior.
    pub mean: f64,
    /// Lower end of the equal-tailed interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Arrivals {
    /// Adds what another stretch of use brought.
    pub fn and(self, other: Arrivals) -> Arrivals {
        Arrivals { count: self.count + other.count, over: self.over + other.over }
    }

    /// The rate, with an interval that holds it with that probability (0 to 1, such as 0.95). `None` without any use.
    pub fn rate(self, probability: f64) -> Option<Rate> {
        let shape = self.count as f64 + PRIOR;
        let usable = self.over.is_finite() && self.over > 0.0 && (0.0..1.0).contains(&probability);
        let posterior = Gamma::new(shape, self.over).ok().filter(|_| usable)?;
        let tail = 0.5 * (1.0 - probability);
        Some(Rate {
            mean: shape / self.over,
            low: posterior.inverse_cdf(tail),
            high: posterior.inverse_cdf(1.0 - tail),
        })
    }

    /// Probability that none comes in as much use to come: the gamma mixture of exponentials, (T / (T + t))^shape.
    pub fn none_in(self, ahead: f64) -> f64 {
        if ahead <= 0.0 {
            return 1.0;
        }
        if self.over <= 0.0 {
            return 0.0;
        }
        (self.over / (self.over + ahead)).powf(self.count as f64 + PRIOR)
    }

    /// Use after which one has come with that probability: the quantile of the same distribution.
    pub fn first_by(self, probability: f64) -> f64 {
        let p = probability.clamp(0.0, 1.0 - 1e-12);
        self.over * ((1.0 - p).powf(-1.0 / (self.count as f64 + PRIOR)) - 1.0)
    }

    /// How many come at most in as much use to come, with that probability: a quantile of the negative binomial distribution
    /// (the gamma mixture of Poisson counts).
    pub fn at_most_in(self, ahead: f64, probability: f64) -> u64 {
        if ahead <= 0.0 || self.over <= 0.0 {
            return 0;
        }
        let shape = self.count as f64 + PRIOR;
        let share = ahead / (self.over + ahead);
        let mut term = (1.0 - share).powf(shape);
        let (mut sum, mut n) = (term, 0u64);
        while sum < probability && n < 100_000 {
            n += 1;
            term *= share * (shape + n as f64 - 1.0) / n as f64;
            sum += term;
        }
        n
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Quantiles of Gamma(k + 1/2) computed with SciPy 1 (scipy.stats.gamma.ppf), a general reference library.
    #[test]
    fn intervals_are_those_of_a_reference_library() {
        let table = [
            (0, 0.000_491_035, 2.511_943),
            (1, 0.107_897_6, 4.674_202),
            (3, 0.844_934_5, 8.006_382),
            (10, 5.141_448_7, 17.739_44),
        ];
        for (count, low, high) in table {
            let rate = Arrivals { count, over: 1.0 }.rate(0.95).expect("used");
            assert!((rate.low - low).abs() < 1e-4 && (rate.high - high).abs() < 1e-4, "{count}: {rate:?}");
        }
    }

    /// Garwood's exact 95 % limits of a Poisson mean (Biometrika 1936; the table in handbooks of statistics): they never
    /// cover too seldom, so ours lie within them.
    #[test]
    fn intervals_lie_within_the_exact_ones_of_the_handbook() {
        for (count, low, high) in
            [(0, 0.0, 3.69), (1, 0.0253, 5.57), (5, 1.62, 11.67), (10, 4.80, 18.39), (30, 20.24, 42.83)]
        {
            let rate = Arrivals { count, over: 1.0 }.rate(0.95).expect("used");
            assert!(rate.low >= low - 0.005 && rate.high <= high + 0.005, "{count}: {rate:?}");
        }
    }

    /// Xorshift: the tests need numbers that repeat, not good ones.
    struct Draw(u64);

    impl Draw {
        fn unit(&mut self) -> f64 {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        }
    }

    /// Arrival by arrival over the whole time.
    fn history(draw: &mut Draw, rate: f64, days: f64) -> u64 {
        let (mut at, mut count) = (0.0, 0);
        loop {
            at -= (1.0 - draw.unit()).ln() / rate;
            if at > days {
                return count;
            }
            count += 1;
        }
    }

    #[test]
    fn the_interval_covers_the_truth_in_nine_of_ten_histories_and_more() {
        let mut draw = Draw(0x5eed_1234_abcd);
        let mut covered = 0;
        for _ in 0..500 {
            // A mote a day to one in three months, over a month to three years.
            let rate = (draw.unit() * 90f64.ln()).exp() / 90.0;
            let days = 30.0 * (draw.unit() * 36f64.ln()).exp();
            let count = history(&mut draw, rate, days);
            let told = Arrivals { count, over: days }.rate(0.95).expect("used");
            covered += u32::from((told.low..=told.high).contains(&rate));
        }
        assert!((450..=495).contains(&covered), "{covered} of 500");
    }

    #[test]
    fn odds_of_staying_clear_and_the_day_they_turn_agree() {
        let seen = Arrivals { count: 6, over: 120.0 };
        for p in [0.1, 0.5, 0.9] {
            assert!((seen.none_in(seen.first_by(p)) - (1.0 - p)).abs() < 1e-9);
        }
        assert!(seen.none_in(10.0) > seen.none_in(20.0));
    }

    /// The share of simulated futures without arrival, the rate itself drawn from what is known of it.
    #[test]
    fn odds_of_staying_clear_are_those_of_simulated_futures() {
        let mut draw = Draw(77);
        let (mut kept, mut quiet) = (0, 0);
        let seen = Arrivals { count: 3, over: 60.0 };
        for _ in 0..200_000 {
            // Rejection: rates whose history agrees with what was seen, from the prior rate^(-1/2).
            let rate = 0.4 * draw.unit().powi(2);
            if history(&mut draw, rate.max(1e-9), 60.0) == 3 {
                kept += 1;
                quiet += i32::from(history(&mut draw, rate, 20.0) == 0);
            }
        }
        let share = f64::from(quiet) / f64::from(kept);
        assert!(kept > 5000 && (share - seen.none_in(20.0)).abs() < 0.02, "{share} against {}", seen.none_in(20.0));
    }

    /// SciPy 1: scipy.stats.nbinom.ppf(.9, 3.5, 10/15) = 4.
    #[test]
    fn how_many_come_is_the_negative_binomials_quantile() {
        assert_eq!(Arrivals { count: 3, over: 10.0 }.at_most_in(5.0, 0.9), 4);
        assert_eq!(Arrivals { count: 3, over: 10.0 }.at_most_in(0.0, 0.9), 0);
    }

    #[test]
    fn no_use_tells_nothing() {
        assert_eq!(Arrivals { count: 0, over: 0.0 }.rate(0.95), None);
        assert_eq!(Arrivals { count: 0, over: f64::NAN }.rate(0.95), None);
    }
}
