//! The entry of every test: a plan, a story and what must come of it.

use std::fmt::Write as _;

use serde_json::Value;

use crate::expected;
use crate::recording;
use crate::replay::{Output, replay};

/// Plays the story on the plan and holds the result against what is expected.
///
/// A story of detectors that report changes only is played a second time with detectors that say
/// the same twice a second: what a place is must not depend on how often it is said.
///
/// # Panics
/// Where something expected did not happen, or something forbidden did: with the whole story, what
/// the program said, and the expectations that were not met.
#[track_caller]
pub fn check(plan: &str, story: &str, expected: &str) {
    let output = replay(plan, &recording::write(plan, story), None);
    judge(plan, story, expected, &output);
    if let Some((plan, story)) = sampled(plan, story) {
        let output = replay(&plan, &recording::write(&plan, &story), None);
        judge(&plan, &story, expected, &output);
    }
}

/// The same plan and story with samples twice a second, where that is the same story: not where it
/// is about samples, about lines of the recording, or so long that it would say nothing new.
fn sampled(plan: &str, story: &str) -> Option<(String, String)> {
    let about_samples = ["keep ", "every ", "hush ", "retained ", "raw ", "line "];
    let last = story.lines().rfind(|line| !line.trim().is_empty())?.trim();
    let end: f64 = last.split([' ', ';']).next()?.parse().ok()?;
    let changes_only = "max_silence_s = 0\n";
    if end > 250.0
        || !plan.contains(changes_only)
        || about_samples.iter().any(|word| story.contains(word))
    {
        return None;
    }
    Some((plan.replace(changes_only, ""), format!("keep 0.5\n{story}")))
}

/// As [`check`], with time running on to `until` after the last line of the story.
#[track_caller]
pub fn check_until(plan: &str, story: &str, until: &str, expected: &str) {
    let output = replay(plan, &recording::write(plan, story), Some(until));
    judge(plan, story, expected, &output);
}

/// A power cut: plays the first story, takes the snapshot at its end as what is remembered, and
/// plays the second story, whose time starts anew, from there. Only the second is held against
/// `expected`.
#[track_caller]
pub fn check_power_cut(plan: &str, before: &str, after: &str, expected: &str) {
    let first = replay(plan, &recording::write(plan, before), None);
    assert!(
        first.broken.is_empty() && first.exit == 0,
        "the story before the power cut did not run: {:?}\n{}\n{before}\n{}",
        first.broken,
        first.errors,
        told(&first)
    );
    let after = format!("memory {}\n{after}", first.end);
    let output = replay(plan, &recording::write(plan, &after), None);
    judge(
        plan,
        &format!("{before}\n--- power cut ---\n{after}"),
        expected,
        &output,
    );
}

/// The bytes of one replay, for comparing two.
pub fn bytes(plan: &str, story: &str) -> Vec<u8> {
    replay(plan, &recording::write(plan, story), None).bytes
}

#[track_caller]
fn judge(plan: &str, story: &str, expected: &str, output: &Output) {
    let mut unmet = output.broken.clone();
    unmet.extend(expected::unmet(expected, output));
    if unmet.is_empty() {
        return;
    }
    let mut report = String::from("\n=== plan ===\n");
    report.push_str(plan.trim());
    let _ = write!(report, "\n=== story ===\n{}", trimmed(story));
    let _ = write!(report, "\n=== what the program said ===\n{}", told(output));
    if !output.errors.is_empty() {
        let _ = write!(report, "=== standard error ===\n{}", output.errors);
    }
    let _ = write!(report, "=== expected ===\n{}", trimmed(expected));
    let _ = write!(report, "\n=== not met ===\n{}\n", unmet.join("\n"));
    panic!("{report}");
}

fn trimmed(text: &str) -> String {
    text.lines()
        .map(str::trim)
        .filter(|line| !line.is_empty())
        .collect::<Vec<_>>()
        .join("\n")
}

/// The output, one short line a change.
fn told(output: &Output) -> String {
    let mut text = String::new();
    for change in &output.changes {
        let time = change["t"].as_f64().unwrap_or(-1.0);
        let _ = write!(text, "{time:9.3} ");
        if let Value::Object(keys) = change {
            for (key, value) in keys.iter().filter(|(key, _)| *key != "t") {
                let _ = match key.as_str() {
                    "kind" | "id" => write!(text, "{} ", expected::word(value)),
                    _ => write!(text, "{key}={} ", expected::word(value)),
                };
            }
        }
        text.push('\n');
    }
    for kind in ["blocks", "turnouts", "trains", "alarms"] {
        let _ = writeln!(text, "end {kind} {}", output.end[kind]);
    }
    let _ = writeln!(text, "exit {}", output.exit);
    text
}
