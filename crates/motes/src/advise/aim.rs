//! Where to aim: places on the glass as the eye sees them, looking into the mount with the body upright.

use motelight_frame::SensorPoint;
use serde::{Deserialize, Serialize};

/// An edge of the sensor as seen in the mount.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum MountSide {
    /// Towards the top plate.
    Top,
    /// Away from the grip.
    Right,
    /// Towards the tripod socket.
    Bottom,
    /// Towards the grip.
    Left,
}

impl MountSide {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            MountSide::Top => "top edge",
            MountSide::Right => "right edge, away from the grip",
            MountSide::Bottom => "bottom edge",
            MountSide::Left => "left edge, at the grip",
        }
    }
}

/// One mote to aim at, in mount view.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Aim {
    /// The mote's number in the inspection.
    pub number: usize,
    /// Direction from the sensor's centre as an hour on a clock face, 12 towards the top plate.
    pub clock: u8,
    /// Distance from the centre, mm.
    pub from_centre_mm: f64,
    /// The nearest edge of the sensor.
    pub side: MountSide,
    /// Distance from that edge, mm.
    pub from_edge_mm: f64,
}

/// Where a place of the sensor is seen in the mount. Picture-left stays left; picture-top is at the bottom.
pub(super) fn aim(number: usize, at: SensorPoint, (width, height): (f64, f64)) -> Aim {
    let (right, up) = (at.x, at.y);
    let hour = (right.atan2(up).to_degrees() / 30.0).round().rem_euclid(12.0) as u8;
    let edges = [
        (MountSide::Top, 0.5 * height - up),
        (MountSide::Bottom, 0.5 * height + up),
        (MountSide::Left, 0.5 * width + right),
        (MountSide::Right, 0.5 * width - right),
    ];
    let (side, far) = edges.into_iter().fold(edges[0], |a, b| if b.1 < a.1 { b } else { a });
    Aim {
        number,
        clock: if hour == 0 { 12 } else { hour },
        from_centre_mm: right.hypot(up),
        side,
        from_edge_mm: far.max(0.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FULL: (f64, f64) = (36.0, 24.0);

    fn seen(x: f64, y: f64) -> (u8, MountSide, f64) {
        let a = aim(0, SensorPoint { x, y }, FULL);
        (a.clock, a.side, a.from_edge_mm)
    }

    /// A picture's top is on the sensor's lower edge; facing the mount, picture-left stays left (a lens turns the picture by
    /// 180 degrees, facing the mount mirrors left and right back).
    #[test]
    fn what_the_picture_shows_at_the_top_is_aimed_at_the_bottom() {
        assert_eq!(seen(0.0, -11.0), (6, MountSide::Bottom, 1.0));
        assert_eq!(seen(0.0, 11.0), (12, MountSide::Top, 1.0));
        assert_eq!(seen(-17.5, 0.0), (9, MountSide::Left, 0.5));
        assert_eq!(seen(17.0, 0.0), (3, MountSide::Right, 1.0));
    }

    #[test]
    fn corners_are_told_by_the_hour() {
        // Picture upper left: mount lower left. atan2(-10, -10): -135 degrees, half past seven.
        let hour = seen(-10.0, -10.0).0;
        assert!(hour == 7 || hour == 8, "{hour}");
        assert_eq!(seen(8.66, 5.0).0, 2);
    }
}
