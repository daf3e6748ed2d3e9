//! What is counted on the way through the rows of a session: alarms that were announced, passes and
//! drop-outs of detectors, what operators did.
//!
//! Input: rows, in order. Output: counts by item. It knows no database.

use std::collections::BTreeMap;

use serde_json::Value;

/// An alarm that was announced.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Raised {
    /// Milliseconds from the beginning.
    pub at: i64,
    /// `type:subject`.
    pub id: String,
    /// `low`, `medium`, `high`.
    pub priority: String,
}

/// One detector.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Detected {
    /// How often it went on.
    pub on: u64,
    /// How often detection was lost for a moment under a train.
    pub dropouts: u64,
    /// States of health other than ok, each with how often.
    pub faults: BTreeMap<String, u64>,
    counted: Option<u64>,
    evidence: String,
}

/// What an operator did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Acted {
    /// Milliseconds from the beginning.
    pub at: i64,
    /// The verb.
    pub act: String,
    /// The item.
    pub subject: String,
    /// Who; empty when not said.
    pub who: String,
    /// Why; empty when not said.
    pub why: String,
}

/// All counts.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Alarms, in order.
    pub raised: Vec<Raised>,
    /// Detectors, by id.
    pub detectors: BTreeMap<String, Detected>,
    /// What operators did, in order.
    pub acts: Vec<Acted>,
    /// Changes of all kinds.
    pub changes: u64,
}

impl Tally {
    /// A run of the daemon begins, perhaps before the range: its counters go on from here.
    pub fn begins(&mut self, whole: &crate::wire::journal_json::Whole) {
        for detector in self.detectors.values_mut() {
            detector.counted = None;
            detector.evidence.clear();
        }
        for (id, record) in whole.items("detector") {
            let detector = self.detectors.entry(id.clone()).or_default();
            detector.counted = record.get("dropouts").and_then(Value::as_u64);
            let evidence = record.get("evidence").and_then(Value::as_str);
            evidence
                .unwrap_or_default()
                .clone_into(&mut detector.evidence);
        }
    }

    /// A row.
    pub fn row(&mut self, kind: &str, id: &str, difference: bool, at: i64, body: &Value) {
        if kind == "detector" {
            self.detector(id, difference, body);
        }
        if difference {
            return;
        }
        self.changes += 1;
        let text = |key: &str| {
            let text = body.get(key).and_then(Value::as_str);
            text.unwrap_or_default().to_owned()
        };
        let announced =
            kind == "alarm" && text("state") == "unacknowledged" && text("was") != "unacknowledged";
        if announced {
            self.raised.push(Raised {
                at,
                id: id.to_owned(),
                priority: text("priority"),
            });
        }
        if kind == "operator" {
            self.acts.push(Acted {
                at,
                act: text("act"),
                subject: id.to_owned(),
                who: text("who"),
                why: text("why"),
            });
        }
    }

    fn detector(&mut self, id: &str, difference: bool, body: &Value) {
        let detector = self.detectors.entry(id.to_owned()).or_default();
        if !difference {
            let health = body.get("health").and_then(Value::as_str).unwrap_or("ok");
            if health != "ok" {
                *detector.faults.entry(health.to_owned()).or_default() += 1;
            }
            return;
        }
        if let Some(evidence) = body.get("evidence").and_then(Value::as_str) {
            detector.on += u64::from(evidence == "on" && detector.evidence != "on");
            evidence.clone_into(&mut detector.evidence);
        }
        if let Some(count) = body.get("dropouts").and_then(Value::as_u64) {
            let before = detector.counted.unwrap_or(0);
            detector.dropouts += count.saturating_sub(before);
            detector.counted = Some(count);
        }
    }
}

impl Detected {
    /// Trains that passed: each time it went on, but for the drop-outs.
    #[must_use]
    pub fn passes(&self) -> u64 {
        self.on.saturating_sub(self.dropouts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn passes_are_counted_without_drop_outs_and_over_restarts() {
        let mut tally = Tally::default();
        let mut say = |body: Value| tally.row("detector", "d1", true, 0, &body);
        say(json!({"evidence": "on"}));
        say(json!({"evidence": "off"}));
        say(json!({"evidence": "on", "dropouts": 1}));
        say(json!({"reading": 12.0}));
        say(json!({"evidence": "off"}));
        say(json!({"evidence": "on"}));
        let detector = &tally.detectors["d1"];
        assert_eq!(
            (detector.on, detector.dropouts, detector.passes()),
            (3, 1, 2)
        );
        // A new run counts from nought.
        tally.begins(&crate::wire::journal_json::Whole::default());
        tally.row(
            "detector",
            "d1",
            true,
            0,
            &json!({"evidence": "on", "dropouts": 2}),
        );
        let detector = &tally.detectors["d1"];
        assert_eq!((detector.on, detector.dropouts), (4, 3));
    }
}
