//! Error answers: problem details for HTTP APIs (RFC 9457).
//!
//! Inputs: what went wrong. Output: the body of an answer with media type [`MEDIA_TYPE`]. It does
//! not know HTTP libraries.

use serde::Serialize;

/// The media type of the body.
pub const MEDIA_TYPE: &str = "application/problem+json";

/// A problem.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// A URI reference that names the kind; absent means `about:blank`, 'as the status says'.
    #[serde(rename = "type", skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// What happened, the same for every problem of the kind.
    pub title: String,
    /// The HTTP status; the answer has to carry the same.
    pub status: u16,
    /// What happened this time, and what to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
    /// A URI reference that names this occurrence.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub instance: Option<String>,
    /// What is wrong where in the request's body (RFC 9457, section 3, its second example).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<Fault>,
}

/// One thing that is wrong in a request's body.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// What is wrong, and what would be right.
    pub detail: String,
    /// Where: a JSON Pointer as a URI fragment (RFC 6901, section 6).
    pub pointer: String,
}

impl Problem {
    /// A problem that the status says nearly all about.
    #[must_use]
    pub fn new(status: u16, title: &str, detail: impl Into<String>) -> Self {
        Self {
            kind: None,
            title: title.to_owned(),
            status,
            detail: Some(detail.into()),
            instance: None,
            errors: Vec::new(),
        }
    }

    /// The body.
    #[must_use]
    pub fn to_json(&self) -> String {
        // Plain text and numbers always serialize; were it not so, an empty object is a problem of
        // type `about:blank`.
        serde_json::to_string(self).unwrap_or_else(|_| "{}".to_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::{Fault, Problem};

    #[test]
    fn the_example_with_two_faults() {
        // RFC 9457, section 3: members and pointers of the validation-error example.
        let fault = |detail: &str, pointer: &str| Fault {
            detail: detail.to_owned(),
            pointer: pointer.to_owned(),
        };
        let problem = Problem {
            kind: Some("https://example.net/validation-error".to_owned()),
            title: "Your request is not valid.".to_owned(),
            status: 422,
            detail: None,
            instance: None,
            errors: vec![
                fault("must be a positive integer", "#/age"),
                fault("must be 'green', 'red' or 'blue'", "#/profile/color"),
            ],
        };
        let expected = concat!(
            r#"{"type":"https://example.net/validation-error","#,
            r#""title":"Your request is not valid.","status":422,"#,
            r##""errors":[{"detail":"must be a positive integer","pointer":"#/age"},"##,
            r##"{"detail":"must be 'green', 'red' or 'blue'","pointer":"#/profile/color"}]}"##
        );
        assert_eq!(problem.to_json(), expected);
    }

    #[test]
    fn what_is_not_known_is_absent() {
        let problem = Problem::new(404, "Not Found", "no block `loop-est` in the plan");
        let expected =
            r#"{"title":"Not Found","status":404,"detail":"no block `loop-est` in the plan"}"#;
        assert_eq!(problem.to_json(), expected);
    }
}
