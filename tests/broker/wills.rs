//! Wills (3.1.2.5): published however a connection ends, except by goodbye.

use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, Disconnect, LastWill, Packet};

use crate::peer::{Peer, broker};

fn with_will(id: &str, retain: bool) -> Connect {
    let mut connect = Connect::new(id);
    let topic = format!("node/{id}");
    connect.last_will = Some(LastWill::new(topic, "offline", QoS::AtLeastOnce, retain));
    connect
}

#[tokio::test]
async fn a_broken_connection_publishes_the_will() {
    let broker = broker();
    let mut watcher = Peer::clean(&broker, "watcher").await;
    watcher.subscribe("node/+", QoS::AtLeastOnce).await;
    let (peer, _) = Peer::connect(&broker, &with_will("a", false)).await;
    drop(peer);
    let will = watcher.message().await;
    assert_eq!(
        (will.topic.as_str(), &will.payload[..]),
        ("node/a", &b"offline"[..])
    );
    assert!(!will.retain);
    assert_eq!(broker.counters().wills, 1);
}

#[tokio::test]
async fn a_violation_and_silence_publish_it_too() {
    let broker = broker();
    let mut watcher = Peer::clean(&broker, "watcher").await;
    watcher.subscribe("node/+", QoS::AtMostOnce).await;
    let (mut rude, _) = Peer::connect(&broker, &with_will("rude", false)).await;
    rude.send_bytes(b"\xf0").await;
    assert_eq!(watcher.message().await.topic, "node/rude");
    let mut silent = with_will("silent", false);
    silent.keep_alive = 1;
    let _silent = Peer::connect(&broker, &silent).await;
    assert_eq!(watcher.message().await.topic, "node/silent");
}

#[tokio::test]
async fn goodbye_takes_the_will_back() {
    // 3.1.2-10
    let broker = broker();
    let mut watcher = Peer::clean(&broker, "watcher").await;
    watcher.subscribe("node/+", QoS::AtMostOnce).await;
    let (mut polite, _) = Peer::connect(&broker, &with_will("polite", true)).await;
    polite.send(Packet::Disconnect).await;
    polite.closed().await;
    // The next one's will comes, so the first one's would have come before.
    drop(Peer::connect(&broker, &with_will("rude", false)).await);
    assert_eq!(watcher.message().await.topic, "node/rude");
    assert_eq!(Disconnect.size(), 2, "the goodbye is a packet of its own");
}

#[tokio::test]
async fn a_retained_will_is_there_for_later_subscribers() {
    let broker = broker();
    let mut watcher = Peer::clean(&broker, "watcher").await;
    watcher.subscribe("node/a", QoS::AtMostOnce).await;
    drop(Peer::connect(&broker, &with_will("a", true)).await);
    assert!(!watcher.message().await.retain, "live");
    let mut later = Peer::clean(&broker, "later").await;
    later.subscribe("node/a", QoS::AtMostOnce).await;
    let will = later.message().await;
    assert_eq!((&will.payload[..], will.retain), (&b"offline"[..], true));
}

#[tokio::test]
async fn being_taken_over_publishes_it() {
    let broker = broker();
    let mut watcher = Peer::clean(&broker, "watcher").await;
    watcher.subscribe("node/+", QoS::AtMostOnce).await;
    let (mut first, _) = Peer::connect(&broker, &with_will("a", false)).await;
    let (mut second, _) = Peer::connect(&broker, &Connect::new("a")).await;
    first.closed().await;
    assert_eq!(watcher.message().await.topic, "node/a");
    second.nothing_comes().await;
    assert_eq!(broker.counters().taken_over, 1);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_node_that_comes_back_before_it_was_missed_ends_as_online() {
    let broker = broker();
    let mut watcher = Peer::clean(&broker, "watcher").await;
    watcher.subscribe("node/+", QoS::AtLeastOnce).await;
    let mut old = Vec::new();
    for turn in 0..50 {
        let (mut node, _) = Peer::connect(&broker, &with_will("a", true)).await;
        node.publish("node/a", "online", QoS::AtLeastOnce, true)
            .await;
        if turn > 0 {
            assert_eq!(watcher.text().await, "offline");
        }
        assert_eq!(watcher.text().await, "online");
        old.push(node);
    }
    watcher.nothing_comes().await;
}
