//! `taillamp check` says where one equipped car would stand unseen: the arithmetic of `set-out`.

use std::path::PathBuf;

use serde_json::Value;

use super::{taillamp, text};

/// Invented: one block with a threshold, one with the sequential test.
const PLAN: &str = r#"[layout]
name = "Heron Basin"
scale = "HO"

[trains]
equipped = "all"
TRAINS

[[block]]
id = "quay"

[[block]]
id = "shed"

[[join]]
ends = ["quay.b", "shed.a"]

[[detector]]
id = "d-quay"
kind = "current"
block = "quay"
on = ON
off = 0.5

[[detector]]
id = "d-shed"
kind = "current"
block = "shed"
decide = "sequential"
vacant = { mean = 0.3, sd = 0.1 }
occupied = { mean = HIGH, sd = 0.1 }
"#;

/// The findings of a plan, by detector, code and line.
fn findings(trains: &str, on: &str, high: &str) -> Vec<(String, String, u64)> {
    let folder = tempfile::tempdir().expect("a folder");
    let path: PathBuf = folder.path().join("basin.toml");
    let plan = PLAN
        .replace("TRAINS", trains)
        .replace("ON", on)
        .replace("HIGH", high);
    std::fs::write(&path, plan).expect("a file");
    let name = path.to_string_lossy();
    let output = taillamp(&["check", "--json", "--plan", &name]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stdout));
    let found: Value = serde_json::from_slice(&output.stdout).expect("it is JSON");
    let all = found["findings"].as_array().expect("a list");
    all.iter()
        .map(|finding| {
            let word = |key: &str| finding[key].as_str().expect("a word").to_owned();
            let message = word("message");
            assert!(!word("cure").is_empty() && word("level") == "warning");
            let detector = message.split('`').nth(1).expect("a name").to_owned();
            let line = finding["line"].as_u64().expect("a line");
            (detector, word("code"), line)
        })
        .collect()
}

/// 12 V over 10 kOhm draw 1.2 mA an axle, 14 V over 5 kOhm 2.8 mA (Ohm's law, check-values 2.5);
/// a car has two such axles unless the plan says otherwise.
#[test]
fn a_threshold_that_one_car_does_not_reach_is_named() {
    let blind = |detector: &str, line| {
        let code = "blind-to-one-car".to_owned();
        (detector.to_owned(), code, line)
    };
    assert_eq!(findings("", "2.4", "3.0"), []);
    assert_eq!(findings("", "2.5", "3.0"), [blind("d-quay", 22)]);
    // Half way between 0.3 and 5.3 mA is 2.5 mA above the vacant level.
    assert_eq!(findings("", "2.4", "5.3"), [blind("d-shed", 31)]);
    assert_eq!(
        findings("wheelsets_per_car = 1", "1.3", "3.0"),
        [blind("d-quay", 22), blind("d-shed", 31)]
    );
    let strong = "wheelset_ohms = 5000\ntrack_volts = 14";
    assert_eq!(findings(strong, "5.6", "5.3"), []);
    assert_eq!(findings(strong, "5.7", "5.3"), [blind("d-quay", 23)]);
}

#[test]
fn a_track_that_is_none_is_said_and_cars_without_resistors_are_not_looked_for() {
    let found = findings("track_volts = 1200", "2.4", "3.0");
    assert!(found.iter().all(|(_, code, _)| code == "wheelset-range") && found.len() == 2);
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("basin.toml");
    let plan = PLAN
        .replace("TRAINS", "")
        .replace("ON", "50")
        .replace("HIGH", "9");
    std::fs::write(&path, plan.replace("\"all\"", "\"none\"")).expect("a file");
    let output = taillamp(&["check", "--plan", &path.to_string_lossy()]);
    assert!(
        text(&output.stdout).ends_with(": fine\n"),
        "{}",
        text(&output.stdout)
    );
}
