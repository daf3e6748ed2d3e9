//! `taillamp calibrate` from outside, on recordings made of a known level and spread.

use std::path::{Path, PathBuf};

use serde_json::Value;
use taillamp::setting_out::run_length::normal_above;

use super::{Chance, refused, taillamp, text};

/// Invented: two blocks, a sequential and a plain detector, a beam, a contact.
const PLAN: &str = r#"# Heron Basin: invented.
[layout]
name = "Heron Basin"
scale = "HO"

[[block]]
id = "quay"
line = "Basin"

[[block]]
id = "shed"

[[join]]
ends = ["quay.b", "shed.a"]

[[feed]]
id = "shed-power"
blocks = ["shed"]

[[detector]]           # the quay
id = "d-quay"
kind = "current"
block = "quay"
on = 9.0               # guessed
off = 8.0              # guessed too

[[detector]]
id = "d-shed"
kind = "current"
block = "shed"
decide = "sequential"
vacant = { mean = 0.1, sd = 0.1 }   # old
occupied = { mean = 1.0, sd = 0.1 }
false_alarm_every_h = 100
sample_hz = 5

[[detector]]
id = "beam"
kind = "optical"
block = "quay"
unit = "%"
on = 20
off = 40

[[detector]]
id = "reed"
kind = "contact"
block = "shed"
"#;

struct Bench {
    _folder: tempfile::TempDir,
    plan: PathBuf,
    recording: PathBuf,
}

/// One message of a recording.
fn line(t: f64, detector: &str, unit: &str, value: &str) -> String {
    let record = format!(r#"[{{"n":"level","u":"{unit}","v":{value}}}]"#);
    let topic = format!("taillamp/detector/{detector}");
    format!("{{\"t\":{t},\"topic\":\"{topic}\",\"payload\":{record}}}\n")
}

/// Sixty seconds vacant, sixty occupied, sixty in which the level climbs, ten samples a second.
fn recording() -> String {
    let mut chance = Chance(5);
    let mut lines = String::new();
    for step in 0..1_800_u32 {
        let t = f64::from(step) / 10.0;
        let occupied = t >= 60.0;
        let climb = (t - 120.0).max(0.0) * 0.1;
        let ma = if occupied { 5.0 } else { 2.0 } + 0.3 * chance.normal() + climb;
        let light = if occupied { 5.0 } else { 90.0 } + chance.normal();
        lines.push_str(&line(t, "d-quay", "A", &(ma / 1_000.0).to_string()));
        lines.push_str(&line(t, "d-shed", "mA", &ma.to_string()));
        lines.push_str(&line(t, "beam", "%", &light.to_string()));
    }
    lines
}

fn bench(recording: &str) -> Bench {
    let folder = tempfile::tempdir().expect("a folder");
    let bench = Bench {
        plan: folder.path().join("basin.toml"),
        recording: folder.path().join("walk.jsonl"),
        _folder: folder,
    };
    std::fs::write(&bench.plan, PLAN).expect("the plan is written");
    std::fs::write(&bench.recording, recording).expect("the recording is written");
    bench
}

fn name(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}

impl Bench {
    fn arguments(&self, more: &[&str]) -> Vec<String> {
        let mut all = vec![
            "calibrate".to_owned(),
            "--plan".to_owned(),
            name(&self.plan),
            "--recording".to_owned(),
            name(&self.recording),
        ];
        all.extend(more.iter().map(|word| (*word).to_owned()));
        all
    }

    fn run(&self, more: &[&str]) -> std::process::Output {
        let all = self.arguments(more);
        taillamp(&all.iter().map(String::as_str).collect::<Vec<_>>())
    }

    fn refused(&self, more: &[&str], words: &str) {
        let all = self.arguments(more);
        let all: Vec<&str> = all.iter().map(String::as_str).collect();
        refused(&all, 1, words);
    }
}

fn number(json: &Value, pointer: &str) -> f64 {
    let found = json.pointer(pointer).and_then(Value::as_f64);
    found.unwrap_or_else(|| panic!("{pointer} in {json}"))
}

const STRETCHES: [&str; 4] = ["--vacant", "0..59.9", "--occupied", "60..119.9"];

fn with<'a>(more: &[&'a str]) -> Vec<&'a str> {
    let mut all = STRETCHES.to_vec();
    all.extend(more);
    all
}

/// The keys of the contract, section 2; the promise is the tail of the normal distribution.
#[test]
fn levels_come_back_and_the_promise_follows_from_them() {
    let bench = bench(&recording());
    let output = bench.run(&with(&["--json", "--detector", "d-quay"]));
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let found: Value = serde_json::from_slice(&output.stdout).expect("one object");
    assert_eq!(found["detector"], "d-quay");
    for (stretch, mean) in [("vacant", 2.0), ("occupied", 5.0)] {
        assert!((number(&found, &format!("/{stretch}/mean")) - mean).abs() < 0.06);
        assert!((number(&found, &format!("/{stretch}/sd")) - 0.3).abs() < 0.04);
        assert_eq!(found[stretch]["samples"], 600);
    }
    let (on, off) = (number(&found, "/on"), number(&found, "/off"));
    assert!(
        (on - 3.5).abs() < 0.15 && (2.2..on).contains(&off),
        "{found}"
    );
    assert!((number(&found, "/sample_hz") - 10.0).abs() < 0.01);
    let away = (on - number(&found, "/vacant/mean")) / number(&found, "/vacant/sd");
    let every_h = 1.0 / normal_above(away) / 10.0 / 3_600.0;
    let said = number(&found, "/false_alarm_every_h");
    assert!((said / every_h - 1.0).abs() < 1e-6, "{said} {every_h}");
    assert!(number(&found, "/margin_sd") > 4.0 && number(&found, "/delay_s") < 0.2);
}

#[test]
fn several_detectors_are_one_object_a_line() {
    let bench = bench(&recording());
    let output = bench.run(&with(&[
        "--json",
        "--detector",
        "d-shed",
        "--detector",
        "beam",
    ]));
    let lines: Vec<Value> = text(&output.stdout)
        .lines()
        .map(|line| serde_json::from_str(line).expect("one object a line"))
        .collect();
    let [shed, beam] = lines.as_slice() else {
        panic!("two lines: {lines:?}");
    };
    // The plan has the sequential test on the shed, and wants 100 h.
    assert_eq!(shed["decide"], "sequential");
    assert!(number(shed, "/false_alarm_every_h") >= 99.0, "{shed}");
    assert!(number(shed, "/delay_s") < 1.0, "{shed}");
    // Light is cut off by a vehicle.
    assert!(number(beam, "/on") < number(beam, "/off"), "{beam}");
}

#[test]
fn writing_keeps_comments_and_order() {
    let bench = bench(&recording());
    let output = bench.run(&with(&[
        "--write",
        "--detector",
        "d-quay",
        "--detector",
        "d-shed",
    ]));
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let plan = std::fs::read_to_string(&bench.plan).expect("it is there");
    let (before, after): (Vec<&str>, Vec<&str>) = (PLAN.lines().collect(), plan.lines().collect());
    assert_eq!(before.len(), after.len());
    let changed: Vec<&str> = before
        .iter()
        .zip(&after)
        .filter(|(before, after)| before != after)
        .map(|(_, after)| *after)
        .collect();
    assert_eq!(changed.len(), 5, "{changed:?}");
    for (line, (starts, ends)) in changed.iter().zip([
        ("on = 3.", "# guessed"),
        ("off = 2.", "# guessed too"),
        ("vacant = { mean = ", "# old"),
        ("occupied = { mean = ", "}"),
        ("sample_hz = 10", ""),
    ]) {
        assert!(line.starts_with(starts) && line.ends_with(ends), "{line}");
    }
    let check = taillamp(&["check", "--plan", &name(&bench.plan)]);
    assert_eq!(check.status.code(), Some(0), "{}", text(&check.stdout));
}

#[test]
fn a_page_and_text_have_a_histogram() {
    let bench = bench(&recording());
    let page = bench.plan.with_file_name("page.html");
    let output = bench.run(&with(&["--detector", "d-quay", "-o", &name(&page)]));
    let said = text(&output.stdout);
    assert!(said.contains("< on 3.") && said.contains("###"), "{said}");
    let page = std::fs::read_to_string(page).expect("it was written");
    assert!(page.contains("<svg") && page.contains("Heron Basin") && !page.contains("src="));
}

#[test]
fn what_is_no_good_is_refused_in_one_line() {
    let bench = bench(&recording());
    let quay = ["--detector", "d-quay"];
    let stretches = |vacant, occupied| {
        [
            quay.as_slice(),
            &["--vacant", vacant, "--occupied", occupied],
        ]
        .concat()
    };
    bench.refused(&stretches("0..70", "60..119"), "overlap");
    bench.refused(&stretches("0..59", "60..900"), "outside the recording");
    bench.refused(&stretches("60..119", "0..59"), "exchanged");
    bench.refused(&stretches("0..2", "60..119"), "vacant: only 21 samples");
    bench.refused(
        &stretches("0..59", "120..179"),
        "occupied: the level drifts",
    );
    bench.refused(&stretches("20..119", "120..130"), "two levels");
    bench.refused(&with(&["--detector", "d-qay"]), "did you mean `d-quay`?");
    bench.refused(&with(&["--detector", "reed"]), "contact");
    let output = bench.run(&[
        "--detector",
        "d-quay",
        "--vacant",
        "9",
        "--occupied",
        "60..70",
    ]);
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn a_level_without_spread_and_a_value_that_is_none_are_refused() {
    let line = |t: f64, value: &str| line(t, "d-quay", "mA", value);
    let constant: String = (0..100).map(|step| line(f64::from(step), "2.5")).collect();
    let stretches = [
        "--detector",
        "d-quay",
        "--vacant",
        "0..49",
        "--occupied",
        "50..99",
    ];
    bench(&constant).refused(&stretches, "every sample is 2.5");
    bench("").refused(&stretches, "the recording is empty");
    let mut broken = constant;
    broken.push_str(&line(99.0, "\"NaN\""));
    bench(&broken).refused(&stretches, "walk.jsonl:101: taillamp/detector/d-quay");
}

#[test]
fn dead_track_calibrates_nothing() {
    let payload = r#"[{"n":"feed","vb":false}]"#;
    let off = format!("{{\"t\":0,\"topic\":\"taillamp/feed/shed-power\",\"payload\":{payload}}}\n");
    let bench = bench(&format!("{off}{}", recording()));
    bench.refused(&with(&["--detector", "d-shed"]), "power was off");
    let quay = bench.run(&with(&["--detector", "d-quay"]));
    assert_eq!(quay.status.code(), Some(0));
}

#[test]
fn parts_of_time_belong_to_a_recording_and_seconds_to_live_messages() {
    let bench = bench("");
    let plan = name(&bench.plan);
    let recording = name(&bench.recording);
    let live = ["calibrate", "--plan", &plan, "--detector", "d-quay"];
    let parts = [&live[..], &["--vacant", "0..10", "--occupied", "20..30"]].concat();
    refused(&parts, 2, "belong to a recording");
    let seconds = [
        "--recording",
        &recording,
        "--vacant",
        "9",
        "--occupied",
        "9",
    ];
    refused(&[&live[..], &seconds].concat(), 2, "belong to a recording");
    refused(&[&live[..], &["--loco-ma", "NaN"]].concat(), 2, "as 50");
    for wrong in ["0", "-3", "NaN", "1e9", "soon"] {
        let wrong = [&live[..], &["--vacant", wrong, "--occupied", "9"]].concat();
        refused(&wrong, 2, "error:");
    }
}

/// Ohm's law for the axle (12 V over 10 kOhm are 1.2 mA); with the vacant level and the spread as
/// measured the plain threshold sees what lies far above it in one sample, and a car below it
/// never.
#[test]
fn delays_are_predicted_for_vehicles_that_were_not_measured() {
    let bench = bench(&recording());
    let output = bench.run(&with(&["--json", "--detector", "d-quay"]));
    let found: Value = serde_json::from_slice(&output.stdout).expect("one object");
    let delays = found["delays"].as_array().expect("a list");
    let of = |vehicle: &str| {
        let found = delays.iter().find(|delay| delay["vehicle"] == vehicle);
        found
            .unwrap_or_else(|| panic!("{vehicle} in {delays:?}"))
            .clone()
    };
    let (loco, car, axle) = (of("locomotive"), of("lit car"), of("one resistor axle"));
    assert_eq!(axle["draws_ma"].as_f64(), Some(1.2));
    for vehicle in [&loco, &car] {
        let seconds = vehicle["threshold_s"].as_f64().expect("it is seen");
        assert!((seconds - 0.1).abs() < 0.001, "{vehicle}");
        let seconds = vehicle["sequential_s"].as_f64().expect("it is seen");
        assert!(seconds < 0.31, "{vehicle}");
    }
    // 2.0 + 1.2 mA stand 1 spread below a threshold of 3.5: one sample in six or so.
    let seconds = axle["threshold_s"].as_f64().expect("it is seen at last");
    let on = number(&found, "/on");
    let level = number(&found, "/vacant/mean") + 1.2;
    let expected = 0.1 / normal_above((on - level) / number(&found, "/occupied/sd"));
    assert!((seconds / expected - 1.0).abs() < 1e-6, "{axle} {expected}");
    // Half way up is 3.5 mA: below it the sum grows by chance alone, and later the lower it is.
    let seconds = axle["sequential_s"].as_f64();
    assert!(seconds.is_none_or(|seconds| seconds > 5.0), "{axle}");
    let dim = ["--detector", "d-quay", "--lit-car-ma", "0.3"];
    let said = text(&bench.run(&with(&dim)).stdout);
    assert!(
        said.contains("one resistor axle") && said.contains("not seen"),
        "{said}"
    );
}

#[test]
fn a_plan_is_changed_to_the_sequential_test_where_that_is_said() {
    let bench = bench(&recording());
    let output = bench.run(&with(&["--write", "--sequential", "--detector", "d-quay"]));
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let plan = std::fs::read_to_string(&bench.plan).expect("it is there");
    let quay = plan.split("[[detector]]").nth(1).expect("the quay's");
    for line in [
        "decide = \"sequential\"",
        "vacant = { mean = ",
        "sample_hz = 10.0",
    ] {
        assert!(quay.contains(line), "{line} in {quay}");
    }
    assert!(plan.contains("# guessed too") && plan.contains("# the quay"));
    let check = taillamp(&["check", "--plan", &name(&bench.plan)]);
    assert_eq!(check.status.code(), Some(0), "{}", text(&check.stdout));
}

#[test]
fn a_bad_line_is_named_and_keeps_the_plan_as_it_is() {
    let bench = bench(&format!("{}nonsense\n", recording()));
    let output = bench.run(&with(&["--write", "--detector", "d-quay"]));
    assert_eq!(output.status.code(), Some(1));
    assert!(
        text(&output.stderr).contains("walk.jsonl:5401:"),
        "{}",
        text(&output.stderr)
    );
    let plan = std::fs::read_to_string(&bench.plan).expect("it is there");
    assert_eq!(plan, PLAN);
}
