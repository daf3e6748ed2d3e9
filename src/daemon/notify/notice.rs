//! One piece of news about an alarm, and the shapes in which it leaves: CloudEvents 1.0 JSON, an
//! alert manager's alerts, filled templates, a mail's text.

use serde_json::{Value, json};

use crate::engine::alarm::kinds::Priority;
use crate::engine::snapshot::AlarmView;
use crate::wire::stamp;

/// What has happened to the alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// It is to be announced.
    Raised,
    /// Somebody has seen it.
    Acknowledged,
    /// Its condition is over, or it was put aside.
    Over,
}

impl Event {
    /// The word in templates and in an event's type.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Acknowledged => "acknowledged",
            Self::Over => "over",
        }
    }
}

/// News about an alarm.
#[derive(Clone, Debug)]
pub struct Notice {
    /// Unique among all notices of this source: start and number.
    pub number: String,
    /// What has happened.
    pub event: Event,
    /// When, microseconds since 1970.
    pub at_us: i64,
    /// Since when the alarm is raised, microseconds since 1970.
    pub since_us: i64,
    /// The layout's name.
    pub layout: String,
    /// The layout's topic prefix.
    pub prefix: String,
    /// The alarm.
    pub alarm: AlarmView,
}

impl Notice {
    /// The structured form of CloudEvents 1.0 (its JSON event format): `source` and `id` together
    /// are unique.
    #[must_use]
    pub fn cloud_event(&self) -> Value {
        let alarm = &self.alarm;
        json!({
            "specversion": "1.0",
            "id": self.number,
            "source": format!("/taillamp/{}", self.prefix),
            "type": format!("taillamp.alarm.{}", self.event.word()),
            "subject": alarm.id,
            "time": stamp::rfc3339(self.at_us),
            "datacontenttype": "application/json",
            "data": {
                "id": alarm.id,
                "type": alarm.kind.word(),
                "subject": alarm.subject,
                "priority": alarm.priority.word(),
                "state": alarm.state.word(),
                "active": alarm.active,
                "since": stamp::rfc3339(self.since_us),
                "text": alarm.text,
                "do": alarm.to_do,
                "seconds": alarm.seconds.map(|(least, most)| [round(least), round(most)]),
                "by": alarm.by,
                "layout": self.layout,
            },
        })
    }

    /// One alert of `/api/v2/alerts`. The labels are its identity, so nothing in them changes while
    /// it lasts; it ends at `ends_us` unless it is told again.
    #[must_use]
    pub fn alert(&self, ends_us: i64) -> Value {
        let alarm = &self.alarm;
        json!({
            "labels": {
                "alertname": alarm.kind.word(),
                "alarm": alarm.id,
                "subject": alarm.subject,
                "layout": self.layout,
                // Several daemons of one club have each their own.
                "prefix": self.prefix,
                // Its type's own priority: the present one can change.
                "severity": alarm.kind.doc().priority.word(),
            },
            "annotations": {
                "summary": alarm.text,
                "description": alarm.to_do,
                "priority": alarm.priority.word(),
                "consequence": alarm.kind.doc().consequence,
            },
            "startsAt": stamp::rfc3339(self.since_us),
            "endsAt": stamp::rfc3339(ends_us.max(self.since_us)),
        })
    }

    /// The subject line of a mail.
    #[must_use]
    pub fn headline(&self) -> String {
        let alarm = &self.alarm;
        let what = match self.event {
            Event::Raised => alarm.priority.word(),
            Event::Acknowledged | Event::Over => self.event.word(),
        };
        clean(&format!("[{what}] {} - {}", alarm.text, self.layout))
    }

    /// The text of a mail.
    #[must_use]
    pub fn letter(&self) -> String {
        let alarm = &self.alarm;
        let doc = alarm.kind.doc();
        let mut text = format!("{}\n\n", alarm.text);
        match self.event {
            Event::Raised => {
                text.push_str(&format!(
                    "Do: {}\nIf nobody does: {}\n",
                    doc.to_do, doc.consequence
                ));
            }
            Event::Acknowledged | Event::Over => {
                text.push_str(&format!("It is {} now.\n", alarm.state.word()));
            }
        }
        text.push_str(&format!(
            "\nAlarm {}, priority {}, raised {}, told {}.\n",
            alarm.id,
            alarm.priority.word(),
            stamp::rfc3339(self.since_us),
            stamp::rfc3339(self.at_us),
        ));
        text.push_str("A hobby aid: it watches and warns. Look before you move.\n");
        text
    }

    fn field(&self, name: &str) -> Option<String> {
        let alarm = &self.alarm;
        Some(match name {
            "text" => alarm.text.clone(),
            "do" => alarm.to_do.to_owned(),
            "id" => alarm.id.clone(),
            "type" => alarm.kind.word().to_owned(),
            "subject" => alarm.subject.clone(),
            "priority" => alarm.priority.word().to_owned(),
            "state" => alarm.state.word().to_owned(),
            "event" => self.event.word().to_owned(),
            "at" => stamp::rfc3339(self.at_us),
            "layout" => self.layout.clone(),
            "seconds" => alarm
                .seconds
                .map_or_else(String::new, |(least, _)| format!("{:.0}", least.floor())),
            _ => return None,
        })
    }

    /// A template with every `{{word}}` replaced; a word that is not known stays as it is written.
    #[must_use]
    pub fn fill(&self, template: &str, form: Form) -> String {
        let mut text = String::with_capacity(template.len() + 64);
        let mut rest = template;
        while let Some((before, after)) = rest.split_once("{{") {
            text.push_str(before);
            match after.split_once("}}") {
                Some((name, behind)) => {
                    match self.field(name.trim()) {
                        Some(value) => text.push_str(&form.escape(&value)),
                        None => text.push_str(&format!("{{{{{name}}}}}")),
                    }
                    rest = behind;
                }
                None => {
                    text.push_str("{{");
                    rest = after;
                }
            }
        }
        text.push_str(rest);
        text
    }

    /// How urgent.
    #[must_use]
    pub const fn priority(&self) -> Priority {
        self.alarm.priority
    }
}

/// What the text around a template's words is, so that no alarm's text can break out of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Plain text, of one or more lines.
    Plain,
    /// A single line: a header, an argument.
    Line,
    /// Inside a JSON string.
    Json,
    /// A form's value (`application/x-www-form-urlencoded`).
    Urlencoded,
    /// Text of XML or HTML.
    Markup,
}

impl Form {
    /// By the media type of a body.
    #[must_use]
    pub fn of(content_type: &str) -> Self {
        let kind = content_type.to_ascii_lowercase();
        if kind.contains("json") {
            Self::Json
        } else if kind.contains("urlencoded") {
            Self::Urlencoded
        } else if kind.contains("xml") || kind.contains("html") {
            Self::Markup
        } else {
            Self::Plain
        }
    }

    fn escape(self, value: &str) -> String {
        match self {
            Self::Plain => value.to_owned(),
            Self::Line => clean(value),
            Self::Json => {
                let quoted = Value::from(value).to_string();
                quoted[1..quoted.len() - 1].to_owned()
            }
            Self::Urlencoded => value
                .bytes()
                .map(|byte| match byte {
                    b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' => {
                        char::from(byte).to_string()
                    }
                    _ => format!("%{byte:02X}"),
                })
                .collect(),
            Self::Markup => value
                .replace('&', "&amp;")
                .replace('<', "&lt;")
                .replace('>', "&gt;")
                .replace('"', "&quot;"),
        }
    }
}

/// One line, without control characters.
fn clean(text: &str) -> String {
    let line = |c: char| if c.is_control() { ' ' } else { c };
    text.chars().map(line).collect()
}

fn round(seconds: f64) -> f64 {
    (seconds * 10.0).round() / 10.0
}

/// A notice of nothing, to try a way out.
#[must_use]
pub fn trial(layout: &str, prefix: &str, now_us: i64) -> Notice {
    use crate::engine::alarm::kinds::AlarmKind;
    use crate::engine::alarm::lifecycle::AlarmState;
    let kind = AlarmKind::SetNoTrain;
    Notice {
        number: format!("test-{now_us}"),
        event: Event::Raised,
        at_us: now_us,
        since_us: now_us,
        layout: layout.to_owned(),
        prefix: prefix.to_owned(),
        alarm: AlarmView {
            id: format!("{}:test", kind.word()),
            kind,
            subject: "test".to_owned(),
            priority: Priority::Low,
            state: AlarmState::Unacknowledged,
            active: true,
            since: crate::engine::time::Instant(0),
            text: "This is a test, nothing is wrong".to_owned(),
            to_do: "Nothing.",
            seconds: None,
            by: None,
            reason: None,
            until: None,
            quiet: None,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn notice(text: &str) -> Notice {
        let mut notice = trial("Wharf \"Lane\"", "wharf", 1_000_000);
        notice.alarm.text = text.to_owned();
        notice
    }

    #[test]
    fn no_text_breaks_out_of_its_template() {
        let notice = notice("a\"b\\c\r\nX: y<&>");
        let json = notice.fill("{\"t\":\"{{text}}\",\"l\":\"{{ layout }}\"}", Form::Json);
        let read: Value = serde_json::from_str(&json).expect("it is JSON still");
        assert_eq!(read["t"], "a\"b\\c\r\nX: y<&>");
        assert_eq!(read["l"], "Wharf \"Lane\"");
        assert_eq!(notice.fill("{{text}}", Form::Line), "a\"b\\c  X: y<&>");
        let form = notice.fill("t={{text}}", Form::Urlencoded);
        assert_eq!(form, "t=a%22b%5Cc%0D%0AX%3A%20y%3C%26%3E");
        let markup = notice.fill("<t>{{text}}</t>", Form::Markup);
        assert!(markup.ends_with("y&lt;&amp;&gt;</t>"), "{markup}");
    }

    #[test]
    fn what_is_no_field_stays_as_it_is() {
        let filled = notice("T").fill("{{text}} {{ what }} {{ {text} {{", Form::Plain);
        assert_eq!(filled, "T {{ what }} {{ {text} {{");
    }

    #[test]
    fn every_field_that_a_plan_may_name_says_something() {
        let notice = notice("T");
        for field in crate::plan::notify::FIELDS {
            assert!(notice.field(field).is_some(), "{field}");
        }
    }
}
