//! One message to the engine's inputs.
//!
//! Inputs: topic, payload, whether it is retained; the topic table and the layout. Outputs: inputs
//! in order of the samples' own time, or why there are none. Units are brought to the detector's
//! own here. It does not know what was heard before, so it cannot call a sample late, and it knows
//! no ranges, so it cannot call one implausible: the engine does both.
//!
//! The operator's words (`P/do/VERB/ID`) are read by [`super::commands::message`].

use super::plain::decode_plain;
use super::quantity::Quantity;
use super::senml::{self, PAYLOAD_BYTES_MAX, Record, Value};
use super::short_pack;
use super::topics::TopicTable;
use super::units;
use super::words::Worded;
use crate::engine::ids::TableId;
use crate::engine::input::{Input, Position, Reading, Sample, TablePosition};
use crate::engine::layout::{Decide, Detector, DetectorKind, Layout};
use crate::engine::time::Span;
use crate::plan::{Bound, Format, Listener};

/// Why a message gave nothing.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The plan does not know the topic.
    #[error("the plan does not know this topic")]
    UnknownTopic,
    /// The payload does not say what the topic is for: what is wrong, and what would be right.
    #[error("{0}")]
    Malformed(String),
}

/// Reads a message and adds what it says to `out`.
///
/// An empty payload says that a retained value was cleared and is no input. Where several items
/// share a topic, one that cannot read its record does not keep the others from theirs.
///
/// # Errors
/// The topic is not known, or an item that listens to it can make nothing of the payload.
pub fn decode(
    table: &TopicTable,
    layout: &Layout,
    topic: &str,
    payload: &[u8],
    retained: bool,
    out: &mut Vec<Input>,
) -> Result<(), Refusal> {
    let listeners = table.listeners(topic);
    if listeners.is_empty() {
        return Err(Refusal::UnknownTopic);
    }
    if payload.is_empty() {
        return Ok(());
    }
    if payload.len() > PAYLOAD_BYTES_MAX {
        return Err(Refusal::Malformed(
            senml::PackError::TooLong(payload.len()).to_string(),
        ));
    }
    let mut problem = None;
    if listeners.iter().any(is_pack) {
        let one;
        let several;
        let records: &[Record<'_>] = if let Some(record) = short_pack::scan(payload) {
            one = [record];
            &one
        } else {
            several =
                senml::resolve(payload).map_err(|error| Refusal::Malformed(error.to_string()))?;
            &several
        };
        problem = decode_pack(listeners, layout, records, retained, out).err();
    }
    for listener in listeners.iter().filter(|listener| !is_pack(listener)) {
        let result = decode_plain(listener, layout, payload, retained, out);
        problem = problem.or(result.err());
    }
    problem.map_or(Ok(()), |message| Err(Refusal::Malformed(message)))
}

/// A node's coming and going is plain text whatever its format says.
fn is_pack(listener: &Listener) -> bool {
    let plain = matches!(listener.subject, Bound::Node(_) | Bound::Peer(_));
    matches!(listener.format, Format::SenMl) && !plain
}

/// Hands the records of a pack to those who listen. A pack that holds some of the records that
/// are listened for is a good one; one that holds none of them is not.
fn decode_pack(
    listeners: &[Listener],
    layout: &Layout,
    records: &[Record<'_>],
    retained: bool,
    out: &mut Vec<Input>,
) -> Result<(), String> {
    let mut problem = None;
    let mut listened = false;
    for listener in listeners.iter().filter(|listener| is_pack(listener)) {
        let chosen = Chosen::new(records, listener.record.as_deref());
        if listener.record.is_some() && chosen.records().next().is_none() {
            continue;
        }
        listened = true;
        let before = out.len();
        let result = take_records(&listener.subject, layout, &chosen, retained, out);
        if problem.is_none() {
            problem = match result {
                Err(message) => Some(message),
                Ok(()) if out.len() == before => Some(format!(
                    "no record fits; send {}",
                    wanted(&listener.subject, layout)
                )),
                Ok(()) => None,
            };
        }
    }
    match problem {
        Some(message) => Err(message),
        None if listened => Ok(()),
        None => Err("no record has a name that the plan's `record` asks for".to_owned()),
    }
}

/// The records of a pack that a plan's `record` names; all of them where it names none. A record
/// of exactly that name is preferred to those whose name only ends so.
struct Chosen<'a, 'p> {
    records: &'a [Record<'p>],
    choice: Option<&'a str>,
    exactly: bool,
}

impl<'a, 'p> Chosen<'a, 'p> {
    fn new(records: &'a [Record<'p>], choice: Option<&'a str>) -> Self {
        let exactly = choice.is_some_and(|choice| records.iter().any(|r| r.is_named(choice)));
        Self {
            records,
            choice,
            exactly,
        }
    }

    fn records(&self) -> impl Iterator<Item = &'a Record<'p>> + use<'a, 'p> {
        let (choice, exactly) = (self.choice, self.exactly);
        self.records.iter().filter(move |record| match choice {
            None => true,
            Some(choice) if exactly => record.is_named(choice),
            Some(choice) => record.name.ends_with(choice),
        })
    }
}

/// Adds the inputs of the records that fit; the others are not for this item.
///
/// # Errors
/// A record is for this item and says a word that it does not know.
fn take_records(
    subject: &Bound,
    layout: &Layout,
    chosen: &Chosen<'_, '_>,
    retained: bool,
    out: &mut Vec<Input>,
) -> Result<(), String> {
    match subject {
        Bound::Detector(id) => {
            let detector = &layout.detectors[id.index()];
            for record in chosen.records() {
                let Some(reading) = record_reading(detector, record) else {
                    continue;
                };
                let within = record.update_within_s.filter(|seconds| *seconds > 0.0);
                out.push(Input::Reading(Sample {
                    detector: *id,
                    reading,
                    own_time: record.own_time(),
                    update_within: within.map(Span::from_secs_f64),
                    retained,
                }));
            }
        }
        Bound::Feed(feed) => {
            for record in chosen.records() {
                match &record.value {
                    Value::Boolean(on) => out.push(Input::FeedSwitch(*feed, *on)),
                    Value::Number(quantity) => {
                        let volts = units::convert(*quantity, unit(record), "V");
                        out.extend(volts.map(|volts| Input::FeedVoltage(*feed, volts)));
                    }
                    Value::Text(_) | Value::Data(_) | Value::Absent => {}
                }
            }
        }
        Bound::Position(_) | Bound::Asked(_) | Bound::TablePosition(_) | Bound::TableAsked(_) => {
            for record in chosen.records() {
                if let Value::Text(word) = &record.value {
                    out.push(position(subject, layout, word)?);
                }
            }
        }
        // A node's words are plain text, a peer's are JSON of their own: neither comes here.
        Bound::Node(_) | Bound::Peer(_) => {}
    }
    Ok(())
}

fn unit<'a>(record: &'a Record<'_>) -> &'a str {
    record.unit.as_deref().unwrap_or("")
}

/// What a record says to a detector; `None` where it is not of the detector's kind.
fn record_reading(detector: &Detector, record: &Record<'_>) -> Option<Reading> {
    match (&record.value, detector.decide) {
        (Value::Boolean(seen), Decide::Boolean) => Some(Reading::Seen(*seen)),
        (Value::Number(quantity), Decide::Threshold { .. } | Decide::Sequential(_)) => {
            level(detector, *quantity, unit(record)).map(Reading::Level)
        }
        _ => None,
    }
}

/// A record's number in the detector's unit. Raw counts have no unit, or the unit `count` of
/// RFC 8428; they fit where the plan says what a count is worth.
fn level(detector: &Detector, quantity: Quantity, unit: &str) -> Option<f64> {
    let counts = matches!(unit, "" | "count");
    if counts && detector.scale != 1.0 {
        return Some(quantity.to_f64());
    }
    if unit.is_empty() && !detector.unit.is_empty() {
        return None;
    }
    units::convert(quantity, unit, detector.unit)
}

/// A position's word as an input.
///
/// # Errors
/// Points or a table do not know the word.
pub(super) fn position(subject: &Bound, layout: &Layout, word: &str) -> Result<Input, String> {
    let unknown = || {
        let word: String = word.chars().take(40).collect();
        format!("`{word}` is no position; send {}", wanted(subject, layout))
    };
    let points = || match Position::from_word(word) {
        Some(Position::Unknown) | None => Err(unknown()),
        Some(known) => Ok(known),
    };
    let stop = |table: TableId| match word {
        "between" => Ok(TablePosition::Between),
        name => {
            let stops = &layout.tables[table.index()].stops;
            let index = stops.iter().position(|stop| stop.at == name);
            index.map(TablePosition::At).ok_or_else(unknown)
        }
    };
    match subject {
        Bound::Position(turnout) => Ok(Input::Position(*turnout, points()?)),
        Bound::Asked(turnout) => Ok(Input::Asked(*turnout, points()?)),
        Bound::TablePosition(table) => Ok(Input::TablePosition(*table, stop(*table)?)),
        Bound::TableAsked(table) => Ok(Input::TableAsked(*table, stop(*table)?)),
        Bound::Detector(_) | Bound::Feed(_) | Bound::Node(_) | Bound::Peer(_) => Err(unknown()),
    }
}

/// What would be understood, for the end of an error message.
pub(super) fn wanted(subject: &Bound, layout: &Layout) -> String {
    match subject {
        Bound::Detector(id) => {
            let detector = &layout.detectors[id.index()];
            let id = &detector.id;
            match (detector.decide, detector.kind, detector.unit) {
                (Decide::Boolean, _, _) => format!("{{\"n\":\"contact\",\"vb\":true}} for `{id}`"),
                (_, _, "") => format!("a number for `{id}`"),
                (_, DetectorKind::Current, _) => {
                    format!("{{\"n\":\"current\",\"u\":\"A\",\"v\":0.0124}} for `{id}`")
                }
                (_, _, unit) => format!("{{\"n\":\"level\",\"u\":\"{unit}\",\"v\":…}} for `{id}`"),
            }
        }
        Bound::Position(id) | Bound::Asked(id) => {
            let id = &layout.turnouts[id.index()].id;
            format!("{{\"n\":\"position\",\"vs\":…}}: normal, reverse or moving for `{id}`")
        }
        Bound::TablePosition(id) | Bound::TableAsked(id) => {
            let table = &layout.tables[id.index()];
            format!(
                "{{\"n\":\"position\",\"vs\":…}}: a stop of `{}` or between",
                table.id
            )
        }
        Bound::Feed(id) => {
            let id = &layout.feeds[id.index()].id;
            format!(
                "{{\"n\":\"feed\",\"vb\":true}} or {{\"n\":\"voltage\",\"u\":\"V\",\"v\":11.8}} \
                 for `{id}`"
            )
        }
        Bound::Node(words) => format!("`{}` or `{}`", words.online, words.offline),
        Bound::Peer(_) => "what a daemon says of its borders".to_owned(),
    }
}
