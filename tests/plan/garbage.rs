//! Whatever is written, `load` answers: a plan, or findings whose places are in the file.

use proptest::prelude::*;
use taillamp::plan::{self, Level};

/// Loads, and checks what holds for every answer.
fn load(text: &str) {
    let (plan, findings) = plan::load(text, "p.toml");
    let wrong = findings.iter().any(|finding| finding.level == Level::Error);
    assert_eq!(plan.is_none(), wrong, "{findings:?}");
    let lines = text.split('\n').count();
    for pair in findings.windows(2) {
        assert!((pair[0].line, pair[0].column) <= (pair[1].line, pair[1].column));
    }
    for finding in &findings {
        assert!((1..=lines).contains(&finding.line), "{finding:?}");
        assert!(finding.column >= 1 && !finding.message.is_empty() && !finding.cure.is_empty());
        assert!(!finding.message.contains('\n'), "{finding:?}");
    }
}

/// A plan of the project, with some of its lines moved, lost, doubled or cut, and some words
/// changed.
fn mutated() -> impl Strategy<Value = String> {
    let texts: Vec<String> = super::plans(".toml")
        .iter()
        .map(|path| super::read(path))
        .collect();
    let edit = (
        0..7_u8,
        any::<prop::sample::Index>(),
        any::<prop::sample::Index>(),
    );
    let edits = prop::collection::vec(edit, 0..8);
    (prop::sample::select(texts), edits).prop_map(|(text, edits)| {
        let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
        for (what, first, second) in edits {
            let (at, other) = (first.index(lines.len()), second.index(lines.len()));
            match what {
                0 => lines.swap(at, other),
                1 => lines[at].clear(),
                2 => {
                    let line = lines[other].clone();
                    lines.insert(at, line);
                }
                3 => {
                    let end = floor(&lines[at], second.index(40));
                    lines[at].truncate(end);
                }
                4 => lines[at] = lines[at].replace("_s", "_ms").replace(".a", ".b"),
                5 => lines[at] = value(&lines[at], second.index(VALUES.len())),
                _ => {
                    let value = value(&lines[other], first.index(VALUES.len()));
                    lines.insert(at, value);
                }
            }
        }
        lines.join("\n")
    })
}

/// Headers and keys, with or without sense.
const TOML_LIKE: &str = "(\\[\\[?[a-z.]{1,8}\\]\\]?\n|\
     [a-z_]{1,9} = [0-9\"a-z.\\[\\]{}, -]{0,12}\n){0,12}";

const VALUES: &[&str] = &[
    "0",
    "-1",
    "nan",
    "inf",
    "1e300",
    "\"\"",
    "\"a\"",
    "[]",
    "{}",
    "true",
    "[[]]",
    "1979-05-27",
    "9223372036854775807",
    "\"\\u0000\"",
    "[\"x.a\", \"x.a\"]",
    "{ a = { b = 1 } }",
    "\"b1.b\"",
];

fn value(line: &str, which: usize) -> String {
    let key = line.split('=').next().unwrap_or_default();
    format!("{key}= {}", VALUES[which])
}

fn floor(line: &str, at: usize) -> usize {
    (0..=at.min(line.len()))
        .rev()
        .find(|at| line.is_char_boundary(*at))
        .unwrap_or(0)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

    #[test]
    fn a_mutated_plan_is_answered(text in mutated()) {
        load(&text);
    }

    #[test]
    fn any_text_is_answered(text in "\\PC*") {
        load(&text);
    }

    #[test]
    fn any_toml_like_text_is_answered(text in TOML_LIKE) {
        load(&text);
    }
}

#[test]
fn deep_nesting_is_refused_and_does_not_overflow() {
    let deep = "[".repeat(100_000);
    load(&format!("x = {deep}"));
    load(&format!("[{}]", vec!["a"; 100_000].join(".")));
    load(&format!("x = {}", "{ a = ".repeat(50_000)));
}

#[test]
fn a_ring_of_two_thousand_blocks_is_read_in_no_time() {
    let mut text = String::from("[layout]\nname = \"Great Ring\"\nscale = \"N\"\n");
    for index in 0..2_000 {
        let next = (index + 1) % 2_000;
        text += &format!(
            "[[block]]\nid = \"b{index}\"\n[[join]]\nends = [\"b{index}.b\", \"b{next}.a\"]\n\
             [[detector]]\nid = \"d{index}\"\nkind = \"current\"\nblock = \"b{index}\"\non = 3\n\
             off = 1\n"
        );
    }
    let (plan, findings) = plan::load(&text, "p.toml");
    assert!(findings.is_empty(), "{findings:?}");
    assert_eq!(plan.map(|plan| plan.layout.joins.len()), Some(2_000));
}
