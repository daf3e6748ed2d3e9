//! Changes as the lines of a replay's output (contract, section 6), and the last line.
//!
//! Inputs: a change and the engine that made it, for names. Outputs: one line of JSON without its
//! end, keys in the contract's order, `t` with three decimals.

use serde::Serialize;
use serde_json::Value;

use super::words::Worded;
use crate::engine::Engine;
use crate::engine::change::{Change, Clearance, TableState, TrainEvent, What};
use crate::engine::ids::{FeedId, PlaceId, TableId, TrainId, TurnoutId};
use crate::engine::input::{Position, TablePosition};
use crate::engine::layout::Layout;
use crate::engine::time::Instant;

/// The line of a change.
#[must_use]
pub fn change_line(change: &Change, engine: &Engine) -> String {
    let shape = shape(&change.what, engine);
    // Plain text and numbers always serialize; were it not so, the line says only when.
    let body = serde_json::to_string(&shape).unwrap_or_else(|_| "{}".to_owned());
    format!("{{\"t\":{},{}", change.at, body.trim_start_matches('{'))
}

/// A change as a row of the journal: kind, id, and the rest of the line as JSON text. An alarm's
/// type and subject are in its id.
#[must_use]
pub fn change_row(change: &Change, engine: &Engine) -> Option<(&'static str, String, String)> {
    let shape = serde_json::to_value(shape(&change.what, engine)).ok()?;
    let Value::Object(mut keys) = shape else {
        return None;
    };
    let kind = match &change.what {
        What::Block { .. } => "block",
        What::Turnout { .. } => "turnout",
        What::Table { .. } => "table",
        What::Feed { .. } => "feed",
        What::Detector { .. } => "detector",
        What::Train { .. } => "train",
        What::Alarm { .. } => "alarm",
    };
    let id = keys.remove("id")?.as_str()?.to_owned();
    keys.remove("kind");
    if kind == "alarm" {
        keys.remove("type");
        keys.remove("subject");
    }
    Some((kind, id, Value::Object(keys).to_string()))
}

/// The last line: what is known at the end. `snapshot` is JSON text.
#[must_use]
pub fn end_line(at: Instant, snapshot: &str) -> String {
    format!("{{\"t\":{at},\"kind\":\"end\",\"snapshot\":{snapshot}}}")
}

/// A table's position as a word.
#[must_use]
pub fn table_position(layout: &Layout, table: TableId, position: TablePosition) -> &str {
    match position {
        TablePosition::At(index) => {
            let stops = &layout.tables[table.index()].stops;
            stops.get(index).map_or("unknown", |stop| stop.at.as_str())
        }
        TablePosition::Between => "between",
        TablePosition::Unknown => "unknown",
    }
}

/// A line without its time.
#[derive(Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
enum Shape<'a> {
    Block {
        id: &'a str,
        was: &'static str,
        state: &'static str,
        kept: Option<&'static str>,
        why: &'a str,
    },
    Turnout {
        id: &'a str,
        position: &'static str,
        was: &'static str,
        state: &'static str,
    },
    Table {
        id: &'a str,
        position: &'a str,
        was: &'static str,
        state: &'static str,
    },
    Feed {
        id: &'a str,
        on: Option<bool>,
        live: bool,
        failed: bool,
    },
    Detector {
        id: &'a str,
        was: &'static str,
        health: &'static str,
    },
    Train {
        id: String,
        event: &'static str,
        block: Option<&'a str>,
        blocks: Vec<&'a str>,
    },
    Alarm {
        id: &'a str,
        #[serde(rename = "type")]
        kind: &'static str,
        subject: &'a str,
        priority: &'static str,
        was: &'static str,
        state: &'static str,
        text: &'a str,
    },
}

fn shape<'a>(what: &'a What, engine: &'a Engine) -> Shape<'a> {
    let layout = engine.layout();
    match what {
        What::Block {
            block,
            was,
            state,
            kept,
            why,
        } => Shape::Block {
            id: &layout.blocks[block.index()].id,
            was: was.word(),
            state: state.word(),
            kept: kept.map(Worded::word),
            why,
        },
        What::Turnout {
            turnout,
            position,
            was,
            state,
            why: _,
        } => turnout_shape(layout, *turnout, *position, [*was, *state]),
        What::Table {
            table,
            position,
            was,
            state,
        } => table_shape(layout, *table, *position, [*was, *state]),
        What::Feed {
            feed,
            on,
            live,
            failed,
        } => feed_shape(layout, *feed, *on, [*live, *failed]),
        What::Detector {
            detector,
            was,
            health,
        } => Shape::Detector {
            id: &layout.detectors[detector.index()].id,
            was: was.word(),
            health: health.word(),
        },
        What::Train {
            train,
            event,
            place,
            places,
        } => train_shape(engine, *train, *event, *place, places),
        What::Alarm {
            id,
            kind,
            subject,
            priority,
            was,
            state,
            text,
        } => Shape::Alarm {
            id,
            kind: kind.word(),
            subject,
            priority: priority.word(),
            was: was.word(),
            state: state.word(),
            text,
        },
    }
}

fn turnout_shape(
    layout: &Layout,
    turnout: TurnoutId,
    position: Position,
    [was, state]: [Clearance; 2],
) -> Shape<'_> {
    Shape::Turnout {
        id: &layout.turnouts[turnout.index()].id,
        position: position.word(),
        was: was.word(),
        state: state.word(),
    }
}

fn table_shape(
    layout: &Layout,
    table: TableId,
    position: TablePosition,
    [was, state]: [TableState; 2],
) -> Shape<'_> {
    Shape::Table {
        id: &layout.tables[table.index()].id,
        position: table_position(layout, table, position),
        was: was.word(),
        state: state.word(),
    }
}

fn feed_shape(
    layout: &Layout,
    feed: FeedId,
    on: Option<bool>,
    [live, failed]: [bool; 2],
) -> Shape<'_> {
    Shape::Feed {
        id: &layout.feeds[feed.index()].id,
        on,
        live,
        failed,
    }
}

fn train_shape<'a>(
    engine: &'a Engine,
    train: TrainId,
    event: TrainEvent,
    place: Option<PlaceId>,
    places: &[PlaceId],
) -> Shape<'a> {
    let name = |place: PlaceId| engine.place_name(place);
    Shape::Train {
        id: engine.train_name(train),
        event: event.word(),
        block: place.map(name),
        blocks: places.iter().copied().map(name).collect(),
    }
}
