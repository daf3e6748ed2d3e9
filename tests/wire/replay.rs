//! `taillamp replay` from outside: output, messages, exit codes.

use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

/// Runs `taillamp replay` on the test's plan with a recording on standard input.
fn replay(recording: &str, options: &[&str]) -> Output {
    replay_plan("harbour.toml", recording, options)
}

fn replay_plan(plan: &str, recording: &str, options: &[&str]) -> Output {
    let plan = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/wire")
        .join(plan);
    let mut child = Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .arg("replay")
        .arg("--plan")
        .arg(plan)
        .arg("-")
        .args(options)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut input = child.stdin.take().expect("standard input is a pipe");
    // The program may end before it has read everything, as it does on a bad plan.
    let _ = input.write_all(recording.as_bytes());
    drop(input);
    child.wait_with_output().expect("the program ends")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

fn end(output: &Output) -> serde_json::Value {
    let out = text(&output.stdout);
    let last = out.lines().last().expect("there is a last line");
    serde_json::from_str(last).expect("the last line is JSON")
}

#[test]
fn the_last_line_is_the_end() {
    let recording = "{\"t\":1.5}\n{\"t\":2.25}\n";
    let output = replay(recording, &[]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert!(text(&output.stdout).contains(r#"{"t":2.250,"kind":"end","snapshot":{"at":2.250,"#));
    assert_eq!(end(&output)["snapshot"]["layout"]["name"], "Harbour Street");
    let output = replay(recording, &["--until", "7"]);
    assert_eq!(end(&output)["t"], 7.0);
    let output = replay(recording, &["--until", "1"]);
    assert_eq!(end(&output)["t"], 2.25, "time does not go back");
    assert_eq!(replay("", &[]).status.code(), Some(0), "nothing happened");
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let recording: String = (0..200)
        .map(|n| {
            let (t, amperes) = (
                f64::from(n) * 0.25,
                if n % 40 < 20 { 0.0124 } else { 0.0002 },
            );
            format!(
                "{{\"t\":{t},\"topic\":\"harbour/detector/d-main-1\",\
                 \"payload\":[{{\"n\":\"current\",\"u\":\"A\",\"v\":{amperes}}}]}}\n"
            )
        })
        .collect();
    let (first, second) = (replay(&recording, &[]), replay(&recording, &[]));
    assert_eq!(text(&first.stdout), text(&second.stdout));
    assert_eq!(first.status.code(), Some(0));
}

#[test]
fn bad_lines_are_named_and_skipped() {
    let long = "x".repeat(1024 * 1024 + 1);
    let recording = format!("{{\"t\":5}}\nrubbish\n{{\"t\":4}}\n{long}\n\n{{\"t\":6}}\n");
    let output = replay(&recording, &[]);
    assert_eq!(output.status.code(), Some(1));
    let errors = text(&output.stderr);
    let lines: Vec<_> = errors.lines().collect();
    assert_eq!(lines.len(), 3, "{errors}");
    assert!(
        lines[0].starts_with("-:2: not a recording line"),
        "{errors}"
    );
    assert!(
        lines[1].starts_with("-:3: `t` goes back from 5.000 to 4.000"),
        "{errors}"
    );
    assert!(
        lines[2].starts_with("-:4: longer than 1048576 bytes"),
        "{errors}"
    );
    assert_eq!(end(&output)["t"], 6.0);
}

#[test]
fn messages_that_say_nothing_are_not_bad_lines() {
    let recording = concat!(
        "{\"t\":0,\"topic\":\"harbour/detector/nope\",\"payload\":1}\n",
        "{\"t\":1,\"topic\":\"harbour/position/w1\",\"payload\":\"sideways\"}\n",
        "{\"t\":2,\"topic\":\"harbour/do/empty/nowhere\",\"payload\":{}}\n",
    );
    let output = replay(recording, &[]);
    assert_eq!(
        (output.status.code(), text(&output.stderr)),
        (Some(0), String::new())
    );
    let output = replay(recording, &["--verbose"]);
    assert_eq!(output.status.code(), Some(0));
    let notes = text(&output.stderr);
    let expected = [
        "-:1: note: harbour/detector/nope: the plan does not know this topic",
        "-:2: note: harbour/position/w1: not a SenML pack",
        "-:3: note: harbour/do/empty/nowhere: no block `nowhere` in the plan",
    ];
    assert_eq!(notes.lines().count(), expected.len(), "{notes}");
    for (note, expected) in notes.lines().zip(expected) {
        assert!(note.starts_with(expected), "{notes}");
    }
}

#[test]
fn what_is_missing_or_wrong_is_said_in_words() {
    let output = replay_plan("nowhere.toml", "", &[]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        text(&output.stderr).contains("cannot read the plan"),
        "{}",
        text(&output.stderr)
    );
    let output = replay_plan("../plans/everything-wrong.bad.toml", "", &[]);
    assert_eq!(output.status.code(), Some(1));
    let errors = text(&output.stderr);
    assert!(
        errors.contains("everything-wrong.bad.toml:") && errors.contains("error["),
        "{errors}"
    );
    assert_eq!(text(&output.stdout), "");
    for wrong in ["-1", "soon", "NaN", "1e300"] {
        assert_eq!(
            replay("", &["--until", wrong]).status.code(),
            Some(2),
            "{wrong}"
        );
    }
}

#[test]
fn a_reader_that_has_seen_enough_is_no_error() {
    let plan = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/wire/harbour.toml");
    let mut child = Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .args(["replay", "--plan"])
        .arg(plan)
        .arg("-")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    drop(child.stdout.take());
    let mut input = child.stdin.take().expect("standard input is a pipe");
    input.write_all(b"{\"t\":0}\n").expect("the program reads");
    drop(input);
    let output = child.wait_with_output().expect("the program ends");
    assert_eq!(
        (output.status.code(), text(&output.stderr)),
        (Some(0), String::new())
    );
}
