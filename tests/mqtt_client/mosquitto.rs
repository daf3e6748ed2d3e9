//! The client against another maker's broker, with and without TLS.
//!
//! Mosquitto and openssl must be installed, so these tests run only where the environment says
//! `TAILLAMP_FOREIGN=1`, and say so where it does not.

use std::io::Write;
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use taillamp::daemon::mqtt::client::{Arrival, ClientConfig};

use crate::{Daemon, Other, SOON, config, port, until};

fn asked(test: &str) -> bool {
    let asked = std::env::var("TAILLAMP_FOREIGN").is_ok_and(|value| value == "1");
    if !asked {
        // Straight to standard error: the harness hides what a passing test prints.
        let line = format!("{test}: not asked for (set TAILLAMP_FOREIGN=1)\n");
        std::io::stderr()
            .write_all(line.as_bytes())
            .expect("standard error is there");
    }
    asked
}

/// A directory of this test alone.
fn directory(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("mosquitto-{name}"));
    std::fs::create_dir_all(&path).expect("a place for files");
    path
}

struct Mosquitto {
    child: Child,
    addr: SocketAddr,
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Mosquitto {
    fn start(directory: &Path, port: u16, more: &str) -> Self {
        let file = directory.join("mosquitto.conf");
        // Started as root it would become a user who may not read the test's keys.
        let text = format!("listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n{more}\n");
        std::fs::write(&file, text).expect("a place for files");
        let child = Command::new("mosquitto")
            .arg("-c")
            .arg(file)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto is installed");
        let addr = SocketAddr::from(([127, 0, 0, 1], port));
        let broker = Self { child, addr };
        let deadline = Instant::now() + SOON;
        while TcpStream::connect(addr).is_err() {
            assert!(Instant::now() < deadline, "mosquitto does not listen");
            std::thread::sleep(Duration::from_millis(10));
        }
        broker
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mosquitto_standing_still_and_coming_back() {
    if !asked("mosquitto_standing_still_and_coming_back") {
        return;
    }
    const COUNT: usize = 900;
    let directory = directory("plain");
    let port = port::free();
    let broker = Mosquitto::start(&directory, port, "");
    let mut config = config(broker.addr);
    config.keep_alive = Duration::from_secs(1);
    let mut daemon = Daemon::start(config, 16);
    daemon.hears().await;
    let mut other = Other::watch(broker.addr, "other", Some("wharf/status")).await;
    assert_eq!(other.next().await.1, "online");
    // Fewer than Mosquitto's own limit of 1 000 messages that wait for one client.
    for number in 0..COUNT {
        other
            .publish("wharf/detector/d-1", &number.to_string(), false)
            .await;
    }
    tokio::time::sleep(Duration::from_secs(4)).await;
    for number in 0..COUNT {
        assert_eq!(daemon.message().await.1, number.to_string());
    }
    assert_eq!(daemon.publisher.counters().reconnects, 0);
    drop((broker, other));
    assert!(matches!(daemon.next().await, Arrival::Lost { .. }));
    daemon.publisher.set("wharf/state/block/a", "vacant");
    let broker = Mosquitto::start(&directory, port, "");
    assert_eq!(daemon.connected().await, 1);
    let mut other = Other::watch(broker.addr, "other", Some("wharf/#")).await;
    assert_eq!(other.next_on("wharf/state/block/a").await, "vacant");
    daemon.publisher.stop().await;
    let status = async { while other.next_on("wharf/status").await != "offline" {} };
    tokio::time::timeout(SOON, status).await.expect("a goodbye");
}

/// An authority, and a certificate of `localhost` signed by it.
fn certificates(directory: &Path) {
    let run = |args: &[&str]| {
        let output = Command::new("openssl")
            .args(args)
            .current_dir(directory)
            .output();
        let output = output.expect("openssl is installed");
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
    };
    let key = ["-newkey", "rsa:2048", "-nodes", "-days", "2"];
    for authority in ["ca", "other-ca"] {
        let (key_file, file) = (format!("{authority}.key"), format!("{authority}.pem"));
        let out = [
            "-keyout",
            &key_file,
            "-out",
            &file,
            "-subj",
            "/CN=Invented authority",
        ];
        run(&[&["req", "-x509"][..], &key, &out].concat());
    }
    let request = [
        "-keyout",
        "server.key",
        "-out",
        "server.csr",
        "-subj",
        "/CN=localhost",
    ];
    run(&[&["req"][..], &key[..3], &request].concat());
    std::fs::write(directory.join("names"), "subjectAltName=DNS:localhost").expect("a place");
    let sign = "x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 \
                -extfile names -out server.pem";
    run(&sign.split_whitespace().collect::<Vec<_>>());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn mosquitto_over_tls() {
    if !asked("mosquitto_over_tls") {
        return;
    }
    let directory = directory("tls");
    certificates(&directory);
    let file = |name: &str| directory.join(name);
    let more = format!(
        "certfile {}\nkeyfile {}\n",
        file("server.pem").display(),
        file("server.key").display()
    );
    let broker = Mosquitto::start(&directory, port::free(), &more);
    let over_tls = |host: &str, ca: &str| ClientConfig {
        url: format!("mqtts://{host}:{}", broker.addr.port()),
        ca_file: Some(file(ca)),
        ..config(broker.addr)
    };
    let mut daemon = Daemon::start(over_tls("localhost", "ca.pem"), 100);
    daemon.hears().await;
    daemon.publisher.set("wharf/detector/d-1", "to ourselves");
    assert_eq!(daemon.message().await.1, "to ourselves");
    daemon.publisher.stop().await;
    // Neither another authority nor another name will do.
    for config in [
        over_tls("localhost", "other-ca.pem"),
        over_tls("127.0.0.1", "ca.pem"),
    ] {
        let mut daemon = Daemon::start(config, 100);
        assert!(matches!(daemon.next().await, Arrival::Lost { .. }));
        let error = daemon.publisher.counters().last_error.expect("a reason");
        assert!(error.contains("certificate"), "{error}");
        until("it goes on trying", || {
            daemon.publisher.counters().last_error.is_some()
        })
        .await;
    }
}
