//! `taillamp check` and `taillamp schema` from outside: what they print and how they end.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn taillamp(arguments: &[&str]) -> Output {
    let program = env!("CARGO_BIN_EXE_taillamp");
    Command::new(program)
        .args(arguments)
        .output()
        .expect("the program was built for this test")
}

fn plan(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/plans")
        .join(name)
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn check_ends_by_the_worst_finding() {
    for (name, code) in [
        ("four-blocks.good.toml", 0),
        ("unwise.warn.bad.toml", 0),
        ("ends.bad.toml", 1),
        ("syntax.bad.toml", 1),
    ] {
        let path = plan(name);
        let path = path.to_string_lossy();
        let output = taillamp(&["check", "--plan", &path]);
        assert_eq!(output.status.code(), Some(code), "{name}");
        assert_eq!(text(&output.stderr), "", "{name}");
        let first = text(&output.stdout);
        assert!(first.starts_with(path.as_ref()), "{name}: {first}");
    }
}

#[test]
fn check_prints_json() {
    let path = plan("ends.bad.toml");
    let output = taillamp(&["check", "--json", "--plan", &path.to_string_lossy()]);
    assert_eq!(output.status.code(), Some(1));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).expect("it is JSON");
    let findings = json["findings"].as_array().expect("`findings` is a list");
    let twice = findings
        .iter()
        .find(|finding| finding["code"] == "end-twice");
    let twice = twice.expect("an end is joined twice in that plan");
    // The keys of the contract, section 2.
    let mut keys: Vec<&str> = twice
        .as_object()
        .into_iter()
        .flatten()
        .map(|(key, _)| key.as_str())
        .collect();
    keys.sort_unstable();
    assert_eq!(
        keys,
        ["code", "column", "cure", "file", "level", "line", "message"]
    );
    assert_eq!(
        (twice["level"].as_str(), twice["line"].as_u64()),
        (Some("error"), Some(19))
    );
}

#[test]
fn a_missing_plan_is_one_clear_line() {
    let output = taillamp(&["check", "--plan", "no-such-plan.toml"]);
    assert_eq!(output.status.code(), Some(1));
    let error = text(&output.stderr);
    assert_eq!(error.lines().count(), 1, "{error}");
    assert!(
        error.starts_with("no-such-plan.toml: the plan cannot be read"),
        "{error}"
    );
    assert_eq!(text(&output.stdout), "");
}

#[test]
fn no_plan_is_wrong_usage() {
    assert_eq!(taillamp(&["check"]).status.code(), Some(2));
}

#[test]
fn the_committed_schema_is_what_the_program_prints() {
    let output = taillamp(&["schema"]);
    assert_eq!(output.status.code(), Some(0));
    let committed = plan("plan.schema.json");
    if std::env::var_os("TAILLAMP_BLESS").is_some() {
        std::fs::write(&committed, &output.stdout).expect("the folder can be written");
    }
    let committed = std::fs::read_to_string(committed).expect("it is part of the project");
    assert_eq!(text(&output.stdout), committed);
}

/// DEVELOPERS.md: every number in parentheses is the default of a key.
const PUBLISHED: &[(&str, f64)] = &[
    ("confirm_ms", 0.0),
    ("max_silence_s", 10.0),
    ("node_settle_s", 2.0),
    ("relearn_s", 3.0),
    ("stuck_h", 2.0),
    ("noisy_per_h", 30.0),
    ("release_s", 1.5),
    ("lost_s", 5.0),
    ("coast_s", 10.0),
    ("settle_s", 0.5),
    ("trip_ms", 300.0),
    ("bridge_ms", 500.0),
    ("see_volts", 2.0),
    ("move_s", 4.0),
    ("position_confirm_ms", 150.0),
    ("clear_s", 5.0),
    ("restore_s", 10.0),
    ("awaiting_s", 120.0),
    ("agree_s", 3.0),
    ("look_ahead_s", 20.0),
    ("in_charge_minutes", 15.0),
    ("boot_s", 60.0),
    ("fiddle_s", 30.0),
    ("part_s", 5.0),
    ("yard_speed_kmh", 30.0),
    ("idle_feed_s", 300.0),
    ("false_alarm_every_h", 720.0),
    ("sample_hz", 10.0),
];

#[test]
fn every_published_default_is_a_key_with_that_value() {
    let schema: serde_json::Value =
        serde_json::from_slice(&taillamp(&["schema"]).stdout).expect("the schema is JSON");
    let keys = schema["properties"]["defaults"]["properties"].as_object();
    let keys = keys.expect("the schema has [defaults]");
    for (key, value) in PUBLISHED {
        assert_eq!(keys[*key]["default"].as_f64(), Some(*value), "{key}");
    }
    assert_eq!(keys.len(), PUBLISHED.len(), "a default that no page names");
}
