//! What holds for every payload and every line, however odd.

use proptest::prelude::*;
use taillamp::engine::time::Instant;
use taillamp::wire::quantity::Quantity;
use taillamp::wire::recording::{Event, LineReader, message_line};
use taillamp::wire::senml::{Record, Value, resolve};
use taillamp::wire::topics::TopicTable;
use taillamp::wire::{commands, memory_json, payload, short_pack};

use super::plan;

/// Text that is nearly a pack of one record: right and wrong labels, values, spaces, ends.
fn nearly_a_pack() -> impl Strategy<Value = String> {
    let value = prop_oneof![
        "-?(0|[1-9][0-9]{0,5})(\\.[0-9]{1,6})?([eE][+-]?[0-9]{1,2})?",
        "-?[0-9]{0,18}\\.?[0-9]{0,4}",
        any::<f64>().prop_map(|value| format!("{value:e}")),
        Just("true".to_owned()),
        Just("false".to_owned()),
        Just("null".to_owned()),
        "\"[a-zA-Z0-9:./_ -]{0,12}\"",
        "\"[a-z\\\\\"\u{e4}]{0,4}\"",
    ];
    let label = prop_oneof![
        Just("n"),
        Just("u"),
        Just("v"),
        Just("vb"),
        Just("vs"),
        Just("t"),
        Just("bn"),
        Just("bu"),
        Just("bt"),
        Just("x"),
        Just("ut"),
        Just("x_"),
    ];
    let field = (label, value, "[ \t\n]{0,1}")
        .prop_map(|(label, value, space)| format!("{space}\"{label}\"{space}:{value}{space}"));
    let name = "(\"n\":\"[a-zA-Z0-9][a-z0-9:./_-]{0,8}\")?";
    let end =
        prop_oneof![4 => Just("}]"), 1 => Just("}] "), 1 => Just("},{\"v\":1}]"), 1 => Just("}")];
    (name, prop::collection::vec(field, 0..4), end).prop_map(|(name, mut fields, end)| {
        if !name.is_empty() {
            fields.insert(0, name);
        }
        format!("[{{{}{end}", fields.join(","))
    })
}

/// The same but for how a number is held.
fn same(a: &Record<'_>, b: &Record<'_>) -> bool {
    let level = |record: &Record<'_>| match record.value {
        Value::Number(quantity) => Some((quantity.to_f64(), quantity.shifted(3))),
        _ => None,
    };
    let rest = |record: &Record<'_>| match &record.value {
        Value::Number(_) => Value::Absent,
        Value::Text(text) => Value::Text(text.clone().into_owned().into()),
        Value::Boolean(truth) => Value::Boolean(*truth),
        Value::Data(data) => Value::Data(data.clone()),
        Value::Absent => Value::Data(vec![]),
    };
    level(a) == level(b)
        && rest(a) == rest(b)
        && (&a.name, a.base_length, &a.unit, a.time_s)
            == (&b.name, b.base_length, &b.unit, b.time_s)
        && (a.sum, a.update_within_s, a.version) == (b.sum, b.update_within_s, b.version)
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 2_000,
        failure_persistence: None,
        ..Default::default()
    })]

    #[test]
    fn the_short_reader_agrees_with_the_general_one(pack in nearly_a_pack()) {
        if let Some(record) = short_pack::scan(pack.as_bytes()) {
            let general = resolve(pack.as_bytes());
            let records = general.expect("what the short reader takes is a pack");
            prop_assert_eq!(records.len(), 1);
            prop_assert!(same(&record, &records[0]), "{:?} {:?}", record, records[0]);
        }
    }

    #[test]
    fn a_plain_pack_takes_the_short_way(
        digits in 0_u32..999_999,
        name in "[a-zA-Z0-9][a-z0-9:./_-]{0,8}",
    ) {
        let pack = format!("[{{\"n\":\"{name}\",\"u\":\"A\",\"v\":0.{digits}}}]");
        prop_assert!(short_pack::scan(pack.as_bytes()).is_some(), "{}", pack);
    }

    #[test]
    fn numbers_read_as_the_standard_library_reads_them(
        text in "-?(0|[1-9][0-9]{0,9})(\\.[0-9]{1,8})?([eE][+-]?[0-9])?",
    ) {
        if let Some((quantity, length)) = Quantity::scan(text.as_bytes()) {
            prop_assert_eq!(length, text.len());
            prop_assert_eq!(Ok(quantity.to_f64()), text.parse::<f64>());
        }
    }

    #[test]
    fn no_payload_breaks_the_decoder(
        bytes in prop::collection::vec(any::<u8>(), 0..200),
        pack in nearly_a_pack(),
    ) {
        let plan = plan();
        let table = TopicTable::new(plan);
        let mut out = Vec::new();
        for topic in table.topics() {
            for payload in [bytes.as_slice(), pack.as_bytes()] {
                // Refused or taken, both are answers; the layout's own ids are all that comes out.
                let _ = payload::decode(&table, &plan.layout, topic, payload, true, &mut out);
            }
        }
        prop_assert!(out.len() <= 2 * 2 * plan.bindings.len());
    }

    #[test]
    fn no_body_breaks_the_reader_of_commands(
        verb in "[a-z-]{0,12}", id in "\\PC{0,20}", body in "\\PC{0,60}",
    ) {
        let plan = plan();
        let table = TopicTable::new(plan);
        let topic = format!("harbour/do/{verb}/{id}");
        let body = body.as_bytes();
        let said = commands::message(&table, &plan.layout, &topic, body, false, |_| None);
        if let Some(Err(why)) = said {
            prop_assert!(!why.contains('\n'));
        }
    }

    #[test]
    fn no_line_breaks_the_reader_of_recordings(
        line in prop::collection::vec(any::<u8>(), 0..200),
    ) {
        let _ = LineReader::default().read(&line);
        let _ = memory_json::from_text(&String::from_utf8_lossy(&line));
    }

    #[test]
    fn a_written_message_reads_back(
        millis in 0_u64..100_000_000, topic in "\\PC{1,30}", payload in "\\PC{0,60}",
    ) {
        let at = Instant(millis * 1_000);
        let written = message_line(at, &topic, payload.as_bytes(), false);
        let read = LineReader::default().read(written.as_bytes()).expect("a written line is good");
        let read = read.expect("a written line is not blank");
        prop_assert_eq!(read.t, at);
        match read.event {
            Event::Message { topic: t, payload: p, retained: false } => {
                prop_assert_eq!(t.as_ref(), topic.as_str());
                prop_assert_eq!(p.as_ref(), payload.as_bytes());
            }
            other => prop_assert!(false, "{:?}", other),
        }
    }
}
