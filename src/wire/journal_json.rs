//! What the journal keeps as JSON: changes, and whole records as small differences.
//!
//! Inputs: changes, records as text with times in seconds. Outputs: the body of a change's row; the
//! difference between a record and what the changes alone would make of it; a whole state, folded
//! from an older one, changes and differences. A null and a key that is not there are the same.
//! Writer and readers of the journal fold with this same code, so that what is read back is what
//! was shown. It knows no database.

use std::borrow::Cow;
use std::collections::BTreeMap;

use serde::{Serialize, Serializer};
use serde_json::{Map, Value, json};

use crate::engine::time::Instant;

/// A record: key and value, nulls left out.
pub type Record = Map<String, Value>;

/// Kinds of items in the journal, each with its section in a snapshot and the keys that its record
/// always has there; a record may have more.
const KINDS: [(&str, &str, &[&str]); 7] = [
    (
        "block",
        "blocks",
        &[
            "state",
            "since",
            "trains",
            "kept",
            "remembered",
            "told",
            "why",
            "name",
            "line",
        ],
    ),
    (
        "turnout",
        "turnouts",
        &[
            "position",
            "from",
            "assumed",
            "state",
            "since",
            "why",
            "remembered",
            "in_charge",
            "movements",
            "name",
        ],
    ),
    (
        "table",
        "tables",
        &["position", "state", "since", "why", "name"],
    ),
    (
        "feed",
        "feeds",
        &["on", "live", "failed", "volts", "since", "name"],
    ),
    (
        "detector",
        "detectors",
        &[
            "evidence",
            "health",
            "reading",
            "unit",
            "since",
            "heard",
            "dropouts",
            "passes",
            "dropouts_per_pass",
            "advice",
            "late",
            "implausible",
            "clock_steps",
            "name",
        ],
    ),
    (
        "train",
        "trains",
        &[
            "name",
            "blocks",
            "heading",
            "stopped",
            "speed_mm_s",
            "scale_kmh",
            "length_mm",
            "sure",
            "or",
            "ahead",
            "length_sd_mm",
            "lost",
            "unconfirmed",
            "parent",
            "remembered",
            "since",
        ],
    ),
    (
        "alarm",
        "alarms",
        &[
            "id", "type", "subject", "priority", "state", "active", "since", "text", "do",
            "seconds", "by", "reason", "until", "quiet",
        ],
    ),
];

/// Keys that change all the time and say nothing about the past; voltages and readings are kept as
/// they were when something else changed.
const FLEETING: [&str; 4] = ["heard", "late", "implausible", "clock_steps"];
/// Keys that alone make no difference worth a row.
const SLIGHT: [&str; 3] = ["reading", "volts", "seconds"];
/// Keys that hold a moment.
const MOMENTS: [&str; 3] = ["since", "until", "heard"];

/// Milliseconds since the origin, rounded as every output rounds.
#[must_use]
pub fn millis(at: Instant) -> i64 {
    i64::try_from((at.0 + 500) / 1_000).unwrap_or(i64::MAX)
}

/// Everything at one moment, as the journal knows it: kind, id, record.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Whole {
    kinds: BTreeMap<String, BTreeMap<String, Kept>>,
    packed: bool,
}

/// A record, as it is or as text: a tenth of the memory, at a few microseconds each time that it is
/// looked at.
#[derive(Clone, Debug)]
enum Kept {
    Open(Record),
    Packed(Box<str>),
}

impl Kept {
    fn open(&self) -> Cow<'_, Record> {
        match self {
            Self::Open(record) => Cow::Borrowed(record),
            // It was written here; were it nothing, nothing was known.
            Self::Packed(text) => Cow::Owned(serde_json::from_str(text).unwrap_or_default()),
        }
    }

    fn new(record: Record, packed: bool) -> Self {
        if packed {
            Self::Packed(Value::Object(record).to_string().into())
        } else {
            Self::Open(record)
        }
    }
}

impl PartialEq for Kept {
    fn eq(&self, other: &Self) -> bool {
        self.open() == other.open()
    }
}

impl Serialize for Kept {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.open().serialize(serializer)
    }
}

impl Whole {
    /// For one who keeps it all the time and looks at little of it.
    #[must_use]
    pub fn packed() -> Self {
        Self {
            packed: true,
            ..Self::default()
        }
    }

    /// An item's record.
    #[must_use]
    pub fn record(&self, kind: &str, id: &str) -> Option<Cow<'_, Record>> {
        self.kinds.get(kind)?.get(id).map(Kept::open)
    }

    /// The items of a kind, by id.
    pub fn items(&self, kind: &str) -> impl Iterator<Item = (&String, Cow<'_, Record>)> {
        let items = self.kinds.get(kind).into_iter().flatten();
        items.map(|(id, kept)| (id, kept.open()))
    }

    /// The ids of a kind's items.
    pub fn ids(&self, kind: &str) -> impl Iterator<Item = &String> {
        self.kinds.get(kind).into_iter().flat_map(BTreeMap::keys)
    }

    /// Changes an item's record, which is empty where there was none.
    fn edit(&mut self, kind: &str, id: &str, with: impl FnOnce(&mut Record)) {
        let packed = self.packed;
        let items = self.kinds.entry(kind.to_owned()).or_default();
        let mut record = match items.remove(id) {
            Some(Kept::Open(record)) => record,
            Some(kept) => kept.open().into_owned(),
            None => Record::new(),
        };
        with(&mut record);
        items.insert(id.to_owned(), Kept::new(record, packed));
    }

    /// Takes a change: `body` as [`change`](crate::wire::change_json::change_row) made it.
    pub fn fold(&mut self, kind: &str, id: &str, at_ms: i64, body: &Value) {
        let Some(body) = body.as_object() else { return };
        // What an operator did, or the daemon, has no record.
        if KINDS.iter().all(|(known, ..)| *known != kind) {
            return;
        }
        let gone = match kind {
            "train" => body.get("event").is_some_and(|event| event == "gone"),
            "alarm" => body.get("state").is_some_and(|state| state == "normal"),
            _ => false,
        };
        if gone {
            if let Some(items) = self.kinds.get_mut(kind) {
                items.remove(id);
            }
            return;
        }
        let keys: &[&str] = match kind {
            "block" => &["state", "kept", "why"],
            "turnout" | "table" => &["position", "state"],
            "feed" => &["on", "live", "failed"],
            "detector" => &["health"],
            "train" => &["blocks"],
            "alarm" => &["priority", "state", "text"],
            _ => &[],
        };
        let began = match kind {
            "block" | "turnout" | "table" => body.get("was") != body.get("state"),
            "alarm" => body.get("was").is_some_and(|was| was == "normal"),
            _ => kind == "feed",
        };
        self.edit(kind, id, |record| {
            for key in keys {
                put(record, key, body.get(*key).unwrap_or(&Value::Null));
            }
            if began {
                put(record, "since", &seconds(at_ms));
            }
            if let ("alarm", Some((kind, subject))) = (kind, id.split_once(':')) {
                put(record, "id", &json!(id));
                put(record, "type", &json!(kind));
                put(record, "subject", &json!(subject));
            }
        });
    }

    /// Takes a difference: null removes the item.
    pub fn patch(&mut self, kind: &str, id: &str, patch: &Value) {
        match patch.as_object() {
            None => {
                if let Some(items) = self.kinds.get_mut(kind) {
                    items.remove(id);
                }
            }
            Some(keys) => self.edit(kind, id, |record| {
                for (key, value) in keys {
                    put(record, key, value);
                }
            }),
        }
    }

    /// What must be patched so that the item has this record (`None`: so that it is not there);
    /// `None` where nothing must.
    #[must_use]
    pub fn difference(&self, kind: &str, id: &str, record: Option<&Record>) -> Option<Value> {
        let known = self.record(kind, id);
        let Some(record) = record else {
            return known.map(|_| Value::Null);
        };
        let known = known.unwrap_or_default();
        let mut patch = Record::new();
        for (key, value) in record {
            let fleeting = FLEETING.contains(&key.as_str());
            if !fleeting && !value.is_null() && known.get(key) != Some(value) {
                patch.insert(key.clone(), value.clone());
            }
        }
        for key in known.keys() {
            if record.get(key).is_none_or(Value::is_null) {
                patch.insert(key.clone(), Value::Null);
            }
        }
        let slight = patch.keys().all(|key| SLIGHT.contains(&key.as_str()));
        (!slight || (known.is_empty() && !patch.is_empty())).then_some(Value::Object(patch))
    }

    /// As text, for a row of whole states.
    #[must_use]
    pub fn to_text(&self) -> String {
        // Maps with text keys always serialize; were it not so, nothing was known.
        serde_json::to_string(&self.kinds).unwrap_or_else(|_| "{}".to_owned())
    }

    /// From the text of such a row.
    ///
    /// # Errors
    /// The text is something else.
    pub fn from_text(text: &str) -> Result<Self, serde_json::Error> {
        let kinds: BTreeMap<String, BTreeMap<String, Record>> = serde_json::from_str(text)?;
        let open = |(id, record)| (id, Kept::Open(record));
        let kinds = kinds.into_iter();
        Ok(Self {
            kinds: kinds
                .map(|(kind, items)| (kind, items.into_iter().map(open).collect()))
                .collect(),
            packed: false,
        })
    }

    /// As a snapshot, without `line_up`, which is not kept: `stamp` writes moments given in seconds
    /// since the boot.
    #[must_use]
    pub fn snapshot(&self, at: Value, layout: Value, stamp: &dyn Fn(f64) -> Value) -> Value {
        let mut whole = Map::new();
        whole.insert("at".into(), at);
        whole.insert("past".into(), Value::Bool(true));
        whole.insert("layout".into(), layout);
        let broker = self.record("broker", "broker");
        let broker = broker.and_then(|record| record.get("state").cloned());
        whole.insert("broker".into(), broker.unwrap_or(json!("lost")));
        whole.insert("waiting".into(), Value::Null);
        for (kind, section, keys) in KINDS {
            let items = self.items(kind).map(|(id, record)| {
                let mut shown: Record = keys
                    .iter()
                    .map(|key| ((*key).to_owned(), Value::Null))
                    .collect();
                for (key, value) in record.iter() {
                    shown.insert(key.clone(), stamped(key, value.clone(), stamp));
                }
                (id.clone(), Value::Object(shown))
            });
            whole.insert(section.into(), Value::Object(items.collect()));
        }
        Value::Object(whole)
    }
}

/// A record as text to a record; what cannot be read is none.
#[must_use]
pub fn record(text: &str) -> Option<Record> {
    let record: Record = serde_json::from_str(text).ok()?;
    Some(record.into_iter().filter(|(_, v)| !v.is_null()).collect())
}

/// Seconds of the boot, as records have them.
#[must_use]
pub fn seconds(at_ms: i64) -> Value {
    json!(at_ms as f64 / 1e3)
}

fn put(record: &mut Record, key: &str, value: &Value) {
    if value.is_null() {
        record.remove(key);
    } else {
        record.insert(key.to_owned(), value.clone());
    }
}

/// Moments become labels, in the record and one level below it.
fn stamped(key: &str, value: Value, stamp: &dyn Fn(f64) -> Value) -> Value {
    match value {
        Value::Number(number) if MOMENTS.contains(&key) => {
            number.as_f64().map_or(Value::Null, stamp)
        }
        Value::Object(inner) => {
            let inner = inner.into_iter().map(|(key, value)| {
                let value = stamped(&key, value, stamp);
                (key, value)
            });
            Value::Object(inner.collect())
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record_of(value: Value) -> Record {
        record(&value.to_string()).expect("a record")
    }

    #[test]
    fn what_the_change_says_already_is_no_difference() {
        let mut whole = Whole::default();
        let line = json!({"was": "unknown", "state": "occupied", "kept": null, "why": "d1"});
        whole.fold("block", "b1", 12_300, &line);
        let shown = json!({"state": "occupied", "since": 12.300, "kept": null, "why": "d1"});
        assert_eq!(
            whole.difference("block", "b1", Some(&record_of(shown))),
            None
        );
        let shown = json!({"state": "occupied", "since": 12.3, "why": "d1", "trains": ["t1"]});
        let difference = whole.difference("block", "b1", Some(&record_of(shown.clone())));
        assert_eq!(difference, Some(json!({"trains": ["t1"]})));
        whole.patch("block", "b1", &difference.expect("one"));
        let kept = whole.record("block", "b1").map(Cow::into_owned);
        assert_eq!(kept, Some(record_of(shown)));
    }

    #[test]
    fn keys_and_items_go_away() {
        let mut whole = Whole::default();
        whole.patch(
            "train",
            "t1",
            &json!({"name": "Slow goods", "blocks": ["a"]}),
        );
        let shown = record_of(json!({"name": null, "blocks": ["a"]}));
        assert_eq!(
            whole.difference("train", "t1", Some(&shown)),
            Some(json!({"name": null}))
        );
        assert_eq!(whole.difference("train", "t1", None), Some(Value::Null));
        assert_eq!(whole.difference("train", "t2", None), None);
        whole.fold("train", "t1", 0, &json!({"event": "gone", "blocks": []}));
        assert_eq!(whole.record("train", "t1"), None);
    }

    #[test]
    fn a_reading_alone_makes_no_row_and_text_comes_back_the_same() {
        let mut whole = Whole::default();
        whole.patch(
            "detector",
            "d1",
            &json!({"evidence": "off", "reading": 0.2}),
        );
        let shown = record_of(json!({"evidence": "off", "reading": 0.3, "late": 7}));
        assert_eq!(whole.difference("detector", "d1", Some(&shown)), None);
        assert_eq!(Whole::from_text(&whole.to_text()).expect("ours"), whole);
    }

    #[test]
    fn packed_it_is_the_same() {
        let (mut open, mut packed) = (Whole::default(), Whole::packed());
        for whole in [&mut open, &mut packed] {
            let line =
                json!({"was": "unknown", "state": "occupied", "kept": null, "why": "a \"b\""});
            whole.fold("block", "b1", 12_345, &line);
            whole.patch("block", "b1", &json!({"trains": ["t1"], "why": null}));
            whole.patch("block", "b2", &json!({"state": "vacant"}));
            whole.fold(
                "alarm",
                "train-lost:b1",
                5,
                &json!({"was": "normal", "state": "normal"}),
            );
            whole.patch("block", "b2", &Value::Null);
            whole.fold(
                "feed",
                "f1",
                7,
                &json!({"on": true, "live": false, "failed": false}),
            );
        }
        assert_eq!(packed.to_text(), open.to_text());
        assert_eq!(packed.record("block", "b1"), open.record("block", "b1"));
        let shown = record_of(json!({"state": "occupied", "since": 1.5}));
        assert_eq!(
            packed.difference("block", "b1", Some(&shown)),
            open.difference("block", "b1", Some(&shown))
        );
        assert_eq!(packed.ids("block").collect::<Vec<_>>(), ["b1"]);
        assert_eq!(packed.items("feed").count(), 1);
    }
}
