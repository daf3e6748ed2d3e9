//! `calibrate` and `walk` beside a running daemon: a script answers their questions and moves the
//! car.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::path::Path;
use std::process::{Child, ChildStdin, Stdio};
use std::sync::mpsc;
use std::time::Duration;

use serde_json::Value;

use crate::commands::{Process, mqtt_port, taillamp};
use crate::harness::{DEADLINE, Mqtt};

/// A command that asks, and what it has said so far.
struct Asked {
    child: Child,
    stdin: Option<ChildStdin>,
    said: mpsc::Receiver<String>,
    log: Vec<String>,
}

impl Asked {
    fn start(args: &[&str]) -> Self {
        let mut child = taillamp(args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let stderr = child.stderr.take().expect("it was asked for");
        let (sender, said) = mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        let stdin = child.stdin.take();
        Self {
            child,
            stdin,
            said,
            log: Vec::new(),
        }
    }

    /// Waits until it has said something with these words.
    fn hears(&mut self, words: &str) {
        loop {
            match self.said.recv_timeout(DEADLINE) {
                Ok(line) => {
                    let found = line.contains(words);
                    self.log.push(line);
                    if found {
                        return;
                    }
                }
                Err(_) => panic!("it does not say `{words}`: {:#?}", self.log),
            }
        }
    }

    /// Whether it has said something with these words since it was last asked.
    fn has_said(&mut self, words: &str) -> bool {
        while let Ok(line) = self.said.try_recv() {
            let found = line.contains(words);
            self.log.push(line);
            if found {
                return true;
            }
        }
        false
    }

    fn answer(&mut self, line: &str) {
        let stdin = self.stdin.as_mut().expect("it was asked for");
        writeln!(stdin, "{line}").expect("it reads");
    }

    /// Waits for its end: the exit code and what it has printed.
    fn end(mut self) -> (Option<i32>, String) {
        drop(self.stdin.take());
        let mut printed = String::new();
        let stdout = self.child.stdout.as_mut().expect("it was asked for");
        stdout.read_to_string(&mut printed).expect("text");
        let status = self.child.wait().expect("it ends");
        // Until its errors are read to their end: the thread that reads them may be behind.
        self.log.extend(self.said.iter());
        (status.code(), format!("{printed}\n{}", self.log.join("\n")))
    }
}

/// A car's worth of mA, and none.
const CAR: f64 = 9.0;
const NONE: f64 = 0.2;

/// The car is put on, seen, taken off, and seen to be off.
async fn pass(walk: &mut Asked, mqtt: &Mqtt, detector: &str) {
    until_said(walk, mqtt, (detector, CAR), "answers").await;
    until_said(walk, mqtt, (detector, NONE), "is off again").await;
}

/// Repeats a sample, as a detector does, until the command has said what it makes of it: what is
/// sent before it has subscribed is lost.
async fn until_said(walk: &mut Asked, mqtt: &Mqtt, (detector, ma): (&str, f64), words: &str) {
    let words = format!("{detector} {words}");
    let begun = std::time::Instant::now();
    loop {
        mqtt.current(detector, ma).await;
        if walk.has_said(&words) {
            return;
        }
        assert!(
            begun.elapsed() < DEADLINE,
            "it does not say `{words}`: {:#?}",
            walk.log
        );
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

fn text(path: &Path) -> String {
    std::fs::read_to_string(path).expect("it was written")
}

fn name(path: &Path) -> &str {
    path.to_str().expect("a plain name")
}

#[test]
fn walk_names_crossed_wires_is_gone_on_with_and_accepts() {
    let folder = tempfile::tempdir().expect("a folder");
    let process = Process::start(folder.path());
    let (page, notes) = (folder.path().join("a.html"), folder.path().join("n.json"));
    let plan = process.plan().to_owned();
    let args = [
        "walk",
        "--plan",
        &plan,
        "-o",
        name(&page),
        "--notes",
        name(&notes),
    ];
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        let mqtt = Mqtt::new(([127, 0, 0, 1], mqtt_port(&process)).into()).await;
        let mut walk = Asked::start(&args);
        walk.hears("1 of 3: goods-1");
        for detector in ["d-goods-1", "d-east", "d-west"] {
            mqtt.current(detector, NONE).await;
        }
        pass(&mut walk, &mqtt, "d-goods-1").await;
        walk.answer("");
        walk.hears("as it should be");
        // The car is in loop-east, and the wires of loop-west answer.
        walk.hears("2 of 3: loop-east");
        pass(&mut walk, &mqtt, "d-west").await;
        walk.answer("");
        walk.hears("you are in loop-east, detector d-west of loop-west answered");
        walk.hears("d-east did not answer");
        walk.hears("3 of 3: loop-west");
        pass(&mut walk, &mqtt, "d-east").await;
        walk.answer("");
        walk.hears("you are in loop-west, detector d-east of loop-east answered");
        let (code, said) = walk.end();
        assert_eq!(code, Some(3), "{said}");
        assert!(
            said.contains("d-east and d-west answered for each other"),
            "{said}"
        );
        let written = text(&page);
        assert!(written.contains("not accepted: 2 of 3") && !written.contains("src="));

        // Mended; goods-1 is not asked again.
        let mut walk = Asked::start(&args);
        walk.hears("1 of 2: loop-east");
        for detector in ["d-goods-1", "d-east", "d-west"] {
            mqtt.current(detector, NONE).await;
        }
        pass(&mut walk, &mqtt, "d-east").await;
        // A neighbour that the car reaches is no fault.
        pass(&mut walk, &mqtt, "d-west").await;
        walk.answer("");
        walk.hears("as it should be");
        walk.hears("2 of 2: loop-west");
        walk.answer("q");
        let (code, said) = walk.end();
        assert_eq!(code, Some(3), "{said}");

        let mut walk = Asked::start(&args);
        walk.hears("1 of 1: loop-west");
        mqtt.current("d-west", NONE).await;
        pass(&mut walk, &mqtt, "d-west").await;
        walk.answer("");
        let (code, said) = walk.end();
        assert_eq!(code, Some(0), "{said}");
        assert!(
            said.contains("accepted: every detector of 3 places"),
            "{said}"
        );
    });
    let written = text(&page);
    assert!(written.contains("<strong>accepted"), "{written}");
    // Nothing is left to walk, and no broker is needed to say so.
    process.end();
    let (code, said) = Asked::start(&args).end();
    assert_eq!(code, Some(0), "{said}");
}

#[test]
fn walk_says_what_is_wrong_with_what_it_is_given() {
    let folder = tempfile::tempdir().expect("a folder");
    let process = Process::start(folder.path());
    let plan = process.plan().to_owned();
    let walk = ["walk", "--plan", &plan];
    let (code, said) = Asked::start(&[&walk[..], &["--place", "nowhere"]].concat()).end();
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("no detector watches `nowhere`"), "{said}");
    let notes = folder.path().join("notes.json");
    std::fs::write(&notes, "nonsense").expect("a file");
    let (code, said) = Asked::start(&[&walk[..], &["--notes", name(&notes)]].concat()).end();
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("no notes of a walk"), "{said}");
    // Nobody answers: what is not walked is not accepted.
    let (code, said) = Asked::start(&walk).end();
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("not walked yet"), "{said}");
    process.end();
    let (code, said) = Asked::start(&walk).end();
    assert_eq!(code, Some(4), "{said}");
    assert!(said.contains("no broker"), "{said}");
}

/// Sends samples around a level until the command has said so; the levels have a spread.
async fn feed(command: &mut Asked, mqtt: &Mqtt, level: f64, until: &str) {
    for step in 0_u32.. {
        let noise = f64::from(step.wrapping_mul(2_654_435_761) >> 16) / 65_536.0 - 0.5;
        mqtt.current("d-east", level + 0.4 * noise).await;
        if command.has_said(until) {
            return;
        }
        assert!(
            step < 10_000,
            "it does not say `{until}`: {:#?}",
            command.log
        );
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
}

#[test]
fn calibrate_listens_to_live_messages() {
    let folder = tempfile::tempdir().expect("a folder");
    let process = Process::start(folder.path());
    let plan = process.plan().to_owned();
    let calibrate = [
        "calibrate",
        "--plan",
        &plan,
        "--detector",
        "d-east",
        "--json",
    ];
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        let mqtt = Mqtt::new(([127, 0, 0, 1], mqtt_port(&process)).into()).await;
        // Asked for nothing: lengths are given.
        let seconds = ["--vacant", "2", "--occupied", "2", "--between", "0.5"];
        let mut command = Asked::start(&[&calibrate[..], &seconds].concat());
        feed(&mut command, &mqtt, 0.5, "put one vehicle on").await;
        feed(&mut command, &mqtt, 8.0, "samples").await;
        let (code, said) = command.end();
        assert_eq!(code, Some(0), "{said}");
        found(&said);

        // It asks, and the plan is written.
        let mut command =
            Asked::start(&[&calibrate[..], &["--ask", "--write"], &seconds[..4]].concat());
        command.hears("Take every vehicle off");
        command.answer("");
        feed(&mut command, &mqtt, 0.5, "samples").await;
        command.hears("Put one vehicle");
        command.answer("");
        feed(&mut command, &mqtt, 8.0, "samples").await;
        let (code, said) = command.end();
        assert_eq!(code, Some(0), "{said}");
        found(&said);
        let written = std::fs::read_to_string(&process.plan).expect("it is there");
        assert!(
            !written.contains("block = \"loop-east\"\non = 3.0"),
            "{written}"
        );
    });
    // The input ends before anybody has answered.
    let (code, said) = Asked::start(&calibrate).end();
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("nobody answers"), "{said}");
    process.end();
}

/// The levels that were sent come back.
fn found(said: &str) {
    let line = said.lines().next().expect("one object");
    let found: Value = serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {said}"));
    for (stretch, level) in [("vacant", 0.5), ("occupied", 8.0)] {
        let mean = found[stretch]["mean"].as_f64().expect("a number");
        assert!((mean - level).abs() < 0.1, "{found}");
    }
    assert!(
        found["on"]
            .as_f64()
            .is_some_and(|on| (1.0..8.0).contains(&on))
    );
}
