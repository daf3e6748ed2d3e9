//! The journal, live: what outlives a restart, what the past tells, what a disk that does not
//! follow costs.

use std::path::Path;
use std::time::{Duration, Instant};

use hyper::StatusCode;
use rusqlite::{Connection, OpenFlags};
use serde_json::{Value, json};
use taillamp::daemon::journal::Keep;
use taillamp::daemon::{Daemon, Options};
use taillamp::engine::alarm::kinds::AlarmKind;
use taillamp::wire::history_json;

use crate::harness::{Mqtt, PLAN, get, live, plan, post, until};

fn keep(folder: &Path, raw_megabytes: u32) -> Keep {
    Keep {
        path: folder.join("journal.db"),
        days: 90,
        megabytes: 100,
        raw_megabytes,
    }
}

async fn start(folder: &Path) -> Daemon {
    let journal = Some(keep(folder, 1));
    let options = Options {
        journal,
        ..Options::default()
    };
    Daemon::start(plan(PLAN), options)
        .await
        .expect("free ports and a folder")
}

async fn mqtt(daemon: &Daemon) -> Mqtt {
    Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await
}

/// What the file says, read by a program of its own.
fn ask<T: rusqlite::types::FromSql>(folder: &Path, sql: &str) -> Option<T> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY;
    let file = Connection::open_with_flags(folder.join("journal.db"), flags).expect("a file");
    file.query_row(sql, [], |row| row.get(0)).ok()
}

/// Points are left diverging behind a train that has a name; a detector is out of service.
async fn evening(daemon: &Daemon, mqtt: &mut Mqtt) {
    for detector in ["d-east", "d-west", "d-goods-1"] {
        mqtt.current(detector, 0.2).await;
    }
    mqtt.position("w1", "reverse").await;
    mqtt.state("wharf/state/block/loop-east", "vacant").await;
    mqtt.current("d-east", 12.0).await;
    mqtt.state("wharf/state/turnout/w1", "fouled").await;
    mqtt.current("d-goods-1", 12.0).await;
    mqtt.state("wharf/state/block/goods-1", "occupied").await;
    mqtt.current("d-east", 0.2).await;
    mqtt.state("wharf/state/turnout/w1", "left-diverging").await;
    let named = post(
        daemon,
        "/api/v1/trains/t1/name",
        r#"{"name":"Slow goods","who":"Ann"}"#,
    )
    .await;
    assert_eq!(named.status, StatusCode::NO_CONTENT, "{}", named.body);
    let out = post(
        daemon,
        "/api/v1/detectors/d-west/out-of-service",
        r#"{"why":"dirty"}"#,
    )
    .await;
    assert_eq!(out.status, StatusCode::NO_CONTENT, "{}", out.body);
}

#[test]
fn what_was_known_outlives_a_restart() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let daemon = start(folder.path()).await;
        let mut ears = mqtt(&daemon).await;
        evening(&daemon, &mut ears).await;
        daemon.stop().await;

        let daemon = start(folder.path()).await;
        let state = get(&daemon, "/api/v1/state").await.json();
        let goods = &state["blocks"]["goods-1"];
        assert_eq!(
            (&goods["state"], &goods["remembered"]),
            (&json!("occupied"), &json!(true))
        );
        let east = &state["blocks"]["loop-east"];
        assert_eq!(
            (&east["state"], &east["kept"]),
            (&json!("unknown"), &json!("vacant"))
        );
        assert_eq!(state["trains"]["t1"]["name"], "Slow goods");
        assert_eq!(state["trains"]["t1"]["blocks"], json!(["goods-1"]));
        assert_eq!(state["turnouts"]["w1"]["position"], "reverse");
        assert_eq!(state["turnouts"]["w1"]["state"], "left-diverging");
        assert_eq!(
            state["alarms"]["left-diverging:w1"]["state"],
            "unacknowledged"
        );
        assert_eq!(state["detectors"]["d-west"]["health"], "out-of-service");
        // The embedded broker has kept what the points have said.
        let mut ears = mqtt(&daemon).await;
        let kept = ears
            .hear("wharf/position/w1", |payload| !payload.is_empty())
            .await;
        assert!(String::from_utf8_lossy(&kept).contains("reverse"));
        // The first fresh sample of its detector confirms what was remembered.
        ears.current("d-goods-1", 12.0).await;
        let seen = |payload: &[u8]| {
            let record: Value = serde_json::from_slice(payload).unwrap_or_default();
            record["remembered"] == false
        };
        ears.hear("wharf/state/block/goods-1", seen).await;
        daemon.stop().await;
        assert_eq!(
            ask::<i64>(folder.path(), "SELECT count(*) FROM boot"),
            Some(2)
        );
    });
}

#[test]
fn an_act_is_on_the_disk_before_it_is_answered() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let daemon = start(folder.path()).await;
        let mut ears = mqtt(&daemon).await;
        evening(&daemon, &mut ears).await;
        // No waiting here: the answer has come, so the row is there.
        let sql = "SELECT json_extract(body, '$.who') FROM history \
                   WHERE kind = 'operator' AND id = 't1'";
        assert_eq!(ask::<String>(folder.path(), sql).as_deref(), Some("Ann"));
        let events = get(&daemon, "/api/v1/history?view=events&limit=5000")
            .await
            .json();
        let operator: Vec<&Value> = events["events"]
            .as_array()
            .expect("a list")
            .iter()
            .filter(|event| event["kind"] == "operator")
            .collect();
        let acts: Vec<&Value> = operator.iter().map(|event| &event["act"]).collect();
        assert_eq!(acts, ["name", "out-of-service"]);
        assert_eq!(operator[1]["why"], "dirty");
        // Words that come over MQTT are written down too.
        ears.publish("wharf/do/acknowledge/left-diverging:w1", r#"{"who":"Ben"}"#)
            .await;
        ears.state("wharf/alarm/left-diverging:w1", "acknowledged")
            .await;
        let ben = || async {
            let sql = "SELECT count(*) FROM history WHERE kind = 'operator' \
                       AND json_extract(body, '$.who') = 'Ben'";
            ask::<i64>(folder.path(), sql).filter(|count| *count == 1)
        };
        until("the word over MQTT is in the journal", ben).await;
        daemon.stop().await;
    });
}

/// Sections of a snapshot without what a journal does not keep.
fn comparable(snapshot: &Value) -> Value {
    let mut kept = snapshot.clone();
    let whole = kept.as_object_mut().expect("a snapshot");
    for key in ["at", "past", "line_up", "waiting"] {
        whole.remove(key);
    }
    for detector in whole["detectors"]
        .as_object_mut()
        .expect("a section")
        .values_mut()
    {
        let detector = detector.as_object_mut().expect("a record");
        for key in ["heard", "late", "implausible", "clock_steps", "reading"] {
            detector.remove(key);
        }
    }
    for alarm in whole["alarms"]
        .as_object_mut()
        .expect("a section")
        .values_mut()
    {
        alarm.as_object_mut().expect("a record").remove("seconds");
    }
    kept
}

#[test]
fn the_past_is_what_the_present_was() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let daemon = start(folder.path()).await;
        let mut ears = mqtt(&daemon).await;
        evening(&daemon, &mut ears).await;
        let then = get(&daemon, "/api/v1/state").await.json();
        let at = then["at"].as_str().expect("a time").to_owned();
        // The world goes on.
        ears.position("w1", "normal").await;
        ears.current("d-west", 12.0).await;
        ears.current("d-goods-1", 0.2).await;
        ears.state("wharf/state/block/goods-1", "lost").await;
        let alarm = "wharf/alarm/left-diverging:w1";
        ears.state(alarm, "returned-unacknowledged").await;
        let past = get(&daemon, &format!("/api/v1/history/state?at={at}")).await;
        assert_eq!(past.status, StatusCode::OK, "{}", past.body);
        assert_eq!(past.json()["past"], true);
        assert_eq!(comparable(&past.json()), comparable(&then));

        let lanes = get(&daemon, "/api/v1/history").await.json();
        let states: Vec<&str> = lanes["blocks"]["goods-1"]
            .as_array()
            .expect("a lane")
            .iter()
            .filter_map(|point| point["state"].as_str())
            .collect();
        assert!(states.starts_with(&["unknown"]), "{states:?}");
        assert!(states.ends_with(&["occupied", "lost"]), "{states:?}");
        assert_eq!(lanes["trains"]["t1"]["name"], "Slow goods");
        let spans = lanes["alarms"].as_array().expect("a list");
        let left = spans.iter().find(|span| span["id"] == "left-diverging:w1");
        let left = left.expect("the alarm");
        assert!(left["to"].as_i64() > left["from"].as_i64(), "{left}");
        // Pages of events hold the same events as one answer.
        let all = get(&daemon, "/api/v1/history?view=events&limit=5000")
            .await
            .json();
        let (mut pages, mut after) = (Vec::new(), 0);
        loop {
            let path = format!("/api/v1/history?view=events&limit=7&after={after}");
            let page = get(&daemon, &path).await.json();
            pages.extend(page["events"].as_array().expect("a list").clone());
            match page["next"].as_i64() {
                Some(next) => after = next,
                None => break,
            }
        }
        assert_eq!(Value::Array(pages), all["events"]);
        let csv = get(&daemon, "/api/v1/history.csv").await;
        assert!(
            csv.headers["content-type"]
                .to_str()
                .is_ok_and(|kind| kind.starts_with("text/csv"))
        );
        let lines = csv.body.lines().count();
        assert!(
            lines > all["events"].as_array().map_or(0, Vec::len),
            "{lines} lines"
        );
        let extent = get(&daemon, "/api/v1/history/extent").await.json();
        assert_eq!(extent["boots"].as_array().map(Vec::len), Some(1));
        assert!(extent["first"].as_str() < extent["last"].as_str());
        daemon.stop().await;
    });
}

#[test]
fn a_wrong_question_names_its_parameter() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let daemon = start(folder.path()).await;
        for (path, parameter) in [
            ("history?from=yesterday", "from"),
            ("history?from=2000000000&to=1000000000", "from"),
            ("history?to=2026-01-31T18:00:00", "to"),
            ("history?view=pictures", "view"),
            ("history?view=events&limit=0", "limit"),
            ("history?step_ms=-1", "step_ms"),
            ("history/state", "at"),
            ("history.csv?from=x", "from"),
        ] {
            let answer = get(&daemon, &format!("/api/v1/{path}")).await;
            assert_eq!(answer.status, StatusCode::BAD_REQUEST, "{path}");
            assert_eq!(answer.headers["content-type"], "application/problem+json");
            assert_eq!(answer.json()["parameter"], parameter, "{path}");
        }
        let unknown = get(&daemon, "/api/v1/history?form=1").await;
        assert_eq!(unknown.status, StatusCode::BAD_REQUEST);
        let before = get(&daemon, "/api/v1/history/state?at=1000").await;
        assert_eq!(
            before.status,
            StatusCode::NOT_FOUND,
            "nothing was written then"
        );
        daemon.stop().await;
    });
}

#[test]
fn a_disk_that_does_not_follow_is_an_alarm_and_holds_nothing_up() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let daemon = start(folder.path()).await;
        let mut ears = mqtt(&daemon).await;
        ears.current("d-east", 12.0).await;
        ears.state("wharf/state/block/loop-east", "occupied").await;
        // Somebody else writes, and does not end.
        let other = Connection::open(folder.path().join("journal.db")).expect("a file");
        other
            .execute_batch("BEGIN IMMEDIATE")
            .expect("the only writer");
        let mut longest = Duration::ZERO;
        for round in 0..20 {
            let (ma, state) = if round % 2 == 0 {
                (0.2, "lost")
            } else {
                (12.0, "occupied")
            };
            let began = Instant::now();
            ears.current("d-east", ma).await;
            ears.state("wharf/state/block/loop-east", state).await;
            longest = longest.max(began.elapsed());
        }
        let behind = "wharf/alarm/journal-behind:journal";
        ears.state(behind, "unacknowledged").await;
        let metrics = get(&daemon, "/metrics").await.body;
        assert!(metrics.contains("taillamp_journal_behind 1"), "{metrics}");
        // The writer would wait two seconds for the other; whoever publishes waits for nobody.
        assert!(longest < Duration::from_secs(2), "a state took {longest:?}");
        let ended = Instant::now();
        other.execute_batch("ROLLBACK").expect("it ends");
        ears.state(behind, "returned-unacknowledged").await;
        // Not at the first write that goes well: for its off-delay it must go well.
        let off_delay = AlarmKind::JournalBehind.doc().off_delay_ms;
        assert!(ended.elapsed() >= Duration::from_millis(u64::from(off_delay)));
        daemon.stop().await;
        let sql = "SELECT count(*) FROM history WHERE kind = 'block' AND id = 'loop-east' \
                   AND state = 'lost'";
        assert_eq!(ask::<i64>(folder.path(), sql), Some(10), "nothing was lost");
        assert_eq!(
            ask::<String>(folder.path(), "PRAGMA integrity_check").as_deref(),
            Some("ok")
        );
    });
}

#[test]
fn a_journal_that_cannot_be_used_is_named_with_the_cure() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let mut journal = keep(folder.path(), 0);
        journal.path = folder.path().join("nowhere/journal.db");
        let options = Options {
            journal: Some(journal),
            ..Options::default()
        };
        let error = Daemon::start(plan(PLAN), options)
            .await
            .expect_err("no folder");
        let text = error.to_string();
        assert!(
            text.contains("[journal] path") && text.contains("nowhere"),
            "{text}"
        );
        assert!(text.contains("folder is there"), "{text}");
    });
}

fn taillamp(words: &[&str]) -> std::process::Output {
    std::process::Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .args(words)
        .output()
        .expect("the program runs")
}

/// The rows of the journal as the lines of a replay.
fn written(folder: &Path, boot: i64) -> Vec<Value> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY;
    let file = Connection::open_with_flags(folder.join("journal.db"), flags).expect("a file");
    let sql = "SELECT at_ms, kind, id, body FROM change JOIN item USING (item) \
               WHERE part = 0 AND boot = ?1 AND kind NOT IN ('operator', 'daemon') ORDER BY seq";
    let mut statement = file.prepare(sql).expect("a query");
    let rows = statement.query_map([boot], |row| {
        let (at_ms, kind, id): (i64, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
        let body: String = row.get(3)?;
        let mut line = history_json::event(0, "", 0, &kind, &id, &body);
        let keys = line.as_object_mut().expect("an object");
        for key in ["seq", "at", "boot"] {
            keys.remove(key);
        }
        keys.insert("t".into(), json!(at_ms as f64 / 1e3));
        Ok(line)
    });
    rows.expect("rows").map(|row| row.expect("a row")).collect()
}

#[test]
fn what_came_in_gives_the_same_decisions_again() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let file = |name: &str| folder.path().join(name).display().to_string();
        let text = format!("{PLAN}\n[journal]\npath = \"journal.db\"\nraw_mb = 1\n");
        std::fs::write(file("plan.toml"), text).expect("a file");
        // The second run begins with what the first has left.
        for boot in 1..=2 {
            let daemon = start(folder.path()).await;
            let mut ears = mqtt(&daemon).await;
            evening(&daemon, &mut ears).await;
            let alarm = "/api/v1/alarms/left-diverging:w1/out-of-service";
            let aside = post(&daemon, alarm, r#"{"who":"Ann","why":"mending"}"#).await;
            // In the second run it is out of service already, and that is said.
            assert!(aside.status.is_success() || boot == 2, "{}", aside.body);
            let back = post(&daemon, "/api/v1/detectors/d-west/in-service", "{}").await;
            assert_eq!(back.status, StatusCode::NO_CONTENT, "{}", back.body);
            ears.position("w1", "normal").await;
            ears.current("d-goods-1", 0.2).await;
            ears.state("wharf/state/block/goods-1", "lost").await;
            ears.current("d-east", 0.2).await;
            daemon.stop().await;

            let (plan, recording) = (file("plan.toml"), file("evening.jsonl"));
            let words = [
                "record",
                "--plan",
                &plan,
                "--from-journal",
                "-o",
                &recording,
            ];
            let record = taillamp(&words);
            assert!(
                record.status.success(),
                "{}",
                String::from_utf8_lossy(&record.stderr)
            );
            let replay = taillamp(&["replay", "--plan", &plan, &recording]);
            assert!(
                replay.status.success(),
                "{}",
                String::from_utf8_lossy(&replay.stderr)
            );
            let replayed: Vec<Value> = String::from_utf8_lossy(&replay.stdout)
                .lines()
                .map(|line| serde_json::from_str(line).expect("JSON"))
                .filter(|line: &Value| line["kind"] != "end")
                .collect();
            let written = written(folder.path(), boot);
            assert!(written.len() > 15, "{} changes", written.len());
            for (number, (was, again)) in written.iter().zip(&replayed).enumerate() {
                assert_eq!(was, again, "run {boot}, change {number}");
            }
            // Time may have gone on for a moment after the last message.
            assert!(replayed.len().abs_diff(written.len()) <= 2);
        }
        // The report and the table come from the same file.
        let (plan, html, csv) = (file("plan.toml"), file("evening.html"), file("evening.csv"));
        let report = taillamp(&["report", "--plan", &plan, "-o", &html]);
        assert!(
            report.status.success(),
            "{}",
            String::from_utf8_lossy(&report.stderr)
        );
        let html = std::fs::read_to_string(html).expect("a report");
        for part in [
            "Strip chart",
            "Detectors",
            "Slow goods",
            "left-diverging",
            "</html>",
        ] {
            assert!(html.contains(part), "the report lacks {part}");
        }
        let fetched = ["src=", "href=", "@import", "url("];
        assert!(
            fetched.iter().all(|part| !html.contains(part)),
            "it needs nothing else"
        );
        let export = taillamp(&["export", "--plan", &plan, "-o", &csv]);
        assert!(
            export.status.success(),
            "{}",
            String::from_utf8_lossy(&export.stderr)
        );
        let csv = std::fs::read_to_string(csv).expect("a table");
        assert!(csv.lines().count() > 20 && csv.starts_with("seq,at,boot,kind"));
        let wrong = taillamp(&["report", "--plan", &plan, "--from", "noon", "-o", "x.html"]);
        assert_eq!(wrong.status.code(), Some(1));
        assert!(String::from_utf8_lossy(&wrong.stderr).contains("2026-01-31T18:05:09Z"));
    });
}
