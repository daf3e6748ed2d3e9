//! Acting: the operator's words, the session, the reload of the plan.

use axum::body::Bytes;
use axum::extract::{Path, Request, State};
use axum::http::header::{self, HeaderMap, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};
use serde_json::{Value, json};

use super::App;
use super::answer::{self, Problem};
use super::session::Entry;
use crate::daemon::hub::{Answer, Order};
use crate::daemon::{reload, show};
use crate::wire::commands::Target;

/// Where a session is opened: the one change that needs none.
pub(super) const SESSION: &str = "/api/v1/session";

/// What changes something needs a session where a PIN is set.
pub(super) async fn authorise(State(app): State<App>, request: Request, next: Next) -> Response {
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    let now = app.hub.clock.now();
    if reads || request.uri().path() == SESSION || app.sessions.holds(request.headers(), now) {
        return next.run(request).await;
    }
    app.hub.metrics.refused("session");
    let detail = "enter the PIN first: POST /api/v1/session with {\"pin\": ...}";
    Problem::new(StatusCode::UNAUTHORIZED, detail)
        .with_header(
            header::WWW_AUTHENTICATE,
            HeaderValue::from_static("Cookie realm=\"taillamp\""),
        )
        .into()
}

/// `POST /api/v1/KIND/ID/VERB`.
pub(super) async fn order(
    app: App,
    target: Target,
    verb: &'static str,
    Path(id): Path<String>,
    body: Bytes,
) -> Result<StatusCode, Problem> {
    let body = parse(&body)?;
    let said = Order {
        target,
        verb: verb.into(),
        id,
        body,
    };
    match app.hub.order(said).await? {
        Answer::Taken => Ok(StatusCode::NO_CONTENT),
        Answer::NotFound => Err(Problem::new(
            StatusCode::NOT_FOUND,
            "there is no such item now",
        )),
        Answer::Malformed(why) => Err(Problem::new(StatusCode::UNPROCESSABLE_ENTITY, why)),
        Answer::Refused(why) => Err(Problem::new(StatusCode::CONFLICT, why)),
    }
}

/// The body that came; one of no bytes says nothing, as `{}` does.
fn parse(body: &Bytes) -> Result<Value, Problem> {
    if body.is_empty() {
        return Ok(json!({}));
    }
    serde_json::from_slice(body).map_err(|error| {
        Problem::new(
            StatusCode::BAD_REQUEST,
            format!("the body is not JSON: {error}"),
        )
    })
}

/// `GET /api/v1/session`: whether a session is needed, and held.
pub(super) async fn session(State(app): State<App>, headers: HeaderMap) -> Response {
    let held = app.sessions.needed() && app.sessions.holds(&headers, app.hub.clock.now());
    answer::json(json!({"needed": app.sessions.needed(), "held": held}).to_string())
}

/// `POST /api/v1/session`: the PIN.
pub(super) async fn enter(State(app): State<App>, body: Bytes) -> Result<Response, Problem> {
    let body = parse(&body)?;
    let pin = body
        .get("pin")
        .and_then(Value::as_str)
        .map(str::to_owned)
        .ok_or_else(|| {
            Problem::new(
                StatusCode::UNPROCESSABLE_ENTITY,
                "the body is {\"pin\": \"...\"}",
            )
        })?;
    if !app.sessions.needed() {
        return Ok(StatusCode::NO_CONTENT.into_response());
    }
    // One hash at a time: a flood of PINs must not take both of a small computer's cores.
    let turn = app.pin_turn.clone().try_acquire_owned();
    let Ok(turn) = turn else {
        return Err(too_many(1));
    };
    let (sessions, now) = (app.sessions.clone(), app.hub.clock.now());
    let entry = tokio::task::spawn_blocking(move || {
        let entry = sessions.enter(&pin, now);
        drop(turn);
        entry
    });
    let entry = entry
        .await
        .map_err(|_| Problem::new(StatusCode::SERVICE_UNAVAILABLE, "the daemon is stopping"))?;
    match entry {
        Entry::Open(cookie) => Ok(with_cookie(&cookie)),
        Entry::Wrong => {
            app.hub.metrics.refused("pin");
            Err(Problem::new(StatusCode::FORBIDDEN, "this is not the PIN"))
        }
        Entry::Wait(span) => {
            app.hub.metrics.refused("pin");
            Err(too_many(span.0.div_ceil(1_000_000)))
        }
    }
}

fn too_many(seconds: u64) -> Problem {
    let detail = format!("too many wrong PINs: try again in {seconds} s");
    Problem::new(StatusCode::TOO_MANY_REQUESTS, detail)
        .with_header(header::RETRY_AFTER, HeaderValue::from(seconds))
}

/// `DELETE /api/v1/session`.
pub(super) async fn leave(State(app): State<App>, headers: HeaderMap) -> Response {
    with_cookie(&app.sessions.leave(&headers))
}

fn with_cookie(cookie: &str) -> Response {
    let mut response = StatusCode::NO_CONTENT.into_response();
    if let Ok(cookie) = HeaderValue::from_str(cookie) {
        response.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    response
}

/// `POST /api/v1/plan/reload`: reads the plan file again. A bad plan changes nothing and says so.
pub(super) async fn reload_plan(State(app): State<App>) -> Result<Response, Problem> {
    let Some(file) = app.plan_file.as_deref() else {
        let detail = "this daemon was not started from a plan file";
        return Err(Problem::new(StatusCode::CONFLICT, detail));
    };
    match reload::from_file(&app.hub, file).await {
        Ok(findings) => Ok(answer::json(
            json!({"findings": show::findings(&findings)}).to_string(),
        )),
        Err(error) => {
            let findings = show::findings(error.findings());
            Err(
                Problem::new(StatusCode::UNPROCESSABLE_ENTITY, error.to_string())
                    .with_findings(findings),
            )
        }
    }
}
