//! Changes as the lines of a replay's output (contract, section 6), and the last line.
//!
//! Inputs: a change and the engine that made it, for names. Outputs: one line of JSON without its
//! end, keys in the contract's order, `t` with three decimals.

use serde::Serialize;

use super::words::Worded;
use crate::engine::Engine;
use crate::engine::change::{Change, What};
use crate::engine::ids::TableId;
use crate::engine::input::TablePosition;
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
        } => Shape::Turnout {
            id: &layout.turnouts[turnout.index()].id,
            position: position.word(),
            was: was.word(),
            state: state.word(),
        },
        What::Table {
            table,
            position,
            was,
            state,
        } => Shape::Table {
            id: &layout.tables[table.index()].id,
            position: table_position(layout, *table, *position),
            was: was.word(),
            state: state.word(),
        },
        What::Feed {
            feed,
            on,
            live,
            failed,
        } => Shape::Feed {
            id: &layout.feeds[feed.index()].id,
            on: *on,
            live: *live,
            failed: *failed,
        },
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
        } => Shape::Train {
            id: engine.train_name(*train),
            event: event.word(),
            block: place.map(|place| engine.place_name(place)),
            blocks: places
                .iter()
                .map(|place| engine.place_name(*place))
                .collect(),
        },
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
