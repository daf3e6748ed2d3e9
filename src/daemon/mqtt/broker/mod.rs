//! The embedded broker: MQTT 3.1.1 for a layout that has no broker of its own.
//!
//! In: TCP connections. Out: messages to whoever subscribed. One task a connection and one router
//! under a short lock; retained messages in memory, with a hook to keep them longer; a limit on
//! everything. No client, whatever it sends or fails to take, can end the broker or reach into
//! another client's connection.
//!
//! It speaks 3.1.1 only: another version is answered 'unacceptable protocol version'. There is no
//! TLS and no WebSocket here; for a layout that matters a broker of its own is the better choice.
//!
//! Reading order: [`config`], `connection`, `wire`, `frame`, `dispatch`, `router`, `session`,
//! `subscriptions`, [`retained`].

pub mod access;
pub mod config;
mod connection;
pub mod counters;
mod dispatch;
mod frame;
mod message;
pub mod retained;
mod router;
mod session;
mod subscriptions;
mod topic;
mod wire;

use std::io;
use std::net::{SocketAddr, TcpListener as StdListener};
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio::task::{JoinHandle, JoinSet};

pub use access::{Action, Permit, Users};
pub use config::{BrokerConfig, Limits};
use connection::Shared;
pub use counters::Counters;
pub use retained::{RetainedMessage, RetainedStore};
use router::Router;

/// How long the listener rests when the system has no more sockets to give.
const ACCEPT_REST: Duration = Duration::from_millis(100);

/// A running broker. Dropping it stops it too, without waiting.
#[derive(Debug)]
pub struct Broker {
    addr: SocketAddr,
    stop: watch::Sender<bool>,
    shared: Arc<Shared>,
    listener: JoinHandle<()>,
}

impl Broker {
    /// Binds, then serves until [`Broker::stop`]. Must be called inside a tokio runtime.
    ///
    /// # Errors
    /// When the address cannot be listened on. The kind is the system's, `AddrInUse` for a taken
    /// port, so that the caller can name the option that chooses another.
    pub fn start(config: BrokerConfig) -> io::Result<Self> {
        let BrokerConfig {
            listen,
            users,
            allow_anonymous,
            permit,
            retained,
            limits,
        } = config;
        let listener = StdListener::bind(listen).map_err(|error| {
            io::Error::new(error.kind(), format!("cannot listen on {listen}: {error}"))
        })?;
        listener.set_nonblocking(true)?;
        let listener = TcpListener::from_std(listener)?;
        let addr = listener.local_addr()?;
        let access = access::Access::new(users, allow_anonymous, permit);
        let router = Router::new(limits.clone(), retained);
        let shared = Arc::new(Shared::new(limits, access, router));
        let (stop, stopped) = watch::channel(false);
        let listener = tokio::spawn(listen_until(listener, Arc::clone(&shared), stopped));
        Ok(Self {
            addr,
            stop,
            shared,
            listener,
        })
    }

    /// Where it listens.
    #[must_use]
    pub fn addr(&self) -> SocketAddr {
        self.addr
    }

    /// What it has counted.
    #[must_use]
    pub fn counters(&self) -> Counters {
        self.shared.router().counters()
    }

    /// Closes every connection and the port; returns when all is done.
    pub async fn stop(self) {
        // Nobody listens any more only when the listener task has ended already.
        let _ = self.stop.send(true);
        let _ = self.listener.await;
    }
}

impl std::fmt::Debug for Shared {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Shared")
            .field("limits", &self.limits)
            .finish_non_exhaustive()
    }
}

async fn listen_until(listener: TcpListener, shared: Arc<Shared>, mut stop: watch::Receiver<bool>) {
    let mut connections = JoinSet::new();
    loop {
        tokio::select! {
            () = stopped(&mut stop) => break,
            Some(_) = connections.join_next() => {}
            accepted = listener.accept() => match accepted {
                Ok((stream, _)) if connections.len() < shared.limits.connections_max => {
                    let stop = stop.clone();
                    connections.spawn(connection::serve(stream, Arc::clone(&shared), stop));
                }
                Ok(_) => shared.router().count_too_many(),
                // Out of sockets, or a peer gone before it was accepted: neither ends the broker.
                Err(_) => tokio::time::sleep(ACCEPT_REST).await,
            }
        }
    }
    drop(listener);
    // Every connection has its own copy of the stop signal.
    while connections.join_next().await.is_some() {}
}

/// Returns when the broker is to stop, or was dropped.
async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}
