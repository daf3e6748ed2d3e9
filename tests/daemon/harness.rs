//! What the live tests share: a small layout, a daemon on free ports, an MQTT client and an HTTP
//! client of their own. Nothing sleeps and hopes: every wait has a condition and a deadline.

use std::collections::BTreeMap;
use std::time::Duration;

use bytes::Bytes;
use http_body_util::{BodyExt as _, Full};
use hyper::body::Incoming;
use hyper::client::conn::http1;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::TokioIo;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use serde_json::Value;
use taillamp::daemon::{Daemon, Options};
use taillamp::plan::{self, Plan};
use tokio::net::TcpStream;
use tokio::sync::mpsc;

/// How long a condition may take to come. Generous, because the machine may be busy.
pub const DEADLINE: Duration = Duration::from_secs(20);

/// Wharf Lane, cut down: an invented layout of three blocks and one turnout, with short times.
pub const PLAN: &str = r#"
[layout]
name = "Wharf Lane"
scale = "HO"
topic_prefix = "wharf"

[mqtt]
listen = "127.0.0.1:0"
accept_commands = true

[web]
listen = "127.0.0.1:0"

[defaults]
release_s = 0.1
clear_s = 0.3
restore_s = 0.2
boot_s = 0

[[block]]
id = "loop-east"

[[block]]
id = "loop-west"

[[block]]
id = "goods-1"
use = "siding"

[[join]]
ends = ["loop-west.b", "loop-east.a"]

[[turnout]]
id = "w1"
name = "Points 1"
toe = "loop-east.b"
normal = "loop-west.a"
reverse = "goods-1.a"

[[detector]]
id = "d-east"
kind = "current"
block = "loop-east"
on = 3.0
off = 1.5
max_silence_s = 60

[[detector]]
id = "d-west"
kind = "current"
block = "loop-west"
on = 3.0
off = 1.5
max_silence_s = 60

[[detector]]
id = "d-goods-1"
kind = "current"
block = "goods-1"
on = 3.0
off = 1.5
max_silence_s = 60
"#;

/// A plan from text that must be good.
pub fn plan(text: &str) -> Plan {
    let (plan, findings) = plan::load(text, "plan.toml");
    plan.unwrap_or_else(|| panic!("the plan has errors: {findings:?}"))
}

/// A daemon for a plan.
pub async fn start(text: &str) -> Daemon {
    Daemon::start(plan(text), Options::default())
        .await
        .expect("free ports")
}

/// Runs a test with a deadline for the whole of it.
pub fn live(test: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        tokio::time::timeout(Duration::from_secs(120), test)
            .await
            .expect("the test hangs");
    });
}

/// Asks until the answer is the wanted one.
pub async fn until<T, F: Future<Output = Option<T>>>(what: &str, mut ask: impl FnMut() -> F) -> T {
    let wait = async {
        loop {
            if let Some(answer) = ask().await {
                return answer;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    match tokio::time::timeout(DEADLINE, wait).await {
        Ok(answer) => answer,
        Err(_) => panic!("in {DEADLINE:?} it did not come: {what}"),
    }
}

/// An MQTT client that keeps what it hears.
pub struct Mqtt {
    client: AsyncClient,
    heard: mpsc::UnboundedReceiver<(String, Bytes)>,
    /// The last payload of each topic.
    pub last: BTreeMap<String, Bytes>,
    /// All that was heard, in order.
    pub log: Vec<(String, Bytes)>,
}

impl Mqtt {
    /// Connects and subscribes to everything.
    pub async fn new(broker: std::net::SocketAddr) -> Self {
        Self::login(broker, None).await
    }

    /// Connects with a user and a password.
    pub async fn login(broker: std::net::SocketAddr, login: Option<(&str, &str)>) -> Self {
        let id = format!("test-{}", broker.port());
        let mut options = MqttOptions::new(id, broker.ip().to_string(), broker.port());
        options.set_keep_alive(Duration::from_secs(30));
        if let Some((user, password)) = login {
            options.set_credentials(user, password);
        }
        let (client, mut events) = AsyncClient::new(options, 1_000);
        let (sender, heard) = mpsc::unbounded_channel();
        tokio::spawn(async move {
            loop {
                match events.poll().await {
                    Ok(Event::Incoming(Packet::Publish(message))) => {
                        if sender.send((message.topic, message.payload)).is_err() {
                            return;
                        }
                    }
                    Ok(_) => {}
                    // The broker is gone: so is the test's interest, or it makes a new client.
                    Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
                }
                if sender.is_closed() {
                    return;
                }
            }
        });
        client
            .subscribe("#", QoS::AtLeastOnce)
            .await
            .expect("the client runs");
        Self {
            client,
            heard,
            last: BTreeMap::new(),
            log: Vec::new(),
        }
    }

    /// Publishes, not retained.
    pub async fn publish(&self, topic: &str, payload: impl Into<Vec<u8>>) {
        let sent = self
            .client
            .publish(topic, QoS::AtLeastOnce, false, payload.into())
            .await;
        sent.expect("the client runs");
    }

    /// Publishes, retained.
    pub async fn keep(&self, topic: &str, payload: &str) {
        let sent = self
            .client
            .publish(topic, QoS::AtLeastOnce, true, payload)
            .await;
        sent.expect("the client runs");
    }

    /// One sample of a current detector.
    pub async fn current(&self, detector: &str, ma: f64) {
        let pack = format!(r#"[{{"n":"current","u":"mA","v":{ma}}}]"#);
        self.publish(&format!("wharf/detector/{detector}"), pack)
            .await;
    }

    /// Where points are.
    pub async fn position(&self, turnout: &str, position: &str) {
        let pack = format!(r#"[{{"n":"position","vs":"{position}"}}]"#);
        self.keep(&format!("wharf/position/{turnout}"), &pack).await;
    }

    /// Waits for a message that fits.
    pub async fn hear(&mut self, topic: &str, fits: impl Fn(&[u8]) -> bool) -> Bytes {
        if let Some(known) = self.last.get(topic).filter(|known| fits(known)) {
            return known.clone();
        }
        let wait = async {
            loop {
                let (heard, payload) = self.heard.recv().await.expect("the client runs");
                self.last.insert(heard.clone(), payload.clone());
                self.log.push((heard.clone(), payload.clone()));
                if heard == topic && fits(&payload) {
                    return payload;
                }
            }
        };
        match tokio::time::timeout(DEADLINE, wait).await {
            Ok(payload) => payload,
            Err(_) => panic!("nothing fits on {topic}; heard: {:#?}", self.last),
        }
    }

    /// Waits for a state.
    pub async fn state(&mut self, topic: &str, state: &str) -> Value {
        let has = |payload: &[u8]| {
            let record: Value = serde_json::from_slice(payload).unwrap_or_default();
            record["state"] == state
        };
        let payload = self.hear(topic, has).await;
        serde_json::from_slice(&payload).expect("it was read before")
    }
}

/// One answer.
#[derive(Debug)]
pub struct Answer {
    pub status: StatusCode,
    pub headers: hyper::HeaderMap,
    pub body: String,
}

impl Answer {
    /// The body as JSON.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{error}: {}", self.body))
    }
}

/// Sends a request on a connection of its own; `Host` is the daemon's unless given.
pub async fn send(
    daemon: &Daemon,
    method: Method,
    path: &str,
    headers: &[(&str, &str)],
    body: impl Into<Bytes>,
) -> Response<Incoming> {
    let address = daemon.addresses().web;
    let stream = TcpStream::connect(address)
        .await
        .expect("the daemon listens");
    let (mut sender, connection) = http1::handshake(TokioIo::new(stream))
        .await
        .expect("a connection");
    tokio::spawn(connection);
    let mut request = Request::builder().method(method).uri(path);
    if !headers
        .iter()
        .any(|(name, _)| name.eq_ignore_ascii_case("host"))
    {
        request = request.header("host", address.to_string());
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    let request = request.body(Full::new(body.into())).expect("a request");
    sender.send_request(request).await.expect("an answer")
}

/// Sends a request and reads the whole answer.
pub async fn ask(
    daemon: &Daemon,
    method: Method,
    path: &str,
    headers: &[(&str, &str)],
    body: &str,
) -> Answer {
    let answer = send(daemon, method, path, headers, body.to_owned()).await;
    let (status, headers) = (answer.status(), answer.headers().clone());
    let body = answer
        .into_body()
        .collect()
        .await
        .expect("a whole body")
        .to_bytes();
    let body = String::from_utf8(body.to_vec()).expect("text");
    Answer {
        status,
        headers,
        body,
    }
}

/// `GET`.
pub async fn get(daemon: &Daemon, path: &str) -> Answer {
    ask(daemon, Method::GET, path, &[], "").await
}

/// `POST` with a JSON body.
pub async fn post(daemon: &Daemon, path: &str, body: &str) -> Answer {
    ask(
        daemon,
        Method::POST,
        path,
        &[("content-type", "application/json")],
        body,
    )
    .await
}

/// One event of a stream.
#[derive(Clone, Debug)]
pub struct SentEvent {
    pub id: u64,
    pub kind: String,
    pub data: Value,
}

/// An open event stream.
pub struct Events {
    body: Incoming,
    text: String,
}

impl Events {
    /// Opens a stream, perhaps where another ended.
    pub async fn open(daemon: &Daemon, last: Option<u64>) -> Self {
        let last = last.map(|last| last.to_string());
        let headers: Vec<(&str, &str)> = last
            .iter()
            .map(|last| ("last-event-id", last.as_str()))
            .collect();
        let answer = send(daemon, Method::GET, "/events", &headers, "").await;
        assert_eq!(answer.status(), StatusCode::OK);
        assert_eq!(answer.headers()["content-type"], "text/event-stream");
        Self {
            body: answer.into_body(),
            text: String::new(),
        }
    }

    /// The next event; `None` at the end of the stream.
    pub async fn next(&mut self) -> Option<SentEvent> {
        loop {
            while let Some((event, rest)) = self.text.split_once("\n\n") {
                let (event, rest) = (event.to_owned(), rest.to_owned());
                self.text = rest;
                let field = |name: &str| {
                    event
                        .lines()
                        .find_map(|line| line.strip_prefix(name)?.strip_prefix(": "))
                };
                if let (Some(id), Some(kind), Some(data)) =
                    (field("id"), field("event"), field("data"))
                {
                    let id = id.parse().expect("a number");
                    let data = serde_json::from_str(data).expect("JSON");
                    return Some(SentEvent {
                        id,
                        kind: kind.into(),
                        data,
                    });
                }
            }
            let frame = tokio::time::timeout(DEADLINE, self.body.frame()).await;
            let frame = frame.expect("the stream is silent").and_then(Result::ok)?;
            let bytes = frame.into_data().expect("data");
            self.text
                .push_str(std::str::from_utf8(&bytes).expect("text"));
        }
    }

    /// Waits for an event that fits.
    pub async fn wait(&mut self, fits: impl Fn(&SentEvent) -> bool) -> SentEvent {
        let wait = async {
            loop {
                let event = self.next().await.expect("the stream goes on");
                if fits(&event) {
                    return event;
                }
            }
        };
        tokio::time::timeout(DEADLINE, wait)
            .await
            .expect("no event fits")
    }
}
