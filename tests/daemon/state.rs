//! From a message to everything that shows it, and the operator's words back.

use std::io::Read as _;

use flate2::read::GzDecoder;
use http_body_util::BodyExt as _;
use hyper::{Method, StatusCode};
use serde_json::Value;

use crate::harness::{Events, Mqtt, PLAN, get, live, post, send, start, until};

#[test]
fn a_message_becomes_state_on_mqtt_on_the_stream_and_in_the_api() {
    live(async {
        let daemon = start(PLAN).await;
        let mut mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        let mut events = Events::open(&daemon, None).await;
        let first = events.next().await.expect("an event");
        assert_eq!(first.kind, "state");
        assert_eq!(first.data["layout"]["name"], "Wharf Lane");
        assert_eq!(first.data["blocks"]["loop-east"]["state"], "unknown");

        mqtt.current("d-east", 12.4).await;
        let record = mqtt.state("wharf/state/block/loop-east", "occupied").await;
        assert!(
            record["since"]
                .as_str()
                .is_some_and(|since| since.ends_with('Z')),
            "{record}"
        );
        let east = |event: &crate::harness::SentEvent| {
            event.kind == "block" && event.data["id"] == "loop-east"
        };
        let event = events
            .wait(|e| east(e) && e.data["item"]["state"] == "occupied")
            .await;
        assert!(event.id > first.id, "ids rise");
        assert_eq!(event.data["item"], record, "the same record everywhere");
        let answer = get(&daemon, "/api/v1/blocks/loop-east").await;
        assert_eq!(answer.json(), record);
        assert_eq!(
            get(&daemon, "/api/v1/blocks").await.json()["loop-east"],
            record
        );
        let missing = get(&daemon, "/api/v1/blocks/nowhere").await;
        assert_eq!(missing.status, StatusCode::NOT_FOUND);
        assert_eq!(missing.headers["content-type"], "application/problem+json");
        assert_eq!(missing.json()["status"], 404, "RFC 9457, section 3.1.2");

        // The train has a record while it is there.
        let train = mqtt
            .hear("wharf/state/train/t1", |payload| !payload.is_empty())
            .await;
        let train: Value = serde_json::from_slice(&train).expect("JSON");
        assert_eq!(train["blocks"], serde_json::json!(["loop-east"]));
        daemon.stop().await;
    });
}

/// Points are set diverging, a train passes into the siding, nobody sets them back (rule T2).
async fn leave_diverging(mqtt: &mut Mqtt) {
    for detector in ["d-east", "d-west", "d-goods-1"] {
        mqtt.current(detector, 0.2).await;
    }
    mqtt.position("w1", "reverse").await;
    mqtt.state("wharf/state/block/loop-east", "vacant").await;
    mqtt.current("d-east", 12.0).await;
    mqtt.state("wharf/state/turnout/w1", "fouled").await;
    mqtt.current("d-goods-1", 12.0).await;
    mqtt.state("wharf/state/block/goods-1", "occupied").await;
    mqtt.current("d-east", 0.2).await;
    mqtt.state("wharf/state/turnout/w1", "left-diverging").await;
}

#[test]
fn an_alarm_is_raised_said_acknowledged_and_cleared() {
    live(async {
        let daemon = start(PLAN).await;
        let mut mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        leave_diverging(&mut mqtt).await;
        let alarm = "wharf/alarm/left-diverging:w1";
        let record = mqtt.state(alarm, "unacknowledged").await;
        let text = record["text"].as_str().expect("a sentence").to_owned();
        let says = |payload: &[u8]| payload == text.as_bytes();
        mqtt.hear("wharf/say", says).await;

        let path = "/api/v1/alarms/left-diverging:w1";
        assert_eq!(get(&daemon, path).await.json()["state"], "unacknowledged");
        let answer = post(&daemon, &format!("{path}/acknowledge"), r#"{"who":"Ann"}"#).await;
        assert_eq!(answer.status, StatusCode::NO_CONTENT, "{answer:?}");
        let after = get(&daemon, path).await.json();
        assert_eq!(
            after["state"], "acknowledged",
            "who has acted sees what came of it"
        );
        assert_eq!(after["by"], "Ann");
        mqtt.state(alarm, "acknowledged").await;

        mqtt.position("w1", "normal").await;
        mqtt.hear(alarm, <[u8]>::is_empty).await;
        assert_eq!(get(&daemon, path).await.status, StatusCode::NOT_FOUND);
        let again = post(&daemon, &format!("{path}/acknowledge"), "").await;
        assert_eq!(again.status, StatusCode::CONFLICT, "{again:?}");
        daemon.stop().await;
    });
}

#[test]
fn the_operators_words_are_checked() {
    live(async {
        let daemon = start(PLAN).await;
        let unknown = post(&daemon, "/api/v1/blocks/nowhere/empty", "").await;
        assert_eq!(unknown.status, StatusCode::NOT_FOUND);
        let unknown = post(&daemon, "/api/v1/alarms/no-such-type:w1/acknowledge", "").await;
        assert_eq!(unknown.status, StatusCode::NOT_FOUND);
        let position = r#"{"position":"sideways"}"#;
        let malformed = post(&daemon, "/api/v1/turnouts/w1/seen", position).await;
        assert_eq!(
            malformed.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{malformed:?}"
        );
        let broken = post(&daemon, "/api/v1/turnouts/w1/seen", "{").await;
        assert_eq!(broken.status, StatusCode::BAD_REQUEST);
        let nothing = post(&daemon, "/api/v1/turnouts/w1/seen", "null").await;
        assert_eq!(
            nothing.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{nothing:?}"
        );
        let taken = post(&daemon, "/api/v1/detectors/d-east/out-of-service", "").await;
        assert_eq!(taken.status, StatusCode::NO_CONTENT, "{taken:?}");
        let detector = get(&daemon, "/api/v1/detectors/d-east").await.json();
        assert_eq!(detector["health"], "out-of-service");
        daemon.stop().await;
    });
}

#[test]
fn words_on_mqtt_are_taken_only_where_the_plan_says_so() {
    live(async {
        let daemon = start(PLAN).await;
        let mut mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        mqtt.publish("wharf/do/out-of-service/d-east", r#"{"who":"Ann"}"#)
            .await;
        let out = |payload: &[u8]| String::from_utf8_lossy(payload).contains("out-of-service");
        mqtt.hear("wharf/state/detector/d-east", out).await;
        daemon.stop().await;

        let daemon = start(&PLAN.replace("accept_commands = true", "")).await;
        let mut mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        mqtt.publish("wharf/do/out-of-service/d-east", r#"{"who":"Ann"}"#)
            .await;
        mqtt.current("d-west", 12.0).await;
        mqtt.state("wharf/state/block/loop-west", "occupied").await;
        let detector = get(&daemon, "/api/v1/detectors/d-east").await.json();
        assert_ne!(detector["health"], "out-of-service");
        daemon.stop().await;
    });
}

#[test]
fn rubbish_changes_no_state_and_is_counted() {
    live(async {
        let daemon = start(PLAN).await;
        let mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        let blocks = get(&daemon, "/api/v1/blocks").await.json();
        let turnouts = get(&daemon, "/api/v1/turnouts").await.json();
        let malformed: [&[u8]; 6] = [
            b"{",
            b"\xff\xfe\x00",
            br#"[{"n":"current","u":"mA","v":"twelve"}]"#,
            br#"[{"n":"current","u":"km","v":12}]"#,
            b"occupied",
            &[b'['; 10_000],
        ];
        for payload in malformed {
            mqtt.publish("wharf/detector/d-east", payload).await;
        }
        mqtt.publish("wharf/position/w1", r#"[{"n":"position","vs":"sideways"}]"#)
            .await;
        for topic in [
            "wharf/detector/nobody",
            "wharf/feed/w1",
            "wharf/position/\u{17d}",
        ] {
            mqtt.publish(topic, "1").await;
        }
        mqtt.current("d-east", 1e9).await;
        mqtt.publish(
            "wharf/detector/d-west",
            r#"[{"n":"current","u":"mA","v":-1e9}]"#,
        )
        .await;
        let counted = |metrics: &str, outcome: &str| {
            let line = format!("taillamp_messages_total{{outcome=\"{outcome}\"}} ");
            metrics
                .lines()
                .find_map(|l| l.strip_prefix(&line)?.parse::<u64>().ok())
                .expect("a count")
        };
        let metrics = until("everything is counted", async || {
            let text = get(&daemon, "/metrics").await.body;
            let sum = ["ok", "malformed", "unknown_topic", "implausible"];
            let sum: u64 = sum.iter().map(|outcome| counted(&text, outcome)).sum();
            (sum == 12).then_some(text)
        })
        .await;
        assert_eq!(counted(&metrics, "malformed"), 7);
        assert_eq!(counted(&metrics, "unknown_topic"), 3);
        // A current above the range is a vehicle all the same; one below zero cannot be one.
        let after = get(&daemon, "/api/v1/blocks").await.json();
        assert_eq!(after["loop-west"], blocks["loop-west"]);
        assert_eq!(after["goods-1"], blocks["goods-1"]);
        assert_eq!(
            get(&daemon, "/api/v1/turnouts").await.json()["w1"]["position"],
            turnouts["w1"]["position"]
        );
        daemon.stop().await;
    });
}

#[test]
fn a_stream_resumes_and_says_so_when_it_cannot() {
    live(async {
        let daemon = start(PLAN).await;
        let mut mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        let mut events = Events::open(&daemon, None).await;
        let first = events.next().await.expect("an event");
        drop(events);
        mqtt.current("d-east", 12.4).await;
        mqtt.state("wharf/state/block/loop-east", "occupied").await;

        let mut resumed = Events::open(&daemon, Some(first.id)).await;
        let missed = resumed.wait(|event| event.data["id"] == "loop-east").await;
        assert_eq!(missed.data["item"]["state"], "occupied");
        let mut stranger = Events::open(&daemon, Some(7)).await;
        let whole = stranger.next().await.expect("an event");
        assert_eq!(
            whole.kind, "state",
            "the number is of no run of this daemon"
        );
        assert_eq!(whole.data["blocks"]["loop-east"]["state"], "occupied");

        let stopped = tokio::spawn(daemon.stop());
        while stranger.next().await.is_some() {}
        stopped.await.expect("it stops");
    });
}

#[test]
fn a_reader_gets_at_most_ten_bundles_a_second_and_the_newest_of_each_item() {
    live(async {
        let daemon = start(PLAN).await;
        let mut mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        let mut events = Events::open(&daemon, None).await;
        events.next().await.expect("an event");
        let begun = tokio::time::Instant::now();
        for _ in 0..200 {
            mqtt.current("d-east", 12.0).await;
            mqtt.current("d-east", 0.2).await;
        }
        mqtt.current("d-west", 12.0).await;
        mqtt.state("wharf/state/block/loop-west", "occupied").await;
        let mut changes = 0;
        loop {
            let event = events.next().await.expect("an event");
            if event.data["id"] == "d-east" {
                changes += 1;
            }
            if event.data["id"] == "loop-west" && event.data["item"]["state"] == "occupied" {
                break;
            }
        }
        let tenths = begun.elapsed().as_millis() / 100 + 2;
        assert!(
            changes >= 1 && changes <= tenths,
            "{changes} in {tenths} tenths of a second"
        );
        daemon.stop().await;
    });
}

/// RFC 9110: who takes gzip gets it, who does not gets the same text, and its length before it.
#[test]
fn whole_states_and_metrics_are_the_same_packed_and_not() {
    live(async {
        let daemon = start(PLAN).await;
        for path in ["/api/v1/state", "/metrics"] {
            let with = |coding: &'static str| {
                let daemon = &daemon;
                async move {
                    let header = [("accept-encoding", coding)];
                    let answer = send(daemon, Method::GET, path, &header, "").await;
                    let headers = answer.headers().clone();
                    assert_eq!(headers["vary"], "accept-encoding", "{path}");
                    let body = answer.into_body().collect().await.expect("a whole body");
                    (headers, body.to_bytes())
                }
            };
            let (headers, plain) = with("identity").await;
            assert!(!headers.contains_key("content-encoding"), "{path}");
            assert_eq!(headers["content-length"], plain.len().to_string(), "{path}");
            let (headers, packed) = with("gzip").await;
            assert_eq!(headers["content-encoding"], "gzip", "{path}");
            assert!(packed.len() < plain.len() / 2, "{path}");
            let mut text = String::new();
            GzDecoder::new(&*packed)
                .read_to_string(&mut text)
                .expect("gzip");
            let plain = String::from_utf8(plain.to_vec()).expect("text");
            assert_eq!(steady(&text), steady(&plain), "{path}");
        }
        daemon.stop().await;
    });
}

/// What does not change from one moment to the next: a layout and its blocks, or the families of
/// metrics.
fn steady(text: &str) -> Vec<String> {
    match serde_json::from_str::<Value>(text) {
        Ok(state) => vec![state["layout"].to_string(), state["blocks"].to_string()],
        Err(_) => {
            let heads = text.lines().filter(|line| line.starts_with('#'));
            heads.map(str::to_owned).collect()
        }
    }
}
