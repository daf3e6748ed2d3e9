//! Retained messages: the newest of each topic, for those who subscribe later.
//!
//! In: messages with the retain flag. Out: what a new subscription gets, a little at a time, so
//! that one subscriber to everything neither fills its queue nor holds the router. A value that
//! changed after the subscription was made is not given as retained: it is on its way as a live
//! message.

use std::borrow::Borrow;
use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::ops::Bound;
use std::sync::Arc;

use rumqttc::mqttbytes::QoS;

use super::message::Message;
use super::topic;

/// How many topics one step of a cursor looks at: what the router is held for at most.
const STEP: usize = 512;

/// Where retained messages are kept beyond the broker's life. Calls must not block: hand on.
pub trait RetainedStore: Send + Sync {
    /// What was kept, at start.
    fn load(&self) -> Vec<RetainedMessage>;
    /// A topic has a new value.
    fn keep(&self, message: &RetainedMessage);
    /// A topic has no value any more.
    fn clear(&self, topic: &str);
}

/// One retained message, as a [`RetainedStore`] sees it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RetainedMessage {
    /// Its topic.
    pub topic: String,
    /// Its payload, never empty.
    pub payload: bytes::Bytes,
    /// Its quality of service: 0, 1 or 2.
    pub qos: u8,
}

/// The newest message of each topic.
#[derive(Debug, Default)]
pub(super) struct Retained {
    messages: BTreeMap<ByTopic, u64>,
    bytes: usize,
    /// Rises with every change: it dates messages and cursors.
    sequence: u64,
}

#[derive(Debug)]
struct ByTopic(Arc<Message>);

/// How far one new subscription has been given what is retained.
#[derive(Debug)]
pub(super) struct Cursor {
    filter: Box<str>,
    pub(super) qos: QoS,
    after: Option<Arc<Message>>,
    until: u64,
}

/// What a cursor gives next.
#[derive(Debug)]
pub(super) enum Next {
    /// A message.
    Message(Arc<Message>),
    /// Nothing yet: ask again.
    Later,
    /// Nothing more.
    End,
}

impl Retained {
    /// Keeps a message in place of the one before. False when a limit forbids it.
    pub(super) fn keep(
        &mut self,
        message: Arc<Message>,
        topics_max: usize,
        bytes_max: usize,
    ) -> bool {
        let before = self
            .messages
            .get_key_value(&*message.topic)
            .map(|(old, _)| old.0.weight());
        let bytes = self.bytes - before.unwrap_or(0) + message.weight();
        if bytes > bytes_max || (before.is_none() && self.messages.len() >= topics_max) {
            return false;
        }
        self.bytes = bytes;
        self.sequence += 1;
        // The map keeps an old key when its value is replaced, so the old entry goes first.
        self.messages.remove(&*message.topic);
        self.messages.insert(ByTopic(message), self.sequence);
        true
    }

    /// Forgets a topic's message. False when there was none.
    pub(super) fn clear(&mut self, topic: &str) -> bool {
        let Some((old, _)) = self.messages.remove_entry(topic) else {
            return false;
        };
        self.bytes -= old.0.weight();
        self.sequence += 1;
        true
    }

    /// How many topics have one.
    pub(super) fn len(&self) -> usize {
        self.messages.len()
    }

    /// What they weigh.
    pub(super) fn bytes(&self) -> usize {
        self.bytes
    }

    /// Starts to give a new subscription what matches it.
    pub(super) fn cursor(&self, filter: &str, qos: QoS) -> Cursor {
        Cursor {
            filter: filter.into(),
            qos,
            after: None,
            until: self.sequence,
        }
    }

    /// Takes one step.
    pub(super) fn next(&self, cursor: &mut Cursor) -> Next {
        let prefix = topic::fixed_prefix(&cursor.filter);
        let from = match &cursor.after {
            Some(message) => Bound::Excluded(&*message.topic),
            None => Bound::Included(prefix),
        };
        let mut looked_at = 0;
        for (ByTopic(message), sequence) in self.messages.range::<str, _>((from, Bound::Unbounded))
        {
            if !message.topic.starts_with(prefix) {
                return Next::End;
            }
            looked_at += 1;
            if *sequence <= cursor.until && topic::matches(&cursor.filter, &message.topic) {
                cursor.after = Some(Arc::clone(message));
                return Next::Message(Arc::clone(message));
            }
            if looked_at >= STEP {
                cursor.after = Some(Arc::clone(message));
                return Next::Later;
            }
        }
        Next::End
    }
}

impl Cursor {
    /// From now on values changed after the subscription are given too: a live copy was dropped.
    pub(super) fn give_newer_too(&mut self) {
        self.until = u64::MAX;
    }
}

impl Borrow<str> for ByTopic {
    fn borrow(&self) -> &str {
        &self.0.topic
    }
}

impl PartialEq for ByTopic {
    fn eq(&self, other: &Self) -> bool {
        self.0.topic == other.0.topic
    }
}

impl Eq for ByTopic {}

impl PartialOrd for ByTopic {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for ByTopic {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.topic.cmp(&other.0.topic)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use bytes::Bytes;

    fn message(topic: &str, payload: &'static str) -> Arc<Message> {
        let payload = Bytes::from_static(payload.as_bytes());
        Arc::new(Message {
            topic: topic.into(),
            payload,
            qos: QoS::AtMostOnce,
        })
    }

    fn kept(topics: &[&str]) -> Retained {
        let mut retained = Retained::default();
        for topic in topics {
            assert!(retained.keep(message(topic, "x"), 1_000_000, usize::MAX));
        }
        retained
    }

    fn all(retained: &Retained, cursor: &mut Cursor) -> Vec<String> {
        let mut topics = Vec::new();
        loop {
            match retained.next(cursor) {
                Next::Message(message) => topics.push(message.topic.to_string()),
                Next::Later => {}
                Next::End => return topics,
            }
        }
    }

    #[test]
    fn a_cursor_finds_what_matches_and_nothing_else() {
        let retained = kept(&["a", "a/b", "a/b/c", "ab", "b", "$SYS/x", "ä/b"]);
        let of = |filter| all(&retained, &mut retained.cursor(filter, QoS::AtMostOnce));
        assert_eq!(of("a/#"), ["a", "a/b", "a/b/c"]);
        assert_eq!(of("a/b"), ["a/b"]);
        assert_eq!(of("+/b"), ["a/b", "ä/b"]);
        assert_eq!(of("#"), ["a", "a/b", "a/b/c", "ab", "b", "ä/b"]);
        assert_eq!(of("$SYS/#"), ["$SYS/x"]);
    }

    #[test]
    fn more_topics_than_one_step_looks_at() {
        let topics: Vec<String> = (0..3 * STEP).map(|n| format!("t/{n:05}")).collect();
        let topics: Vec<&str> = topics.iter().map(String::as_str).collect();
        let retained = kept(&topics);
        assert_eq!(
            all(&retained, &mut retained.cursor("#", QoS::AtMostOnce)),
            topics
        );
        assert_eq!(
            all(&retained, &mut retained.cursor("+/x", QoS::AtMostOnce)),
            [""; 0]
        );
    }

    #[test]
    fn newer_values_are_left_to_their_live_copies_unless_those_were_dropped() {
        let mut retained = kept(&["a", "b"]);
        let mut cursor = retained.cursor("#", QoS::AtMostOnce);
        assert!(retained.keep(message("b", "y"), 10, usize::MAX));
        assert_eq!(all(&retained, &mut cursor), ["a"]);
        let mut cursor = retained.cursor("#", QoS::AtMostOnce);
        assert!(retained.keep(message("a", "z"), 10, usize::MAX));
        cursor.give_newer_too();
        assert_eq!(all(&retained, &mut cursor), ["a", "b"]);
    }

    #[test]
    fn limits_refuse_new_topics_and_let_old_ones_change() {
        let mut retained = kept(&["a", "b"]);
        assert!(!retained.keep(message("c", "x"), 2, usize::MAX));
        assert!(retained.keep(message("b", "y"), 2, usize::MAX));
        assert!(!retained.keep(message("b", "longer"), 2, retained.bytes()));
        assert!(retained.clear("b") && !retained.clear("b"));
        assert!(retained.clear("a"));
        assert_eq!((retained.len(), retained.bytes()), (0, 0));
    }
}
