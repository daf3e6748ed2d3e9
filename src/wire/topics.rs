//! Which topic speaks about what.
//!
//! Inputs: the plan's bindings and prefix. Outputs: the bindings of a topic; verb and item of an
//! operator's word, and what the plan says about its defaults. It does not read payloads.

use std::collections::HashMap;

use crate::engine::time::Span;
use crate::plan::{Binding, Plan};

/// The plan's topics, ready to be looked up.
#[derive(Clone, Debug)]
pub struct TopicTable {
    by_topic: HashMap<String, Vec<Binding>>,
    do_prefix: String,
    in_charge: Span,
}

impl TopicTable {
    /// The table of a plan.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let mut by_topic: HashMap<String, Vec<Binding>> = HashMap::new();
        for binding in &plan.bindings {
            by_topic
                .entry(binding.topic.clone())
                .or_default()
                .push(binding.clone());
        }
        Self {
            by_topic,
            do_prefix: format!("{}/do/", plan.topic_prefix),
            in_charge: plan.in_charge,
        }
    }

    /// What a topic speaks about, in the plan's order; nothing for a topic that the plan does not
    /// know.
    #[must_use]
    pub fn bindings(&self, topic: &str) -> &[Binding] {
        self.by_topic.get(topic).map_or(&[], Vec::as_slice)
    }

    /// Every topic that the plan knows, sorted: what to subscribe to.
    #[must_use]
    pub fn topics(&self) -> Vec<&str> {
        let mut topics: Vec<&str> = self.by_topic.keys().map(String::as_str).collect();
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
