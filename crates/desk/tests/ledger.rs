//! The ledger: nothing lost, nothing mixed up, damage refused, one file for several processes.

#[allow(dead_code, reason = "shared with the tests of reports")]
mod made_up;

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use motelight_desk::ledger::{
    BodyChange, FrameFacts, Ledger, Moment, PassEntry, Per, ShootEntry, SupplyChange, exported_csv, import_csv, now,
};
use motelight_frame::{Digest, FNumber, Fault, SensorPoint};
use motelight_motes::advise::PassKind;
use motelight_motes::inspect::Inspection;
use motelight_motes::recheck::{Fate, Recheck, SameBody, Status, Transform};
use motelight_motes::visibility::{ClearTo, LimitedBy};
use rusqlite::Connection;

fn day(text: &str) -> Moment {
    Moment::parse(text).expect("a day")
}

fn facts(digest: &str, taken: &str) -> FrameFacts {
    let mut shot = made_up::shot();
    shot.taken = Some(taken.into());
    FrameFacts { shot, digest: Digest(digest.into()) }
}

fn clear_to(n: f64) -> Inspection {
    let clear_to = Some(ClearTo { f_number: FNumber::new(n), limited_by: LimitedBy::Mote });
    Inspection { clear_to, ..made_up::inspection() }
}

fn record(ledger: &mut Ledger, digest: &str, taken: &str, inspection: &Inspection) -> i64 {
    let path = PathBuf::from(format!("/walls/{digest}.dng"));
    ledger.record_frame(&path, &facts(digest, taken), inspection).expect("written").expect("of a known body")
}

/// What became of the motes: numbers before and after.
fn recheck(fates: &[(Status, Option<usize>, Option<usize>)]) -> Recheck {
    let at = SensorPoint { x: 0.0, y: 0.0 };
    let fate = |&(status, before, after): &(Status, Option<usize>, Option<usize>)| Fate {
        status,
        before,
        after,
        probability: 0.99,
        at_before: at,
        at_after: at,
        doubt: None,
    };
    Recheck {
        body: SameBody::Serial,
        transform: Transform::STILL,
        fates: fates.iter().map(fate).collect(),
        residue: Vec::new(),
        by_ratio: true,
        notes: Vec::new(),
    }
}

fn pass(kind: PassKind, made: &str) -> PassEntry {
    PassEntry { made: day(made), kind, swab: None, fluid: None, note: None, comparison: None }
}

/// A year of a body: test frames, passes, supplies, a shoot, odd texts.
fn filled(path: &Path) -> Ledger {
    let mut ledger = Ledger::open(path).expect("opened");
    let a = record(&mut ledger, "a1", "2031-04-02T10:15:00", &clear_to(5.6));
    let body = ledger.body("0041887").expect("by its serial number");
    let supply = |name: &str, unit: &str, quantity: f64, paid: i64| SupplyChange {
        name: name.into(),
        unit: Some(unit.into()),
        bought: Some(quantity),
        paid: Some((paid, "EUR".into())),
        used: None,
        low: Some(3.0),
    };
    ledger.change_supply(&supply("swabs 24 mm", "pieces", 12.0, 3100), &day("2031-04-01")).expect("written");
    ledger.change_supply(&supply("fluid", "ml", 15.0, 1299), &day("2031-04-01")).expect("written");
    let swab = PassEntry {
        swab: Some("swabs 24 mm".into()),
        fluid: Some("Fluid".into()),
        note: Some("\\N, \"quoted\",\nand a second line; Ünïcode".into()),
        ..pass(PassKind::Swab, "2031-04-03T09:00:00")
    };
    ledger.add_pass(body, &swab).expect("written");
    let b = record(&mut ledger, "b2", "2031-04-03T10:15:00.5+02:00", &clear_to(16.0));
    ledger
        .record_comparison(
            a,
            b,
            &recheck(&[
                (Status::Gone, Some(0), None),
                (Status::Stayed, Some(1), Some(0)),
                (Status::Stayed, Some(2), Some(3)),
                (Status::New, None, Some(1)),
            ]),
        )
        .expect("written");
    let change = BodyChange {
        name: Some("".into()),
        pictures: Some(1234),
        lens_changes: None,
        quote: Some((6_550, "EUR".into(), Some("Werkstatt \\Nord".into()))),
    };
    ledger.change_body(body, &change, &day("2031-04-04")).expect("written");
    let shoot = ShootEntry {
        name: "Harbour at dawn".into(),
        starts: day("2031-05-01"),
        ends: day("2031-05-04"),
        booked: 11.0,
        bodies: vec!["0041887".into()],
        note: None,
    };
    ledger.keep_shoot(&shoot, &day("2031-04-04")).expect("written");
    ledger
}

#[test]
fn everything_goes_out_and_comes_back_without_loss() {
    let folder = tempfile::tempdir().expect("a folder");
    let ledger = filled(&folder.path().join("one.sqlite"));
    let export = ledger.export().expect("read");

    let json = serde_json::to_string(&export).expect("JSON");
    let mut second = Ledger::open(&folder.path().join("two.sqlite")).expect("opened");
    second.import(&serde_json::from_str(&json).expect("JSON")).expect("taken");
    assert_eq!(second.export().expect("read"), export);

    let csv = folder.path().join("csv");
    std::fs::create_dir(&csv).expect("a folder");
    for (name, bytes) in exported_csv(&export).expect("written") {
        std::fs::write(csv.join(name), bytes).expect("written");
    }
    let mut third = Ledger::open(&folder.path().join("three.sqlite")).expect("opened");
    let read = import_csv(&csv, &third).expect("read");
    third.import(&read).expect("taken");
    assert_eq!(third.export().expect("read"), export);

    let again = third.import(&export).expect_err("two ledgers are not mixed");
    assert!(again.message.contains("already has entries"));
}

#[test]
fn a_row_that_does_not_fit_leaves_the_ledger_as_it_was() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut export = filled(&folder.path().join("one.sqlite")).export().expect("read");
    let lost = export.tables.get_mut("test_frame").and_then(|t| t.as_array_mut()).expect("rows");
    lost[0]["body_id"] = 77.into();
    let mut second = Ledger::open(&folder.path().join("two.sqlite")).expect("opened");
    assert!(second.import(&export).is_err());
    assert!(second.bodies().expect("read").is_empty());
}

#[test]
fn a_pass_gets_its_outcome_from_the_comparison_around_it_and_uses_up_supplies() {
    let folder = tempfile::tempdir().expect("a folder");
    let ledger = filled(&folder.path().join("one.sqlite"));
    let passes = ledger.passes(None).expect("read");
    assert_eq!((passes[0].gone, passes[0].stayed, passes[0].new), (Some(1), Some(2), Some(1)));
    let stock = ledger.stock().expect("read");
    let of = |name: &str| stock.iter().find(|s| s.name == name).map(|s| s.stock);
    assert_eq!((of("swabs 24 mm"), of("fluid")), (Some(11.0), Some(14.9)));
    let spent = ledger.spent().expect("read");
    assert_eq!((spent[0].currency.as_str(), spent[0].bought), ("EUR", 43.99));
    assert!((spent[0].used - (31.0 / 12.0 + 12.99 * 0.1 / 15.0)).abs() < 1e-9);
}

#[test]
fn motes_that_stayed_are_followed_back_through_all_passes() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut ledger = filled(&folder.path().join("one.sqlite"));
    let body = ledger.body("0041887").expect("known");
    let b = ledger.frames(Some(body)).expect("read")[1].number;
    ledger.add_pass(body, &pass(PassKind::Blow, "2031-04-05")).expect("written");
    ledger.add_pass(body, &pass(PassKind::Swab, "2031-04-05T01:00:00")).expect("written");
    let c = record(&mut ledger, "c3", "2031-04-06", &clear_to(16.0));
    ledger
        .record_comparison(
            b,
            c,
            &recheck(&[
                (Status::Stayed, Some(0), Some(2)),
                (Status::Stayed, Some(1), Some(0)),
                (Status::Gone, Some(3), None),
            ]),
        )
        .expect("written");
    let stayed = ledger.stayed(c).expect("read");
    let told: Vec<(usize, u32, u32)> = stayed.iter().map(|s| (s.mote, s.passes, s.wet_passes)).collect();
    assert_eq!(told, [(0, 2, 1), (2, 3, 2)]);
}

#[test]
fn arrivals_are_counted_per_thousand_pictures_where_use_is_told_and_per_day_where_not() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("one.sqlite");
    let mut ledger = Ledger::open(&path).expect("opened");
    let new = |n: usize| -> Vec<(Status, Option<usize>, Option<usize>)> {
        (0..n).map(|i| (Status::New, None, Some(i))).collect()
    };
    let a = record(&mut ledger, "a", "2031-01-01", &clear_to(16.0));
    let b = record(&mut ledger, "b", "2031-01-11", &clear_to(16.0));
    let c = record(&mut ledger, "c", "2031-01-31", &clear_to(16.0));
    let body = ledger.body("0041887").expect("known");
    ledger.record_comparison(a, b, &recheck(&new(3))).expect("written");
    ledger.record_comparison(b, c, &recheck(&new(5))).expect("written");
    // The same days once more, not counted twice.
    ledger.record_comparison(a, c, &recheck(&new(8))).expect("written");
    let told = ledger.outlook(body, 8.0).expect("read");
    assert_eq!((told.per, told.arrived, told.days_seen), (Per::Day, 8, 30.0));
    // The made-up chart: of its first five motes three show at f/8 or wider, of its first three all.
    assert_eq!(told.arrived_showing, 6);
    let rate = told.rate.expect("known");
    assert!((rate.mean - 8.5 / 30.0).abs() < 1e-9 && rate.low < 8.0 / 30.0 && rate.high > 8.0 / 30.0);
    let forecast = told.forecast.as_ref().expect("known");
    assert!(forecast.clear_now && forecast.earliest < forecast.likely && forecast.likely < forecast.latest);

    let used = BodyChange { pictures: Some(2000), ..BodyChange::default() };
    ledger.change_body(body, &used, &day("2031-01-09")).expect("written");
    let told = ledger.outlook(body, 8.0).expect("read");
    assert_eq!(told.per, Per::ThousandPictures);
    assert!((told.rate.expect("known").mean - 3.5 / 2.0).abs() < 1e-9);
}

#[test]
fn a_shoot_is_ready_when_every_body_is_clear_to_what_is_booked_and_the_frame_is_fresh() {
    let folder = tempfile::tempdir().expect("a folder");
    let ledger = filled(&folder.path().join("one.sqlite"));
    let fresh = ledger.ready("harbour at dawn", &day("2031-04-05")).expect("known");
    assert!(fresh.ready && fresh.bodies.len() == 1, "{fresh:?}");
    assert!(fresh.checklist.iter().any(|l| l.contains("batteries")));
    let stale = ledger.ready("Harbour at dawn", &day("2031-04-30")).expect("known");
    assert!(!stale.ready && stale.bodies[0].reason.contains("27 days old"), "{stale:?}");
    assert!(ledger.ready("no such", &day("2031-04-05")).is_err());
}

#[test]
fn a_frame_recorded_twice_is_one_frame_judged_anew() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut ledger = Ledger::open(&folder.path().join("one.sqlite")).expect("opened");
    let a = record(&mut ledger, "a", "2031-01-01", &clear_to(16.0));
    assert_eq!(record(&mut ledger, "a", "2031-01-01", &clear_to(8.0)), a);
    let frames = ledger.frames(None).expect("read");
    assert_eq!((frames.len(), frames[0].clear_to), (1, Some(8.0)));
}

/// Files of every schema as it was released: they open with every later version.
#[test]
fn every_released_schema_opens() {
    let folder = tempfile::tempdir().expect("a folder");
    for (version, text) in [(1, include_str!("ledgers/v1.sql")), (2, include_str!("ledgers/v2.sql"))] {
        let path = folder.path().join(format!("v{version}.sqlite"));
        let old = Connection::open(&path).expect("made");
        old.execute_batch(text).expect("filled");
        drop(old);
        let ledger = Ledger::open(&path).expect("opened");
        let body = ledger.body("Field body").expect("by its name");
        let story = ledger.story(body).expect("read");
        assert_eq!((story.test_frames.len(), story.passes.len(), story.stayed.len()), (2, 1, 1), "schema {version}");
        assert_eq!(ledger.outlook(body, 16.0).expect("read").arrived, 1, "schema {version}");
    }
}

#[test]
fn a_file_of_a_newer_version_or_of_another_program_is_left_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let newer = folder.path().join("newer.sqlite");
    drop(filled(&newer));
    Connection::open(&newer).expect("opened").pragma_update(None, "user_version", 99).expect("set");
    let told = Ledger::open(&newer).expect_err("refused");
    assert!(told.fault == Fault::Unsupported && told.message.contains("newer version"));

    let foreign = folder.path().join("foreign.sqlite");
    Connection::open(&foreign).expect("made").execute_batch("CREATE TABLE songs (id);").expect("filled");
    let before = std::fs::read(&foreign).expect("read");
    assert!(Ledger::open(&foreign).expect_err("refused").message.contains("another program"));
    let text = folder.path().join("letter.txt");
    std::fs::write(
        &text,
        "Dear reader, this is no ledger, but a letter of some length, so that a head could stand in it.",
    )
    .expect("written");
    assert!(Ledger::open(&text).is_err());
    assert_eq!(std::fs::read(&foreign).expect("read").len(), before.len());
}

#[test]
fn a_damaged_file_is_refused_with_the_way_out_and_never_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("one.sqlite");
    let mut ledger = filled(&path);
    for i in 0..60 {
        record(&mut ledger, &format!("d{i}"), "2031-06-01", &clear_to(8.0));
    }
    drop(ledger);
    let whole = std::fs::read(&path).expect("read");
    for (what, damage) in [
        ("head", &(|b: &mut Vec<u8>| b[..16].fill(0)) as &dyn Fn(&mut Vec<u8>)),
        ("emptied", &|b| b.clear()),
        ("cut", &|b| b.truncate(whole.len() / 3)),
        ("scribbled over", &|b| {
            let from = b.len() / 3 / 4096 * 4096;
            b[from..from + 8192].fill(0x5a);
        }),
    ] {
        let mut bytes = whole.clone();
        damage(&mut bytes);
        std::fs::write(&path, &bytes).expect("written");
        let told = Ledger::open(&path).expect_err(what);
        assert!(told.fault == Fault::Broken && told.remedy.contains(".backup-"), "{what}: {told:?} {}", told.remedy);
        assert_eq!(std::fs::read(&path).expect("read"), bytes, "{what}: not a byte was changed");
    }
    // The way out.
    let backup = std::fs::read_dir(folder.path())
        .expect("a folder")
        .filter_map(|e| e.ok().map(|e| e.path()))
        .find(|p| p.to_string_lossy().contains(".backup-"))
        .expect("a backup");
    std::fs::copy(backup, &path).expect("copied");
    Ledger::open(&path).expect("whole again");
}

const CHILD: &str = "MOTELIGHT_TEST_CHILD_LEDGER";

/// No test by itself: the process that the two tests below start, which writes entry after entry and tells each one.
#[test]
fn child_that_writes() {
    let Some(path) = std::env::var_os(CHILD) else { return };
    let mut ledger = Ledger::open(Path::new(&path)).expect("opened");
    let own = std::process::id();
    let count = std::env::var("MOTELIGHT_TEST_CHILD_COUNT").ok().and_then(|c| c.parse().ok()).unwrap_or(usize::MAX);
    for i in 0..count {
        let digest = format!("{own}-{i}");
        record(&mut ledger, &digest, "2031-01-01", &clear_to(8.0));
        let mut out = std::io::stdout().lock();
        writeln!(out, "committed {digest}").and_then(|()| out.flush()).expect("told");
    }
}

fn child(path: &Path, count: Option<usize>) -> std::process::Child {
    let mut command = Command::new(std::env::current_exe().expect("this binary"));
    command
        .args(["child_that_writes", "--exact", "--nocapture"])
        .env(CHILD, path)
        .stdout(Stdio::piped())
        .stderr(Stdio::null());
    if let Some(count) = count {
        command.env("MOTELIGHT_TEST_CHILD_COUNT", count.to_string());
    }
    command.spawn().expect("started")
}

fn committed(text: impl BufRead) -> Vec<String> {
    let line = |l: std::io::Result<String>| l.ok()?.split("committed ").nth(1).map(str::to_owned);
    text.lines().filter_map(line).collect()
}

fn digests(path: &Path) -> Vec<String> {
    let db = Connection::open(path).expect("opened");
    let whole: String = db.query_row("PRAGMA integrity_check", [], |r| r.get(0)).expect("checked");
    assert_eq!(whole, "ok");
    let mut asked = db.prepare("SELECT digest FROM test_frame").expect("asked");
    asked.query_map([], |r| r.get(0)).expect("read").collect::<Result<_, _>>().expect("read")
}

#[test]
fn killed_at_any_moment_the_ledger_is_whole_and_nothing_committed_is_lost() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("one.sqlite");
    let mut moment = 0x9e37_79b9u64;
    let mut told = Vec::new();
    for _ in 0..100 {
        let mut child = child(&path, None);
        moment ^= moment << 13;
        moment ^= moment >> 7;
        moment ^= moment << 17;
        std::thread::sleep(Duration::from_micros(5_000 + moment % 60_000));
        // SIGKILL on Unix.
        child.kill().expect("killed");
        told.extend(committed(BufReader::new(child.stdout.take().expect("piped"))));
        child.wait().expect("gone");
        let there = if path.exists() { digests(&path) } else { Vec::new() };
        let lost: Vec<&String> = told.iter().filter(|d| !there.contains(d)).collect();
        assert!(lost.is_empty(), "{lost:?}");
        if path.exists() {
            Ledger::open(&path).expect("opens");
        }
    }
    assert!(told.len() > 100, "it was killed while writing: {} entries", told.len());
}

#[test]
fn two_processes_write_at_once_and_both_are_heard() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("one.sqlite");
    let children = [child(&path, Some(40)), child(&path, Some(40)), child(&path, Some(40))];
    let mut told = Vec::new();
    for mut child in children {
        told.extend(committed(BufReader::new(child.stdout.take().expect("piped"))));
        assert!(child.wait().expect("done").success());
    }
    let there = digests(&path);
    assert_eq!((told.len(), there.len()), (120, 120));
}

#[test]
fn a_place_that_cannot_be_written_to_is_an_error_and_no_panic() {
    let told = Ledger::open(Path::new("/proc/no/such/ledger.sqlite")).expect_err("refused");
    assert_eq!(told.fault, Fault::Unwritable);
    assert!(now() > day("2024-01-01"));
}

#[test]
fn a_trace_starts_from_the_newest_fit_chart_of_a_body_with_a_serial_number() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut ledger = Ledger::open(&folder.path().join("one.sqlite")).expect("opened");
    record(&mut ledger, "a1", "2031-04-02T10:15:00", &made_up::clean());
    record(&mut ledger, "a2", "2031-05-02T10:15:00", &made_up::inspection());
    record(&mut ledger, "a3", "2031-06-02T10:15:00", &made_up::unfit());
    let mut nameless = facts("b1", "2031-06-02T10:15:00");
    nameless.shot.body.as_mut().expect("a body").serial = None;
    ledger.record_frame(Path::new("/walls/b1.dng"), &nameless, &made_up::inspection()).expect("written");
    let known = ledger.known().expect("read");
    let [one] = known.as_slice() else { panic!("{known:?}") };
    assert_eq!(one.body, made_up::shot().body);
    assert_eq!((one.stand_off_mm.value, one.stand_off_mm.sigma), (1.49, 0.03));
    assert_eq!(one.motes.len(), made_up::inspection().motes.len());
}
