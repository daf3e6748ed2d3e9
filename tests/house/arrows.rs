//! Who may import whom. Arrows point one way: cli, daemon, {wire, setting_out}, plan, engine.

use crate::sources::{Source, files, none};

/// A module of the program, what of the program it may name, and what of others it must not.
struct Module {
    name: &'static str,
    may: &'static [&'static str],
    must_not: &'static [&'static str],
}

/// What only the shell may know: the runtime, sockets, threads, files, the clock.
const SHELL: &[&str] = &[
    "tokio",
    "hyper",
    "axum",
    "rumqttc",
    "tracing",
    "anyhow",
    "clap",
    "std::fs",
    "std::env",
    "std::thread",
    "std::process",
    "std::time",
    "std::net::Tcp",
    "std::net::Udp",
    "jiff::Timestamp::now",
    "jiff::Zoned::now",
];

const MODULES: &[Module] = &[
    Module {
        name: "plan",
        may: &["engine", "plan"],
        must_not: SHELL,
    },
    Module {
        name: "wire",
        may: &["engine", "plan", "wire"],
        must_not: SHELL,
    },
    Module {
        name: "setting_out",
        may: &["engine", "plan", "wire", "setting_out"],
        must_not: SHELL,
    },
    Module {
        name: "report",
        may: &["engine", "plan", "wire", "setting_out", "report"],
        must_not: SHELL,
    },
    Module {
        name: "daemon",
        may: &["engine", "plan", "wire", "setting_out", "report", "daemon"],
        must_not: &["clap", "anyhow"],
    },
    Module {
        name: "cli",
        may: &[
            "engine",
            "plan",
            "wire",
            "setting_out",
            "report",
            "daemon",
            "cli",
        ],
        must_not: &[],
    },
];

/// What the parts of the engine that decide must not name of each other. A machine gets facts with
/// its event; it raises conditions, and only `alarm` knows what becomes of them.
const ENGINE: &[(&str, &[&str])] = &[
    (
        "detector",
        &[
            "feed", "place", "turnout", "table", "train", "ahead", "alarm",
        ],
    ),
    (
        "feed",
        &[
            "detector", "place", "turnout", "table", "train", "ahead", "alarm",
        ],
    ),
    ("place", &["detector", "turnout", "table", "ahead"]),
    (
        "turnout",
        &["detector", "feed", "place", "table", "train", "ahead"],
    ),
    (
        "table",
        &["detector", "feed", "place", "turnout", "train", "ahead"],
    ),
    ("train", &["detector", "feed", "turnout", "table"]),
    ("ahead", &["detector", "place", "turnout", "table"]),
    (
        "alarm",
        &[
            "detector", "feed", "place", "turnout", "table", "train", "ahead",
        ],
    ),
    (
        "track",
        &[
            "detector", "feed", "place", "turnout", "table", "train", "ahead", "alarm",
        ],
    ),
    (
        "timers",
        &[
            "detector", "feed", "place", "turnout", "table", "train", "ahead", "alarm",
        ],
    ),
];

/// What the simulated world may know of the engine: the words of the track plan, never the judge.
const WORLD_MAY: &[&str] = &["ids", "layout", "time", "input"];

/// The first names behind `crate::` or another root in a line: `crate::a`, `crate::{a::b, c}`.
fn named<'a>(line: &'a str, root: &str) -> Vec<&'a str> {
    let mut names = Vec::new();
    for (at, _) in line.match_indices(root) {
        let word_goes_on = line[..at]
            .chars()
            .next_back()
            .is_some_and(|c| c.is_alphanumeric() || c == '_');
        if word_goes_on {
            continue;
        }
        let rest = &line[at + root.len()..];
        let word = |text: &'a str| {
            let text = text.trim_start();
            let end = text.find(|c: char| !(c.is_alphanumeric() || c == '_'));
            &text[..end.unwrap_or(text.len())]
        };
        match rest.strip_prefix('{') {
            None => names.push(word(rest)),
            Some(list) => {
                let (mut depth, mut start) = (0_usize, true);
                for (at, c) in list.char_indices() {
                    match c {
                        '{' => depth += 1,
                        '}' if depth == 0 => break,
                        '}' => depth -= 1,
                        ',' if depth == 0 => start = true,
                        c if c.is_whitespace() => {}
                        _ if start => {
                            names.push(word(&list[at..]));
                            start = false;
                        }
                        _ => {}
                    }
                }
            }
        }
    }
    names
}

/// The code of a file with every `use` on one line, so that a list that is broken over several
/// lines is seen whole. Lines are numbered by where they begin.
fn statements(source: &Source) -> Vec<(usize, String)> {
    let mut statements: Vec<(usize, String)> = Vec::new();
    let mut open = false;
    for (number, line) in source.code() {
        if open {
            if let Some((_, statement)) = statements.last_mut() {
                statement.push(' ');
                statement.push_str(line.trim());
            }
        } else {
            statements.push((number, line.to_owned()));
            let words = line.trim_start();
            open = words.starts_with("use ") || words.starts_with("pub use ");
        }
        open = open && !line.ends_with(';');
    }
    statements
}

/// Whether a line names a path, and not only as the end of a longer word.
fn names_path(line: &str, path: &str) -> bool {
    line.match_indices(path).any(|(at, _)| {
        let before = line[..at].chars().next_back();
        let after = line[at + path.len()..].chars().next();
        let word = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '_');
        let open_end = path.ends_with("Tcp") || path.ends_with("Udp");
        !word(before) && before != Some(':') && (open_end || !word(after))
            // The name of a crate is followed by its path.
            && (path.contains("::") || line[at + path.len()..].starts_with("::"))
    })
}

#[test]
fn modules_import_downwards_only() {
    let mut faults = Vec::new();
    for source in files("src", ".rs") {
        let Some(module) = MODULES.iter().find(|module| {
            source.name.starts_with(&format!("src/{}/", module.name))
                || source.name == format!("src/{}.rs", module.name)
        }) else {
            let top = matches!(source.name.as_str(), "src/lib.rs" | "src/main.rs");
            if !top && !source.name.starts_with("src/engine/") {
                faults.push(format!("{}: no rule says what it may import", source.name));
            }
            continue;
        };
        for (number, line) in statements(&source) {
            for name in named(&line, "crate::") {
                if !module.may.contains(&name) {
                    let from = module.name;
                    faults.push(format!(
                        "{}:{number}: `{from}` must not name `{name}`",
                        source.name
                    ));
                }
            }
            for path in module.must_not {
                if names_path(&line, path) {
                    let from = module.name;
                    faults.push(format!(
                        "{}:{number}: `{from}` must not name `{path}`",
                        source.name
                    ));
                }
            }
        }
    }
    none(&faults);
}

#[test]
fn only_one_file_reads_the_clock() {
    let mut faults = Vec::new();
    for source in files("src", ".rs") {
        if source.name == "src/daemon/clock.rs" {
            continue;
        }
        for (number, line) in source.code() {
            for clock in ["SystemTime::now", "Timestamp::now", "Zoned::now"] {
                if line.contains(clock) {
                    faults.push(format!(
                        "{}:{number}: wall time comes from daemon/clock.rs, not from {clock}",
                        source.name
                    ));
                }
            }
        }
    }
    none(&faults);
}

#[test]
fn the_engines_parts_do_not_know_each_other() {
    let mut faults = Vec::new();
    for source in files("src/engine", ".rs") {
        let inside = source.name.trim_start_matches("src/engine/");
        let part = inside.split(['/', '.']).next().unwrap_or_default();
        let Some((_, must_not)) = ENGINE.iter().find(|(name, _)| *name == part) else {
            continue;
        };
        for (number, line) in statements(&source) {
            for name in named(&line, "crate::") {
                if must_not.contains(&name) {
                    faults.push(format!(
                        "{}:{number}: `{part}` must not name `{name}`: gather the fact in the \
                         stage and hand it over in the event",
                        source.name
                    ));
                }
            }
        }
    }
    for (part, _) in ENGINE {
        let known = files("src/engine", ".rs").iter().any(|source| {
            source
                .name
                .trim_start_matches("src/engine/")
                .starts_with(part)
        });
        if !known {
            faults.push(format!(
                "the engine has no `{part}` any more: mend this table"
            ));
        }
    }
    none(&faults);
}

#[test]
fn the_simulated_world_does_not_share_the_judges_code() {
    let mut faults = Vec::new();
    for source in files("simulator/src", ".rs") {
        let binary = source.name.starts_with("simulator/src/bin/");
        for (number, line) in statements(&source) {
            for name in named(&line, "taillamp::") {
                let fine = matches!(name, "engine" | "plan" | "wire")
                    || binary && matches!(name, "cli" | "daemon");
                if !fine {
                    faults.push(format!(
                        "{}:{number}: the world must not name `taillamp::{name}`",
                        source.name
                    ));
                }
            }
            for name in named(&line, "taillamp::engine::") {
                if !WORLD_MAY.contains(&name) {
                    faults.push(format!(
                        "{}:{number}: the world must not name the judge's `{name}`",
                        source.name
                    ));
                }
            }
        }
    }
    none(&faults);
}

#[test]
fn this_reader_sees_what_it_must_see() {
    assert_eq!(
        named("use crate::{a::{b, c}, d, e};", "crate::"),
        ["a", "d", "e"]
    );
    assert_eq!(
        named("let x: crate::daemon::Daemon = mycrate::no();", "crate::"),
        ["daemon"]
    );
    assert!(names_path("use tokio::sync::mpsc;", "tokio"));
    assert!(names_path(
        "let s = std::net::TcpStream::connect(a);",
        "std::net::Tcp"
    ));
    assert!(!names_path("use std::net::SocketAddr;", "std::net::Tcp"));
    assert!(!names_path("let mytokio = 1;", "tokio"));
    assert!(!names_path("use std::time_of_day::X;", "std::time"));
    let source = Source {
        name: String::new(),
        text: "use crate::{\n    a, // why\n    b,\n};\nlet x = \"http://y\";\n#[cfg(test)]\nz"
            .into(),
    };
    let seen = statements(&source);
    assert_eq!(seen[0], (1, "use crate::{ a, b, };".into()));
    assert_eq!(seen[1].1, "let x = \"http://y\";");
    assert_eq!(seen.len(), 2);
}
