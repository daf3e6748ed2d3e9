//! What the broker is told: where to listen, who may come, how much of everything.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use super::access::{Permit, Users};
use super::retained::RetainedStore;

/// How a broker is to be.
#[derive(Clone)]
pub struct BrokerConfig {
    /// Where it listens; port 0 takes any free one.
    pub listen: SocketAddr,
    /// Who may connect with a password.
    pub users: Users,
    /// Anybody may connect without one.
    pub allow_anonymous: bool,
    /// Who may publish and subscribe to what; `None`: everybody everything.
    pub permit: Option<Permit>,
    /// Where retained messages outlive the broker; `None`: they do not.
    pub retained: Option<Arc<dyn RetainedStore>>,
    /// How much of everything.
    pub limits: Limits,
}

impl BrokerConfig {
    /// A broker for everybody who reaches `listen`.
    #[must_use]
    pub fn new(listen: SocketAddr) -> Self {
        Self {
            listen,
            users: Users::default(),
            allow_anonymous: true,
            permit: None,
            retained: None,
            limits: Limits::default(),
        }
    }
}

impl std::fmt::Debug for BrokerConfig {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("BrokerConfig")
            .field("listen", &self.listen)
            .field("users", &self.users)
            .field("allow_anonymous", &self.allow_anonymous)
            .field("permit", &self.permit.is_some())
            .field("retained", &self.retained.is_some())
            .field("limits", &self.limits)
            .finish()
    }
}

/// How much of everything. MQTT 3.1.1 leaves these to the server; the values are our own choice
/// for a layout with a few hundred detectors on a small computer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Connections at one time; further ones are closed at once.
    pub connections_max: usize,
    /// Sessions, absent clients' included; the one absent longest gives way.
    pub sessions_max: usize,
    /// Bytes of a packet after its fixed header.
    pub packet_bytes_max: usize,
    /// Bytes of a topic, a filter, a will's topic.
    pub topic_bytes_max: usize,
    /// Bytes of a client identifier.
    pub client_id_bytes_max: usize,
    /// Subscriptions of one client; a further one is refused with 0x80.
    pub subscriptions_max: usize,
    /// Bytes that wait for one client. Beyond: at most once is dropped, at least once closes it.
    pub queue_bytes_max: usize,
    /// Messages that wait for an absent client; further ones are dropped and counted.
    pub offline_messages_max: usize,
    /// Messages sent to one client and not acknowledged.
    pub in_flight_max: usize,
    /// Messages received exactly once from one client and not released.
    pub unreleased_max: usize,
    /// Topics with a retained message.
    pub retained_max: usize,
    /// Bytes of all retained messages.
    pub retained_bytes_max: usize,
    /// From the connection to its CONNECT packet.
    pub connect_timeout: Duration,
    /// From there to the end of the password check, its queue included: after a power cut all
    /// nodes come at once.
    pub admit_timeout: Duration,
    /// How long a client may take nothing while there is something for it.
    pub stall_timeout: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connections_max: 1_000,
            sessions_max: 2_000,
            packet_bytes_max: 256 * 1_024,
            topic_bytes_max: 1_024,
            client_id_bytes_max: 256,
            subscriptions_max: 4_096,
            queue_bytes_max: 16 * 1_024 * 1_024,
            offline_messages_max: 8_000,
            in_flight_max: 100,
            unreleased_max: 4_096,
            retained_max: 100_000,
            retained_bytes_max: 64 * 1_024 * 1_024,
            connect_timeout: Duration::from_secs(10),
            admit_timeout: Duration::from_secs(60),
            stall_timeout: Duration::from_secs(30),
        }
    }
}
