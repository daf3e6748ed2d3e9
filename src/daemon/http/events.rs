//! `GET /events`: the changes, as they come (server-sent events).
//!
//! A reader first gets `state`, the whole snapshot, or, with a `Last-Event-ID` that the ring still
//! reaches, what it has missed; then one event for each item that changed, at most ten times a
//! second and only the newest of each. On a gap it gets `state` again. A comment every
//! [`KEEP_ALIVE_EVERY`] tells both ends that the line is open.

use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::response::Response;
use serde::Deserialize;
use tokio::sync::{OwnedSemaphorePermit, watch};
use tokio::time::Instant;

use super::App;
use super::answer::Problem;
use super::squeeze;
use crate::daemon::hub::{Listening, stopped};
use crate::daemon::show;
use crate::daemon::stream::{KEEP_ALIVE, News, encode};

/// Streams at once.
pub const STREAMS_MAX: usize = 256;
/// The least time between two bundles of events to one reader.
const BUNDLE_EVERY: Duration = Duration::from_millis(100);
/// The most time that a stream is silent.
const KEEP_ALIVE_EVERY: Duration = Duration::from_secs(5);

/// What a reader says about itself.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Wish {
    /// `1`: somebody listens, with sound on.
    listening: Option<String>,
}

impl Wish {
    fn listens(&self) -> bool {
        self.listening.as_deref() == Some("1")
    }
}

/// Opens a stream.
pub(super) async fn open(
    State(app): State<App>,
    Query(wish): Query<Wish>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let Ok(permit) = app.streams.clone().try_acquire_owned() else {
        app.hub.metrics.refused("streams");
        let detail = "too many pages are open; close one";
        return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail)
            .with_header(header::RETRY_AFTER, HeaderValue::from_static("10")));
    };
    let seen = headers
        .get("last-event-id")
        .and_then(|id| id.to_str().ok()?.parse().ok());
    app.hub.metrics.event_streams.inc();
    let reader = Reader {
        seen,
        _listening: wish.listens().then(|| app.hub.listen()),
        begun: false,
        changes: app.hub.stream.watch(),
        stop: app.hub.stopping(),
        sent: Instant::now(),
        app,
        _permit: permit,
    };
    let packed = squeeze::taken(&headers);
    let pieces = squeeze::Pieces::new(packed);
    let stream = futures_util::stream::unfold((reader, pieces), |(mut reader, mut pieces)| async {
        let bytes = pieces.next(reader.next().await?);
        Some((
            Ok::<_, std::convert::Infallible>(Bytes::from(bytes)),
            (reader, pieces),
        ))
    });
    let mut response = Response::new(Body::from_stream(stream));
    let headers = response.headers_mut();
    if packed {
        squeeze::mark(headers);
    }
    headers.insert(
        header::CONTENT_TYPE,
        HeaderValue::from_static("text/event-stream"),
    );
    // Proxies that would hold events back to fill a buffer are asked not to.
    let no = HeaderValue::from_static("no");
    headers.insert(HeaderName::from_static("x-accel-buffering"), no);
    Ok(response)
}

/// One reader.
struct Reader {
    app: App,
    /// The number of the last change that was sent; `None`: nothing yet, and nothing to resume.
    seen: Option<u64>,
    begun: bool,
    changes: watch::Receiver<u64>,
    stop: watch::Receiver<bool>,
    sent: Instant,
    /// The page is open with sound.
    _listening: Option<Listening>,
    _permit: OwnedSemaphorePermit,
}

impl Drop for Reader {
    fn drop(&mut self) {
        self.app.hub.metrics.event_streams.dec();
    }
}

impl Reader {
    /// The next bytes; `None` when the daemon stops.
    async fn next(&mut self) -> Option<String> {
        loop {
            if !self.begun {
                self.begun = true;
            } else if !self.wait().await? {
                self.sent = Instant::now();
                return Some(KEEP_ALIVE.into());
            }
            // What comes from now on wakes the next wait.
            self.changes.mark_unchanged();
            let text = self.news().await?;
            if !text.is_empty() {
                self.sent = Instant::now();
                return Some(text);
            }
        }
    }

    /// Waits for a change and for its turn: `true`; for as long as the line may be silent: `false`.
    async fn wait(&mut self) -> Option<bool> {
        tokio::select! {
            () = stopped(&mut self.stop) => None,
            changed = self.changes.changed() => {
                changed.ok()?;
                tokio::time::sleep_until(self.sent + BUNDLE_EVERY).await;
                Some(true)
            }
            () = tokio::time::sleep_until(self.sent + KEEP_ALIVE_EVERY) => Some(false),
        }
    }

    async fn news(&mut self) -> Option<String> {
        let news = self
            .seen
            .map_or(News::Gap, |seen| self.app.hub.stream.after(seen));
        let News::Frames(frames) = news else {
            return self.whole().await;
        };
        self.seen = frames.last().map(|frame| frame.number).or(self.seen);
        let events = frames
            .iter()
            .map(|frame| encode(frame.number, frame.kind, &frame.data));
        Some(events.collect())
    }

    async fn whole(&mut self) -> Option<String> {
        let shot = self.app.hub.shot().await.ok()?;
        self.seen = Some(shot.number);
        let json = show::snapshot(&shot, &self.app.hub.clock);
        Some(encode(shot.number, "state", &json.text()))
    }
}
