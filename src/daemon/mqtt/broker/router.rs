//! The router: sessions, subscriptions and retained messages of all clients, under one lock.
//!
//! In: what connections decoded. Out: entries in sessions' queues, and wake-ups. Every call is
//! short and bounded; nothing here waits. Messages of one publisher on one topic reach each
//! subscriber in their order (4.6), because routing and queueing happen under the one lock.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

use bytes::{Bytes, BytesMut};
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::LastWill;
use tokio::sync::Notify;

use super::config::Limits;
use super::counters::Counters;
use super::message::Message;
use super::retained::{Retained, RetainedMessage, RetainedStore};
use super::session::{Fate, Link, Session, SessionId};
use super::subscriptions::Subscriptions;
use super::topic;

/// Everything that connections share.
pub(super) struct Router {
    limits: Limits,
    sessions: HashMap<SessionId, Session>,
    by_client: HashMap<Arc<str>, SessionId>,
    subscriptions: Subscriptions,
    retained: Retained,
    store: Option<Arc<dyn RetainedStore>>,
    counters: Counters,
    /// Numbers sessions, links and departures.
    serial: u64,
    /// Wills of connections that have just ended; empty between calls.
    wills: VecDeque<LastWill>,
    found: Vec<(SessionId, QoS)>,
}

/// What a connection holds of its session.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Seat {
    pub(super) session: SessionId,
    link: u64,
}

/// How a connection can end, for the counters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ending {
    /// DISCONNECT: the will is taken back (3.1.2-10).
    Goodbye,
    /// The peer just closed, or the broker stops.
    Gone,
    /// Against the protocol or a limit.
    Violation,
    /// Keep-alive.
    Silent,
    /// It did not take what there was for it.
    Slow,
    /// The router gave its session away.
    Unseated,
    /// A CONNECT refused.
    Refused,
}

impl Router {
    pub(super) fn new(limits: Limits, store: Option<Arc<dyn RetainedStore>>) -> Self {
        let mut router = Self {
            limits,
            sessions: HashMap::new(),
            by_client: HashMap::new(),
            subscriptions: Subscriptions::default(),
            retained: Retained::default(),
            store: None,
            counters: Counters::default(),
            serial: 0,
            wills: VecDeque::new(),
            found: Vec::new(),
        };
        for RetainedMessage {
            topic,
            payload,
            qos,
        } in store.iter().flat_map(|store| store.load())
        {
            let qos = rumqttc::mqttbytes::qos(qos).unwrap_or(QoS::AtMostOnce);
            let valid = topic::valid_topic(&topic, router.limits.topic_bytes_max);
            if valid && !payload.is_empty() {
                router.publish(topic, &payload, qos, true);
            }
        }
        router.counters = Counters::default();
        router.store = store;
        router
    }

    fn serial(&mut self) -> u64 {
        self.serial += 1;
        self.serial
    }

    /// A client was let in: gives it a seat, and whether its session was there already (3.2.2).
    ///
    /// Whoever had the seat loses it (3.1.4-2), and its will is published before anything of the
    /// newcomer: a node that comes back before its old connection was missed ends as 'online'.
    pub(super) fn seat(
        &mut self,
        client_id: &str,
        clean: bool,
        wake: Arc<Notify>,
        will: Option<LastWill>,
    ) -> (Seat, bool) {
        let client_id = match client_id {
            "" => self.invent_id(),
            given => given.into(),
        };
        if let Some(id) = self.by_client.get(&client_id).copied() {
            if self
                .sessions
                .get(&id)
                .is_some_and(|session| session.link.is_some())
            {
                self.counters.taken_over += 1;
                self.unseat(id, true);
                self.publish_wills();
            }
            if clean {
                self.end_session(id);
            }
        }
        let known = self.by_client.get(&client_id).copied();
        let number = self.serial();
        let id = known.unwrap_or_else(|| self.new_session(client_id, clean));
        if let Some(session) = self.sessions.get_mut(&id) {
            session.clean = clean;
            session.attach(Link { number, wake, will });
        }
        self.counters.accepted += 1;
        self.counters.clients += 1;
        (
            Seat {
                session: id,
                link: number,
            },
            known.is_some(),
        )
    }

    fn new_session(&mut self, client_id: Arc<str>, clean: bool) -> SessionId {
        if self.sessions.len() >= self.limits.sessions_max {
            let absent = self
                .sessions
                .iter()
                .filter(|(_, session)| session.link.is_none());
            let longest = absent
                .min_by_key(|(_, session)| session.left)
                .map(|(id, _)| *id);
            if let Some(id) = longest {
                self.counters.evicted += 1;
                self.end_session(id);
            }
        }
        let id = SessionId(self.serial());
        self.by_client.insert(Arc::clone(&client_id), id);
        self.sessions.insert(id, Session::new(client_id, clean));
        id
    }

    /// A name for a client that gave none (3.1.3-6).
    fn invent_id(&mut self) -> Arc<str> {
        loop {
            let id: Arc<str> = format!("unnamed-{}", self.serial()).into();
            if !self.by_client.contains_key(&id) {
                return id;
            }
        }
    }

    /// Takes the seat away from whoever has it; the connection notices when it wakes.
    fn unseat(&mut self, id: SessionId, with_will: bool) {
        let left = self.serial();
        let Some(session) = self.sessions.get_mut(&id) else {
            return;
        };
        let Some(link) = session.link.take() else {
            return;
        };
        link.wake.notify_one();
        self.wills.extend(link.will.filter(|_| with_will));
        self.counters.clients -= 1;
        session.detach(left);
        if session.clean {
            self.end_session(id);
        }
    }

    /// A connection has ended.
    pub(super) fn leave(&mut self, seat: Option<Seat>, ending: Ending) {
        match ending {
            Ending::Violation => self.counters.violations += 1,
            Ending::Silent => self.counters.silent += 1,
            Ending::Slow => self.counters.slow += 1,
            Ending::Refused => self.counters.refused += 1,
            Ending::Goodbye | Ending::Gone | Ending::Unseated => {}
        }
        if let Some(seat) = seat
            && self.session(seat).is_some()
        {
            self.unseat(seat.session, ending != Ending::Goodbye);
            self.publish_wills();
        }
    }

    /// A will may close a slow subscriber, whose will then waits its turn behind it.
    fn publish_wills(&mut self) {
        while let Some(LastWill {
            topic,
            message,
            qos,
            retain,
        }) = self.wills.pop_front()
        {
            self.counters.wills += 1;
            self.route(topic, &message, qos, retain);
        }
    }

    fn end_session(&mut self, id: SessionId) {
        let Some(session) = self.sessions.remove(&id) else {
            return;
        };
        self.by_client.remove(&session.client_id);
        for filter in session.filters.keys() {
            self.subscriptions.remove(filter, id);
        }
    }

    /// The session of a seat, unless the seat was taken away.
    pub(super) fn session(&mut self, seat: Seat) -> Option<&mut Session> {
        let session = self.sessions.get_mut(&seat.session)?;
        session
            .link
            .as_ref()
            .is_some_and(|link| link.number == seat.link)
            .then_some(session)
    }

    /// Routes one message of a client; the topic is valid.
    pub(super) fn publish(&mut self, topic: String, payload: &[u8], qos: QoS, retain: bool) {
        self.counters.received += 1;
        self.route(topic, payload, qos, retain);
        self.publish_wills();
    }

    fn route(&mut self, topic: String, payload: &[u8], qos: QoS, retain: bool) {
        let mut found = std::mem::take(&mut self.found);
        self.subscriptions.find(&topic, &mut found);
        let clears = retain && payload.is_empty();
        if clears && self.retained.clear(&topic) {
            self.store.iter().for_each(|store| store.clear(&topic));
        }
        if !found.is_empty() || (retain && !clears) {
            // The payload still lies in its connection's read buffer; the copy lets that go.
            let payload = Bytes::copy_from_slice(payload);
            let message = Arc::new(Message {
                topic: topic.into(),
                payload,
                qos,
            });
            if retain && !clears {
                self.keep(&message);
            }
            for (id, granted) in &found {
                self.deliver(*id, &message, *granted);
            }
        }
        found.clear();
        self.found = found;
    }

    fn keep(&mut self, message: &Arc<Message>) {
        let Limits {
            retained_max,
            retained_bytes_max,
            ..
        } = self.limits;
        if !self
            .retained
            .keep(Arc::clone(message), retained_max, retained_bytes_max)
        {
            self.counters.not_retained += 1;
        } else if let Some(store) = &self.store {
            store.keep(&RetainedMessage {
                topic: message.topic.to_string(),
                payload: message.payload.clone(),
                qos: message.qos as u8,
            });
        }
    }

    fn deliver(&mut self, id: SessionId, message: &Arc<Message>, granted: QoS) {
        let Some(session) = self.sessions.get_mut(&id) else {
            return;
        };
        match session.enqueue(message, granted, &self.limits) {
            Fate::Queued | Fate::NotKept => {}
            Fate::Dropped => self.counters.dropped += 1,
            Fate::Overflow => {
                self.counters.slow += 1;
                self.counters.dropped += 1;
                self.unseat(id, true);
            }
        }
    }

    /// Subscribes; false when the client has too many subscriptions. Subscribing again gives what
    /// is retained again (3.8.4-3).
    pub(super) fn subscribe(&mut self, seat: Seat, filter: &str, qos: QoS) -> bool {
        let limits = self.limits.clone();
        let cursor = self.retained.cursor(filter, qos);
        let Some(session) = self.session(seat) else {
            return false;
        };
        let many = session.filters.len() >= limits.subscriptions_max;
        if (many && !session.filters.contains_key(filter))
            || !session.enqueue_retained(cursor, &limits)
        {
            return false;
        }
        session.filters.insert(filter.into(), qos);
        self.subscriptions.add(filter, seat.session, qos);
        true
    }

    /// Takes a subscription back.
    pub(super) fn unsubscribe(&mut self, seat: Seat, filter: &str) {
        let Some(session) = self.session(seat) else {
            return;
        };
        if session.filters.remove(filter).is_some() {
            self.subscriptions.remove(filter, seat.session);
        }
    }

    /// Moves what waits for a seat into `out`, up to `budget` bytes. `None`: the seat is gone.
    /// Otherwise whether there is more at once.
    pub(super) fn fill(&mut self, seat: Seat, out: &mut BytesMut, budget: usize) -> Option<bool> {
        let session = self.sessions.get_mut(&seat.session)?;
        if session
            .link
            .as_ref()
            .is_none_or(|link| link.number != seat.link)
        {
            return None;
        }
        let (sent, more) = session.fill(out, budget, self.limits.in_flight_max, &self.retained);
        self.counters.sent += sent;
        Some(more)
    }

    /// A message that may not be published was thrown away.
    pub(super) fn count_not_permitted(&mut self) {
        self.counters.not_permitted += 1;
    }

    /// A connection was closed because there were too many.
    pub(super) fn count_too_many(&mut self) {
        self.counters.too_many += 1;
    }

    /// The counts.
    pub(super) fn counters(&self) -> Counters {
        Counters {
            sessions: self.sessions.len() as u64,
            subscriptions: self.sessions.values().map(|s| s.filters.len() as u64).sum(),
            retained: self.retained.len() as u64,
            retained_bytes: self.retained.bytes() as u64,
            queued_bytes: self
                .sessions
                .values()
                .map(|s| s.queued_bytes() as u64)
                .sum(),
            ..self.counters
        }
    }
}
