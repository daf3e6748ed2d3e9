//! Who is let in: hosts, origins, bodies, the PIN, limits, taken ports.

use std::process::Command;

use hyper::{Method, StatusCode};
use taillamp::daemon::mqtt::broker::access::hash;
use taillamp::daemon::{Daemon, Options, StartError};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};

use crate::harness::{Answer, Events, PLAN, ask, get, live, plan, post, send, start, until};

const ACT: &str = "/api/v1/detectors/d-east/out-of-service";

#[test]
fn a_foreign_host_is_refused_everywhere() {
    live(async {
        let daemon = start(PLAN).await;
        for path in [
            "/",
            "/api/v1/state",
            "/events",
            "/metrics",
            "/healthz",
            "/nowhere",
        ] {
            let answer = ask(&daemon, Method::GET, path, &[("host", "example.org")], "").await;
            assert_eq!(answer.status, StatusCode::MISDIRECTED_REQUEST, "{path}");
            assert!(!answer.body.contains("Wharf"), "{}", answer.body);
        }
        let ours = ask(
            &daemon,
            Method::GET,
            "/api/v1/state",
            &[("host", "localhost")],
            "",
        )
        .await;
        assert_eq!(ours.status, StatusCode::OK);
        let metrics = get(&daemon, "/metrics").await.body;
        assert!(
            metrics.contains("taillamp_http_refused_total{reason=\"host\"} 6\n"),
            "{metrics}"
        );
        daemon.stop().await;
    });
}

#[test]
fn another_origin_cannot_change_anything() {
    live(async {
        let daemon = start(PLAN).await;
        let json = ("content-type", "application/json");
        for foreign in [
            ("origin", "http://example.org"),
            ("origin", "null"),
            ("origin", "http://127.0.0.1:1"),
            ("sec-fetch-site", "cross-site"),
            ("sec-fetch-site", "same-site"),
        ] {
            let answer = ask(&daemon, Method::POST, ACT, &[json, foreign], "{}").await;
            assert_eq!(answer.status, StatusCode::FORBIDDEN, "{foreign:?}");
        }
        let form = [("content-type", "application/x-www-form-urlencoded")];
        let answer = ask(&daemon, Method::POST, ACT, &form, "who=x").await;
        assert_eq!(answer.status, StatusCode::UNSUPPORTED_MEDIA_TYPE);
        let health = get(&daemon, "/api/v1/detectors/d-east").await.json()["health"].clone();
        assert_ne!(health, "out-of-service", "nothing was changed");

        let own = format!("http://{}", daemon.addresses().web);
        let headers = [
            json,
            ("origin", own.as_str()),
            ("sec-fetch-site", "same-origin"),
        ];
        let answer = ask(&daemon, Method::POST, ACT, &headers, "{}").await;
        assert_eq!(answer.status, StatusCode::NO_CONTENT, "our own page may");
        daemon.stop().await;
    });
}

#[test]
fn every_answer_carries_the_headers_and_none_allows_another_origin() {
    live(async {
        let daemon = start(PLAN).await;
        for path in [
            "/",
            "/app.js",
            "/api/v1/state",
            "/nowhere",
            "/events",
            "/metrics",
        ] {
            let answer = send(
                &daemon,
                Method::GET,
                path,
                &[("origin", "http://x.org")],
                "",
            )
            .await;
            let headers = answer.headers();
            let policy = headers["content-security-policy"].to_str().expect("text");
            assert!(policy.contains("default-src 'self'"), "{path}");
            assert!(policy.contains("frame-ancestors 'none'"), "{path}");
            assert!(!policy.contains("unsafe"), "{path}");
            assert_eq!(headers["x-content-type-options"], "nosniff", "{path}");
            assert_eq!(headers["referrer-policy"], "no-referrer", "{path}");
            assert!(
                !headers.contains_key("access-control-allow-origin"),
                "{path}"
            );
        }
        daemon.stop().await;
    });
}

#[test]
fn the_page_is_not_sent_again_to_who_has_it() {
    live(async {
        let daemon = start(PLAN).await;
        let first = get(&daemon, "/").await;
        assert!(first.body.contains("<!doctype html>") || first.body.contains("<!DOCTYPE html>"));
        let tag = first.headers["etag"].to_str().expect("text").to_owned();
        let known = [("if-none-match", tag.as_str())];
        let again = ask(&daemon, Method::GET, "/", &known, "").await;
        assert_eq!(again.status, StatusCode::NOT_MODIFIED);
        assert_eq!(again.body, "");
        let other = [("if-none-match", "\"other\"")];
        assert_eq!(
            ask(&daemon, Method::GET, "/", &other, "").await.status,
            StatusCode::OK
        );
        daemon.stop().await;
    });
}

#[test]
fn bodies_that_are_too_long_and_wrong_methods_are_refused() {
    live(async {
        let daemon = start(PLAN).await;
        let long = format!("{{\"why\":\"{}\"}}", "x".repeat(17 * 1_024));
        let answer = post(&daemon, ACT, &long).await;
        assert_eq!(answer.status, StatusCode::PAYLOAD_TOO_LARGE);
        let answer = ask(&daemon, Method::DELETE, "/api/v1/state", &[], "").await;
        assert_eq!(answer.status, StatusCode::METHOD_NOT_ALLOWED);
        assert_eq!(answer.headers["content-type"], "application/problem+json");
        let answer = get(&daemon, "/api/v1/history?from=0&to=1").await;
        assert_eq!(
            answer.status,
            StatusCode::SERVICE_UNAVAILABLE,
            "without a journal"
        );
        assert!(
            answer.json()["detail"]
                .as_str()
                .is_some_and(|why| why.contains("journal"))
        );
        daemon.stop().await;
    });
}

const SESSION: &str = "/api/v1/session";

/// A daemon whose PIN is 2468; the folder holds its hash.
async fn start_with_pin() -> (Daemon, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("pin");
    std::fs::write(&file, hash("2468").expect("a hash")).expect("a file");
    let web = format!("[web]\npin_file = \"{}\"\n", file.display());
    (start(&PLAN.replace("[web]\n", &web)).await, folder)
}

/// What a PIN is answered with.
async fn enter(daemon: &Daemon, pin: &str) -> Answer {
    post(daemon, SESSION, &format!("{{\"pin\":\"{pin}\"}}")).await
}

#[test]
fn a_pin_opens_the_door_until_the_session_ends() {
    live(async {
        let (daemon, _folder) = start_with_pin().await;
        let reading = get(&daemon, "/api/v1/state").await;
        assert_eq!(reading.status, StatusCode::OK, "reading is free");
        let needed = get(&daemon, SESSION).await.json();
        assert_eq!(needed, serde_json::json!({"needed": true, "held": false}));
        for path in [ACT, "/api/v1/plan/reload"] {
            let status = post(&daemon, path, "").await.status;
            assert_eq!(status, StatusCode::UNAUTHORIZED, "{path}");
        }
        assert_eq!(enter(&daemon, "1111").await.status, StatusCode::FORBIDDEN);
        let right = enter(&daemon, "2468").await;
        assert_eq!(right.status, StatusCode::NO_CONTENT, "{right:?}");
        let cookie = right.headers["set-cookie"]
            .to_str()
            .expect("text")
            .to_owned();
        let closed = cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict");
        assert!(closed, "{cookie}");
        let pair = cookie.split(';').next().expect("a pair");
        let with = [("cookie", pair), ("content-type", "application/json")];
        let acted = ask(&daemon, Method::POST, ACT, &with, "").await;
        assert_eq!(acted.status, StatusCode::NO_CONTENT);
        let held = ask(&daemon, Method::GET, SESSION, &with, "").await.json();
        assert_eq!(held["held"], true);
        let foreign = [with[0], with[1], ("origin", "http://example.org")];
        let answer = ask(&daemon, Method::POST, ACT, &foreign, "").await;
        assert_eq!(
            answer.status,
            StatusCode::FORBIDDEN,
            "a session does not help another origin"
        );
        ask(&daemon, Method::DELETE, SESSION, &with, "").await;
        let after = ask(&daemon, Method::POST, ACT, &with, "").await;
        assert_eq!(after.status, StatusCode::UNAUTHORIZED);
        daemon.stop().await;
    });
}

#[test]
fn wrong_pins_cost_time() {
    live(async {
        let (daemon, _folder) = start_with_pin().await;
        for _ in 0..5 {
            assert_eq!(enter(&daemon, "1111").await.status, StatusCode::FORBIDDEN);
        }
        let wait = enter(&daemon, "2468").await;
        assert_eq!(
            wait.status,
            StatusCode::TOO_MANY_REQUESTS,
            "also for the right one"
        );
        assert_eq!(wait.headers["retry-after"], "1");
        until("the wait ends", async || {
            let answer = enter(&daemon, "2468").await;
            (answer.status == StatusCode::NO_CONTENT).then_some(())
        })
        .await;
        daemon.stop().await;
    });
}

#[test]
fn a_pin_file_without_a_hash_keeps_the_daemon_from_starting() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("pin");
        std::fs::write(&file, "2468\n").expect("a file");
        let web = format!("[web]\npin_file = \"{}\"\n", file.display());
        let started = Daemon::start(plan(&PLAN.replace("[web]\n", &web)), Options::default()).await;
        let error = started
            .expect_err("a PIN in clear text is no hash")
            .to_string();
        assert!(
            error.contains("[web] pin_file") && !error.contains("2468"),
            "{error}"
        );
    });
}

#[test]
fn a_taken_port_is_named_with_its_key() {
    live(async {
        let taken = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = taken.local_addr().expect("it listens");
        for (section, key) in [("[web]", "[web] listen"), ("[mqtt]", "[mqtt] listen")] {
            let free = format!("{section}\nlisten = \"127.0.0.1:0\"");
            let text = PLAN.replace(&free, &format!("{section}\nlisten = \"{address}\""));
            let started = Daemon::start(plan(&text), Options::default()).await;
            let error = started.expect_err("the port is taken");
            let named = matches!(error, StartError::PortTaken { key: k, address: a }
                if k == key && a == address);
            assert!(named, "{error:?}");
        }
    });
}

#[test]
fn streams_have_a_limit_and_are_counted() {
    live(async {
        let daemon = start(PLAN).await;
        let mut streams = Vec::new();
        for _ in 0..256 {
            streams.push(Events::open(&daemon, None).await);
        }
        let metrics = get(&daemon, "/metrics").await.body;
        assert!(metrics.contains("taillamp_event_streams 256\n"));
        let refused = send(&daemon, Method::GET, "/events", &[], "").await;
        assert_eq!(refused.status(), StatusCode::SERVICE_UNAVAILABLE);
        assert!(refused.headers().contains_key("retry-after"));
        drop(streams);
        until("all streams are seen to end", async || {
            let metrics = get(&daemon, "/metrics").await.body;
            metrics.contains("taillamp_event_streams 0\n").then_some(())
        })
        .await;
        Events::open(&daemon, None)
            .await
            .next()
            .await
            .expect("there is room again");
        daemon.stop().await;
    });
}

#[test]
fn connections_have_a_limit_and_heads_too() {
    live(async {
        let daemon = start(PLAN).await;
        let web = daemon.addresses().web;
        let mut open = Vec::new();
        for _ in 0..512 {
            let mut stream = TcpStream::connect(web).await.expect("there is room");
            let request = format!("GET /healthz HTTP/1.1\r\nhost: {web}\r\n\r\n");
            stream
                .write_all(request.as_bytes())
                .await
                .expect("it is taken");
            let mut answer = [0; 16];
            stream.read_exact(&mut answer).await.expect("an answer");
            open.push(stream);
        }
        let mut refused = TcpStream::connect(web)
            .await
            .expect("the system lets it in");
        let mut nothing = Vec::new();
        // Closed at once, with or without a reset.
        let read = refused.read_to_end(&mut nothing).await;
        assert!(nothing.is_empty(), "{read:?}");
        drop(open);
        until("there is room again", async || {
            let stream = TcpStream::connect(web).await.ok()?;
            let (mut read, mut write) = stream.into_split();
            let long = "x".repeat(64 * 1_024);
            let request = format!("GET /healthz HTTP/1.1\r\nhost: {web}\r\nx: {long}\r\n\r\n");
            // It may be closed before all of it is sent.
            let _ = write.write_all(request.as_bytes()).await;
            let mut answer = String::new();
            let _ = read.read_to_string(&mut answer).await;
            answer.starts_with("HTTP/1.1 431").then_some(())
        })
        .await;
        daemon.stop().await;
    });
}

/// The page over TLS, judged by foreign programs: a certificate by openssl, asked for by curl.
#[test]
fn the_page_is_served_over_tls() {
    if std::env::var_os("TAILLAMP_FOREIGN").is_none() {
        println!("openssl and curl were not asked for (TAILLAMP_FOREIGN=1 asks)");
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let (cert, key) = (
        folder.path().join("cert.pem"),
        folder.path().join("key.pem"),
    );
    let made = Command::new("openssl")
        .args([
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:prime256v1",
        ])
        .args(["-nodes", "-days", "2", "-subj", "/CN=localhost"])
        .args(["-addext", "subjectAltName=DNS:localhost", "-keyout"])
        .arg(&key)
        .arg("-out")
        .arg(&cert)
        .output()
        .expect("openssl is installed");
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
    live(async {
        let tls = format!(
            "[web]\ntls = {{ cert = \"{}\", key = \"{}\" }}\n",
            cert.display(),
            key.display()
        );
        let daemon = start(&PLAN.replace("[web]\n", &tls)).await;
        let port = daemon.addresses().web.port();
        let url = format!("https://localhost:{port}/healthz");
        let asked = tokio::task::spawn_blocking(move || {
            let to = format!("localhost:{port}:127.0.0.1");
            Command::new("curl")
                .args(["-sS", "--max-time", "10", "--resolve", &to, "--cacert"])
                .arg(&cert)
                .arg(&url)
                .output()
        });
        let answer = asked.await.expect("it ends").expect("curl is installed");
        let said = String::from_utf8_lossy(&answer.stderr).into_owned();
        assert_eq!(String::from_utf8_lossy(&answer.stdout), "ok\n", "{said}");
        daemon.stop().await;
    });
}
