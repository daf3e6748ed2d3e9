//! The client: the daemon's one connection to its broker.
//!
//! In: what the broker sends on our subscriptions. Out: [`Arrival`]s, each stamped once with the
//! daemon's clock, on a bounded queue. It subscribes again on every connection, backs off between
//! attempts, and never looks into a payload. What goes the other way is `publisher`'s; the
//! connection itself is `line`'s, which also says what happens when the daemon does not read its
//! queue.

use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use rumqttc::{AsyncClient, LastWill, MqttOptions, QoS};
use tokio::sync::{mpsc, watch};

use super::address::{Address, AddressError};
use super::line::Line;
use super::publisher::Publisher;
use crate::engine::time::Instant;

/// Requests that wait for the connection: publishes and acknowledgements.
const REQUESTS: usize = 256;
/// Publishes that the connection itself may have unacknowledged. The publisher's window is far
/// smaller, so that packet identifiers never meet, whatever order a broker acknowledges in.
const IN_FLIGHT: u16 = 1_000;
/// The largest packet that we take: more than the embedded broker's own limit, because one retained
/// message over the limit would end every connection as soon as it is made.
const PACKET_BYTES_IN_MAX: usize = 4 * 1_024 * 1_024;
const PACKET_BYTES_OUT_MAX: usize = 256 * 1_024;
/// Seconds for a connection attempt, and for a write to get through.
const CONNECT_TIMEOUT_S: u64 = 4;

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
        let line = Line::new(config, client, publisher.clone(), arrivals, stopped);
        let at_end = publisher.clone();
        tokio::spawn(async move {
            line.run(events).await;
            at_end.lost("the client has ended".to_owned());
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
