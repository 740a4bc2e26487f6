//! A round shadow as a radial profile of lost light on the sensor.

use motelight_frame::Micrometres;

/// Lost light against the distance from the shadow's centre: 1 = all light lost, below 0 = the bright ring.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    step: f64,
    lost: Vec<f64>,
}

impl Profile {
    /// A profile from samples at 0, `step`, 2 `step`, ...; taken as 0 past the last. `None` if there
    /// are fewer than two samples or the step is not positive.
    pub fn new(step: Micrometres, lost: Vec<f64>) -> Option<Self> {
        (lost.len() >= 2 && step.0 > 0.0).then_some(Profile { step: step.0, lost })
    }

    /// A profile computed on a grid of our own making, which holds two samples and a positive step.
    pub(crate) fn on_grid(step: Micrometres, lost: Vec<f64>) -> Self {
        debug_assert!(lost.len() >= 2 && step.0 > 0.0);
        Profile { step: step.0, lost }
    }

    /// Light lost at distance `r` from the centre (linear between samples).
    pub fn lost_at(&self, r: Micrometres) -> f64 {
        let at = r.0.abs() / self.step;
        let i = at as usize;
        if i + 1 >= self.lost.len() {
            return 0.0;
        }
        let t = at - i as f64;
        self.lost[i] * (1.0 - t) + self.lost[i + 1] * t
    }

    /// Distance between samples.
    pub fn step(&self) -> Micrometres {
        Micrometres(self.step)
    }

    /// Lost light at 0, one step, two steps, ...
    pub fn samples(&self) -> &[f64] {
        &self.lost
    }

    /// Light lost at the centre: the shadow's depth.
    pub fn depth(&self) -> f64 {
        self.lost[0]
    }

    /// Radius past which the profile is 0.
    pub fn reach(&self) -> Micrometres {
        Micrometres(self.step * (self.lost.len() - 1) as f64)
    }

    /// Integral of the lost light over the sensor, µm²: trapezoid in r with weight 2 pi r.
    pub fn area_um2(&self) -> f64 {
        let ring = |i: usize| self.lost[i] * i as f64 * self.step;
        let sum: f64 = (1..self.lost.len()).map(|i| 0.5 * (ring(i - 1) + ring(i))).sum();
        2.0 * std::f64::consts::PI * sum * self.step
    }

    /// Full width at half of the greatest lost light: twice the outermost radius where it is still reached.
    pub fn width(&self) -> Micrometres {
        let half = 0.5 * self.lost.iter().copied().fold(0.0, f64::max);
        let Some(i) = (1..self.lost.len()).rev().find(|&i| self.lost[i - 1] >= half && self.lost[i] < half) else {
            return Micrometres(0.0);
        };
        let t = (self.lost[i - 1] - half) / (self.lost[i - 1] - self.lost[i]);
        Micrometres(2.0 * self.step * (i as f64 - 1.0 + t))
    }
}
