//! What settles on a sensor.

use std::f64::consts::TAU;

use crate::camera::Camera;
use crate::mote::{Mote, Shape};
use crate::random::Random;

/// Diameters of dust as it is met, um.
pub const COMMON_UM: [f64; 2] = [5.0, 100.0];

/// Motes strewn over the glass; diameters of grains lie between two bounds, evenly in the logarithm.
pub fn dust(random: &mut Random, camera: &Camera, count: usize, grains_only: bool, grains_um: [f64; 2]) -> Vec<Mote> {
    let half_mm = [camera.width, camera.height].map(|px| px as f64 * camera.pitch_um / 2000.0);
    (0..count as u32)
        .map(|id| Mote {
            id,
            at_mm: half_mm.map(|half| random.between(-half, half)),
            shape: shape(random, grains_only, grains_um),
            stand_off_mm: None,
        })
        .collect()
}

fn shape(random: &mut Random, grains_only: bool, grains_um: [f64; 2]) -> Shape {
    let diameter_um = random.between_log(grains_um[0], grains_um[1]);
    let lot = if grains_only { random.between(0.0, 0.82) } else { random.unit() };
    if lot < 0.3 {
        Shape::Grain { diameter_um }
    } else if lot < 0.82 {
        Shape::Irregular {
            diameter_um,
            roughness: random.between(0.1, 0.4),
            elongation: random.between(1.0, 1.8),
            seed: random.bits(),
        }
    } else if lot < 0.88 {
        Shape::Translucent { diameter_um, amplitude: random.between(0.2, 0.9), phase: random.between(0.0, 3.1) }
    } else if lot < 0.93 {
        Shape::Fibre {
            length_um: random.between_log(200.0, 1200.0),
            width_um: random.between(8.0, 20.0),
            curl: random.between(0.0, 4.0),
            angle: random.between(0.0, TAU),
        }
    } else if lot < 0.96 {
        Shape::Oil {
            diameter_um: random.between(40.0, 140.0),
            loss: random.between(0.2, 0.7),
            phase: random.between(0.0, 2.0),
        }
    } else if lot < 0.98 {
        Shape::Ring {
            diameter_um: random.between(120.0, 400.0),
            rim_um: random.between(10.0, 25.0),
            loss: random.between(0.1, 0.5),
        }
    } else {
        Shape::Residue {
            length_um: random.between(1500.0, 4000.0),
            width_um: random.between(250.0, 600.0),
            angle: random.between(0.0, TAU),
            loss: random.between(0.015, 0.05),
            seed: random.bits(),
        }
    }
}
