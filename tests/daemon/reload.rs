//! Changing the plan of a running daemon.

use std::path::Path;

use hyper::StatusCode;
use taillamp::daemon::{Daemon, Options};
use taillamp::plan;

use crate::harness::{Events, Mqtt, PLAN, get, live, post};

/// Its shell settings need a restart, so the ports must stay what they are: free, as in the plan.
async fn start(file: &Path) -> Daemon {
    std::fs::write(file, PLAN).expect("a file");
    let options = Options {
        journal: None,
        plan_file: Some(file.into()),
        memory: None,
    };
    // Paths in a plan are relative to its file, so its name counts.
    let (plan, _) = plan::load(PLAN, file.to_str().expect("a plain name"));
    Daemon::start(plan.expect("a good plan"), options)
        .await
        .expect("free ports")
}

const RELOAD: &str = "/api/v1/plan/reload";

#[test]
fn a_bad_plan_changes_nothing_and_says_so() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("plan.toml");
        let daemon = start(&file).await;
        let mut mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        mqtt.current("d-east", 12.0).await;
        mqtt.state("wharf/state/block/loop-east", "occupied").await;
        let before = get(&daemon, "/api/v1/blocks").await.json();

        let bad = PLAN.replace("toe = \"loop-east.b\"", "toe = \"loop-eest.b\"");
        for text in [bad.as_str(), "[", ""] {
            std::fs::write(&file, text).expect("a file");
            let answer = post(&daemon, RELOAD, "").await;
            assert_eq!(
                answer.status,
                StatusCode::UNPROCESSABLE_ENTITY,
                "{answer:?}"
            );
            let problem = answer.json();
            let findings = problem["findings"].as_array().expect("a list");
            let finding = findings.iter().find(|finding| finding["level"] == "error");
            let finding = finding.unwrap_or_else(|| panic!("no error in {problem}"));
            assert!(finding["line"].as_u64() >= Some(1), "{problem}");
            assert!(
                problem["detail"]
                    .as_str()
                    .is_some_and(|d| d.contains("plan.toml:"))
            );
        }
        std::fs::remove_file(&file).expect("it was there");
        assert_eq!(
            post(&daemon, RELOAD, "").await.status,
            StatusCode::UNPROCESSABLE_ENTITY
        );
        let metrics = get(&daemon, "/metrics").await.body;
        assert!(metrics.contains("taillamp_plan_last_reload_successful 0\n"));
        assert_eq!(get(&daemon, "/api/v1/blocks").await.json(), before);
        daemon.stop().await;
    });
}

#[test]
fn a_good_plan_is_taken_and_what_is_unchanged_is_kept() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("plan.toml");
        let daemon = start(&file).await;
        let mut mqtt = Mqtt::new(daemon.addresses().mqtt.expect("embedded")).await;
        mqtt.position("w1", "reverse").await;
        let reverse = |payload: &[u8]| payload.starts_with(br#"{"position":"reverse""#);
        mqtt.hear("wharf/state/turnout/w1", reverse).await;
        mqtt.current("d-east", 12.0).await;
        mqtt.state("wharf/state/block/loop-east", "occupied").await;
        let mut events = Events::open(&daemon, None).await;
        events.next().await.expect("an event");

        let more = format!(
            "{PLAN}\n[[block]]\nid = \"shed\"\n\n[[join]]\nends = [\"shed.a\", \"goods-1.b\"]\n"
        );
        std::fs::write(&file, &more).expect("a file");
        let answer = post(&daemon, RELOAD, "").await;
        assert_eq!(answer.status, StatusCode::OK, "{answer:?}");
        let whole = events.wait(|event| event.kind == "state").await;
        assert_eq!(
            whole.data["blocks"]["shed"]["state"], "unknown",
            "readers get the new layout"
        );
        let block = get(&daemon, "/api/v1/blocks/loop-east").await.json();
        // Until its detector reports again it is what it was, or unknown and kept so (rule B8).
        let kept = block["state"] == "occupied" || block["kept"] == "occupied";
        assert!(kept && block["remembered"] == true, "{block}");
        assert_eq!(block["trains"], serde_json::json!(["t1"]));
        let turnout = get(&daemon, "/api/v1/turnouts/w1").await.json();
        assert_eq!(turnout["position"], "reverse", "{turnout}");
        mqtt.state("wharf/state/block/shed", "unknown").await;
        mqtt.current("d-east", 12.0).await;
        let fresh = |payload: &[u8]| {
            let record: serde_json::Value = serde_json::from_slice(payload).unwrap_or_default();
            record["state"] == "occupied" && record["remembered"] == false
        };
        mqtt.hear("wharf/state/block/loop-east", fresh).await;

        // The block goes again, and its retained topic with it.
        std::fs::write(&file, PLAN).expect("a file");
        assert_eq!(post(&daemon, RELOAD, "").await.status, StatusCode::OK);
        mqtt.hear("wharf/state/block/shed", <[u8]>::is_empty).await;
        assert_eq!(
            get(&daemon, "/api/v1/blocks/shed").await.status,
            StatusCode::NOT_FOUND
        );
        let metrics = get(&daemon, "/metrics").await.body;
        assert!(metrics.contains("taillamp_plan_last_reload_successful 1\n"));
        daemon.stop().await;
    });
}

#[test]
fn what_needs_a_restart_is_refused_whole() {
    live(async {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("plan.toml");
        let daemon = start(&file).await;
        let foreign = "id = \"d-east\"\ntopic = \"other/place\"";
        for (old, new) in [
            ("topic_prefix = \"wharf\"", "topic_prefix = \"quay\""),
            (
                "[web]\nlisten = \"127.0.0.1:0\"",
                "[web]\nlisten = \"127.0.0.1:8081\"",
            ),
            ("accept_commands = true", "accept_commands = false"),
            ("id = \"d-east\"", foreign),
        ] {
            let text = PLAN
                .replace(old, new)
                .replace("id = \"goods-1\"", "id = \"goods-1\"\nname = \"G\"");
            std::fs::write(&file, &text).expect("a file");
            let answer = post(&daemon, RELOAD, "").await;
            assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{new}");
            assert_eq!(
                answer.json()["findings"][0]["code"],
                "needs-restart",
                "{answer:?}"
            );
            let name =
                get(&daemon, "/api/v1/state").await.json()["layout"]["blocks"]["goods-1"]["name"]
                    .clone();
            assert_eq!(name, "goods-1", "nothing of it was taken");
        }
        daemon.stop().await;
    });
}
