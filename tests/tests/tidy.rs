//! The house stays tidy: arrows, file and function lengths, banned calls and names, migrations.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").canonicalize().unwrap()
}

/// Every Rust file of the workspace's crates, with its text.
fn sources() -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    let mut folders = vec![root().join("server"), root().join("worker"), root().join("tests")];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            if path.is_dir() && !["target", "node_modules", ".venv", "out"].contains(&name.as_str())
            {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                let text = std::fs::read_to_string(&path).unwrap();
                found.push((path.strip_prefix(root()).unwrap().to_owned(), text));
            }
        }
    }
    found
}

/// The part of a file before its tests.
fn before_tests(text: &str) -> &str {
    text.split("#[cfg(test)]").next().unwrap_or(text)
}

fn is_product(path: &Path) -> bool {
    let has = |word: &str| path.components().any(|part| part.as_os_str() == word);
    has("src") && !has("tests") && path.file_stem().is_none_or(|stem| stem != "tests")
}

#[test]
fn each_crate_knows_only_those_below_it() {
    let allowed: BTreeMap<&str, BTreeSet<&str>> = [
        ("ripieno-transform", vec![]),
        ("ripieno-engine", vec!["ripieno-transform"]),
        ("ripieno-score", vec![]),
        ("ripieno-store", vec!["ripieno-score"]),
        ("ripieno-scenario", vec!["ripieno-score"]),
        ("ripieno-worker", vec!["ripieno-engine", "ripieno-score", "ripieno-store"]),
        ("ripieno", vec!["ripieno-worker", "ripieno-store", "ripieno-score", "ripieno-scenario"]),
    ]
    .into_iter()
    .map(|(name, below)| (name, below.into_iter().collect()))
    .collect();
    let metadata = cargo_metadata::MetadataCommand::new()
        .manifest_path(root().join("Cargo.toml"))
        .no_deps()
        .exec()
        .unwrap();
    let mut seen = 0;
    for package in &metadata.packages {
        let Some(below) = allowed.get(package.name.as_str()) else { continue };
        seen += 1;
        for dependency in &package.dependencies {
            let ours = dependency.name == "ripieno" || dependency.name.starts_with("ripieno-");
            let normal = dependency.kind == cargo_metadata::DependencyKind::Normal;
            if ours && normal {
                assert!(
                    below.contains(dependency.name.as_str()),
                    "{} must not know {}",
                    package.name,
                    dependency.name
                );
            }
        }
    }
    assert_eq!(seen, allowed.len());
}

#[test]
fn only_the_store_speaks_sql_and_the_engine_neither_sql_nor_http_nor_async() {
    for (path, text) in sources().iter().filter(|(path, _)| is_product(path)) {
        let text = before_tests(text);
        if !path.starts_with("worker/store") {
            assert!(!text.contains("sqlx::"), "{} uses sqlx", path.display());
        }
        if path.starts_with("worker/engine") || path.starts_with("worker/score") {
            for word in ["tokio::", "axum::", "async fn", "SystemTime::now", "Instant::now"] {
                assert!(!text.contains(word), "{} has {word}", path.display());
            }
        }
    }
}

#[test]
fn unsafe_stands_only_in_the_engine_and_says_why() {
    for (path, text) in sources().iter().filter(|(path, _)| is_product(path)) {
        let lines: Vec<&str> = before_tests(text).lines().collect();
        for (number, line) in lines.iter().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            if !code.contains("unsafe {") && !code.contains("unsafe fn") {
                continue;
            }
            let place = format!("{}:{}", path.display(), number + 1);
            assert!(path.starts_with("worker/engine"), "unsafe outside the engine at {place}");
            let above = lines[number.saturating_sub(12)..number].join("\n").to_lowercase();
            assert!(above.contains("safety"), "no SAFETY note above {place}");
        }
    }
}

#[test]
fn nothing_on_an_input_path_can_panic_by_a_careless_word() {
    for (path, text) in sources().iter().filter(|(path, _)| is_product(path)) {
        for (number, line) in before_tests(text).lines().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            for word in [".unwrap()", ".expect(", "panic!(", "todo!(", "unimplemented!("] {
                assert!(!code.contains(word), "{word} at {}:{}", path.display(), number + 1);
            }
        }
    }
}

#[test]
fn files_are_of_one_idea_and_functions_fit_a_screen() {
    let sources = sources();
    let mut lengths: Vec<usize> = sources.iter().map(|(_, text)| text.lines().count()).collect();
    lengths.sort_unstable();
    assert!(
        lengths[lengths.len() / 2] <= 200,
        "the median file has {}",
        lengths[lengths.len() / 2]
    );
    let long = lengths.iter().filter(|lines| **lines > 400).count();
    assert!(long * 8 <= lengths.len(), "{long} of {} files pass 400 lines", lengths.len());
    for (path, text) in sources.iter().filter(|(path, _)| is_product(path)) {
        for (name, lines) in functions(text) {
            assert!(lines <= 72, "{} in {} has {lines} lines", name, path.display());
        }
    }
}

/// Name and length of every function, by the indentation that rustfmt gives.
fn functions(text: &str) -> Vec<(String, usize)> {
    let mut found = Vec::new();
    let mut open: Option<(String, usize, usize)> = None;
    for (number, line) in text.lines().enumerate() {
        let indent = line.len() - line.trim_start().len();
        if let Some((name, from, depth)) = &open {
            if indent == *depth && line.trim_start().starts_with('}') {
                found.push((name.clone(), number - from + 1));
                open = None;
            }
        } else if let Some(after) = line.split("fn ").nth(1).filter(|_| is_head(line)) {
            let name = after.split(['(', '<']).next().unwrap_or_default().to_owned();
            if !line.trim_end().ends_with(['}', ';']) {
                open = Some((name, number, indent));
            }
        }
    }
    found
}

fn is_head(line: &str) -> bool {
    let start = line.trim_start();
    ["fn ", "pub ", "pub(", "async fn ", "const fn ", "unsafe fn "]
        .iter()
        .any(|head| start.starts_with(head))
        && start.contains("fn ")
}

#[test]
fn no_file_is_called_by_a_name_that_says_nothing() {
    for (path, _) in sources() {
        let stem = path.file_stem().unwrap().to_string_lossy().into_owned();
        for word in ["utils", "util", "common", "manager", "misc", "helpers"] {
            assert_ne!(stem, word, "{}", path.display());
        }
    }
}

#[test]
fn every_file_belongs_to_a_crate() {
    let sources = sources();
    let texts: BTreeMap<_, _> = sources.iter().map(|(path, text)| (path.clone(), text)).collect();
    for (path, _) in sources.iter().filter(|(path, _)| is_product(path)) {
        let stem = path.file_stem().unwrap().to_string_lossy().into_owned();
        if ["lib", "main", "mod"].contains(&stem.as_str()) || path.iter().any(|p| p == "examples") {
            continue;
        }
        let folder = path.parent().unwrap();
        let parents = [folder.join("lib.rs"), folder.join("main.rs"), folder.with_extension("rs")];
        let declared = parents.iter().filter_map(|parent| texts.get(parent)).any(|text| {
            text.lines().any(|line| line.trim_end().ends_with(&format!("mod {stem};")))
        });
        assert!(declared, "{} is declared by no module", path.display());
    }
}

#[test]
fn migrations_are_numbered_in_order_and_named_alike() {
    let names = |folder: &str| -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(root().join("migrations").join(folder))
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .filter(|name| name.ends_with(".sql"))
            .collect();
        names.sort();
        names
    };
    let sqlite = names("sqlite");
    assert!(!sqlite.is_empty());
    for (index, name) in sqlite.iter().enumerate() {
        assert!(name.starts_with(&format!("{:04}_", index + 1)), "{name} is out of order");
    }
    let postgres = names("postgres");
    assert!(postgres.is_empty() || postgres == sqlite, "both databases have the same migrations");
}

#[test]
fn nothing_else_stands_at_the_top() {
    let allowed = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "rust-toolchain.toml",
        "server",
        "worker",
        "migrations",
        "tests",
        "deploy",
        "target",
    ];
    let listed = std::process::Command::new("git")
        .args(["ls-files", "-z"])
        .current_dir(root())
        .output()
        .unwrap();
    let listed = String::from_utf8(listed.stdout).unwrap();
    for path in listed.split('\0').filter(|path| !path.is_empty()) {
        let top = path.split('/').next().unwrap();
        assert!(top.starts_with('.') || allowed.contains(&top), "{top} stands at the top");
    }
}
