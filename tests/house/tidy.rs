//! Headers, sizes, left-overs, and words that have no place in the sources.

use crate::sources::{Source, files, none, root};

/// Lines of code in a file, before its first test module.
const CODE_LINES_MAX: usize = 600;
/// Lines of a function, from `fn` to its closing brace.
const FUNCTION_LINES_MAX: usize = 70;
/// Columns of a line.
const COLUMNS_MAX: usize = 100;

/// What stands at the top, and nothing else.
const TOP: &[&str] = &[
    ".ci",
    ".git",
    ".gitignore",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "benches",
    "dashboards",
    "deploy",
    "simulator",
    "src",
    "target",
    "tests",
];

/// The Rust files of program and simulator.
fn program() -> Vec<Source> {
    let mut sources = files("src", ".rs");
    sources.extend(files("simulator", ".rs"));
    sources
}

/// All Rust files.
fn rust() -> Vec<Source> {
    let mut sources = program();
    sources.extend(files("tests", ".rs"));
    sources.extend(files("benches", ".rs"));
    sources
}

#[test]
fn every_module_opens_with_what_it_is_for() {
    let mut faults = Vec::new();
    for source in rust() {
        if !source.text.starts_with("//!") {
            faults.push(format!("{}: it opens without `//!`", source.name));
        }
    }
    none(&faults);
}

#[test]
fn files_are_small() {
    let mut faults = Vec::new();
    for source in program() {
        let lines = source.code().len();
        if lines > CODE_LINES_MAX {
            faults.push(format!("{}: {lines} lines of code", source.name));
        }
    }
    none(&faults);
}

#[test]
fn functions_are_short() {
    let mut faults = Vec::new();
    for source in program() {
        for (number, name, lines) in functions(&source.text) {
            if lines > FUNCTION_LINES_MAX {
                faults.push(format!(
                    "{}:{number}: {name} has {lines} lines",
                    source.name
                ));
            }
        }
    }
    none(&faults);
}

/// Functions with the line where they begin, their names and how many lines they have. The source
/// is formatted: the closing brace stands under the `f` of its line.
fn functions(text: &str) -> Vec<(usize, String, usize)> {
    let lines: Vec<&str> = text.lines().collect();
    let mut functions = Vec::new();
    for (at, line) in lines.iter().enumerate() {
        let words = line.trim_start();
        let Some((_, rest)) = format!(" {words}")
            .split_once(" fn ")
            .map(|(before, rest)| (before.to_owned(), rest.to_owned()))
        else {
            continue;
        };
        if words.starts_with("//") {
            continue;
        }
        let name = rest.split(['(', '<']).next().unwrap_or_default().to_owned();
        let indent = &line[..line.len() - words.len()];
        let close = format!("{indent}}}");
        let end = lines[at..]
            .iter()
            .position(|line| *line == close || line.ends_with(';') && *line == lines[at]);
        if let Some(end) = end {
            functions.push((at + 1, name, end + 1));
        }
    }
    functions
}

#[test]
fn lines_fit_on_the_screen() {
    let mut faults = Vec::new();
    for source in rust() {
        for (number, line) in source.lines() {
            let columns = line.chars().count();
            if columns > COLUMNS_MAX {
                faults.push(format!("{}:{number}: {columns} columns", source.name));
            }
        }
    }
    none(&faults);
}

#[test]
fn nothing_is_left_for_later() {
    // Put together, so that this file does not find itself.
    let left_over = ["to", "do!("].concat();
    let nothing_there = ["unimple", "mented!("].concat();
    let mark = ["FIX", "ME"].concat();
    let other_mark = ["XX", "X:"].concat();
    let skipped = ["#[ig", "nore"].concat();
    let mut faults = Vec::new();
    for source in rust() {
        for (number, line) in source.lines() {
            for word in [&left_over, &nothing_there, &mark, &other_mark, &skipped] {
                if line.contains(word.as_str()) {
                    faults.push(format!("{}:{number}: {word}", source.name));
                }
            }
        }
    }
    for source in program() {
        if !source.name.starts_with("src/") {
            continue;
        }
        for (number, line) in source.lines() {
            if line.contains(".unwrap()") {
                let name = &source.name;
                faults.push(format!(
                    "{name}:{number}: say with expect why it cannot fail"
                ));
            }
        }
    }
    none(&faults);
}

/// What the program is built of takes every error up: an `expect` that something from outside can
/// reach is a crash, and none of them is needed.
#[test]
fn the_program_never_panics_on_purpose() {
    let words = [".expect(", "panic!(", "unreachable!("];
    let mut faults = Vec::new();
    for source in files("src", ".rs") {
        if source.name.ends_with("tests.rs") || source.name.contains("/tests/") {
            continue;
        }
        let lines: Vec<(usize, &str)> = source.lines().collect();
        let is_test_module = |pair: &[(usize, &str)]| {
            pair[0].1.trim() == "#[cfg(test)]" && pair[1].1.trim_end().ends_with('{')
        };
        let end = lines.windows(2).position(is_test_module);
        for (number, line) in &lines[..end.unwrap_or(lines.len())] {
            let comment = line.trim_start().starts_with("//");
            for word in words
                .iter()
                .filter(|word| !comment && line.contains(**word))
            {
                faults.push(format!("{}:{number}: {word}", source.name));
            }
        }
    }
    none(&faults);
}

#[test]
fn no_file_names_a_machine_or_a_registry() {
    let mut all = rust();
    for ending in [
        ".toml", ".mjs", ".js", ".py", ".json", ".md", ".css", ".html",
    ] {
        all.extend(files("", ending));
    }
    for script in ["run", "long", "bars"] {
        all.push(Source {
            name: format!("tests/{script}"),
            text: crate::sources::read(&root().join("tests").join(script)),
        });
    }
    // Put together, so that this file does not find itself.
    let words = [
        ["/wo", "rk/"].concat(),
        ["/tm", "p/"].concat(),
        ["/ro", "ot/"].concat(),
        ["/ho", "me/"].concat(),
        ["crates", ".io"].concat(),
        ["pypi", ".org"].concat(),
        ["npm", "mirror"].concat(),
    ];
    let mut faults = Vec::new();
    for source in all {
        for (number, line) in source.lines() {
            for word in &words {
                if line.contains(word.as_str()) {
                    faults.push(format!("{}:{number}: {word}", source.name));
                }
            }
        }
    }
    none(&faults);
}

#[test]
fn the_top_holds_what_it_should_and_no_more() {
    let entries = std::fs::read_dir(root()).expect("the root can be read");
    let names = entries.map(|entry| entry.expect("it can be read").file_name());
    let strangers: Vec<String> = names
        .map(|name| name.to_string_lossy().into_owned())
        .filter(|name| !TOP.contains(&name.as_str()))
        .map(|name| format!("{name}: it belongs in one of the folders"))
        .collect();
    none(&strangers);
}

#[test]
fn this_reader_sees_what_it_must_see() {
    let text = "pub fn a() {\n    b();\n}\n\n\
        impl X {\n    const fn c(&self) -> u8 {\n        1\n    }\n}\n";
    let seen = functions(text);
    assert_eq!(seen, [(1, "a".into(), 3), (6, "c".into(), 3)]);
}
