//! Densities of errors.

/// Density of a normal deviate.
pub fn normal(miss: f64, sigma: f64) -> f64 {
    let z = miss / sigma;
    (-0.5 * z * z).exp() / (sigma * std::f64::consts::TAU.sqrt())
}

/// Density of Student's t with four degrees of freedom: of what strays now and then.
pub fn student(t: f64) -> f64 {
    0.375 * (1.0 + t * t / 4.0).powf(-2.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Handbook of Mathematical Functions, table 26.1; of t with four degrees of freedom its 97.5 % point, 2.776, table 26.10.
    #[test]
    fn densities_are_those_of_the_handbook() {
        assert!((normal(0.0, 1.0) - 0.398_942_28).abs() < 1e-8 && (normal(2.0, 2.0) - 0.120_985_36).abs() < 1e-8);
        let beyond: f64 = (0..1_000_000).map(|i| student(2.776 + (f64::from(i) + 0.5) * 1e-3) * 1e-3).sum();
        assert!((beyond - 0.025).abs() < 1e-4, "{beyond}");
    }
}
