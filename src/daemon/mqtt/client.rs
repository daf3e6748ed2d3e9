//! The client: the daemon's one connection to its broker.
//!
//! In: what the broker sends on our subscriptions. Out: [`Arrival`]s, each stamped once with the
//! daemon's clock, on a bounded queue. It subscribes again on every connection, backs off between
//! attempts, and never looks into a payload. What goes the other way is `publisher`'s.
//!
//! # When the queue is full
//! The daemon reads its queue far faster than messages come, but it may stand still for a while.
//! A message is acknowledged to the broker only when the queue has taken it, so that a broker stops
//! sending 'at least once' messages when its window is full: none is lost and pings go on, however
//! long that lasts. Messages sent 'at most once' have no window: as many as the backlog takes are
//! held here, then we stop reading and TCP pushes back. If even that lasts longer than the keep-alive
//! allows, the connection ends and [`Arrival::Lost`] says so: nothing is dropped in silence.

use std::collections::VecDeque;
use std::fmt;
use std::path::PathBuf;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use rumqttc::{
    AsyncClient, ConnectionError, Event, EventLoop, LastWill, MqttOptions, Outgoing, Packet,
    Publish, QoS, Request, Subscribe, SubscribeFilter, SubscribeReasonCode,
};
use tokio::sync::{mpsc, watch};
use tokio::time::timeout;

use super::address::{Address, AddressError};
use super::publisher::Publisher;
use crate::engine::time::Instant;

/// Messages held here when the daemon's queue is full, before we stop to read.
const BACKLOG_MAX: usize = 8_192;
/// Requests that wait for the connection: publishes and acknowledgements.
const REQUESTS: usize = 256;
/// Publishes that the connection itself may have unacknowledged. The publisher's window is far
/// smaller, so that packet identifiers never meet, whatever order a broker acknowledges in.
const IN_FLIGHT: u16 = 1_000;
/// The largest packet that we take: more than the embedded broker's own limit, because one retained
/// message over the limit would end every connection as soon as it is made.
const PACKET_BYTES_IN_MAX: usize = 4 * 1_024 * 1_024;
const PACKET_BYTES_OUT_MAX: usize = 256 * 1_024;
/// Filters in one SUBSCRIBE packet.
const FILTERS_A_PACKET: usize = 100;
/// Seconds for a connection attempt, and for a write to get through.
const CONNECT_TIMEOUT_S: u64 = 4;
/// How long the goodbye may take.
const GOODBYE: Duration = Duration::from_secs(2);

/// Reads the daemon's clock.
pub type Clock = Arc<dyn Fn() -> Instant + Send + Sync>;

/// How to reach the broker, and what to hear from it.
#[derive(Clone)]
pub struct ClientConfig {
    /// `mqtt://host:port` or `mqtts://host:port`.
    pub url: String,
    /// Who we are.
    pub user: Option<String>,
    /// Our password.
    pub password: Option<String>,
    /// Whom we trust, for `mqtts`, PEM; `None`: whom the system trusts.
    pub ca_file: Option<PathBuf>,
    /// Unique among the broker's clients: two with one name throw each other out.
    pub client_id: String,
    /// Filters, subscribed at least once.
    pub subscriptions: Vec<String>,
    /// Where `online` and `offline` are kept (the latter as the will); `None`: nowhere.
    pub status_topic: Option<String>,
    /// The longest silence, whole seconds. A broker that vanished is noticed within twice this.
    pub keep_alive: Duration,
    /// The time between attempts: it doubles from the first to the second.
    pub back_off: (Duration, Duration),
    /// The daemon's clock.
    pub clock: Clock,
}

impl ClientConfig {
    /// A client that only connects.
    #[must_use]
    pub fn new(url: &str, client_id: &str, clock: Clock) -> Self {
        Self {
            url: url.to_owned(),
            user: None,
            password: None,
            ca_file: None,
            client_id: client_id.to_owned(),
            subscriptions: Vec::new(),
            status_topic: None,
            keep_alive: Duration::from_secs(5),
            back_off: (Duration::from_millis(100), Duration::from_secs(10)),
            clock,
        }
    }
}

impl fmt::Debug for ClientConfig {
    /// Without the password.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ClientConfig")
            .field("url", &self.url)
            .field("user", &self.user)
            .field("client_id", &self.client_id)
            .field("subscriptions", &self.subscriptions)
            .field("status_topic", &self.status_topic)
            .finish_non_exhaustive()
    }
}

/// What comes in, in order.
#[derive(Clone, Debug, PartialEq)]
pub enum Arrival {
    /// A message.
    Message {
        /// When it came.
        at: Instant,
        /// Its topic.
        topic: String,
        /// Its payload.
        payload: Bytes,
        /// Old news, sent because we subscribed.
        retained: bool,
    },
    /// The connection stands; what is retained follows.
    Connected {
        /// When.
        at: Instant,
        /// How often it had stood before.
        reconnects: u64,
    },
    /// The connection is gone, or the first attempt failed. Said once, not at every attempt.
    Lost {
        /// When.
        at: Instant,
    },
}

/// The client.
#[derive(Debug)]
pub struct Client;

impl Client {
    /// Starts to connect and never gives up; the task ends with [`Publisher::stop`], or when nobody
    /// reads `arrivals` any more. Must be called inside a tokio runtime.
    ///
    /// # Errors
    /// When the address or the certificate file cannot be used. A broker that is not there is no
    /// error: it may come later.
    pub fn start(
        config: ClientConfig,
        arrivals: mpsc::Sender<Arrival>,
    ) -> Result<Publisher, AddressError> {
        let options = options(&config)?;
        let (client, mut events) = AsyncClient::new(options, REQUESTS);
        let mut network = events.network_options();
        network.set_tcp_nodelay(true);
        network.set_connection_timeout(CONNECT_TIMEOUT_S);
        events.set_network_options(network);
        let (stop, stopped) = watch::channel(false);
        let (end, ended) = watch::channel(false);
        let publisher = Publisher::new(client.clone(), stop, ended);
        if let Some(topic) = &config.status_topic {
            publisher.set(topic, "online");
        }
        let back_off = BackOff::new(config.back_off);
        let line = Line {
            config,
            client,
            publisher: publisher.clone(),
            arrivals,
            backlog: VecDeque::new(),
            acks: VecDeque::new(),
            subscribing: VecDeque::new(),
            stopped,
            stands: false,
            lost_told: false,
            connections: 0,
            back_off,
        };
        tokio::spawn(async move {
            let publisher = line.publisher.clone();
            line.run(events).await;
            publisher.lost("the client has ended".to_owned());
            // Nobody may be waiting for the end.
            let _ = end.send(true);
        });
        Ok(publisher)
    }
}

fn options(config: &ClientConfig) -> Result<MqttOptions, AddressError> {
    let address = Address::parse(&config.url)?;
    let transport = address.transport(config.ca_file.as_deref())?;
    let mut options = MqttOptions::new(&config.client_id, address.host, address.port);
    options.set_transport(transport);
    // Whole seconds, and never none: a silent broker must be noticed.
    options.set_keep_alive(Duration::from_secs(
        config.keep_alive.as_secs().clamp(1, 3_600),
    ));
    options.set_clean_session(true);
    options.set_max_packet_size(PACKET_BYTES_IN_MAX, PACKET_BYTES_OUT_MAX);
    options.set_inflight(IN_FLIGHT);
    options.set_manual_acks(true);
    if let Some(user) = &config.user {
        options.set_credentials(user, config.password.as_deref().unwrap_or_default());
    }
    if let Some(topic) = &config.status_topic {
        options.set_last_will(LastWill::new(topic, "offline", QoS::AtLeastOnce, true));
    }
    Ok(options)
}

/// The task's own state.
struct Line {
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
    async fn run(mut self, mut events: EventLoop) {
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
            tracing::warn!(%filter, "the broker refuses a subscription: see what its user may read");
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
    // An error means that the publisher was dropped everywhere: the client goes on, it may still be
    // wanted for what arrives.
    if stop.wait_for(|stop| *stop).await.is_err() {
        std::future::pending::<()>().await;
    }
}

/// How long to wait between attempts: twice as long each time, with a part left to chance, so that
/// clients of one broker do not come back all at once.
#[derive(Debug)]
struct BackOff {
    first: Duration,
    longest: Duration,
    next: Duration,
    since: Option<tokio::time::Instant>,
}

impl BackOff {
    fn new((first, longest): (Duration, Duration)) -> Self {
        Self {
            first,
            longest: longest.max(first),
            next: first,
            since: None,
        }
    }

    fn connected(&mut self) {
        self.since = Some(tokio::time::Instant::now());
    }

    /// A connection that ended as soon as it was made, such as one that a broker throws out, is no
    /// reason to come back quickly.
    fn lost(&mut self, stood: bool) {
        let lasted = self.since.take().map(|since| since.elapsed());
        if stood && lasted.is_some_and(|lasted| lasted >= self.longest) {
            self.next = self.first;
        }
    }

    fn next(&mut self) -> Duration {
        let whole = self.next;
        self.next = (whole * 2).min(self.longest);
        whole / 2 + (whole / 2).mul_f64(chance())
    }
}

/// Between 0 and 1. The standard library seeds each of its hashers anew: chance enough for a pause.
fn chance() -> f64 {
    use std::hash::{BuildHasher, Hasher};
    let number = std::collections::hash_map::RandomState::new()
        .build_hasher()
        .finish();
    (number >> 32) as f64 / f64::from(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pause_doubles_up_to_the_longest_with_half_of_it_left_to_chance() {
        let mut back_off = BackOff::new((Duration::from_millis(100), Duration::from_secs(1)));
        for whole_ms in [100, 200, 400, 800, 1_000, 1_000] {
            let pause = back_off.next();
            let whole = Duration::from_millis(whole_ms);
            assert!(
                pause >= whole / 2 && pause <= whole,
                "{pause:?} of {whole:?}"
            );
        }
    }

    #[tokio::test(start_paused = true)]
    async fn only_a_connection_that_lasted_shortens_the_pause() {
        let mut back_off = BackOff::new((Duration::from_millis(100), Duration::from_secs(1)));
        for _ in 0..6 {
            back_off.next();
        }
        back_off.connected();
        back_off.lost(true);
        assert!(back_off.next() >= Duration::from_millis(500));
        back_off.connected();
        tokio::time::advance(Duration::from_secs(1)).await;
        back_off.lost(true);
        assert!(back_off.next() <= Duration::from_millis(100));
    }
}
