//! Messages to the engine's inputs: every kind of topic, every format.

use taillamp::engine::ids::{DetectorId, FeedId, NodeId, TableId, TurnoutId};
use taillamp::engine::input::{Input, OwnTime, Position, Reading, Sample, TablePosition};
use taillamp::engine::time::Span;
use taillamp::wire::payload::{Refusal, decode};
use taillamp::wire::topics::TopicTable;

use super::plan;

fn read_retained(topic: &str, payload: &str, retained: bool) -> Result<Vec<Input>, Refusal> {
    let plan = plan();
    let table = TopicTable::new(plan);
    let mut out = Vec::new();
    let topic = topic.replace("P/", "harbour/");
    decode(
        &table,
        &plan.layout,
        &topic,
        payload.as_bytes(),
        retained,
        &mut out,
    )
    .map(|()| out)
}

fn read(topic: &str, payload: &str) -> Result<Vec<Input>, Refusal> {
    read_retained(topic, payload, false)
}

fn malformed(topic: &str, payload: &str) -> String {
    match read(topic, payload) {
        Err(Refusal::Malformed(why)) => {
            assert!(!why.contains('\n'), "{why}");
            why
        }
        other => panic!("{topic} {payload} gave {other:?}"),
    }
}

fn detector(id: &str) -> DetectorId {
    let number = plan()
        .layout
        .detectors
        .iter()
        .position(|detector| detector.id == id);
    DetectorId(u32::try_from(number.expect("a detector of the plan")).expect("few detectors"))
}

fn reading(id: &str, reading: Reading) -> Input {
    let (own_time, update_within, retained) = (None, None, false);
    let detector = detector(id);
    Input::Reading(Sample {
        detector,
        reading,
        own_time,
        update_within,
        retained,
    })
}

fn level(id: &str, level: f64) -> Result<Vec<Input>, Refusal> {
    Ok(vec![reading(id, Reading::Level(level))])
}

fn seen(id: &str, seen: bool) -> Result<Vec<Input>, Refusal> {
    Ok(vec![reading(id, Reading::Seen(seen))])
}

#[test]
fn a_current_in_amperes_and_in_milliamperes() {
    let topic = "P/detector/d-main-1";
    // RFC 8428 wants the primary unit A; mA is a secondary unit of RFC 8798, here accepted with
    // and without the version number that announces it.
    for payload in [
        r#"[{"n":"current","u":"A","v":0.0124}]"#,
        r#"[{"n":"current","u":"mA","v":12.4}]"#,
        r#"[{"bver":26,"n":"current","u":"mA","v":12.4}]"#,
        r#"[{"bn":"urn:dev:mac:0024befffe804ff1:","bu":"A","n":"current","v":0.0124}]"#,
        " [ { \"v\" : 124e-4 , \"u\" : \"A\" , \"n\" : \"current\" } ] ",
    ] {
        assert_eq!(read(topic, payload), level("d-main-1", 12.4), "{payload}");
    }
    // 'At or above 3.0 mA' has to hold for every way of writing it.
    assert_eq!(
        read(topic, r#"[{"n":"c","u":"A","v":0.003}]"#),
        level("d-main-1", 3.0)
    );
    assert_eq!(
        read(topic, r#"[{"n":"c","u":"A","v":3e-3}]"#),
        level("d-main-1", 3.0)
    );
}

#[test]
fn a_detector_takes_the_records_whose_unit_fits() {
    let topic = "P/detector/d-main-1";
    let pack = r#"[{"n":"temperature","u":"Cel","v":21.5},{"n":"current","u":"A","v":0.0124},
        {"n":"supply","u":"V","v":11.8}]"#;
    assert_eq!(read(topic, pack), level("d-main-1", 12.4));
    for payload in [
        r#"[{"n":"supply","u":"V","v":11.8}]"#,
        r#"[{"n":"current","v":12.4}]"#,
        r#"[{"n":"current","u":"lx","v":12.4}]"#,
        r#"[{"n":"current","vb":true}]"#,
        r#"[{"n":"current","u":"A","vs":"0.0124"}]"#,
        "[]",
    ] {
        assert!(
            malformed(topic, payload).contains(r#""u":"A""#),
            "{payload}"
        );
    }
    malformed(topic, "12.4");
    malformed(topic, "online");
}

#[test]
fn samples_of_a_pack_come_in_order_of_their_own_time() {
    let pack = r#"[{"bu":"A","n":"current","t":-1,"v":0.002},{"n":"current","t":-3,"v":0.001},
        {"n":"current","v":0.003,"ut":5}]"#;
    let sample = |milliamperes: f64, own_time: Option<f64>, within: Option<Span>| {
        Input::Reading(Sample {
            detector: detector("d-main-1"),
            reading: Reading::Level(milliamperes),
            own_time: own_time.map(OwnTime::Relative),
            update_within: within,
            retained: true,
        })
    };
    let expected = vec![
        sample(1.0, Some(-3.0), None),
        sample(2.0, Some(-1.0), None),
        sample(3.0, None, Some(Span::from_secs(5))),
    ];
    assert_eq!(
        read_retained("P/detector/d-main-1", pack, true),
        Ok(expected)
    );
}

#[test]
fn two_detectors_share_a_topic() {
    let both = r#"[{"bu":"mA","n":"ch13","v":1.3},{"n":"ch3","v":0.3}]"#;
    let expected = vec![
        reading("d-main-2", Reading::Level(0.3)),
        reading("d-quay", Reading::Level(1.3)),
    ];
    assert_eq!(read("boards/7", both), Ok(expected));
    // The end of a resolved name chooses too.
    let based = r#"[{"bn":"urn:dev:org:1-board","bu":"mA","n":":ch3","v":0.3}]"#;
    assert_eq!(read("boards/7", based), level("d-main-2", 0.3));
    // A pack with one of the two is good; with none it is not.
    assert_eq!(
        read("boards/7", r#"[{"u":"mA","n":"ch13","v":1.3}]"#),
        level("d-quay", 1.3)
    );
    malformed("boards/7", r#"[{"u":"mA","n":"ch4","v":1.3}]"#);
    // One whose record does not fit does not keep the other from its own.
    let plan = plan();
    let (table, mut out) = (TopicTable::new(plan), Vec::new());
    let half = br#"[{"u":"V","n":"ch3","v":1},{"u":"mA","n":"ch13","v":1.3}]"#;
    assert!(decode(&table, &plan.layout, "boards/7", half, false, &mut out).is_err());
    assert_eq!(Ok(out), level("d-quay", 1.3));
}

#[test]
fn raw_counts() {
    // `number` payloads and unitless or counted records are raw counts where `scale` says what a
    // count is worth; the engine multiplies.
    assert_eq!(read("P/detector/d-counts", "248"), level("d-counts", 248.0));
    assert_eq!(
        read("P/detector/d-counts", " -2.5\n"),
        level("d-counts", -2.5)
    );
    assert_eq!(
        read("P/detector/d-raw", r#"[{"n":"adc","v":248}]"#),
        level("d-raw", 248.0)
    );
    let count = r#"[{"n":"adc","u":"count","v":248}]"#;
    assert_eq!(read("P/detector/d-raw", count), level("d-raw", 248.0));
    malformed("P/detector/d-main-1", count);
    malformed("P/detector/d-counts", "248 mA");
    // Not-a-number is for the engine to count as implausible.
    match read("P/detector/d-counts", "NaN").as_deref() {
        Ok(
            [
                Input::Reading(Sample {
                    reading: Reading::Level(level),
                    ..
                }),
            ],
        ) => {
            assert!(level.is_nan());
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn light() {
    assert_eq!(
        read("P/detector/d-beam", r#"[{"n":"l","u":"%","v":35}]"#),
        level("d-beam", 35.0)
    );
    assert_eq!(
        read("P/detector/d-beam", r#"[{"n":"l","u":"/","v":0.35}]"#),
        level("d-beam", 35.0)
    );
    assert_eq!(
        read("P/detector/d-ratio", r#"[{"n":"l","u":"%","v":7}]"#),
        level("d-ratio", 0.07)
    );
    assert_eq!(
        read("P/detector/d-light", r#"[{"n":"l","u":"lx","v":7}]"#),
        level("d-light", 7.0)
    );
    malformed("P/detector/d-light", r#"[{"n":"l","u":"%","v":7}]"#);
    malformed("P/detector/d-beam", r#"[{"n":"l","u":"lx","v":7}]"#);
}

#[test]
fn contacts_words_and_pointers() {
    assert_eq!(
        read("P/detector/d-reed", r#"[{"n":"c","vb":true}]"#),
        seen("d-reed", true)
    );
    malformed("P/detector/d-reed", r#"[{"n":"c","v":1}]"#);
    assert_eq!(read("P/detector/d-words", "1"), seen("d-words", true));
    assert_eq!(read("P/detector/d-words", "0\r\n"), seen("d-words", false));
    // The plan maps `on` to something else: the board means something else by it.
    malformed("P/detector/d-words", "on");
    malformed("P/detector/d-words", "2");
    let pointer = "P/detector/d-pointer";
    assert_eq!(
        read(pointer, r#"{"current":{"ma":12.4}}"#),
        level("d-pointer", 12.4)
    );
    for payload in [
        r#"{"current":{}}"#,
        r#"{"current":{"ma":null}}"#,
        "{",
        r#"{"current":{"ma":"?"}}"#,
    ] {
        malformed(pointer, payload);
    }
}

#[test]
fn positions() {
    let (w1, w2, tt) = (TurnoutId(0), TurnoutId(1), TableId(0));
    let say = |word: &str| format!(r#"[{{"n":"position","vs":"{word}"}}]"#);
    for (word, position) in [
        ("normal", Position::Normal),
        ("reverse", Position::Reverse),
        ("moving", Position::Moving),
    ] {
        let expected = Ok(vec![Input::Position(w1, position)]);
        assert_eq!(read("P/position/w1", &say(word)), expected);
        assert_eq!(
            read("P/asked/w1", &say(word)),
            Ok(vec![Input::Asked(w1, position)])
        );
    }
    for word in ["unknown", "Normal", "thrown", ""] {
        assert!(malformed("P/position/w1", &say(word)).contains("normal, reverse or moving"));
    }
    malformed("P/position/w1", r#"[{"n":"position","vb":true}]"#);
    malformed("P/position/w1", "reverse");
    assert_eq!(
        read("P/asked/w2", "thrown"),
        Ok(vec![Input::Asked(w2, Position::Reverse)])
    );
    assert_eq!(
        read("P/asked/w2", "straight"),
        Ok(vec![Input::Asked(w2, Position::Normal)])
    );
    let at = |position| Ok(vec![Input::TablePosition(tt, position)]);
    assert_eq!(read("P/position/tt", &say("2")), at(TablePosition::At(1)));
    assert_eq!(
        read("P/position/tt", &say("between")),
        at(TablePosition::Between)
    );
    malformed("P/position/tt", &say("3"));
    let asked = Ok(vec![Input::TableAsked(tt, TablePosition::At(0))]);
    assert_eq!(read("P/asked/tt", &say("1")), asked);
}

#[test]
fn feeds_and_nodes() {
    let (feed, esp3, esp4) = (FeedId(0), NodeId(0), NodeId(1));
    let topic = "P/feed/quay-power";
    let on = Ok(vec![Input::FeedSwitch(feed, true)]);
    assert_eq!(read(topic, r#"[{"n":"feed","vb":true}]"#), on);
    let volts = Ok(vec![Input::FeedVoltage(feed, 11.8)]);
    assert_eq!(read(topic, r#"[{"n":"voltage","u":"V","v":11.8}]"#), volts);
    assert_eq!(
        read(topic, r#"[{"n":"voltage","u":"mV","v":11800}]"#),
        volts
    );
    let both = r#"[{"n":"feed","vb":true},{"n":"voltage","u":"V","v":11.8}]"#;
    let expected = vec![
        Input::FeedSwitch(feed, true),
        Input::FeedVoltage(feed, 11.8),
    ];
    assert_eq!(read(topic, both), Ok(expected));
    malformed(topic, r#"[{"n":"feed","u":"A","v":1}]"#);
    malformed(topic, r#"[{"n":"feed","vs":"on"}]"#);
    assert_eq!(
        read("P/node/esp-3", "online"),
        Ok(vec![Input::Node(esp3, true)])
    );
    assert_eq!(
        read("P/node/esp-3", "offline"),
        Ok(vec![Input::Node(esp3, false)])
    );
    malformed("P/node/esp-3", "here");
    assert_eq!(
        read("boards/4/will", "gone"),
        Ok(vec![Input::Node(esp4, false)])
    );
    malformed("boards/4/will", "offline");
}

#[test]
fn what_is_no_input() {
    for topic in [
        "P/detector/nope",
        "P/state/block/main-1",
        "wharf/detector/d-main-1",
        "",
    ] {
        assert_eq!(read(topic, "[]"), Err(Refusal::UnknownTopic), "{topic}");
    }
    // A cleared retained value.
    assert_eq!(read("P/detector/d-main-1", ""), Ok(vec![]));
    assert_eq!(read("P/node/esp-3", ""), Ok(vec![]));
    let long = format!("[{}]", " ".repeat(65_536));
    assert!(malformed("P/detector/d-counts", &long).contains("the limit is 65536"));
}
