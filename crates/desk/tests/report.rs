//! Reports as a browser and a terminal see them.

mod browser;
mod made_up;

use browser::Browser;
use motelight_desk::report::{Pictures, Sheet, inspection_page, inspection_text};
use motelight_frame::{FNumber, Fault, Frame, FrameError};
use motelight_motes::visibility::{ClearTo, LimitedBy};

/// A file name that would run, fetch or turn the text around if it were not made inert.
const HOSTILE: &str = "<script>document.title='ran'</script><img src=\"http://example.invalid/x.png\">\u{202e}gnp.exe";

fn page(name: &str, inspection: &made_up::Inspection, frame: &Frame) -> String {
    inspection_page(&[Sheet { name, inspection, pictures: Some(Pictures::of(frame, inspection)) }], &[])
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

fn stop(n: f64) -> Option<FNumber> {
    FNumber::new(n)
}

/// The lead of a report as one line.
fn told(inspection: &made_up::Inspection) -> String {
    inspection_text("WALL.dng", inspection).split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn the_verdict_counts_what_shows_first_and_names_the_worst() {
    let mut inspection = made_up::inspection();
    inspection.motes.retain(|m| m.shows_from == stop(8.0) || m.shows_from == stop(11.0));
    inspection.clear_to = Some(ClearTo { f_number: stop(5.6), limited_by: LimitedBy::Mote });
    let told = told(&inspection);
    let wanted = "Clear to f/5.6. At f/5.6 and wider nothing on the glass shows. At f/8 two motes would show, the worst of \
                  them a grain 38 µm across, in the upper right. Five more would show at smaller apertures.";
    assert!(told.contains(wanted), "{told}");
}

#[test]
fn a_rating_that_ends_at_the_floor_says_what_it_cannot_promise() {
    let told = told(&made_up::clean());
    assert!(told.contains(
        "No mote was found. Past f/22 it promises nothing: a mote too small for this frame to show (under 6.5 µm)"
    ));
}

#[test]
fn a_mote_that_shows_wide_open_leaves_no_rating() {
    let mut inspection = made_up::inspection();
    inspection.motes[0].shows_from = stop(1.0);
    inspection.clear_to = Some(ClearTo { f_number: None, limited_by: LimitedBy::Mote });
    let told = told(&inspection);
    assert!(told.contains("Not clear at any aperture. At f/1 one mote would show"), "{told}");
    assert!(!told.contains("leave the glass alone"));
}

#[test]
fn what_must_not_be_swabbed_or_brushed_is_said() {
    let told = told(&made_up::inspection());
    assert!(
        told.contains("Likely under the glass: 10. Do not swab")
            && told.contains("Oil: 7. Blow, then swab; never brush")
    );
}

#[test]
fn a_frame_of_unknown_scale_is_reported_without_lengths() {
    let mut inspection = made_up::unfit();
    (inspection.pitch_um, inspection.f_number, inspection.clear_to, inspection.stand_off) = (None, None, None, None);
    for mote in &mut inspection.motes {
        (mote.at_sensor, mote.blocked_area_um2, mote.equivalent_diameter_um, mote.shows_from) =
            (None, None, None, None);
    }
    let page = page("WALL.jpg", &inspection, &made_up::frame());
    assert!(
        page.contains("not known")
            && !page.contains("not to f/32")
            && !page.contains("Mount view")
            && page.contains("upper left corner")
    );
    assert!(inspection_text("WALL.jpg", &inspection).contains("px from the picture's corner"));
}

#[test]
fn a_file_that_could_not_be_read_is_in_the_report() {
    let error =
        FrameError::new(Fault::Broken, "torn.dng".as_ref(), "The file ends early.", "Copy it from the card again.");
    let page = inspection_page(&[], &[error]);
    assert!(page.contains("torn.dng") && page.contains("ends early") && page.contains("from the card again"));
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
