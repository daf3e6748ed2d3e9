//! The past: lanes, events, what was known at a moment, CSV.
//!
//! In: a range of time. Out: what the journal says, read through a connection of its own on a
//! thread that may wait, after everything that was told before has been written. How much one
//! answer holds has a limit; so has how many are made at a time.

use std::path::PathBuf;

use axum::body::{Body, Bytes};
use axum::extract::rejection::QueryRejection as Malformed;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::http::header::{self, HeaderValue};
use axum::response::Response;
use futures_util::stream;
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::sync::{OwnedSemaphorePermit, mpsc};

use super::App;
use super::answer::{Problem, json as as_json};
use crate::daemon::journal::lanes;
use crate::daemon::journal::past::{self, Past, PastError};
use crate::wire::history_json::{CSV_HEAD, csv_line};
use crate::wire::stamp::{moment, rfc3339};

/// Answers that are made at one time; each may read some megabytes.
pub(super) const READERS_MAX: usize = 2;
/// A range that is not given is so long.
const RANGE_US: i64 = 3 * 3_600_000_000;
/// Events of one answer, where nobody says.
const LIMIT: usize = 500;
/// Events of one answer at most.
const LIMIT_MAX: usize = 5_000;
/// Bytes of one piece of a table.
const PIECE: usize = 64 * 1_024;

type Answer = Result<Response, Problem>;

/// The parameters.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Range {
    from: Option<String>,
    to: Option<String>,
    view: Option<String>,
    step_ms: Option<i64>,
    limit: Option<usize>,
    after: Option<i64>,
}

/// The parameter of [`state`].
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct At {
    at: Option<String>,
}

fn bad(parameter: &str, detail: impl Into<String>) -> Problem {
    Problem::new(StatusCode::BAD_REQUEST, detail).with_parameter(parameter)
}

fn time(parameter: &str, text: &str) -> Result<i64, Problem> {
    moment(text).ok_or_else(|| {
        let detail = format!(
            "`{parameter}` is no time; give 2026-01-31T18:05:09Z, with its zone, or Unix seconds"
        );
        bad(parameter, detail)
    })
}

fn read<T>(query: Result<Query<T>, Malformed>, cure: &str) -> Result<T, Problem> {
    let Query(read) = query.map_err(|error| {
        let detail = format!("{}; ask for {cure}", error.body_text());
        Problem::new(StatusCode::BAD_REQUEST, detail)
    })?;
    Ok(read)
}

fn ends(app: &App, range: &Range) -> Result<(i64, i64), Problem> {
    let to = match &range.to {
        Some(text) => time("to", text)?,
        None => app.hub.clock.wall_now_us(),
    };
    let from = match &range.from {
        Some(text) => time("from", text)?,
        None => to.saturating_sub(RANGE_US),
    };
    if from > to {
        return Err(bad("from", "`from` is later than `to`; exchange them"));
    }
    Ok((from, to))
}

/// `GET /api/v1/history`.
pub(super) async fn range(
    State(app): State<App>,
    query: Result<Query<Range>, Malformed>,
) -> Answer {
    let range = read(query, "?from=TIME&to=TIME&view=lanes|events")?;
    let (from, to) = ends(&app, &range)?;
    // What is not asked for in this view has to be right all the same.
    let step_ms = range.step_ms.unwrap_or(0);
    if !(0..=86_400_000).contains(&step_ms) {
        return Err(bad("step_ms", "`step_ms` is milliseconds, 0 to 86400000"));
    }
    let limit = range.limit.unwrap_or(LIMIT);
    if !(1..=LIMIT_MAX).contains(&limit) {
        return Err(bad("limit", format!("`limit` is 1 to {LIMIT_MAX}")));
    }
    let after = range.after.unwrap_or(0);
    if after < 0 {
        return Err(bad("after", "`after` is the `next` of an answer"));
    }
    match range.view.as_deref() {
        None | Some("lanes") => {
            let made = with_past(&app, move |past| {
                lanes::between(&past, from, to, step_ms, lanes::ROWS_MAX)
            });
            let lanes = made.await?;
            let text = serde_json::to_string(&lanes).unwrap_or_else(|_| "{}".to_owned());
            Ok(as_json(text))
        }
        Some("events") => {
            let made = with_past(&app, move |past| past.events(from, to, after, limit));
            let (events, next) = made.await?;
            let (from, to) = (rfc3339(from), rfc3339(to));
            let answer = json!({"from": from, "to": to, "events": events, "next": next});
            Ok(as_json(answer.to_string()))
        }
        Some(_) => Err(bad("view", "`view` is lanes or events")),
    }
}

/// `GET /api/v1/history/state`.
pub(super) async fn state(State(app): State<App>, query: Result<Query<At>, Malformed>) -> Answer {
    let At { at } = read(query, "?at=TIME")?;
    let at = time("at", at.as_deref().unwrap_or_default())?;
    match with_past(&app, move |past| past.snapshot(at)).await? {
        Some(snapshot) => Ok(as_json(snapshot.to_string())),
        None => {
            let detail = "nothing was written down by then; /api/v1/history/extent says since when";
            Err(Problem::new(StatusCode::NOT_FOUND, detail).with_parameter("at"))
        }
    }
}

/// `GET /api/v1/history/extent`.
pub(super) async fn extent(State(app): State<App>) -> Answer {
    let made = with_past(&app, |past| {
        let boots: Vec<Value> = past
            .boots()
            .iter()
            .map(|boot| {
                json!({
                    "boot": boot.boot,
                    "from": rfc3339(boot.wall_us(0)),
                    "to": rfc3339(boot.ended_us()),
                    "trusted": boot.trusted,
                    "stopped": boot.stopped,
                })
            })
            .collect();
        let ends = |us: Option<i64>| us.map(rfc3339);
        let first = ends(past.boots().iter().map(|boot| boot.origin_us).min());
        let last = ends(past.boots().iter().map(past::Boot::ended_us).max());
        Ok(json!({"first": first, "last": last, "boots": boots}))
    });
    Ok(as_json(made.await?.to_string()))
}

/// `GET /api/v1/history.csv`: a table of events, a piece at a time.
pub(super) async fn csv(State(app): State<App>, query: Result<Query<Range>, Malformed>) -> Answer {
    let range = read(query, "?from=TIME&to=TIME")?;
    let (from, to) = ends(&app, &range)?;
    let (path, now, turn) = ready(&app).await?;
    let (sender, pieces) = mpsc::channel::<Result<Bytes, std::io::Error>>(4);
    tokio::task::spawn_blocking(move || {
        let written = write_csv(&path, now, (from, to), &sender);
        if let Err(error) = written {
            // The head is gone already: the table ends where it broke, and says that it did.
            let _ = sender.blocking_send(Err(std::io::Error::other(error.to_string())));
        }
        drop(turn);
    });
    let pieces = stream::unfold(pieces, |mut pieces| async {
        pieces.recv().await.map(|piece| (piece, pieces))
    });
    let mut response = Response::new(Body::from_stream(pieces));
    let headers = response.headers_mut();
    headers.insert(
        header::CONTENT_TYPE,
        HeaderValue::from_static("text/csv; charset=utf-8; header=present"),
    );
    let name = "attachment; filename=\"taillamp-history.csv\"";
    headers.insert(header::CONTENT_DISPOSITION, HeaderValue::from_static(name));
    Ok(response)
}

fn write_csv(
    path: &std::path::Path,
    now: i64,
    (from, to): (i64, i64),
    sender: &mpsc::Sender<Result<Bytes, std::io::Error>>,
) -> Result<(), PastError> {
    let past = Past::open(path, Some(now))?;
    let mut piece = String::from(CSV_HEAD);
    let mut after = 0;
    loop {
        let (events, next) = past.events(from, to, after, LIMIT_MAX)?;
        for event in &events {
            piece.push_str(&csv_line(event));
            if piece.len() >= PIECE
                && sender
                    .blocking_send(Ok(std::mem::take(&mut piece).into()))
                    .is_err()
            {
                // Whoever asked has gone.
                return Ok(());
            }
        }
        match next {
            Some(next) => after = next,
            None => break,
        }
    }
    // Nobody may be there any more.
    let _ = sender.blocking_send(Ok(piece.into()));
    Ok(())
}

/// Waits for its turn and until what was told is written: the file, the wall clock, the turn.
async fn ready(app: &App) -> Result<(PathBuf, i64, OwnedSemaphorePermit), Problem> {
    let Some(journal) = &app.journal else {
        let detail = "this daemon keeps no journal";
        return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail));
    };
    let stopping = |_| Problem::new(StatusCode::SERVICE_UNAVAILABLE, "the daemon is stopping");
    let turn = app.readers.clone().acquire_owned().await;
    let turn = turn.map_err(stopping)?;
    // A disk that does not follow shows an older past; that it does not is an alarm of its own.
    let _ = journal.sync().await;
    Ok((journal.path().to_owned(), app.hub.clock.wall_now_us(), turn))
}

async fn with_past<T: Send + 'static>(
    app: &App,
    make: impl FnOnce(Past) -> Result<T, PastError> + Send + 'static,
) -> Result<T, Problem> {
    let (path, now, turn) = ready(app).await?;
    let made = tokio::task::spawn_blocking(move || {
        let made = Past::open(&path, Some(now)).and_then(make);
        drop(turn);
        made
    });
    let made = made
        .await
        .map_err(|_| Problem::new(StatusCode::SERVICE_UNAVAILABLE, "the daemon is stopping"))?;
    made.map_err(|error| {
        tracing::warn!(%error, "the past could not be read");
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, error.to_string())
    })
}
