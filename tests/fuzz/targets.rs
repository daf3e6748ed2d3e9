//! What is tried out with any bytes: every reader of something that comes from outside.
//!
//! Each function is the body of a fuzzing target and, in `tests/fuzz/main.rs`, an ordinary test
//! over the kept corpus. None of them may panic; what else must hold is said beside each.
#![allow(dead_code, reason = "each target uses one of these")]

use std::sync::OnceLock;

use taillamp::engine::Engine;
use taillamp::engine::time::{Instant, Span};
use taillamp::plan::{self, Level, Plan};
use taillamp::wire::payload::decode;
use taillamp::wire::recording::{self, Event, LineReader};
use taillamp::wire::topics::TopicTable;
use taillamp::wire::{commands, memory_json, mqtt_topic, senml, short_pack};

// The broker's own file, as it stands.
#[path = "../../src/daemon/mqtt/broker/frame.rs"]
#[allow(
    missing_docs,
    unused_imports,
    reason = "it is a private file elsewhere"
)]
mod frame;

const PLANS: [&str; 2] = [
    include_str!("../wire/harbour.toml"),
    include_str!("../plans/formats.good.toml"),
];

fn plans() -> &'static [(Plan, TopicTable)] {
    static PLANS_READ: OnceLock<Vec<(Plan, TopicTable)>> = OnceLock::new();
    PLANS_READ.get_or_init(|| {
        let read = |text: &&str| {
            let (plan, findings) = plan::load(text, "fuzz.toml");
            let plan = plan.unwrap_or_else(|| panic!("{findings:?}"));
            let table = TopicTable::new(&plan);
            (plan, table)
        };
        PLANS.iter().map(read).collect()
    })
}

/// Messages, cut at byte 0xFF: a plan, then for each a topic's number, how long after the one
/// before, and the payload. The engine takes what is decoded; what it tells is JSON.
pub fn payload(data: &[u8]) {
    let Some((first, rest)) = data.split_first() else {
        return;
    };
    let (plan, table) = &plans()[usize::from(*first) % PLANS.len()];
    let topics = table.topics();
    let mut engine = Engine::new(plan.layout.clone(), Instant(0));
    let mut now = Instant(0);
    for message in rest.split(|byte| *byte == 0xFF) {
        let [number, wait, payload @ ..] = message else {
            continue;
        };
        now = now.plus(Span::from_millis(u64::from(*wait) * 40));
        let topic = topics[usize::from(*number) % topics.len()];
        let mut inputs = Vec::new();
        let retained = wait % 5 == 4;
        let _ = decode(table, &plan.layout, topic, payload, retained, &mut inputs);
        for input in inputs {
            engine.handle(now, input);
        }
        let word = format!(
            "{}/do/{}",
            plan.topic_prefix,
            String::from_utf8_lossy(payload)
        );
        let body = payload
            .split(|byte| *byte == b' ')
            .next_back()
            .unwrap_or(payload);
        let find = |id: &str| engine.train_by_name(id);
        let said = commands::message(table, &plan.layout, &word, body, false, find);
        if let Some(Ok((command, word))) = said {
            engine.handle(now, taillamp::engine::input::Input::Command(command, word));
        }
    }
    for change in engine.drain() {
        let line = taillamp::wire::change_json::change_line(&change, &engine);
        assert!(is_json(&line), "{line}");
    }
}

fn is_json(text: &str) -> bool {
    text.starts_with('{') && text.ends_with('}') && !text.contains('\n')
}

/// The quick reader gives what the general one gives, or nothing.
pub fn senml(data: &[u8]) {
    let all = senml::resolve(data);
    if let Some(quick) = short_pack::scan(data) {
        let mut all = all.expect("what the quick reader takes, the general one takes");
        let [one] = all.as_mut_slice() else {
            panic!("{} records for one", all.len());
        };
        // A number may be kept as digits or as a float; in every unit it is the same.
        if let (senml::Value::Number(long), senml::Value::Number(short)) =
            (&one.value, &quick.value)
        {
            for power in [-3, 0, 3] {
                let both = [long, short].map(|number| number.shifted(power).to_bits());
                assert_eq!(both[0], both[1], "{long:?} {short:?}");
            }
            one.value = quick.value.clone();
        }
        assert_eq!(*one, quick);
    }
}

/// A plan, or findings whose places are in the file; a plan makes an engine.
pub fn plan(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    let (plan, findings) = plan::load(text, "fuzz.toml");
    let wrong = findings.iter().any(|finding| finding.level == Level::Error);
    assert_eq!(plan.is_none(), wrong, "{findings:?}");
    let lines = text.split('\n').count();
    for finding in &findings {
        assert!((1..=lines).contains(&finding.line), "{finding:?}");
        assert!(
            finding.column >= 1 && !finding.message.contains('\n'),
            "{finding:?}"
        );
    }
    if let Some(plan) = plan {
        let mut engine = Engine::new(plan.layout, Instant(0));
        engine.advance(Instant::from_secs_f64(100.0));
        let _ = engine.snapshot();
    }
}

/// Lines of a recording: time does not fall, and a message that was read is written and read again
/// the same.
pub fn recording(data: &[u8]) {
    let mut reader = LineReader::default();
    let mut latest = Instant(0);
    for line in data.split(|byte| *byte == b'\n') {
        let Ok(Some(read)) = reader.read(line) else {
            continue;
        };
        assert!(read.t >= latest);
        latest = read.t;
        if let Event::Message {
            topic,
            payload,
            retained,
        } = &read.event
        {
            let again = recording::message_line(read.t, topic, payload, *retained);
            let mut other = LineReader::default();
            let other = other.read(again.as_bytes());
            let other = other.expect("what we write we read").expect("a line");
            assert_eq!(other.event, read.event, "{again}");
        }
    }
}

/// Filters against a plain recursive reading of the standard (OASIS MQTT 3.1.1, 4.7).
pub fn topics(data: &[u8]) {
    fn plain(filter: &[&str], topic: &[&str]) -> bool {
        match (filter.split_first(), topic.split_first()) {
            (Some((&"#", _)), _) => true,
            (Some((&"+", filter)), Some((_, topic))) => plain(filter, topic),
            (Some((one, filter)), Some((other, topic))) => one == other && plain(filter, topic),
            (None, None) => true,
            _ => false,
        }
    }
    let Some((filter, topic)) = std::str::from_utf8(data)
        .ok()
        .and_then(|t| t.split_once('\n'))
    else {
        return;
    };
    if !mqtt_topic::is_filter(filter) || !mqtt_topic::is_name(topic) {
        return;
    }
    let one: Vec<&str> = filter.split('/').collect();
    let other: Vec<&str> = topic.split('/').collect();
    let servers_own = topic.starts_with('$') && (one[0] == "+" || one[0] == "#");
    assert_eq!(
        mqtt_topic::matches(filter, topic),
        !servers_own && plain(&one, &other),
        "{filter:?} {topic:?}"
    );
}

/// What a client may send to the broker inside: a packet, nothing yet, or a refusal; each packet
/// takes something off the buffer.
pub fn packets(data: &[u8]) {
    let mut buffer = bytes::BytesMut::from(data);
    loop {
        let before = buffer.len();
        match frame::take(&mut buffer, 4_096) {
            Ok(Some(_)) => assert!(buffer.len() < before, "a packet of no bytes"),
            Ok(None) | Err(_) => break,
        }
    }
}

/// A memory: what was read is recalled by an engine, remembered, written, read and recalled again
/// to the same memory.
pub fn memory(data: &[u8]) {
    let Ok(memory) = std::str::from_utf8(data)
        .map_err(drop)
        .and_then(|text| memory_json::from_text(text).map_err(drop))
    else {
        return;
    };
    let (plan, _) = &plans()[0];
    let engine = Engine::recall(plan.layout.clone(), Instant(0), &memory);
    let once = engine.memory();
    let text = memory_json::to_text(&once);
    let again = memory_json::from_text(&text).expect("what we write we read");
    let mut other = Engine::recall(plan.layout.clone(), Instant(0), &again);
    assert_eq!(other.memory(), once, "{text}");
    other.advance(Instant::from_secs_f64(100.0));
}
