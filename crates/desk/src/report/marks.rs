//! Marks on a picture: corner ticks about a shadow and its id beside them.

use maud::{Markup, html};

/// A shadow to be marked, in the units of the drawing.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Its id.
    pub id: String,
    /// Centre.
    pub x: f64,
    /// Centre.
    pub y: f64,
    /// Width of the shadow.
    pub width: f64,
    /// Whether it shows; said by the weight of ticks and id, never by colour.
    pub shows: bool,
}

/// An axis-parallel box: left, top, right, bottom.
#[derive(Debug, Clone, Copy)]
struct Area([f64; 4]);

impl Area {
    fn about(x: f64, y: f64, half_width: f64, half_height: f64) -> Self {
        Area([x - half_width, y - half_height, x + half_width, y + half_height])
    }

    fn meets(&self, other: &Area) -> bool {
        let ([l, t, r, b], [ol, ot, or, ob]) = (self.0, other.0);
        l < or && ol < r && t < ob && ot < b
    }

    fn lies_in(&self, [l, t, r, b]: [f64; 4]) -> bool {
        self.0[0] >= l && self.0[1] >= t && self.0[2] <= r && self.0[3] <= b
    }
}

/// Where a mark's corners stand (left, top, right, bottom), and the middle of its id, where that has found a place.
pub type Placed = ([f64; 4], Option<(f64, f64)>);

/// Finds places for marks. `px` is the length of one screen pixel in the drawing's units at the size it is meant to be
/// looked at; `bounds` (left, top, right, bottom) is where ids may stand. An id that finds no free place is
/// left out: the table has it, and a pile of ids helps nobody.
pub fn placed(marks: &[Mark], px: f64, bounds: [f64; 4]) -> Vec<Placed> {
    let boxes: Vec<Area> = marks.iter().map(|m| around(m, px)).collect();
    let mut taken = boxes.clone();
    let label = |(mark, ticks): (&Mark, &Area)| {
        let half = [0.5 * letters(&mark.id) * 7.0 * px, 6.0 * px];
        let free = places(ticks, half, px).into_iter().find(|&(x, y)| {
            let label = Area::about(x, y, half[0], half[1]);
            label.lies_in(bounds) && !taken.iter().any(|t| t.meets(&label))
        });
        taken.extend(free.map(|(x, y)| Area::about(x, y, half[0], half[1])));
        (ticks.0, free)
    };
    marks.iter().zip(&boxes).map(label).collect()
}

/// Draws marks; the arguments are those of [`placed`].
pub fn draw(marks: &[Mark], px: f64, bounds: [f64; 4]) -> Markup {
    html! {
        @for (mark, (ticks, label)) in marks.iter().zip(placed(marks, px, bounds)) {
            g class=(if mark.shows { "mark shows" } else { "mark" }) {
                @let path = corners(ticks, 4.5 * px);
                path class="halo" d=(path) stroke-width=(short(if mark.shows { 3.4 } else { 2.4 } * px)) {}
                path class="tick" d=(path) stroke-width=(short(if mark.shows { 1.8 } else { 0.8 } * px)) {}
                @if let Some((x, y)) = label {
                    text x=(short(x)) y=(short(y + 4.0 * px)) font-size=(short(11.5 * px))
                        stroke-width=(short(3.0 * px)) { (mark.id) }
                }
            }
        }
    }
}

/// The shadows themselves, to scale, but at least a dot.
pub fn shadows(marks: &[Mark], px: f64) -> Markup {
    html! { @for m in marks {
        circle class="shadow" cx=(short(m.x)) cy=(short(m.y)) r=(short((m.width / 2.0).max(0.9 * px))) {}
    } }
}

/// A coordinate with as many digits as a drawing needs.
pub fn short(v: f64) -> String {
    let text = format!("{v:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn letters(id: &str) -> f64 {
    id.chars().count() as f64
}

fn around(mark: &Mark, px: f64) -> Area {
    let half = (0.5 * mark.width + 4.0 * px).max(8.0 * px);
    Area::about(mark.x, mark.y, half, half)
}

/// Places for an id about its ticks, best first.
fn places(ticks: &Area, [w, h]: [f64; 2], px: f64) -> Vec<(f64, f64)> {
    let [l, t, r, b] = ticks.0;
    let (x, y, gap) = (0.5 * (l + r), 0.5 * (t + b), 2.0 * px);
    let (left, right, above, below) = (l - gap - w, r + gap + w, t - gap - h, b + gap + h);
    vec![(right, y), (left, y), (x, above), (x, below), (right, above), (left, above), (right, below), (left, below)]
}

fn corners([l, t, r, b]: [f64; 4], length: f64) -> String {
    [(l, t, 1.0, 1.0), (r, t, -1.0, 1.0), (r, b, -1.0, -1.0), (l, b, 1.0, -1.0)]
        .map(|(x, y, sx, sy)| {
            let (dx, dy) = (sx * length, sy * length);
            format!("M{} {}V{}H{}", short(x), short(y + dy), short(y), short(x + dx))
        })
        .concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(id: &str, x: f64, y: f64) -> Mark {
        Mark { id: id.to_owned(), x, y, width: 10.0, shows: true }
    }

    #[test]
    fn crowded_ids_never_overprint_each_other() {
        let marks: Vec<Mark> = (0..40).map(|i| mark(&format!("{i}"), 50.0 + f64::from(i % 7) * 9.0, 50.0)).collect();
        let drawn = draw(&marks, 1.0, [0.0, 0.0, 200.0, 100.0]).into_string();
        let mut places: Vec<&str> =
            drawn.split("<text ").skip(1).filter_map(|t| t.split(" font-size").next()).collect();
        let count = places.len();
        places.sort_unstable();
        places.dedup();
        assert_eq!(places.len(), count);
        assert!(count < 40, "a pile of forty cannot all be named");
        assert_eq!(drawn.matches("class=\"tick\"").count(), 40, "but all are marked");
    }

    #[test]
    fn an_id_stays_within_the_drawing() {
        let drawn = draw(&[mark("12", 195.0, 50.0)], 1.0, [0.0, 0.0, 200.0, 100.0]).into_string();
        let x: f64 = drawn
            .split("<text x=\"")
            .nth(1)
            .and_then(|t| t.split('"').next())
            .expect("an id")
            .parse()
            .expect("a number");
        assert!(x < 190.0);
    }

    #[test]
    fn a_hostile_id_is_text() {
        let drawn = draw(&[mark("<script>", 50.0, 50.0)], 1.0, [0.0, 0.0, 200.0, 100.0]).into_string();
        assert!(!drawn.contains("<script>"));
    }
}
