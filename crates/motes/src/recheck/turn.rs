//! Pictures turned after they were taken: by a viewer or an editor, in quarter turns.

use motelight_frame::{SensorPoint, Size};
use serde::{Deserialize, Serialize};

/// How far a picture was turned, clockwise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Turn {
    /// As recorded.
    None,
    /// 90°.
    Quarter,
    /// 180°.
    Half,
    /// 270°.
    ThreeQuarters,
}

impl Turn {
    /// In degrees, clockwise.
    pub fn degrees(self) -> u16 {
        90 * self as u16
    }

    /// Where a place of the unturned picture stands in the turned one (mm or px from the centre).
    pub fn apply(self, at: SensorPoint) -> SensorPoint {
        let SensorPoint { x, y } = at;
        match self {
            Turn::None => at,
            Turn::Quarter => SensorPoint { x: -y, y: x },
            Turn::Half => SensorPoint { x: -x, y: -y },
            Turn::ThreeQuarters => SensorPoint { x: y, y: -x },
        }
    }

    /// The way back.
    pub fn inverse(self) -> Turn {
        match self {
            Turn::Quarter => Turn::ThreeQuarters,
            Turn::ThreeQuarters => Turn::Quarter,
            same => same,
        }
    }

    /// Turns that can lie between pictures of these sizes, likeliest first.
    pub(super) fn between(before: Size, after: Size) -> [Turn; 2] {
        let wide = |s: Size| s.width as f64 > 1.03 * s.height as f64;
        let tall = |s: Size| s.height as f64 > 1.03 * s.width as f64;
        let swapped = (wide(before) && tall(after)) || (tall(before) && wide(after));
        if swapped { [Turn::Quarter, Turn::ThreeQuarters] } else { [Turn::None, Turn::Half] }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [Turn; 4] = [Turn::None, Turn::Quarter, Turn::Half, Turn::ThreeQuarters];

    #[test]
    fn every_turn_has_its_way_back() {
        let at = SensorPoint { x: 3.0, y: -7.0 };
        assert!(ALL.iter().all(|t| t.inverse().apply(t.apply(at)) == at));
    }

    /// Clockwise as seen, y down: what was at the top stands at the right.
    #[test]
    fn a_quarter_turn_brings_the_top_to_the_right() {
        let top = SensorPoint { x: 0.0, y: -1.0 };
        let turned = Turn::Quarter.apply(top);
        assert!(turned.x == 1.0 && turned.y == 0.0);
    }
}
