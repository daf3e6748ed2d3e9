//! Runs the built program on a plan and a recording, and reads what it says.
//!
//! Beside handing on the output it holds what the contract (section 6) promises of every replay:
//! JSON lines in order of time, three decimals in every `t`, words that exist, each change
//! starting from the state that the one before it ended in, and an `end` line last.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::sync::atomic::{AtomicUsize, Ordering};

use serde_json::Value;

/// What one replay gave.
pub struct Output {
    /// One value a change, in order.
    pub changes: Vec<Value>,
    /// The snapshot at the end.
    pub end: Value,
    /// The bytes of standard output.
    pub bytes: Vec<u8>,
    /// Standard error.
    pub errors: String,
    /// The exit code.
    pub exit: i32,
    /// Promises of the contract that the output breaks.
    pub broken: Vec<String>,
}

static RUNS: AtomicUsize = AtomicUsize::new(0);

fn scratch(name: &str) -> PathBuf {
    let run = RUNS.fetch_add(1, Ordering::Relaxed);
    let directory = PathBuf::from(env!("CARGO_TARGET_TMPDIR"));
    directory.join(format!("rules_{}_{run}_{name}", std::process::id()))
}

/// Replays a recording, as far as `until` where that is given.
///
/// # Panics
/// Where the program cannot be started at all.
pub fn replay(plan: &str, recording: &str, until: Option<&str>) -> Output {
    let (plan_file, recording_file) = (scratch("plan.toml"), scratch("story.jsonl"));
    fs::write(&plan_file, plan).expect("the test's own directory can be written");
    fs::write(&recording_file, recording).expect("the test's own directory can be written");
    let mut command = Command::new(env!("CARGO_BIN_EXE_taillamp"));
    command
        .arg("replay")
        .arg("--plan")
        .arg(&plan_file)
        .arg(&recording_file);
    if let Some(until) = until {
        command.arg("--until").arg(until);
    }
    let ran = command.output().expect("the built program can be started");
    // A file that stays behind does no harm; the next build's clean takes it.
    let _ = fs::remove_file(plan_file);
    let _ = fs::remove_file(recording_file);
    read(&ran.stdout, &ran.stderr, ran.status.code().unwrap_or(-1))
}

fn read(stdout: &[u8], stderr: &[u8], exit: i32) -> Output {
    let text = String::from_utf8_lossy(stdout);
    let mut broken = Vec::new();
    let mut changes = Vec::new();
    for (number, line) in text.lines().enumerate() {
        match serde_json::from_str::<Value>(line) {
            Ok(value) => {
                if !three_decimals(line) {
                    broken.push(format!("line {}: `t` has not three decimals", number + 1));
                }
                changes.push(value);
            }
            Err(error) => broken.push(format!("line {} is not JSON: {error}", number + 1)),
        }
    }
    let end = match changes.pop() {
        Some(last) if last["kind"] == "end" => last["snapshot"].clone(),
        Some(last) => {
            changes.push(last);
            broken.push("the last line is not the end".to_owned());
            Value::Null
        }
        None => {
            broken.push("no output".to_owned());
            Value::Null
        }
    };
    broken.extend(promises(&changes));
    Output {
        changes,
        end,
        bytes: stdout.to_vec(),
        errors: String::from_utf8_lossy(stderr).into_owned(),
        exit,
        broken,
    }
}

fn three_decimals(line: &str) -> bool {
    let Some(rest) = line.strip_prefix("{\"t\":") else {
        return false;
    };
    let number = rest.split(',').next().unwrap_or("");
    number
        .split_once('.')
        .is_some_and(|(_, part)| part.len() == 3)
}

/// The words that a state may be, by kind (the contract, section 6, and DEVELOPERS.md).
fn words(kind: &str) -> &'static [&'static str] {
    match kind {
        "block" => &["unknown", "vacant", "occupied", "dark", "lost"],
        "turnout" => &[
            "free",
            "awaiting",
            "cleared",
            "left-diverging",
            "fouled",
            "unknown",
        ],
        "table" => &["free", "fouled", "unknown"],
        "alarm" => &[
            "normal",
            "unacknowledged",
            "acknowledged",
            "returned-unacknowledged",
            "latched-unacknowledged",
            "latched-acknowledged",
            "shelved",
            "suppressed",
            "out-of-service",
        ],
        "detector" => &[
            "ok",
            "silent",
            "implausible",
            "stuck",
            "noisy",
            "drifting",
            "disagreeing",
            "coupled",
            "out-of-service",
        ],
        "train" => &[
            "new",
            "entered",
            "vacated",
            "turned-back",
            "coupled",
            "parted",
            "lost",
            "found",
            "gone",
        ],
        _ => &[],
    }
}

/// The key of a change that says what became of its item.
pub fn state_key(kind: &str) -> &'static str {
    match kind {
        "detector" => "health",
        "train" => "event",
        _ => "state",
    }
}

fn promises(changes: &[Value]) -> Vec<String> {
    let mut broken = Vec::new();
    let mut last_time = 0.0;
    let mut states: BTreeMap<(String, String), String> = BTreeMap::new();
    for change in changes {
        let Some(time) = change["t"].as_f64() else {
            broken.push(format!("no time: {change}"));
            continue;
        };
        if time < last_time {
            broken.push(format!("time goes back: {change}"));
        }
        last_time = time;
        let kind = change["kind"].as_str().unwrap_or("");
        if kind == "feed" {
            continue;
        }
        let state = change[state_key(kind)].as_str().unwrap_or("");
        if !words(kind).contains(&state) {
            broken.push(format!("no such kind or state: {change}"));
        }
        if kind == "train" {
            continue;
        }
        let key = (
            kind.to_owned(),
            change["id"].as_str().unwrap_or("").to_owned(),
        );
        let was = change["was"].as_str().unwrap_or("");
        if let Some(before) = states.insert(key, state.to_owned())
            && before != was
        {
            broken.push(format!("was {before}, not what this says: {change}"));
        }
    }
    broken
}
