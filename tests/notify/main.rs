//! Ways out against real servers: a web server that reads CloudEvents with the project's own Python
//! library, a mail server, an alert manager, a program.
//!
//! The servers are of other makers (PyPI `cloudevents` and `aiosmtpd`, Debian's
//! `prometheus-alertmanager`), so those tests run only where the environment says
//! `TAILLAMP_FOREIGN=1`, and say so where it does not. `TAILLAMP_PYTHON` names a Python that has
//! the libraries (`python3`).

#[allow(dead_code, reason = "shared with tests/daemon, which uses all of it")]
#[path = "../daemon/harness.rs"]
mod harness;
#[path = "../daemon/port.rs"]
mod port;
mod servers;

use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use serde_json::Value;
use taillamp::daemon::Daemon;

use harness::{Mqtt, PLAN, get, live, start, until};
use servers::{Alertmanager, Server, asked, certificate};

const ALARM: &str = "left-diverging:w1";

/// The plan with these ways out.
fn with(ways: &str) -> String {
    format!("{PLAN}\n{ways}")
}

/// Points are set diverging, a train passes into the siding, nobody sets them back (rule T2).
async fn leave_diverging(mqtt: &mut Mqtt) {
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
}

async fn daemon(ways: &str) -> (Daemon, Mqtt) {
    let daemon = start(&with(ways)).await;
    let mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
    (daemon, mqtt)
}

/// A counter of a way out.
async fn counted(daemon: &Daemon, way: &str, outcome: &str, number: u64) {
    let row =
        format!("taillamp_notifications_total{{outcome=\"{outcome}\",way=\"{way}\"}} {number}\n");
    until(&row, || async {
        get(daemon, "/metrics")
            .await
            .body
            .contains(&row)
            .then_some(())
    })
    .await;
}

/// CloudEvents 1.0, structured mode: read and validated by the project's own library.
#[test]
fn a_webhook_gets_cloud_events() {
    if !asked("a_webhook_gets_cloud_events") {
        return;
    }
    live(async {
        let server = Server::start(&["http"]);
        let ways = format!(
            "[[notify]]\nid = \"hook\"\nurl = \"http://127.0.0.1:{}/event\"\nreturned = true\n",
            server.port
        );
        let (daemon, mut mqtt) = daemon(&ways).await;
        leave_diverging(&mut mqtt).await;
        let raised = server.hears(|heard| heard["path"] == "/event").await;
        let event = &raised["event"]["attributes"];
        assert_eq!(event["type"], "taillamp.alarm.raised", "{raised}");
        assert_eq!(event["specversion"], "1.0");
        assert_eq!(event["source"], "/taillamp/wharf");
        assert_eq!(event["subject"], ALARM);
        let data = &raised["event"]["data"];
        assert_eq!(data["text"], "Points 1 left diverging");
        assert_eq!(data["priority"], "medium");
        assert_eq!(
            raised["headers"]["content-type"],
            "application/cloudevents+json; charset=utf-8"
        );

        mqtt.position("w1", "normal").await;
        let over = server.hears(|heard| heard["path"] == "/event").await;
        let attributes = &over["event"]["attributes"];
        assert_eq!(attributes["type"], "taillamp.alarm.over", "{over}");
        assert_ne!(attributes["id"], event["id"], "source and id are unique");
        counted(&daemon, "hook", "sent", 2).await;
        daemon.stop().await;
    });
}

/// A push service: a body of its own, headers, and a token that is in a file.
#[test]
fn a_webhook_with_a_body_of_the_plans() {
    if !asked("a_webhook_with_a_body_of_the_plans") {
        return;
    }
    live(async {
        let server = Server::start(&["http"]);
        let folder = tempfile::tempdir().expect("a folder");
        let token = folder.path().join("token");
        fs::write(&token, "sesame\n").expect("a file");
        let ways = format!(
            "[[notify]]\nurl = \"http://127.0.0.1:{}/push?x=1\"\ntoken_file = \"{}\"\n\
             content_type = \"application/json\"\n\
             body = '{{\"title\":\"{{{{layout}}}}\",\"message\":\"{{{{text}}}}: {{{{do}}}}\"}}'\n\
             headers = [\"X-Priority: {{{{priority}}}}\"]\n",
            server.port,
            token.display()
        );
        let (daemon, mut mqtt) = daemon(&ways).await;
        leave_diverging(&mut mqtt).await;
        let heard = server.hears(|heard| heard["path"] == "/push?x=1").await;
        let body: Value = serde_json::from_str(heard["body"].as_str().unwrap_or_default())
            .expect("the body is JSON");
        assert_eq!(body["title"], "Wharf Lane");
        let message = "Points 1 left diverging: Set the points straight.";
        assert_eq!(body["message"], message);
        assert_eq!(heard["headers"]["authorization"], "Bearer sesame");
        assert_eq!(heard["headers"]["x-priority"], "medium");
        daemon.stop().await;
    });
}

/// A server that is in trouble is tried again; one that refuses is not.
#[test]
fn a_webhook_is_tried_again_and_a_refusal_is_not() {
    if !asked("a_webhook_is_tried_again_and_a_refusal_is_not") {
        return;
    }
    live(async {
        let server = Server::start(&["http"]);
        let ways = format!(
            "[[notify]]\nid = \"slow\"\nurl = \"http://127.0.0.1:{port}/fail-2/a\"\n\
             [[notify]]\nid = \"no\"\nurl = \"http://127.0.0.1:{port}/never\"\n",
            port = server.port
        );
        let (daemon, mut mqtt) = daemon(&ways).await;
        leave_diverging(&mut mqtt).await;
        server
            .hears(|heard| heard["path"] == "/fail-2/a" && heard["status"] == 204)
            .await;
        counted(&daemon, "slow", "sent", 1).await;
        counted(&daemon, "slow", "failed", 2).await;
        counted(&daemon, "no", "refused", 1).await;
        counted(&daemon, "no", "failed", 0).await;
        daemon.stop().await;
    });
}

#[test]
fn a_mail_server_gets_a_letter() {
    if !asked("a_mail_server_gets_a_letter") {
        return;
    }
    live(async {
        let server = Server::start(&["smtp"]);
        let ways = format!(
            "[[notify]]\nid = \"post\"\nkind = \"mail\"\nurl = \"smtp://127.0.0.1:{}\"\n\
             plain = true\nfrom = \"Wharf Lane <layout@example.org>\"\n\
             to = [\"ann@example.org\", \"bob@example.org\"]\n",
            server.port
        );
        let (daemon, mut mqtt) = daemon(&ways).await;
        leave_diverging(&mut mqtt).await;
        let letter = server.hears(|_| true).await;
        assert_eq!(letter["from"], "layout@example.org");
        let to = serde_json::json!(["ann@example.org", "bob@example.org"]);
        assert_eq!(letter["to"], to);
        let text = letter["text"].as_str().unwrap_or_default();
        assert!(
            text.contains("Subject: [medium] Points 1 left diverging - Wharf Lane\r\n"),
            "{text}"
        );
        assert!(text.contains("Do: Set the points straight."), "{text}");
        counted(&daemon, "post", "sent", 1).await;
        daemon.stop().await;
    });
}

/// STARTTLS (RFC 3207) and a password; by `notify-test`, as somebody who sets it up would.
#[test]
fn a_mail_server_behind_tls_and_a_password() {
    if !asked("a_mail_server_behind_tls_and_a_password") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let (cert, key) = certificate(folder.path());
    let server = Server::start(&["smtp", &cert, &key]);
    fs::write(folder.path().join("password"), "sesame\n").expect("a file");
    let way = |more: &str| {
        format!(
            "[[notify]]\nid = \"post\"\nkind = \"mail\"\nurl = \"smtp://localhost:{}\"\n\
             from = \"layout@example.org\"\nto = [\"ann@example.org\"]\nuser = \"layout\"\n{more}",
            server.port
        )
    };
    let trusting = way("password_file = \"password\"\nca_file = \"cert.pem\"\n");
    let good = notify_test(folder.path(), &trusting, &[]);
    assert_eq!(good.status.code(), Some(0), "{}", said(&good));
    live(async {
        let letter = server.hears(|_| true).await;
        assert_eq!(letter["tls"], true);
        assert_eq!(letter["user"], "layout");
    });
    // Whom nobody vouches for is not spoken to.
    let wary = notify_test(folder.path(), &way("password_file = \"password\"\n"), &[]);
    assert_eq!(wary.status.code(), Some(4), "{}", said(&wary));
    fs::write(folder.path().join("password"), "hush-hush").expect("a file");
    let wrong = notify_test(folder.path(), &trusting, &[]);
    assert_eq!(wrong.status.code(), Some(4), "{}", said(&wrong));
    assert!(!said(&wrong).contains("hush-hush"), "{}", said(&wrong));
}

#[test]
fn an_alert_manager_is_kept_in_step() {
    if !asked("an_alert_manager_is_kept_in_step") {
        return;
    }
    live(async {
        let manager = Alertmanager::start().await;
        let ways = format!(
            "[[notify]]\nid = \"am\"\nkind = \"alertmanager\"\nurl = \"{}/api/v2/alerts\"\n",
            manager.url()
        );
        let (daemon, mut mqtt) = daemon(&ways).await;
        leave_diverging(&mut mqtt).await;
        let alert = manager.alert(|alerts| !alerts.is_empty()).await;
        let labels = &alert[0]["labels"];
        assert_eq!(labels["alertname"], "left-diverging");
        assert_eq!(labels["alarm"], ALARM);
        assert_eq!(labels["severity"], "medium");
        assert_eq!(
            alert[0]["annotations"]["summary"],
            "Points 1 left diverging"
        );
        assert_eq!(alert[0]["status"]["state"], "active");
        mqtt.position("w1", "normal").await;
        manager.alert(<[Value]>::is_empty).await;
        daemon.stop().await;
    });
}

/// No shell: what an alarm says cannot become a command. No foreign server is needed.
#[test]
fn a_program_gets_its_arguments() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let out = folder.path().join("out");
        let program = folder.path().join("program");
        let text = format!(
            "#!/bin/sh\nprintf '%s|' \"$@\" > {0}.new\nmv {0}.new {0}\n",
            out.display()
        );
        fs::write(&program, text).expect("a file");
        let mode = Command::new("chmod").arg("755").arg(&program).status();
        assert!(mode.expect("chmod starts").success());
        let ways = format!(
            "[[notify]]\nid = \"say\"\nkind = \"command\"\n\
             command = [\"{}\", \"{{{{text}}}}; $(id)\", \"--level={{{{priority}}}}\"]\n",
            program.display()
        );
        let (daemon, mut mqtt) = daemon(&ways).await;
        leave_diverging(&mut mqtt).await;
        let said = until("the program ran", || async {
            fs::read_to_string(&out).ok()
        })
        .await;
        assert_eq!(said, "Points 1 left diverging; $(id)|--level=medium|");
        counted(&daemon, "say", "sent", 1).await;
        daemon.stop().await;
    });
}

/// Line-up says so when no page listens and no way out has answered.
#[test]
fn line_up_tells_when_nobody_would_hear() {
    live(async {
        let (daemon, _mqtt) = daemon("").await;
        let nobody = |noted: bool| {
            let daemon = &daemon;
            async move {
                until(&format!("nobody would hear: {noted}"), || async {
                    let line_up = get(daemon, "/api/v1/line-up").await.json();
                    let list = line_up["exceptions"]
                        .as_array()
                        .cloned()
                        .unwrap_or_default();
                    let found = list.iter().any(|one| one["id"] == "warnings");
                    (found == noted).then_some(())
                })
                .await;
            }
        };
        nobody(true).await;
        let page = harness::send(&daemon, hyper::Method::GET, "/events?listening=1", &[], "").await;
        nobody(false).await;
        let metrics = get(&daemon, "/metrics").await.body;
        assert!(
            metrics.contains("taillamp_listening_pages 1\n"),
            "{metrics}"
        );
        drop(page);
        nobody(true).await;
        daemon.stop().await;
    });
}

fn notify_test(folder: &Path, ways: &str, more: &[&str]) -> Output {
    let plan = folder.join("plan.toml");
    fs::write(&plan, with(ways)).expect("a file");
    Command::new(env!("CARGO_BIN_EXE_taillamp"))
        .arg("notify-test")
        .arg("--plan")
        .arg(&plan)
        .args(more)
        .env("TEST_URL", "http://127.0.0.1:1/open-sesame")
        .stdin(Stdio::null())
        .output()
        .expect("the program starts")
}

fn said(output: &Output) -> String {
    let both = [&output.stdout[..], &output.stderr[..]].concat();
    String::from_utf8_lossy(&both).into_owned()
}

#[test]
fn notify_test_says_what_came_of_each_and_repeats_no_secret() {
    let folder = tempfile::tempdir().expect("a folder");
    let nowhere = port::free();
    fs::write(
        folder.path().join("address"),
        format!("http://127.0.0.1:{nowhere}/open-sesame"),
    )
    .expect("a file");
    let ways = "[[notify]]\nid = \"good\"\nkind = \"command\"\ncommand = [\"true\"]\n\
                [[notify]]\nid = \"shut\"\nurl_file = \"address\"\n\
                [[notify]]\nid = \"shut-too\"\nurl_env = \"TEST_URL\"\n";
    let all = notify_test(folder.path(), ways, &[]);
    assert_eq!(all.status.code(), Some(4));
    let text = said(&all);
    assert!(text.contains("good: sent"), "{text}");
    assert!(text.contains("shut: not sent"), "{text}");
    assert!(text.contains("shut-too: not sent"), "{text}");
    assert!(!text.contains("sesame"), "{text}");
    let one = notify_test(folder.path(), ways, &["--id", "good"]);
    assert_eq!(one.status.code(), Some(0), "{}", said(&one));
    let none = notify_test(folder.path(), ways, &["--id", "god"]);
    assert_eq!(none.status.code(), Some(1));
    assert!(said(&none).contains("good, shut"), "{}", said(&none));
    let empty = notify_test(folder.path(), "", &[]);
    assert_eq!(empty.status.code(), Some(1));
}
