//! What is in front of the lens: linear light, red, green, blue, 1.0 = full scale of the exposure.

mod leaves;
mod paint;
mod sky;
mod town;
mod views;
mod wall;

pub use paint::Painting;
pub use views::View;
pub use wall::{Texture, Wall};

/// A picture without camera: light at every place of the default crop, and a little beyond.
#[derive(Debug, Clone)]
pub enum Canvas {
    /// A plain wall, worked out where it is asked for.
    Wall(Wall),
    /// Something painted.
    Painting(Painting),
}

impl Canvas {
    /// Light that falls on a pixel. Beyond its edges a painting continues as at its edges.
    pub fn light(&self, x: i64, y: i64) -> [f32; 3] {
        match self {
            Canvas::Wall(wall) => wall.light(x as f64 + 0.5, y as f64 + 0.5),
            Canvas::Painting(painting) => {
                let column = x.clamp(0, painting.width as i64 - 1) as usize;
                let row = y.clamp(0, painting.height as i64 - 1) as usize;
                painting.light[row * painting.width + column]
            }
        }
    }
}
