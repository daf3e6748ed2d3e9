//! The same frames through `motmetrics` (PyPI), a reference implementation of the measures.
//!
//! It must be installed, so this runs only where the environment says `TAILLAMP_FOREIGN=1`, and
//! says so where it does not. `TAILLAMP_PYTHON` names a Python that has it (`python3`).

use std::io::Write as _;
use std::process::{Command, Stdio};

use serde_json::{Value, json};

use crate::mot::Places;
use crate::scenario::Played;

fn listed(items: &[(u32, Places)]) -> Value {
    let items = items.iter().map(|(id, places)| json!([id, places]));
    Value::Array(items.collect())
}

pub fn compare(played: &[Played]) {
    if std::env::var_os("TAILLAMP_FOREIGN").is_none_or(|word| word != "1") {
        println!("not compared with motmetrics: TAILLAMP_FOREIGN=1 asks for it");
        return;
    }
    let python = std::env::var("TAILLAMP_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/scoring/motmetrics_check.py"
    );
    let mut child = Command::new(python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python can be run");
    let mut lines = String::new();
    for one in played {
        let frames = one.frames.iter();
        let frames = frames.map(|frame| json!([listed(&frame.truth), listed(&frame.tracks)]));
        lines.push_str(&json!({ "frames": frames.collect::<Vec<_>>() }).to_string());
        lines.push('\n');
    }
    let mut input = child.stdin.take().expect("it is piped");
    let writer = std::thread::spawn(move || input.write_all(lines.as_bytes()));
    let output = child.wait_with_output().expect("it ends");
    writer
        .join()
        .expect("it was written")
        .expect("it was taken");
    assert!(output.status.success(), "motmetrics did not run");
    let told = String::from_utf8_lossy(&output.stdout);
    let rows: Vec<Value> = told
        .lines()
        .map(|line| serde_json::from_str(line).expect("it is JSON"))
        .collect();
    assert_eq!(rows.len(), played.len(), "{told}");
    for (row, one) in rows.iter().zip(played) {
        let theirs = |name: &str| row[name].as_f64().unwrap_or(f64::NAN);
        let ours = &one.engine;
        assert!(
            (theirs("idf1") - ours.idf1()).abs() < 1e-9,
            "{:?}: {row} {ours:?}",
            one.case
        );
        assert!(
            (theirs("mota") - ours.mota()).abs() < 1e-9,
            "{:?}: {row} {ours:?}",
            one.case
        );
        for (name, count) in [
            ("num_switches", ours.switches),
            ("num_misses", ours.misses),
            ("num_false_positives", ours.false_positives),
            ("num_objects", ours.objects),
        ] {
            assert_eq!(
                theirs(name) as u64,
                count,
                "{:?}: {name} {row} {ours:?}",
                one.case
            );
        }
    }
    println!(
        "{} evenings: the same figures from motmetrics",
        played.len()
    );
}
