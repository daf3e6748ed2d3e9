//! Golden replays: a recording and a plan give these bytes, today and on every machine.
//!
//! The recordings are invented. `recordings/NAME.jsonl` is the input; `recordings/NAME.out.jsonl`
//! what `taillamp replay` writes. `TAILLAMP_BLESS=1` writes the output anew; read the difference
//! before it is committed. What each line should be, tests/rules says; these say that nothing else
//! changes.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// A recording and the plan that it belongs to.
struct Golden {
    name: &'static str,
    plan: &'static str,
    /// Messages that the engine must not take, as the verbose notes name them by line.
    refused: usize,
}

const GOLDEN: &[Golden] = &[
    // Points are left diverging behind a train, the next one is bound for them.
    Golden {
        name: "left-diverging",
        plan: "tests/plans/four-blocks.good.toml",
        refused: 0,
    },
    // A siding goes dark with a train in it, comes back without current, then the train is seen.
    Golden {
        name: "dead-siding",
        plan: "tests/plans/four-blocks.good.toml",
        refused: 0,
    },
    // A device and the broker go and come back; old news, rubbish, a pack with times.
    Golden {
        name: "not-to-be-believed",
        plan: "tests/plans/four-blocks.good.toml",
        refused: 5,
    },
    // A double crossover of which one end is set; a train over it once both are.
    Golden {
        name: "crossover",
        plan: "tests/plans/double-crossover.good.toml",
        refused: 0,
    },
    // The first half minute of the demo: `make-recording --seconds 34 --seed 1`.
    Golden {
        name: "quillmere",
        plan: "simulator/plans/demo.toml",
        refused: 0,
    },
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn recording(name: &str) -> PathBuf {
    root()
        .join("tests/replay/recordings")
        .join(format!("{name}.jsonl"))
}

fn replay(plan: &str, recording: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .args(["replay", "--verbose", "--plan"])
        .arg(root().join(plan))
        .arg(recording)
        .stdin(Stdio::null())
        .output()
        .expect("the program is built")
}

fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).expect("the output is text")
}

#[test]
fn every_recording_gives_its_bytes() {
    let bless = std::env::var_os("TAILLAMP_BLESS").is_some();
    let mut faults = Vec::new();
    for golden in GOLDEN {
        let output = replay(golden.plan, &recording(golden.name));
        let said = text(&output.stderr);
        assert_eq!(output.status.code(), Some(0), "{}: {said}", golden.name);
        assert_eq!(
            said.lines().count(),
            golden.refused,
            "{}: {said}",
            golden.name
        );
        let file = recording(&format!("{}.out", golden.name));
        if bless {
            fs::write(&file, &output.stdout).expect("the golden file can be written");
            continue;
        }
        let wanted = fs::read(&file).unwrap_or_default();
        if wanted == output.stdout {
            continue;
        }
        let (wanted, got) = (text(&wanted).lines(), text(&output.stdout).lines());
        let lines = wanted.zip(got).enumerate();
        let mut different = lines.filter(|(_, (wanted, got))| wanted != got);
        faults.push(different.next().map_or_else(
            || format!("{}: one has more lines than the other", golden.name),
            |(at, (wanted, got))| {
                let line = at + 1;
                format!(
                    "{}: line {line}\n  was    {wanted}\n  is now {got}",
                    golden.name
                )
            },
        ));
    }
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    for golden in GOLDEN {
        let once = replay(golden.plan, &recording(golden.name));
        let twice = replay(golden.plan, &recording(golden.name));
        assert!(!once.stdout.is_empty(), "{}", golden.name);
        assert!(once.stdout == twice.stdout, "{}", golden.name);
    }
}

/// A sample that carries its own time is always taken in full; one without, that only says the same
/// again, the short way. `"t":0` is the time of arrival (RFC 8428, section 4.5.3), so both mean the
/// same and must end the same.
#[test]
fn the_short_way_of_a_steady_sample_decides_nothing_else() {
    let golden = GOLDEN.last().expect("the list has rows");
    let plain = recording(golden.name);
    let text_in = fs::read_to_string(&plain).expect("the recording is there");
    let timed = text_in.replace("\"u\":\"A\",", "\"u\":\"A\",\"t\":0,");
    assert!(
        timed.matches("\"t\":0,").count() > 500,
        "the recording has currents"
    );
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("timed.jsonl");
    fs::write(&file, timed).expect("the file can be written");
    let (short, full) = (replay(golden.plan, &plain), replay(golden.plan, &file));
    assert_eq!(full.status.code(), Some(0), "{}", text(&full.stderr));
    assert!(
        short.stdout == full.stdout,
        "the short way decides something else"
    );
}

#[test]
fn every_recording_has_its_row() {
    let folder = root().join("tests/replay/recordings");
    let entries = fs::read_dir(folder).expect("the folder is part of the project");
    for entry in entries {
        let name = entry.expect("it can be read").file_name();
        let name = name.to_string_lossy();
        let stem = name.trim_end_matches(".jsonl").trim_end_matches(".out");
        assert!(
            GOLDEN.iter().any(|golden| golden.name == stem),
            "{name} is never replayed"
        );
    }
}

#[test]
fn lines_are_in_order_of_time_and_times_have_three_decimals() {
    for golden in GOLDEN {
        let output = replay(golden.plan, &recording(golden.name));
        let mut last = 0.0;
        for line in text(&output.stdout).lines() {
            let json: serde_json::Value = serde_json::from_str(line).expect("each line is JSON");
            let t = json["t"].as_f64().expect("each line has a time");
            assert!(t >= last, "{}: {line}", golden.name);
            assert!(
                line.starts_with(&format!("{{\"t\":{t:.3},")),
                "{}: {line}",
                golden.name
            );
            last = t;
        }
    }
}

#[test]
fn a_bad_line_is_named_by_its_number_skipped_and_told_by_the_exit_code() {
    let good = fs::read_to_string(recording("left-diverging")).expect("it is there");
    let mut lines: Vec<&str> = good.lines().collect();
    lines.insert(7, "{\"t\":0.1,\"topic\":");
    let folder = tempfile::tempdir().expect("a folder of this test");
    let file = folder.path().join("spoilt.jsonl");
    fs::write(&file, lines.join("\n")).expect("it can be written");
    let plan = "tests/plans/four-blocks.good.toml";
    let spoilt = replay(plan, &file);
    let said = text(&spoilt.stderr);
    assert_eq!(spoilt.status.code(), Some(1), "{said}");
    assert_eq!(said.lines().count(), 1, "{said}");
    assert!(said.contains("spoilt.jsonl:8: "), "{said}");
    let whole = replay(plan, &recording("left-diverging"));
    assert!(
        spoilt.stdout == whole.stdout,
        "the other lines count as they did"
    );
}

/// As in `taillamp replay ... 2>&1 >out | head`: whoever read the notes has gone, and there are
/// more of them than a pipe holds.
#[test]
fn notes_that_nobody_reads_stop_nothing() {
    let rubbish = Path::new(env!("CARGO_TARGET_TMPDIR")).join("replay_rubbish.jsonl");
    fs::write(&rubbish, "rubbish\n".repeat(5_000)).expect("the folder is there");
    let mut child = Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .args(["replay", "--plan"])
        .arg(root().join(GOLDEN[0].plan))
        .arg(&rubbish)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program is built");
    drop(child.stderr.take());
    let output = child.wait_with_output().expect("it ends");
    assert!(output.status.code().is_some(), "{}", output.status);
    assert!(text(&output.stdout).contains("\"kind\":\"end\""));
}

/// Whoever mistypes a name reads what to give instead, and nothing on standard output.
#[test]
fn a_recording_that_cannot_be_read_is_named_with_what_to_give() {
    let folder = tempfile::tempdir().expect("a folder");
    for name in [folder.path().join("no-such.jsonl"), folder.path().into()] {
        let output = replay(GOLDEN[0].plan, &name);
        assert_eq!(output.status.code(), Some(1), "{output:?}");
        assert!(output.stdout.is_empty(), "{output:?}");
        let told = text(&output.stderr);
        assert_eq!(told.lines().count(), 1, "{told}");
        let words = [&*name.to_string_lossy(), "`taillamp record -o FILE`"];
        assert!(words.iter().all(|word| told.contains(word)), "{told}");
    }
}
