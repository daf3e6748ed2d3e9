//! States and changes as JSON: keys, their order, words and numbers (contract, sections 4 to 6).

use taillamp::engine::alarm::kinds::{AlarmKind, Priority};
use taillamp::engine::alarm::lifecycle::AlarmState;
use taillamp::engine::change::{
    Change, Clearance, Evidence, Health, Kept, Occupancy, PositionFrom, TableState, TrainEvent,
    What,
};
use taillamp::engine::ids::{BlockId, DetectorId, FeedId, TableId, TrainId, TurnoutId};
use taillamp::engine::input::{Position, TablePosition};
use taillamp::engine::snapshot::{
    Ahead, AlarmView, BlockView, DetectorView, Exception, FeedView, LineUp, Quiet, TableView,
    TrainView, TurnoutView,
};
use taillamp::engine::time::Instant;
use taillamp::engine::{Engine, View};
use taillamp::wire::change_json::{change_line, end_line};
use taillamp::wire::layout_json::layout_json;
use taillamp::wire::stamp::Label;
use taillamp::wire::state_json::{Section, item_json, section_json, snapshot_json, view_json};
use taillamp::wire::words::Worded;

use super::plan;

fn check(view: &View, expected: &str) {
    assert_eq!(
        view_json(view, &plan().layout, Label::Seconds),
        one_line(expected)
    );
}

/// Text that was broken over lines to fit here, whole again.
fn one_line(text: &str) -> String {
    text.lines().map(str::trim_start).collect()
}

#[test]
fn blocks_and_turnouts() {
    let block = BlockView {
        id: "main-1".into(),
        state: Occupancy::Occupied,
        since: Instant(12_300_400),
        trains: vec!["t1".into()],
        kept: None,
        remembered: false,
        told: false,
        why: "d-main-1 12.4 mA, on at 3.0".into(),
    };
    check(
        &View::Block(block.clone()),
        r#"{"state":"occupied","since":12.300,"trains":["t1"],"kept":null,"remembered":false,
        "told":false,"why":"d-main-1 12.4 mA, on at 3.0","name":"Main 1","line":"Main"}"#,
    );
    let label = Label::Wall {
        origin_us: 1_320_067_464_000_000,
    };
    let live = view_json(&View::Block(block), &plan().layout, label);
    assert!(
        live.contains(r#""since":"2011-10-31T13:24:36.300Z""#),
        "{live}"
    );
    let turnout = TurnoutView {
        id: "w1".into(),
        position: Position::Reverse,
        from: PositionFrom::Message,
        assumed: false,
        state: Clearance::LeftDiverging,
        since: Instant(1_000_000),
        remembered: true,
        in_charge: Some(("Ann".into(), Instant(61_000_000))),
        movements: 3,
        why: "x".into(),
    };
    check(
        &View::Turnout(turnout.clone()),
        r#"{"position":"reverse","from":"message","assumed":false,"state":"left-diverging",
        "since":1.000,"why":"x","remembered":true,"in_charge":{"who":"Ann","until":61.000},
        "movements":3,"name":"Points 1"}"#,
    );
    let nowhere = TurnoutView {
        from: PositionFrom::Nowhere,
        in_charge: None,
        ..turnout
    };
    let written = view_json(&View::Turnout(nowhere), &plan().layout, Label::Seconds);
    assert!(written.contains(r#""from":null"#) && written.contains(r#""in_charge":null"#));
}

#[test]
fn tables_feeds_and_detectors() {
    let table = TableView {
        id: "tt".into(),
        position: "2".into(),
        state: TableState::Free,
        since: Instant(0),
        why: String::new(),
    };
    check(
        &View::Table(table),
        r#"{"position":"2","state":"free","since":0.000,"why":"","name":"tt"}"#,
    );
    let feed = FeedView {
        id: "quay-power".into(),
        on: None,
        live: false,
        failed: false,
        volts: Some(11.804),
        since: Instant(0),
    };
    check(
        &View::Feed(feed),
        r#"{"on":null,"live":false,"failed":false,"volts":11.8,"since":0.000,
        "name":"quay-power"}"#,
    );
    let detector = DetectorView {
        id: "d-reed".into(),
        evidence: Evidence::None,
        health: Health::OutOfService,
        reading: Some(f64::NAN),
        unit: "",
        heard: None,
        since: Instant(0),
        dropouts: 1,
        passes: 4,
        dropped: (2, 3),
        clock_steps: 4,
    };
    check(
        &View::Detector(detector),
        r#"{"evidence":"none","health":"out-of-service","reading":null,"unit":null,"since":0.000,
        "heard":null,"dropouts":1,"passes":4,
        "dropouts_per_pass":0.25,"advice":null,"late":2,"implausible":3,"clock_steps":4,
        "name":"d-reed"}"#,
    );
}

#[test]
fn trains_and_alarms() {
    let train = TrainView {
        id: "t1".into(),
        name: None,
        identity: None,
        blocks: vec!["main-2".into(), "main-1".into()],
        heading: Some("main-1.b".into()),
        stopped: false,
        lost: false,
        speed_mm_s: Some(123.456),
        scale_kmh: Some(38.72),
        length_mm: None,
        length_sd_mm: None,
        unconfirmed: false,
        sure: false,
        or: vec!["t2".into()],
        weights: vec![("t1".into(), 0.754), ("t2".into(), 0.246)],
        parent: None,
        ahead: Some(Ahead {
            what: AlarmKind::OccupiedAhead,
            at: "quay".into(),
            seconds: Some((9.0, 14.04)),
        }),
        remembered: false,
        since: Instant(0),
    };
    check(
        &View::Train(train),
        r#"{"name":null,"blocks":["main-2","main-1"],"heading":"main-1.b","stopped":false,
        "speed_mm_s":123.5,"scale_kmh":38.7,"length_mm":null,"sure":false,"or":["t2"],
        "weights":{"t1":0.75,"t2":0.25},
        "ahead":{"what":"occupied-ahead","at":"quay","seconds":[9,14]},"length_sd_mm":null,
        "lost":false,"unconfirmed":false,"parent":null,"remembered":false,"since":0.000}"#,
    );
    check(&View::Alarm(alarm()), ALARM);
}

const ALARM: &str = r#"{"id":"left-diverging:w1","type":"left-diverging","subject":"w1",
    "priority":"medium","state":"shelved","active":true,"since":1.000,"text":"x","do":"y",
    "seconds":null,"by":"Ann","reason":"mending it","until":900.000,"quiet":"again"}"#;

fn alarm() -> AlarmView {
    AlarmView {
        id: "left-diverging:w1".into(),
        kind: AlarmKind::LeftDiverging,
        subject: "w1".into(),
        priority: Priority::Medium,
        state: AlarmState::Shelved,
        active: true,
        since: Instant(1_000_000),
        text: "x".into(),
        to_do: "y",
        seconds: None,
        by: Some("Ann".into()),
        reason: Some("mending it".into()),
        until: Some(Instant(900_000_000)),
        quiet: Some(Quiet::Again),
    }
}

#[test]
fn a_snapshot_is_json_with_the_contracts_keys() {
    let plan = plan();
    let mut snapshot = Engine::new(plan.layout.clone(), Instant(0)).snapshot();
    snapshot.at = Instant(2_500_000);
    snapshot.broker = false;
    snapshot.waiting = Some((5, 8));
    snapshot.alarms = vec![alarm()];
    snapshot.line_up = LineUp {
        ready: false,
        exceptions: vec![Exception {
            id: "w1".into(),
            stops: true,
            text: "Points 1 set diverging".into(),
            to_do: "Set them straight.".into(),
        }],
    };
    let layout = layout_json(plan);
    let written = snapshot_json(&snapshot, &plan.layout, &layout, Label::Seconds);
    assert!(written.starts_with(r#"{"at":2.500,"layout":{"name":"Harbour Street","scale":"HO","#));
    let value: serde_json::Value = serde_json::from_str(&written).expect("a snapshot is JSON");
    let keys = [
        "at",
        "layout",
        "broker",
        "waiting",
        "blocks",
        "turnouts",
        "tables",
        "feeds",
        "detectors",
        "trains",
        "alarms",
        "line_up",
    ];
    let Keys(written_keys) = serde_json::from_str(&written).expect("a snapshot is an object");
    assert_eq!(written_keys, keys, "in this order");
    assert_eq!(value["broker"], "lost");
    assert_eq!(value["waiting"], serde_json::json!({"heard": 5, "of": 8}));
    assert_eq!(value["line_up"]["exceptions"][0]["level"], "stops");
    assert_eq!(
        value["line_up"]["exceptions"][0]["do"],
        "Set them straight."
    );
    let alarms = section_json(&snapshot, Section::Alarms, &plan.layout, Label::Seconds);
    let one = one_line(ALARM);
    assert_eq!(alarms, format!("{{\"left-diverging:w1\":{one}}}"));
    let item = |id| item_json(&snapshot, Section::Alarms, id, &plan.layout, Label::Seconds);
    assert_eq!(item("left-diverging:w1"), Some(one));
    assert_eq!(item("left-diverging:w2"), None);
}

/// The keys of an object in the order in which they are written.
struct Keys(Vec<String>);

impl<'de> serde::Deserialize<'de> for Keys {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct InOrder;
        impl<'de> serde::de::Visitor<'de> for InOrder {
            type Value = Keys;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A>(self, mut map: A) -> Result<Keys, A::Error>
            where
                A: serde::de::MapAccess<'de>,
            {
                let mut keys = Vec::new();
                while let Some((key, serde::de::IgnoredAny)) = map.next_entry()? {
                    keys.push(key);
                }
                Ok(Keys(keys))
            }
        }
        deserializer.deserialize_map(InOrder)
    }
}

#[test]
fn the_layout() {
    let value: serde_json::Value =
        serde_json::from_str(&layout_json(plan())).expect("a layout is JSON");
    assert_eq!(value["scale_ratio"], 87.1);
    // What the plan wants of the drawing, for the page to follow.
    assert_eq!(value["lines"], serde_json::json!(["Main"]));
    assert_eq!(value["left"], serde_json::json!(["main-2.b", "quay.a"]));
    let main = serde_json::json!({"name": "Main 1", "line": "Main", "length_mm": 2400,
        "use": "running", "fiddle": false, "bridge_of": null});
    assert_eq!(value["blocks"]["main-1"], main);
    assert_eq!(value["blocks"]["tt-bridge"]["bridge_of"], "tt");
    let points = serde_json::json!({"name": "w2", "rest": "none", "covered_by": "main-1",
        "position": "told"});
    assert_eq!(value["turnouts"]["w2"], points);
    let table = serde_json::json!({"name": "tt", "bridge": "tt-bridge", "rest": "1", "stops": [
        {"at": "1", "a": "shed-lead.b", "b": null},
        {"at": "2", "a": "stub-1.a", "b": "shed-lead.b"}]});
    assert_eq!(value["tables"]["tt"], table);
    let beam = serde_json::json!({"name": "d-beam", "kind": "optical",
        "subject": "block:tt-bridge", "on": 40, "off": 60, "unit": "%", "node": null});
    assert_eq!(value["detectors"]["d-beam"], beam);
    assert_eq!(value["detectors"]["d-reed"]["on"], serde_json::Value::Null);
    assert_eq!(value["feeds"]["quay-power"]["blocks"][0], "quay");
    assert_eq!(value["nodes"]["esp-3"]["name"], "esp-3");
    let joins = value["joins"].as_array().expect("joins are a list");
    let joined = |a: &str, b: &str| joins.iter().any(|join| join[0] == a && join[1] == b);
    assert!(
        joined("main-1.b", "w1.toe") || joined("w1.toe", "main-1.b"),
        "{joins:?}"
    );
    assert!(
        joined("w1.reverse", "w2.toe") || joined("w2.toe", "w1.reverse"),
        "{joins:?}"
    );
}

/// Compares the lines of changes.
fn check_lines<const N: usize>(cases: [(What, &str); N]) {
    let engine = Engine::new(plan().layout.clone(), Instant(0));
    for (what, expected) in cases {
        let at = Instant(12_300_000);
        let line = change_line(&Change { at, what }, &engine);
        assert_eq!(line, one_line(expected));
    }
}

#[test]
fn changes_of_the_track_as_the_contract_writes_them() {
    check_lines([
        (
            What::Block {
                block: BlockId(0),
                was: Occupancy::Vacant,
                state: Occupancy::Dark,
                kept: Some(Kept::Vacant),
                why: "quay-power off".into(),
            },
            r#"{"t":12.300,"kind":"block","id":"main-1","was":"vacant","state":"dark",
            "kept":"vacant","why":"quay-power off"}"#,
        ),
        (
            What::Turnout {
                turnout: TurnoutId(0),
                position: Position::Reverse,
                was: Clearance::Fouled,
                state: Clearance::Cleared,
                why: "not printed".into(),
            },
            r#"{"t":12.300,"kind":"turnout","id":"w1","position":"reverse",
            "was":"fouled","state":"cleared"}"#,
        ),
        (
            What::Table {
                table: TableId(0),
                position: TablePosition::At(1),
                was: TableState::Free,
                state: TableState::Free,
            },
            r#"{"t":12.300,"kind":"table","id":"tt","position":"2","was":"free","state":"free"}"#,
        ),
    ]);
}

#[test]
fn the_other_changes_as_the_contract_writes_them() {
    check_lines([
        (
            What::Feed {
                feed: FeedId(0),
                on: None,
                live: false,
                failed: true,
            },
            r#"{"t":12.300,"kind":"feed","id":"quay-power","on":null,"live":false,"failed":true}"#,
        ),
        (
            What::Detector {
                detector: DetectorId(0),
                was: Health::Ok,
                health: Health::Silent,
            },
            r#"{"t":12.300,"kind":"detector","id":"d-beam","was":"ok","health":"silent"}"#,
        ),
        (
            What::Train {
                train: TrainId(1),
                event: TrainEvent::TurnedBack,
                place: None,
                places: vec![],
            },
            r#"{"t":12.300,"kind":"train","id":"t1","event":"turned-back",
            "block":null,"blocks":[]}"#,
        ),
        (
            What::Alarm {
                id: "left-diverging:w1".into(),
                kind: AlarmKind::LeftDiverging,
                subject: "w1".into(),
                priority: Priority::Medium,
                was: AlarmState::Normal,
                state: AlarmState::Unacknowledged,
                text: "Points 1 left diverging".into(),
            },
            r#"{"t":12.300,"kind":"alarm","id":"left-diverging:w1","type":"left-diverging",
            "subject":"w1","priority":"medium","was":"normal","state":"unacknowledged",
            "text":"Points 1 left diverging"}"#,
        ),
    ]);
    let end = end_line(Instant(60_000_000), "{}");
    assert_eq!(end, r#"{"t":60.000,"kind":"end","snapshot":{}}"#);
}

#[test]
fn every_word_leads_back_to_its_value() {
    fn check<T: Worded + PartialEq + std::fmt::Debug>() {
        for (value, word) in T::WORDS {
            assert_eq!(value.word(), *word);
            assert_eq!(T::from_word(word).as_ref(), Some(value), "{word}");
        }
        assert_eq!(T::from_word("no such word"), None);
    }
    check::<Occupancy>();
    check::<Kept>();
    check::<Clearance>();
    check::<TableState>();
    check::<Evidence>();
    check::<Health>();
    check::<PositionFrom>();
    check::<TrainEvent>();
    check::<Position>();
    check::<AlarmState>();
}
