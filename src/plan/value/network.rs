//! Addresses, topics and payload formats.

use std::net::{Ipv4Addr, SocketAddr};

use serde_json::{Value as Json, json};
use toml_edit::Item;

use super::{Kind, TEXT_BYTES_MAX, text, wrong_type};
use crate::plan::report::Report;

/// An address and port to listen on.
pub struct Listen;

impl Kind for Listen {
    type Value = SocketAddr;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<SocketAddr> {
        let text = text(item, at, key, "an address and port in quotes", report)?;
        let local = || {
            let port = text.strip_prefix("localhost:")?.parse().ok()?;
            Some(SocketAddr::from((Ipv4Addr::LOCALHOST, port)))
        };
        let address = text.parse().ok().or_else(local);
        if address.is_none() {
            let message = format!("`{text}` is not an address and port");
            let cure = "write \"127.0.0.1:8080\" for this computer only, \"0.0.0.0:8080\" for \
                        the whole network";
            report.error(at, "bad-address", message, cure);
        }
        address
    }

    fn schema() -> Json {
        json!({ "type": "string", "pattern": ":[0-9]+$" })
    }
}

/// An MQTT topic name.
pub struct Topic;

/// Why a text is no topic name, and the cure (MQTT 3.1.1 s 4.7); `None` if it is one.
#[must_use]
pub fn topic_fault(topic: &str) -> Option<(&'static str, &'static str)> {
    if topic.is_empty() {
        return Some((
            "is empty (MQTT 3.1.1 s 4.7.3)",
            "write a topic, or leave the key out",
        ));
    }
    if topic.contains('\0') {
        return Some(("holds a NUL character (MQTT 3.1.1 s 4.7.3)", "take it out"));
    }
    if topic.contains(['+', '#']) {
        let cure = "name one topic: + and # are for subscriptions only";
        return Some(("holds a wildcard (MQTT 3.1.1 s 4.7.1)", cure));
    }
    if topic.len() > TEXT_BYTES_MAX {
        return Some((
            "is longer than 65535 bytes (MQTT 3.1.1 s 4.7.3)",
            "shorten it",
        ));
    }
    None
}

impl Kind for Topic {
    type Value = String;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<String> {
        let Some(topic) = item.as_str() else {
            wrong_type(item, at, key, "a topic in quotes", report);
            return None;
        };
        if let Some((fault, cure)) = topic_fault(topic) {
            report.error(at, "bad-topic", format!("`{key}` {fault}"), cure);
            return None;
        }
        Some(topic.to_owned())
    }

    fn schema() -> Json {
        json!({ "type": "string", "minLength": 1, "pattern": "^[^+#\\u0000]+$" })
    }
}

/// An address with one of a few schemes and a host.
pub(super) fn url(
    item: &Item,
    at: usize,
    key: &str,
    schemes: &[&str],
    report: &mut Report,
) -> Option<String> {
    let text = text(item, at, key, "an address in quotes", report)?;
    let rest = schemes
        .iter()
        .find_map(|scheme| text.strip_prefix(scheme)?.strip_prefix("://"));
    let host = |rest: &str| !rest.is_empty() && !rest.starts_with(['/', ':', '?']);
    if rest.is_some_and(host) && !text.contains(char::is_whitespace) {
        return Some(text.to_owned());
    }
    let forms: Vec<String> = schemes
        .iter()
        .map(|scheme| format!("{scheme}://host"))
        .collect();
    let message = format!("`{key}` is not an address of that kind");
    report.error(
        at,
        "bad-address",
        message,
        format!("write {}", forms.join(" or ")),
    );
    None
}

/// `mqtt://host:port` or `mqtts://host:port`.
pub struct BrokerUrl;

impl Kind for BrokerUrl {
    type Value = String;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<String> {
        let url = url(item, at, key, &["mqtt", "mqtts"], report)?;
        let authority = url.split_once("://").map_or("", |(_, authority)| authority);
        if authority.contains('@') {
            let cure = "write `user` and `password_file` instead";
            let message = "the broker's address holds a user or password, which logs would show";
            report.error(at, "bad-address", message, cure);
            return None;
        }
        let port = match authority.rsplit_once(':') {
            Some((_, port)) if !port.ends_with(']') => Some(port),
            _ => None,
        };
        if authority.contains('/') || port.is_some_and(|port| port.parse::<u16>().is_err()) {
            let message = "the broker's address is not host and port";
            report.error(at, "bad-address", message, "write mqtt://host:1883");
            return None;
        }
        Some(url)
    }

    fn schema() -> Json {
        json!({ "type": "string", "pattern": "^mqtts?://[^\\s/@]+$" })
    }
}

/// How a payload is read, without the words.
#[derive(Clone, Debug, PartialEq)]
pub enum FormatDoc {
    /// `senml`.
    SenMl,
    /// `number`.
    Number,
    /// `words`.
    Words,
    /// `pointer:/...` (RFC 6901).
    Pointer(String),
}

/// The kind of `format`.
pub struct FormatText;

/// RFC 6901 s 3: empty, or tokens that each begin with `/`; `~` only as `~0` or `~1`.
fn is_pointer(text: &str) -> bool {
    let escapes = || {
        text.split('~')
            .skip(1)
            .all(|rest| rest.starts_with(['0', '1']))
    };
    text.is_empty() || (text.starts_with('/') && escapes())
}

impl Kind for FormatText {
    type Value = FormatDoc;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<FormatDoc> {
        let text = text(item, at, key, "a format in quotes", report)?;
        if let Some(pointer) = text.strip_prefix("pointer:") {
            if is_pointer(pointer) {
                return Some(FormatDoc::Pointer(pointer.to_owned()));
            }
            let message = format!("`{pointer}` is not a JSON Pointer (RFC 6901 s 3)");
            let cure = "begin each step with /, and write ~ as ~0 and / as ~1 inside a step";
            report.error(at, "bad-pointer", message, cure);
            return None;
        }
        match text {
            "senml" => Some(FormatDoc::SenMl),
            "number" => Some(FormatDoc::Number),
            "words" => Some(FormatDoc::Words),
            _ => {
                let message = format!("`{text}` is not a format");
                let cure = "use one of senml, number, words, pointer:/path/in/the/json";
                report.error(at, "bad-word", message, cure);
                None
            }
        }
    }

    fn schema() -> Json {
        json!({ "anyOf": [
            { "enum": ["senml", "number", "words"] },
            { "type": "string", "pattern": "^pointer:(/([^~]|~[01])*)?$" },
        ] })
    }
}
