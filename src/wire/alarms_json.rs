//! The table of alarm types, and the measures of alarm management, as JSON.
//!
//! Inputs: the engine's own table and its measures. Outputs: JSON text with keys in a fixed order.

use serde::Serialize;
use serde_json::{Map, Value, json};

use super::stamp::{Rounded, rounded};
use crate::engine::alarm::kinds::{AlarmKind, Priority, SubjectKind};
use crate::engine::alarm::measures::{LIMITS, Measures};

/// One type, as the API shows it.
#[derive(Serialize)]
struct KindRecord {
    #[serde(rename = "type")]
    word: &'static str,
    subject: &'static str,
    priority: &'static str,
    priority_reason: &'static str,
    latched: bool,
    cause: &'static str,
    consequence: &'static str,
    #[serde(rename = "do")]
    to_do: &'static str,
    respond_within_s: u32,
    on_delay_s: f64,
    off_delay_s: f64,
    re_alarm_limit_s: u32,
}

/// What an alarm can be about, in words.
#[must_use]
pub const fn subject_word(kind: SubjectKind) -> &'static str {
    match kind {
        SubjectKind::Turnout => "turnout",
        SubjectKind::TurnoutOrTable => "turnout, table",
        SubjectKind::Crossover => "crossover",
        SubjectKind::Train => "train",
        SubjectKind::TrackItem => "turnout, table, block",
        SubjectKind::Place => "place",
        SubjectKind::Feed => "feed",
        SubjectKind::Table => "table",
        SubjectKind::DetectorOrNode => "detector, node",
        SubjectKind::Broker => "broker",
        SubjectKind::Journal => "journal",
    }
}

/// Every alarm type, in the table's order.
#[must_use]
pub fn kinds_json() -> String {
    let kinds: Vec<KindRecord> = AlarmKind::ALL.iter().map(|kind| record(*kind)).collect();
    json!({ "kinds": kinds }).to_string()
}

fn record(kind: AlarmKind) -> KindRecord {
    let doc = kind.doc();
    KindRecord {
        word: doc.word,
        subject: subject_word(doc.subject),
        priority: doc.priority.word(),
        priority_reason: doc.priority_reason,
        latched: doc.latches,
        cause: doc.cause,
        consequence: doc.consequence,
        to_do: doc.to_do,
        respond_within_s: doc.respond_within_s,
        on_delay_s: f64::from(doc.on_delay_ms) / 1_000.0,
        off_delay_s: f64::from(doc.off_delay_ms) / 1_000.0,
        re_alarm_limit_s: doc.re_alarm_limit_s,
    }
}

/// The measures, each beside the standard's limit.
#[must_use]
pub fn measures_json(measures: &Measures) -> String {
    let two = |value: f64| rounded(Some(value), 2);
    let percent = |priority| two(measures.percent(priority));
    let frequent: Vec<Value> = measures
        .most_frequent
        .iter()
        .map(|(id, times)| json!({ "id": id, "times": times }))
        .collect();
    let record = MeasuresRecord {
        window_s: rounded(Some(measures.window.as_secs_f64()), 1),
        raised: measures.raised.iter().sum(),
        per_10_min: two(measures.per_10_min),
        last_10_min: measures.last_10_min,
        peak_10_min: measures.peak_10_min,
        flood: measures.flood,
        flood_percent: two(measures.flood_percent),
        over_10_percent: two(measures.over_10_percent),
        chattering: &measures.chattering,
        stale: &measures.stale,
        standing: measures.standing,
        shelved: measures.shelved,
        priorities: PrioritiesRecord {
            high: percent(Priority::High),
            medium: percent(Priority::Medium),
            low: percent(Priority::Low),
        },
        most_frequent: frequent,
        limits: limits(),
    };
    serde_json::to_string(&record).unwrap_or_else(|_| "null".to_owned())
}

#[derive(Serialize)]
struct MeasuresRecord<'a> {
    window_s: Option<Rounded>,
    raised: u64,
    per_10_min: Option<Rounded>,
    last_10_min: u32,
    peak_10_min: u32,
    flood: bool,
    flood_percent: Option<Rounded>,
    over_10_percent: Option<Rounded>,
    chattering: &'a [String],
    stale: &'a [String],
    standing: usize,
    shelved: usize,
    priorities: PrioritiesRecord,
    most_frequent: Vec<Value>,
    limits: Value,
}

#[derive(Serialize)]
struct PrioritiesRecord {
    high: Option<Rounded>,
    medium: Option<Rounded>,
    low: Option<Rounded>,
}

/// The standard's limits, by the key that each is about.
fn limits() -> Value {
    let limits = LIMITS.iter().map(|limit| {
        let record = json!({
            "acceptable": limit.acceptable,
            "manageable": limit.manageable,
            "unit": limit.unit,
            "source": limit.source,
        });
        (limit.measure.to_owned(), record)
    });
    Value::Object(limits.collect::<Map<_, _>>())
}
