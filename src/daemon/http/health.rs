//! For programs that watch the daemon: metrics, is the process well, can it do its work.

use axum::body::Body;
use axum::extract::State;
use axum::http::header;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse as _, Response};

use super::App;
use super::answer::Problem;
use super::squeeze;
use crate::daemon::metrics::{CONTENT_TYPE, Facts};

/// `GET /metrics`. The text is whole before its first byte is sent.
pub(super) async fn metrics(
    State(app): State<App>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let shot = app.hub.shot().await?;
    let facts = Facts {
        now: app.hub.clock.now(),
        snapshot: &shot.snapshot,
        broker_connected: app.hub.broker_connected(),
        version: env!("CARGO_PKG_VERSION"),
        listening: app.hub.listening(),
        ways: app
            .hub
            .notifiers()
            .counts()
            .map(|(id, counts)| (id.to_owned(), counts))
            .collect(),
    };
    let text = app.hub.metrics.render(&facts).map_err(|error| {
        Problem::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            format!("no metrics: {error}"),
        )
    })?;
    let answer = |body: Body| ([(header::CONTENT_TYPE, CONTENT_TYPE)], body).into_response();
    Ok(squeeze::kept(answer, &text, squeeze::taken(&headers)))
}

/// `GET /healthz`: the engine's loop turned a moment ago.
pub(super) async fn healthz(State(app): State<App>) -> Response {
    if app.hub.is_alive() {
        return (StatusCode::OK, "ok\n").into_response();
    }
    (
        StatusCode::SERVICE_UNAVAILABLE,
        "the engine's loop stands still\n",
    )
        .into_response()
}

/// `GET /readyz`: the broker is connected; a daemon that runs has a plan.
pub(super) async fn readyz(State(app): State<App>) -> Response {
    if !app.hub.is_alive() {
        return healthz(State(app)).await;
    }
    if app.hub.is_ready() {
        return (StatusCode::OK, "ready\n").into_response();
    }
    (
        StatusCode::SERVICE_UNAVAILABLE,
        "the broker is not connected\n",
    )
        .into_response()
}
