//! Which topic speaks about what.
//!
//! Inputs: the plan's bindings and prefix. Outputs: who listens to a topic; verb and item of an
//! operator's word, and what the plan says about its defaults. It does not read payloads.

use std::collections::HashMap;
use std::ops::Range;

use crate::engine::time::Span;
use crate::plan::{Listener, Plan};

/// The plan's topics, ready to be looked up.
#[derive(Clone, Debug)]
pub struct TopicTable {
    /// Where in `listeners` those of a topic stand.
    by_topic: HashMap<Box<str>, Range<u32>>,
    /// By topic, and there in the plan's order.
    listeners: Vec<Listener>,
    do_prefix: String,
    in_charge: Span,
}

impl TopicTable {
    /// The table of a plan.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let mut bindings: Vec<_> = plan.bindings.iter().collect();
        bindings.sort_by_key(|binding| binding.topic.as_str());
        let mut by_topic: HashMap<Box<str>, Range<u32>> = HashMap::new();
        for (binding, at) in bindings.iter().zip(0..) {
            by_topic
                .entry(binding.topic.as_str().into())
                .or_insert(at..at)
                .end = at + 1;
        }
        Self {
            by_topic,
            listeners: bindings
                .into_iter()
                .map(|binding| binding.listener.clone())
                .collect(),
            do_prefix: format!("{}/do/", plan.topic_prefix),
            in_charge: plan.in_charge,
        }
    }

    /// Who listens to a topic, in the plan's order; nobody to a topic that the plan does not know.
    #[must_use]
    pub fn listeners(&self, topic: &str) -> &[Listener] {
        let range = self.by_topic.get(topic);
        range
            .and_then(|range| self.listeners.get(range.start as usize..range.end as usize))
            .unwrap_or_default()
    }

    /// Every topic that the plan knows, sorted: what to subscribe to.
    #[must_use]
    pub fn topics(&self) -> Vec<&str> {
        let mut topics: Vec<&str> = self.by_topic.keys().map(AsRef::as_ref).collect();
        topics.sort_unstable();
        topics
    }

    /// The filter of the operator's words, `P/do/+/+`.
    #[must_use]
    pub fn do_filter(&self) -> String {
        format!("{}+/+", self.do_prefix)
    }

    /// The plan's `in_charge_minutes`: how long points are in charge where nobody says (T11).
    #[must_use]
    pub fn in_charge(&self) -> Span {
        self.in_charge
    }

    /// Verb and id of an operator's word, `P/do/VERB/ID`; `None` for every other topic.
    #[must_use]
    pub fn operators_word<'a>(&self, topic: &'a str) -> Option<(&'a str, &'a str)> {
        topic.strip_prefix(self.do_prefix.as_str())?.split_once('/')
    }
}
