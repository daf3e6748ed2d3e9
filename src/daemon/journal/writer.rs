//! The writer's thread: takes what is told, makes rows of it, writes them.
//!
//! In: notes from the bounded queue. Out: one transaction for what came within a window (see
//! `window`); at once where somebody waits. Between transactions it does its chores (see `keep`).
//! When the file cannot be written, everything is kept that must be and tried again; detection
//! never notices.

use std::collections::BTreeMap;
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant as Moment};

use rusqlite::{Connection, params};
use serde_json::Value;

use super::checkpoint::Checkpoints;
use super::pending::{Entry, Numbers, Part, Pending, Segment};
use super::schema::{self, OpenError};
use super::window::{Haste, Window};
use super::{Done, Keep, Left, NOTES_MAX, News, Note, Row, Shared, Told, keep::Chores};
use crate::daemon::clock::Clock;
use crate::daemon::metrics::journal::JournalMetrics;
use crate::daemon::mqtt::broker::RetainedMessage;
use crate::engine::memory::Memory;
use crate::wire::journal_json::{self, Whole, millis};
use crate::wire::memory_json;
use crate::wire::stamp::Label;

/// Between two attempts when the file cannot be written.
const RETRY: Duration = Duration::from_millis(500);
/// A whole state is written after so many rows, so that reading one never folds more ...
const WHOLE_ROWS: usize = 4_000;
/// ... or after so long, when there was any.
const WHOLE_MS: i64 = 600_000;
/// When nothing happens, the row of the boot tells this often that the daemon lives.
const ALIVE_MS: i64 = 60_000;
/// A segment of raw messages ends at so many bytes ...
const RAW_BYTES: usize = 128 * 1_024;
/// ... or after so long.
const RAW_MS: i64 = 10_000;

/// The thread and what it owns.
pub(super) struct Writer {
    connection: Connection,
    numbers: Numbers,
    clock: Clock,
    shared: Arc<Shared>,
    metrics: JournalMetrics,
    chores: Chores,
    checkpoints: Checkpoints,
    pending: Pending,
    window: Window,
    waiting: Vec<Done>,
    /// What readers make of the rows that were written and wait.
    whole: Whole,
    layout: String,
    rows_since_whole: usize,
    whole_ms: i64,
    /// A change was dropped: what is in the file must be made right by a whole state.
    dropped: bool,
    /// What must survive a restart, by section and id, as it is written or waits.
    memory: BTreeMap<(String, String), String>,
    memory_text: String,
    /// What was told last of that. It is worked out once a transaction: with each of many changes,
    /// the queue would grow faster than it is emptied.
    newest_memory: Option<Memory>,
    raw: Option<Segment>,
    last_row_ms: i64,
    retry_at: Option<Moment>,
    /// Who waits for the end, and whether everything was written by then.
    farewell: Option<(Done, bool)>,
}

impl Writer {
    /// Opens the file, begins a boot in it, and reads what an earlier run has left.
    pub(super) fn open(
        keep: Arc<Keep>,
        clock: Clock,
        shared: Arc<Shared>,
        metrics: JournalMetrics,
    ) -> Result<(Self, Left), OpenError> {
        let mut connection = schema::open_writer(&keep.path)?;
        let wrong = |error| OpenError::Sqlite {
            path: keep.path.clone(),
            error,
        };
        let numbers = begin(&mut connection, &clock).map_err(wrong)?;
        let memory = read_memory(&connection).map_err(wrong)?;
        let retained = read_retained(&connection).map_err(wrong)?;
        let remembered = remembered(&memory);
        let left = Left {
            memory: remembered,
            retained,
        };
        let checkpoints = Checkpoints::start(&keep.path)?;
        checkpoints.watch(&mut connection).map_err(wrong)?;
        let mut writer = Self {
            connection,
            checkpoints,
            numbers,
            clock,
            shared,
            metrics,
            chores: Chores::new(keep),
            pending: Pending::default(),
            window: Window::default(),
            waiting: Vec::new(),
            whole: Whole::default(),
            layout: String::new(),
            rows_since_whole: 0,
            whole_ms: 0,
            dropped: false,
            memory,
            memory_text: String::from("{}"),
            newest_memory: None,
            raw: None,
            last_row_ms: 0,
            retry_at: None,
            farewell: None,
        };
        let version = env!("CARGO_PKG_VERSION");
        let body = serde_json::json!({"event": "start", "version": version}).to_string();
        writer.daemon_row(body);
        Ok((writer, left))
    }

    /// Runs until it is told to stop or nobody is left to tell it anything.
    pub(super) fn run(mut self, told: Receiver<Told>) {
        loop {
            match told.recv_timeout(self.rest()) {
                Ok(first) => {
                    if !self.batch(first, &told) {
                        break;
                    }
                }
                Err(RecvTimeoutError::Timeout) => self.idle(),
                Err(RecvTimeoutError::Disconnected) => {
                    self.stop();
                    break;
                }
            }
        }
        // Closing puts what is beside the file into it: whoever waits for the end waits for that.
        self.checkpoints.stop();
        drop(self.connection);
        // And nothing is taken any longer, so that nobody thinks that it was.
        drop(told);
        if let Some((done, well)) = self.farewell {
            done(well);
        }
    }

    /// How long to wait for the next note.
    fn rest(&self) -> Duration {
        match self.retry_at {
            Some(at) => at.saturating_duration_since(Moment::now()),
            None if !self.pending.is_empty() => Duration::ZERO,
            None => self.chores.rest(),
        }
    }

    fn idle(&mut self) {
        let now_ms = millis(self.clock.now());
        if now_ms - self.last_row_ms >= ALIVE_MS {
            self.pending.alive_ms = Some(now_ms);
            self.last_row_ms = now_ms;
        }
        self.cut_raw(now_ms, false);
        self.save();
        if self.retry_at.is_none()
            && let Err(error) = self.chores.work(&mut self.connection, &self.clock)
        {
            tracing::warn!(%error, "the journal could not be tidied");
        }
        self.metrics.bytes.set(self.chores.bytes());
    }

    /// Takes what comes within the window, then writes. `false` at the end.
    fn batch(&mut self, first: Told, told: &Receiver<Told>) -> bool {
        let mut next = Some(first);
        let mut until: Option<Moment> = None;
        let mut promised = None;
        let mut last = false;
        let mut taken = 0;
        while let Some(Told { at, note }) = next.take() {
            taken += 1;
            let haste = self.take(note);
            if haste >= Haste::Soon && promised.is_none() {
                promised = Some(at);
                self.promise(at);
            }
            last = haste == Haste::Last;
            let waited = Duration::from_micros(self.clock.now().since(at).0);
            let due = Moment::now() + self.window.rest(haste, waited);
            let due = until.map_or(due, |until| until.min(due));
            until = Some(due);
            // Where no time is left, what waits already is taken along: after a slow write that is
            // much, and one by one it would only become more. But not for ever: on a machine with
            // too much to do, more comes while that is taken.
            let now = Moment::now();
            let over = now > due + self.window.drain() || taken >= NOTES_MAX;
            if haste < Haste::Now && !over {
                next = told.recv_timeout(due.saturating_duration_since(now)).ok();
            }
        }
        self.save();
        if let Some(since) = promised.filter(|_| self.retry_at.is_none()) {
            let delay = self.clock.now().since(since);
            self.metrics.delay.observe(delay.as_secs_f64());
        }
        !last
    }

    /// From now on somebody counts on what was told then.
    fn promise(&self, at: crate::engine::time::Instant) {
        // Relaxed: it is a label for people's eyes, nothing is ordered by it.
        if self.shared.oldest_us.load(Ordering::Relaxed) == 0 {
            self.shared.oldest_us.store(at.0.max(1), Ordering::Relaxed);
        }
    }

    /// Takes one note; how soon it must be written.
    fn take(&mut self, note: Note) -> Haste {
        match note {
            Note::News(news) => {
                // What only looks different now is written with the next change, or a little later.
                let changes = !news.changes.is_empty() || news.layout.is_some();
                self.take_news(*news);
                if changes { Haste::Soon } else { Haste::Later }
            }
            Note::Act(row, done) => {
                self.change(row);
                self.waiting.push(done);
                Haste::Now
            }
            Note::Retained(topic, message) => {
                self.pending.retained.insert(topic, message);
                Haste::Soon
            }
            Note::Clock { origin_us, trusted } => {
                self.pending.label = Some((origin_us, trusted));
                Haste::Soon
            }
            Note::Sync(done) => {
                self.waiting.push(done);
                Haste::Now
            }
            Note::Stop(done) => {
                let well = self.stop();
                self.farewell = Some((done, well));
                Haste::Last
            }
        }
    }

    fn take_news(&mut self, news: News) {
        let at_ms = millis(news.at);
        self.take_raw(news.raw, news.run_starts, at_ms);
        for row in news.changes {
            self.change(row);
        }
        let begins = news.layout.is_some();
        if begins {
            self.remove_others(&news.records, at_ms);
        }
        for (kind, id, record) in news.records {
            let record = record.as_deref().and_then(journal_json::record);
            if let Some(patch) = self.whole.difference(kind, &id, record.as_ref()) {
                self.whole.patch(kind, &id, &patch);
                if !begins {
                    self.difference(kind, id, at_ms, &patch);
                }
            }
        }
        if let Some(layout) = news.layout {
            self.layout = layout;
        }
        if news.memory.is_some() {
            self.newest_memory = news.memory;
        }
        let due = at_ms - self.whole_ms >= WHOLE_MS && self.rows_since_whole > 0;
        if begins || self.dropped || due || self.rows_since_whole >= WHOLE_ROWS {
            self.write_whole(at_ms);
        }
    }

    /// Where everything is told, what is not told any more is gone.
    fn remove_others(&mut self, told: &[(&'static str, String, Option<String>)], at_ms: i64) {
        let kinds = [
            "block", "turnout", "table", "feed", "detector", "train", "alarm",
        ];
        for kind in kinds {
            let known: Vec<String> = self.whole.items(kind).map(|(id, _)| id.clone()).collect();
            for id in known {
                if !told.iter().any(|(k, i, _)| *k == kind && *i == id) {
                    self.whole.patch(kind, &id, &Value::Null);
                    self.difference(kind, id, at_ms, &Value::Null);
                }
            }
        }
    }

    fn change(&mut self, row: Row) {
        let Row {
            kind,
            id,
            at_ms,
            body,
        } = row;
        if let Ok(value) = serde_json::from_str(&body) {
            self.whole.fold(kind, &id, at_ms, &value);
        }
        self.push(Entry::Change {
            kind: kind.to_owned(),
            id,
            at_ms,
            part: Part::Change,
            body,
        });
        self.last_row_ms = self.last_row_ms.max(at_ms);
    }

    fn difference(&mut self, kind: &str, id: String, at_ms: i64, patch: &Value) {
        self.push(Entry::Change {
            kind: kind.to_owned(),
            id,
            at_ms,
            part: Part::Difference,
            body: patch.to_string(),
        });
    }

    fn push(&mut self, entry: Entry) {
        self.rows_since_whole += 1;
        if !self.pending.push(entry) {
            self.dropped = true;
            self.metrics.lost.inc();
        }
    }

    fn write_whole(&mut self, at_ms: i64) {
        let body = self.whole.to_text();
        let layout = self.layout.clone();
        if self.pending.push(Entry::Whole {
            at_ms,
            layout,
            body,
        }) {
            self.rows_since_whole = 0;
            self.whole_ms = at_ms;
            self.dropped = false;
        }
    }

    fn daemon_row(&mut self, body: String) {
        let at_ms = millis(self.clock.now());
        self.change(Row {
            kind: "daemon",
            id: "daemon".to_owned(),
            at_ms,
            body,
        });
    }

    fn settle_memory(&mut self) {
        if let Some(memory) = self.newest_memory.take() {
            self.take_memory(memory_json::to_text(&memory));
        }
    }

    /// Only what is different is written.
    fn take_memory(&mut self, text: String) {
        let new = items_of(&text);
        for (key, body) in &new {
            if self.memory.get(key) != Some(body) {
                self.pending.memory.insert(key.clone(), Some(body.clone()));
            }
        }
        for key in self.memory.keys() {
            if !new.contains_key(key) {
                self.pending.memory.insert(key.clone(), None);
            }
        }
        self.memory = new;
        self.memory_text = text;
    }

    fn take_raw(&mut self, lines: Vec<String>, run_starts: bool, at_ms: i64) {
        if run_starts {
            self.cut_raw(at_ms, true);
        }
        if lines.is_empty() {
            return;
        }
        if self.raw.is_none() {
            self.settle_memory();
        }
        let segment = self.raw.get_or_insert_with(|| Segment {
            run_starts,
            from_ms: at_ms,
            to_ms: at_ms,
            memory: self.memory_text.clone(),
            lines: String::new(),
        });
        segment.to_ms = at_ms;
        for line in lines {
            segment.lines.push_str(&line);
            segment.lines.push('\n');
        }
        self.cut_raw(at_ms, false);
    }

    /// Ends the segment of raw messages where it is long enough.
    fn cut_raw(&mut self, now_ms: i64, at_once: bool) {
        let full = self.raw.as_ref().is_some_and(|segment| {
            at_once || segment.lines.len() >= RAW_BYTES || now_ms - segment.from_ms >= RAW_MS
        });
        if full
            && let Some(segment) = self.raw.take()
            && !self.pending.push_segment(segment)
        {
            self.metrics.lost.inc();
        }
    }

    /// Writes what waits; tries again later where it cannot be written.
    fn save(&mut self) {
        self.settle_memory();
        let now = Moment::now();
        let too_early = self.retry_at.is_some_and(|at| now < at);
        let nothing = self.pending.is_empty();
        let well = if nothing {
            true
        } else if too_early {
            false
        } else {
            match self.pending.write(&mut self.connection, &mut self.numbers) {
                Ok(()) => {
                    let took = now.elapsed();
                    self.window.wrote(took);
                    self.metrics.write.observe(took.as_secs_f64());
                    self.pending = Pending::default();
                    true
                }
                Err(error) => {
                    if self.retry_at.is_none() {
                        tracing::error!(%error, "the journal cannot be written; it is tried again");
                    }
                    self.retry_at = Some(Moment::now() + RETRY);
                    // What could have waited cannot be written either, and that is told as well.
                    self.promise(self.clock.now());
                    false
                }
            }
        };
        if well {
            if self.retry_at.take().is_some() {
                tracing::info!("the journal is written again");
            }
            self.shared.oldest_us.store(0, Ordering::Relaxed);
        }
        for done in self.waiting.drain(..) {
            done(well);
        }
    }

    /// The last rows, and as little left behind as can be.
    fn stop(&mut self) -> bool {
        let now_ms = millis(self.clock.now());
        self.daemon_row(r#"{"event":"stop"}"#.to_owned());
        self.cut_raw(now_ms, true);
        self.pending.alive_ms = Some(now_ms);
        self.pending.stopped = true;
        self.retry_at = None;
        self.save();
        self.retry_at.is_none()
    }
}

/// A new boot in the file.
fn begin(connection: &mut Connection, clock: &Clock) -> rusqlite::Result<Numbers> {
    let transaction = connection.transaction()?;
    let next_seq: i64 =
        transaction.query_row("SELECT coalesce(max(seq), 0) + 1 FROM change", [], |row| {
            row.get(0)
        })?;
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

fn read_memory(connection: &Connection) -> rusqlite::Result<BTreeMap<(String, String), String>> {
    let mut statement = connection.prepare("SELECT section, id, body FROM memory")?;
    let rows = statement.query_map([], |row| Ok(((row.get(0)?, row.get(1)?), row.get(2)?)))?;
    rows.collect()
}

fn read_retained(connection: &Connection) -> rusqlite::Result<Vec<RetainedMessage>> {
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

/// The memory's text by section and id; what is no section stands under an empty id.
fn items_of(text: &str) -> BTreeMap<(String, String), String> {
    let mut items = BTreeMap::new();
    let sections: BTreeMap<String, Value> = serde_json::from_str(text).unwrap_or_default();
    for (section, value) in sections {
        match value {
            Value::Object(of) => {
                let of = of.into_iter();
                items.extend(of.map(|(id, body)| ((section.clone(), id), body.to_string())));
            }
            other => {
                items.insert((section, String::new()), other.to_string());
            }
        }
    }
    items
}

/// The way back. What cannot be read is forgotten and told, item by item: one bad row must not
/// cost all the others.
fn remembered(items: &BTreeMap<(String, String), String>) -> Option<Memory> {
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
