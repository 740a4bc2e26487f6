//! A measured value with its uncertainty.

use serde::{Deserialize, Serialize};

/// A value and its standard uncertainty (one sigma), both in the unit that the holder's name tells.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// Best value.
    pub value: f64,
    /// Standard uncertainty, 1 sigma.
    pub sigma: f64,
}

impl Estimate {
    /// A value with its standard uncertainty.
    pub fn new(value: f64, sigma: f64) -> Self {
        Estimate { value, sigma }
    }
}
