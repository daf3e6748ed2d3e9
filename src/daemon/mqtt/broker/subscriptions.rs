//! The subscription tree: who wants a topic.
//!
//! In: filters of sessions. Out: for a topic, each session that wants it once, with the highest
//! quality of service among its filters that match. One node a level; finding is as long as the
//! topic is deep, not as many as there are subscribers. It knows sessions by number only.

use std::collections::HashMap;

use rumqttc::mqttbytes::QoS;

use super::session::SessionId;

/// All subscriptions.
#[derive(Debug, Default)]
pub(super) struct Subscriptions {
    root: Node,
}

#[derive(Debug, Default)]
struct Node {
    /// Levels by name.
    named: HashMap<Box<str>, Node>,
    /// The `+` level.
    any: Option<Box<Node>>,
    /// Filters that end here.
    here: Vec<(SessionId, QoS)>,
    /// Filters that end with `#` below here; they match here too (4.7.1.2).
    below: Vec<(SessionId, QoS)>,
}

impl Subscriptions {
    /// Adds a valid filter of a session, or changes its quality of service.
    pub(super) fn add(&mut self, filter: &str, session: SessionId, qos: QoS) {
        let mut node = &mut self.root;
        for level in filter.split('/') {
            node = match level {
                "#" => return put(&mut node.below, session, qos),
                "+" => node.any.get_or_insert_default(),
                name => node.named.entry(name.into()).or_default(),
            };
        }
        put(&mut node.here, session, qos);
    }

    /// Takes a filter of a session out.
    pub(super) fn remove(&mut self, filter: &str, session: SessionId) {
        self.root.remove(Some(filter), session);
    }

    /// Fills `found` with the sessions that want `topic`, each once, in the order of their
    /// numbers.
    pub(super) fn find(&self, topic: &str, found: &mut Vec<(SessionId, QoS)>) {
        found.clear();
        if topic.starts_with('$') {
            // Wildcards at the front do not reach a server's own topics (4.7.2-1).
            let (level, rest) = cut(topic);
            if let Some(node) = self.root.named.get(level) {
                node.find(rest, found);
            }
        } else {
            self.root.find(Some(topic), found);
        }
        if found.len() > 1 {
            found.sort_unstable_by_key(|(session, qos)| (*session, core::cmp::Reverse(*qos as u8)));
            found.dedup_by_key(|(session, _)| *session);
        }
    }
}

impl Node {
    fn find(&self, topic: Option<&str>, found: &mut Vec<(SessionId, QoS)>) {
        found.extend_from_slice(&self.below);
        let Some(topic) = topic else {
            found.extend_from_slice(&self.here);
            return;
        };
        let (level, rest) = cut(topic);
        if let Some(node) = self.named.get(level) {
            node.find(rest, found);
        }
        if let Some(node) = &self.any {
            node.find(rest, found);
        }
    }

    /// Removes and prunes; true when nothing is left of this node.
    fn remove(&mut self, filter: Option<&str>, session: SessionId) -> bool {
        match filter.map(cut) {
            None => self.here.retain(|(other, _)| *other != session),
            Some(("#", _)) => self.below.retain(|(other, _)| *other != session),
            Some(("+", rest)) => {
                if self
                    .any
                    .as_mut()
                    .is_some_and(|node| node.remove(rest, session))
                {
                    self.any = None;
                }
            }
            Some((name, rest)) => {
                if self
                    .named
                    .get_mut(name)
                    .is_some_and(|node| node.remove(rest, session))
                {
                    self.named.remove(name);
                }
            }
        }
        self.is_empty()
    }

    fn is_empty(&self) -> bool {
        self.named.is_empty() && self.any.is_none() && self.here.is_empty() && self.below.is_empty()
    }
}

fn cut(topic: &str) -> (&str, Option<&str>) {
    match topic.split_once('/') {
        Some((level, rest)) => (level, Some(rest)),
        None => (topic, None),
    }
}

fn put(subscribers: &mut Vec<(SessionId, QoS)>, session: SessionId, qos: QoS) {
    match subscribers.iter_mut().find(|(other, _)| *other == session) {
        Some(known) => known.1 = qos,
        None => subscribers.push((session, qos)),
    }
}

#[cfg(test)]
mod tests {
    use super::super::topic::tests::VECTORS;
    use super::*;

    const A: SessionId = SessionId(1);
    const B: SessionId = SessionId(2);

    fn found(subscriptions: &Subscriptions, topic: &str) -> Vec<(SessionId, QoS)> {
        let mut found = Vec::new();
        subscriptions.find(topic, &mut found);
        found
    }

    #[test]
    fn the_standards_matches() {
        for (filter, topic, expected) in VECTORS {
            let mut subscriptions = Subscriptions::default();
            subscriptions.add(filter, A, QoS::AtMostOnce);
            assert_eq!(
                !found(&subscriptions, topic).is_empty(),
                *expected,
                "{filter} on {topic}"
            );
        }
    }

    #[test]
    fn overlapping_filters_deliver_once_at_the_highest_quality() {
        let mut subscriptions = Subscriptions::default();
        subscriptions.add("a/#", A, QoS::AtMostOnce);
        subscriptions.add("a/+", A, QoS::ExactlyOnce);
        subscriptions.add("a/b", A, QoS::AtLeastOnce);
        subscriptions.add("a/b", B, QoS::AtMostOnce);
        assert_eq!(
            found(&subscriptions, "a/b"),
            [(A, QoS::ExactlyOnce), (B, QoS::AtMostOnce)]
        );
    }

    #[test]
    fn subscribing_again_replaces_and_removing_prunes_to_nothing() {
        let mut subscriptions = Subscriptions::default();
        for filter in ["a/b/c", "a/+/c", "a/#", "#", "+"] {
            subscriptions.add(filter, A, QoS::AtMostOnce);
            subscriptions.add(filter, A, QoS::AtLeastOnce);
        }
        assert_eq!(found(&subscriptions, "a/b/c"), [(A, QoS::AtLeastOnce)]);
        subscriptions.remove("a/b/x", A);
        for filter in ["a/b/c", "a/+/c", "a/#", "#", "+"] {
            subscriptions.remove(filter, A);
        }
        assert!(subscriptions.root.is_empty());
    }
}
