//! Which modules of a crate import which: read from the sources, not from the compiler, since the compiler allows
//! knots.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// The root of the workspace.
pub fn workspace() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// All Rust files below a folder, sorted.
pub fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(rust_files(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// Imports of modules that the crate's root lists after the importing one, or that cannot be told.
pub fn module_violations(source: &Path, root: &str) -> Vec<String> {
    let listed = Listed::of(&tokens(&source.join(root)));
    let mut found = Vec::new();
    for (place, module) in listed.modules.iter().enumerate() {
        let folder = source.join(module);
        let mut files = rust_files(&folder);
        files.extend(Some(source.join(format!("{module}.rs"))).filter(|f| f.is_file()));
        for file in files {
            let below = file.strip_prefix(source).expect("found below it");
            let own = below.file_name().is_some_and(|n| n == "mod.rs");
            // Levels from this file's module up to the crate's root: inspect/mod.rs 1, inspect/fit.rs 2.
            let depth = below.components().count() - usize::from(own);
            let mut used = Vec::new();
            imports(&tokens(&file), depth, &mut used);
            for name in used {
                match listed.place(&name) {
                    Some(there) if there <= place => {}
                    Some(_) => found.push(format!("{}: {name} is listed after {module}", below.display())),
                    None => found.push(format!("{}: cannot tell where crate::{name} comes from", below.display())),
                }
            }
        }
    }
    found
}

/// What a crate's root lists: its modules in order, and the names it passes on from them.
struct Listed {
    modules: Vec<String>,
    passed_on: BTreeMap<String, String>,
}

impl Listed {
    fn of(root: &[TokenTree]) -> Listed {
        let mut listed = Listed { modules: Vec::new(), passed_on: BTreeMap::new() };
        for item in root.split(|t| is(t, ";")) {
            let at = |word: &str| item.iter().position(|t| is(t, word));
            if let Some(i) = at("mod").filter(|i| item.len() == i + 2) {
                listed.modules.push(item[i + 1].to_string());
            } else if let Some(i) = at("use").filter(|i| item.len() > i + 1) {
                let module = item[i + 1].to_string();
                let mut names = Vec::new();
                leaves(&item[i + 1..], &mut names);
                listed.passed_on.extend(names.into_iter().map(|n| (n, module.clone())));
            }
        }
        listed
    }

    fn place(&self, name: &str) -> Option<usize> {
        let module = self.passed_on.get(name).map_or(name, String::as_str);
        self.modules.iter().position(|m| m == module)
    }
}

/// Names that a `use` brings in.
fn leaves(tree: &[TokenTree], names: &mut Vec<String>) {
    match tree.last() {
        Some(TokenTree::Group(group)) => {
            let inner: Vec<TokenTree> = group.stream().into_iter().collect();
            inner.split(|t| is(t, ",")).for_each(|one| leaves(one, names));
        }
        Some(last) => names.push(last.to_string()),
        None => {}
    }
}

/// Names directly below the crate's root that these tokens reach for. `depth`: levels up to the root.
fn imports(tokens: &[TokenTree], depth: usize, used: &mut Vec<String>) {
    let mut i = 0;
    while i < tokens.len() {
        let rest = &tokens[i..];
        let inside_path = i >= 2 && is(&tokens[i - 1], ":") && is(&tokens[i - 2], ":");
        if is(&rest[0], "crate") && path_goes_on(rest) {
            reach(&rest[3..], 0, used);
        } else if is(&rest[0], "super") && !inside_path {
            reach(rest, depth, used);
        } else if let [keyword, _, TokenTree::Group(body), ..] = rest
            && is(keyword, "mod")
            && body.delimiter() == Delimiter::Brace
        {
            imports(&Vec::from_iter(body.stream()), depth + 1, used);
            i += 2;
        } else if let TokenTree::Group(group) = &rest[0] {
            imports(&Vec::from_iter(group.stream()), depth, used);
        }
        i += 1;
    }
}

/// Follows a path whose start is `ups` levels below the root.
fn reach(path: &[TokenTree], ups: usize, used: &mut Vec<String>) {
    match path.first() {
        Some(up) if is(up, "super") && path_goes_on(path) && ups > 0 => reach(&path[3..], ups - 1, used),
        Some(TokenTree::Group(group)) => {
            let inner: Vec<TokenTree> = group.stream().into_iter().collect();
            inner.split(|t| is(t, ",")).for_each(|one| reach(one, ups, used));
        }
        Some(name) if ups == 0 => used.push(name.to_string()),
        _ => {}
    }
}

fn path_goes_on(path: &[TokenTree]) -> bool {
    path.len() > 3 && is(&path[1], ":") && is(&path[2], ":")
}

fn is(token: &TokenTree, text: &str) -> bool {
    !matches!(token, TokenTree::Group(_) | TokenTree::Literal(_)) && token.to_string() == text
}

fn tokens(file: &Path) -> Vec<TokenTree> {
    let text = std::fs::read_to_string(file).unwrap_or_default();
    text.parse::<TokenStream>().unwrap_or_else(|e| panic!("{}: {e}", file.display())).into_iter().collect()
}
