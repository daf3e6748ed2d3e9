//! The page and the API.
//!
//! In: requests. Out: what the [`Hub`] knows, and the operator's words on their way to the engine.
//! Nothing is decided here about the layout; here is decided who may ask what, how much, how often.
//!
//! Reading order: `routes`, `api`, `acts`, `events`, `guard`, `session`, `squeeze`, `server`.

mod acts;
mod answer;
mod api;
mod assets;
mod events;
mod guard;
mod health;
mod history;
mod openapi;
mod openapi_past;
mod routes;
pub(super) mod server;
mod session;
mod squeeze;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::StatusCode;
use axum::middleware::{self, Next};
use axum::response::Response;
use axum::routing::get;
use tokio::sync::Semaphore;

use super::hub::Hub;
use super::journal::Journal;
use answer::Problem;
use assets::Assets;
pub use guard::Names;
pub use session::Sessions;

/// Bytes of a request's body.
const BODY_MAX: usize = 16 * 1_024;
/// How long a request may take until its answer begins, the sending of its body included.
const REQUEST_MAX: Duration = Duration::from_secs(15);

/// What the handlers share.
#[derive(Clone, Debug)]
pub(super) struct App(Arc<Shared>);

/// See [`App`].
#[derive(Debug)]
pub(super) struct Shared {
    hub: Arc<Hub>,
    names: Names,
    sessions: Arc<Sessions>,
    plan_file: Option<PathBuf>,
    assets: Assets,
    journal: Option<Journal>,
    streams: Arc<Semaphore>,
    readers: Arc<Semaphore>,
    pin_turn: Arc<Semaphore>,
}

impl std::ops::Deref for App {
    type Target = Shared;

    fn deref(&self) -> &Shared {
        &self.0
    }
}

/// The router of everything.
pub(super) fn router(
    hub: Arc<Hub>,
    names: Names,
    sessions: Sessions,
    plan_file: Option<PathBuf>,
    journal: Option<Journal>,
) -> Router {
    let app = App(Arc::new(Shared {
        hub,
        names,
        sessions: Arc::new(sessions),
        plan_file,
        assets: Assets::new(),
        journal,
        streams: Arc::new(Semaphore::new(events::STREAMS_MAX)),
        readers: Arc::new(Semaphore::new(history::READERS_MAX)),
        pin_turn: Arc::new(Semaphore::new(1)),
    }));
    let mut router = Router::new();
    for route in routes::all() {
        router = router.route(&route.path, route.router.fallback(api::wrong_method));
    }
    for path in Assets::paths() {
        router = router.route(path, get(assets::get).fallback(api::wrong_method));
    }
    let with = |app: &App| app.clone();
    router
        .fallback(api::nothing)
        .layer(DefaultBodyLimit::max(BODY_MAX))
        .layer(middleware::from_fn_with_state(with(&app), acts::authorise))
        .layer(middleware::from_fn_with_state(with(&app), guard::admit))
        .layer(middleware::from_fn_with_state(with(&app), in_time))
        .layer(middleware::from_fn(squeeze::answers))
        .layer(middleware::from_fn(guard::dress))
        .with_state(app)
}

/// A request that takes too long is given up.
async fn in_time(State(app): State<App>, request: Request, next: Next) -> Response {
    match tokio::time::timeout(REQUEST_MAX, next.run(request)).await {
        Ok(response) => response,
        Err(_) => {
            app.hub.metrics.refused("timeout");
            let detail = "the request took too long; try again";
            Problem::new(StatusCode::REQUEST_TIMEOUT, detail).into()
        }
    }
}
