//! What an operator did: one event for each word, with who, when and why, whether it was carried
//! out or refused. The log, the stream and whoever keeps a history get it through the outlet.

use serde::Serialize;
use serde_json::Value;

use super::hub::Order;
use crate::engine::input::{Command, Word};
use crate::engine::time::Instant;
use crate::wire::stamp::{Label, Stamp};

/// The event's name in the stream, and the kind in a history.
pub const KIND: &str = "operator";

/// One action.
#[derive(Clone, Debug, PartialEq)]
pub struct Act {
    /// When.
    pub at: Instant,
    /// What was done: the verb of `P/do/` and of the API.
    pub act: String,
    /// With which item, by its written id.
    pub subject: String,
    /// Who; empty when not given.
    pub who: String,
    /// Why; empty when not given.
    pub why: String,
    /// For how long, where that applies, in minutes.
    pub minutes: Option<f64>,
    /// `page` or `mqtt`.
    pub from: &'static str,
    /// Why it was not carried out; `None`: it was.
    pub refused: Option<String>,
}

impl Act {
    /// An action that is about to be carried out.
    #[must_use]
    pub fn new(
        at: Instant,
        (act, subject): (&str, &str),
        command: &Command,
        word: &Word,
        from: &'static str,
    ) -> Self {
        let minutes = match command {
            Command::Shelve(_, span) | Command::InCharge(_, span) => {
                Some(span.as_secs_f64() / 60.0)
            }
            _ => None,
        };
        Self {
            at,
            act: act.to_owned(),
            subject: subject.to_owned(),
            who: word.who.clone(),
            why: word.why.clone(),
            minutes,
            from,
            refused: None,
        }
    }

    /// The same from a request.
    #[must_use]
    pub fn of_order(at: Instant, order: &Order, command: &Command, word: &Word) -> Self {
        Self::new(at, (&order.verb, &order.id), command, word, "page")
    }

    /// As JSON.
    #[must_use]
    pub fn json(&self, label: Label) -> String {
        let record = Record {
            at: label.stamp(self.at),
            act: &self.act,
            subject: &self.subject,
            who: said(&self.who),
            why: said(&self.why),
            minutes: self.minutes,
            from: self.from,
            refused: self.refused.as_deref(),
        };
        serde_json::to_string(&record).unwrap_or_else(|_| Value::Null.to_string())
    }

    /// One line of the log.
    pub fn log(&self) {
        tracing::info!(
            act = self.act,
            subject = self.subject,
            who = self.who,
            why = self.why,
            minutes = self.minutes,
            from = self.from,
            refused = self.refused,
            "operator"
        );
    }
}

fn said(text: &str) -> Option<&str> {
    (!text.is_empty()).then_some(text)
}

#[derive(Serialize)]
struct Record<'a> {
    at: Stamp,
    act: &'a str,
    subject: &'a str,
    who: Option<&'a str>,
    why: Option<&'a str>,
    minutes: Option<f64>,
    from: &'static str,
    refused: Option<&'a str>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::time::Span;

    #[test]
    fn it_says_who_when_and_why() {
        let command = Command::Shelve("left-diverging:w1".into(), Span::from_secs(90));
        let word = Word {
            who: "Ann".into(),
            why: "mending it".into(),
        };
        let item = ("shelve", "left-diverging:w1");
        let mut act = Act::new(Instant(2_000_000), item, &command, &word, "mqtt");
        act.refused = Some("no".into());
        let json: Value = serde_json::from_str(&act.json(Label::Seconds)).expect("JSON");
        let expected = serde_json::json!({
            "at": 2.0, "act": "shelve", "subject": "left-diverging:w1", "who": "Ann",
            "why": "mending it", "minutes": 1.5, "from": "mqtt", "refused": "no",
        });
        assert_eq!(json, expected);
    }
}
