//! The step card and the ledger's page as a browser sees them.

#[allow(dead_code, reason = "shared with the tests of reports")]
mod browser;
#[allow(dead_code, reason = "shared with the tests of reports")]
mod made_up;

use browser::Browser;
use motelight_desk::report::step_card;
use motelight_motes::advise::{PassKind, PassMade, Situation, advise};

fn card(passes: &[PassKind]) -> String {
    let inspection = made_up::inspection();
    let passes = passes.iter().map(|&kind| PassMade { kind, changed: Some(false) }).collect();
    step_card(&inspection, &advise(&Situation { passes, ..Situation::of(&inspection) }))
}

fn pages(pdf: &[u8]) -> usize {
    let text = String::from_utf8_lossy(pdf);
    text.matches("/Type /Page").count() - text.matches("/Type /Pages").count()
}

#[test]
fn a_card_prints_on_one_page_and_shows_swab_drops_strokes_and_where_the_grip_is() {
    let swab = card(&[PassKind::Blow]);
    for words in [
        "about 24 mm wide",
        "2 drops",
        "one there, turn over, one back",
        "top plate",
        "grip",
        "When to stop",
        "o’clock",
    ] {
        assert!(swab.contains(words), "{words}");
    }
    let Some(browser) = Browser::found() else { return };
    for passes in [&[][..], &[PassKind::Blow]] {
        let pdf = browser.printed(&card(passes));
        assert_eq!(pages(&pdf), 1, "{passes:?}");
    }
    assert!(browser.open(&swab).complaints.is_empty());
}

#[test]
fn a_card_holds_all_it_needs_and_aims_at_nothing_under_the_glass() {
    let page = card(&[]);
    for reference in ["href=", "url(", "<link", "<script", "http:", "https:"] {
        assert!(!page.contains(reference), "{reference}");
    }
    // The made-up mote no. 10 lies under the glass.
    assert!(page.contains("Likely under the glass: 10") && !page.contains("<b>10</b>"));
}
