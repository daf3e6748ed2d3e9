//! Retained messages (3.3.1.3).

use std::sync::{Arc, Mutex};

use rumqttc::mqttbytes::QoS;
use taillamp::daemon::mqtt::broker::{Broker, RetainedMessage, RetainedStore};

use crate::peer::{Peer, anywhere, broker};

#[tokio::test]
async fn a_thousand_retained_topics_reach_a_new_subscriber_at_each_quality() {
    let broker = broker();
    let mut publisher = Peer::clean(&broker, "publisher").await;
    for number in 0..1_000 {
        let topic = format!("wharf/detector/d-{number:04}");
        publisher.publish(&topic, "x", QoS::AtLeastOnce, true).await;
    }
    for qos in [QoS::AtMostOnce, QoS::AtLeastOnce] {
        let mut subscriber = Peer::clean(&broker, "subscriber").await;
        subscriber.subscribe("#", qos).await;
        for number in 0..1_000 {
            let message = subscriber.message().await;
            assert_eq!(message.topic, format!("wharf/detector/d-{number:04}"));
            assert!(message.retain && message.qos == qos);
            if qos == QoS::AtLeastOnce {
                use rumqttc::mqttbytes::v4::{Packet, PubAck};
                subscriber
                    .send(Packet::PubAck(PubAck::new(message.pkid)))
                    .await;
            }
        }
        subscriber.nothing_comes().await;
    }
}

#[tokio::test]
async fn subscribing_again_gives_them_again_and_only_live_ones_are_not_marked() {
    // 3.8.4-3; 3.3.1-8, 3.3.1-9
    let broker = broker();
    let mut publisher = Peer::clean(&broker, "publisher").await;
    publisher.publish("a", "old", QoS::AtMostOnce, true).await;
    let mut subscriber = Peer::clean(&broker, "subscriber").await;
    for _ in 0..3 {
        subscriber.subscribe("a", QoS::AtLeastOnce).await;
        let message = subscriber.message().await;
        assert_eq!((&message.payload[..], message.retain), (&b"old"[..], true));
    }
    publisher.publish("a", "new", QoS::AtMostOnce, true).await;
    let message = subscriber.message().await;
    assert_eq!((&message.payload[..], message.retain), (&b"new"[..], false));
    subscriber.nothing_comes().await;
}

#[tokio::test]
async fn an_empty_retained_message_clears_and_an_empty_one_that_is_not_does_not() {
    // 3.3.1-10, 3.3.1-11, 3.3.1-12
    let broker = broker();
    let mut publisher = Peer::clean(&broker, "publisher").await;
    publisher.publish("a", "kept", QoS::AtLeastOnce, true).await;
    publisher
        .publish("a", "passing", QoS::AtLeastOnce, false)
        .await;
    publisher.publish("a", "", QoS::AtLeastOnce, false).await;
    let mut subscriber = Peer::clean(&broker, "subscriber").await;
    subscriber.subscribe("a", QoS::AtMostOnce).await;
    assert_eq!(subscriber.text().await, "kept");
    publisher.publish("a", "", QoS::AtLeastOnce, true).await;
    // Those who are there hear of it: 3.3.1-12 keeps it from later subscribers only.
    assert_eq!(subscriber.text().await, "");
    subscriber.subscribe("a", QoS::AtMostOnce).await;
    subscriber.nothing_comes().await;
    assert_eq!(broker.counters().retained, 0);
    assert_eq!(broker.counters().retained_bytes, 0);
}

#[tokio::test]
async fn retained_messages_of_the_quality_they_came_with() {
    let broker = broker();
    let mut publisher = Peer::clean(&broker, "publisher").await;
    for (topic, qos) in [
        ("t/0", QoS::AtMostOnce),
        ("t/1", QoS::AtLeastOnce),
        ("t/2", QoS::ExactlyOnce),
    ] {
        publisher.publish(topic, "x", qos, true).await;
    }
    let mut subscriber = Peer::clean(&broker, "subscriber").await;
    subscriber.subscribe("t/+", QoS::ExactlyOnce).await;
    for expected in [QoS::AtMostOnce, QoS::AtLeastOnce, QoS::ExactlyOnce] {
        assert_eq!(subscriber.message().await.qos, expected);
    }
}

#[tokio::test]
async fn any_script_is_as_good_as_another() {
    let broker = broker();
    let mut subscriber = Peer::clean(&broker, "subscriber").await;
    subscriber.subscribe("#", QoS::AtMostOnce).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    for topic in ["ähre", "größe/ä", "線路/1", "🚂", "é", "\u{feff}x"] {
        publisher.publish(topic, "x", QoS::AtMostOnce, true).await;
        assert_eq!(subscriber.message().await.topic, topic);
        let mut later = Peer::clean(&broker, "later").await;
        later.subscribe(topic, QoS::AtMostOnce).await;
        assert_eq!(later.message().await.topic, topic);
    }
}

#[derive(Default)]
struct Memory(Mutex<Vec<String>>);

impl RetainedStore for Memory {
    fn load(&self) -> Vec<RetainedMessage> {
        let message = |topic: &str, payload: &'static [u8]| RetainedMessage {
            topic: topic.to_owned(),
            payload: bytes::Bytes::from_static(payload),
            qos: 1,
        };
        vec![
            message("a", b"remembered"),
            message("bad/#", b"x"),
            message("empty", b""),
        ]
    }

    fn keep(&self, message: &RetainedMessage) {
        let text = String::from_utf8_lossy(&message.payload);
        let line = format!("keep {} {text} {}", message.topic, message.qos);
        self.0.lock().expect("no test panics with it").push(line);
    }

    fn clear(&self, topic: &str) {
        self.0
            .lock()
            .expect("no test panics with it")
            .push(format!("clear {topic}"));
    }
}

#[tokio::test]
async fn a_store_keeps_them_beyond_the_brokers_life() {
    let store = Arc::new(Memory::default());
    let mut config = anywhere();
    config.retained = Some(store.clone());
    let broker = Broker::start(config).expect("a free port");
    let mut peer = Peer::clean(&broker, "a").await;
    peer.subscribe("#", QoS::AtMostOnce).await;
    assert_eq!(peer.text().await, "remembered");
    peer.nothing_comes().await;
    let mut publisher = Peer::clean(&broker, "b").await;
    publisher.publish("b", "1", QoS::AtLeastOnce, true).await;
    publisher.publish("b", "2", QoS::AtLeastOnce, false).await;
    publisher.publish("a", "", QoS::AtLeastOnce, true).await;
    publisher.publish("never", "", QoS::AtLeastOnce, true).await;
    let lines = store.0.lock().expect("no test panics with it").clone();
    assert_eq!(lines, ["keep b 1 1", "clear a"]);
}
