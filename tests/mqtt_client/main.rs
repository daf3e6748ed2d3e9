//! The daemon's client and publisher against the embedded broker, and against another maker's.

mod mosquitto;
#[path = "../daemon/port.rs"]
mod port;

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use taillamp::daemon::mqtt::broker::{Broker, BrokerConfig, Users};
use taillamp::daemon::mqtt::client::{Arrival, Client, ClientConfig, Clock};
use taillamp::daemon::mqtt::publisher::Publisher;
use taillamp::engine::time::Instant;
use tokio::sync::mpsc;
use tokio::time::timeout;

/// How long anything may take on a busy machine.
const SOON: Duration = Duration::from_secs(20);

fn clock() -> Clock {
    let start = std::time::Instant::now();
    Arc::new(move || Instant(u64::try_from(start.elapsed().as_micros()).unwrap_or(u64::MAX)))
}

fn anywhere() -> BrokerConfig {
    BrokerConfig::new("127.0.0.1:0".parse().expect("an address"))
}

fn broker() -> Broker {
    Broker::start(anywhere()).expect("a free port")
}

fn config(addr: SocketAddr) -> ClientConfig {
    ClientConfig {
        subscriptions: vec!["wharf/detector/+".to_owned(), "wharf/do/#".to_owned()],
        status_topic: Some("wharf/status".to_owned()),
        back_off: (Duration::from_millis(10), Duration::from_millis(100)),
        ..ClientConfig::new(&format!("mqtt://{addr}"), "taillamp-test", clock())
    }
}

struct Daemon {
    publisher: Publisher,
    arrivals: mpsc::Receiver<Arrival>,
}

impl Daemon {
    fn start(config: ClientConfig, queue: usize) -> Self {
        let (tx, arrivals) = mpsc::channel(queue);
        let publisher = Client::start(config, tx).expect("a good address");
        Self {
            publisher,
            arrivals,
        }
    }

    async fn next(&mut self) -> Arrival {
        timeout(SOON, self.arrivals.recv())
            .await
            .expect("an arrival in time")
            .expect("it runs")
    }

    async fn connected(&mut self) -> u64 {
        match self.next().await {
            Arrival::Connected { reconnects, .. } => reconnects,
            other => panic!("a connection expected, not {other:?}"),
        }
    }

    /// Connected, and its subscriptions answered.
    async fn hears(&mut self) {
        self.connected().await;
        until("subscribed", || self.publisher.counters().subscribed).await;
    }

    async fn message(&mut self) -> (String, String, bool) {
        match self.next().await {
            Arrival::Message {
                topic,
                payload,
                retained,
                ..
            } => (
                topic,
                String::from_utf8(payload.to_vec()).expect("text"),
                retained,
            ),
            other => panic!("a message expected, not {other:?}"),
        }
    }
}

/// Another client: publishes, or watches.
struct Other {
    client: AsyncClient,
    messages: mpsc::UnboundedReceiver<(String, String, bool)>,
    acknowledged: mpsc::UnboundedReceiver<()>,
    task: tokio::task::JoinHandle<()>,
}

impl Drop for Other {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Other {
    async fn watch(addr: SocketAddr, id: &str, filter: Option<&str>) -> Self {
        let mut options = MqttOptions::new(id, addr.ip().to_string(), addr.port());
        options.set_inflight(50);
        let (client, mut events) = AsyncClient::new(options, 100);
        let (tx, messages) = mpsc::unbounded_channel();
        let (acks, acknowledged) = mpsc::unbounded_channel();
        let (ready_tx, mut ready) = mpsc::unbounded_channel();
        if let Some(filter) = filter {
            client
                .try_subscribe(filter, QoS::AtLeastOnce)
                .expect("room in the queue");
        }
        let waits_for_suback = filter.is_some();
        let task = tokio::spawn(async move {
            while let Ok(event) = events.poll().await {
                match event {
                    Event::Incoming(Packet::Publish(publish)) => {
                        let text = String::from_utf8_lossy(&publish.payload).into_owned();
                        let _ = tx.send((publish.topic, text, publish.retain));
                    }
                    Event::Incoming(Packet::PubAck(_)) => {
                        let _ = acks.send(());
                    }
                    Event::Incoming(Packet::ConnAck(_)) if !waits_for_suback => {
                        let _ = ready_tx.send(());
                    }
                    Event::Incoming(Packet::SubAck(_)) => {
                        let _ = ready_tx.send(());
                    }
                    _ => {}
                }
            }
        });
        timeout(SOON, ready.recv())
            .await
            .expect("in time")
            .expect("a connection");
        Self {
            client,
            messages,
            acknowledged,
            task,
        }
    }

    async fn publish(&mut self, topic: &str, text: &str, retain: bool) {
        let text = text.as_bytes();
        self.client
            .publish(topic, QoS::AtLeastOnce, retain, text)
            .await
            .expect("it runs");
        timeout(SOON, self.acknowledged.recv())
            .await
            .expect("in time")
            .expect("it runs");
    }

    /// Publishes numbers without waiting between them, then waits for all acknowledgements.
    async fn burst(&mut self, topic: &str, count: usize, qos: QoS) {
        for number in 0..count {
            let text = number.to_string();
            self.client
                .publish(topic, qos, false, text)
                .await
                .expect("it runs");
        }
        if qos == QoS::AtMostOnce {
            // One that is acknowledged, after them, on a topic that nobody hears.
            self.publish("mark", "", false).await;
            return;
        }
        for _ in 0..count {
            timeout(SOON, self.acknowledged.recv())
                .await
                .expect("in time")
                .expect("it runs");
        }
    }

    async fn next(&mut self) -> (String, String, bool) {
        timeout(SOON, self.messages.recv())
            .await
            .expect("a message in time")
            .expect("it runs")
    }

    /// The next message on a topic, others passed over.
    async fn next_on(&mut self, topic: &str) -> String {
        loop {
            let (on, text, _) = self.next().await;
            if on == topic {
                return text;
            }
        }
    }
}

async fn until(what: &str, mut wanted: impl FnMut() -> bool) {
    let deadline = std::time::Instant::now() + SOON;
    while !wanted() {
        assert!(std::time::Instant::now() < deadline, "{what}");
        tokio::time::sleep(Duration::from_millis(2)).await;
    }
}

#[tokio::test]
async fn messages_arrive_stamped_and_in_order_with_old_news_marked() {
    let broker = broker();
    let mut other = Other::watch(broker.addr(), "other", None).await;
    other.publish("wharf/detector/d-1", "old", true).await;
    let mut daemon = Daemon::start(config(broker.addr()), 100);
    assert_eq!(daemon.connected().await, 0);
    let is = |topic: &str, text: &str, retained| (topic.to_owned(), text.to_owned(), retained);
    assert_eq!(
        daemon.message().await,
        is("wharf/detector/d-1", "old", true)
    );
    let mut last = Instant(0);
    for number in 0..100 {
        other
            .publish("wharf/detector/d-1", &number.to_string(), false)
            .await;
        match daemon.next().await {
            Arrival::Message {
                at,
                payload,
                retained,
                ..
            } => {
                assert!(at >= last && !retained);
                assert_eq!(payload, number.to_string());
                last = at;
            }
            other => panic!("{other:?}"),
        }
    }
    assert!(last > Instant(0));
    assert_eq!(daemon.publisher.counters().received, 101);
}

#[tokio::test]
async fn values_are_published_when_they_change_retained_and_at_least_once() {
    let broker = broker();
    let mut watcher = Other::watch(broker.addr(), "watcher", Some("wharf/state/#")).await;
    let mut daemon = Daemon::start(config(broker.addr()), 100);
    daemon.connected().await;
    let publisher = &daemon.publisher;
    for text in ["vacant", "vacant", "occupied", "occupied", "vacant"] {
        publisher.set("wharf/state/block/a", text);
        until("it is published", || broker.counters().sent > 0).await;
    }
    publisher.set("wharf/state/block/b", "end");
    let mut seen = Vec::new();
    loop {
        let (topic, text, retained) = watcher.next().await;
        assert!(!retained, "live");
        if topic.ends_with('b') {
            break;
        }
        seen.push(text);
    }
    // Values of one topic may be skipped for newer ones, but never repeated.
    assert!(seen.windows(2).all(|pair| pair[0] != pair[1]), "{seen:?}");
    assert_eq!(seen.last().map(String::as_str), Some("vacant"));
    let mut later = Other::watch(broker.addr(), "later", Some("wharf/state/block/a")).await;
    assert_eq!(
        later.next().await,
        ("wharf/state/block/a".into(), "vacant".into(), true)
    );
    publisher.clear("wharf/state/block/a");
    assert_eq!(later.next().await.1, "");
    until("two remain: block b and the status", || {
        broker.counters().retained == 2
    })
    .await;
}

#[tokio::test]
async fn a_topic_that_another_run_left_can_be_cleared() {
    let broker = broker();
    let mut other = Other::watch(broker.addr(), "other", None).await;
    other
        .publish("wharf/alarm/left-diverging:w1", "{}", true)
        .await;
    let mut daemon = Daemon::start(config(broker.addr()), 100);
    daemon.connected().await;
    daemon.publisher.clear("wharf/alarm/left-diverging:w1");
    until("the status alone is left", || {
        broker.counters().retained == 1
    })
    .await;
}

#[tokio::test]
async fn status_is_online_then_offline_by_goodbye_or_by_will() {
    let broker = broker();
    let mut watcher = Other::watch(broker.addr(), "watcher", Some("wharf/status")).await;
    let mut daemon = Daemon::start(config(broker.addr()), 100);
    daemon.connected().await;
    assert_eq!(watcher.next().await.1, "online");
    daemon.publisher.set("wharf/state/block/a", "last words");
    timeout(SOON, daemon.publisher.stop())
        .await
        .expect("a goodbye in time");
    assert_eq!(watcher.next().await.1, "offline");
    assert_eq!(broker.counters().wills, 0, "it said goodbye itself");
    assert_eq!(
        broker.counters().retained,
        2,
        "what was due went out before"
    );

    let mut daemon = Daemon::start(config(broker.addr()), 100);
    daemon.connected().await;
    assert_eq!(watcher.next().await.1, "online");
    // Nobody reads what arrives: the client ends without a word.
    drop(daemon);
    assert_eq!(watcher.next().await.1, "offline");
    assert_eq!(broker.counters().wills, 1);
}

#[tokio::test]
async fn after_a_loss_it_comes_back_subscribes_and_publishes_everything_again() {
    let first = broker();
    let addr = first.addr();
    let mut daemon = Daemon::start(config(addr), 100);
    assert_eq!(daemon.connected().await, 0);
    for number in 0..500 {
        daemon
            .publisher
            .set(&format!("wharf/state/block/b-{number}"), "vacant");
    }
    until("all are there", || first.counters().retained == 501).await;
    first.stop().await;
    assert!(matches!(daemon.next().await, Arrival::Lost { .. }));
    daemon.publisher.set("wharf/state/block/b-7", "occupied");
    daemon.publisher.say("wharf/say", "unheard");
    daemon.publisher.clear("wharf/state/block/b-8");
    assert!(!daemon.publisher.counters().connected);
    let again = Broker::start(BrokerConfig {
        listen: addr,
        ..anywhere()
    })
    .expect("the same port");
    // Lost is said once, however many attempts fail.
    assert_eq!(daemon.connected().await, 1);
    until("all are there again", || again.counters().retained == 500).await;
    let mut later = Other::watch(addr, "later", Some("wharf/#")).await;
    assert_eq!(later.next_on("wharf/state/block/b-7").await, "occupied");
    until("subscribed", || daemon.publisher.counters().subscribed).await;
    let mut other = Other::watch(addr, "other", None).await;
    other.publish("wharf/detector/d-1", "fresh", false).await;
    assert_eq!(daemon.message().await.1, "fresh");
    assert_eq!(daemon.publisher.counters().unsaid, 1);
}

#[tokio::test]
async fn a_broker_that_is_not_there_yet_is_lost_and_then_found() {
    let broker = broker();
    let addr = broker.addr();
    broker.stop().await;
    let mut daemon = Daemon::start(config(addr), 100);
    assert!(matches!(daemon.next().await, Arrival::Lost { .. }));
    assert!(daemon.publisher.counters().last_error.is_some());
    let _broker = Broker::start(BrokerConfig {
        listen: addr,
        ..anywhere()
    })
    .expect("the port");
    assert_eq!(daemon.connected().await, 0);
    assert_eq!(daemon.publisher.counters().last_error, None);
}

#[tokio::test]
async fn attempts_are_spread_out() {
    let broker = broker();
    let addr = broker.addr();
    broker.stop().await;
    let listener = tokio::net::TcpListener::bind(addr)
        .await
        .expect("the port is free");
    let _daemon = Daemon::start(config(addr), 100);
    // Each attempt is closed at once. At 10, 20, 40, 80, 100, 100 ... ms, halved at the most by
    // chance, one second has room for 25 attempts at the very most.
    let mut attempts = 0;
    let _ = timeout(Duration::from_secs(1), async {
        loop {
            let (stream, _) = listener.accept().await.expect("a connection");
            drop(stream);
            attempts += 1;
        }
    })
    .await;
    assert!((2..=25).contains(&attempts), "{attempts}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_daemon_that_stands_still_loses_no_message_and_keeps_its_connection() {
    // More than what the client itself would hold: the broker must keep the rest.
    const COUNT: usize = 12_000;
    let broker = broker();
    let mut config = config(broker.addr());
    config.keep_alive = Duration::from_secs(1);
    let mut daemon = Daemon::start(config, 16);
    daemon.hears().await;
    let mut other = Other::watch(broker.addr(), "other", None).await;
    other
        .burst("wharf/detector/d-1", COUNT, QoS::AtLeastOnce)
        .await;
    // The broker closes after 1.5 s without a ping: stand still for more than twice that.
    tokio::time::sleep(Duration::from_secs(4)).await;
    let standing = daemon.publisher.counters();
    assert!(
        standing.connected && standing.reconnects == 0,
        "{standing:?}"
    );
    assert!(standing.waits > 0, "{standing:?}");
    // Its own publishes still go out meanwhile.
    daemon.publisher.set("wharf/state/block/a", "vacant");
    until("it is published", || broker.counters().retained == 2).await;
    for number in 0..COUNT {
        assert_eq!(daemon.message().await.1, number.to_string());
    }
    let counters = broker.counters();
    assert_eq!(
        (counters.dropped, counters.silent, counters.slow),
        (0, 0, 0)
    );
    assert_eq!(daemon.publisher.counters().reconnects, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn too_much_at_most_once_for_too_long_ends_the_connection_and_says_so() {
    let broker = broker();
    let mut config = config(broker.addr());
    config.keep_alive = Duration::from_secs(1);
    let mut daemon = Daemon::start(config, 16);
    daemon.hears().await;
    let mut other = Other::watch(broker.addr(), "other", None).await;
    other
        .burst("wharf/detector/d-1", 60_000, QoS::AtMostOnce)
        .await;
    until("the broker misses our pings", || {
        broker.counters().silent == 1
    })
    .await;
    let mut number = 0;
    loop {
        match daemon.next().await {
            Arrival::Message { payload, .. } => assert_eq!(payload, number.to_string()),
            Arrival::Lost { .. } => break,
            other => panic!("{other:?}"),
        }
        number += 1;
    }
    assert!(number > 8_192, "what had come is not lost: {number}");
    assert_eq!(daemon.connected().await, 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn publishing_much_while_much_arrives_ends() {
    let broker = broker();
    let mut daemon = Daemon::start(config(broker.addr()), 8_192);
    daemon.hears().await;
    let mut other = Other::watch(broker.addr(), "other", None).await;
    let publisher = daemon.publisher.clone();
    let publishing = tokio::spawn(async move {
        for number in 0..3_000 {
            other
                .publish("wharf/detector/d-1", &number.to_string(), false)
                .await;
        }
    });
    for number in 0..3_000 {
        assert_eq!(daemon.message().await.1, number.to_string());
        publisher.set(
            &format!("wharf/state/block/b-{}", number % 400),
            number.to_string(),
        );
    }
    publishing.await.expect("all acknowledged");
    let mut later = Other::watch(broker.addr(), "later", Some("wharf/state/#")).await;
    until("all is out", || broker.counters().retained == 401).await;
    for _ in 0..400 {
        let (topic, text, _) = later.next().await;
        let block: usize = topic
            .rsplit('-')
            .next()
            .and_then(|n| n.parse().ok())
            .expect("a number");
        let number: usize = text.parse().expect("a number");
        assert_eq!(number % 400, block);
    }
}

#[tokio::test]
async fn what_cannot_be_published_is_refused_and_does_not_block_the_rest() {
    let broker = broker();
    let mut daemon = Daemon::start(config(broker.addr()), 100);
    daemon.connected().await;
    let publisher = &daemon.publisher;
    publisher.set("", "x");
    publisher.set("a/+", "x");
    publisher.set("a/#", "x");
    publisher.set("a", vec![b'x'; 300 * 1_024]);
    publisher.set("b", vec![b'x'; 250 * 1_024]);
    publisher.set("c", Bytes::from_static(b"small"));
    until("the good ones are there", || {
        broker.counters().retained == 3
    })
    .await;
    assert_eq!(publisher.counters().refused, 4);
    assert_eq!(publisher.counters().reconnects, 0);
}

#[tokio::test]
async fn sentences_are_said_once_and_not_kept() {
    let broker = broker();
    let mut watcher = Other::watch(broker.addr(), "watcher", Some("wharf/say")).await;
    let mut daemon = Daemon::start(config(broker.addr()), 100);
    daemon.connected().await;
    for _ in 0..2 {
        daemon.publisher.say("wharf/say", "Points 7 left diverging");
        assert_eq!(watcher.next().await.1, "Points 7 left diverging");
    }
    until("the status alone is kept", || {
        broker.counters().retained == 1
    })
    .await;
}

#[tokio::test]
async fn names_and_passwords_and_refused_subscriptions() {
    let mut users = Users::default();
    users.add("taillamp", "a secret").expect("randomness");
    let permit: taillamp::daemon::mqtt::broker::Permit =
        Arc::new(|_, _, topic| !topic.starts_with("wharf/do"));
    let broker = Broker::start(BrokerConfig {
        users,
        allow_anonymous: false,
        permit: Some(permit),
        ..anywhere()
    })
    .expect("a free port");
    let mut config = config(broker.addr());
    config.user = Some("taillamp".to_owned());
    config.password = Some("wrong".to_owned());
    assert!(
        !format!("{config:?}").contains("wrong"),
        "passwords are not shown"
    );
    let mut daemon = Daemon::start(config.clone(), 100);
    assert!(matches!(daemon.next().await, Arrival::Lost { .. }));
    let error = daemon.publisher.counters().last_error.expect("a reason");
    assert!(error.contains("NotAuthorized"), "{error}");
    daemon.publisher.stop().await;
    config.password = Some("a secret".to_owned());
    let mut daemon = Daemon::start(config, 100);
    daemon.connected().await;
    until("one is refused", || {
        daemon.publisher.counters().not_subscribed == 1
    })
    .await;
}

#[tokio::test]
async fn many_subscriptions_go_in_several_packets() {
    let broker = broker();
    let mut config = config(broker.addr());
    config.subscriptions = (0..1_000)
        .map(|n| format!("wharf/detector/d-{n}"))
        .collect();
    let mut daemon = Daemon::start(config, 100);
    daemon.hears().await;
    let mut other = Other::watch(broker.addr(), "other", None).await;
    for number in [0, 99, 100, 999] {
        // Retained: it arrives whether it comes before the subscription or after.
        other
            .publish(&format!("wharf/detector/d-{number}"), "x", true)
            .await;
        assert_eq!(
            daemon.message().await.0,
            format!("wharf/detector/d-{number}")
        );
    }
    assert_eq!(daemon.publisher.counters().not_subscribed, 0);
}
