//! What is to be written next: in one transaction, or as one batch of the tail.
//!
//! Input: rows, states, memory, retained values, as the writer makes them of what it is told.
//! Output: a committed transaction, or an error after which all of it is still there to be tried
//! again; and the same as bytes and back. Changes are bounded and dropped beyond that; memory and
//! retained values are one value an item, however long the disk is away.

use std::borrow::Cow;
use std::collections::{BTreeMap, HashMap};
use std::io::{Read as _, Write as _};
use std::sync::Arc;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD_NO_PAD;
use flate2::Compression;
use flate2::read::DeflateDecoder;
use flate2::write::DeflateEncoder;
use rusqlite::{Connection, Transaction, params};
use serde::{Deserialize, Serialize};

use crate::daemon::mqtt::broker::RetainedMessage;

/// Rows that wait for a disk at most: an hour of a busy layout, some ten megabytes.
const ROWS_MAX: usize = 50_000;
/// Changes and what must survive a restart, of one batch of the tail. More than that comes at once
/// when a layout begins, and costs its pages wherever it is written: it goes into the tables.
const BATCH_MAX: usize = 500;
/// Segments of raw messages that wait for a disk at most.
const RAW_MAX: usize = 64;

/// What a row of `change` says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    /// Something happened.
    Change = 0,
    /// A record differs from what the changes make of it.
    Difference = 1,
}

/// A row of `change`, or a whole state between two of them.
#[derive(Debug)]
pub(super) enum Entry {
    Change {
        kind: Cow<'static, str>,
        id: Box<str>,
        at_ms: i64,
        part: Part,
        body: Box<str>,
    },
    Whole {
        at_ms: i64,
        layout: Arc<str>,
        body: String,
    },
}

/// Raw messages that belong together.
#[derive(Debug)]
pub(super) struct Segment {
    pub run_starts: bool,
    pub from_ms: i64,
    pub to_ms: i64,
    pub memory: String,
    pub lines: String,
}

/// Everything that waits.
#[derive(Debug, Default)]
pub(super) struct Pending {
    entries: Vec<Entry>,
    pub memory: BTreeMap<(String, String), Option<String>>,
    pub retained: BTreeMap<String, Option<RetainedMessage>>,
    pub segments: Vec<Segment>,
    pub label: Option<(i64, bool)>,
    pub alive_ms: Option<i64>,
    pub stopped: bool,
}

/// What of it stands in the tail, packed. Keys are short: there are many.
#[derive(Debug, Deserialize, Serialize)]
#[serde(bound(deserialize = "T: Deserialize<'de>"))]
struct Batch<T> {
    /// The run that told it.
    boot: i64,
    /// Kind, id, milliseconds, part, body.
    #[serde(default = "Vec::new", skip_serializing_if = "Vec::is_empty")]
    changes: Vec<(T, T, i64, i64, T)>,
    /// Section, id, body.
    #[serde(default = "Vec::new", skip_serializing_if = "Vec::is_empty")]
    memory: Vec<(T, T, Option<T>)>,
    /// Topic; quality of service and payload in base 64 (RFC 4648).
    #[serde(default = "Vec::new", skip_serializing_if = "Vec::is_empty")]
    retained: Vec<(T, Option<(u8, String)>)>,
}

/// The longest batch that is unpacked: far above what the tail has room for.
const UNPACKED_MAX: u64 = 64 * 1_024 * 1_024;

/// What the transactions need to know of the file.
#[derive(Debug)]
pub(super) struct Numbers {
    pub boot: i64,
    pub next_seq: i64,
    /// Numbers of items by kind and id, as far as they were met.
    pub items: HashMap<String, HashMap<Box<str>, i64>>,
}

impl Pending {
    /// Adds an entry; `false` when there is no room.
    pub(super) fn push(&mut self, entry: Entry) -> bool {
        let room = self.entries.len() < ROWS_MAX;
        if room {
            self.entries.push(entry);
        }
        room
    }

    /// Adds raw messages; `false` when there is no room.
    pub(super) fn push_segment(&mut self, segment: Segment) -> bool {
        let room = self.segments.len() < RAW_MAX;
        if room {
            self.segments.push(segment);
        }
        room
    }

    pub(super) fn is_empty(&self) -> bool {
        self.entries.is_empty()
            && self.memory.is_empty()
            && self.retained.is_empty()
            && self.segments.is_empty()
            && self.label.is_none()
            && self.alive_ms.is_none()
            && !self.stopped
    }

    /// Takes what came later along.
    pub(super) fn absorb(&mut self, later: Self) {
        self.entries.extend(later.entries);
        self.memory.extend(later.memory);
        self.retained.extend(later.retained);
        self.segments.extend(later.segments);
        self.label = later.label.or(self.label);
        self.alive_ms = later.alive_ms.or(self.alive_ms);
        self.stopped |= later.stopped;
    }

    /// As a batch of the tail; nothing where it holds what belongs into the tables at once: whole
    /// states and raw messages, which are long, what is told of the run itself, and much at once.
    pub(super) fn to_batch(&self, boot: i64) -> Option<Vec<u8>> {
        if !self.segments.is_empty()
            || self.label.is_some()
            || self.alive_ms.is_some()
            || self.stopped
            || self.entries.len() + self.memory.len() + self.retained.len() > BATCH_MAX
        {
            return None;
        }
        let mut changes = Vec::with_capacity(self.entries.len());
        for entry in &self.entries {
            let Entry::Change {
                kind,
                id,
                at_ms,
                part,
                body,
            } = entry
            else {
                return None;
            };
            let part = *part as i64;
            changes.push((&**kind, &**id, *at_ms, part, &**body));
        }
        let memory = self.memory.iter();
        let memory = memory.map(|((section, id), body)| (&**section, &**id, body.as_deref()));
        let retained = self.retained.iter().map(|(topic, message)| {
            let said = message.as_ref();
            let said = said.map(|said| (said.qos, STANDARD_NO_PAD.encode(&said.payload)));
            (&**topic, said)
        });
        let batch = Batch {
            boot,
            changes,
            memory: memory.collect(),
            retained: retained.collect(),
        };
        serde_json::to_string(&batch)
            .ok()
            .map(|text| deflate(&text))
    }

    /// The way back, and which run it was. A batch whose checksum holds was written whole, so that
    /// nothing is expected to be wrong with it.
    pub(super) fn from_batch(packed: &[u8]) -> Option<(i64, Self)> {
        let mut text = String::new();
        let unpacked = DeflateDecoder::new(packed).take(UNPACKED_MAX);
        { unpacked }.read_to_string(&mut text).ok()?;
        let batch: Batch<String> = serde_json::from_str(&text).ok()?;
        let mut pending = Self::default();
        for (kind, id, at_ms, part, body) in batch.changes {
            let part = match part {
                0 => Part::Change,
                _ => Part::Difference,
            };
            pending.entries.push(Entry::Change {
                kind: kind.into(),
                id: id.into(),
                at_ms,
                part,
                body: body.into(),
            });
        }
        for (section, id, body) in batch.memory {
            pending.memory.insert((section, id), body);
        }
        for (topic, said) in batch.retained {
            let message = match said {
                None => None,
                Some((qos, payload)) => Some(RetainedMessage {
                    topic: topic.clone(),
                    qos,
                    payload: STANDARD_NO_PAD.decode(payload).ok()?.into(),
                }),
            };
            pending.retained.insert(topic, message);
        }
        Some((batch.boot, pending))
    }

    /// Writes all of it, or nothing; `applied` is the last frame of the tail that it holds.
    pub(super) fn write(
        &self,
        connection: &mut Connection,
        numbers: &mut Numbers,
        applied: u64,
    ) -> rusqlite::Result<()> {
        let first = numbers.next_seq;
        let written = self.transact(connection, numbers, applied);
        if written.is_err() {
            // What was numbered in the transaction is not in the file.
            numbers.next_seq = first;
            numbers.items.clear();
        }
        written
    }

    fn transact(
        &self,
        connection: &mut Connection,
        numbers: &mut Numbers,
        applied: u64,
    ) -> rusqlite::Result<()> {
        let transaction = connection.transaction()?;
        transaction
            .prepare_cached("UPDATE tail SET applied = ?1 WHERE applied <> ?1")?
            .execute([i64::try_from(applied).unwrap_or(i64::MAX)])?;
        for entry in &self.entries {
            write_entry(&transaction, numbers, entry)?;
        }
        for ((section, id), body) in &self.memory {
            write_memory(&transaction, section, id, body.as_deref())?;
        }
        for (topic, message) in &self.retained {
            write_retained(&transaction, topic, message.as_ref())?;
        }
        for segment in &self.segments {
            write_segment(&transaction, numbers.boot, segment)?;
        }
        if let Some((origin_us, trusted)) = self.label {
            transaction
                .prepare_cached("UPDATE boot SET origin_us = ?1, trusted = ?2 WHERE boot = ?3")?
                .execute(params![origin_us, trusted, numbers.boot])?;
        }
        if let Some(alive_ms) = self.alive_ms {
            transaction
                .prepare_cached("UPDATE boot SET alive_ms = ?1, stopped = ?2 WHERE boot = ?3")?
                .execute(params![alive_ms, self.stopped, numbers.boot])?;
        }
        transaction.commit()
    }
}

fn write_entry(
    transaction: &Transaction<'_>,
    numbers: &mut Numbers,
    entry: &Entry,
) -> rusqlite::Result<()> {
    match entry {
        Entry::Change {
            kind,
            id,
            at_ms,
            part,
            body,
        } => {
            let item = item(transaction, numbers, kind, id)?;
            transaction
                .prepare_cached("INSERT INTO change VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?
                .execute(params![
                    numbers.next_seq,
                    numbers.boot,
                    at_ms,
                    item,
                    *part as i64,
                    body
                ])?;
            numbers.next_seq += 1;
        }
        Entry::Whole {
            at_ms,
            layout,
            body,
        } => {
            transaction
                .prepare_cached("INSERT OR IGNORE INTO layout (body) VALUES (?1)")?
                .execute([layout])?;
            let layout: i64 = transaction
                .prepare_cached("SELECT layout FROM layout WHERE body = ?1")?
                .query_row([layout], |row| row.get(0))?;
            transaction
                .prepare_cached("INSERT OR REPLACE INTO whole VALUES (?1, ?2, ?3, ?4, ?5)")?
                .execute(params![
                    numbers.next_seq,
                    numbers.boot,
                    at_ms,
                    layout,
                    deflate(body)
                ])?;
        }
    }
    Ok(())
}

fn item(
    transaction: &Transaction<'_>,
    numbers: &mut Numbers,
    kind: &str,
    id: &str,
) -> rusqlite::Result<i64> {
    let known = numbers.items.get(kind).and_then(|of| of.get(id));
    if let Some(item) = known {
        return Ok(*item);
    }
    transaction
        .prepare_cached("INSERT OR IGNORE INTO item (kind, id) VALUES (?1, ?2)")?
        .execute([kind, id])?;
    let item = transaction
        .prepare_cached("SELECT item FROM item WHERE kind = ?1 AND id = ?2")?
        .query_row([kind, id], |row| row.get(0))?;
    let of = numbers.items.entry(kind.to_owned()).or_default();
    of.insert(id.into(), item);
    Ok(item)
}

fn write_memory(
    transaction: &Transaction<'_>,
    section: &str,
    id: &str,
    body: Option<&str>,
) -> rusqlite::Result<()> {
    match body {
        Some(body) => transaction
            .prepare_cached("INSERT OR REPLACE INTO memory VALUES (?1, ?2, ?3)")?
            .execute([section, id, body])?,
        None => transaction
            .prepare_cached("DELETE FROM memory WHERE section = ?1 AND id = ?2")?
            .execute([section, id])?,
    };
    Ok(())
}

fn write_retained(
    transaction: &Transaction<'_>,
    topic: &str,
    message: Option<&RetainedMessage>,
) -> rusqlite::Result<()> {
    match message {
        Some(message) => transaction
            .prepare_cached("INSERT OR REPLACE INTO retained VALUES (?1, ?2, ?3)")?
            .execute(params![topic, message.qos, &message.payload[..]])?,
        None => transaction
            .prepare_cached("DELETE FROM retained WHERE topic = ?1")?
            .execute([topic])?,
    };
    Ok(())
}

fn write_segment(
    transaction: &Transaction<'_>,
    boot: i64,
    segment: &Segment,
) -> rusqlite::Result<()> {
    let sql = "INSERT INTO raw (boot, run_starts, from_ms, to_ms, memory, lines) \
               VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
    transaction.prepare_cached(sql)?.execute(params![
        boot,
        segment.run_starts,
        segment.from_ms,
        segment.to_ms,
        deflate(&segment.memory),
        deflate(&segment.lines)
    ])?;
    Ok(())
}

/// Text, deflated (RFC 1951).
fn deflate(text: &str) -> Vec<u8> {
    let mut encoder = DeflateEncoder::new(Vec::new(), Compression::fast());
    // Writing to memory does not fail; were it so, the row would be empty and read as nothing.
    let _ = encoder.write_all(text.as_bytes());
    encoder.finish().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn changes(count: usize) -> Pending {
        let mut pending = Pending::default();
        for at_ms in 0..count as i64 {
            assert!(pending.push(Entry::Change {
                kind: "block".into(),
                id: "b1".into(),
                at_ms,
                part: Part::Difference,
                body: "{\"why\":\"d1\"}".into(),
            }));
        }
        pending
    }

    #[test]
    fn a_batch_of_the_tail_comes_back_as_it_was() {
        let batch = changes(3).to_batch(7).expect("a batch");
        let (boot, back) = Pending::from_batch(&batch).expect("it can be read");
        assert_eq!(boot, 7);
        assert_eq!(format!("{back:?}"), format!("{:?}", changes(3)));
    }

    #[test]
    fn a_burst_is_no_batch_of_the_tail() {
        assert!(changes(BATCH_MAX).to_batch(1).is_some());
        assert!(changes(BATCH_MAX + 1).to_batch(1).is_none());
        let mut burst = Pending::default();
        for n in 0..=BATCH_MAX {
            let key = ("blocks".to_owned(), format!("b{n}"));
            burst.memory.insert(key, None);
        }
        assert!(burst.to_batch(1).is_none());
    }
}
