//! The writer's thread: takes what is told, makes rows of it, writes them.
//!
//! In: notes from the bounded queue. Out: one write for what came within a window (see `window`);
//! at once where somebody waits. Such a write is a batch of the tail, and the tables take all of
//! them in together a little later; what somebody waits for goes into the tables at once, with
//! what was in the tail. Between writes it does its chores (see `keep`). When the file cannot be
//! written, everything is kept that must be and tried again; detection never notices.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant as Moment};

use rusqlite::Connection;
use serde_json::Value;

use super::begin::{begin, bring_in, read_memory, read_retained, remembered};
use super::checkpoint::Checkpoints;
use super::pending::{Entry, Numbers, Part, Pending, Segment};
use super::schema::{self, OpenError};
use super::tail::Tail;
use super::window::{Haste, Window};
use super::{Done, Keep, Left, NOTES_MAX, News, Note, Row, Shared, Told, keep::Chores};
use crate::daemon::clock::Clock;
use crate::daemon::metrics::journal::JournalMetrics;
use crate::engine::memory::Memory;
use crate::wire::journal_json::{self, Whole, millis};
use crate::wire::memory_json::{self, Rows};

/// Between two attempts when the file cannot be written.
const RETRY: Duration = Duration::from_millis(500);
/// The tables take in what is in the tail after so long. A reader of the file that does not ask the
/// daemon is so much behind; the shorter, the more pages are written half full.
const TABLES_EVERY: Duration = Duration::from_secs(30);
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
    tail: Tail,
    /// What is in the tail and not in the tables, and since when there is any.
    held: Pending,
    held_since: Option<Moment>,
    window: Window,
    waiting: Vec<Done>,
    /// What readers make of the rows that were written and wait.
    whole: Whole,
    layout: Arc<str>,
    rows_since_whole: usize,
    whole_ms: i64,
    /// A change was dropped: what is in the file must be made right by a whole state.
    dropped: bool,
    /// What must survive a restart, by section and id, as it is written or waits.
    memory: Rows,
    /// All of it in one, where segments of raw messages begin with it.
    memory_text: String,
    keeps_raw: bool,
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
        let mut tail = bring_in(&mut connection, &keep.path)?;
        let no_room = |error| OpenError::Tail {
            path: keep.path.clone(),
            error,
        };
        tail.lay_out().map_err(no_room)?;
        let numbers = begin(&mut connection, &clock).map_err(wrong)?;
        let memory = read_memory(&connection).map_err(wrong)?;
        let retained = read_retained(&connection).map_err(wrong)?;
        let remembered = remembered(&memory);
        let left = Left {
            memory: remembered,
            retained,
        };
        let keeps_raw = keep.raw_megabytes > 0;
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
            tail,
            held: Pending::default(),
            held_since: None,
            window: Window::default(),
            waiting: Vec::new(),
            whole: Whole::packed(),
            layout: "".into(),
            rows_since_whole: 0,
            whole_ms: 0,
            dropped: false,
            memory,
            memory_text: String::from("{}"),
            keeps_raw,
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
    pub(super) fn run(mut self, told: Receiver<Box<Told>>) {
        loop {
            match told.recv_timeout(self.rest()) {
                Ok(first) => {
                    if !self.batch(*first, &told) {
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
        // What the tables could not take is still in it for the next start.
        if self.held.is_empty() && self.pending.is_empty() {
            self.tail.remove();
        }
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
            None => self.chores.rest().min(self.until_tables()),
        }
    }

    /// How long what is in the tail may stay there alone.
    fn until_tables(&self) -> Duration {
        let stays = |since: Moment| TABLES_EVERY.saturating_sub(since.elapsed());
        self.held_since.map_or(TABLES_EVERY, stays)
    }

    fn idle(&mut self) {
        let now_ms = millis(self.clock.now());
        if now_ms - self.last_row_ms >= ALIVE_MS {
            self.pending.alive_ms = Some(now_ms);
            self.last_row_ms = now_ms;
        }
        self.cut_raw(now_ms, false);
        self.save(Haste::Later);
        if self.retry_at.is_none()
            && let Err(error) = self.chores.work(&mut self.connection, &self.clock)
        {
            tracing::warn!(%error, "the journal could not be tidied");
        }
        self.metrics.bytes.set(self.chores.bytes());
    }

    /// Takes what comes within the window, then writes. `false` at the end.
    fn batch(&mut self, first: Told, told: &Receiver<Box<Told>>) -> bool {
        let mut next = Some(first);
        let mut until: Option<Moment> = None;
        let mut promised = None;
        let mut most = Haste::Later;
        let mut taken = 0;
        while let Some(Told { at, note }) = next.take() {
            taken += 1;
            let haste = self.take(note);
            if haste >= Haste::Soon && promised.is_none() {
                promised = Some(at);
                self.promise(at);
            }
            most = most.max(haste);
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
                let left = due.saturating_duration_since(now);
                next = told.recv_timeout(left).ok().map(|told| *told);
            }
        }
        self.save(most);
        if let Some(since) = promised.filter(|_| self.retry_at.is_none()) {
            let delay = self.clock.now().since(since);
            self.metrics.delay.observe(delay.as_secs_f64());
        }
        most != Haste::Last
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
            let known: Vec<String> = self.whole.ids(kind).cloned().collect();
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
            kind: kind.into(),
            id: id.into(),
            at_ms,
            part: Part::Change,
            body: body.into(),
        });
        self.last_row_ms = self.last_row_ms.max(at_ms);
    }

    fn difference(&mut self, kind: &'static str, id: String, at_ms: i64, patch: &Value) {
        self.push(Entry::Change {
            kind: kind.into(),
            id: id.into(),
            at_ms,
            part: Part::Difference,
            body: patch.to_string().into(),
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
            self.take_memory(&memory);
        }
    }

    /// Only what is different is written.
    fn take_memory(&mut self, memory: &Memory) {
        let new = memory_json::rows(memory);
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
        if self.keeps_raw {
            self.memory_text = memory_json::to_text(memory);
        }
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
    fn save(&mut self, haste: Haste) {
        self.settle_memory();
        let now = Moment::now();
        let too_early = self.retry_at.is_some_and(|at| now < at);
        let tables_due = haste >= Haste::Now || self.until_tables().is_zero();
        let nothing = self.pending.is_empty() && (self.held.is_empty() || !tables_due);
        let well = if nothing {
            true
        } else if too_early {
            false
        } else {
            match self.write(haste) {
                Ok(()) => true,
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

    /// Into the tail where that will do, and into the tables where it will not or it is time.
    fn write(&mut self, haste: Haste) -> rusqlite::Result<()> {
        let began = Moment::now();
        let in_tail = haste < Haste::Now && self.retry_at.is_none() && self.append();
        let small = in_tail || self.held.is_empty();
        if !in_tail {
            self.tables()?;
        }
        let took = began.elapsed();
        self.metrics.write.observe(took.as_secs_f64());
        if small {
            self.window.wrote(took);
        }
        // Right after a write: what is told meanwhile has all of its time before it.
        if in_tail && self.until_tables().is_zero() {
            self.tables()?;
        }
        Ok(())
    }

    /// Puts what waits into the tail; `false` where that cannot be.
    fn append(&mut self) -> bool {
        if self.pending.is_empty() {
            return false;
        }
        let Some(batch) = self.pending.to_batch(self.numbers.boot) else {
            return false;
        };
        match self.tail.append(&batch) {
            Ok(true) => {
                self.held.absorb(std::mem::take(&mut self.pending));
                self.held_since.get_or_insert_with(Moment::now);
                true
            }
            Ok(false) => false,
            Err(error) => {
                tracing::warn!(%error, "the journal's tail cannot be written");
                false
            }
        }
    }

    /// Puts everything into the tables, on the disk; the tail begins anew.
    fn tables(&mut self) -> rusqlite::Result<()> {
        let mut all = std::mem::take(&mut self.held);
        all.absorb(std::mem::take(&mut self.pending));
        let applied = self.tail.last();
        let written = all.write(&mut self.connection, &mut self.numbers, applied);
        if written.is_ok() {
            self.tail.taken_in();
            self.held_since = None;
        } else {
            // Some of it is in the tail as well, which stays as it is until all of it is written.
            self.pending = all;
        }
        written
    }

    /// The last rows, and as little left behind as can be.
    fn stop(&mut self) -> bool {
        let now_ms = millis(self.clock.now());
        self.daemon_row(r#"{"event":"stop"}"#.to_owned());
        self.cut_raw(now_ms, true);
        self.pending.alive_ms = Some(now_ms);
        self.pending.stopped = true;
        self.retry_at = None;
        self.save(Haste::Last);
        self.retry_at.is_none()
    }
}
