//! The engine is pure: its manifest, and what it cannot name.

use crate::sources::{files, none, read, root};

/// What a pure engine has no use for. Most of it `no_std` already forbids; macros that name it
/// would still show up here.
const BANNED: &[&str] = &[
    "std::",
    "extern crate std",
    "tokio",
    "serde",
    "HashMap",
    "HashSet",
    "SystemTime",
    "getrandom",
    "println!",
    "tracing::",
];

#[test]
fn its_manifest_lists_statig_and_libm_alone() {
    let manifest = read(&root().join("src/engine/Cargo.toml"));
    let manifest: toml_edit::Document<String> = manifest.parse().expect("a manifest is TOML");
    let names = |section: &str| -> Vec<String> {
        let table = manifest.get(section).and_then(|item| item.as_table());
        let keys = table.into_iter().flat_map(|table| table.iter());
        keys.map(|(key, _)| key.to_owned()).collect()
    };
    assert_eq!(names("dependencies"), ["statig", "libm"]);
    assert_eq!(names("build-dependencies"), [""; 0]);
    assert!(manifest.get("target").is_none(), "no dependency by target");
    // One switch, for the model checker, and no program has it.
    assert_eq!(names("features"), ["model"]);
    let programs = read(&root().join("Cargo.toml"));
    let programs: toml_edit::Document<String> = programs.parse().expect("a manifest is TOML");
    let engine = &programs["dependencies"]["taillamp-engine"];
    assert!(
        engine.get("features").is_none(),
        "programs without switches"
    );
}

#[test]
fn it_is_no_std() {
    let lib = read(&root().join("src/engine/lib.rs"));
    assert!(lib.lines().any(|line| line == "#![no_std]"));
}

#[test]
fn it_names_no_clock_no_socket_and_no_random_order() {
    let mut faults = Vec::new();
    for source in files("src/engine", ".rs") {
        // Compiled for tests alone; the test below sees to that.
        if source.name.ends_with("/tests.rs") {
            continue;
        }
        for (number, line) in source.code() {
            for word in BANNED {
                if line.contains(word) {
                    faults.push(format!("{}:{number}: {word}", source.name));
                }
            }
        }
    }
    none(&faults);
}

#[test]
fn a_file_of_tests_is_compiled_for_tests_alone() {
    let mut faults = Vec::new();
    for source in files("src/engine", ".rs") {
        let declared = source.text.match_indices("mod tests;").map(|(at, _)| at);
        for at in declared {
            let before = source.text[..at].trim_end();
            if !before.ends_with("#[cfg(test)]") {
                faults.push(format!(
                    "{}: `mod tests;` without #[cfg(test)]",
                    source.name
                ));
            }
        }
    }
    none(&faults);
}
