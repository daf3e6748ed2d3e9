//! The HTTP server: connections in, requests to the router, limits on both.
//!
//! Every connection holds one of [`CONNECTIONS_MAX`] permits; a further one is closed at once and
//! counted, and so is one of many from one address: a stranger cannot take all of them. A client
//! that does not finish its headers is cut off, and so is an idle one. When the daemon stops,
//! requests under way get [`GRACE`] to end. It knows nothing of what is asked.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::task::JoinSet;
use tokio_rustls::TlsAcceptor;

use crate::daemon::hub::{Hub, stopped};

/// Connections at once, event streams included.
pub const CONNECTIONS_MAX: usize = 512;
/// Connections of one address. A proxy on this computer speaks for many and may have all.
pub const PER_ADDRESS_MAX: usize = 64;
/// How long a client may take for the headers of a request, and idle between two.
const HEADERS_MAX: Duration = Duration::from_secs(30);
/// Bytes of a request's head.
const HEAD_MAX: usize = 16 * 1_024;
/// How long requests under way may take to end when the daemon stops.
const GRACE: Duration = Duration::from_secs(3);
/// The rest after the system refused a connection (out of file descriptors, say).
const ACCEPT_REST: Duration = Duration::from_millis(100);
/// How long the TLS handshake may take.
const HANDSHAKE_MAX: Duration = Duration::from_secs(10);

/// Serves until `stop` is true.
pub(in crate::daemon) async fn serve(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router: Router,
    hub: Arc<Hub>,
    mut stop: watch::Receiver<bool>,
) {
    let permits = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let places = Places::default();
    let mut connections = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            () = stopped(&mut stop) => break,
            Some(_) = connections.join_next() => continue,
            accepted = listener.accept() => accepted,
        };
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::debug!(%error, "a connection was not accepted");
                tokio::time::sleep(ACCEPT_REST).await;
                continue;
            }
        };
        let place = Place::take(&places, peer.ip());
        let (Ok(permit), Some(place)) = (permits.clone().try_acquire_owned(), place) else {
            hub.metrics.refused("connections");
            continue;
        };
        let connection = Connection {
            router: router.clone(),
            stop: stop.clone(),
            permit,
            _place: place,
        };
        connections.spawn(connection.accept(stream, tls.clone()));
    }
    let all = async { while connections.join_next().await.is_some() {} };
    // What has not ended by then is dropped with the set.
    let _ = tokio::time::timeout(GRACE, all).await;
}

/// How many connections each address has.
type Places = Arc<Mutex<HashMap<IpAddr, usize>>>;

fn lock(places: &Places) -> MutexGuard<'_, HashMap<IpAddr, usize>> {
    places.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One connection's place among those of its address; free again when it is dropped.
struct Place {
    places: Places,
    address: IpAddr,
}

impl Place {
    fn take(places: &Places, address: IpAddr) -> Option<Self> {
        let address = household(address);
        let is_proxy = [
            Ipv4Addr::LOCALHOST.into(),
            household(Ipv6Addr::LOCALHOST.into()),
        ]
        .contains(&address);
        let mut open = lock(places);
        let count = open.entry(address).or_default();
        if *count >= PER_ADDRESS_MAX && !is_proxy {
            return None;
        }
        *count += 1;
        drop(open);
        Some(Self {
            places: places.clone(),
            address,
        })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut open = lock(&self.places);
        let left = open.get(&self.address).map_or(0, |count| count - 1);
        if left == 0 {
            open.remove(&self.address);
        } else {
            open.insert(self.address, left);
        }
    }
}

/// What one computer can call itself as it likes counts as one: the 64 bits that a host chooses
/// (RFC 4291, 2.5.1).
fn household(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V4(address) => address.into(),
        IpAddr::V6(address) => {
            let network = u128::from(address) >> 64 << 64;
            Ipv6Addr::from(network).into()
        }
    }
}

/// One connection.
struct Connection {
    router: Router,
    stop: watch::Receiver<bool>,
    permit: OwnedSemaphorePermit,
    _place: Place,
}

impl Connection {
    async fn accept(self, stream: TcpStream, tls: Option<TlsAcceptor>) {
        // Small events must not wait for the acknowledgement of the last one.
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%error, "a connection ended before it began");
            return;
        }
        let Some(tls) = tls else {
            return self.serve(stream).await;
        };
        match tokio::time::timeout(HANDSHAKE_MAX, tls.accept(stream)).await {
            Ok(Ok(stream)) => self.serve(stream).await,
            Ok(Err(error)) => tracing::debug!(%error, "a TLS handshake failed"),
            Err(_) => tracing::debug!("a TLS handshake took too long"),
        }
    }

    async fn serve(mut self, stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static) {
        let service = TowerToHyperService::new(self.router);
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEADERS_MAX)
            .max_buf_size(HEAD_MAX)
            .serve_connection(TokioIo::new(stream), service);
        tokio::pin!(connection);
        let ended = tokio::select! {
            ended = connection.as_mut() => ended,
            () = stopped(&mut self.stop) => {
                connection.as_mut().graceful_shutdown();
                connection.await
            }
        };
        if let Err(error) = ended {
            tracing::trace!(%error, "a connection ended badly");
        }
        drop(self.permit);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_has_so_many_places_and_gets_them_back() {
        let places = Places::default();
        let address: IpAddr = [192, 0, 2, 7].into();
        let taken: Vec<_> = (0..PER_ADDRESS_MAX)
            .map(|_| Place::take(&places, address).expect("there is room"))
            .collect();
        assert!(Place::take(&places, address).is_none());
        assert!(Place::take(&places, [192, 0, 2, 8].into()).is_some());
        drop(taken);
        assert!(lock(&places).is_empty());
        assert!(Place::take(&places, address).is_some());
    }

    #[test]
    fn a_host_that_changes_its_address_is_one_and_a_proxy_here_is_many() {
        let places = Places::default();
        let mut taken = Vec::new();
        for n in 0..PER_ADDRESS_MAX {
            let address = format!("2001:db8::{n:x}").parse().expect("an address");
            taken.push(Place::take(&places, address).expect("there is room"));
        }
        let next = "2001:db8::ffff:1".parse().expect("an address");
        assert!(Place::take(&places, next).is_none());
        for proxy in ["127.0.0.1", "::1", "::ffff:127.0.0.1"] {
            let proxy = proxy.parse().expect("an address");
            for _ in 0..PER_ADDRESS_MAX {
                taken.push(Place::take(&places, proxy).expect("a proxy may have all"));
            }
        }
    }
}
