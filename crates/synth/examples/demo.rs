//! Writes the demo's files: `demo DIR`.
#![allow(clippy::print_stdout)]

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).ok_or("a folder to write to is missing")?;
    let start = std::time::Instant::now();
    let files = motelight_synth::demo::write(std::path::Path::new(&folder))?;
    println!("{} pictures in {:.2?}", 1 + files.shoot.len(), start.elapsed());
    Ok(())
}
