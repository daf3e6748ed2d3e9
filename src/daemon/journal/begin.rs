//! What the writer finds when it begins: what an earlier run has left, in the tail and in the
//! tables, and a new boot for its own.
//!
//! Input: the open file. Output: the memory (rule B8), retained values, numbers for the rows.

use std::collections::HashMap;
use std::path::Path;

use rusqlite::{Connection, params};
use serde_json::Value;

use super::pending::{Numbers, Pending};
use super::schema::OpenError;
use super::tail::{Tail, TailError};
use crate::daemon::clock::Clock;
use crate::daemon::mqtt::broker::RetainedMessage;
use crate::engine::memory::Memory;
use crate::wire::memory_json::{self, Rows};
use crate::wire::stamp::Label;

/// Opens the tail and puts what the tables have not into these.
pub(super) fn bring_in(connection: &mut Connection, path: &Path) -> Result<Tail, OpenError> {
    let wrong = |error| OpenError::Sqlite {
        path: path.into(),
        error,
    };
    let applied: i64 = connection
        .query_row("SELECT applied FROM tail", [], |row| row.get(0))
        .map_err(wrong)?;
    let opened = Tail::open(path, u64::try_from(applied).unwrap_or(0));
    let (tail, left) = opened.map_err(|error| match error {
        TailError::InUse => OpenError::InUse { path: path.into() },
        TailError::Io(error) => OpenError::Tail {
            path: path.into(),
            error,
        },
    })?;
    // A run begins by taking in what the one before has left: all of this is of one run.
    let mut all = Pending::default();
    let mut boot = None;
    for batch in &left {
        let Some((of, pending)) = Pending::from_batch(batch) else {
            tracing::warn!("a batch of the journal's tail cannot be read; it is left out");
            continue;
        };
        boot = Some(of);
        all.absorb(pending);
    }
    if let Some(boot) = boot {
        let mut numbers = Numbers {
            boot,
            next_seq: next_seq(connection).map_err(wrong)?,
            items: HashMap::new(),
        };
        all.write(connection, &mut numbers, tail.last())
            .map_err(wrong)?;
    }
    Ok(tail)
}

fn next_seq(connection: &Connection) -> rusqlite::Result<i64> {
    let sql = "SELECT coalesce(max(seq), 0) + 1 FROM change";
    connection.query_row(sql, [], |row| row.get(0))
}

/// A new boot in the file.
pub(super) fn begin(connection: &mut Connection, clock: &Clock) -> rusqlite::Result<Numbers> {
    let transaction = connection.transaction()?;
    let next_seq = next_seq(&transaction)?;
    let boot: i64 =
        transaction.query_row("SELECT coalesce(max(boot), 0) + 1 FROM boot", [], |row| {
            row.get(0)
        })?;
    let sql = "INSERT INTO boot (boot, origin_us, trusted, first_seq, alive_ms, version) \
               VALUES (?1, ?2, ?3, ?4, 0, ?5)";
    let (origin_us, trusted) = (origin(clock), clock.is_trusted());
    transaction.execute(
        sql,
        params![
            boot,
            origin_us,
            trusted,
            next_seq,
            env!("CARGO_PKG_VERSION")
        ],
    )?;
    transaction.commit()?;
    Ok(Numbers {
        boot,
        next_seq,
        items: HashMap::new(),
    })
}

fn origin(clock: &Clock) -> i64 {
    match clock.label() {
        Label::Wall { origin_us } => origin_us,
        Label::Seconds => 0,
    }
}

pub(super) fn read_memory(connection: &Connection) -> rusqlite::Result<Rows> {
    let mut statement = connection.prepare("SELECT section, id, body FROM memory")?;
    let rows = statement.query_map([], |row| Ok(((row.get(0)?, row.get(1)?), row.get(2)?)))?;
    rows.collect()
}

pub(super) fn read_retained(connection: &Connection) -> rusqlite::Result<Vec<RetainedMessage>> {
    let mut statement = connection.prepare("SELECT topic, qos, payload FROM retained")?;
    let rows = statement.query_map([], |row| {
        let payload: Vec<u8> = row.get(2)?;
        Ok(RetainedMessage {
            topic: row.get(0)?,
            qos: row.get(1)?,
            payload: payload.into(),
        })
    })?;
    rows.collect()
}

/// The way back. What cannot be read is forgotten and told, item by item: one bad row must not
/// cost all the others.
pub(super) fn remembered(items: &Rows) -> Option<Memory> {
    if items.is_empty() {
        return None;
    }
    let mut whole = serde_json::Map::new();
    for ((section, id), body) in items {
        let Ok(value) = serde_json::from_str::<Value>(body) else {
            tracing::warn!(%section, %id, "a row of the journal's memory cannot be read");
            continue;
        };
        if id.is_empty() {
            whole.insert(section.clone(), value);
            continue;
        }
        let alone = serde_json::json!({ section: { id: value.clone() } });
        if let Err(error) = memory_json::from_text(&alone.to_string()) {
            tracing::warn!(%section, %id, error, "a row of the journal's memory is not known");
            continue;
        }
        let of = whole
            .entry(section.clone())
            .or_insert_with(|| Value::Object(serde_json::Map::new()));
        if let Some(of) = of.as_object_mut() {
            of.insert(id.clone(), value);
        }
    }
    memory_json::from_text(&Value::Object(whole).to_string()).ok()
}
