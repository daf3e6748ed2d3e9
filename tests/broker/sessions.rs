//! Sessions that outlive their connection (3.1.2.4, 4.1, 4.4).

use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{
    Connect, Packet, PubAck, PubComp, PubRec, PubRel, SubscribeReasonCode,
};
use taillamp::daemon::mqtt::broker::{Broker, Limits};

use crate::peer::{Peer, anywhere, broker, until};

async fn leave(mut peer: Peer) {
    peer.send(Packet::Disconnect).await;
    peer.closed().await;
}

#[tokio::test]
async fn the_answer_tells_whether_a_session_was_there() {
    // 3.1.2-4, 3.1.2-6, 3.2.2-1, 3.2.2-2
    let broker = broker();
    let (peer, present) = Peer::staying(&broker, "a").await;
    assert!(!present);
    leave(peer).await;
    let (peer, present) = Peer::staying(&broker, "a").await;
    assert!(present);
    leave(peer).await;
    let (peer, present) = Peer::connect(&broker, &Connect::new("a")).await;
    assert!(!present, "a clean session is never present");
    leave(peer).await;
    let (_, present) = Peer::staying(&broker, "a").await;
    assert!(!present, "the clean session has wiped it");
}

#[tokio::test]
async fn absent_clients_get_what_they_missed_in_order() {
    for count in [500, 8_000] {
        let broker = broker();
        let (mut peer, _) = Peer::staying(&broker, "a").await;
        peer.subscribe("t/#", QoS::AtLeastOnce).await;
        leave(peer).await;
        let mut publisher = Peer::clean(&broker, "publisher").await;
        for number in 0..count {
            publisher
                .publish("t/x", &number.to_string(), QoS::AtLeastOnce, false)
                .await;
        }
        publisher
            .publish("t/x", "at most once", QoS::AtMostOnce, false)
            .await;
        let (mut peer, present) = Peer::staying(&broker, "a").await;
        assert!(present);
        for number in 0..count {
            assert_eq!(peer.text().await, number.to_string());
        }
        peer.nothing_comes().await;
        assert_eq!(broker.counters().dropped, 0);
    }
}

#[tokio::test]
async fn what_is_beyond_the_limit_is_dropped_and_counted() {
    let mut config = anywhere();
    config.limits = Limits {
        offline_messages_max: 10,
        ..Limits::default()
    };
    let broker = Broker::start(config).expect("a free port");
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    peer.subscribe("t", QoS::ExactlyOnce).await;
    leave(peer).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    for number in 0..15 {
        publisher
            .publish("t", &number.to_string(), QoS::AtLeastOnce, false)
            .await;
    }
    assert_eq!(broker.counters().dropped, 5);
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    for number in 0..10 {
        assert_eq!(peer.text().await, number.to_string(), "the oldest are kept");
    }
    peer.nothing_comes().await;
}

#[tokio::test]
async fn unacknowledged_messages_come_again_with_their_identifiers() {
    // 4.4.0-1, 3.3.1-1
    let broker = broker();
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    peer.subscribe("t", QoS::AtLeastOnce).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    for text in ["1", "2", "3"] {
        publisher.publish("t", text, QoS::AtLeastOnce, false).await;
    }
    let mut ids = Vec::new();
    for _ in 0..3 {
        let message = peer.message().await;
        assert!(!message.dup);
        ids.push(message.pkid);
    }
    // Only the middle one: any order is allowed to the receiver of several topics' messages.
    peer.send(Packet::PubAck(PubAck::new(ids[1]))).await;
    peer.nothing_comes().await;
    drop(peer);
    until(&broker, "it is gone", |counters| counters.clients == 1).await;
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    for (id, text) in [(ids[0], "1"), (ids[2], "3")] {
        let message = peer.message().await;
        assert_eq!((message.pkid, &message.payload[..]), (id, text.as_bytes()));
        assert!(message.dup);
    }
    peer.nothing_comes().await;
}

#[tokio::test]
async fn shared_subscriptions_are_refused_and_a_client_that_drops_does_no_harm() {
    // 3.8.4-5: 0x80 is failure. Shared subscriptions belong to MQTT 5.
    let broker = broker();
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    assert_eq!(
        peer.ask("$share/group/t", QoS::AtLeastOnce).await,
        SubscribeReasonCode::Failure
    );
    peer.subscribe("t", QoS::AtLeastOnce).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    for _ in 0..10 {
        publisher.publish("t", "x", QoS::AtLeastOnce, false).await;
    }
    peer.message().await;
    drop(peer);
    for _ in 0..10 {
        publisher.publish("t", "x", QoS::AtLeastOnce, false).await;
    }
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    for _ in 0..20 {
        peer.text().await;
    }
    peer.nothing_comes().await;
}

#[tokio::test]
async fn a_message_exactly_once_survives_a_break_at_each_step() {
    // 4.3.3, 4.4.0-1
    let broker = broker();
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    peer.subscribe("t", QoS::ExactlyOnce).await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    publisher.publish("t", "x", QoS::ExactlyOnce, false).await;
    let id = peer.message().await.pkid;
    drop(peer);
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    let again = peer.message().await;
    assert_eq!((again.pkid, again.dup), (id, true));
    peer.send(Packet::PubRec(PubRec::new(id))).await;
    assert_eq!(peer.next().await, Packet::PubRel(PubRel::new(id)));
    drop(peer);
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    assert_eq!(
        peer.next().await,
        Packet::PubRel(PubRel::new(id)),
        "the release, not the message"
    );
    peer.send(Packet::PubComp(PubComp::new(id))).await;
    peer.nothing_comes().await;
    drop(peer);
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    peer.nothing_comes().await;
}

#[tokio::test]
async fn a_copy_of_a_message_exactly_once_is_not_a_second_message() {
    // 4.3.3-2: the receiver stores the identifier until it is released, sessions included.
    let broker = broker();
    let mut watcher = Peer::clean(&broker, "watcher").await;
    watcher.subscribe("t", QoS::AtMostOnce).await;
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    let mut publish = rumqttc::mqttbytes::v4::Publish::new("t", QoS::ExactlyOnce, "x");
    publish.pkid = 9;
    peer.send(Packet::Publish(publish.clone())).await;
    assert_eq!(peer.next().await, Packet::PubRec(PubRec::new(9)));
    drop(peer);
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    publish.dup = true;
    peer.send(Packet::Publish(publish.clone())).await;
    assert_eq!(peer.next().await, Packet::PubRec(PubRec::new(9)));
    for _ in 0..2 {
        // A release that is repeated is answered again.
        peer.send(Packet::PubRel(PubRel::new(9))).await;
        assert_eq!(peer.next().await, Packet::PubComp(PubComp::new(9)));
    }
    assert_eq!(watcher.text().await, "x");
    watcher.nothing_comes().await;
    // Released: the same identifier is a new message, whatever its mark says.
    peer.send(Packet::Publish(publish)).await;
    assert_eq!(peer.next().await, Packet::PubRec(PubRec::new(9)));
    assert_eq!(watcher.text().await, "x");
}

#[tokio::test]
async fn the_newer_connection_takes_the_session_over() {
    // 3.1.4-2
    let broker = broker();
    let (mut first, _) = Peer::staying(&broker, "a").await;
    first.subscribe("t", QoS::AtLeastOnce).await;
    let (mut second, present) = Peer::staying(&broker, "a").await;
    assert!(present);
    first.closed().await;
    let mut publisher = Peer::clean(&broker, "publisher").await;
    publisher.publish("t", "x", QoS::AtLeastOnce, false).await;
    assert_eq!(second.text().await, "x");
    assert_eq!(broker.counters().clients, 2);
}

#[tokio::test]
async fn unsubscribing_ends_it_for_good() {
    use rumqttc::mqttbytes::v4::{UnsubAck, Unsubscribe};
    let broker = broker();
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    peer.subscribe("t/+", QoS::AtLeastOnce).await;
    peer.subscribe("t/#", QoS::AtLeastOnce).await;
    let mut unsubscribe = Unsubscribe::new("t/+");
    unsubscribe.pkid = 77;
    peer.send(Packet::Unsubscribe(unsubscribe.clone())).await;
    assert!(matches!(
        peer.next().await,
        Packet::UnsubAck(UnsubAck { pkid: 77, .. })
    ));
    let mut publisher = Peer::clean(&broker, "publisher").await;
    publisher
        .publish("t/x", "one left", QoS::AtLeastOnce, false)
        .await;
    assert_eq!(peer.text().await, "one left");
    unsubscribe.topics = vec!["t/#".to_owned(), "never".to_owned()];
    peer.send(Packet::Unsubscribe(unsubscribe)).await;
    assert!(matches!(
        peer.next().await,
        Packet::UnsubAck(UnsubAck { pkid: 77, .. })
    ));
    drop(peer);
    publisher
        .publish("t/x", "none left", QoS::AtLeastOnce, false)
        .await;
    let (mut peer, _) = Peer::staying(&broker, "a").await;
    peer.nothing_comes().await;
}
