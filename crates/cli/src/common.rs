//! Options that are the same on every verb.

use std::path::PathBuf;

use clap::Args;
use motelight_desk::jobs::Settings;
use motelight_desk::ledger::default_path;
use motelight_frame::{Limits, Millimetres, RawDecoder, ReadOptions};
use motelight_motes::visibility::{Print, Viewing, parse_distance};

/// Options that are the same on every verb.
#[derive(Debug, Args)]
pub struct Common {
    /// Write the result as JSON to standard output, and nothing else there
    #[arg(long)]
    pub json: bool,
    /// Sensor width and height in mm, for files that do not tell their pixel pitch: 36x24
    #[arg(long, value_name = "WxH", value_parser = sensor)]
    pub sensor: Option<(Millimetres, Millimetres)>,
    /// Write nothing to the ledger
    #[arg(long)]
    pub no_record: bool,
    /// The ledger (default: MOTELIGHT_LEDGER, else ledger.sqlite in the user's data folder)
    #[arg(long, value_name = "FILE")]
    pub ledger: Option<PathBuf>,
    /// Folder for what is written: reports, mended copies
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Nothing may show in a print of this size: 60x40cm, 24x16in
    #[arg(long, value_name = "SIZE", value_parser = Print::parse)]
    pub print: Option<Print>,
    /// Seen from this far: 90cm (default: the print's diagonal; 60 cm for a screen)
    #[arg(long, value_name = "LENGTH", value_parser = parse_distance)]
    pub distance: Option<Millimetres>,
    /// Nothing may show at 100 % on a screen (default: both this and a 60x40cm print)
    #[arg(long)]
    pub screen: bool,
}

impl Common {
    /// The ledger to write to, if any.
    pub fn ledger(&self) -> Option<PathBuf> {
        if self.no_record { None } else { self.ledger.clone().or_else(default_path) }
    }

    /// What the jobs need to know.
    pub fn settings(&self) -> Settings {
        let mut viewings = Vec::new();
        if self.screen {
            viewings.push(Viewing::screen(self.distance));
        }
        if let Some(print) = self.print {
            viewings.push(Viewing::print(print, self.distance));
        }
        if viewings.is_empty() {
            viewings = Viewing::standard();
            if let Some(distance) = self.distance {
                viewings.iter_mut().for_each(|v| v.distance = distance);
            }
        }
        Settings { read: reading(self.sensor), viewings }
    }
}

/// How pictures are read.
pub fn reading(sensor: Option<(Millimetres, Millimetres)>) -> ReadOptions {
    // Where the program's own file cannot be found, raws are decoded in this process rather than not at all.
    let raw = std::env::current_exe().map_or(RawDecoder::InProcess, RawDecoder::Child);
    ReadOptions { limits: Limits::default(), sensor, raw }
}

/// Reads `36x24`: sides of a sensor, 3 to 100 mm.
fn sensor(text: &str) -> Result<(Millimetres, Millimetres), String> {
    let wanted = "give the sensor's width and height in mm, such as 36x24 or 23.5x15.6";
    let (width, height) = text.split_once(['x', 'X', '×']).ok_or(wanted)?;
    let side =
        |t: &str| t.trim().trim_end_matches("mm").trim().parse::<f64>().ok().filter(|v| (3.0..=100.0).contains(v));
    match (side(width), side(height)) {
        (Some(w), Some(h)) => Ok((Millimetres(w), Millimetres(h))),
        _ => Err(wanted.into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sensors_are_read_and_nonsense_is_not() {
        assert_eq!(sensor("23.5x15.6"), Ok((Millimetres(23.5), Millimetres(15.6))));
        assert_eq!(sensor("36x24mm"), Ok((Millimetres(36.0), Millimetres(24.0))));
        for bad in ["36", "0x24", "axb", "360x240", "36x-1", "NaNx24"] {
            assert!(sensor(bad).is_err(), "{bad}");
        }
    }
}
