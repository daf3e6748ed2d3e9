//! What a step has shown, and what that means.
//!
//! Inputs: which detectors were asked for and which answered. Outputs: a verdict in words; over all
//! steps, which wires are crossed. It knows no broker and no file.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::steps::Step;

/// What was seen in one step.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Seen {
    /// Detectors that were asked for: where the plan has changed since, the step is done again.
    pub asked: BTreeSet<String>,
    /// Detectors that came on.
    pub answered: BTreeSet<String>,
    /// Of those asked: not off again at the end.
    pub stayed_on: BTreeSet<String>,
    /// Of those asked: not heard from, or not to be believed.
    pub not_heard: BTreeSet<String>,
    /// Places next door whose detectors may answer where a car reaches over the gap.
    pub next_door: BTreeSet<String>,
    /// Passed over by the operator.
    pub skipped: bool,
    /// When, in words.
    pub at: String,
}

impl Seen {
    /// Detectors that should have answered and did not.
    pub fn missing(&self) -> BTreeSet<&str> {
        let missing = self.asked.difference(&self.answered);
        missing.map(String::as_str).collect()
    }

    /// Detectors that answered and have no business here. One next door has none where the place's
    /// own are missing.
    pub fn strangers(&self) -> BTreeSet<&str> {
        let others = self.answered.difference(&self.asked);
        let reached_over = self.missing().is_empty();
        others
            .filter(|id| !(reached_over && self.next_door.contains(*id)))
            .map(String::as_str)
            .collect()
    }

    /// Whether everything was as it should be.
    pub fn is_good(&self) -> bool {
        !self.skipped
            && self.missing().is_empty()
            && self.strangers().is_empty()
            && self.stayed_on.is_empty()
    }

    /// What was seen, one line a finding; none where all was well.
    pub fn findings(&self, place: &str, homes: &BTreeMap<String, String>) -> Vec<String> {
        if self.skipped {
            return vec![format!("{place}: passed over")];
        }
        let (missing, strangers) = (self.missing(), self.strangers());
        let home = |id: &str| homes.get(id).map_or("", String::as_str).to_owned();
        let mut findings = Vec::new();
        for stranger in &strangers {
            let crossed = if missing.is_empty() {
                "they are coupled, or the car reached too far"
            } else {
                "the wires are crossed, or the plan is"
            };
            findings.push(format!(
                "you are in {place}, detector {stranger} of {} answered: {crossed}",
                home(stranger)
            ));
        }
        for id in missing {
            let why = if self.not_heard.contains(id) {
                "it was not heard at all: board, topic, node"
            } else if strangers.is_empty() {
                "it was heard and saw nothing: threshold, wiring, or a car that draws nothing"
            } else {
                "another did instead"
            };
            findings.push(format!("{place}: detector {id} did not answer; {why}"));
        }
        for id in &self.stayed_on {
            findings.push(format!(
                "{place}: detector {id} stayed on after the car was taken off"
            ));
        }
        findings
    }
}

/// Pairs of detectors that answered for each other.
pub fn crossed(seen: &BTreeMap<String, Seen>) -> Vec<(String, String)> {
    let mut pairs = Vec::new();
    for one in seen.values() {
        for (missing, stranger) in one
            .missing()
            .into_iter()
            .flat_map(|missing| one.strangers().into_iter().map(move |s| (missing, s)))
        {
            let back = seen.values().any(|other| {
                other.missing().contains(stranger) && other.strangers().contains(missing)
            });
            if back && missing < stranger {
                pairs.push((missing.to_owned(), stranger.to_owned()));
            }
        }
    }
    pairs
}

/// Whether a step need not be done again.
pub fn is_done(step: &Step, seen: Option<&Seen>) -> bool {
    seen.is_some_and(|seen| seen.is_good() && seen.asked == step.detectors)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(asked: &[&str], answered: &[&str]) -> Seen {
        let set = |ids: &[&str]| ids.iter().map(|id| (*id).to_owned()).collect();
        Seen {
            asked: set(asked),
            answered: set(answered),
            ..Seen::default()
        }
    }

    fn homes() -> BTreeMap<String, String> {
        let pairs = [("d-goods-2", "goods-2"), ("d-goods-3", "goods-3")];
        pairs.map(|(id, at)| (id.to_owned(), at.to_owned())).into()
    }

    #[test]
    fn crossed_wires_are_named() {
        let two = seen(&["d-goods-2"], &["d-goods-3"]);
        let three = seen(&["d-goods-3"], &["d-goods-2"]);
        let said = two.findings("goods-2", &homes());
        assert!(
            said[0].starts_with("you are in goods-2, detector d-goods-3 of goods-3 answered"),
            "{said:?}"
        );
        let all = [("goods-2".to_owned(), two), ("goods-3".to_owned(), three)].into();
        let pair = ("d-goods-2".to_owned(), "d-goods-3".to_owned());
        assert_eq!(crossed(&all), [pair]);
    }

    #[test]
    fn a_neighbour_may_answer_and_a_stranger_may_not() {
        let mut one = seen(&["d-goods-2"], &["d-goods-2", "d-goods-3"]);
        assert!(!one.is_good());
        one.next_door.insert("d-goods-3".to_owned());
        assert!(one.is_good());
        one.stayed_on.insert("d-goods-2".to_owned());
        assert!(!one.is_good());
        one.answered.remove("d-goods-2");
        assert_eq!(one.strangers(), ["d-goods-3"].into());
        assert!(!seen(&["d-goods-2"], &[]).is_good());
    }
}
