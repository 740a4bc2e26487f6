//! Reports as a browser and a terminal see them.

mod browser;
mod made_up;

use browser::Browser;
use motelight_desk::report::{Sheet, inspection_page, inspection_text};
use motelight_frame::Frame;

/// A file name that would run, fetch or turn the text around if it were not made inert.
const HOSTILE: &str = "<script>document.title='ran'</script><img src=\"http://example.invalid/x.png\">\u{202e}gnp.exe";

fn page(name: &str, inspection: &made_up::Inspection, frame: &Frame) -> String {
    inspection_page(&[Sheet { name, inspection, frame: Some(frame) }])
}

#[test]
fn a_browser_shows_the_verdict_the_picture_and_the_cautions() {
    let Some(browser) = Browser::found() else { return };
    let seen = browser.open(&page("WALL_0412.dng", &made_up::inspection(), &made_up::frame()));
    for words in ["Clear to f/4.", "At f/5.6 one mote would show", "a full battery", "Mount view", "WALL_0412.dng"] {
        assert!(seen.dom.contains(words), "{words} is missing");
    }
    assert!(seen.complaints.is_empty(), "{:?}", seen.complaints);
    // The raking view is about mid-grey and covers a good part of the first screen, which is read as dark on light.
    assert!(seen.share(100..=150) > 0.15, "mid-grey {:.2}", seen.share(100..=150));
    assert!(seen.share(0..=60) > 0.005 && seen.share(225..=255) > 0.4);
}

#[test]
fn a_hostile_file_name_is_nothing_but_text() {
    let page = page(HOSTILE, &made_up::unfit(), &made_up::frame());
    assert!(!page.contains("<script") && !page.contains("<img src=\"http"));
    let Some(browser) = Browser::found() else { return };
    let seen = browser.open(&page);
    assert!(!seen.dom.contains("<title>ran"));
    assert!(seen.complaints.is_empty(), "{:?}", seen.complaints);
}

#[test]
fn the_page_holds_all_it_needs() {
    let page = page("WALL_0412.dng", &made_up::inspection(), &made_up::frame());
    for source in page.split("src=\"").skip(1) {
        assert!(source.starts_with("data:image/"), "{}", &source[..40]);
    }
    for reference in ["href=", "url(", "@import", "<link", "<iframe", "http:", "https:"] {
        assert!(!page.contains(reference), "{reference}");
    }
}

#[test]
fn an_unfit_frame_gets_a_reason_and_a_remedy_but_no_rating() {
    let page = page("WALL_0412.dng", &made_up::unfit(), &made_up::frame());
    assert!(page.contains("No verdict from this frame.") && page.contains("Set the smallest aperture"));
    assert!(!page.contains("Clear to"));
}

#[test]
fn a_frame_to_be_taken_with_care_is_rated_and_says_why() {
    let page = page("WALL_0412.dng", &made_up::with_care(), &made_up::frame());
    assert!(page.contains("Clear to f/4.") && page.contains("Usable with care.") && page.contains("too faint"));
}

#[test]
fn a_clean_sensor_is_left_alone() {
    let page = page("WALL_0413.dng", &made_up::clean(), &made_up::frame());
    assert!(page.contains("Clear to f/22, as far as this frame can tell.") && page.contains("Leave the glass alone"));
    assert!(!page.contains("Before anything touches the glass"));
}

#[test]
fn the_terminal_gets_a_hundred_columns_with_every_mote_once() {
    let inspection = made_up::inspection();
    let text = inspection_text("WALL_0412.dng", &inspection);
    assert!(text.lines().all(|l| l.chars().count() <= 100), "{text}");
    let rows = text.lines().filter(|l| l.contains(" ± ") && l.trim_start().starts_with(|c: char| c.is_ascii_digit()));
    assert_eq!(rows.count(), inspection.motes.len(), "{text}");
    assert!(text.contains("Clear to f/4.") && text.contains("from 72 cm"));
}

#[test]
fn a_hostile_name_sends_no_control_codes_to_the_terminal() {
    let text = inspection_text("wall\u{1b}[2Jgone\u{202e}.dng", &made_up::unfit());
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()) && !text.contains('\u{202e}'));
}

/// Without this the two checks above might pass because nothing is ever noticed.
#[test]
fn the_browser_check_notices_a_request_and_a_script_error() {
    let Some(browser) = Browser::found() else { return };
    let seen = browser.open("<body><img src=\"http://example.invalid/x.png\"><script>nosuch()</script></body>");
    assert!(seen.complaints.iter().any(|c| c.contains("nosuch")), "{:?}", seen.complaints);
    assert!(seen.complaints.iter().any(|c| c.contains("example.invalid/x.png")), "{:?}", seen.complaints);
}
