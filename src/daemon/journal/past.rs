//! The past, read: which boot a moment belongs to, what was known then, what happened.
//!
//! Input: the file, through a connection that only reads. Output: whole states and rows in order.
//! Rows carry no wall time: a boot has a beginning on the wall clock, its rows milliseconds since.
//! Numbers of rows rise with time inside a boot, so a moment is found by halving, without an index
//! that each write would have to keep.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::io::Read as _;
use std::path::Path;

use flate2::read::DeflateDecoder;
use rusqlite::{Connection, OptionalExtension as _, params};
use serde_json::Value;

use super::schema::{self, OpenError};
use crate::wire::history_json;
use crate::wire::journal_json::Whole;
use crate::wire::stamp::rfc3339;

/// The longest text that is inflated: far above any layout's.
const INFLATED_MAX: u64 = 64 * 1_024 * 1_024;

/// Why the past cannot be told.
#[derive(Debug, thiserror::Error)]
pub enum PastError {
    /// The file cannot be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// It cannot be read.
    #[error("the journal cannot be read: {0}")]
    Read(#[from] rusqlite::Error),
    /// A row is broken.
    #[error("row {seq} of the journal is broken: {why}")]
    Broken {
        /// Which.
        seq: i64,
        /// What is wrong.
        why: String,
    },
}

/// One run of the daemon.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Boot {
    /// Its number, from 1.
    pub boot: i64,
    /// Its beginning on the wall clock, microseconds since 1970.
    pub origin_us: i64,
    /// The wall clock was trusted.
    pub trusted: bool,
    /// Its first row.
    pub first: i64,
    /// The row after its last.
    pub end: i64,
    /// The last moment that it is known to have lived, milliseconds since its beginning.
    pub alive_ms: i64,
    /// It was ended, not cut off.
    pub stopped: bool,
}

impl Boot {
    /// A moment of it on the wall clock, microseconds since 1970.
    #[must_use]
    pub fn wall_us(&self, at_ms: i64) -> i64 {
        self.origin_us.saturating_add(at_ms.saturating_mul(1_000))
    }

    /// A moment on the wall clock in milliseconds since its beginning. A damaged file may hold any
    /// number, and so may a query.
    #[must_use]
    pub fn ms_of(&self, us: i64) -> i64 {
        us.saturating_sub(self.origin_us).div_euclid(1_000)
    }

    /// Its last moment on the wall clock.
    #[must_use]
    pub fn ended_us(&self) -> i64 {
        self.wall_us(self.alive_ms)
    }
}

/// A row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Its number.
    pub seq: i64,
    /// Milliseconds since its boot's beginning.
    pub at_ms: i64,
    /// `block`, ...
    pub kind: String,
    /// The item.
    pub id: String,
    /// It is a difference, not something that happened.
    pub difference: bool,
    /// JSON text.
    pub body: String,
}

/// A whole state and where it stands.
#[derive(Clone, Debug)]
pub struct Standing {
    /// What was known.
    pub whole: Whole,
    /// The layout's row.
    pub layout: i64,
}

/// An open journal.
#[derive(Debug)]
pub struct Past {
    connection: Connection,
    boots: Vec<Boot>,
}

impl Past {
    /// Opens it. `now_us` is the wall clock, where the last boot is this daemon: then it lives.
    ///
    /// # Errors
    /// When it cannot be opened or read.
    pub fn open(path: &Path, now_us: Option<i64>) -> Result<Self, PastError> {
        let connection = schema::open_reader(path)?;
        let mut boots = read_boots(&connection)?;
        if let (Some(last), Some(now)) = (boots.last_mut(), now_us) {
            last.alive_ms = last
                .alive_ms
                .max(now.saturating_sub(last.origin_us) / 1_000);
        }
        Ok(Self { connection, boots })
    }

    /// Every boot that has rows, oldest first.
    #[must_use]
    pub fn boots(&self) -> &[Boot] {
        &self.boots
    }

    /// The connection, for what is asked of one table alone.
    pub(super) fn connection(&self) -> &Connection {
        &self.connection
    }

    /// The boot that a moment belongs to: the last one that began before it.
    #[must_use]
    pub fn boot_at(&self, us: i64) -> Option<&Boot> {
        self.boots.iter().rev().find(|boot| boot.origin_us <= us)
    }

    /// The first row of a boot that is later than a moment.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn row_after(&self, boot: &Boot, at_ms: i64) -> Result<i64, PastError> {
        let mut statement = self
            .connection
            .prepare_cached("SELECT at_ms FROM change WHERE seq >= ?1 ORDER BY seq LIMIT 1")?;
        let (mut low, mut high) = (boot.first, boot.end);
        while low < high {
            let middle = low + high.saturating_sub(low) / 2;
            let found: Option<i64> = statement.query_row([middle], |row| row.get(0)).optional()?;
            if found.is_some_and(|found| found <= at_ms) {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        Ok(low)
    }

    /// What was known in a boot before a row.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn state_before(&self, boot: &Boot, seq: i64) -> Result<Option<Standing>, PastError> {
        let sql = "SELECT seq, layout, body FROM whole WHERE seq <= ?1 AND boot = ?2 \
                   ORDER BY seq DESC LIMIT 1";
        let row = self
            .connection
            .prepare_cached(sql)?
            .query_row(params![seq, boot.boot], |row| {
                Ok((row.get(0)?, row.get(1)?, row.get::<_, Vec<u8>>(2)?))
            })
            .optional()?;
        let Some((from, layout, body)) = row else {
            return Ok(None);
        };
        let mut whole = inflate_whole(from, &body)?;
        self.rows(from, seq, None, &mut |found| {
            let Ok(body) = serde_json::from_str::<Value>(&found.body) else {
                return true;
            };
            if found.difference {
                whole.patch(&found.kind, &found.id, &body);
            } else {
                whole.fold(&found.kind, &found.id, found.at_ms, &body);
            }
            true
        })?;
        Ok(Some(Standing { whole, layout }))
    }

    /// Rows from one number to before another, in order, until `take` has enough. `kind`: only
    /// those of this kind.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn rows(
        &self,
        from: i64,
        to: i64,
        kind: Option<&str>,
        take: &mut dyn FnMut(Found) -> bool,
    ) -> Result<(), PastError> {
        let mut names: HashMap<i64, (String, String)> = HashMap::new();
        let mut name = self
            .connection
            .prepare_cached("SELECT kind, id FROM item WHERE item = ?1")?;
        let sql = "SELECT seq, at_ms, item, part, body FROM change \
                   WHERE seq >= ?1 AND seq < ?2 ORDER BY seq";
        let mut statement = self.connection.prepare_cached(sql)?;
        let mut rows = statement.query([from, to])?;
        while let Some(row) = rows.next()? {
            let item: i64 = row.get(2)?;
            if let Entry::Vacant(unknown) = names.entry(item) {
                let of = name.query_row([item], |row| Ok((row.get(0)?, row.get(1)?)))?;
                unknown.insert(of);
            }
            let Some((of, id)) = names.get(&item) else {
                continue;
            };
            if kind.is_some_and(|kind| kind != of) {
                continue;
            }
            let found = Found {
                seq: row.get(0)?,
                at_ms: row.get(1)?,
                kind: of.clone(),
                id: id.clone(),
                difference: row.get::<_, i64>(3)? != 0,
                body: row.get(4)?,
            };
            if !take(found) {
                break;
            }
        }
        Ok(())
    }

    /// Whole states of a range of rows, at most so many, evenly spread: boot, moment, state.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn wholes(
        &self,
        from: i64,
        to: i64,
        most: i64,
    ) -> Result<Vec<(i64, i64, Whole)>, PastError> {
        let sql = "SELECT seq, boot, at_ms FROM whole WHERE seq >= ?1 AND seq < ?2 ORDER BY seq";
        let mut statement = self.connection.prepare_cached(sql)?;
        let all = statement.query_map([from, to], |row| {
            Ok((row.get::<_, i64>(0)?, row.get(1)?, row.get(2)?))
        })?;
        let all: Vec<(i64, i64, i64)> = all.collect::<rusqlite::Result<_>>()?;
        let every = all
            .len()
            .div_ceil(usize::try_from(most).unwrap_or(1).max(1));
        let mut body = self
            .connection
            .prepare_cached("SELECT body FROM whole WHERE seq = ?1")?;
        let mut wholes = Vec::new();
        for (seq, boot, at_ms) in all.into_iter().step_by(every.max(1)) {
            let text: Vec<u8> = body.query_row([seq], |row| row.get(0))?;
            wholes.push((boot, at_ms, inflate_whole(seq, &text)?));
        }
        Ok(wholes)
    }

    /// A layout as JSON.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn layout(&self, layout: i64) -> Result<Value, PastError> {
        let sql = "SELECT body FROM layout WHERE layout = ?1";
        let text: Option<String> = self
            .connection
            .prepare_cached(sql)?
            .query_row([layout], |row| row.get(0))
            .optional()?;
        Ok(text
            .and_then(|text| serde_json::from_str(&text).ok())
            .unwrap_or(Value::Null))
    }

    /// The snapshot as it was at a moment; `None` before anything was known.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn snapshot(&self, us: i64) -> Result<Option<Value>, PastError> {
        let Some(boot) = self.boot_at(us) else {
            return Ok(None);
        };
        let at_ms = boot.ms_of(us);
        let seq = self.row_after(boot, at_ms)?;
        let Some(Standing { whole, layout }) = self.state_before(boot, seq)? else {
            return Ok(None);
        };
        let stamp = |seconds: f64| {
            let ms = (seconds * 1e3).round() as i64;
            Value::from(rfc3339(boot.wall_us(ms)))
        };
        let at = Value::from(rfc3339(us));
        Ok(Some(whole.snapshot(at, self.layout(layout)?, &stamp)))
    }

    /// Events of a range of time, from a row on, at most so many; and the row to go on from.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn events(
        &self,
        from_us: i64,
        to_us: i64,
        after: i64,
        limit: usize,
    ) -> Result<(Vec<Value>, Option<i64>), PastError> {
        let mut events = Vec::new();
        let mut next = None;
        for boot in self.boots_between(from_us, to_us) {
            let first = self.row_after(boot, boot.ms_of(from_us.saturating_sub(1)))?;
            let end = self.row_after(boot, boot.ms_of(to_us))?;
            if next.is_some() {
                break;
            }
            self.rows(
                first.max(after.saturating_add(1)),
                end,
                None,
                &mut |found| {
                    if found.difference {
                        return true;
                    }
                    if events.len() == limit {
                        next = events.last().and_then(|last: &Value| last["seq"].as_i64());
                        return false;
                    }
                    events.push(event(boot, &found));
                    true
                },
            )?;
        }
        Ok((events, next))
    }

    /// The boots that lived in a range of time, oldest first.
    pub fn boots_between(&self, from_us: i64, to_us: i64) -> impl Iterator<Item = &Boot> {
        self.boots
            .iter()
            .filter(move |boot| boot.origin_us <= to_us && boot.ended_us() >= from_us)
    }
}

/// A row as an event.
#[must_use]
pub fn event(boot: &Boot, found: &Found) -> Value {
    let at = rfc3339(boot.wall_us(found.at_ms));
    let Found {
        seq,
        kind,
        id,
        body,
        ..
    } = found;
    history_json::event(*seq, &at, boot.boot, kind, id, body)
}

/// Inflated text (RFC 1951).
pub(super) fn inflate(seq: i64, bytes: &[u8]) -> Result<String, PastError> {
    let mut text = String::new();
    let mut decoder = DeflateDecoder::new(bytes).take(INFLATED_MAX);
    decoder
        .read_to_string(&mut text)
        .map_err(|error| PastError::Broken {
            seq,
            why: error.to_string(),
        })?;
    Ok(text)
}

fn inflate_whole(seq: i64, bytes: &[u8]) -> Result<Whole, PastError> {
    let text = inflate(seq, bytes)?;
    Whole::from_text(&text).map_err(|error| PastError::Broken {
        seq,
        why: error.to_string(),
    })
}

fn read_boots(connection: &Connection) -> rusqlite::Result<Vec<Boot>> {
    let newest: i64 =
        connection.query_row("SELECT coalesce(max(seq), 0) FROM change", [], |row| {
            row.get(0)
        })?;
    let oldest: i64 =
        connection.query_row("SELECT coalesce(min(seq), 1) FROM change", [], |row| {
            row.get(0)
        })?;
    let mut statement = connection.prepare(
        "SELECT boot, origin_us, trusted, first_seq, alive_ms, stopped FROM boot ORDER BY boot",
    )?;
    let rows = statement.query_map([], |row| {
        Ok(Boot {
            boot: row.get(0)?,
            origin_us: row.get(1)?,
            trusted: row.get(2)?,
            first: row.get(3)?,
            end: newest.saturating_add(1),
            alive_ms: row.get(4)?,
            stopped: row.get(5)?,
        })
    })?;
    let mut boots: Vec<Boot> = rows.collect::<rusqlite::Result<_>>()?;
    for index in 1..boots.len() {
        boots[index - 1].end = boots[index].first;
    }
    let mut last = connection.prepare(
        "SELECT at_ms FROM change WHERE seq >= ?1 AND seq < ?2 ORDER BY seq DESC LIMIT 1",
    )?;
    for boot in &mut boots {
        boot.first = boot.first.max(oldest);
        let at_ms: Option<i64> = last
            .query_row([boot.first, boot.end], |row| row.get(0))
            .optional()?;
        boot.alive_ms = boot.alive_ms.max(at_ms.unwrap_or(0));
    }
    boots.retain(|boot| boot.first < boot.end);
    Ok(boots)
}
