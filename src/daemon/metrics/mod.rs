//! The metrics: counters that follow the changes, and gauges that are read off a snapshot when
//! somebody asks.
//!
//! Input: outcomes of messages, the engine's changes, and at scrape time a snapshot. Output: the
//! Prometheus text format, version 0.0.4. What each metric means stands in [`table`].

pub mod journal;
pub mod table;

mod gauges;
mod sheet;

use std::collections::BTreeMap;
use std::io;
use std::sync::{Mutex, MutexGuard, PoisonError};

use prometheus::{Histogram, HistogramOpts, IntCounter, IntCounterVec, IntGauge};
use prometheus::{Opts, Registry};

use crate::daemon::packed::Packed;
use crate::engine::alarm::kinds::AlarmKind;
use crate::engine::alarm::lifecycle::AlarmState;
use crate::engine::change::{Change, Clearance, What};
use crate::engine::ids::TurnoutId;
use crate::engine::layout::Layout;
use crate::engine::time::{Instant, Span};
use journal::JournalMetrics;
use table::Row;

pub use gauges::Facts;

/// The content type of the exposition; a scraper refuses an answer without it.
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// What became of a message or sample, as the label has it.
pub const OUTCOMES: [&str; 5] = ["ok", "malformed", "unknown_topic", "late", "implausible"];

/// Why HTTP is refused, as the label has it.
pub const REFUSALS: [&str; 7] = [
    "connections",
    "streams",
    "host",
    "origin",
    "session",
    "pin",
    "timeout",
];

/// Upper bounds of the decision histogram, in seconds: from the time of one decode to where a
/// person notices.
const DECISION_BOUNDS: [f64; 13] = [
    0.000_05, 0.000_1, 0.000_25, 0.000_5, 0.001, 0.002_5, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 1.0,
];

/// All counters.
#[derive(Debug)]
pub struct Metrics {
    registry: Registry,
    messages: IntCounterVec,
    alarms_raised: IntCounterVec,
    http_refused: IntCounterVec,
    /// From a message's arrival to the publisher.
    pub decision: Histogram,
    broker_reconnects: IntCounter,
    /// Open event streams.
    pub event_streams: IntGauge,
    /// 1 after a good load of the plan, 0 after a bad one.
    pub plan_reloaded: IntGauge,
    /// The journal's.
    pub journal: JournalMetrics,
    left_diverging: Mutex<LeftDiverging>,
}

/// How long points stood left diverging, by written id, so that it survives a reload of the plan.
#[derive(Debug, Default)]
struct LeftDiverging {
    total: BTreeMap<String, Span>,
    since: BTreeMap<String, Instant>,
}

impl Metrics {
    /// All counters at zero, those with known labels included, so that a rate is seen from the
    /// first event on.
    ///
    /// # Errors
    /// When the registry refuses a metric; the table's test keeps that from happening.
    pub fn new() -> Result<Self, prometheus::Error> {
        let registry = Registry::new();
        let decision = HistogramOpts::new(table::DECISION.name, table::DECISION.help);
        let metrics = Self {
            messages: counter_vec(&table::MESSAGES, &OUTCOMES)?,
            alarms_raised: counter_vec(&table::ALARMS_RAISED, &alarm_words())?,
            http_refused: counter_vec(&table::HTTP_REFUSED, &REFUSALS)?,
            decision: Histogram::with_opts(decision.buckets(DECISION_BOUNDS.to_vec()))?,
            broker_reconnects: IntCounter::with_opts(opts(&table::BROKER_RECONNECTS))?,
            event_streams: IntGauge::with_opts(opts(&table::EVENT_STREAMS))?,
            plan_reloaded: IntGauge::with_opts(opts(&table::PLAN_RELOADED))?,
            journal: JournalMetrics::new(&registry)?,
            left_diverging: Mutex::default(),
            registry,
        };
        metrics.plan_reloaded.set(1);
        let registry = &metrics.registry;
        registry.register(Box::new(metrics.messages.clone()))?;
        registry.register(Box::new(metrics.alarms_raised.clone()))?;
        registry.register(Box::new(metrics.http_refused.clone()))?;
        registry.register(Box::new(metrics.decision.clone()))?;
        registry.register(Box::new(metrics.broker_reconnects.clone()))?;
        registry.register(Box::new(metrics.event_streams.clone()))?;
        registry.register(Box::new(metrics.plan_reloaded.clone()))?;
        Ok(metrics)
    }

    /// A message or sample ended so; one of [`OUTCOMES`].
    pub fn message(&self, outcome: &'static str) {
        self.messages.with_label_values(&[outcome]).inc();
    }

    /// The broker is connected, for so many times after the first.
    pub fn broker_connected(&self, reconnects: u64) {
        let counted = self.broker_reconnects.get();
        self.broker_reconnects
            .inc_by(reconnects.saturating_sub(counted));
    }

    /// HTTP was refused for this; one of [`REFUSALS`].
    pub fn refused(&self, reason: &'static str) {
        self.http_refused.with_label_values(&[reason]).inc();
    }

    /// Counts what the changes say.
    pub fn changes(&self, changes: &[Change], layout: &Layout) {
        for change in changes {
            match &change.what {
                What::Alarm {
                    kind, was, state, ..
                } => {
                    let unseen = AlarmState::Unacknowledged;
                    if *state == unseen && *was != unseen {
                        self.alarms_raised.with_label_values(&[kind.word()]).inc();
                    }
                }
                What::Turnout { turnout, state, .. } => {
                    self.clearance(layout, *turnout, *state, change.at);
                }
                What::Block { .. }
                | What::Table { .. }
                | What::Feed { .. }
                | What::Detector { .. }
                | What::Train { .. } => {}
            }
        }
    }

    fn clearance(&self, layout: &Layout, turnout: TurnoutId, state: Clearance, at: Instant) {
        let Some(turnout) = layout.turnouts.get(turnout.index()) else {
            return;
        };
        let mut times = self.times();
        if state == Clearance::LeftDiverging {
            times.since.entry(turnout.id.clone()).or_insert(at);
        } else if let Some(since) = times.since.remove(&turnout.id) {
            let total = times.total.entry(turnout.id.clone()).or_default();
            *total = Span(total.0.saturating_add(at.since(since).0));
        }
    }

    /// Everything, as text, packed.
    ///
    /// # Errors
    /// When the encoder refuses a metric; the tests keep that from happening.
    pub fn render(&self, facts: &Facts<'_>) -> io::Result<Packed> {
        let mut sheet = sheet::Sheet::default();
        for family in self.registry.gather() {
            sheet.add(family);
        }
        let left = |id: &str| self.left_diverging_at(id, facts.now);
        gauges::write(&mut sheet, facts, left);
        Packed::new(|out| sheet.write(out).map_err(io::Error::other))
    }

    fn left_diverging_at(&self, id: &str, now: Instant) -> Span {
        let times = self.times();
        let past = times.total.get(id).copied().unwrap_or_default();
        let running = times
            .since
            .get(id)
            .map_or(Span::ZERO, |since| now.since(*since));
        Span(past.0.saturating_add(running.0))
    }

    fn times(&self) -> MutexGuard<'_, LeftDiverging> {
        self.left_diverging
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

fn alarm_words() -> Vec<&'static str> {
    AlarmKind::ALL.iter().map(|kind| kind.word()).collect()
}

fn opts(row: &Row) -> Opts {
    Opts::new(row.name, row.help)
}

/// A counter of one label, with every value that the label can have at zero.
fn counter_vec(row: &Row, values: &[&str]) -> Result<IntCounterVec, prometheus::Error> {
    let counter = IntCounterVec::new(opts(row), row.labels)?;
    for value in values {
        counter.with_label_values(&[*value]).inc_by(0);
    }
    Ok(counter)
}
