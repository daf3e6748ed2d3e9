//! The publisher: what the daemon says, newest value of each topic.
//!
//! In: [`Publisher::set`], [`Publisher::clear`] and [`Publisher::say`], from any task, never
//! waiting. Out: publishes of the client. A table holds one value a topic, so its size is bounded
//! by the number of topics however slow the broker is; a value is published when it changed, all
//! are published again after every connection. It knows nothing of what the values mean.
//!
//! Order: values of one topic arrive in their order, with newer ones taking the place of those
//! that had not gone out yet. Between topics there is no promise.

use std::collections::{BTreeMap, HashMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use bytes::Bytes;
use rumqttc::{AsyncClient, QoS};
use tokio::sync::watch;

/// Publishes handed over and not acknowledged. Below the client's own limit, see there.
const WINDOW: usize = 64;
/// Sentences that wait: one that could not be said soon is not worth saying.
const SENTENCES_MAX: usize = 16;
/// Topics of the table.
const TOPICS_MAX: usize = 50_000;
/// Bytes of a topic and of a payload: together they fit the packet limit of the embedded broker.
const TOPIC_BYTES_MAX: usize = 1_024;
const PAYLOAD_BYTES_MAX: usize = 250 * 1_024;

/// The daemon's way out. Clones share one table.
#[derive(Clone, Debug)]
pub struct Publisher {
    shared: Arc<Shared>,
}

#[derive(Debug)]
struct Shared {
    client: AsyncClient,
    table: Mutex<Table>,
    stop: watch::Sender<bool>,
    ended: watch::Receiver<bool>,
}

/// Counts since the start, and the state of the connection.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ClientCounters {
    /// Whether the broker is there.
    pub connected: bool,
    /// Whether the broker has answered all our subscriptions on this connection.
    pub subscribed: bool,
    /// How often the connection came back.
    pub reconnects: u64,
    /// Messages that came.
    pub received: u64,
    /// Messages that had to wait because the daemon's queue was full.
    pub waits: u64,
    /// Publishes acknowledged.
    pub published: u64,
    /// Values and sentences refused: too long, or too many topics.
    pub refused: u64,
    /// Sentences dropped: no broker, or too many at once.
    pub unsaid: u64,
    /// Subscriptions that the broker refused.
    pub not_subscribed: u64,
    /// Why the last connection failed, for people.
    pub last_error: Option<String>,
}

#[derive(Debug, Default)]
struct Table {
    slots: BTreeMap<Arc<str>, Slot>,
    /// Topics whose value is to go out, in order.
    due: VecDeque<Arc<str>>,
    sentences: VecDeque<(Arc<str>, Bytes)>,
    /// Handed over; the packet identifier is not known yet.
    handed: VecDeque<Sent>,
    in_flight: HashMap<u16, Sent>,
    counters: ClientCounters,
}

#[derive(Debug)]
struct Slot {
    value: Bytes,
    due: bool,
    /// Rises with every change, so that an acknowledgement is not taken for a newer value's.
    version: u64,
}

#[derive(Debug)]
enum Sent {
    Value(Arc<str>, u64),
    Sentence,
}

impl Publisher {
    pub(super) fn new(
        client: AsyncClient,
        stop: watch::Sender<bool>,
        ended: watch::Receiver<bool>,
    ) -> Self {
        let table = Mutex::default();
        Self {
            shared: Arc::new(Shared {
                client,
                table,
                stop,
                ended,
            }),
        }
    }

    /// Publishes a retained value, unless it is what this topic has already. Empty bytes clear.
    ///
    /// Values that are too long and topics with wildcards are refused and counted; otherwise the
    /// topic comes back as the table has it.
    pub fn set(&self, topic: &str, value: impl Into<Bytes>) -> Option<Arc<str>> {
        let value = value.into();
        let mut table = self.table();
        if !sendable(topic, &value) {
            table.counters.refused += 1;
            return None;
        }
        let topic = table.set(topic, value);
        table.hand_over(&self.shared.client);
        topic
    }

    /// Takes a topic's retained value away, also one that another run has left.
    pub fn clear(&self, topic: &str) {
        self.set(topic, Bytes::new());
    }

    /// Publishes one sentence, not retained. Without a broker it is dropped: it would come too
    /// late.
    pub fn say(&self, topic: &str, sentence: &str) {
        let sentence = Bytes::copy_from_slice(sentence.as_bytes());
        let mut table = self.table();
        if !sendable(topic, &sentence) {
            table.counters.refused += 1;
        } else if !table.counters.connected || table.sentences.len() >= SENTENCES_MAX {
            table.counters.unsaid += 1;
        } else {
            table.sentences.push_back((topic.into(), sentence));
            table.hand_over(&self.shared.client);
        }
    }

    /// The counts.
    #[must_use]
    pub fn counters(&self) -> ClientCounters {
        self.table().counters.clone()
    }

    /// Ends the client: what is due goes out, then 'offline', then a proper goodbye. Takes two
    /// seconds at most; without a connection it ends at once.
    pub async fn stop(&self) {
        // Nobody listens any more only when the client has ended already.
        let _ = self.shared.stop.send(true);
        let mut ended = self.shared.ended.clone();
        let _ = ended.wait_for(|ended| *ended).await;
    }

    /// The connection stands: everything is published again, `first` before all else.
    pub(super) fn connected(&self, first: Option<&str>) {
        let mut table = self.table();
        table.counters.connected = true;
        table.counters.last_error = None;
        table.forget_flights();
        table.due.clear();
        let mut topics: VecDeque<Arc<str>> = VecDeque::with_capacity(table.slots.len());
        for (topic, slot) in &mut table.slots {
            slot.due = true;
            match first == Some(&**topic) {
                true => topics.push_front(Arc::clone(topic)),
                false => topics.push_back(Arc::clone(topic)),
            }
        }
        table.due = topics;
        table.hand_over(&self.shared.client);
    }

    /// The connection is gone, and with it whatever was on its way.
    pub(super) fn lost(&self, error: String) {
        let mut table = self.table();
        table.counters.connected = false;
        table.counters.subscribed = false;
        table.counters.last_error = Some(error);
        table.counters.unsaid += table.sentences.len() as u64;
        table.sentences.clear();
        table.forget_flights();
    }

    /// The client has sent the next publish, under this packet identifier.
    pub(super) fn sent(&self, id: u16) {
        let mut table = self.table();
        if let Some(sent) = table.handed.pop_front() {
            table.in_flight.insert(id, sent);
        }
    }

    /// The broker has acknowledged a publish.
    pub(super) fn acknowledged(&self, id: u16) {
        let mut table = self.table();
        table.acknowledged(id);
        table.hand_over(&self.shared.client);
    }

    /// Something happened on the connection: there may be room now.
    pub(super) fn go_on(&self) {
        let mut table = self.table();
        if !table.due.is_empty() || !table.sentences.is_empty() {
            table.hand_over(&self.shared.client);
        }
    }

    /// Nothing waits and nothing is on its way.
    pub(super) fn idle(&self) -> bool {
        let table = self.table();
        table.due.is_empty()
            && table.sentences.is_empty()
            && table.handed.is_empty()
            && table.in_flight.is_empty()
    }

    pub(super) fn count(&self, change: impl FnOnce(&mut ClientCounters)) {
        change(&mut self.table().counters);
    }

    fn table(&self) -> MutexGuard<'_, Table> {
        self.shared
            .table
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

impl Table {
    /// The topic, unless there is no room for another.
    fn set(&mut self, topic: &str, value: Bytes) -> Option<Arc<str>> {
        let known = self
            .slots
            .get_key_value(topic)
            .map(|(topic, _)| Arc::clone(topic));
        let topic = match known {
            Some(topic) => topic,
            None if self.slots.len() >= TOPICS_MAX => {
                self.counters.refused += 1;
                return None;
            }
            None => topic.into(),
        };
        match self.slots.get_mut(&topic) {
            Some(slot) if slot.value == value => return Some(topic),
            Some(slot) => {
                slot.value = value;
                slot.version += 1;
                if slot.due {
                    return Some(topic);
                }
                slot.due = true;
            }
            None => {
                let slot = Slot {
                    value,
                    due: true,
                    version: 0,
                };
                self.slots.insert(Arc::clone(&topic), slot);
            }
        }
        if self.counters.connected {
            self.due.push_back(Arc::clone(&topic));
        }
        Some(topic)
    }

    /// Gives the client what its window and its queue take. Never waits.
    fn hand_over(&mut self, client: &AsyncClient) {
        while self.counters.connected && self.handed.len() + self.in_flight.len() < WINDOW {
            if let Some((topic, sentence)) = self.sentences.front() {
                let text = sentence.to_vec();
                if client
                    .try_publish(&**topic, QoS::AtLeastOnce, false, text)
                    .is_err()
                {
                    return;
                }
                self.sentences.pop_front();
                self.handed.push_back(Sent::Sentence);
                continue;
            }
            let Some(topic) = self.due.front() else {
                return;
            };
            if let Some(slot) = self.slots.get_mut(topic) {
                let value = slot.value.to_vec();
                if client
                    .try_publish(&**topic, QoS::AtLeastOnce, true, value)
                    .is_err()
                {
                    return;
                }
                slot.due = false;
                self.handed
                    .push_back(Sent::Value(Arc::clone(topic), slot.version));
            }
            self.due.pop_front();
        }
    }

    fn acknowledged(&mut self, id: u16) {
        let Some(sent) = self.in_flight.remove(&id) else {
            return;
        };
        self.counters.published += 1;
        let Sent::Value(topic, version) = sent else {
            return;
        };
        let cleared = self
            .slots
            .get(&topic)
            .is_some_and(|slot| slot.value.is_empty() && slot.version == version && !slot.due);
        if cleared {
            self.slots.remove(&topic);
        }
    }

    fn forget_flights(&mut self) {
        self.handed.clear();
        self.in_flight.clear();
    }
}

fn sendable(topic: &str, payload: &Bytes) -> bool {
    !topic.is_empty()
        && topic.len() <= TOPIC_BYTES_MAX
        && !topic.contains(['+', '#', '\0'])
        && payload.len() <= PAYLOAD_BYTES_MAX
}
