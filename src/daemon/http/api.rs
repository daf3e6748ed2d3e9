//! Reading: the snapshot, the items, line-up, the road. What is read off a snapshot is read off one
//! a request, so that what belongs together is of one moment.

use std::sync::LazyLock;

use axum::extract::rejection::QueryRejection as Malformed;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use serde::Deserialize;

use super::App;
use super::answer::{Problem, json};
use super::squeeze;
use crate::daemon::hub::RoadWanted;
use crate::daemon::show::{self, Kind};
use crate::wire::{alarms_json, state_json};

type Answer = Result<Response, Problem>;

/// `GET /api/v1/state`.
pub(super) async fn state(State(app): State<App>, headers: HeaderMap) -> Answer {
    let shot = app.hub.shot().await?;
    let packed = show::snapshot(&shot, &app.hub.clock);
    Ok(squeeze::kept(json, packed, squeeze::taken(&headers)))
}

/// `GET /api/v1/KIND`: all items of a kind, by id.
pub(super) async fn list(app: App, kind: Kind) -> Answer {
    let shot = app.hub.shot().await?;
    Ok(json(show::section(&shot, kind, &app.hub.clock)))
}

/// `GET /api/v1/KIND/ID`.
pub(super) async fn one(app: App, kind: Kind, Path(id): Path<String>) -> Answer {
    let shot = app.hub.shot().await?;
    match show::item(&shot, kind, &id, &app.hub.clock) {
        Some(record) => Ok(json(record)),
        None => {
            let detail = format!("there is no {} {id:?} now", kind.word());
            Err(Problem::new(StatusCode::NOT_FOUND, detail))
        }
    }
}

/// `GET /api/v1/line-up`.
pub(super) async fn line_up(State(app): State<App>) -> Answer {
    let shot = app.hub.shot().await?;
    Ok(json(state_json::line_up_json(&shot.snapshot.line_up)))
}

/// `GET /api/v1/measures`: how much the alarms ask of the operator, beside the standard's limits.
pub(super) async fn measures(State(app): State<App>) -> Answer {
    let shot = app.hub.shot().await?;
    Ok(json(alarms_json::measures_json(&shot.snapshot.measures)))
}

/// `GET /api/v1/alarm-kinds`: every type of alarm, documented once.
pub(super) async fn alarm_kinds() -> Response {
    static TEXT: LazyLock<String> = LazyLock::new(alarms_json::kinds_json);
    json(TEXT.as_str())
}

/// `GET /api/v1/road`: the ways from one block to another.
pub(super) async fn road(State(app): State<App>, query: Result<Query<Road>, Malformed>) -> Answer {
    let Query(Road { from, to }) = query.map_err(|error| {
        let detail = format!("{}; ask for ?from=BLOCK&to=BLOCK", error.body_text());
        Problem::new(StatusCode::BAD_REQUEST, detail)
    })?;
    match app.hub.road(RoadWanted { from, to }).await? {
        Ok(road) => Ok(json(road)),
        Err(error) => {
            let problem = Problem::new(StatusCode::BAD_REQUEST, error.to_string());
            Err(problem.with_parameter(error.parameter()))
        }
    }
}

/// The parameters of [`road`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Road {
    from: Option<String>,
    to: Option<String>,
}

/// Everything else.
pub(super) async fn nothing() -> Problem {
    let detail = "there is nothing here; /openapi.json lists what there is";
    Problem::new(StatusCode::NOT_FOUND, detail)
}

/// The path is right and the method is not.
pub(super) async fn wrong_method() -> Problem {
    let detail = "this cannot be done here; /openapi.json lists what can";
    Problem::new(StatusCode::METHOD_NOT_ALLOWED, detail)
}
