//! What to subscribe to: the families of topics that the contract names, and topics that the plan
//! gives single items.
//!
//! Families are subscribed whole, so that a topic that the plan does not know is seen and counted,
//! and so that a changed plan finds its topics subscribed. Filters do not overlap: a broker may
//! send a message once for each filter that takes it in.

use std::collections::BTreeSet;

use crate::plan::Plan;
use crate::wire::mqtt_topic;

/// Everything that a daemon hears: what comes in, the operator's words where they are taken, and
/// what an earlier run has left on its own topics, to be cleared where it holds no longer.
#[must_use]
pub fn subscriptions(plan: &Plan, accept_commands: bool) -> Vec<String> {
    let mut filters = incoming(plan, accept_commands);
    let own = ["state/train/+", "alarm/+"];
    filters.extend(own.map(|family| format!("{}/{family}", plan.topic_prefix)));
    filters
}

/// What comes in from devices, and the operator's words where they are wanted.
#[must_use]
pub fn incoming(plan: &Plan, words: bool) -> Vec<String> {
    let prefix = &plan.topic_prefix;
    let families = ["detector/+", "position/+", "asked/+", "feed/+", "node/+"];
    let families = families.into_iter().chain(words.then_some("do/+/+"));
    let mut filters: Vec<String> = families
        .map(|family| format!("{prefix}/{family}"))
        .collect();
    let topics: BTreeSet<&str> = plan
        .bindings
        .iter()
        .map(|bound| bound.topic.as_str())
        .collect();
    let single = |topic: &&str| {
        !filters
            .iter()
            .any(|filter| mqtt_topic::matches(filter, topic))
    };
    let single: Vec<String> = topics
        .into_iter()
        .filter(single)
        .map(str::to_owned)
        .collect();
    filters.extend(single);
    filters
}
