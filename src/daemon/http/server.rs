//! The HTTP server: connections in, requests to the router, limits on both.
//!
//! Every connection holds one of [`CONNECTIONS_MAX`] permits; a further one is closed at once and
//! counted. A client that does not finish its headers is cut off, and so is an idle one. When the
//! daemon stops, requests under way get [`GRACE`] to end. It knows nothing of what is asked.

use std::sync::Arc;
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
    let mut connections = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            () = stopped(&mut stop) => break,
            Some(_) = connections.join_next() => continue,
            accepted = listener.accept() => accepted,
        };
        let stream = match accepted {
            Ok((stream, _)) => stream,
            Err(error) => {
                tracing::debug!(%error, "a connection was not accepted");
                tokio::time::sleep(ACCEPT_REST).await;
                continue;
            }
        };
        let Ok(permit) = permits.clone().try_acquire_owned() else {
            hub.metrics.refused("connections");
            continue;
        };
        let connection = Connection {
            router: router.clone(),
            stop: stop.clone(),
            permit,
        };
        connections.spawn(connection.accept(stream, tls.clone()));
    }
    let all = async { while connections.join_next().await.is_some() {} };
    // What has not ended by then is dropped with the set.
    let _ = tokio::time::timeout(GRACE, all).await;
}

/// One connection.
struct Connection {
    router: Router,
    stop: watch::Receiver<bool>,
    permit: OwnedSemaphorePermit,
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
