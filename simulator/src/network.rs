//! How messages travel: late, now and then twice, and in order within one connection.
//!
//! Inputs: messages with the moment of sending. Outputs: messages with the moment of arrival. MQTT
//! keeps the order of one publisher's topic [MQTT-4.6.0-6]; different nodes may overtake each
//! other.

use std::collections::{BTreeMap, VecDeque};

use taillamp::engine::ids::NodeId;
use taillamp::engine::time::{Instant, Span};

use crate::chance::Chance;

/// How the network is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Habits {
    /// Every message takes at least this long.
    pub delay: Span,
    /// And up to so much more.
    pub jitter: Span,
    /// Probability that a message comes twice (QoS 1, a lost acknowledgement).
    pub twice: f64,
}

impl Habits {
    /// At once, once, in order.
    pub const PERFECT: Self = Self {
        delay: Span::ZERO,
        jitter: Span::ZERO,
        twice: 0.0,
    };
    /// Wireless nodes in a cellar.
    pub const USUAL: Self = Self {
        delay: Span::from_millis(4),
        jitter: Span::from_millis(25),
        twice: 0.002,
    };
}

/// A message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// When it arrives.
    pub at: Instant,
    /// Its topic, prefix included.
    pub topic: String,
    /// Its payload.
    pub payload: String,
    /// The broker is to keep it.
    pub retain: bool,
}

/// Messages on their way.
#[derive(Clone, Debug)]
pub struct Network {
    habits: Habits,
    chance: Chance,
    latest: BTreeMap<Option<NodeId>, Instant>,
    under_way: BTreeMap<(Instant, u64), Message>,
    sent: u64,
}

/// Messages on their way at most; the world sends far fewer. Beyond this the oldest come at once.
const UNDER_WAY_MAX: usize = 100_000;

impl Network {
    /// An empty one.
    #[must_use]
    pub fn new(seed: u64, habits: Habits) -> Self {
        Self {
            habits,
            chance: Chance::new(seed, "network"),
            latest: BTreeMap::new(),
            under_way: BTreeMap::new(),
            sent: 0,
        }
    }

    /// Sends a message by a node's connection, or by one of its own.
    pub fn send(&mut self, node: Option<NodeId>, message: Message) {
        let jitter_s = self.chance.between(0.0, self.habits.jitter.as_secs_f64());
        let wanted = message
            .at
            .plus(self.habits.delay)
            .plus(Span::from_secs_f64(jitter_s));
        let latest = self.latest.entry(node).or_default();
        let at = wanted.max(*latest);
        *latest = at;
        let copies = if self.chance.happens(self.habits.twice) {
            2
        } else {
            1
        };
        for _ in 0..copies {
            self.sent += 1;
            self.under_way.insert(
                (at, self.sent),
                Message {
                    at,
                    ..message.clone()
                },
            );
        }
    }

    /// What has arrived by now, in order of arrival.
    pub fn receive(&mut self, now: Instant) -> VecDeque<Message> {
        let mut arrived = VecDeque::new();
        while let Some(entry) = self.under_way.first_entry() {
            let due = entry.key().0 <= now;
            if !due && self.under_way.len() <= UNDER_WAY_MAX {
                break;
            }
            if let Some((_, message)) = self.under_way.pop_first() {
                arrived.push_back(message);
            }
        }
        arrived
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(millis: u64, topic: &str) -> Message {
        Message {
            at: Instant(millis * 1000),
            topic: topic.to_owned(),
            payload: String::new(),
            retain: false,
        }
    }

    #[test]
    fn one_connection_keeps_its_order_however_much_the_delay_varies() {
        // Source: MQTT 3.1.1, [MQTT-4.6.0-6].
        let habits = Habits {
            jitter: Span::from_millis(200),
            twice: 0.1,
            ..Habits::USUAL
        };
        let mut network = Network::new(7, habits);
        for index in 0..500 {
            network.send(Some(NodeId(0)), message(index * 10, &format!("{index:04}")));
        }
        let arrived = network.receive(Instant(60_000_000));
        assert!(arrived.len() > 500, "some come twice");
        let topics: Vec<_> = arrived.iter().map(|m| m.topic.clone()).collect();
        let mut sorted = topics.clone();
        sorted.sort();
        assert_eq!(topics, sorted);
        assert!(
            arrived
                .iter()
                .zip(arrived.iter().skip(1))
                .all(|(a, b)| a.at <= b.at)
        );
    }

    #[test]
    fn nothing_arrives_before_it_was_sent() {
        let mut network = Network::new(7, Habits::USUAL);
        network.send(None, message(100, "x"));
        assert!(network.receive(Instant(100_000)).is_empty());
        assert_eq!(network.receive(Instant(200_000)).len(), 1);
    }
}
