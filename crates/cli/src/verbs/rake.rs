//! `motelight rake`.

use std::path::PathBuf;

use clap::Args;
use motelight_desk::jobs::Outcome;
use motelight_desk::jobs::rake::{self as job, RakePlan};
use motelight_desk::report::shown;

use crate::common::reading;
use crate::say;

/// Draw a raking view.
#[derive(Debug, Args)]
pub struct Rake {
    /// The picture; it is only read
    pub picture: PathBuf,
    /// The PNG to write; an older raking view of that name is replaced, nothing else is
    #[arg(long, value_name = "FILE.png")]
    pub out: PathBuf,
    /// How strongly differences are raised: one of 1 % moves the tone by this many % from mid-grey, 0.5 to 100
    #[arg(long, value_name = "NUMBER", value_parser = strength, default_value_t = RakePlan::default().strength)]
    pub strength: f64,
    /// Differences narrower than this share of the picture's long side are kept, 0.1% to 50%
    #[arg(long, value_name = "SHARE", value_parser = share, default_value = "4%")]
    pub scale: f64,
    /// Write the result as JSON to standard output, and nothing else there
    #[arg(long)]
    pub json: bool,
}

/// Draws a raking view.
pub fn run(a: &Rake) -> Outcome {
    let plan = RakePlan { scale: a.scale, strength: a.strength };
    let result = job::rake(&a.picture, &a.out, &plan, &reading(None));
    if a.json {
        say::document(&job::document(&a.picture, &plan, &result));
    }
    match &result {
        Ok(raked) if !a.json => say::text(&format!(
            "Raking view: {}, {} x {} px, strength {}, scale {:.0} px",
            shown(&raked.output.display().to_string()),
            raked.width,
            raked.height,
            plan.strength,
            raked.scale_px
        )),
        Ok(_) => {}
        Err(e) => say::error(e),
    }
    if result.is_ok() { Outcome::Clear } else { Outcome::Failed }
}

fn strength(text: &str) -> Result<f64, String> {
    let value = text.trim().parse::<f64>().ok().filter(|v| (0.5..=100.0).contains(v));
    value.ok_or_else(|| "give a number from 0.5 to 100, such as 8".into())
}

/// Reads `4%` as 0.04.
fn share(text: &str) -> Result<f64, String> {
    let value = text.trim().strip_suffix('%').and_then(|t| t.trim().parse::<f64>().ok());
    let value = value.filter(|v| (0.1..=50.0).contains(v));
    value.map(|v| v / 100.0).ok_or_else(|| "give a share of the picture's long side, such as 4%".into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_read_and_nonsense_is_not() {
        assert_eq!(share("4%"), Ok(0.04));
        assert_eq!(share("0.5 %"), Ok(0.005));
        for bad in ["4", "0%", "60%", "-1%", "NaN%", "%", ""] {
            assert!(share(bad).is_err(), "{bad}");
        }
    }
}
