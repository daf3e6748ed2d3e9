//! A broker elsewhere that comes, goes and has a past.

use std::net::SocketAddr;

use hyper::StatusCode;
use taillamp::daemon::mqtt::broker::{Broker, BrokerConfig, Users};

use crate::harness::{Mqtt, PLAN, get, live, start, until};

fn external(broker: SocketAddr) -> String {
    let url = format!("[mqtt]\nurl = \"mqtt://{broker}\"");
    PLAN.replace("[mqtt]\nlisten = \"127.0.0.1:0\"", &url)
}

fn broker(listen: SocketAddr) -> Broker {
    Broker::start(BrokerConfig::new(listen)).expect("a free port")
}

const ANY: ([u8; 4], u16) = ([127, 0, 0, 1], 0);

#[test]
fn the_broker_is_lost_and_comes_back() {
    live(async {
        let first = broker(ANY.into());
        let address = first.addr();
        let daemon = start(&external(address)).await;
        let mut mqtt = Mqtt::new(address).await;
        mqtt.hear("wharf/status", |payload| payload == b"online")
            .await;
        mqtt.current("d-east", 12.0).await;
        mqtt.state("wharf/state/block/loop-east", "occupied").await;
        drop(mqtt);
        first.stop().await;
        until("the loss is noticed", async || {
            (get(&daemon, "/readyz").await.status == StatusCode::SERVICE_UNAVAILABLE).then_some(())
        })
        .await;
        // Not before it has been away for a while (behaviour, section 6: five seconds).
        until("the page says so too", async || {
            (get(&daemon, "/api/v1/state").await.json()["broker"] == "lost").then_some(())
        })
        .await;

        // The new one remembers nothing: everything is published again.
        let second = broker(address);
        let mut mqtt = Mqtt::new(address).await;
        mqtt.hear("wharf/status", |payload| payload == b"online")
            .await;
        mqtt.hear("wharf/state/block/loop-east", |payload| !payload.is_empty())
            .await;
        mqtt.hear("wharf/state/turnout/w1", |payload| !payload.is_empty())
            .await;
        until("it is ready", async || {
            (get(&daemon, "/readyz").await.status == StatusCode::OK).then_some(())
        })
        .await;
        let metrics = get(&daemon, "/metrics").await.body;
        assert!(
            metrics.contains("taillamp_broker_reconnects_total 1\n"),
            "{metrics}"
        );
        daemon.stop().await;
        mqtt.hear("wharf/status", |payload| payload == b"offline")
            .await;
        second.stop().await;
    });
}

#[test]
fn what_an_earlier_run_has_left_is_cleared() {
    live(async {
        let broker = broker(ANY.into());
        let mut mqtt = Mqtt::new(broker.addr()).await;
        let ghosts = ["wharf/state/train/t99", "wharf/alarm/left-diverging:w9"];
        for ghost in ghosts {
            mqtt.keep(ghost, r#"{"state":"unacknowledged"}"#).await;
            mqtt.hear(ghost, |payload| !payload.is_empty()).await;
        }
        let daemon = start(&external(broker.addr())).await;
        for ghost in ghosts {
            mqtt.hear(ghost, <[u8]>::is_empty).await;
        }
        daemon.stop().await;
        broker.stop().await;
    });
}

/// Two boards with passwords, of which the second carries `d-west`.
fn boards(folder: &std::path::Path, carried: &str) -> String {
    let mut users = Users::default();
    for user in ["board-1", "board-2", "sam"] {
        users.add(user, user).expect("a hash");
    }
    std::fs::write(folder.join("passwords"), users.to_text()).expect("a file");
    let mqtt = format!(
        "[mqtt]\npassword_file = \"{}/passwords\"\n",
        folder.display()
    );
    let plan = PLAN.replace("[mqtt]\n", &mqtt);
    let west = "id = \"d-west\"\n";
    assert!(plan.contains(west));
    let plan = plan.replace(west, &format!("{west}node = \"{carried}\"\n"));
    format!("{plan}\n[[node]]\nid = \"board-1\"\n\n[[node]]\nid = \"board-2\"\n")
}

#[test]
fn what_a_board_carries_no_other_reports_and_a_new_plan_changes_that() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let daemon = start(&boards(folder.path(), "board-2")).await;
        let address = daemon.addresses().mqtt.expect("embedded");
        let block = async |name: &str| {
            let state = get(&daemon, "/api/v1/state").await.json();
            state["blocks"][name]["state"].clone()
        };
        let first = Mqtt::login(address, Some(("board-1", "board-1"))).await;
        first.current("d-west", 40.0).await;
        first.publish("wharf/do/out-of-service/d-west", "{}").await;
        first.keep("wharf/node/board-2", "offline").await;
        // What nobody carries shows that the rest was handled before it.
        first.current("d-east", 40.0).await;
        until("what nobody carries is heard", async || {
            (block("loop-east").await == "occupied").then_some(())
        })
        .await;
        assert_eq!(block("loop-west").await, "unknown");
        let state = get(&daemon, "/api/v1/state").await.json();
        let detector = state["detectors"]["d-west"].to_string();
        assert!(!detector.contains("out-of-service"), "{detector}");

        let new = crate::harness::plan(&boards(folder.path(), "board-1"));
        let changed = daemon.reload(new).await.expect("it answers");
        changed.expect("nothing that needs a restart");
        first.current("d-west", 40.0).await;
        until("it carries it now", async || {
            (block("loop-west").await == "occupied").then_some(())
        })
        .await;
        let sam = Mqtt::login(address, Some(("sam", "sam"))).await;
        sam.publish("wharf/do/out-of-service/d-west", "{\"who\":\"Sam\"}")
            .await;
        until("a person gives words", async || {
            let state = get(&daemon, "/api/v1/state").await.json();
            let detector = state["detectors"]["d-west"].to_string();
            detector.contains("out-of-service").then_some(())
        })
        .await;
        daemon.stop().await;
    });
}

#[test]
fn a_broker_with_passwords_lets_the_daemon_in_and_nodes_report_only_for_themselves() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("passwords");
        let mut users = Users::default();
        users.add("esp-3", "signal box").expect("a hash");
        std::fs::write(&file, users.to_text()).expect("a file");
        let secret = format!("[mqtt]\npassword_file = \"{}\"\n", file.display());
        let daemon = start(&PLAN.replace("[mqtt]\n", &secret)).await;
        assert_eq!(
            get(&daemon, "/readyz").await.status,
            StatusCode::OK,
            "the daemon gets in"
        );
        let address = daemon.addresses().mqtt.expect("embedded");
        let mut node = Mqtt::login(address, Some(("esp-3", "signal box"))).await;
        node.hear("wharf/status", |payload| payload == b"online")
            .await;
        node.publish("wharf/state/turnout/w1", "forged").await;
        node.publish("wharf/alarm/left-diverging:w1", "forged")
            .await;
        node.publish("wharf/status", "forged").await;
        node.current("d-east", 12.0).await;
        node.state("wharf/state/block/loop-east", "occupied").await;
        let forged = node
            .log
            .iter()
            .filter(|(_, payload)| payload.as_ref() == b"forged");
        assert_eq!(
            forged.count(),
            0,
            "what came before the reading is not passed on"
        );
        daemon.stop().await;
    });
}
