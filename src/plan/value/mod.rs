//! The kinds of value that a plan may hold: how each is read from TOML, with every fault reported
//! at its place, and how each looks in the JSON Schema. Both come from one type, so that they
//! agree.
//!
//! Input: one TOML item. Output: a value, or a finding. It knows nothing of other items of the
//! plan.

mod list;
mod network;
mod notify;
mod number;
mod track;

use serde_json::{Value as Json, json};
use toml_edit::Item;

use super::report::Report;
use super::scale;

pub use list::{List, Pair, TopicList, Topics, WordList, Words};
pub use network::{BrokerUrl, FormatDoc, FormatText, Listen, Topic, topic_fault};
pub use notify::{ClockTime, NotifyUrl};
pub use number::{Count, Hours, Millis, Minutes, NotNegative, Number, Positive, Range, Seconds};
pub use track::{End, EndRef, Part, Via};

/// A value and where it stands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Spanned<T> {
    /// The value.
    pub value: T,
    /// Its first byte in the file.
    pub at: usize,
    /// The plan gives it; otherwise it is the published default.
    pub given: bool,
}

/// A kind of value.
pub trait Kind {
    /// What it is in Rust.
    type Value;
    /// Reads it; `None` after having reported what is wrong. `key` is for messages.
    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<Self::Value>;
    /// Its JSON Schema.
    fn schema() -> Json;
}

/// The longest text in a plan, in bytes: an MQTT topic's limit (MQTT 3.1.1 s 4.7.3).
pub const TEXT_BYTES_MAX: usize = 65_535;
/// The longest id, in characters.
pub const ID_CHARS_MAX: usize = 32;

/// Where an item stands; the fallback where TOML gives no place (tables made by dotted keys).
#[must_use]
pub fn place(item: &Item, fallback: usize) -> usize {
    item.span().map_or(fallback, |span| span.start)
}

fn wrong_type(item: &Item, at: usize, key: &str, wanted: &str, report: &mut Report) {
    let found = item.type_name();
    report.error(
        at,
        "wrong-type",
        format!("`{key}` is of type {found} where {wanted} is wanted"),
        format!("write {wanted}"),
    );
}

fn text<'i>(
    item: &'i Item,
    at: usize,
    key: &str,
    wanted: &str,
    report: &mut Report,
) -> Option<&'i str> {
    let Some(text) = item.as_str() else {
        wrong_type(item, at, key, wanted, report);
        return None;
    };
    if text.len() > TEXT_BYTES_MAX {
        let message = format!("`{key}` is {} bytes long", text.len());
        report.error(
            at,
            "too-long",
            message,
            format!("use at most {TEXT_BYTES_MAX} bytes"),
        );
        return None;
    }
    Some(text)
}

/// Any text that is not empty.
pub struct Text;

impl Kind for Text {
    type Value = String;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<String> {
        let text = text(item, at, key, "a text in quotes", report)?;
        if text.trim().is_empty() {
            let cure = "write something, or leave the key out";
            report.error(at, "empty-text", format!("`{key}` is empty"), cure);
            return None;
        }
        Some(text.to_owned())
    }

    fn schema() -> Json {
        json!({ "type": "string", "minLength": 1 })
    }
}

/// Text that may be empty: a payload.
pub struct Payload;

impl Kind for Payload {
    type Value = String;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<String> {
        text(item, at, key, "a text in quotes", report).map(str::to_owned)
    }

    fn schema() -> Json {
        json!({ "type": "string" })
    }
}

/// An id: `[a-z0-9-]{1,32}`.
pub struct Id;

/// Whether a text has the form of an id.
#[must_use]
pub fn is_id(text: &str) -> bool {
    let of_id = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
    (1..=ID_CHARS_MAX).contains(&text.len()) && text.bytes().all(of_id)
}

/// The id that was probably meant: small letters, everything else a hyphen.
fn mended_id(text: &str) -> Option<String> {
    let of_id = |c: char| {
        if c.is_ascii_alphanumeric() {
            c.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    let mended: String = text.trim().chars().take(ID_CHARS_MAX).map(of_id).collect();
    let mended = mended.trim_matches('-');
    is_id(mended).then(|| mended.to_owned())
}

impl Kind for Id {
    type Value = String;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<String> {
        let text = text(item, at, key, "an id in quotes", report)?;
        if is_id(text) {
            return Some(text.to_owned());
        }
        let rule = "1 to 32 of a-z, 0-9 and -";
        let cure = mended_id(text)
            .map_or_else(|| format!("use {rule}"), |id| format!("use {rule}: `{id}`"));
        // A quote that was forgotten makes an id of half the file.
        let shown: String = text.chars().take(2 * ID_CHARS_MAX).collect();
        report.error(at, "bad-id", format!("`{shown}` is not an id"), cure);
        None
    }

    fn schema() -> Json {
        json!({ "type": "string", "pattern": "^[a-z0-9-]{1,32}$" })
    }
}

/// `true` or `false`.
pub struct Flag;

impl Kind for Flag {
    type Value = bool;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<bool> {
        let flag = item.as_bool();
        if flag.is_none() {
            wrong_type(item, at, key, "true or false (without quotes)", report);
        }
        flag
    }

    fn schema() -> Json {
        json!({ "type": "boolean" })
    }
}

/// A published scale or a ratio: as written, and as a number.
pub struct Scale;

impl Kind for Scale {
    type Value = (String, f64);

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<(String, f64)> {
        let text = text(
            item,
            at,
            key,
            "a scale in quotes, such as \"HO\" or \"1:87.1\"",
            report,
        )?;
        if let Some(ratio) = scale::ratio(text) {
            return Some((text.to_owned(), ratio));
        }
        let cure = format!("use one of {}, or a ratio such as \"1:76\"", scale::names());
        report.error(
            at,
            "bad-scale",
            format!("`{text}` is not a published scale"),
            cure,
        );
        None
    }

    fn schema() -> Json {
        let names: Vec<&str> = scale::SCALES.iter().map(|(name, _, _)| *name).collect();
        json!({ "anyOf": [
            { "enum": names },
            { "type": "string", "pattern": "^1:[0-9]+(\\.[0-9]+)?$" },
        ] })
    }
}

/// Defines a kind of value that is one of a few words.
macro_rules! words {
    ($($(#[$doc:meta])* $Name:ident -> $Value:ty { $($word:literal => $value:expr,)* })*) => {$(
        $(#[$doc])*
        pub struct $Name;

        impl Kind for $Name {
            type Value = $Value;

            fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<$Value> {
                const WORDS: &[&str] = &[$($word),*];
                match one_of(WORDS, item, at, key, report)? {
                    $($word => Some($value),)*
                    _ => None,
                }
            }

            fn schema() -> Json {
                json!({ "enum": [$($word),*] })
            }
        }
    )*};
}
pub(super) use words;

/// One of a few words, or a finding that lists them.
pub(super) fn one_of<'i>(
    words: &[&str],
    item: &'i Item,
    at: usize,
    key: &str,
    report: &mut Report,
) -> Option<&'i str> {
    let list = words.join(" | ");
    let text = text(item, at, key, &format!("one of {list} in quotes"), report)?;
    if words.contains(&text) {
        return Some(text);
    }
    let meant = super::names::did_you_mean(text, words.iter().copied());
    let cure = meant.map_or_else(
        || format!("use one of {list}"),
        |meant| format!("did you mean `{meant}`? The words here are {list}"),
    );
    report.error(at, "bad-word", format!("`{key}` cannot be `{text}`"), cure);
    None
}
