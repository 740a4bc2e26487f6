//! The pages of a sign-off as a browser and a printer see them.

#[allow(dead_code, reason = "shared with the tests of reports")]
mod browser;
#[allow(dead_code, reason = "shared with the tests of reports")]
mod made_up;

use browser::Browser;
use motelight_desk::report::{
    DeliveredFile, Delivery, LISTED_FILES, SignedSheet, delivery_note, signoff_page, signoff_text, small_copy,
    suspect_views,
};
use motelight_frame::{Fault, Frame, FrameError, Orientation, PicturePoint, Size};
use motelight_motes::signoff::{Cause, SignOff, Suspect, Verdict, Vouch};
use motelight_motes::visibility::Viewing;

/// A file name that would run, fetch or turn the text around if it were not made inert.
const HOSTILE: &str = "<script>document.title='ran'</script><img src=\"http://example.invalid/x.png\">\u{202e}gnp.exe";
const DIGEST: &str = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08";

fn vouches(judged: bool) -> Vec<Vouch> {
    let of = |viewing: Viewing, ppi: f64| Vouch {
        viewing,
        ppi,
        plain_share: 0.62,
        finds_from_times_threshold: Some(0.8),
        judged,
    };
    let standard = Viewing::standard();
    vec![of(standard[0], 110.0), of(standard[1], 127.0)]
}

fn judged() -> SignOff {
    let suspect = |x: f64, y: f64, contrast: f64, counts: bool, cause: Cause| Suspect {
        at: PicturePoint { x, y },
        width_px: 6.0,
        contrast,
        contrast_sigma: 0.004,
        times_threshold: 30.0 * contrast,
        snr: contrast / 0.004,
        counts,
        cause,
        fibre: false,
        mote: None,
    };
    let mut suspects = vec![
        suspect(360.0, 200.0, 0.31, true, Cause::LikeAShadow),
        suspect(2430.0, 140.0, 0.22, true, Cause::KnownMote),
        suspect(1350.0, 440.0, 0.16, true, Cause::LikeAShadow),
        suspect(2790.0, 700.0, 0.08, false, Cause::NotRound),
    ];
    suspects[1].mote = Some("M07".into());
    let notes = vec!["No profile lies in the file; sRGB is assumed.".into()];
    SignOff { verdict: Verdict::Suspects, vouches: vouches(true), suspects, notes }
}

fn clear() -> SignOff {
    SignOff { verdict: Verdict::Clear, vouches: vouches(true), suspects: Vec::new(), notes: Vec::new() }
}

fn page(name: &str, frame: &Frame, orientation: u32) -> String {
    let mut frame = frame.clone();
    frame.shot.orientation = Orientation::from_exif(orientation);
    let (judged, clear) = (judged(), clear());
    let views = suspect_views(&frame, &judged);
    let copy = small_copy(&frame);
    let sheet = |name, sign_off, copy, views| SignedSheet {
        name,
        size: frame.size(),
        orientation: frame.shot.orientation,
        sign_off,
        copy,
        views,
        motes: &[],
    };
    let sheets = [sheet("garden_01.jpg", &clear, None, &[]), sheet(name, &judged, copy.as_ref(), views.as_slice())];
    let error = FrameError::new(Fault::Broken, "torn.jpg".as_ref(), "the file ends early", "Copy it again.");
    let viewings: Vec<String> = Viewing::standard().iter().map(ToString::to_string).collect();
    let page = signoff_page(&sheets, &[("torn.jpg", &error)], &viewings);
    // Where somebody wants to look at it.
    if let Some(folder) = std::env::var_os("MOTELIGHT_PAGES") {
        let file = std::path::Path::new(&folder).join(format!("signoff-{orientation}.html"));
        std::fs::write(file, &page).expect("written");
    }
    page
}

#[test]
fn a_browser_shows_the_worst_first_in_pairs_as_large_as_the_print() {
    for orientation in [1, 6] {
        let page = page("harbour_12.jpg", &made_up::frame(), orientation);
        let (suspects, clear) =
            (page.find("harbour_12.jpg").expect("there"), page.find("garden_01.jpg").expect("there"));
        assert!(suspects < clear, "worst first");
        assert_eq!(page.matches("as it is seen\"").count(), 4);
        assert!(page.contains("width:42mm;height:42mm"));
        assert!(page.contains("mote M07") && page.contains("not round") && page.contains("the file ends early"));
        let Some(browser) = Browser::found() else { return };
        let seen = browser.open(&page);
        assert!(seen.dom.contains("One file has suspects"));
        assert!(seen.complaints.is_empty(), "{:?}", seen.complaints);
    }
}

#[test]
fn a_hostile_file_name_is_nothing_but_text() {
    let page = page(HOSTILE, &made_up::frame(), 3);
    let note = note(&[HOSTILE], None);
    for page in [&page, &note] {
        assert!(!page.contains("<script") && !page.contains("<img src=\"http"));
        for reference in ["href=", "url(", "@import", "<link", "<iframe", "src=\"http"] {
            assert!(!page.contains(reference), "{reference}");
        }
        let Some(browser) = Browser::found() else { return };
        let seen = browser.open(page);
        assert!(!seen.dom.contains("<title>ran"));
        assert!(seen.complaints.is_empty(), "{:?}", seen.complaints);
    }
}

fn note(names: &[&str], list_digest: Option<&str>) -> String {
    let vouches = vouches(true);
    let size = Size { width: 5504, height: 8256 };
    let files: Vec<DeliveredFile> =
        names.iter().map(|name| DeliveredFile { name, size, sha256: DIGEST, vouches: &vouches }).collect();
    let viewings = Viewing::standard();
    delivery_note(&Delivery { day: "2031-05-17", files: &files, left_out: 2, viewings: &viewings, list_digest })
}

fn pages(pdf: &[u8]) -> usize {
    let text = String::from_utf8_lossy(pdf);
    text.matches("/Type /Page").count() - text.matches("/Type /Pages").count()
}

#[test]
fn a_delivery_note_prints_on_one_page_however_many_files_there_are() {
    let long: Vec<String> =
        (0..400).map(|i| format!("Brennholm_harbour_and_old_town_evening_{i:04}_final_v2.tif")).collect();
    let names: Vec<&str> = long.iter().map(String::as_str).collect();
    let notes = [note(&names[..1], None), note(&names[..LISTED_FILES], None), note(&names, Some(DIGEST))];
    for words in ["2031-05-17", "ISO 3664", "Not promised", "60 × 40 cm", DIGEST, "at least 62\u{a0}%"] {
        assert!(notes[1].contains(words), "{words}");
    }
    assert!(notes[2].contains("delivery-files.sha256") && !notes[2].contains("_0007_"));
    if let Some(folder) = std::env::var_os("MOTELIGHT_PAGES") {
        for (i, note) in notes.iter().enumerate() {
            std::fs::write(std::path::Path::new(&folder).join(format!("note-{i}.html")), note).expect("written");
        }
    }
    let Some(browser) = Browser::found() else { return };
    for note in &notes {
        assert_eq!(pages(&browser.printed(note)), 1);
    }
}

#[test]
fn the_terminal_gets_a_hundred_columns_and_no_control_codes() {
    let size = Size { width: 3000, height: 2000 };
    let text = signoff_text("harb\u{1b}[2Jour\u{202e}.jpg", size, Orientation::UPRIGHT, &judged(), &[]);
    assert!(text.lines().all(|l| l.chars().count() <= 100), "{text}");
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()) && !text.contains('\u{202e}'));
    for words in ["suspects", "Three places look like shadows.", "in the upper left", "not counted: not round"] {
        assert!(text.contains(words), "{words}: {text}");
    }
}
