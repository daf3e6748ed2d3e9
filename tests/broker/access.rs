//! Who is let in, and what they may do.

use std::sync::Arc;

use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::{Connect, ConnectReturnCode, Packet, SubscribeReasonCode};
use taillamp::daemon::mqtt::broker::{Action, Broker, BrokerConfig, Users};

use crate::peer::{Peer, anywhere};

fn guarded(allow_anonymous: bool) -> BrokerConfig {
    let mut users = Users::default();
    users.add("esp-3", "signal box").expect("randomness");
    BrokerConfig {
        users,
        allow_anonymous,
        ..anywhere()
    }
}

fn login(user: &str, password: &str) -> Connect {
    let mut connect = Connect::new("a");
    connect.set_login(user, password);
    connect
}

#[tokio::test]
async fn bad_credentials_are_not_authorized() {
    // Table 3.1: return code 5.
    let broker = Broker::start(guarded(false)).expect("a free port");
    let bad = [
        login("esp-3", "Signal box"),
        login("esp-4", "signal box"),
        login("esp-3", ""),
    ];
    for connect in bad.into_iter().chain([Connect::new("a")]) {
        let (mut peer, answer) = Peer::try_connect(&broker, &connect).await;
        assert_eq!(answer.code, ConnectReturnCode::NotAuthorized);
        peer.closed().await;
    }
    let (mut peer, _) = Peer::connect(&broker, &login("esp-3", "signal box")).await;
    peer.nothing_comes().await;
    assert_eq!(broker.counters().refused, 4);
}

#[tokio::test]
async fn anonymous_clients_beside_users_only_where_that_is_said() {
    let broker = Broker::start(guarded(true)).expect("a free port");
    let mut peer = Peer::clean(&broker, "a").await;
    peer.nothing_comes().await;
    let (_, answer) = Peer::try_connect(&broker, &login("esp-3", "wrong")).await;
    assert_eq!(
        answer.code,
        ConnectReturnCode::NotAuthorized,
        "a wrong password is no anonymity"
    );
}

#[tokio::test]
async fn nobody_gets_in_where_there_are_no_users_and_no_anonymous_ones() {
    let config = BrokerConfig {
        allow_anonymous: false,
        ..anywhere()
    };
    let broker = Broker::start(config).expect("a free port");
    for connect in [Connect::new("a"), login("a", "b")] {
        let (_, answer) = Peer::try_connect(&broker, &connect).await;
        assert_eq!(answer.code, ConnectReturnCode::NotAuthorized);
    }
}

#[tokio::test]
async fn passwords_are_checked_while_others_talk() {
    let broker = Broker::start(guarded(true)).expect("a free port");
    let mut talker = Peer::clean(&broker, "talker").await;
    let mut knocking = Vec::new();
    for number in 0..20 {
        let mut connect = login("esp-3", "signal box");
        connect.client_id = format!("node-{number}");
        let mut peer = Peer::raw(broker.addr()).await;
        peer.send(Packet::Connect(connect)).await;
        knocking.push(peer);
    }
    talker.nothing_comes().await;
    for mut peer in knocking {
        assert!(matches!(peer.next().await, Packet::ConnAck(_)));
    }
    assert_eq!(broker.counters().accepted, 21);
}

#[tokio::test]
async fn what_is_not_permitted_goes_nowhere() {
    let mut config = guarded(true);
    config.permit = Some(Arc::new(|user, action, topic| match action {
        Action::Publish => user == Some("esp-3") || topic.starts_with("open/"),
        Action::Subscribe => !topic.starts_with("secret"),
    }));
    let broker = Broker::start(config).expect("a free port");
    let mut stranger = Peer::clean(&broker, "stranger").await;
    let refused = stranger.ask("secret/#", QoS::AtMostOnce).await;
    assert_eq!(refused, SubscribeReasonCode::Failure);
    stranger.subscribe("+/x", QoS::AtMostOnce).await;
    let (mut node, _) = Peer::connect(&broker, &login("esp-3", "signal box")).await;
    stranger
        .publish("node/x", "forged", QoS::AtLeastOnce, true)
        .await;
    stranger.nothing_comes().await;
    node.publish("node/x", "real", QoS::AtLeastOnce, false)
        .await;
    assert_eq!(stranger.text().await, "real");
    assert_eq!(
        (broker.counters().not_permitted, broker.counters().retained),
        (1, 0)
    );
}

#[tokio::test]
async fn a_session_is_its_users_own() {
    let mut config = guarded(true);
    config.users.add("esp-4", "water tower").expect("a hash");
    let broker = Broker::start(config).expect("a free port");
    let mut connect = login("esp-3", "signal box");
    connect.clean_session = false;
    let (mut owner, _) = Peer::connect(&broker, &connect).await;
    owner.subscribe("x", QoS::AtLeastOnce).await;
    // Another user, and nobody, under the same identifier: neither ends it nor gets its messages.
    let mut other = login("esp-4", "water tower");
    other.client_id.clone_from(&connect.client_id);
    other.clean_session = true;
    let (mut other, _) = Peer::connect(&broker, &other).await;
    let mut nobody = Peer::clean(&broker, &connect.client_id).await;
    assert_eq!(broker.counters().taken_over, 0);
    nobody
        .publish("x", "for the owner", QoS::AtLeastOnce, false)
        .await;
    assert_eq!(owner.text().await, "for the owner");
    other.nothing_comes().await;
    // The owner itself takes it over.
    let (_again, present) = Peer::connect(&broker, &connect).await;
    assert!(present);
    assert_eq!(broker.counters().taken_over, 1);
}
