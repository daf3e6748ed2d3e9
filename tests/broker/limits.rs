//! Every limit, and that reaching one hurts nobody else.

use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, ConnectReturnCode, Packet, Publish, SubscribeReasonCode};
use std::time::Duration;
use taillamp::daemon::mqtt::broker::{Broker, Limits};

use crate::peer::{Peer, anywhere, until};

fn limited(limits: Limits) -> Broker {
    let mut config = anywhere();
    config.limits = limits;
    Broker::start(config).expect("a free port")
}

#[tokio::test]
async fn connections() {
    let broker = limited(Limits {
        connections_max: 2,
        ..Limits::default()
    });
    let mut first = Peer::clean(&broker, "1").await;
    let second = Peer::clean(&broker, "2").await;
    let mut third = Peer::raw(broker.addr()).await;
    third.closed().await;
    first.nothing_comes().await;
    assert_eq!(broker.counters().too_many, 1);
    drop(second);
    until(&broker, "one is gone", |counters| counters.clients == 1).await;
    // The place is free as soon as the other's task has ended, which is after its session.
    let deadline = tokio::time::Instant::now() + crate::peer::SOON;
    loop {
        let mut peer = Peer::raw(broker.addr()).await;
        peer.send(Packet::Connect(Connect::new("4"))).await;
        if peer.next_or_end().await.is_some() {
            return;
        }
        assert!(tokio::time::Instant::now() < deadline, "no place");
    }
}

#[tokio::test]
async fn packets_topics_and_identifiers() {
    let limits = Limits {
        packet_bytes_max: 1_000,
        topic_bytes_max: 20,
        client_id_bytes_max: 5,
        ..Limits::default()
    };
    let broker = limited(limits);
    let mut good = Peer::clean(&broker, "good").await;
    good.publish("a", &"x".repeat(995), QoS::AtMostOnce, false)
        .await;
    let long = Publish::new("a", QoS::AtMostOnce, vec![b'x'; 998]);
    let long_topic = Publish::new("a".repeat(21), QoS::AtMostOnce, "x");
    for packet in [Packet::Publish(long), Packet::Publish(long_topic)] {
        let mut bad = Peer::clean(&broker, "bad").await;
        bad.send(packet).await;
        bad.closed().await;
    }
    let (_, answer) = Peer::try_connect(&broker, &Connect::new("longer")).await;
    assert_eq!(answer.code, ConnectReturnCode::BadClientId);
    good.nothing_comes().await;
}

#[tokio::test]
async fn subscriptions_of_one_client() {
    let broker = limited(Limits {
        subscriptions_max: 2,
        ..Limits::default()
    });
    let mut peer = Peer::clean(&broker, "a").await;
    peer.subscribe("a", QoS::AtMostOnce).await;
    peer.subscribe("b", QoS::AtMostOnce).await;
    assert_eq!(
        peer.ask("c", QoS::AtMostOnce).await,
        SubscribeReasonCode::Failure
    );
    peer.subscribe("a", QoS::AtLeastOnce).await;
    peer.publish("c", "unheard", QoS::AtLeastOnce, false).await;
    peer.nothing_comes().await;
}

#[tokio::test]
async fn retained_topics_and_bytes() {
    let limits = Limits {
        retained_max: 2,
        retained_bytes_max: 1_000,
        ..Limits::default()
    };
    let broker = limited(limits);
    let mut peer = Peer::clean(&broker, "a").await;
    for topic in ["a", "b", "c"] {
        peer.publish(topic, "x", QoS::AtLeastOnce, true).await;
    }
    peer.publish("a", &"x".repeat(1_000), QoS::AtLeastOnce, true)
        .await;
    assert_eq!(
        (broker.counters().retained, broker.counters().not_retained),
        (2, 2)
    );
    peer.subscribe("#", QoS::AtMostOnce).await;
    assert_eq!(
        (peer.text().await.as_str(), peer.text().await.as_str()),
        ("x", "x")
    );
}

#[tokio::test]
async fn sessions_of_absent_clients_give_way_longest_absent_first() {
    let broker = limited(Limits {
        sessions_max: 3,
        ..Limits::default()
    });
    for id in ["a", "b", "c"] {
        let (mut peer, _) = Peer::staying(&broker, id).await;
        peer.send(Packet::Disconnect).await;
        peer.closed().await;
    }
    let _newcomer = Peer::staying(&broker, "d").await;
    assert_eq!(
        (broker.counters().sessions, broker.counters().evicted),
        (3, 1)
    );
    let (_b, present) = Peer::staying(&broker, "b").await;
    assert!(present);
    let (_a, present) = Peer::staying(&broker, "a").await;
    assert!(!present);
}

#[tokio::test]
async fn unreleased_messages_of_one_client() {
    let broker = limited(Limits {
        unreleased_max: 3,
        ..Limits::default()
    });
    let mut peer = Peer::clean(&broker, "a").await;
    for id in 1..=4 {
        let mut publish = Publish::new("t", QoS::ExactlyOnce, "x");
        publish.pkid = id;
        peer.send(Packet::Publish(publish)).await;
    }
    for _ in 1..=3 {
        assert!(matches!(peer.next().await, Packet::PubRec(_)));
    }
    peer.closed().await;
}

/// Publishes until the broker has counted a drop or a closed client; nobody else is kept waiting.
async fn flood(broker: &Broker, qos: QoS) {
    let mut publisher = Peer::clean(broker, "publisher").await;
    let text = "x".repeat(10_000);
    for _ in 0..100_000 {
        publisher.publish("t", &text, qos, false).await;
        if broker.counters().dropped > 0 {
            return;
        }
    }
    panic!("no limit was reached: {:?}", broker.counters());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_subscriber_that_takes_nothing_loses_what_may_be_lost_and_stays() {
    let broker = limited(Limits {
        queue_bytes_max: 100_000,
        ..Limits::default()
    });
    let mut slow = Peer::clean(&broker, "slow").await;
    slow.subscribe("t", QoS::AtMostOnce).await;
    flood(&broker, QoS::AtMostOnce).await;
    let waiting = broker.counters().queued_bytes;
    assert!(waiting <= 100_000, "{waiting}");
    // Now it takes all there was, and the newest again.
    loop {
        slow.send(Packet::PingReq).await;
        let mut quiet = true;
        while slow.next().await != Packet::PingResp {
            quiet = false;
        }
        if quiet && broker.counters().queued_bytes == 0 {
            break;
        }
    }
    let mut publisher = Peer::clean(&broker, "publisher").await;
    publisher
        .publish("t", "newest", QoS::AtMostOnce, false)
        .await;
    assert_eq!(slow.text().await, "newest");
    assert_eq!(broker.counters().slow, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_subscriber_that_takes_nothing_of_what_may_not_be_lost_is_closed() {
    let broker = limited(Limits {
        queue_bytes_max: 100_000,
        ..Limits::default()
    });
    let mut slow = Peer::clean(&broker, "slow").await;
    slow.subscribe("t", QoS::AtLeastOnce).await;
    let mut other = Peer::clean(&broker, "other").await;
    flood(&broker, QoS::AtLeastOnce).await;
    assert_eq!(broker.counters().slow, 1);
    assert_eq!(broker.counters().queued_bytes, 0, "its queue went with it");
    while slow.next_or_end().await.is_some() {}
    other.nothing_comes().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_client_that_reads_nothing_for_too_long_is_closed() {
    let stall_timeout = Duration::from_millis(300);
    let broker = limited(Limits {
        stall_timeout,
        ..Limits::default()
    });
    let mut slow = Peer::clean(&broker, "slow").await;
    slow.subscribe("t", QoS::AtMostOnce).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    let text = "x".repeat(100_000);
    for _ in 0..100_000 {
        if broker.counters().slow > 0 {
            return;
        }
        publisher.publish("t", &text, QoS::AtMostOnce, false).await;
    }
    panic!("never closed: {:?}", broker.counters());
}
