//! Recordings: one JSON object a line, what came in and when (contract, section 6).
//!
//! Inputs: lines as bytes, or what came in. Outputs: what a line says, or why it is a bad line;
//! the line for what came in. It does not know topics: whether a message means anything is decided
//! where messages are decoded.

use std::borrow::Cow;
use std::io::{self, BufRead};

use serde::{Deserialize, Deserializer};
use serde_json::Value;
use serde_json::value::RawValue;

use super::memory_json;
use crate::engine::memory::Memory;
use crate::engine::time::Instant;

/// The longest line that is read: a longest payload with every byte escaped, and its topic.
pub const LINE_BYTES_MAX: usize = 1024 * 1024;
/// The latest `t`: some three centuries, so that arithmetic on it cannot overflow.
const SECONDS_MAX: f64 = 1e10;

/// One line of a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct RecordingLine<'a> {
    /// When.
    pub t: Instant,
    /// What came in.
    pub event: Event<'a>,
    /// What was remembered at the start; the first line only.
    pub memory: Option<Memory>,
}

/// What came in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event<'a> {
    /// A message.
    Message {
        /// Its topic.
        topic: Cow<'a, str>,
        /// Its payload, byte for byte.
        payload: Cow<'a, [u8]>,
        /// Old news, kept by the broker.
        retained: bool,
    },
    /// The broker was lost (`false`) or is back (`true`).
    Broker(bool),
    /// The journal fell behind (`false`) or keeps up again (`true`).
    Journal(bool),
    /// Nothing but time.
    Tick,
}

/// Why a line is skipped.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BadLine {
    /// Longer than [`LINE_BYTES_MAX`].
    #[error("longer than {LINE_BYTES_MAX} bytes")]
    TooLong,
    /// Not a JSON object of the recording's shape.
    #[error("not a recording line: {0}")]
    Shape(String),
    /// `t` is no time.
    #[error("`t` is {0}; give seconds from 0 to 1e10")]
    Time(f64),
    /// `t` is earlier than the line before.
    #[error("`t` goes back from {before} to {t}; sort the lines by time")]
    GoesBack {
        /// The latest good line's.
        before: Instant,
        /// This line's.
        t: Instant,
    },
    /// Memory on a later line.
    #[error("`memory` belongs on the first line")]
    LateMemory,
    /// The memory cannot be read.
    #[error("memory: {0}")]
    Memory(String),
}

/// Reads lines one after the other and sees to it that time does not fall.
#[derive(Clone, Debug, Default)]
pub struct LineReader {
    latest: Option<Instant>,
}

impl LineReader {
    /// Reads the next line; `None` for a blank one.
    ///
    /// # Errors
    /// The line is bad: it is to be named and skipped.
    pub fn read<'a>(&mut self, line: &'a [u8]) -> Result<Option<RecordingLine<'a>>, BadLine> {
        let line = line.trim_ascii();
        if line.is_empty() {
            return Ok(None);
        }
        // Looked at once for being text; what is cut out of a text needs no second look.
        let text = std::str::from_utf8(line).map_err(|error| BadLine::Shape(error.to_string()))?;
        let written: Written<'a> =
            serde_json::from_str(text).map_err(|error| BadLine::Shape(error.to_string()))?;
        if !(0.0..=SECONDS_MAX).contains(&written.t) {
            return Err(BadLine::Time(written.t));
        }
        let t = Instant::from_secs_f64(written.t);
        match self.latest {
            Some(before) if t < before => return Err(BadLine::GoesBack { before, t }),
            Some(_) if written.memory.is_some() => return Err(BadLine::LateMemory),
            _ => {}
        }
        let memory = match written.memory {
            Some(raw) => Some(memory_json::from_text(raw.get()).map_err(BadLine::Memory)?),
            None => None,
        };
        let event = written.event(line, memory.is_some())?;
        self.latest = Some(t);
        Ok(Some(RecordingLine { t, event, memory }))
    }
}

/// A line as written.
#[derive(Deserialize)]
struct Written<'a> {
    t: f64,
    #[serde(borrow, default, deserialize_with = "borrowed")]
    topic: Option<Cow<'a, str>>,
    #[serde(borrow, default, deserialize_with = "present")]
    payload: Option<&'a RawValue>,
    #[serde(default)]
    retained: bool,
    broker: Option<String>,
    journal: Option<String>,
    #[serde(borrow)]
    memory: Option<&'a RawValue>,
}

impl<'a> Written<'a> {
    fn event(self, line: &[u8], has_memory: bool) -> Result<Event<'a>, BadLine> {
        let shape = |message: &str| Err(BadLine::Shape(message.to_owned()));
        match (self.topic, self.broker.as_deref()) {
            (Some(_), Some(_)) => shape("`topic` and `broker` on one line; write two lines"),
            (None, Some("back")) => Ok(Event::Broker(true)),
            (None, Some("lost")) => Ok(Event::Broker(false)),
            (None, Some(_)) => shape("`broker` is neither `lost` nor `back`"),
            (Some(topic), None) => {
                let Some(payload) = self.payload else {
                    return shape("`topic` without `payload`");
                };
                let payload = payload_bytes(payload)?;
                let retained = self.retained;
                Ok(Event::Message {
                    topic,
                    payload,
                    retained,
                })
            }
            (None, None) if self.journal.is_some() => match self.journal.as_deref() {
                Some("well") => Ok(Event::Journal(true)),
                Some("behind") => Ok(Event::Journal(false)),
                _ => shape("`journal` is neither `well` nor `behind`"),
            },
            (None, None) if has_memory => Ok(Event::Tick),
            // A line that says nothing else lets time pass, but a misspelt key must not.
            (None, None) => match foreign_key(line) {
                Some(key) => Err(BadLine::Shape(format!(
                    "`{key}` but neither `topic` nor `broker`"
                ))),
                None => Ok(Event::Tick),
            },
        }
    }
}

/// Text without escapes is not copied, which an `Option<Cow<str>>` alone would be.
fn borrowed<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<Cow<'de, str>>, D::Error> {
    #[derive(Deserialize)]
    struct Text<'a>(#[serde(borrow)] Cow<'a, str>);
    let text: Option<Text<'de>> = Deserialize::deserialize(deserializer)?;
    Ok(text.map(|Text(text)| text))
}

/// A payload of `null` is there all the same.
fn present<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<&'de RawValue>, D::Error> {
    Deserialize::deserialize(deserializer).map(Some)
}

/// A string is the raw payload; any other JSON is the payload as it stands.
fn payload_bytes(raw: &RawValue) -> Result<Cow<'_, [u8]>, BadLine> {
    let text = raw.get();
    if text.starts_with('"') {
        let string: String =
            serde_json::from_str(text).map_err(|error| BadLine::Shape(error.to_string()))?;
        Ok(Cow::Owned(string.into_bytes()))
    } else {
        Ok(Cow::Borrowed(text.as_bytes()))
    }
}

fn foreign_key(line: &[u8]) -> Option<String> {
    let Ok(Value::Object(keys)) = serde_json::from_slice(line) else {
        return None;
    };
    keys.keys()
        .find(|key| *key != "t")
        .map(|key| key.chars().take(40).collect())
}

/// The line for a message.
///
/// JSON payloads are written as they stand, all others as a string. Bytes that are not UTF-8
/// cannot be written; they become replacement characters, and the payload stays as malformed as
/// it was.
#[must_use]
pub fn message_line(at: Instant, topic: &str, payload: &[u8], retained: bool) -> String {
    let topic = Value::from(topic);
    let retained = if retained { ",\"retained\":true" } else { "" };
    let payload = match std::str::from_utf8(payload) {
        Ok(text) if stands_as_json(text) => text.to_owned(),
        Ok(text) => Value::from(text).to_string(),
        Err(_) => Value::from(String::from_utf8_lossy(payload)).to_string(),
    };
    format!("{{\"t\":{at},\"topic\":{topic},\"payload\":{payload}{retained}}}")
}

/// A JSON string stands for a raw payload, so a payload that is itself one cannot stand as it is;
/// nor can one that runs over lines, or has space around it that would be lost.
fn stands_as_json(text: &str) -> bool {
    text.trim() == text
        && !text.starts_with('"')
        && !text.contains(['\n', '\r'])
        && serde_json::from_str::<serde::de::IgnoredAny>(text).is_ok()
}

/// The line for the broker's loss (`false`) or return (`true`).
#[must_use]
pub fn broker_line(at: Instant, back: bool) -> String {
    let word = if back { "back" } else { "lost" };
    format!("{{\"t\":{at},\"broker\":\"{word}\"}}")
}

/// The line for the journal's falling behind (`false`) or keeping up again.
#[must_use]
pub fn journal_line(at: Instant, well: bool) -> String {
    let word = if well { "well" } else { "behind" };
    format!("{{\"t\":{at},\"journal\":\"{word}\"}}")
}

/// The line that lets time pass.
#[must_use]
pub fn tick_line(at: Instant) -> String {
    format!("{{\"t\":{at}}}")
}

/// The first line of a recording whose start remembers.
#[must_use]
pub fn memory_line(at: Instant, memory: &Memory) -> String {
    format!("{{\"t\":{at},\"memory\":{}}}", memory_json::to_text(memory))
}

/// What [`next_line`] found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Found {
    /// A line, without its end.
    Line,
    /// A line beyond the limit; it was passed over.
    TooLong,
    /// No more lines.
    End,
}

/// Reads one line into `line`, whatever its encoding and without ever holding more than
/// [`LINE_BYTES_MAX`] of it.
///
/// # Errors
/// The reader's.
pub fn next_line(reader: &mut impl BufRead, line: &mut Vec<u8>) -> io::Result<Found> {
    line.clear();
    let (mut found, mut too_long) = (false, false);
    loop {
        let buffer = reader.fill_buf()?;
        if buffer.is_empty() {
            break;
        }
        found = true;
        let end = memchr::memchr(b'\n', buffer);
        let part = &buffer[..end.unwrap_or(buffer.len())];
        too_long |= line.len() + part.len() > LINE_BYTES_MAX;
        if !too_long {
            line.extend_from_slice(part);
        }
        let used = end.map_or(buffer.len(), |end| end + 1);
        reader.consume(used);
        if end.is_some() {
            break;
        }
    }
    Ok(match (found, too_long) {
        (false, _) => Found::End,
        (true, true) => Found::TooLong,
        (true, false) => Found::Line,
    })
}
