//! The servers that the tests start, each a process that ends with the test.

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use http_body_util::{BodyExt as _, Empty};
use hyper::body::Bytes;
use hyper::client::conn::http1;
use hyper::{Request, header};
use hyper_util::rt::TokioIo;
use serde_json::Value;
use tokio::net::TcpStream;

use crate::harness::{DEADLINE, until};
use crate::port;

/// Whether these tests are asked for; says so on standard error when not.
pub fn asked(test: &str) -> bool {
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

/// A receiver of `receivers.py`.
pub struct Server {
    child: Child,
    pub port: u16,
    heard: Mutex<Receiver<Value>>,
}

impl Server {
    pub fn start(args: &[&str]) -> Self {
        let python = std::env::var("TAILLAMP_PYTHON").unwrap_or_else(|_| "python3".to_owned());
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/notify/receivers.py");
        let mut child = Command::new(python)
            .arg(script)
            .args(args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python starts");
        let stdout = child.stdout.take().expect("it was asked for");
        let mut lines = BufReader::new(stdout).lines().map_while(Result::ok);
        let first = lines.next().expect("the receiver has its libraries");
        let port = first
            .strip_prefix("port ")
            .and_then(|port| port.parse().ok())
            .unwrap_or_else(|| panic!("the receiver says: {first}"));
        let (sender, heard) = channel();
        std::thread::spawn(move || {
            for line in lines {
                let heard = serde_json::from_str(&line).expect("the receiver tells JSON");
                if sender.send(heard).is_err() {
                    return;
                }
            }
        });
        Self {
            child,
            port,
            heard: Mutex::new(heard),
        }
    }

    /// The next thing that arrives and fits.
    pub async fn hears(&self, fits: impl Fn(&Value) -> bool) -> Value {
        let deadline = Instant::now() + DEADLINE;
        loop {
            let next = {
                let heard = self.heard.lock().expect("one test, one thread");
                heard.recv_timeout(Duration::from_millis(1))
            };
            match next {
                Ok(heard) if fits(&heard) => return heard,
                Ok(_) => {}
                Err(RecvTimeoutError::Timeout) => {
                    assert!(Instant::now() < deadline, "nothing fits in {DEADLINE:?}");
                    tokio::time::sleep(Duration::from_millis(10)).await;
                }
                Err(RecvTimeoutError::Disconnected) => panic!("the receiver has ended"),
            }
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A certificate of `localhost`, signed by itself: `cert.pem` and `key.pem` in a folder.
pub fn certificate(folder: &Path) -> (String, String) {
    let file = |name: &str| folder.join(name).display().to_string();
    let (cert, key) = (file("cert.pem"), file("key.pem"));
    let made = Command::new("openssl")
        .args(["req", "-x509", "-newkey", "ec", "-pkeyopt"])
        .args(["ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"])
        .args(["-subj", "/CN=localhost", "-keyout", &key, "-out", &cert])
        .args(["-addext", "subjectAltName=DNS:localhost"])
        .args(["-addext", "basicConstraints=critical,CA:FALSE"])
        .stderr(Stdio::null())
        .status()
        .expect("openssl is installed");
    assert!(made.success());
    (cert, key)
}

/// Debian's alert manager, alone and with nobody to tell.
pub struct Alertmanager {
    child: Child,
    port: u16,
    _folder: tempfile::TempDir,
}

impl Alertmanager {
    pub async fn start() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let config = folder.path().join("alertmanager.yml");
        let text = "route:\n  receiver: nobody\nreceivers:\n  - name: nobody\n";
        std::fs::write(&config, text).expect("a file");
        let port = port::free();
        let child = Command::new("prometheus-alertmanager")
            .arg(format!("--config.file={}", config.display()))
            .arg(format!("--storage.path={}", folder.path().display()))
            .arg(format!("--web.listen-address=127.0.0.1:{port}"))
            .arg("--cluster.listen-address=")
            .arg("--log.level=error")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .expect("prometheus-alertmanager is installed");
        let manager = Self {
            child,
            port,
            _folder: folder,
        };
        until("the alert manager is ready", || async {
            manager.get("/-/ready").await.map(drop)
        })
        .await;
        manager
    }

    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// Waits until the alerts that it holds fit.
    pub async fn alert(&self, fit: impl Fn(&[Value]) -> bool) -> Vec<Value> {
        until("the alerts fit", || async {
            let text = self.get("/api/v2/alerts?active=true").await?;
            let alerts: Vec<Value> = serde_json::from_slice(&text).expect("a list");
            fit(&alerts).then_some(alerts)
        })
        .await
    }

    async fn get(&self, path: &str) -> Option<Bytes> {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).await.ok()?;
        let (mut sender, connection) = http1::handshake(TokioIo::new(stream)).await.ok()?;
        tokio::spawn(connection);
        let request = Request::get(path)
            .header(header::HOST, "localhost")
            .body(Empty::<Bytes>::new())
            .expect("a request");
        let answer = sender.send_request(request).await.ok()?;
        if !answer.status().is_success() {
            return None;
        }
        Some(answer.into_body().collect().await.ok()?.to_bytes())
    }
}

impl Drop for Alertmanager {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
