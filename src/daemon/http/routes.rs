//! The table of the API: every route, what it is for, and who carries it out.
//!
//! The router and `/openapi.json` are made from the same table, so that neither can know what the
//! other does not.

use axum::extract::{Path, State};
use axum::routing::{MethodRouter, get, post};

use super::{App, acts, api, events, health, history, openapi};
use crate::daemon::show::Kind;
use crate::wire::commands::Target;

/// What a route reads or does, for its documentation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shape {
    /// The whole snapshot.
    Snapshot,
    /// All items of a kind.
    List(Kind),
    /// One item.
    Item(Kind),
    /// The exceptions list.
    LineUp,
    /// The ways between two blocks.
    Road,
    /// The measures of alarm management.
    Measures,
    /// The table of alarm types.
    AlarmKinds,
    /// Lanes or events of a range of time.
    History,
    /// The snapshot as it was.
    Past,
    /// Since when there is a past.
    Extent,
    /// A table of events.
    Csv,
    /// The operator's word about an item of a kind.
    Word(Kind),
    /// The PIN.
    Pin,
    /// Whether a session is needed and held.
    Session,
    /// The end of the session.
    Leave,
    /// The findings of a plan.
    Findings,
    /// Text for programs, of this media type.
    Text(&'static str),
    /// This documentation.
    OpenApi,
}

/// One method of one path.
#[derive(Clone, Copy, Debug)]
pub(super) struct Doc {
    pub method: &'static str,
    pub summary: &'static str,
    pub shape: Shape,
}

/// One path.
pub(super) struct Route {
    pub path: String,
    pub docs: Vec<Doc>,
    pub router: MethodRouter<App>,
}

/// Verbs, each with what it says.
type Words = &'static [(&'static str, &'static str)];

/// The operator's words, by kind of item.
const WORDS: [(Kind, Target, Words); 5] = [
    (
        Kind::Alarms,
        Target::Alarm,
        &[
            ("acknowledge", "The alarm was seen"),
            ("shelve", "Put the alarm aside for some minutes"),
            ("unshelve", "End the shelving"),
            ("reset", "A latched alarm is done with"),
            ("out-of-service", "Put the alarm aside for maintenance"),
            ("in-service", "Back from maintenance"),
        ],
    ),
    (
        Kind::Trains,
        Target::Train,
        &[
            ("name", "Give the train a name"),
            (
                "divide",
                "A part of the train stays where it is, as a train of its own",
            ),
        ],
    ),
    (
        Kind::Blocks,
        Target::Block,
        &[
            ("stands-here", "A train stands in this block"),
            ("empty", "This block is empty"),
            ("removed-by-hand", "What stood in this block was lifted off"),
        ],
    ),
    (
        Kind::Turnouts,
        Target::Turnout,
        &[
            ("seen", "The points were seen in this position"),
            (
                "in-charge",
                "The operator answers for these points for some minutes",
            ),
        ],
    ),
    (
        Kind::Detectors,
        Target::Detector,
        &[
            ("out-of-service", "The detector is not to be believed"),
            ("in-service", "It is to be believed again"),
        ],
    ),
];

/// Every route of the API, the page's files aside.
pub(super) fn all() -> Vec<Route> {
    let mut routes = fixed();
    for kind in Kind::ALL {
        let path = format!("/api/v1/{}", kind.plural());
        let list = get(move |State(app): State<App>| api::list(app, kind));
        let summary = "All items of the kind, by id";
        routes.push(one(&path, "get", summary, Shape::List(kind), list));
        let item = get(move |State(app): State<App>, id: Path<String>| api::one(app, kind, id));
        let path = format!("{path}/{{id}}");
        routes.push(one(&path, "get", "One item", Shape::Item(kind), item));
    }
    for (kind, target, words) in WORDS {
        for &(verb, summary) in words {
            let path = format!("/api/v1/{}/{{id}}/{verb}", kind.plural());
            let act = post(move |State(app): State<App>, id: Path<String>, body| {
                acts::order(app, target, verb, id, body)
            });
            routes.push(one(&path, "post", summary, Shape::Word(kind), act));
        }
    }
    routes
}

fn fixed() -> Vec<Route> {
    let mut routes = for_people();
    routes.extend(for_programs());
    routes.extend(of_the_past());
    routes
}

fn of_the_past() -> Vec<Route> {
    let range = "What was, over a range of time: lanes of states, or events";
    let state = "Everything, as it was known at a moment";
    let extent = "Since when there is a past, and every run of the daemon";
    let csv = "Events of a range of time as a table";
    vec![
        one(
            "/api/v1/history",
            "get",
            range,
            Shape::History,
            get(history::range),
        ),
        one(
            "/api/v1/history/state",
            "get",
            state,
            Shape::Past,
            get(history::state),
        ),
        one(
            "/api/v1/history/extent",
            "get",
            extent,
            Shape::Extent,
            get(history::extent),
        ),
        one(
            "/api/v1/history.csv",
            "get",
            csv,
            Shape::Csv,
            get(history::csv),
        ),
    ]
}

fn for_people() -> Vec<Route> {
    let whole = "Everything, now";
    let line_up = "What keeps it from running";
    let road = "The ways from one block to another, best first, and what to set for each";
    let reload = "Read the plan file again; a bad plan changes nothing";
    let changes = "The changes, as they come; ?listening=1 says that somebody hears the page";
    let measures = "How much the alarms ask of the operator, beside the standards' limits";
    let kinds = "Every type of alarm: cause, consequence, what to do, priority and why";
    let stream = Shape::Text("text/event-stream");
    let (act, shape) = (post(acts::reload_plan), Shape::Findings);
    vec![
        one(
            "/api/v1/state",
            "get",
            whole,
            Shape::Snapshot,
            get(api::state),
        ),
        one(
            "/api/v1/line-up",
            "get",
            line_up,
            Shape::LineUp,
            get(api::line_up),
        ),
        one("/api/v1/road", "get", road, Shape::Road, get(api::road)),
        one(
            "/api/v1/measures",
            "get",
            measures,
            Shape::Measures,
            get(api::measures),
        ),
        one(
            "/api/v1/alarm-kinds",
            "get",
            kinds,
            Shape::AlarmKinds,
            get(api::alarm_kinds),
        ),
        one("/api/v1/plan/reload", "post", reload, shape, act),
        session(),
        one("/events", "get", changes, stream, get(events::open)),
    ]
}

fn session() -> Route {
    let doc = |method, summary, shape| Doc {
        method,
        summary,
        shape,
    };
    Route {
        path: acts::SESSION.into(),
        docs: vec![
            doc("get", "Whether a PIN is needed", Shape::Session),
            doc("post", "Enter the PIN", Shape::Pin),
            doc("delete", "End the session", Shape::Leave),
        ],
        router: get(acts::session).post(acts::enter).delete(acts::leave),
    }
}

fn for_programs() -> Vec<Route> {
    let text = Shape::Text("text/plain");
    let metrics = "Metrics, Prometheus text format";
    let document = "This document";
    vec![
        one("/metrics", "get", metrics, text, get(health::metrics)),
        one(
            "/healthz",
            "get",
            "Whether the process is well",
            text,
            get(health::healthz),
        ),
        one(
            "/readyz",
            "get",
            "Whether it can do its work",
            text,
            get(health::readyz),
        ),
        one(
            "/openapi.json",
            "get",
            document,
            Shape::OpenApi,
            get(openapi::get),
        ),
    ]
}

fn one(
    path: &str,
    method: &'static str,
    summary: &'static str,
    shape: Shape,
    router: MethodRouter<App>,
) -> Route {
    Route {
        path: path.into(),
        docs: vec![Doc {
            method,
            summary,
            shape,
        }],
        router,
    }
}
