//! `GET /api/v1/road` and `taillamp road --url`: what is set and what is in the way, live.

use std::process::Command;

use serde_json::json;

use crate::harness::{Mqtt, PLAN, get, live, start, until};

#[test]
fn the_road_is_what_the_layout_says_now() {
    live(async {
        let daemon = start(PLAN).await;
        let mut mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        let path = "/api/v1/road?from=loop-east&to=goods-1";
        let road = get(&daemon, path).await.json();
        assert_eq!(road["live"], true);
        assert_eq!(road["ways"][0]["ready"], false, "nothing was heard yet");
        assert_eq!(road["ways"][0]["settings"][0]["id"], "w1");

        for detector in ["d-east", "d-west", "d-goods-1"] {
            mqtt.current(detector, 0.0).await;
        }
        mqtt.position("w1", "reverse").await;
        mqtt.state("wharf/state/block/goods-1", "vacant").await;
        let ready = async || {
            let road = get(&daemon, path).await.json();
            (road["ways"][0]["ready"] == true).then_some(road)
        };
        let road = until("a ready road", ready).await;
        assert_eq!(road["ways"][0]["settings"], json!([]));
        assert_eq!(road["ways"][0]["in_the_way"], json!([]));

        mqtt.current("d-goods-1", 20.0).await;
        mqtt.state("wharf/state/block/goods-1", "occupied").await;
        let road = get(&daemon, path).await.json();
        assert_eq!(road["ways"][0]["ready"], false);
        let hindrance = json!([{"id": "goods-1", "text": "goods-1: occupied by Train 1"}]);
        assert_eq!(road["ways"][0]["in_the_way"], hindrance);
        daemon.stop().await;
    });
}

#[test]
fn the_command_asks_a_running_daemon() {
    live(async {
        let daemon = start(PLAN).await;
        let url = format!("http://{}", daemon.addresses().web);
        let ask = |to: &str| {
            let args = ["road", "--url", &url, "--from", "loop-east", "--to", to];
            let mut command = Command::new(env!("CARGO_BIN_EXE_taillamp"));
            command.args(args);
            async move {
                let run = tokio::task::spawn_blocking(move || command.output());
                run.await.expect("it ends").expect("the program starts")
            }
        };
        let output = ask("goods-1").await;
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        assert_eq!(output.status.code(), Some(0));
        assert!(
            said.contains("  set first: Points 1 set diverging\n"),
            "{said}"
        );
        assert!(
            said.contains("  in the way: goods-1: not known whether"),
            "{said}"
        );
        let output = ask("goods 1&").await;
        assert_eq!(output.status.code(), Some(1));
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.contains("the plan has no block `goods 1&`"), "{said}");
        daemon.stop().await;
    });
}

#[test]
fn a_wrong_question_names_the_parameter() {
    live(async {
        let daemon = start(PLAN).await;
        for (query, parameter, says) in [
            ("", "from", "missing"),
            ("?from=loop-east", "to", "missing"),
            (
                "?from=lop-east&to=goods-1",
                "from",
                "did you mean `loop-east`?",
            ),
            ("?from=loop-east&to=w1", "to", "no block `w1`"),
            ("?from=loop-east&to=loop-east", "to", "two blocks"),
        ] {
            let answer = get(&daemon, &format!("/api/v1/road{query}")).await;
            assert_eq!(answer.status, 400, "{query}");
            assert_eq!(answer.headers["content-type"], "application/problem+json");
            let problem = answer.json();
            assert_eq!(problem["status"], 400);
            assert_eq!(problem["parameter"], parameter, "{query}");
            let detail = problem["detail"].as_str().unwrap_or_default();
            assert!(detail.contains(says), "{query}: {detail}");
        }
        for query in ["?from=loop-east&to=goods-1&via=w1", "?from=a&from=b"] {
            let answer = get(&daemon, &format!("/api/v1/road{query}")).await;
            assert_eq!(answer.status, 400, "{query}");
            assert_eq!(answer.headers["content-type"], "application/problem+json");
        }
        let paths = get(&daemon, "/openapi.json").await.json()["paths"].clone();
        let road = &paths["/api/v1/road"]["get"];
        assert_eq!(road["parameters"][0]["name"], "from");
        assert_eq!(road["parameters"][1]["required"], true);
        daemon.stop().await;
    });
}
