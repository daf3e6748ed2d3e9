//! The program itself: what its commands print, write, and how they end.

use std::fs;
use std::io::{BufRead as _, BufReader, Read as _};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

use crate::harness::{DEADLINE, Mqtt, PLAN};
use crate::port;

pub(crate) fn taillamp(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_taillamp"));
    command
        .args(args)
        .stdin(Stdio::null())
        .env_remove("RUST_LOG");
    command
}

fn run(args: &[&str]) -> Output {
    taillamp(args).output().expect("the program starts")
}

fn said(output: &Output) -> String {
    let both = [&output.stdout[..], &output.stderr[..]].concat();
    String::from_utf8_lossy(&both).into_owned()
}

/// A daemon as a process of its own.
pub(crate) struct Process {
    child: Child,
    pub(crate) plan: PathBuf,
    web: String,
}

impl Process {
    pub(crate) fn start(folder: &Path) -> Self {
        let (mqtt, web) = (port::free(), port::free());
        let text = PLAN
            .replace(
                "[mqtt]\nlisten = \"127.0.0.1:0\"",
                &format!("[mqtt]\nlisten = \"127.0.0.1:{mqtt}\""),
            )
            .replace(
                "[web]\nlisten = \"127.0.0.1:0\"",
                &format!("[web]\nlisten = \"127.0.0.1:{web}\""),
            );
        let plan = folder.join("plan.toml");
        fs::write(&plan, text).expect("a file");
        let plan_name = plan.to_str().expect("a plain name").to_owned();
        let mut child = taillamp(&["run", "--plan", &plan_name, "--log-format", "json"])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let stdout = child.stdout.take().expect("it was asked for");
        let (sender, lines) = mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stdout).lines().map_while(Result::ok) {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        let first = lines
            .recv_timeout(DEADLINE)
            .expect("it says where the page is");
        let web = format!("http://127.0.0.1:{web}/");
        assert!(first.contains(&web), "{first}");
        Self { child, plan, web }
    }

    pub(crate) fn plan(&self) -> &str {
        self.plan.to_str().expect("a plain name")
    }

    fn signal(&self, name: &str) {
        let id = self.child.id().to_string();
        let sent = Command::new("kill")
            .args([name, &id])
            .status()
            .expect("kill starts");
        assert!(sent.success());
    }

    /// Asks it to end; its log.
    pub(crate) fn end(mut self) -> String {
        self.signal("-TERM");
        let begun = Instant::now();
        let status = loop {
            if let Some(status) = self.child.try_wait().expect("it can be waited for") {
                break status;
            }
            assert!(begun.elapsed() < DEADLINE, "it does not end");
            std::thread::sleep(Duration::from_millis(20));
        };
        assert_eq!(status.code(), Some(0));
        let mut log = String::new();
        let stderr = self.child.stderr.as_mut().expect("it was asked for");
        stderr.read_to_string(&mut log).expect("text");
        log
    }
}

#[test]
fn run_reloads_on_sighup_and_ends_on_sigterm() {
    let folder = tempfile::tempdir().expect("a folder");
    let process = Process::start(folder.path());
    fs::write(&process.plan, "[layout]\nnme = \"x\"\n").expect("a file");
    process.signal("-HUP");
    let metrics = format!("{}metrics", process.web);
    let begun = Instant::now();
    loop {
        let text = http_get(&metrics);
        if text.contains("taillamp_plan_last_reload_successful 0\n") {
            break;
        }
        assert!(begun.elapsed() < DEADLINE, "{text}");
        std::thread::sleep(Duration::from_millis(20));
    }
    let log = process.end();
    for line in log.lines() {
        let entry: serde_json::Value = serde_json::from_str(line).expect("one JSON object a line");
        assert!(entry["level"].is_string(), "{line}");
    }
    assert!(
        log.contains("the plan was not loaded") && log.contains("plan.toml:"),
        "{log}"
    );
    assert!(log.contains("\"stopped\""), "{log}");
}

/// The body of a `GET`, without a library.
fn http_get(url: &str) -> String {
    use std::io::Write as _;
    let (host, path) = url
        .trim_start_matches("http://")
        .split_once('/')
        .expect("a path");
    let mut stream = std::net::TcpStream::connect(host).expect("the daemon listens");
    write!(
        stream,
        "GET /{path} HTTP/1.1\r\nhost: {host}\r\nconnection: close\r\n\r\n"
    )
    .expect("sent");
    let mut answer = String::new();
    stream.read_to_string(&mut answer).expect("text");
    answer
}

#[test]
fn run_ends_with_words_when_the_plan_or_the_port_is_wrong() {
    let folder = tempfile::tempdir().expect("a folder");
    let missing = run(&["run", "--plan", "no-such-plan.toml"]);
    assert_eq!(missing.status.code(), Some(1));
    assert!(
        said(&missing).contains("no-such-plan.toml"),
        "{}",
        said(&missing)
    );
    let process = Process::start(folder.path());
    let twice = run(&["run", "--plan", process.plan()]);
    assert_eq!(twice.status.code(), Some(4));
    assert!(
        said(&twice).contains("is taken") && said(&twice).contains("[web] listen"),
        "{}",
        said(&twice)
    );
    process.end();
}

#[test]
fn line_up_ends_as_the_daemon_says() {
    let folder = tempfile::tempdir().expect("a folder");
    let process = Process::start(folder.path());
    // Points whose position nobody has reported stop running (behaviour, section 8).
    let not_ready = run(&["line-up", "--url", &process.web]);
    assert_eq!(not_ready.status.code(), Some(3), "{}", said(&not_ready));
    assert!(said(&not_ready).contains("w1"), "{}", said(&not_ready));
    let web = process.web.clone();
    process.end();
    let gone = run(&["line-up", "--url", &web]);
    assert_eq!(gone.status.code(), Some(4));
    assert!(said(&gone).contains("is it running?"), "{}", said(&gone));
    assert_eq!(run(&["line-up", "--url", "ftp://x"]).status.code(), Some(2));
}

#[test]
fn init_writes_a_plan_that_runs_and_nothing_twice() {
    let folder = tempfile::tempdir().expect("a folder");
    let dir = folder.path().join("new");
    let name = dir.to_str().expect("a plain name");
    let init = [
        "init",
        "--name",
        "Wharf Lane",
        "--nodes",
        "esp-1,esp-2",
        "--pin",
        "246810",
        "--dir",
        name,
    ];
    let made = run(&init);
    assert_eq!(made.status.code(), Some(0), "{}", said(&made));
    let text = said(&made);
    assert!(
        text.contains("esp-1") && text.contains("http://") && text.contains('\u{2588}'),
        "{text}"
    );
    for (file, mode) in [("plan.toml", 0o644), ("passwords", 0o600), ("pin", 0o600)] {
        let file = dir.join(file);
        let rights = fs::metadata(&file)
            .expect("it was made")
            .permissions()
            .mode()
            & 0o777;
        assert_eq!(rights & !mode, 0, "{file:?} {rights:o}");
        let text = fs::read_to_string(&file).expect("text");
        assert!(
            !text.contains("246810"),
            "no secret is kept as it is: {file:?}"
        );
    }
    let secret = text
        .lines()
        .find_map(|line| line.trim().strip_prefix("esp-1"))
        .expect("shown once");
    let passwords = fs::read_to_string(dir.join("passwords")).expect("text");
    assert!(!passwords.contains(secret.trim()) && passwords.starts_with("esp-1:$argon2"));
    let plan = dir.join("plan.toml");
    let checked = run(&["check", "--plan", plan.to_str().expect("a plain name")]);
    assert_eq!(checked.status.code(), Some(0), "{}", said(&checked));

    let twice = run(&init);
    assert_eq!(twice.status.code(), Some(1));
    assert!(said(&twice).contains("--force"), "{}", said(&twice));
    assert_eq!(
        run(&[&init[..], &["--force"]].concat()).status.code(),
        Some(0)
    );
    assert_eq!(
        run(&["init", "--scale", "huge", "--dir", name, "--force"])
            .status
            .code(),
        Some(1)
    );
}

/// The port of the daemon's broker.
pub(crate) fn mqtt_port(process: &Process) -> u16 {
    let plan = fs::read_to_string(&process.plan).expect("text");
    let port = plan
        .split("[mqtt]\nlisten = \"127.0.0.1:")
        .nth(1)
        .expect("a port");
    let port = port.split('"').next().expect("a port");
    port.parse().expect("a number")
}

/// Messages that the daemon's broker keeps; the client stays, so that they do.
fn keep_messages(process: &Process) -> (tokio::runtime::Runtime, Mqtt) {
    let port = mqtt_port(process);
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    let mqtt = runtime.block_on(async {
        let mut mqtt = Mqtt::new(([127, 0, 0, 1], port).into()).await;
        mqtt.keep("wharf/node/esp-1", "online").await;
        mqtt.keep("elsewhere/sensor-9", r#"{"ma":12.5}"#).await;
        mqtt.position("w1", "reverse").await;
        // What has come back from the broker is retained there.
        mqtt.hear("wharf/position/w1", |payload| !payload.is_empty())
            .await;
        mqtt
    });
    (runtime, mqtt)
}

#[test]
fn what_is_recorded_can_be_replayed() {
    let folder = tempfile::tempdir().expect("a folder");
    let process = Process::start(folder.path());
    let kept = keep_messages(&process);
    let recording = folder.path().join("evening.jsonl");
    let file = recording.to_str().expect("a plain name");
    let record = ["record", "--plan", process.plan(), "-o", file];
    let recorded = run(&[&record[..], &["--seconds", "1.5"]].concat());
    assert_eq!(recorded.status.code(), Some(0), "{}", said(&recorded));
    let lines = fs::read_to_string(&recording).expect("a recording");
    assert!(lines.starts_with("{\"t\":0."), "{lines}");
    let position = concat!(
        r#""topic":"wharf/position/w1","payload":[{"n":"position","vs":"reverse"}],"#,
        r#""retained":true}"#
    );
    let has_position = lines.lines().any(|line| line.ends_with(position));
    assert!(has_position, "{lines}");
    assert!(!lines.contains("elsewhere"), "the plan does not know it");
    let replayed = run(&["replay", "--plan", process.plan(), file]);
    assert_eq!(replayed.status.code(), Some(0), "{}", said(&replayed));
    assert!(
        said(&replayed).contains("\"position\":\"reverse\""),
        "{}",
        said(&replayed)
    );
    drop(kept);
    let plan = process.plan().to_owned();
    process.end();
    let gone = run(&["record", "--plan", &plan, "-o", file]);
    assert_eq!(gone.status.code(), Some(4), "{}", said(&gone));
    assert!(said(&gone).contains("no broker"), "{}", said(&gone));
}

#[test]
fn listen_tells_of_topics_that_the_plan_does_not_know() {
    let folder = tempfile::tempdir().expect("a folder");
    let process = Process::start(folder.path());
    let kept = keep_messages(&process);
    let listened = run(&["listen", "--plan", process.plan(), "--seconds", "1.5"]);
    assert_eq!(listened.status.code(), Some(0), "{}", said(&listened));
    let text = said(&listened);
    for expected in [
        "topic = \"elsewhere/sensor-9\"",
        "pointer:/ma",
        "{\"ma\":12.5}",
    ] {
        assert!(text.contains(expected), "{expected} in {text}");
    }
    assert!(
        !text.contains("wharf/position/w1"),
        "the plan knows it: {text}"
    );
    drop(kept);
    let plan = process.plan().to_owned();
    process.end();
    let gone = run(&["listen", "--plan", &plan]);
    assert_eq!(gone.status.code(), Some(4), "{}", said(&gone));
    assert!(said(&gone).contains("no broker"), "{}", said(&gone));
}
