//! What survives a restart (B8) as JSON: the snapshot's shape with the keys that are needed, each
//! optional, so that the snapshot at the end of one replay can be the memory of the next.
//!
//! Inputs: a memory, or JSON text. Outputs: the other, or what is wrong, naming the item. Turnouts
//! and crossings that are places stand under `blocks` too: ids are unique in a plan. It does not
//! know which items still exist: the engine leaves out what it does not know.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::words::Worded;
use crate::engine::alarm::lifecycle::AlarmState;
use crate::engine::change::{Clearance, Health, Kept, Occupancy};
use crate::engine::input::Position;
use crate::engine::memory::{AlarmMemory, Memory, PlaceMemory, TrainMemory, TurnoutMemory};
use crate::engine::time::Span;

/// Items of a memory as JSON text, by section and id.
pub type Rows = BTreeMap<(String, String), String>;

/// The whole, as written.
#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Written {
    /// A snapshot's; read, never written.
    #[serde(skip_serializing)]
    at: Value,
    blocks: BTreeMap<String, Place>,
    turnouts: BTreeMap<String, Turnout>,
    tables: BTreeMap<String, Table>,
    feeds: BTreeMap<String, Feed>,
    detectors: BTreeMap<String, Detector>,
    trains: BTreeMap<String, Train>,
    alarms: BTreeMap<String, Alarm>,
    next_train: Option<u32>,
    #[serde(skip_serializing_if = "String::is_empty")]
    series: String,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Place {
    state: Option<String>,
    kept: Option<String>,
    #[serde(skip_serializing_if = "is_not")]
    told: bool,
    trains: Vec<String>,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Turnout {
    position: Option<String>,
    state: Option<String>,
    fouled_since_set: Option<bool>,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Table {
    position: Option<String>,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Feed {
    on: Option<bool>,
    failed: bool,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Detector {
    health: Option<String>,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Train {
    name: Option<String>,
    blocks: Vec<String>,
    heading: Option<String>,
    length_mm: Option<f64>,
    parent: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    identity: Option<String>,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Alarm {
    state: Option<String>,
    active: Option<bool>,
    text: String,
    by: Option<String>,
    reason: Option<String>,
    shelved_for_s: Option<f64>,
    /// A snapshot's; read, never written.
    #[serde(skip_serializing)]
    until: Value,
}

/// A memory as JSON text.
#[must_use]
pub fn to_text(memory: &Memory) -> String {
    // Maps with text keys and plain values always serialize; were it not so, nothing is kept.
    serde_json::to_string(&written(memory)).unwrap_or_else(|_| "{}".to_owned())
}

/// The same item by item: JSON text by section and id; what is no section stands under an empty id.
#[must_use]
pub fn rows(memory: &Memory) -> Rows {
    let mut rows = Rows::new();
    let all = written(memory);
    put(&mut rows, "blocks", all.blocks);
    put(&mut rows, "turnouts", all.turnouts);
    put(&mut rows, "tables", all.tables);
    put(&mut rows, "feeds", all.feeds);
    put(&mut rows, "detectors", all.detectors);
    put(&mut rows, "trains", all.trains);
    put(&mut rows, "alarms", all.alarms);
    let alone = |value| BTreeMap::from([(String::new(), value)]);
    put(&mut rows, "next_train", alone(Value::from(all.next_train)));
    if !all.series.is_empty() {
        put(&mut rows, "series", alone(Value::from(all.series)));
    }
    rows
}

fn put(rows: &mut Rows, section: &str, items: BTreeMap<String, impl Serialize>) {
    for (id, item) in items {
        // As above; what is written stays.
        if let Ok(text) = serde_json::to_string(&item) {
            rows.insert((section.to_owned(), id), text);
        }
    }
}

fn written(memory: &Memory) -> Written {
    let out_of_service = || Detector {
        health: said(Health::OutOfService),
    };
    Written {
        at: Value::Null,
        blocks: memory.places.iter().map(place_out).collect(),
        turnouts: memory.turnouts.iter().map(turnout_out).collect(),
        tables: memory.tables.iter().map(table_out).collect(),
        feeds: memory.feeds.iter().map(feed_out).collect(),
        detectors: memory
            .out_of_service
            .iter()
            .map(|id| (id.clone(), out_of_service()))
            .collect(),
        trains: memory.trains.iter().map(train_out).collect(),
        alarms: memory.alarms.iter().map(alarm_out).collect(),
        next_train: Some(memory.next_train),
        series: memory.series.clone(),
    }
}

#[allow(clippy::trivially_copy_pass_by_ref)]
fn is_not(told: &bool) -> bool {
    !told
}

fn place_out(place: &PlaceMemory) -> (String, Place) {
    let kept = place.kept.and_then(said);
    (
        place.id.clone(),
        Place {
            state: said(place.state),
            kept,
            told: place.told,
            trains: place.trains.clone(),
        },
    )
}

fn turnout_out(turnout: &TurnoutMemory) -> (String, Turnout) {
    let written = Turnout {
        position: said(turnout.position),
        state: said(turnout.state),
        fouled_since_set: Some(turnout.fouled_since_set),
    };
    (turnout.id.clone(), written)
}

fn table_out((id, stop): &(String, String)) -> (String, Table) {
    (
        id.clone(),
        Table {
            position: Some(stop.clone()),
        },
    )
}

fn feed_out((id, on, failed): &(String, Option<bool>, bool)) -> (String, Feed) {
    (
        id.clone(),
        Feed {
            on: *on,
            failed: *failed,
        },
    )
}

fn train_out(train: &TrainMemory) -> (String, Train) {
    let written = Train {
        name: train.name.clone(),
        blocks: train.blocks.clone(),
        heading: train.heading.clone(),
        length_mm: train.length_mm,
        parent: train.parent.clone(),
        identity: train.identity.clone(),
    };
    (train.id.clone(), written)
}

fn alarm_out(alarm: &AlarmMemory) -> (String, Alarm) {
    let written = Alarm {
        state: said(alarm.state),
        active: Some(alarm.active),
        text: alarm.text.clone(),
        by: alarm.by.clone(),
        reason: alarm.reason.clone(),
        shelved_for_s: alarm.shelved_for.map(|span| span.as_secs_f64()),
        until: Value::Null,
    };
    (alarm.id.clone(), written)
}

/// Reads a memory.
///
/// # Errors
/// The text is not JSON of this shape, or has a word that is not known: what and where.
pub fn from_text(text: &str) -> Result<Memory, String> {
    let written: Written = serde_json::from_str(text).map_err(|error| error.to_string())?;
    let mut memory = Memory::default();
    for (id, place) in written.blocks {
        memory.places.push(place_in(id, &place)?);
    }
    for (id, turnout) in written.turnouts {
        memory.turnouts.push(turnout_in(id, &turnout)?);
    }
    for (id, Table { position }) in written.tables {
        let known = position.filter(|position| position != "unknown");
        memory.tables.extend(known.map(|position| (id, position)));
    }
    for (id, feed) in written.feeds {
        memory.feeds.push((id, feed.on, feed.failed));
    }
    for (id, detector) in written.detectors {
        if heard(&detector.health, "detectors", &id)? == Some(Health::OutOfService) {
            memory.out_of_service.push(id);
        }
    }
    memory.trains = written.trains.into_iter().map(train_in).collect();
    // Oldest first: a train's number counts up, and `t10` is younger than `t2`.
    memory.trains.sort_by_key(|train| number_of(&train.id));
    for (id, alarm) in written.alarms {
        memory
            .alarms
            .push(alarm_in(id, alarm, written.at.as_f64())?);
    }
    let numbers = memory
        .trains
        .iter()
        .filter_map(|train| number_of(&train.id));
    let after = numbers.max().map_or(1, |number| number.saturating_add(1));
    memory.next_train = written.next_train.unwrap_or(1).max(after);
    memory.series = written.series;
    Ok(memory)
}

fn place_in(id: String, place: &Place) -> Result<PlaceMemory, String> {
    let state = heard(&place.state, "blocks", &id)?.unwrap_or(Occupancy::Unknown);
    let kept: Option<Kept> = heard(&place.kept, "blocks", &id)?;
    let trains = place.trains.clone();
    Ok(PlaceMemory {
        id,
        state,
        kept,
        told: place.told,
        trains,
    })
}

fn turnout_in(id: String, turnout: &Turnout) -> Result<TurnoutMemory, String> {
    let position = heard(&turnout.position, "turnouts", &id)?.unwrap_or(Position::Unknown);
    let state = heard(&turnout.state, "turnouts", &id)?.unwrap_or(Clearance::Unknown);
    // A snapshot does not say so; these states are reached by fouling only.
    let by_fouling = matches!(
        state,
        Clearance::Fouled | Clearance::Cleared | Clearance::LeftDiverging
    );
    let fouled_since_set = turnout.fouled_since_set.unwrap_or(by_fouling);
    Ok(TurnoutMemory {
        id,
        position,
        state,
        fouled_since_set,
    })
}

fn train_in((id, train): (String, Train)) -> TrainMemory {
    let Train {
        name,
        blocks,
        heading,
        length_mm,
        parent,
        identity,
    } = train;
    TrainMemory {
        id,
        name,
        blocks,
        heading,
        length_mm,
        parent,
        identity,
    }
}

/// `at`: the moment of the snapshot that is the memory, where it is one.
fn alarm_in(id: String, alarm: Alarm, at: Option<f64>) -> Result<AlarmMemory, String> {
    let Some(state) = heard(&alarm.state, "alarms", &id)? else {
        return Err(format!("alarms.{id}: no state"));
    };
    let active = alarm.active.unwrap_or(may_last(state));
    let left = alarm
        .shelved_for_s
        .or_else(|| Some(alarm.until.as_f64()? - at?))
        .filter(|left| left.is_finite());
    let Alarm {
        text, by, reason, ..
    } = alarm;
    Ok(AlarmMemory {
        id,
        state,
        active,
        text,
        by,
        reason,
        shelved_for: left.map(|left| Span::from_secs_f64(left.max(0.0))),
    })
}

fn said(value: impl Worded) -> Option<String> {
    Some(value.word().to_owned())
}

fn heard<T: Worded>(word: &Option<String>, section: &str, id: &str) -> Result<Option<T>, String> {
    let Some(word) = word else { return Ok(None) };
    match T::from_word(word) {
        Some(value) => Ok(Some(value)),
        None => {
            let word: String = word.chars().take(40).collect();
            let known: Vec<_> = T::WORDS.iter().map(|(_, known)| *known).collect();
            Err(format!(
                "{section}.{id}: `{word}` is none of {}",
                known.join(", ")
            ))
        }
    }
}

/// The number of a train's id, `t12`.
fn number_of(id: &str) -> Option<u32> {
    id.strip_prefix('t')?.parse().ok()
}

/// Where the memory does not say whether the condition lasted: missing data never ends an alarm.
fn may_last(state: AlarmState) -> bool {
    match state {
        AlarmState::Unacknowledged
        | AlarmState::Acknowledged
        | AlarmState::Shelved
        | AlarmState::Suppressed
        | AlarmState::OutOfService => true,
        AlarmState::Normal
        | AlarmState::ReturnedUnacknowledged
        | AlarmState::LatchedUnacknowledged
        | AlarmState::LatchedAcknowledged => false,
    }
}
