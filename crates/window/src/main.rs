//! The desktop window of Motelight.

fn main() {
    // A raw is decoded in a child of this same program; if this is that child, its work ends here.
    motelight_frame::read::raw_child::serve_if_asked();
}
