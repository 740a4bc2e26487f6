//! The chart: all motes on the sensor, as the picture shows them and as the eye sees them in the mount.

use maud::{Markup, html};
use motelight_frame::{Micrometres, SensorPoint};

use super::marks::{self, Mark, short};

/// A mote on the chart.
#[derive(Debug, Clone, PartialEq)]
pub struct ChartMote {
    /// Its id.
    pub id: String,
    /// Where its shadow lies.
    pub at: SensorPoint,
    /// Full width of its shadow at half depth.
    pub shadow: Micrometres,
    /// Whether it shows at any stop up to f/32.
    pub shows: bool,
}

/// Width and height of the recorded part of the sensor, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorSize {
    /// Along the picture's rows.
    pub width_mm: f64,
    /// Along its columns.
    pub height_mm: f64,
}

#[derive(Clone, Copy, PartialEq)]
enum View {
    Picture,
    Mount,
}

/// The sensor's long side is this many units of a drawing.
const LONG_SIDE: f64 = 1000.0;
/// More motes than this want the larger charts.
const FEW: usize = 25;

/// Whether there are so many motes that the charts want the page's width each.
pub fn crowded(motes: &[ChartMote]) -> bool {
    motes.len() > FEW
}

/// As the picture shows it: top is the picture's top.
pub fn picture_view(sensor: SensorSize, motes: &[ChartMote]) -> Markup {
    let scale = Scale::new(sensor);
    let (w, h) = (scale.half_width + 110.0, scale.half_height + 120.0);
    let title = "Picture view: the motes where the picture shows them";
    html! {
        svg class="chart" role="img" aria-label=(title) viewBox=(view_box([-w, -h, w, h])) {
            title { (title) }
            (sensor_area(&scale, View::Picture, motes, if crowded(motes) { 1.35 } else { 2.8 }))
            (caption(-scale.half_height - 30.0, "top of the picture"))
        }
    }
}

/// As the eye sees it, looking into the mount with the body upright: left stays left, top and bottom change
/// places. The body about it is a sketch, so that nobody wipes the wrong end.
pub fn mount_view(sensor: SensorSize, motes: &[ChartMote]) -> Markup {
    let scale = Scale::new(sensor);
    let throat = scale.half_width.hypot(scale.half_height) + 60.0;
    let ring = throat + 48.0;
    let (top, bottom) = (-ring - 70.0, ring + 50.0);
    let (left, right) = (-ring - 250.0, ring + 90.0);
    let grip = left + 105.0;
    let title = "Mount view: looking into the mount, body upright, grip on the left";
    html! {
        svg class="chart mount" role="img" aria-label=(title)
            viewBox=(view_box([left - 10.0, top - 130.0, right + 10.0, bottom + 10.0])) {
            title { (title) }
            path class="body" d=(format!("M{} {top}v-34h130v34", left + 70.0)) {}
            path class="body" d=(body([left, top, right, bottom])) {}
            path class="grip" d=(grip_shape([left, top, grip + 95.0, bottom])) {}
            text class="part" x=(short(left + 135.0)) y=(short(top - 52.0)) { "shutter release" }
            text class="part" x=(short(grip)) y="0" transform=(format!("rotate(-90 {} 0)", short(grip))) { "grip" }
            text class="part" x="0" y=(short(top - 50.0)) { "top plate" }
            circle class="ring" r=(short(ring)) {}
            circle class="throat" r=(short(throat)) {}
            (sensor_area(&scale, View::Mount, motes, if crowded(motes) { 2.1 } else { 2.8 }))
            (caption(-scale.half_height - 30.0, "bottom of the picture"))
            (caption(scale.half_height + 112.0, "top of the picture"))
        }
    }
}

/// The chart both ways, side by side. `shown`: what the picture view is; `drawn`: how large shadows are drawn.
pub fn both_views(sensor: SensorSize, motes: &[ChartMote], shown: &str, drawn: &str) -> Markup {
    html! {
        section {
            h2 { "Where they lie" }
            div class=(if crowded(motes) { "charts crowded" } else { "charts" }) {
                figure {
                    (picture_view(sensor, motes))
                    figcaption { b { "Picture view." } " " (shown) }
                }
                figure {
                    (mount_view(sensor, motes))
                    figcaption {
                        b { "Mount view." }
                        " Looking into the mount, body upright: left stays left, top and bottom change places. \
                         The body is a sketch. Scale in mm from the sensor’s centre, " (drawn) "."
                    }
                }
            }
        }
    }
}

struct Scale {
    units_per_mm: f64,
    half_width: f64,
    half_height: f64,
}

impl Scale {
    fn new(sensor: SensorSize) -> Self {
        let units_per_mm = LONG_SIDE / sensor.width_mm.max(sensor.height_mm).max(f64::MIN_POSITIVE);
        Scale {
            units_per_mm,
            half_width: 0.5 * sensor.width_mm * units_per_mm,
            half_height: 0.5 * sensor.height_mm * units_per_mm,
        }
    }
}

/// `px`: units of the drawing to a screen pixel at the size it is laid out for.
fn sensor_area(scale: &Scale, view: View, motes: &[ChartMote], px: f64) -> Markup {
    let (w, h) = (scale.half_width, scale.half_height);
    let down = if view == View::Mount { -1.0 } else { 1.0 };
    let marks: Vec<Mark> = motes
        .iter()
        .map(|m| Mark {
            id: m.id.clone(),
            x: m.at.x * scale.units_per_mm,
            y: down * m.at.y * scale.units_per_mm,
            width: m.shadow.0 / 1000.0 * scale.units_per_mm,
            shows: m.shows,
        })
        .collect();
    html! {
        rect class="sensor" x=(short(-w)) y=(short(-h)) width=(short(2.0 * w)) height=(short(2.0 * h)) {}
        (ruler(scale, down))
        (marks::shadows(&marks, px))
        (marks::draw(&marks, px, [-w, -h, w, h]))
    }
}

/// Millimetres from the sensor's centre along its lower and left edge, in sensor coordinates (y grows
/// towards the picture's bottom in both views).
fn ruler(scale: &Scale, down: f64) -> Markup {
    let (w, h) = (scale.half_width, scale.half_height);
    let long_every = if LONG_SIDE / scale.units_per_mm > 20.0 { 5 } else { 2 };
    let ticks = |half: f64| {
        let last = (half / scale.units_per_mm + 1e-9).floor() as i32;
        (-last..=last).map(move |mm| (mm, f64::from(mm) * scale.units_per_mm, mm % long_every == 0))
    };
    let length = |long: bool| if long { 18.0 } else { 9.0 };
    let along: String = ticks(w).map(|(_, x, long)| format!("M{} {}v{}", short(x), short(h), length(long))).collect();
    let up: String =
        ticks(h).map(|(_, y, long)| format!("M{} {}h-{}", short(-w), short(down * y), length(long))).collect();
    html! {
        path class="rule" d=(along + &up) {}
        @for (mm, x, long) in ticks(w) { @if long {
            text class="number" x=(short(x)) y=(short(h + 52.0)) { (signed(mm)) @if mm == 0 { " mm" } }
        } }
        @for (mm, y, long) in ticks(h) { @if long {
            text class="number left" x=(short(-w - 26.0)) y=(short(down * y + 11.0)) { (signed(mm)) }
        } }
    }
}

fn signed(mm: i32) -> String {
    if mm < 0 { format!("−{}", -mm) } else { mm.to_string() }
}

fn caption(y: f64, text: &str) -> Markup {
    html! { text class="edge" x="0" y=(short(y)) { (text) } }
}

fn view_box([l, t, r, b]: [f64; 4]) -> String {
    format!("{} {} {} {}", short(l), short(t), short(r - l), short(b - t))
}

/// A body's front: rounded box, a hump over the mount.
fn body([l, t, r, b]: [f64; 4]) -> String {
    format!(
        "M{} {t}H-240L-170 {}H170L240 {t}H{}Q{r} {t} {r} {}V{}Q{r} {b} {} {b}H{}Q{l} {b} {l} {}V{}Q{l} {t} {} {t}Z",
        l + 60.0,
        t - 118.0,
        r - 60.0,
        t + 60.0,
        b - 60.0,
        r - 60.0,
        l + 60.0,
        b - 60.0,
        t + 60.0,
        l + 60.0,
    )
}

/// The grip: the left part of the body, rounded like it.
fn grip_shape([l, t, r, b]: [f64; 4]) -> String {
    format!("M{r} {t}H{}Q{l} {t} {l} {}V{}Q{l} {b} {} {b}H{r}Z", l + 60.0, t + 60.0, b - 60.0, l + 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FULL: SensorSize = SensorSize { width_mm: 36.0, height_mm: 24.0 };

    fn upper_left() -> ChartMote {
        let at = SensorPoint { x: -10.0, y: -6.0 };
        ChartMote { id: "1".to_owned(), at, shadow: Micrometres(400.0), shows: true }
    }

    fn attribute(drawing: &str, class: &str, name: &str) -> f64 {
        let element = drawing.split(&format!("class=\"{class}\"")).nth(1).expect("drawn");
        let value = element.split(&format!("{name}=\"")).nth(1).and_then(|t| t.split('"').next()).expect("set");
        value.parse().expect("a number")
    }

    /// A picture's top lies on the sensor's lower edge; picture-left stays left (a lens turns the picture
    /// by 180 degrees, and facing the mount mirrors left and right back).
    #[test]
    fn top_and_bottom_change_places_in_the_mount_and_left_stays_left() {
        let picture = picture_view(FULL, &[upper_left()]).into_string();
        let mount = mount_view(FULL, &[upper_left()]).into_string();
        let at = |d: &str| (attribute(d, "shadow", "cx"), attribute(d, "shadow", "cy"));
        let (px, py) = at(&picture);
        assert!(px < 0.0 && py < 0.0);
        assert_eq!(at(&mount), (px, -py));
    }

    #[test]
    fn shadows_and_places_are_to_scale() {
        let drawing = picture_view(FULL, &[upper_left()]).into_string();
        let unit = attribute(&drawing, "sensor", "width") / 36.0;
        assert!((attribute(&drawing, "shadow", "cx") / unit + 10.0).abs() < 0.01);
        assert!((2.0 * attribute(&drawing, "shadow", "r") / unit - 0.4).abs() < 0.001);
    }

    /// Seen from the front, the right hand's grip is on the viewer's left (common practice, no source).
    #[test]
    fn the_grip_is_on_the_viewers_left() {
        let drawing = mount_view(FULL, &[]).into_string();
        let path = drawing.split("class=\"grip\" d=\"M").nth(1).expect("drawn");
        let right_edge: f64 = path.split(' ').next().expect("x").parse().expect("a number");
        assert!(right_edge < -0.5 * LONG_SIDE);
    }
}
