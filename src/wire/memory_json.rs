//! What survives a restart (B8) as JSON: the snapshot's shape with the keys that are needed, each
//! optional, so that the snapshot at the end of one replay can be the memory of the next.
//!
//! Inputs: a memory, or JSON text. Outputs: the other, or what is wrong, naming the item. Turnouts
//! and crossings that are places stand under `blocks` too: ids are unique in a plan. It does not
//! know which items still exist: the engine leaves out what it does not know.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::words::Worded;
use crate::engine::alarm::lifecycle::AlarmState;
use crate::engine::change::{Clearance, Health, Kept, Occupancy};
use crate::engine::input::Position;
use crate::engine::memory::{AlarmMemory, Memory, PlaceMemory, TrainMemory, TurnoutMemory};

/// The whole, as written.
#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Written {
    blocks: BTreeMap<String, Place>,
    turnouts: BTreeMap<String, Turnout>,
    tables: BTreeMap<String, Table>,
    feeds: BTreeMap<String, Feed>,
    detectors: BTreeMap<String, Detector>,
    trains: BTreeMap<String, Train>,
    alarms: BTreeMap<String, Alarm>,
    next_train: Option<u32>,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Place {
    state: Option<String>,
    kept: Option<String>,
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
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
struct Alarm {
    state: Option<String>,
    active: Option<bool>,
    text: String,
    by: Option<String>,
}

/// A memory as JSON text.
#[must_use]
pub fn to_text(memory: &Memory) -> String {
    let places = memory.places.iter().map(|place| {
        let kept = place.kept.map(|kept| kept.word().to_owned());
        (
            place.id.clone(),
            Place {
                state: said(place.state),
                kept,
            },
        )
    });
    let turnouts = memory.turnouts.iter().map(|turnout| {
        let (position, state) = (said(turnout.position), said(turnout.state));
        let fouled_since_set = Some(turnout.fouled_since_set);
        (
            turnout.id.clone(),
            Turnout {
                position,
                state,
                fouled_since_set,
            },
        )
    });
    let tables = memory.tables.iter();
    let feeds = memory.feeds.iter();
    let out_of_service = memory.out_of_service.iter();
    let trains = memory.trains.iter().map(|train| {
        let TrainMemory {
            id,
            name,
            blocks,
            heading,
            length_mm,
            parent,
        } = train.clone();
        (
            id,
            Train {
                name,
                blocks,
                heading,
                length_mm,
                parent,
            },
        )
    });
    let alarms = memory.alarms.iter().map(|alarm| {
        let AlarmMemory {
            id,
            state,
            active,
            text,
            by,
        } = alarm.clone();
        (
            id,
            Alarm {
                state: said(state),
                active: Some(active),
                text,
                by,
            },
        )
    });
    let written = Written {
        blocks: places.collect(),
        turnouts: turnouts.collect(),
        tables: tables
            .map(|(id, stop)| {
                (
                    id.clone(),
                    Table {
                        position: Some(stop.clone()),
                    },
                )
            })
            .collect(),
        feeds: feeds
            .map(|(id, on, failed)| {
                (
                    id.clone(),
                    Feed {
                        on: *on,
                        failed: *failed,
                    },
                )
            })
            .collect(),
        detectors: out_of_service
            .map(|id| {
                (
                    id.clone(),
                    Detector {
                        health: said(Health::OutOfService),
                    },
                )
            })
            .collect(),
        trains: trains.collect(),
        alarms: alarms.collect(),
        next_train: Some(memory.next_train),
    };
    // Maps with text keys and plain values always serialize; were it not so, nothing is remembered.
    serde_json::to_string(&written).unwrap_or_else(|_| "{}".to_owned())
}

/// Reads a memory.
///
/// # Errors
/// The text is not JSON of this shape, or has a word that is not known: what and where.
pub fn from_text(text: &str) -> Result<Memory, String> {
    let written: Written = serde_json::from_str(text).map_err(|error| error.to_string())?;
    let mut memory = Memory::default();
    for (id, place) in written.blocks {
        let state = heard(&place.state, "blocks", &id)?.unwrap_or(Occupancy::Unknown);
        let kept: Option<Kept> = heard(&place.kept, "blocks", &id)?;
        memory.places.push(PlaceMemory { id, state, kept });
    }
    for (id, turnout) in written.turnouts {
        let position = heard(&turnout.position, "turnouts", &id)?.unwrap_or(Position::Unknown);
        let state = heard(&turnout.state, "turnouts", &id)?.unwrap_or(Clearance::Unknown);
        // A snapshot does not say so; these states are reached by fouling only.
        let fouled_since_set = turnout.fouled_since_set.unwrap_or(matches!(
            state,
            Clearance::Fouled | Clearance::Cleared | Clearance::LeftDiverging
        ));
        memory.turnouts.push(TurnoutMemory {
            id,
            position,
            state,
            fouled_since_set,
        });
    }
    for (id, table) in written.tables {
        memory.tables.extend(
            table
                .position
                .filter(|at| at != "unknown")
                .map(|at| (id, at)),
        );
    }
    memory.feeds = written
        .feeds
        .into_iter()
        .map(|(id, feed)| (id, feed.on, feed.failed))
        .collect();
    for (id, detector) in written.detectors {
        if heard(&detector.health, "detectors", &id)? == Some(Health::OutOfService) {
            memory.out_of_service.push(id);
        }
    }
    for (id, train) in written.trains {
        let Train {
            name,
            blocks,
            heading,
            length_mm,
            parent,
        } = train;
        memory.trains.push(TrainMemory {
            id,
            name,
            blocks,
            heading,
            length_mm,
            parent,
        });
    }
    // Oldest first: a train's number counts up, and `t10` is younger than `t2`.
    memory.trains.sort_by_key(|train| number_of(&train.id));
    for (id, alarm) in written.alarms {
        let Some(state) = heard(&alarm.state, "alarms", &id)? else {
            return Err(format!("alarms.{id}: no state"));
        };
        let active = alarm.active.unwrap_or(may_last(state));
        let Alarm { text, by, .. } = alarm;
        memory.alarms.push(AlarmMemory {
            id,
            state,
            active,
            text,
            by,
        });
    }
    let youngest = memory
        .trains
        .iter()
        .filter_map(|train| number_of(&train.id))
        .max();
    let after = youngest.map_or(1, |number| number.saturating_add(1));
    memory.next_train = written.next_train.unwrap_or(1).max(after);
    Ok(memory)
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
