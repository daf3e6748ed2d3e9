//! One client's session: its subscriptions, what waits for it, what it has not yet acknowledged.
//!
//! In: messages for the client and its acknowledgements. Out: bytes for its connection. It
//! outlives the connection when the client asked for that (4.1). Everything in it has a limit;
//! what does not fit is dropped and counted, and the caller is told when the client itself must
//! go. It knows nothing of sockets.

use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::Arc;

use bytes::BytesMut;
use rumqttc::mqttbytes::QoS;
use rumqttc::mqttbytes::v4::LastWill;
use tokio::sync::Notify;

use super::config::Limits;
use super::message::{Delivery, Message, lower};
use super::retained::{Cursor, Next, Retained};

/// A session's number; never used twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(super) struct SessionId(pub(super) u64);

/// The connection that serves a session at the moment.
#[derive(Debug)]
pub(super) struct Link {
    /// Which connection: one that was taken over finds another number here.
    pub(super) number: u64,
    /// Wakes the connection.
    pub(super) wake: Arc<Notify>,
    /// Published when the connection ends without a goodbye.
    pub(super) will: Option<LastWill>,
}

/// One session.
#[derive(Debug)]
pub(super) struct Session {
    pub(super) client_id: Arc<str>,
    pub(super) link: Option<Link>,
    /// Ends with its connection.
    pub(super) clean: bool,
    /// When the connection went, in the router's order of events.
    pub(super) left: u64,
    pub(super) filters: HashMap<Box<str>, QoS>,
    queue: VecDeque<Entry>,
    queued_bytes: usize,
    queued_messages: usize,
    /// How many entries of the queue are [`Entry::Retained`].
    cursors: usize,
    in_flight: VecDeque<InFlight>,
    unsent: usize,
    last_id: u16,
    /// Identifiers of messages sent exactly once whose release has not come yet (4.3.3).
    received: HashSet<u16>,
    /// The connection has taken all there was and waits to be woken.
    asleep: bool,
}

#[derive(Debug)]
enum Entry {
    Live(Arc<Message>, QoS),
    Retained(Cursor),
}

#[derive(Debug)]
struct InFlight {
    id: u16,
    step: Step,
    /// Sent on the present connection.
    sent: bool,
    /// Sent on an earlier connection.
    again: bool,
}

#[derive(Debug)]
enum Step {
    /// PUBLISH sent, PUBACK or PUBREC awaited.
    Publish(Arc<Message>, QoS, bool),
    /// PUBREL sent, PUBCOMP awaited.
    Release,
}

/// What became of a message for a session.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fate {
    /// It waits in the queue.
    Queued,
    /// It is not kept: at most once for an absent client (4.1 leaves that to the server).
    NotKept,
    /// A limit forbids it.
    Dropped,
    /// A limit forbids it, and it may not be dropped: the client must go.
    Overflow,
}

impl Session {
    pub(super) fn new(client_id: Arc<str>, clean: bool) -> Self {
        Self {
            client_id,
            link: None,
            clean,
            left: 0,
            filters: HashMap::new(),
            queue: VecDeque::new(),
            queued_bytes: 0,
            queued_messages: 0,
            cursors: 0,
            in_flight: VecDeque::new(),
            unsent: 0,
            last_id: 0,
            received: HashSet::new(),
            asleep: false,
        }
    }

    /// A connection takes the session on: what is in flight will be sent again (4.4.0-1).
    pub(super) fn attach(&mut self, link: Link) {
        self.link = Some(link);
        self.asleep = false;
        self.unsent = self.in_flight.len();
        for message in &mut self.in_flight {
            message.again = message.again || message.sent;
            message.sent = false;
        }
    }

    /// The connection is gone: nothing that may be lost is kept.
    pub(super) fn detach(&mut self, left: u64) {
        self.link = None;
        self.left = left;
        self.queue.retain(|entry| match entry {
            Entry::Live(_, qos) => *qos != QoS::AtMostOnce,
            Entry::Retained(cursor) => cursor.qos != QoS::AtMostOnce,
        });
        self.queued_messages = 0;
        self.queued_bytes = 0;
        self.cursors = 0;
        for entry in &self.queue {
            match entry {
                Entry::Live(message, _) => {
                    self.queued_messages += 1;
                    self.queued_bytes += message.weight();
                }
                Entry::Retained(_) => self.cursors += 1,
            }
        }
        self.give_newer_too();
    }

    /// A live message for this client.
    pub(super) fn enqueue(
        &mut self,
        message: &Arc<Message>,
        granted: QoS,
        limits: &Limits,
    ) -> Fate {
        let qos = lower(message.qos, granted);
        let fits = self.queued_bytes + message.weight() <= limits.queue_bytes_max;
        match (&self.link, qos) {
            (None, QoS::AtMostOnce) => return Fate::NotKept,
            (None, _) if !fits || self.queued_messages >= limits.offline_messages_max => {
                return Fate::Dropped;
            }
            (Some(_), QoS::AtMostOnce) if !fits => {
                self.give_newer_too();
                return Fate::Dropped;
            }
            (Some(_), _) if !fits => return Fate::Overflow,
            _ => {}
        }
        self.queued_bytes += message.weight();
        self.queued_messages += 1;
        self.queue.push_back(Entry::Live(Arc::clone(message), qos));
        self.wake();
        Fate::Queued
    }

    /// A new subscription's share of what is retained, given when its turn in the queue comes.
    /// False when too many such shares wait already.
    pub(super) fn enqueue_retained(&mut self, cursor: Cursor, limits: &Limits) -> bool {
        if self.cursors >= limits.subscriptions_max {
            return false;
        }
        self.cursors += 1;
        self.queue.push_back(Entry::Retained(cursor));
        self.wake();
        true
    }

    fn wake(&mut self) {
        if self.asleep
            && let Some(link) = &self.link
        {
            self.asleep = false;
            link.wake.notify_one();
        }
    }

    fn give_newer_too(&mut self) {
        for entry in &mut self.queue {
            if let Entry::Retained(cursor) = entry {
                cursor.give_newer_too();
            }
        }
    }

    /// Writes what may go out now until `out` holds `budget` bytes; returns how many messages it
    /// wrote, and whether there is more to write at once.
    pub(super) fn fill(
        &mut self,
        out: &mut BytesMut,
        budget: usize,
        window: usize,
        retained: &Retained,
    ) -> (u64, bool) {
        let mut written = self.send_again(out, budget);
        while out.len() < budget {
            let may_send = self.in_flight.len() < window;
            let (message, qos, old) = match self.queue.front_mut() {
                None => break,
                Some(Entry::Live(_, qos)) if *qos != QoS::AtMostOnce && !may_send => break,
                Some(Entry::Live(message, qos)) => {
                    let (message, qos) = (Arc::clone(message), *qos);
                    self.queue.pop_front();
                    self.queued_bytes -= message.weight();
                    self.queued_messages -= 1;
                    (message, qos, false)
                }
                Some(Entry::Retained(cursor)) if cursor.qos != QoS::AtMostOnce && !may_send => {
                    break;
                }
                Some(Entry::Retained(cursor)) => match retained.next(cursor) {
                    Next::Message(message) => {
                        let qos = lower(message.qos, cursor.qos);
                        (message, qos, true)
                    }
                    Next::Later => return (written, true),
                    Next::End => {
                        self.queue.pop_front();
                        self.cursors -= 1;
                        continue;
                    }
                },
            };
            self.send(out, message, qos, old);
            written += 1;
        }
        let more = out.len() >= budget;
        self.asleep = !more;
        if self.queue.is_empty() && self.queue.capacity() > 1_024 {
            self.queue = VecDeque::new();
        }
        (written, more)
    }

    fn send(&mut self, out: &mut BytesMut, message: Arc<Message>, qos: QoS, retained: bool) {
        let id = if qos == QoS::AtMostOnce {
            0
        } else {
            self.next_id()
        };
        message.write(
            out,
            Delivery {
                qos,
                id,
                again: false,
                retained,
            },
        );
        if qos != QoS::AtMostOnce {
            let step = Step::Publish(message, qos, retained);
            self.in_flight.push_back(InFlight {
                id,
                step,
                sent: true,
                again: false,
            });
        }
    }

    /// What an earlier connection did not finish, in its order and with its identifiers.
    fn send_again(&mut self, out: &mut BytesMut, budget: usize) -> u64 {
        let mut written = 0;
        if self.unsent == 0 {
            return written;
        }
        for flying in self.in_flight.iter_mut().filter(|flying| !flying.sent) {
            if out.len() >= budget {
                break;
            }
            let (id, again) = (flying.id, flying.again);
            match &flying.step {
                Step::Publish(message, qos, retained) => {
                    let (qos, retained) = (*qos, *retained);
                    message.write(
                        out,
                        Delivery {
                            qos,
                            id,
                            again,
                            retained,
                        },
                    );
                    written += 1;
                }
                Step::Release => put_release(out, id),
            }
            flying.sent = true;
            self.unsent -= 1;
        }
        written
    }

    fn next_id(&mut self) -> u16 {
        // The window is far smaller than the number of identifiers, so that one is always free.
        loop {
            self.last_id = self.last_id.checked_add(1).unwrap_or(1);
            if !self
                .in_flight
                .iter()
                .any(|flying| flying.id == self.last_id)
            {
                return self.last_id;
            }
        }
    }

    /// PUBACK or PUBCOMP: done. Acknowledgements may come in any order; unknown ones are ignored.
    pub(super) fn done(&mut self, id: u16, completes: QoS) {
        let expected = |flying: &InFlight| match &flying.step {
            Step::Publish(_, qos, _) => *qos == completes && *qos == QoS::AtLeastOnce,
            Step::Release => completes == QoS::ExactlyOnce,
        };
        let at = self
            .in_flight
            .iter()
            .position(|flying| flying.id == id && expected(flying));
        if let Some(flying) = at.and_then(|at| self.in_flight.remove(at)) {
            self.unsent -= usize::from(!flying.sent);
        }
    }

    /// PUBREC: the client has it; what remains is to release the identifier.
    pub(super) fn delivered(&mut self, id: u16, out: &mut BytesMut) {
        for flying in &mut self.in_flight {
            if flying.id == id && matches!(flying.step, Step::Publish(_, QoS::ExactlyOnce, _)) {
                flying.step = Step::Release;
                self.unsent -= usize::from(!flying.sent);
                flying.sent = true;
            }
        }
        // A client that asks about an identifier we do not know must be let go on too.
        put_release(out, id);
    }

    /// A message that came exactly once: true when it is the first copy. None when too many wait.
    pub(super) fn receive(&mut self, id: u16, open_max: usize) -> Option<bool> {
        if self.received.contains(&id) {
            return Some(false);
        }
        if self.received.len() >= open_max {
            return None;
        }
        Some(self.received.insert(id))
    }

    /// PUBREL: the identifier may be used for a new message.
    pub(super) fn release(&mut self, id: u16) {
        self.received.remove(&id);
        if self.received.is_empty() {
            self.received = HashSet::new();
        }
    }

    /// How much waits in the queue.
    pub(super) fn queued_bytes(&self) -> usize {
        self.queued_bytes
    }
}

/// PUBREL (MQTT 3.1.1, 3.6): its four bytes, which nothing can refuse.
fn put_release(out: &mut BytesMut, id: u16) {
    let [high, low] = id.to_be_bytes();
    out.extend_from_slice(&[0x62, 2, high, low]);
}

#[cfg(test)]
mod tests {
    use super::*;
    use bytes::Bytes;
    use rumqttc::mqttbytes::v4::Packet;

    fn message(payload: &str, qos: QoS) -> Arc<Message> {
        let payload = Bytes::copy_from_slice(payload.as_bytes());
        Arc::new(Message {
            topic: "t".into(),
            payload,
            qos,
        })
    }

    fn attached() -> Session {
        let mut session = Session::new("c".into(), false);
        session.attach(Link {
            number: 1,
            wake: Arc::default(),
            will: None,
        });
        session
    }

    fn sent(session: &mut Session, window: usize) -> Vec<String> {
        let mut out = BytesMut::new();
        session.fill(&mut out, 1_000_000, window, &Retained::default());
        let mut lines = Vec::new();
        while !out.is_empty() {
            lines.push(
                match Packet::read(&mut out, 1_000_000).expect("whole packets only") {
                    Packet::Publish(p) => {
                        let text = String::from_utf8_lossy(&p.payload).into_owned();
                        format!("{text} {} dup {}", p.pkid, p.dup)
                    }
                    Packet::PubRel(p) => format!("release {}", p.pkid),
                    other => format!("{other:?}"),
                },
            );
        }
        lines
    }

    #[test]
    fn the_window_holds_back_and_any_order_of_acknowledgement_opens_it() {
        let mut session = attached();
        let limits = Limits::default();
        for text in ["a", "b", "c"] {
            let fate = session.enqueue(&message(text, QoS::AtLeastOnce), QoS::AtLeastOnce, &limits);
            assert_eq!(fate, Fate::Queued);
        }
        assert_eq!(sent(&mut session, 2), ["a 1 dup false", "b 2 dup false"]);
        session.done(9, QoS::AtLeastOnce);
        assert_eq!(sent(&mut session, 2), [""; 0]);
        session.done(2, QoS::AtLeastOnce);
        assert_eq!(sent(&mut session, 2), ["c 3 dup false"]);
    }

    #[test]
    fn a_new_connection_gets_what_was_in_flight_again_in_order() {
        let mut session = attached();
        let limits = Limits::default();
        for text in ["a", "b", "c"] {
            session.enqueue(&message(text, QoS::ExactlyOnce), QoS::ExactlyOnce, &limits);
        }
        assert_eq!(sent(&mut session, 2).len(), 2);
        session.delivered(1, &mut BytesMut::new());
        session.detach(1);
        session.attach(Link {
            number: 2,
            wake: Arc::default(),
            will: None,
        });
        assert_eq!(
            sent(&mut session, 9),
            ["release 1", "b 2 dup true", "c 3 dup false"]
        );
        session.done(1, QoS::ExactlyOnce);
        session.done(2, QoS::ExactlyOnce);
        assert_eq!(session.in_flight.len(), 2, "2 is not released yet");
    }

    #[test]
    fn limits_of_absent_and_slow_clients() {
        let limits = Limits {
            offline_messages_max: 2,
            ..Limits::default()
        };
        let mut session = Session::new("c".into(), false);
        let (zero, one) = (
            message("z", QoS::AtMostOnce),
            message("o", QoS::AtLeastOnce),
        );
        let two = QoS::ExactlyOnce;
        assert_eq!(session.enqueue(&zero, two, &limits), Fate::NotKept);
        assert_eq!(session.enqueue(&one, two, &limits), Fate::Queued);
        assert_eq!(session.enqueue(&one, two, &limits), Fate::Queued);
        assert_eq!(session.enqueue(&one, two, &limits), Fate::Dropped);
        let limits = Limits {
            queue_bytes_max: 3 * one.weight(),
            ..limits
        };
        session.attach(Link {
            number: 1,
            wake: Arc::default(),
            will: None,
        });
        assert_eq!(session.enqueue(&zero, two, &limits), Fate::Queued);
        assert_eq!(session.enqueue(&zero, two, &limits), Fate::Dropped);
        assert_eq!(session.enqueue(&one, two, &limits), Fate::Overflow);
        session.detach(1);
        assert_eq!(session.queued_bytes(), 2 * one.weight());
    }

    #[test]
    fn identifiers_skip_those_in_use() {
        let mut session = attached();
        session.last_id = u16::MAX - 1;
        for text in ["a", "b"] {
            session.enqueue(
                &message(text, QoS::AtLeastOnce),
                QoS::AtLeastOnce,
                &Limits::default(),
            );
        }
        assert_eq!(
            sent(&mut session, 9),
            ["a 65535 dup false", "b 1 dup false"]
        );
        session.last_id = u16::MAX - 1;
        session.enqueue(
            &message("c", QoS::AtLeastOnce),
            QoS::AtLeastOnce,
            &Limits::default(),
        );
        assert_eq!(sent(&mut session, 9), ["c 2 dup false"]);
    }

    #[test]
    fn exactly_once_takes_the_first_copy_only() {
        let mut session = attached();
        assert_eq!(session.receive(5, 1), Some(true));
        assert_eq!(session.receive(5, 1), Some(false));
        assert_eq!(session.receive(6, 1), None, "too many open");
        session.release(5);
        assert_eq!(session.receive(5, 1), Some(true));
    }
}
