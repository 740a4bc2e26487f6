//! The order of the house: crates import in one direction, modules only from those listed before them, the engine
//! touches neither disk nor clock, and no file grows past what can be read in one sitting.

mod order;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use order::{module_violations, rust_files, workspace};

/// Our crates from the bottom up, and which of ours each may use.
const MAY_USE: [(&str, &[&str]); 6] = [
    ("frame", &[]),
    ("motes", &["frame"]),
    ("synth", &[]),
    ("desk", &["frame", "motes", "synth"]),
    ("cli", &["frame", "motes", "desk"]),
    ("window", &["frame", "motes", "desk"]),
];

/// Crates from outside that only the named ones of ours may use.
const KEPT_OUT: [(&str, &[&str]); 3] = [
    ("cli", &["clap", "clap_complete", "clap_mangen", "indicatif", "anyhow"]),
    ("desk", &["maud", "rusqlite", "rusqlite_migration", "directories", "notify"]),
    ("window", &["eframe", "egui", "egui_plot", "egui_extras", "rfd", "wgpu"]),
];

fn manifest(krate: &str) -> toml::Table {
    let path = workspace().join("crates").join(krate).join("Cargo.toml");
    std::fs::read_to_string(path).expect("a manifest").parse().expect("TOML")
}

fn names(table: &toml::Table, section: &str) -> Vec<String> {
    table.get(section).and_then(|t| t.as_table()).map_or(Vec::new(), |t| t.keys().cloned().collect())
}

/// Names of all ordinary dependencies, those of single systems too.
fn dependencies(krate: &str) -> Vec<String> {
    let manifest = manifest(krate);
    let mut all = names(&manifest, "dependencies");
    for target in manifest.get("target").and_then(|t| t.as_table()).into_iter().flat_map(|t| t.values()) {
        all.extend(target.as_table().map_or(Vec::new(), |t| names(t, "dependencies")));
    }
    all
}

fn ours(dependencies: Vec<String>) -> Vec<String> {
    dependencies.iter().filter_map(|d| d.strip_prefix("motelight-")).map(str::to_owned).collect()
}

#[test]
fn our_crates_import_in_one_direction() {
    for (krate, allowed) in MAY_USE {
        let used = ours(dependencies(krate));
        let wrong: Vec<&String> = used.iter().filter(|d| !allowed.contains(&d.as_str())).collect();
        assert!(wrong.is_empty(), "{krate} must not use {wrong:?}");
    }
}

#[test]
fn the_synthetic_camera_and_the_engine_meet_in_tests_only() {
    let in_tests = |krate: &str| ours(names(&manifest(krate), "dev-dependencies"));
    assert_eq!(in_tests("synth"), Vec::<String>::new(), "the synthetic camera is tested without the rest");
    assert_eq!(in_tests("motes"), ["synth"]);
}

#[test]
fn shells_and_storage_stay_out_of_the_crates_below_them() {
    for (krate, _) in MAY_USE {
        let used = dependencies(krate);
        for (owner, kept_out) in KEPT_OUT.iter().filter(|(owner, _)| *owner != krate) {
            let wrong: Vec<&String> = used.iter().filter(|d| kept_out.contains(&d.as_str())).collect();
            assert!(wrong.is_empty(), "{krate} must not use {wrong:?}: they belong to {owner}");
        }
    }
}

#[test]
fn every_member_of_the_workspace_is_known_here_and_inherits_the_lints() {
    let root: toml::Table =
        std::fs::read_to_string(workspace().join("Cargo.toml")).expect("a manifest").parse().expect("TOML");
    for member in root["workspace"]["members"].as_array().expect("a list").iter().filter_map(|m| m.as_str()) {
        let krate = member.strip_prefix("crates/").expect("members live in crates/");
        assert!(MAY_USE.iter().any(|(known, _)| *known == krate), "say in this file what {krate} may use");
        assert_eq!(manifest(krate)["lints"]["workspace"].as_bool(), Some(true), "{krate}");
    }
}

#[test]
fn modules_import_only_from_those_listed_before_them() {
    let mut all = Vec::new();
    for (krate, _) in MAY_USE {
        let root = if krate == "cli" { "main.rs" } else { "lib.rs" };
        let found = module_violations(&workspace().join("crates").join(krate).join("src"), root);
        all.extend(found.into_iter().map(|v| format!("{krate}: {v}")));
    }
    assert!(all.is_empty(), "\n{}\n", all.join("\n"));
}

/// Time, paths and chance come into the engine as data; what it finds goes out as values.
#[test]
fn the_engine_touches_neither_disk_nor_clock_nor_terminal() {
    let forbidden = ["std::fs", "std::env", "std::time", "std::process", "std::net", "std::io", "println!", "print!"];
    for file in rust_files(&workspace().join("crates/motes/src")) {
        let text = std::fs::read_to_string(&file).expect("source");
        let wrong: Vec<&&str> = forbidden.iter().filter(|word| text.contains(**word)).collect();
        assert!(wrong.is_empty(), "{}: {wrong:?}", file.display());
    }
}

#[test]
fn no_file_is_longer_than_five_hundred_lines() {
    let lines = |file: &Path| std::fs::read_to_string(file).expect("source").lines().count();
    let files = rust_files(&workspace().join("crates"));
    assert!(files.len() > 50, "the sources were found");
    let long: BTreeMap<PathBuf, usize> =
        files.into_iter().map(|f| (f.clone(), lines(&f))).filter(|(_, lines)| *lines > 500).collect();
    assert!(long.is_empty(), "split by step: {long:?}");
}

/// Writes a small crate and checks it.
fn planted(files: &[(&str, &str)]) -> Vec<String> {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in files {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().expect("inside")).expect("a folder");
        std::fs::write(path, text).expect("written");
    }
    module_violations(folder.path(), "lib.rs")
}

const LIB: &str =
    "//! Doc.\npub mod first;\n/// Doc.\nmod second; pub mod third;\npub use third::{Noun, deep::Other as Else};";

#[test]
fn a_crate_in_order_passes() {
    let found = planted(&[
        ("lib.rs", LIB),
        ("first.rs", "// use crate::third;\nfn f() -> &'static str { \"crate::third\" }"),
        ("second/mod.rs", "mod inner; use crate::first::A; use super::first;"),
        ("second/inner.rs", "use crate::second::B; use super::C; use super::super::first;"),
        (
            "third.rs",
            "use crate::{first, second::{self, fourth}}; mod tests { use super::super::second; use super::D; }",
        ),
    ]);
    assert_eq!(found, Vec::<String>::new());
}

#[test]
fn every_way_of_importing_from_later_is_caught() {
    let sneaky = [
        ("first.rs", "use crate::second::A;"),
        ("first.rs", "use crate::{first::B, third::A};"),
        ("first.rs", "fn f() { crate::third::g() }"),
        ("first.rs", "use super::second;"),
        ("first.rs", "use crate::Noun;"),
        ("first.rs", "use crate::Else;"),
        ("first.rs", "mod tests { use crate::third::A; }"),
        ("first.rs", "mod tests { use super::super::third::A; }"),
        ("second/mod.rs", "use crate::third;"),
        ("second/inner.rs", "use super::super::third::A;"),
        ("second/inner.rs", "use super::super::{first, third};"),
        ("second/inner.rs", "use crate::{second, third};"),
        ("second/inner.rs", "fn f() { assert!(crate::third::g()); }"),
        ("first.rs", "use crate::*;"),
        ("first.rs", "use crate::Unlisted;"),
    ];
    for (name, text) in sneaky {
        let found = planted(&[("lib.rs", LIB), (name, text)]);
        assert_eq!(found.len(), 1, "{name}: {text} gave {found:?}");
    }
}
