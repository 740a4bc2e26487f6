//! A run shared out over several machines and put together again: to the byte what one run gives.

use std::collections::BTreeMap;
#[cfg(unix)]
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::run::{Run, command, digests, motelight};
use crate::trace::traced;

/// Copies and records below a folder, by their place in it; pages and locks are each run's own.
fn results(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let own = |p: &Path| p.extension().is_some_and(|e| e == "html") || p.ends_with(".lock");
    let below = |p: PathBuf| p.strip_prefix(folder).expect("below").to_path_buf();
    digests(folder).into_iter().filter(|(p, _)| !own(p)).map(|(p, d)| (below(p), d)).collect()
}

fn paths_of(folder: &Path, names: &[&str]) -> Vec<PathBuf> {
    names.iter().map(|n| folder.join(n)).collect()
}

fn merged(parts: &[PathBuf]) -> Run {
    let mut arguments: Vec<&dyn AsRef<std::ffi::OsStr>> = vec![&"merge"];
    arguments.extend(parts.iter().map(|p| p as &dyn AsRef<std::ffi::OsStr>));
    motelight(&arguments)
}

#[cfg(unix)]
#[test]
fn a_trace_in_parts_is_the_trace_of_one_run() {
    let (shoot, folder) = (traced(), tempfile::tempdir().expect("a folder"));
    // A name that is no Unicode text goes through as well.
    let odd = std::ffi::OsString::from_vec(b"torn-caf\xe9.jpg".to_vec());
    let torn = folder.path().join(odd);
    let bytes = std::fs::read(shoot.pictures().join("picture-0005.jpg")).expect("read");
    std::fs::write(&torn, &bytes[..bytes.len() / 2]).expect("written");
    let whole = motelight(&[&"trace", &shoot.pictures(), &torn, &"--json"]);
    for k in 1..=3 {
        let part = format!("{k}/3");
        let run = motelight(&[&"trace", &shoot.pictures(), &torn, &"--part", &part, &"--out", &folder.path()]);
        assert_eq!(run.code, if k == 3 { 2 } else { 0 }, "{}", run.stderr);
    }
    let parts = paths_of(folder.path(), &["trace-2-of-3.part", "trace-1-of-3.part", "trace-3-of-3.part"]);
    let run = merged(&parts);
    assert_eq!((run.code, run.stdout == whole.stdout), (whole.code, true), "{}", run.stderr);
    assert!(run.stderr.contains("torn-caf"), "{}", run.stderr);

    let missing = merged(&parts[..2]);
    assert_eq!((missing.code, missing.stdout.as_str()), (2, ""));
    assert!(missing.stderr.contains("missing: 3"), "{}", missing.stderr);
    let twice = merged(&[parts[0].clone(), parts[0].clone()]);
    assert!(twice.code == 2 && twice.stderr.contains("named twice"), "{}", twice.stderr);
    let other = motelight(&[&"trace", &shoot.pictures(), &"--part", &"1/3", &"--out", &folder.path(), &"--screen"]);
    assert_eq!(other.code, 0, "{}", other.stderr);
    let strange = merged(&parts);
    assert!(strange.code == 2 && strange.stderr.contains("another run"), "{}", strange.stderr);

    // Damaged in any place, a part is refused or, where a cell's value was hit, judged; never more than that.
    let good = std::fs::read(&parts[0]).expect("read");
    let bad = folder.path().join("bad.part");
    for keep in [0, 7, 8, 15, 16, 1000, good.len() - 1] {
        std::fs::write(&bad, &good[..keep]).expect("written");
        let run = merged(std::slice::from_ref(&bad));
        assert!(run.code == 2 && run.stderr.contains("bad.part"), "{keep}: {}", run.stderr);
    }
    for back in (1..2000).step_by(97) {
        let mut flipped = good.clone();
        let at = flipped.len() - back;
        flipped[at] ^= 0x10;
        std::fs::write(&bad, &flipped).expect("written");
        let run = merged(std::slice::from_ref(&bad));
        assert!(run.code == 2 && run.stderr.contains("error:"), "{back}: {}", run.stderr);
    }
}

#[test]
fn pictures_mended_in_parts_are_those_of_one_run() {
    let (shoot, folder) = (traced(), tempfile::tempdir().expect("a folder"));
    let by = format!("--trace={}", shoot.document().display());
    let before = digests(&shoot.pictures());
    // The same folder for both, so that the documents name the same copies.
    let (out, kept) = (folder.path().join("out"), folder.path().join("kept"));
    let whole = motelight(&[&"mend", &shoot.pictures(), &by, &"--out", &out, &"--json"]);
    std::fs::rename(&out, &kept).expect("moved");
    let mut documents = Vec::new();
    let mut running = Vec::new();
    for k in 1..=5 {
        let part = format!("{k}/5");
        let document = folder.path().join(format!("{k}.json"));
        let mut run = command(&[&"mend", &shoot.pictures(), &by, &"--part", &part, &"--out", &out, &"--json"]);
        // All at once, as on five machines.
        running.push(run.stdout(std::fs::File::create(&document).expect("made")).spawn().expect("runs"));
        documents.push(document);
    }
    for mut run in running {
        assert!(run.wait().expect("ended").code().expect("no signal") < 2);
    }
    documents.reverse();
    let run = merged(&documents);
    assert_eq!((run.code, run.stdout), (whole.code, whole.stdout), "{}", run.stderr);
    assert_eq!(results(&out), results(&kept));
    assert_eq!(digests(&shoot.pictures()), before, "originals are only read");
    // More parts than pictures: some have none to take.
    let dry = |part: &str| motelight(&[&"mend", &shoot.pictures(), &by, &"--part", &part, &"--dry-run", &"--json"]);
    assert_eq!((dry("1/40").code, dry("1/40").document()["pictures"].as_array().map(Vec::len)), (0, Some(0)));
}

#[test]
fn finished_pictures_signed_off_in_parts_are_those_of_one_run() {
    let (shoot, folder) = (traced(), tempfile::tempdir().expect("a folder"));
    let pictures: Vec<PathBuf> = (1..=3).map(|k| shoot.pictures().join(format!("picture-000{k}.jpg"))).collect();
    let run = |more: &[&str]| {
        let mut arguments: Vec<&dyn AsRef<std::ffi::OsStr>> = vec![&"signoff", &"--json", &"--screen"];
        arguments.extend(pictures.iter().map(|p| p as &dyn AsRef<std::ffi::OsStr>));
        arguments.extend(more.iter().map(|m| m as &dyn AsRef<std::ffi::OsStr>));
        motelight(&arguments)
    };
    let whole = run(&[]);
    let documents = paths_of(folder.path(), &["1.json", "2.json"]);
    for (document, part) in documents.iter().zip(["1/2", "2/2"]) {
        std::fs::write(document, run(&["--part", part]).stdout).expect("written");
    }
    let done = merged(&documents);
    assert_eq!((done.code, done.stdout), (whole.code, whole.stdout.clone()), "{}", done.stderr);
    // A whole document is no part.
    std::fs::write(&documents[0], &whole.stdout).expect("written");
    let refused = merged(&documents);
    assert!(refused.code == 2 && refused.stderr.contains("no part of a run"), "{}", refused.stderr);
}

/// The example for a job scheduler, run as its array would run it: variables of the environment, nothing of ours between.
#[cfg(unix)]
#[test]
fn the_example_of_an_array_job_gives_what_one_run_gives() {
    let (shoot, folder) = (traced(), tempfile::tempdir().expect("a folder"));
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/array-job/trace-and-mend.sbatch");
    let work = folder.path().join("work");
    let binary = Path::new(env!("CARGO_BIN_EXE_motelight")).parent().expect("a folder");
    let search = format!("{}:{}", binary.display(), std::env::var("PATH").unwrap_or_default());
    let array = |step: &str| {
        for task in ["1", "2", "3"] {
            let mut run = Command::new("sh");
            run.arg(&script).arg(step).arg(shoot.pictures()).arg(&work).env("PATH", &search);
            run.env("SLURM_ARRAY_TASK_ID", task).env("SLURM_ARRAY_TASK_COUNT", "3");
            run.env("MOTELIGHT_LEDGER", folder.path().join("ledger.sqlite"));
            let done = run.output().expect("a shell");
            assert!(done.status.success(), "{step} {task}: {}", String::from_utf8_lossy(&done.stderr));
        }
    };
    array("read");
    let parts = paths_of(&work, &["trace-1-of-3.part", "trace-2-of-3.part", "trace-3-of-3.part"]);
    std::fs::write(work.join("trace.json"), merged(&parts).stdout).expect("written");
    array("mend");
    let mended = merged(&paths_of(&work, &["mend-1.json", "mend-2.json", "mend-3.json"]));
    let by = format!("--trace={}", work.join("trace.json").display());
    let whole = motelight(&[&"mend", &shoot.pictures(), &by, &"--out", &folder.path().join("whole"), &"--json"]);
    assert_eq!(mended.document()["pictures"].as_array().map(Vec::len), Some(16));
    assert_eq!(mended.code, whole.code);
    assert_eq!(results(&work.join("mended")), results(&folder.path().join("whole")));
}
