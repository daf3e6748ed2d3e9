//! Connecting, staying connected, and what closes a connection.

use std::time::{Duration, Instant};

use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{
    ConnAck, Connect, ConnectReturnCode, Packet, PubAck, Publish, Subscribe,
};
use taillamp::daemon::mqtt::broker::{Broker, Limits};

use crate::peer::{Peer, anywhere, broker, until};

/// CONNECT of MQTT 5 (its section 3.1), clean start, no properties, identifier 'five'.
const CONNECT_5: &[u8] = b"\x10\x11\x00\x04MQTT\x05\x02\x00\x3c\x00\x00\x04five";

#[tokio::test]
async fn other_versions_get_the_answer_of_this_one() {
    // 3.1.2-2: 'return code 0x01 (unacceptable protocol level) and then disconnect'.
    let broker = broker();
    let old: &[u8] = b"\x10\x10\x00\x06MQIsdp\x03\x02\x00\x0a\x00\x02id";
    for bytes in [CONNECT_5, old] {
        let mut peer = Peer::raw(broker.addr()).await;
        peer.send_bytes(bytes).await;
        let refused = ConnAck::new(ConnectReturnCode::RefusedProtocolVersion, false);
        assert_eq!(peer.next().await, Packet::ConnAck(refused));
        peer.closed().await;
    }
    until(&broker, "both are counted", |counters| {
        counters.refused == 2
    })
    .await;
}

#[tokio::test]
async fn the_first_packet_is_connect_and_only_the_first() {
    let broker = broker();
    // 3.1.0-1
    let mut early = Peer::raw(broker.addr()).await;
    early.send(Packet::PingReq).await;
    early.closed().await;
    // 3.1.0-2
    let mut twice = Peer::clean(&broker, "twice").await;
    twice.send(Packet::Connect(Connect::new("twice"))).await;
    twice.closed().await;
}

#[tokio::test]
async fn packets_may_follow_connect_without_waiting_for_the_answer() {
    // 3.1.4-5, non-normative part: clients may send before they have CONNACK.
    let broker = broker();
    let mut peer = Peer::raw(broker.addr()).await;
    peer.send(Packet::Connect(Connect::new("hasty"))).await;
    peer.send(Packet::PingReq).await;
    assert!(matches!(peer.next().await, Packet::ConnAck(_)));
    assert_eq!(peer.next().await, Packet::PingResp);
}

#[tokio::test]
async fn a_packet_may_come_byte_by_byte() {
    let broker = broker();
    let mut peer = Peer::clean(&broker, "drip").await;
    let mut bytes = bytes::BytesMut::new();
    let mut subscribe = Subscribe::new("a/+", QoS::AtLeastOnce);
    subscribe.pkid = 7;
    subscribe.write(&mut bytes).expect("a small packet");
    for byte in bytes {
        peer.send_bytes(&[byte]).await;
        tokio::task::yield_now().await;
    }
    assert!(matches!(peer.next().await, Packet::SubAck(_)));
}

#[tokio::test]
async fn an_empty_identifier_goes_with_a_clean_session_only() {
    // 3.1.3-7, 3.1.3-8
    let broker = broker();
    let _first = Peer::clean(&broker, "").await;
    let mut second = Peer::clean(&broker, "").await;
    second.nothing_comes().await;
    until(&broker, "both have names of their own", |counters| {
        counters.clients == 2
    })
    .await;
    let mut connect = Connect::new("");
    connect.clean_session = false;
    let (mut peer, answer) = Peer::try_connect(&broker, &connect).await;
    assert_eq!(answer.code, ConnectReturnCode::BadClientId);
    peer.closed().await;
}

#[tokio::test]
async fn silence_of_one_and_a_half_keep_alives_ends_it() {
    // 3.1.2-24
    let broker = broker();
    let mut connect = Connect::new("silent");
    connect.keep_alive = 1;
    let (mut peer, _) = Peer::connect(&broker, &connect).await;
    let start = Instant::now();
    peer.closed().await;
    let lasted = start.elapsed();
    assert!(
        lasted >= Duration::from_millis(1_450),
        "closed after {lasted:?}"
    );
    assert!(lasted < Duration::from_secs(4), "closed after {lasted:?}");
    until(&broker, "it is counted", |counters| counters.silent == 1).await;
}

#[tokio::test]
async fn pings_keep_it_open_and_none_are_needed_at_keep_alive_zero() {
    let broker = broker();
    let mut connect = Connect::new("pings");
    connect.keep_alive = 1;
    let (mut pings, _) = Peer::connect(&broker, &connect).await;
    connect.client_id = "zero".to_owned();
    connect.keep_alive = 0;
    let (mut zero, _) = Peer::connect(&broker, &connect).await;
    // Twice what silence would be allowed.
    let end = Instant::now() + Duration::from_secs(3);
    while Instant::now() < end {
        pings.send(Packet::PingReq).await;
        assert_eq!(pings.next().await, Packet::PingResp);
        tokio::time::sleep(Duration::from_millis(250)).await;
    }
    zero.nothing_comes().await;
}

#[tokio::test]
async fn who_never_says_connect_is_closed() {
    let mut config = anywhere();
    let connect_timeout = Duration::from_millis(200);
    config.limits = Limits {
        connect_timeout,
        ..Limits::default()
    };
    let broker = Broker::start(config).expect("a free port");
    let mut peer = Peer::raw(broker.addr()).await;
    peer.send_bytes(b"\x10").await;
    peer.closed().await;
}

#[tokio::test]
async fn packets_against_the_rules_close_their_connection_alone() {
    let broker = broker();
    let mut good = Peer::clean(&broker, "good").await;
    good.subscribe("#", QoS::AtMostOnce).await;
    let wildcard = Publish::new("a/+", QoS::AtMostOnce, "x");
    let no_topic = Publish::new("", QoS::AtMostOnce, "x");
    let mut bad_filter = Subscribe::new("a#", QoS::AtMostOnce);
    bad_filter.pkid = 1;
    let no_id = Subscribe::new("a", QoS::AtMostOnce);
    for packet in [
        Packet::Publish(wildcard),     // 3.3.2-2
        Packet::Publish(no_topic),     // 4.7.3-1
        Packet::Subscribe(bad_filter), // 4.7.1-2
        Packet::Subscribe(no_id),      // 2.3.1-1
        Packet::PingResp,              // table 2.1: a server's packet
    ] {
        let mut bad = Peer::clean(&broker, "bad").await;
        bad.send(packet).await;
        bad.closed().await;
    }
    for bytes in [
        &b"\x36\x05\x00\x01a\x00\x01"[..], // 3.3.1-4: both QoS bits
        b"\x32\x05\x00\x01a\x00\x00",      // 2.3.1-1: identifier 0
        b"\x82\x02\x00\x01",               // 3.8.3-3: no filter
        b"\xa2\x02\x00\x01",               // 3.10.3-2: no filter
        b"\x30\x03\x00\x01\xff",           // 1.5.3-1: not UTF-8
        b"\x30\x05\x00\x03a\x00b",         // 1.5.3-2: NUL
        b"\x30\x04\x00\x09ab",             // a length beyond the packet
        b"\x62\x01\x00",                   // half an identifier
    ] {
        let mut bad = Peer::clean(&broker, "bad").await;
        bad.send_bytes(bytes).await;
        bad.closed().await;
    }
    until(&broker, "each is counted", |counters| {
        counters.violations == 13
    })
    .await;
    good.nothing_comes().await;
}

#[tokio::test]
async fn what_came_before_a_mistake_still_counts() {
    let broker = broker();
    let mut good = Peer::clean(&broker, "good").await;
    good.subscribe("#", QoS::AtMostOnce).await;
    let mut bad = Peer::clean(&broker, "bad").await;
    let mut bytes = bytes::BytesMut::new();
    let mut publish = Publish::new("a", QoS::AtLeastOnce, "heard");
    publish.pkid = 1;
    publish.write(&mut bytes).expect("a small packet");
    bytes.extend_from_slice(b"\xff\xff\xff\xff\xff");
    bad.send_bytes(&bytes).await;
    assert_eq!(bad.next().await, Packet::PubAck(PubAck::new(1)));
    bad.closed().await;
    assert_eq!(good.text().await, "heard");
}

#[tokio::test]
async fn a_taken_port_is_an_error_of_that_kind() {
    let broker = broker();
    let mut config = anywhere();
    config.listen = broker.addr();
    let error = Broker::start(config).expect_err("the port is taken");
    assert_eq!(error.kind(), std::io::ErrorKind::AddrInUse);
    assert!(
        error.to_string().contains(&broker.addr().to_string()),
        "{error}"
    );
}

#[tokio::test]
async fn stopping_closes_everything_and_frees_the_port() {
    let broker = broker();
    let addr = broker.addr();
    let mut peer = Peer::clean(&broker, "a").await;
    let mut greeting = Peer::raw(addr).await;
    broker.stop().await;
    peer.closed().await;
    greeting.closed().await;
    let mut config = anywhere();
    config.listen = addr;
    let again = Broker::start(config).expect("the port is free again");
    let mut peer = Peer::clean(&again, "a").await;
    peer.nothing_comes().await;
}
