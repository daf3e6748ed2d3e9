//! Who gets a message, how often, at what quality, in which order.

use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Packet, PubAck, PubComp, PubRec, PubRel, Publish};

use crate::peer::{Peer, broker};

const ALL: [QoS; 3] = [QoS::AtMostOnce, QoS::AtLeastOnce, QoS::ExactlyOnce];

#[tokio::test]
async fn the_lower_quality_of_publisher_and_subscriber_holds() {
    // 3.8.4-6
    let broker = broker();
    let mut publisher = Peer::clean(&broker, "publisher").await;
    for granted in ALL {
        let mut subscriber = Peer::clean(&broker, "subscriber").await;
        subscriber.subscribe("t", granted).await;
        for sent in ALL {
            publisher.publish("t", "x", sent, false).await;
            let message = subscriber.message().await;
            let lower = (sent as u8).min(granted as u8);
            assert_eq!(message.qos as u8, lower);
            assert!(!message.dup && !message.retain);
            match message.qos {
                QoS::AtMostOnce => {}
                QoS::AtLeastOnce => {
                    subscriber
                        .send(Packet::PubAck(PubAck::new(message.pkid)))
                        .await;
                }
                QoS::ExactlyOnce => {
                    subscriber
                        .send(Packet::PubRec(PubRec::new(message.pkid)))
                        .await;
                    let release = Packet::PubRel(PubRel::new(message.pkid));
                    assert_eq!(subscriber.next().await, release);
                    subscriber
                        .send(Packet::PubComp(PubComp::new(message.pkid)))
                        .await;
                }
            }
            subscriber.nothing_comes().await;
        }
    }
}

#[tokio::test]
async fn a_client_gets_its_own_messages_and_overlapping_filters_give_one_copy() {
    let broker = broker();
    let mut peer = Peer::clean(&broker, "a").await;
    for filter in ["#", "t/+", "t/x", "+/x"] {
        peer.subscribe(filter, QoS::AtMostOnce).await;
    }
    let publish = Publish::new("t/x", QoS::AtMostOnce, "mine");
    peer.send(Packet::Publish(publish)).await;
    assert_eq!(peer.text().await, "mine");
    peer.nothing_comes().await;
}

#[tokio::test]
async fn wildcards_at_the_front_do_not_reach_a_servers_own_topics() {
    // 4.7.2-1
    let broker = broker();
    let mut wild = Peer::clean(&broker, "wild").await;
    wild.subscribe("#", QoS::AtMostOnce).await;
    wild.subscribe("+/x", QoS::AtMostOnce).await;
    let mut named = Peer::clean(&broker, "named").await;
    named.subscribe("$own/#", QoS::AtMostOnce).await;
    named.subscribe("$SYS/#", QoS::AtMostOnce).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    publisher
        .publish("$own/x", "seen", QoS::AtLeastOnce, true)
        .await;
    // 4.7.2: clients do not exchange messages there; it is acknowledged and goes nowhere.
    publisher
        .publish("$SYS/x", "unseen", QoS::AtLeastOnce, true)
        .await;
    assert_eq!(named.text().await, "seen");
    named.nothing_comes().await;
    wild.nothing_comes().await;
    assert_eq!(broker.counters().not_permitted, 1);
}

#[tokio::test]
async fn acknowledgements_may_come_in_any_order() {
    let broker = broker();
    let mut subscriber = Peer::clean(&broker, "subscriber").await;
    subscriber.subscribe("t", QoS::AtLeastOnce).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    let mut expected = 0;
    for _ in 0..5 {
        for number in 0..150 {
            let text = (expected + number).to_string();
            publisher.publish("t", &text, QoS::AtLeastOnce, false).await;
        }
        let mut left = 150;
        while left > 0 {
            // The window is one hundred: the rest waits until some are acknowledged.
            let come = left.min(100);
            let mut ids = Vec::new();
            for _ in 0..come {
                let message = subscriber.message().await;
                assert_eq!(message.payload, expected.to_string());
                expected += 1;
                ids.push(message.pkid);
            }
            for id in ids.into_iter().rev() {
                subscriber.send(Packet::PubAck(PubAck::new(id))).await;
            }
            left -= come;
        }
    }
    // Acknowledging what was never sent, or twice, is ignored.
    subscriber.send(Packet::PubAck(PubAck::new(1))).await;
    subscriber.send(Packet::PubAck(PubAck::new(60_000))).await;
    subscriber.send(Packet::PubComp(PubComp::new(60_000))).await;
    subscriber.nothing_comes().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_burst_of_a_hundred_thousand_at_least_once_loses_none_and_keeps_order() {
    const COUNT: u32 = 100_000;
    let broker = broker();
    let mut subscriber = Peer::clean(&broker, "subscriber").await;
    subscriber
        .subscribe("wharf/detector/+", QoS::AtLeastOnce)
        .await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    let publishing = tokio::spawn(async move {
        let mut acknowledged = 0;
        for number in 0..COUNT {
            let text = format!("[{{\"n\":\"current\",\"u\":\"A\",\"v\":{number}}}]");
            let topic = format!("wharf/detector/d-{}", number % 7);
            let mut publish = Publish::new(topic, QoS::AtLeastOnce, text);
            publish.pkid = (number % 60_000 + 1) as u16;
            publisher.send(Packet::Publish(publish)).await;
            // At most a thousand unacknowledged, as a client with a large window would.
            if number >= 1_000 {
                assert!(matches!(publisher.next().await, Packet::PubAck(_)));
                acknowledged += 1;
            }
        }
        while acknowledged < COUNT {
            assert!(matches!(publisher.next().await, Packet::PubAck(_)));
            acknowledged += 1;
        }
    });
    for number in 0..COUNT {
        let text = format!("[{{\"n\":\"current\",\"u\":\"A\",\"v\":{number}}}]");
        assert_eq!(subscriber.text().await, text);
    }
    publishing.await.expect("every message acknowledged");
    assert_eq!(broker.counters().dropped, 0);
}

#[tokio::test]
async fn a_topics_order_holds_across_qualities() {
    // 4.6-6
    let broker = broker();
    let mut subscriber = Peer::clean(&broker, "subscriber").await;
    subscriber.subscribe("t", QoS::AtLeastOnce).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    for number in 0..300 {
        publisher
            .publish("t", &number.to_string(), ALL[number % 3], false)
            .await;
    }
    for number in 0..300 {
        assert_eq!(subscriber.text().await, number.to_string());
    }
}

#[tokio::test]
async fn large_messages_go_through() {
    let broker = broker();
    let mut subscriber = Peer::clean(&broker, "subscriber").await;
    subscriber.subscribe("t", QoS::AtLeastOnce).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    let large = "x".repeat(200 * 1_024);
    for _ in 0..20 {
        publisher.publish("t", &large, QoS::AtLeastOnce, true).await;
    }
    for _ in 0..20 {
        assert_eq!(subscriber.text().await.len(), large.len());
    }
}
