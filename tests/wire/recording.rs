//! Recordings, line by line, and what was remembered (contract, section 6).

use std::borrow::Cow;
use std::io::{BufReader, Cursor};

use taillamp::engine::alarm::lifecycle::AlarmState;
use taillamp::engine::change::{Clearance, Kept, Occupancy};
use taillamp::engine::input::Position;
use taillamp::engine::memory::{AlarmMemory, Memory, PlaceMemory, TrainMemory, TurnoutMemory};
use taillamp::engine::time::{Instant, Span};
use taillamp::wire::memory_json;
use taillamp::wire::recording::{
    BadLine, Event, Found, LINE_BYTES_MAX, LineReader, RecordingLine, broker_line, memory_line,
    message_line, next_line, tick_line,
};

fn read(line: &str) -> Result<Option<RecordingLine<'_>>, BadLine> {
    LineReader::default().read(line.as_bytes())
}

fn message(topic: &str, payload: &[u8], retained: bool) -> Event<'static> {
    Event::Message {
        topic: Cow::Owned(topic.to_owned()),
        payload: Cow::Owned(payload.to_vec()),
        retained,
    }
}

fn line(micros: u64, event: Event<'static>) -> Result<Option<RecordingLine<'static>>, BadLine> {
    Ok(Some(RecordingLine {
        t: Instant(micros),
        event,
        memory: None,
    }))
}

#[test]
fn the_contracts_lines() {
    let json = r#"[{"n":"current","u":"A","v":0.0124}]"#;
    let written = format!(r#"{{"t":12.300,"topic":"wharf/detector/d-goods-1","payload":{json}}}"#);
    let expected = message("wharf/detector/d-goods-1", json.as_bytes(), false);
    assert_eq!(read(&written), line(12_300_000, expected));
    let written = r#"{"t":0,"topic":"wharf/node/esp-3","payload":"online","retained":true}"#;
    assert_eq!(
        read(written),
        line(0, message("wharf/node/esp-3", b"online", true))
    );
    assert_eq!(read(r#"{"t":60.0}"#), line(60_000_000, Event::Tick));
    assert_eq!(
        read(r#"{"t":1,"broker":"lost"}"#),
        line(1_000_000, Event::Broker(false))
    );
    assert_eq!(
        read(r#"{"t":1,"broker":"back"}"#),
        line(1_000_000, Event::Broker(true))
    );
    // A string is the raw payload, escapes undone; a number is its own text.
    let escaped = r#"{"t":0,"topic":"a\/b","payload":"[{\"n\":\"a\",\"v\":1}]"}"#;
    assert_eq!(
        read(escaped),
        line(0, message("a/b", br#"[{"n":"a","v":1}]"#, false))
    );
    let number = r#"{"t":0,"topic":"a","payload":12.40}"#;
    assert_eq!(read(number), line(0, message("a", b"12.40", false)));
    assert_eq!(read("  \r"), Ok(None));
    assert_eq!(read("{\"t\":60.0}\r"), line(60_000_000, Event::Tick));
}

#[test]
fn bad_lines() {
    for written in [
        "{",
        "[]",
        "1",
        "{}",
        r#"{"t":"1"}"#,
        r#"{"t":null}"#,
        r#"{"t":1,"topic":"a"}"#,
        r#"{"t":1,"payload":1}"#,
        r#"{"t":1,"topik":"a","payload":1}"#,
        r#"{"t":1,"broker":"gone"}"#,
        r#"{"t":1,"topic":"a","payload":1,"broker":"back"}"#,
        r#"{"t":1,"retained":true}"#,
        r#"{"t":1,"topic":1,"payload":1}"#,
        r#"{"t":1,"topic":"a","payload":1,"retained":"yes"}"#,
        r#"{"t":1} {"t":2}"#,
        r#"{"t":1,"t":2}"#,
    ] {
        assert!(
            matches!(read(written), Err(BadLine::Shape(_))),
            "{written}: {:?}",
            read(written)
        );
    }
    assert!(matches!(read(r#"{"t":-0.001}"#), Err(BadLine::Time(_))));
    assert!(matches!(read(r#"{"t":1e11}"#), Err(BadLine::Time(_))));
    assert!(
        LineReader::default()
            .read(b"{\"t\":1,\"topic\":\"\xff\",\"payload\":1}")
            .is_err()
    );
}

#[test]
fn time_never_falls_and_a_bad_line_does_not_move_it() {
    let mut reader = LineReader::default();
    assert!(reader.read(br#"{"t":5}"#).is_ok());
    assert!(reader.read(br#"{"t":9,"broker":"gone"}"#).is_err());
    assert!(
        reader.read(br#"{"t":5}"#).is_ok(),
        "equal times are in order"
    );
    let goes_back = BadLine::GoesBack {
        before: Instant(5_000_000),
        t: Instant(4_999_000),
    };
    assert_eq!(
        goes_back.to_string(),
        "`t` goes back from 5.000 to 4.999; sort the lines by time"
    );
    assert_eq!(reader.read(br#"{"t":4.999}"#), Err(goes_back));
    assert_eq!(
        reader.read(br#"{"t":6,"memory":{}}"#),
        Err(BadLine::LateMemory)
    );
}

#[test]
fn what_is_written_can_be_read() {
    let payloads: [&[u8]; 12] = [
        br#"[{"n":"current","u":"A","v":0.0124}]"#,
        b"online",
        b"12.40",
        b" 12.40",
        b"true",
        b"null",
        b"",
        b"\"quoted\"",
        b"{\n \"pretty\": 1 }",
        "tr\u{e4}in \u{1f682} \\ \" \u{7}".as_bytes(),
        b"{\"broken\":",
        b"[1,\t2]",
    ];
    for payload in payloads {
        for retained in [false, true] {
            let written = message_line(Instant(12_300_000), "a/\"b\"", payload, retained);
            assert!(!written.contains('\n'), "{written}");
            assert_eq!(
                read(&written),
                line(12_300_000, message("a/\"b\"", payload, retained))
            );
        }
    }
    let expected = r#"{"t":12.300,"topic":"a","payload":[{"v":1}]}"#;
    assert_eq!(
        message_line(Instant(12_300_000), "a", br#"[{"v":1}]"#, false),
        expected
    );
    assert_eq!(read(&tick_line(Instant(1_500))), line(2_000, Event::Tick));
    assert_eq!(
        read(&broker_line(Instant(0), false)),
        line(0, Event::Broker(false))
    );
    assert_eq!(
        read(&broker_line(Instant(0), true)),
        line(0, Event::Broker(true))
    );
    // Bytes that are no text cannot be kept; the line stays readable.
    let written = message_line(Instant(0), "a", b"\xff\xfe", false);
    assert_eq!(
        read(&written),
        line(0, message("a", "\u{fffd}\u{fffd}".as_bytes(), false))
    );
}

fn memory() -> Memory {
    Memory {
        places: vec![
            PlaceMemory {
                id: "loop".into(),
                state: Occupancy::Dark,
                kept: Some(Kept::Lost),
                told: false,
                trains: Vec::new(),
            },
            PlaceMemory {
                id: "quay".into(),
                state: Occupancy::Vacant,
                kept: None,
                told: true,
                trains: Vec::new(),
            },
        ],
        turnouts: vec![TurnoutMemory {
            id: "w1".into(),
            position: Position::Reverse,
            state: Clearance::LeftDiverging,
            fouled_since_set: true,
        }],
        tables: vec![("tt".into(), "2".into())],
        feeds: vec![
            ("district".into(), None, true),
            ("quay-power".into(), Some(true), false),
        ],
        trains: vec![
            TrainMemory {
                id: "t2".into(),
                name: Some("Coal".into()),
                blocks: vec!["quay".into(), "loop".into()],
                heading: Some("loop.b".into()),
                length_mm: Some(0.1 + 0.2),
                parent: None,
                identity: None,
            },
            TrainMemory {
                id: "t10".into(),
                name: None,
                blocks: vec!["yard".into()],
                heading: None,
                length_mm: None,
                parent: Some("t2".into()),
                identity: Some("club/east/t4@6a".into()),
            },
        ],
        alarms: vec![AlarmMemory {
            id: "left-diverging:w1".into(),
            state: AlarmState::Shelved,
            active: true,
            text: "Points 1 left diverging".into(),
            by: Some("Ann".into()),
            reason: Some("mending it".into()),
            shelved_for: Some(Span::from_secs(90)),
        }],
        out_of_service: vec!["d-7".into()],
        next_train: 12,
        series: "5f".into(),
    }
}

#[test]
fn memory_both_ways() {
    let text = memory_json::to_text(&memory());
    assert_eq!(memory_json::from_text(&text), Ok(memory()));
    let first = memory_line(Instant(0), &memory());
    let expected = RecordingLine {
        t: Instant(0),
        event: Event::Tick,
        memory: Some(memory()),
    };
    assert_eq!(read(&first), Ok(Some(expected)));
    let empty = Memory {
        next_train: 1,
        ..Memory::default()
    };
    assert_eq!(memory_json::from_text("{}"), Ok(empty));
}

#[test]
fn the_snapshot_of_one_replay_is_the_memory_of_the_next() {
    let snapshot = r#"{"at":60.000,"layout":{"name":"x"},"broker":"connected","waiting":null,
        "blocks":{"loop":{"state":"dark","since":3.000,"trains":["t10"],"kept":"occupied",
            "remembered":false,"why":"x"}},
        "turnouts":{"w1":{"position":"reverse","from":null,"assumed":false,"state":"cleared",
            "since":1.000,"why":""},"w2":{"position":"unknown","state":"unknown"}},
        "tables":{"tt":{"position":"unknown","state":"free"}},
        "feeds":{"f":{"on":null,"live":false,"failed":false,"volts":null}},
        "detectors":{"d-1":{"evidence":"on","health":"ok"},"d-2":{"health":"out-of-service"}},
        "trains":{"t10":{"name":null,"blocks":["loop"],"heading":null,"length_mm":null,"or":[]},
            "t9":{"blocks":[]}},
        "alarms":{"train-lost:loop":{"id":"train-lost:loop","state":"acknowledged","text":"x"},
            "train-lost:yard":{"state":"returned-unacknowledged"}},
        "line_up":{"ready":false,"exceptions":[]}}"#;
    let memory = memory_json::from_text(snapshot).expect("a snapshot is a memory");
    let place = PlaceMemory {
        id: "loop".into(),
        state: Occupancy::Dark,
        kept: Some(Kept::Occupied),
        told: false,
        trains: vec!["t10".into()],
    };
    assert_eq!(memory.places, [place]);
    let turnouts = memory
        .turnouts
        .iter()
        .map(|t| (t.id.as_str(), t.fouled_since_set));
    assert_eq!(turnouts.collect::<Vec<_>>(), [("w1", true), ("w2", false)]);
    assert_eq!(memory.tables, []);
    assert_eq!(memory.out_of_service, ["d-2"]);
    let trains: Vec<_> = memory
        .trains
        .iter()
        .map(|train| train.id.as_str())
        .collect();
    assert_eq!(trains, ["t9", "t10"], "oldest first");
    assert_eq!(memory.next_train, 11);
    let active: Vec<_> = memory.alarms.iter().map(|alarm| alarm.active).collect();
    assert_eq!(
        active,
        [true, false],
        "what is not said to have ended has not"
    );
}

#[test]
fn a_memory_with_a_word_that_is_none_names_the_item() {
    let bad = r#"{"blocks":{"loop":{"state":"busy"}}}"#;
    let why = memory_json::from_text(bad).expect_err("no such state");
    assert_eq!(
        why,
        "blocks.loop: `busy` is none of unknown, vacant, occupied, dark, lost"
    );
    let first = format!(r#"{{"t":0,"memory":{bad}}}"#);
    assert_eq!(read(&first), Err(BadLine::Memory(why)));
}

#[test]
fn lines_are_bounded() {
    let long = "x".repeat(LINE_BYTES_MAX + 1);
    let full = "y".repeat(LINE_BYTES_MAX);
    let text = format!("a\n\n{long}\n{full}\nlast");
    let mut reader = BufReader::with_capacity(1_000, Cursor::new(text));
    let mut line = Vec::new();
    let mut next = || {
        let found = next_line(&mut reader, &mut line).expect("memory can be read");
        (found, line.len())
    };
    assert_eq!(next(), (Found::Line, 1));
    assert_eq!(next(), (Found::Line, 0));
    assert_eq!(next().0, Found::TooLong);
    assert_eq!(next(), (Found::Line, LINE_BYTES_MAX));
    assert_eq!(next(), (Found::Line, 4));
    assert_eq!(next(), (Found::End, 0));
}
