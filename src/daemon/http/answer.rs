//! How requests are answered: JSON, and errors as problem JSON (RFC 9457).

use axum::http::StatusCode;
use axum::http::header::{self, HeaderName, HeaderValue};
use axum::response::{IntoResponse, Response};
use serde_json::{Map, Value};

use crate::daemon::hub::NoAnswer;
use crate::wire::problem;

/// The media type of an error (RFC 9457, section 3).
const PROBLEM: HeaderValue = HeaderValue::from_static(problem::MEDIA_TYPE);
const JSON: HeaderValue = HeaderValue::from_static("application/json");

/// An error for the client: the status says what kind, the detail what is wrong and what to do.
#[derive(Debug)]
pub(super) struct Problem {
    status: StatusCode,
    detail: String,
    // Boxed: a result that is good should not carry the room for a bad one.
    extra: Box<Extra>,
}

/// What few problems have.
#[derive(Debug, Default)]
struct Extra {
    header: Option<(HeaderName, HeaderValue)>,
    member: Option<(&'static str, Value)>,
}

impl Problem {
    /// A problem whose title is the status's own.
    pub(super) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self {
            status,
            detail: detail.into(),
            extra: Box::default(),
        }
    }

    /// With one more header.
    pub(super) fn with_header(mut self, name: HeaderName, value: HeaderValue) -> Self {
        self.extra.header = Some((name, value));
        self
    }

    /// With the findings of a plan.
    pub(super) fn with_findings(mut self, findings: Value) -> Self {
        self.extra.member = Some(("findings", findings));
        self
    }

    /// With the parameter of the query that is wrong.
    pub(super) fn with_parameter(mut self, parameter: &str) -> Self {
        self.extra.member = Some(("parameter", parameter.into()));
        self
    }
}

impl From<Problem> for Response {
    fn from(problem: Problem) -> Self {
        problem.into_response()
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let title = self.status.canonical_reason().unwrap_or("Error");
        let body = problem::Problem::new(self.status.as_u16(), title, self.detail);
        let body = with_member(body.to_json(), self.extra.member);
        let mut response = (self.status, body).into_response();
        response.headers_mut().insert(header::CONTENT_TYPE, PROBLEM);
        if let Some((name, value)) = self.extra.header {
            response.headers_mut().insert(name, value);
        }
        response
    }
}

/// With an extension member (RFC 9457, section 3.2).
fn with_member(problem: String, member: Option<(&'static str, Value)>) -> String {
    let Some((name, value)) = member else {
        return problem;
    };
    let mut members: Map<String, Value> = serde_json::from_str(&problem).unwrap_or_default();
    members.insert(name.into(), value);
    Value::Object(members).to_string()
}

impl From<NoAnswer> for Problem {
    fn from(error: NoAnswer) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, error.to_string())
            .with_header(header::RETRY_AFTER, HeaderValue::from_static("1"))
    }
}

/// JSON that is already text.
pub(super) fn json(text: impl Into<axum::body::Body>) -> Response {
    let mut response = Response::new(text.into());
    response.headers_mut().insert(header::CONTENT_TYPE, JSON);
    response
}
