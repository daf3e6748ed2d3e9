//! What the engine's task tells the journal: changes and records as rows, what must survive a
//! restart, what came in where that is kept, and the operator's acts.
//!
//! Input: the engine after each batch, as the outlet publishes it. Output: one [`News`] a batch. It
//! never waits. Where the journal could not take something, the next news are whole.

use std::sync::Arc;

use serde_json::Value;

use super::acts::{self, Act};
use super::journal::{Durable, Journal, News, Row};
use crate::engine::Engine;
use crate::engine::change::Change;
use crate::wire::change_json::change_row;
use crate::wire::journal_json::millis;
use crate::wire::recording;
use crate::wire::stamp::Label;

/// The one who writes down.
#[derive(Debug)]
pub(super) struct Scribe {
    journal: Journal,
    news: News,
    /// Something was not taken.
    missed: bool,
}

impl Scribe {
    pub(super) fn new(journal: Journal) -> Self {
        Self {
            journal,
            news: News::default(),
            missed: false,
        }
    }

    /// The journal.
    pub(super) fn journal(&self) -> &Journal {
        &self.journal
    }

    /// Whether the next news must hold everything.
    pub(super) fn missed(&self) -> bool {
        self.missed
    }

    /// A record, with times in seconds; `None`: the item is gone.
    pub(super) fn record(&mut self, kind: &'static str, id: &str, record: Option<String>) {
        self.news.records.push((kind, id.to_owned(), record));
    }

    /// Changes, in order.
    pub(super) fn changes(&mut self, changes: &[Change], engine: &Engine) {
        let rows = changes.iter().filter_map(|change| {
            let (kind, id, body) = change_row(change, engine)?;
            let at_ms = millis(change.at);
            Some(Row {
                kind,
                id,
                at_ms,
                body,
            })
        });
        self.news.changes.extend(rows);
    }

    /// The records that were given are all that there are.
    pub(super) fn is_whole(&mut self, layout: Arc<str>) {
        self.news.layout = Some(layout);
    }

    /// A message came in and was taken.
    pub(super) fn message(&mut self, engine: &Engine, topic: &str, payload: &[u8], retained: bool) {
        if self.journal.keeps_raw() {
            let line = recording::message_line(engine.now(), topic, payload, retained);
            self.news.raw.push(line);
        }
    }

    /// The broker came or went.
    pub(super) fn broker(&mut self, engine: &Engine, back: bool) {
        if self.journal.keeps_raw() {
            let line = recording::broker_line(engine.now(), back);
            self.news.raw.push(line);
        }
    }

    /// The journal itself has fallen behind, or keeps up again.
    pub(super) fn behind(&mut self, engine: &Engine, well: bool) {
        if self.journal.keeps_raw() {
            let line = recording::journal_line(engine.now(), well);
            self.news.raw.push(line);
        }
    }

    /// The engine begins anew, with what it remembers.
    pub(super) fn run_starts(&mut self, at: crate::engine::time::Instant, memory: Option<String>) {
        self.tell();
        if self.journal.keeps_raw() {
            self.news.at = at;
            self.news.run_starts = true;
            self.news.raw.push(match memory {
                Some(memory) => format!("{{\"t\":{at},\"memory\":{memory}}}"),
                None => recording::tick_line(at),
            });
            self.tell();
        }
    }

    /// An operator has acted.
    pub(super) fn act(&mut self, engine: &Engine, act: &Act) -> Durable {
        // What was published before belongs before it.
        self.flush(engine);
        let mut body: Value = serde_json::from_str(&act.json(Label::Seconds)).unwrap_or_default();
        if let Some(body) = body.as_object_mut() {
            body.remove("at");
            body.retain(|_, value| !value.is_null());
        }
        self.journal.act(Row {
            kind: acts::KIND,
            id: act.subject.clone(),
            at_ms: millis(engine.now()),
            body: body.to_string(),
        })
    }

    /// Tells what has come together.
    pub(super) fn flush(&mut self, engine: &Engine) {
        if self.news.is_empty() {
            return;
        }
        self.news.at = engine.now();
        let changed = !self.news.changes.is_empty() || !self.news.records.is_empty();
        self.news.memory = changed.then(|| engine.memory());
        self.tell();
    }

    fn tell(&mut self) {
        if self.news.is_empty() {
            return;
        }
        let news = std::mem::take(&mut self.news);
        let whole = news.layout.is_some();
        if self.journal.news(news) {
            self.missed &= !whole;
        } else {
            self.missed = true;
        }
    }
}
