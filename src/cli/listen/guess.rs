//! What a topic's payload looks like, as `[[detector]]` lines for the plan. A guess: the owner
//! knows what the board measures, and says which block it watches.

use serde_json::Value;

/// Characters of a payload that are shown.
const SHOWN_MAX: usize = 160;

/// Text from the network, fit for a terminal and for a comment.
pub(super) fn plain(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .collect()
}

/// A payload, fit for a terminal and for a comment.
pub(super) fn shown(payload: &[u8]) -> String {
    let text = plain(&String::from_utf8_lossy(payload));
    let short: String = text.chars().take(SHOWN_MAX).collect();
    if short.len() < text.len() {
        format!("{short}...")
    } else {
        short
    }
}

/// The lines.
pub(super) fn lines(topic: &str, payload: &[u8]) -> String {
    let look = Look::of(payload);
    let quoted = |value: &str| toml_edit::Value::from(value).to_string();
    let mut lines = vec![
        "[[detector]]".to_owned(),
        format!("id = {}", quoted(&id(topic))),
        format!("topic = {}", quoted(topic)),
        format!("kind = {}", quoted(look.kind)),
        "block = \"\"   # the block that it watches".to_owned(),
    ];
    if let Some(unit) = look.unit {
        lines.push(format!("unit = {}", quoted(unit)));
    }
    if look.kind != "contact" {
        lines.push("on = 3.0   # at or above this a vehicle: look at both states".to_owned());
        lines.push("off = 1.5  # at or below this none".to_owned());
    }
    if let Some(format) = look.format {
        lines.push(format!("format = {}", quoted(&format)));
    }
    if let Some(words) = look.words {
        lines.push(words.to_owned());
    }
    lines.join("\n")
}

/// What a payload looks like.
struct Look {
    kind: &'static str,
    unit: Option<&'static str>,
    format: Option<String>,
    words: Option<&'static str>,
}

impl Look {
    fn of(payload: &[u8]) -> Self {
        let number = |format: String| Self {
            kind: "current",
            unit: Some("mA"),
            format: Some(format),
            words: None,
        };
        let json: Option<Value> = serde_json::from_slice(payload).ok();
        match json {
            Some(Value::Array(records)) => Self::pack(&records),
            Some(Value::Number(_)) => number("number".into()),
            Some(value @ Value::Object(_)) => match first_number(&value, String::new()) {
                Some(pointer) => number(format!("pointer:{pointer}")),
                None => Self::words(),
            },
            Some(Value::Bool(_) | Value::String(_) | Value::Null) | None => Self::words(),
        }
    }

    /// A pack: the first unit or boolean that a detector can have.
    fn pack(records: &[Value]) -> Self {
        let pack = |kind, unit| Self {
            kind,
            unit,
            format: None,
            words: None,
        };
        let mut base = "";
        for record in records {
            let text = |key: &str| record.get(key).and_then(Value::as_str);
            base = text("bu").unwrap_or(base);
            match text("u").unwrap_or(base) {
                "A" | "mA" => return pack("current", Some("mA")),
                "%" => return pack("optical", Some("%")),
                "/" => return pack("optical", Some("/")),
                "lx" => return pack("optical", Some("lx")),
                _ if record.get("vb").is_some() => return pack("contact", None),
                _ => {}
            }
        }
        pack("contact", None)
    }

    fn words() -> Self {
        Self {
            kind: "contact",
            unit: None,
            format: Some("words".into()),
            words: Some("words = { on = [\"1\"], off = [\"0\"] }   # what the board says"),
        }
    }
}

/// Where in a document the first number stands (RFC 6901).
fn first_number(value: &Value, at: String) -> Option<String> {
    match value {
        Value::Number(_) => Some(at),
        Value::Object(members) => members.iter().find_map(|(key, value)| {
            let key = key.replace('~', "~0").replace('/', "~1");
            first_number(value, format!("{at}/{key}"))
        }),
        Value::Array(_) | Value::Bool(_) | Value::Null | Value::String(_) => None,
    }
}

/// An id made of the topic's end.
fn id(topic: &str) -> String {
    let end = topic
        .rsplit('/')
        .find(|level| !level.is_empty())
        .unwrap_or("detector");
    let mut id: String = end
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                '-'
            }
        })
        .take(32)
        .collect();
    if id.trim_matches('-').is_empty() {
        id = "detector".into();
    }
    id
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::{self, Level};

    /// What is printed can be pasted into a plan, once the block is named.
    #[test]
    fn the_lines_can_be_pasted() {
        let cases: [(&str, &str, &[&str]); 6] = [
            (
                "a/D 1",
                r#"[{"n":"current","u":"A","v":0.01}]"#,
                &["current", "mA"],
            ),
            (
                "a/d-2",
                r#"[{"bn":"x","bu":"lx"},{"v":300}]"#,
                &["optical", "lx"],
            ),
            ("a/d-3", r#"[{"n":"seen","vb":true}]"#, &["contact"]),
            ("a/d-4", "12.5", &["current", "\"number\""]),
            ("a/d-5", r#"{"ch/1":{"ma":12}}"#, &["pointer:/ch~11/ma"]),
            ("a/\"quoted\"", "ON", &["words", "contact"]),
        ];
        for (topic, payload, expected) in cases {
            let lines = lines(topic, payload.as_bytes());
            for word in expected {
                assert!(lines.contains(word), "{word} in {lines}");
            }
            let lines = lines.replace("block = \"\"", "block = \"b1\"");
            let plan = format!(
                "[layout]\nname = \"x\"\nscale = \"HO\"\n[[block]]\nid = \"b1\"\n{lines}\n"
            );
            let (_, findings) = plan::load(&plan, "plan.toml");
            let errors: Vec<_> = findings
                .iter()
                .filter(|f| f.level == Level::Error)
                .collect();
            assert!(errors.is_empty(), "{errors:?}\n{plan}");
        }
    }

    #[test]
    fn pointers_are_escaped() {
        let value: Value = serde_json::from_str(r#"{"a/b":{"m~n":1}}"#).expect("JSON");
        assert_eq!(
            first_number(&value, String::new()).as_deref(),
            Some("/a~1b/m~0n")
        );
    }

    #[test]
    fn what_comes_from_the_network_does_not_reach_the_terminal_raw() {
        assert_eq!(shown(b"a\x1b[2Jb\n"), "a\u{fffd}[2Jb\u{fffd}");
        assert!(shown("x".repeat(1_000).as_bytes()).ends_with("..."));
    }
}
