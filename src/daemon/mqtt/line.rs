//! The client's connection, at work.
//!
//! In: events of the connection. Out: arrivals for the daemon, acknowledgements for the broker,
//! and word for the publisher of what went out. One task polls, and nothing else in it ever waits
//! for the connection: publishing from here would wait for itself.
//!
//! # When the queue is full
//! The daemon reads its queue far faster than messages come, but it may stand still for a while. A
//! message is acknowledged to the broker only when the queue has taken it, so that a broker stops
//! sending 'at least once' messages when its window is full: none is lost and pings go on, however
//! long that lasts. Messages sent 'at most once' have no window: as many as the backlog takes are
//! held here, then we stop reading and TCP pushes back. If even that lasts longer than the
//! keep-alive allows, the connection ends and [`Arrival::Lost`] says so: nothing is dropped in
//! silence.

use std::collections::VecDeque;
use std::pin::pin;
use std::time::Duration;

use bytes::Bytes;
use rumqttc::{
    AsyncClient, ConnectionError, Event, EventLoop, Outgoing, Packet, Publish, QoS, Request,
    Subscribe, SubscribeFilter, SubscribeReasonCode,
};
use tokio::sync::{mpsc, watch};
use tokio::time::timeout;

use super::back_off::BackOff;
use super::client::{Arrival, ClientConfig};
use super::publisher::Publisher;

/// Messages held here when the daemon's queue is full, before we stop to read.
const BACKLOG_MAX: usize = 8_192;
/// Filters in one SUBSCRIBE packet.
const FILTERS_A_PACKET: usize = 100;
/// How long the goodbye may take.
const GOODBYE: Duration = Duration::from_secs(2);

/// The task's own state.
pub(super) struct Line {
    config: ClientConfig,
    client: AsyncClient,
    publisher: Publisher,
    arrivals: mpsc::Sender<Arrival>,
    /// What the daemon's queue did not take yet, in order, each with its acknowledgement.
    backlog: VecDeque<(Arrival, Option<Ack>)>,
    /// Acknowledgements that the client's queue did not take yet.
    acks: VecDeque<Ack>,
    /// Packet identifiers of SUBSCRIBE packets, with where their filters begin.
    subscribing: VecDeque<(u16, usize)>,
    stopped: watch::Receiver<bool>,
    stands: bool,
    lost_told: bool,
    connections: u64,
    back_off: BackOff,
}

/// What the broker waits for before it sends more.
#[derive(Clone, Copy, Debug)]
struct Ack {
    qos: QoS,
    id: u16,
}

/// Why the task goes on to its end.
enum End {
    /// [`Publisher::stop`].
    Asked,
    /// Nobody reads what arrives.
    Deaf,
}

impl Line {
    pub(super) fn new(
        config: ClientConfig,
        client: AsyncClient,
        publisher: Publisher,
        arrivals: mpsc::Sender<Arrival>,
        stopped: watch::Receiver<bool>,
    ) -> Self {
        let back_off = BackOff::new(config.back_off);
        Self {
            config,
            client,
            publisher,
            arrivals,
            backlog: VecDeque::new(),
            acks: VecDeque::new(),
            subscribing: VecDeque::new(),
            stopped,
            stands: false,
            lost_told: false,
            connections: 0,
            back_off,
        }
    }

    /// Connects again and again until asked to stop, or until nobody reads what arrives.
    pub(super) async fn run(mut self, mut events: EventLoop) {
        loop {
            match self.next_event(&mut events).await {
                Ok(Ok(event)) => self.take(&mut events, event),
                Ok(Err(error)) => {
                    self.lost(&mut events, &error);
                    let pause = self.back_off.next();
                    match self.rest(pause).await {
                        Ok(()) => {}
                        Err(End::Asked | End::Deaf) => return,
                    }
                }
                Err(End::Deaf) => return,
                Err(End::Asked) => {
                    // The broker is told when time allows; its will says the same otherwise.
                    let _ = timeout(GOODBYE, self.say_goodbye(&mut events)).await;
                    return;
                }
            }
        }
    }

    /// The next event of the connection; meanwhile the backlog moves on.
    ///
    /// The poll is never cancelled half way: a request that it had taken would be lost.
    async fn next_event(
        &mut self,
        events: &mut EventLoop,
    ) -> Result<Result<Event, ConnectionError>, End> {
        let mut poll = pin!(events.poll());
        loop {
            tokio::select! {
                biased;
                () = stopped(&mut self.stopped) => return Err(End::Asked),
                permit = self.arrivals.reserve(), if !self.backlog.is_empty() => {
                    let Ok(permit) = permit else {
                        return Err(End::Deaf);
                    };
                    if let Some((arrival, ack)) = self.backlog.pop_front() {
                        permit.send(arrival);
                        self.acks.extend(ack);
                    }
                }
                () = self.arrivals.closed() => return Err(End::Deaf),
                event = &mut poll, if self.backlog.len() < BACKLOG_MAX => return Ok(event),
            }
            self.send_acks();
        }
    }

    /// The time between two attempts; the backlog moves on.
    async fn rest(&mut self, pause: Duration) -> Result<(), End> {
        let mut pause = pin!(tokio::time::sleep(pause));
        loop {
            tokio::select! {
                biased;
                () = stopped(&mut self.stopped) => return Err(End::Asked),
                permit = self.arrivals.reserve(), if !self.backlog.is_empty() => {
                    let Ok(permit) = permit else {
                        return Err(End::Deaf);
                    };
                    if let Some((arrival, _)) = self.backlog.pop_front() {
                        permit.send(arrival);
                    }
                }
                () = self.arrivals.closed() => return Err(End::Deaf),
                () = &mut pause => return Ok(()),
            }
        }
    }

    fn take(&mut self, events: &mut EventLoop, event: Event) {
        match event {
            Event::Incoming(Packet::Publish(publish)) => self.forward(publish),
            Event::Incoming(Packet::ConnAck(_)) => self.connected(events),
            Event::Incoming(Packet::PubAck(ack)) => self.publisher.acknowledged(ack.pkid),
            Event::Incoming(Packet::SubAck(ack)) => {
                self.subscribed(ack.pkid, &ack.return_codes);
            }
            Event::Outgoing(Outgoing::Publish(id)) => self.publisher.sent(id),
            Event::Outgoing(Outgoing::Subscribe(id)) => {
                if let Some(waiting) = self.subscribing.iter_mut().find(|(id, _)| *id == 0) {
                    waiting.0 = id;
                }
            }
            Event::Outgoing(_) => self.publisher.go_on(),
            Event::Incoming(_) => {}
        }
        self.send_acks();
    }

    fn forward(&mut self, publish: Publish) {
        let Publish {
            topic,
            payload,
            retain,
            qos,
            pkid,
            ..
        } = publish;
        // The payload lies in the connection's read buffer; the copy lets that go.
        let payload = Bytes::copy_from_slice(&payload);
        let at = (self.config.clock)();
        let ack = (qos != QoS::AtMostOnce).then_some(Ack { qos, id: pkid });
        self.publisher.count(|counters| counters.received += 1);
        self.tell(
            Arrival::Message {
                at,
                topic,
                payload,
                retained: retain,
            },
            ack,
        );
    }

    /// To the daemon's queue, or behind what waits for it.
    fn tell(&mut self, arrival: Arrival, ack: Option<Ack>) {
        if self.backlog.is_empty() {
            match self.arrivals.try_send(arrival) {
                Ok(()) => self.acks.extend(ack),
                Err(mpsc::error::TrySendError::Full(arrival)) => {
                    self.publisher.count(|counters| counters.waits += 1);
                    self.backlog.push_back((arrival, ack));
                }
                // The next wait for an event finds that nobody reads any more.
                Err(mpsc::error::TrySendError::Closed(_)) => {}
            }
        } else {
            self.publisher.count(|counters| counters.waits += 1);
            self.backlog.push_back((arrival, ack));
        }
    }

    fn send_acks(&mut self) {
        while let Some(Ack { qos, id }) = self.acks.front().copied() {
            let mut publish = Publish::new("", qos, Vec::new());
            publish.pkid = id;
            if self.client.try_ack(&publish).is_err() {
                // The client's queue is full, so there will be an event, and another try.
                return;
            }
            self.acks.pop_front();
        }
    }

    fn connected(&mut self, events: &mut EventLoop) {
        let at = (self.config.clock)();
        let reconnects = self.connections;
        self.connections += 1;
        self.stands = true;
        self.lost_told = false;
        self.back_off.connected();
        self.publisher
            .count(|counters| counters.reconnects = reconnects);
        self.tell(Arrival::Connected { at, reconnects }, None);
        self.subscribing.clear();
        for (number, filters) in self
            .config
            .subscriptions
            .chunks(FILTERS_A_PACKET)
            .enumerate()
        {
            let filter = |path: &String| SubscribeFilter::new(path.clone(), QoS::AtLeastOnce);
            let subscribe = Subscribe::new_many(filters.iter().map(filter));
            events.pending.push_back(Request::Subscribe(subscribe));
            self.subscribing.push_back((0, number * FILTERS_A_PACKET));
        }
        self.publisher
            .connected(self.config.status_topic.as_deref());
        tracing::info!(url = %self.config.url, "connected to the broker");
    }

    fn subscribed(&mut self, id: u16, codes: &[SubscribeReasonCode]) {
        let Some(at) = self.subscribing.iter().position(|(other, _)| *other == id) else {
            return;
        };
        let first = self.subscribing.remove(at).map_or(0, |(_, first)| first);
        let filters = self.config.subscriptions.iter().skip(first);
        for (filter, _) in filters
            .zip(codes)
            .filter(|(_, code)| **code == SubscribeReasonCode::Failure)
        {
            self.publisher
                .count(|counters| counters.not_subscribed += 1);
            tracing::warn!(%filter, "subscription refused: see what our user may read");
        }
        let all = self.subscribing.is_empty();
        self.publisher.count(|counters| counters.subscribed = all);
    }

    fn lost(&mut self, events: &mut EventLoop, error: &ConnectionError) {
        self.publisher.lost(error.to_string());
        // The publisher hands nothing over any more: what is still queued belongs to the old
        // connection and must not reach the new one.
        events.clean();
        events.pending.clear();
        events.state.events.clear();
        events.state.collision = None;
        self.acks.clear();
        for (_, ack) in &mut self.backlog {
            *ack = None;
        }
        self.back_off.lost(self.stands);
        self.stands = false;
        if !self.lost_told {
            self.lost_told = true;
            tracing::warn!(url = %self.config.url, %error, "no broker; trying again");
            let at = (self.config.clock)();
            self.tell(Arrival::Lost { at }, None);
        }
    }

    /// What is due, 'offline', DISCONNECT.
    async fn say_goodbye(&mut self, events: &mut EventLoop) {
        if !self.stands {
            return;
        }
        if let Some(topic) = &self.config.status_topic {
            self.publisher.set(topic, "offline");
        }
        let mut leaving = false;
        loop {
            if !leaving && self.publisher.idle() {
                leaving = self.client.try_disconnect().is_ok();
            }
            match events.poll().await {
                Ok(Event::Outgoing(Outgoing::Disconnect)) | Err(_) => return,
                Ok(Event::Outgoing(Outgoing::Publish(id))) => self.publisher.sent(id),
                Ok(Event::Incoming(Packet::PubAck(ack))) => self.publisher.acknowledged(ack.pkid),
                Ok(_) => self.publisher.go_on(),
            }
        }
    }
}

async fn stopped(stop: &mut watch::Receiver<bool>) {
    // An error means that the publisher was dropped everywhere: the client goes on, it may still
    // be wanted for what arrives.
    if stop.wait_for(|stop| *stop).await.is_err() {
        std::future::pending::<()>().await;
    }
}
