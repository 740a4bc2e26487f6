//! What the rows come to, as a table.

use std::collections::BTreeMap;

use motelight_motes::mend::Treatment;
use motelight_synth::scene::View;

/// One shadow.
pub struct Row {
    pub view: View,
    pub f_number: f64,
    pub depth: f64,
    pub textured: bool,
    pub treatment: Treatment,
    pub reason: String,
    pub raw: f64,
    pub exact: f64,
    pub mended: f64,
    /// Power of the grain after mending: over that of dividing by the true shadow where the light was divided, over that of the
    /// picture around where it was filled, all colours together and red, green and blue.
    pub grain: [Grain; 5],
    /// Depth that is really left, and whether it was said to show.
    pub left: f64,
    pub still_shows: bool,
    /// Whether it would be seen, on screen or in a print, before and after.
    pub seen: [bool; 2],
}

/// Squares of differences of two pixels of one plane, two apart, over the clean picture's light there.
#[derive(Default, Clone, Copy)]
pub struct Grain {
    pub is: f64,
    pub wanted: f64,
    pub count: [f64; 2],
}

impl Grain {
    /// Power over what is wanted; `None` of no more than `few` pixels.
    pub fn ratio(&self, few: f64) -> Option<f64> {
        (self.count.iter().all(|&n| n > few)).then(|| self.is / self.count[0] / (self.wanted / self.count[1]))
    }
}

fn median(mut v: Vec<f64>) -> f64 {
    v.sort_unstable_by(f64::total_cmp);
    v.get(v.len() / 2).copied().unwrap_or(f64::NAN)
}

fn quantile(mut v: Vec<f64>, q: f64) -> f64 {
    v.sort_unstable_by(f64::total_cmp);
    if v.is_empty() { f64::NAN } else { v[((v.len() - 1) as f64 * q) as usize] }
}

/// Prints all of it.
pub fn summary(rows: &[Row]) {
    let (rows, off): (Vec<&Row>, Vec<&Row>) = rows.iter().partition(|r| r.reason != "not on the chart");
    println!("{} shadows not on the chart are left out", off.len());
    println!(
        "\n                 depth        n lifted filled | raw   exact mended | exact-mended median p90 max | worst harm, n>0.1 dB"
    );
    let bands = [(0.004, 0.02), (0.02, 0.05), (0.05, 0.12), (0.12, 0.25), (0.25, 0.5), (0.5, 1.1)];
    for textured in [false, true] {
        for (low, high) in bands {
            let band: Vec<&Row> =
                rows.iter().copied().filter(|r| r.textured == textured && r.depth >= low && r.depth < high).collect();
            line(if textured { "textured" } else { "plain" }, low, high, &band);
        }
    }
    println!("what would be seen, on screen or in a print, plain and textured");
    let seen: Vec<&Row> = rows.iter().copied().filter(|r| r.seen[0]).collect();
    for (low, high) in [(0.0, 0.25), (0.25, 0.5), (0.5, 1.1)] {
        let band: Vec<&Row> = seen.iter().copied().filter(|r| r.depth >= low && r.depth < high).collect();
        line("seen", low, high, &band);
    }
    let gone = seen.iter().filter(|r| !r.seen[1]).count();
    println!("of {} seen before {gone} are not seen after", seen.len());
    println!("by view");
    for view in View::ALL {
        let band: Vec<&Row> = rows.iter().copied().filter(|r| r.view == view && r.depth < 0.25).collect();
        line(&format!("{view:?}"), 0.0, 0.25, &band);
    }
    println!("by f-number");
    for stop in [5.6, 8.0, 11.0, 16.0, 22.0] {
        let band: Vec<&Row> = rows.iter().copied().filter(|r| r.f_number == stop && r.depth < 0.25).collect();
        line(&format!("f/{stop}"), 0.0, 0.25, &band);
    }
    let mut reasons: BTreeMap<&str, usize> = BTreeMap::new();
    rows.iter().for_each(|r| *reasons.entry(&r.reason).or_default() += 1);
    println!("{reasons:?}");
    let treated = |r: &&&Row| r.treatment != Treatment::Untouched;
    let told = rows.iter().filter(treated).filter(|r| r.still_shows);
    let left: Vec<f64> = told.map(|r| r.left.abs()).collect();
    let over = |least: f64, told: bool| {
        rows.iter().filter(treated).filter(|r| r.still_shows == told && r.left.abs() >= least).count()
    };
    println!(
        "said to show still: {}, of which at least 1 % is left of {}, 2 % of {}; not said: 1 % of {}, 2 % of {}, 5 % of {}",
        left.len(),
        over(0.01, true),
        over(0.02, true),
        over(0.01, false),
        over(0.02, false),
        over(0.05, false)
    );
    // Detail is taken for grain where there is any.
    let plain: Vec<&&Row> = rows.iter().filter(|r| !r.textured).collect();
    for (what, k, few) in [
        ("lifted: power of the grain over that of dividing by the truth", 0, 60.0),
        ("filled: over that around", 1, 60.0),
        ("filled, red", 2, 15.0),
        ("filled, green", 3, 15.0),
        ("filled, blue", 4, 15.0),
    ] {
        let treated = plain.iter().filter(|r| r.treatment != Treatment::Untouched);
        let ratios: Vec<f64> = treated.filter_map(|r| r.grain[k].ratio(few)).collect();
        let at = |q: f64| quantile(ratios.clone(), q);
        let near = ratios.iter().filter(|&&v| (v - 1.0).abs() < 0.15).count();
        println!(
            "{what}: median {:.3}, nine tenths within {:.3} to {:.3}, {near} of {} within 15 %",
            at(0.5),
            at(0.05),
            at(0.95),
            ratios.len()
        );
    }
}

fn line(name: &str, low: f64, high: f64, band: &[&Row]) {
    if band.is_empty() {
        return;
    }
    let all = |f: &dyn Fn(&Row) -> f64| band.iter().map(|r| f(r)).collect::<Vec<f64>>();
    let n = |t: Treatment| band.iter().filter(|r| r.treatment == t).count();
    println!(
        "{name:12} {low:5.3}-{high:5.3} {:6} {:6} {:6} | {:.1}  {:.1}  {:.1} | {:6.2} {:6.2} {:6.2} | {:6.2} {}",
        band.len(),
        n(Treatment::Lifted),
        n(Treatment::Filled),
        median(all(&|r| r.raw)),
        median(all(&|r| r.exact)),
        median(all(&|r| r.mended)),
        median(all(&|r| r.exact - r.mended)),
        quantile(all(&|r| r.exact - r.mended), 0.9),
        quantile(all(&|r| r.exact - r.mended), 1.0),
        quantile(all(&|r| r.raw - r.mended), 1.0),
        band.iter().filter(|r| r.raw - r.mended > 0.1).count(),
    );
}
