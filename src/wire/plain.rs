//! Payloads other than SenML: a plain number, a board's own words, a value inside a JSON document.
//!
//! Inputs: a payload, one listener and the layout. Outputs: at most one engine input, or what is
//! wrong with the payload. It does not know topics.

use serde_json::Value;

use super::borders_json;
use super::payload::{position, wanted};
use crate::engine::input::{Input, Reading, Sample};
use crate::engine::layout::{Decide, Layout};
use crate::plan::{Bound, Format, Listener};

/// Each of our words, and a board's words that mean it.
type Words = [(String, Vec<String>)];

/// A payload's one value.
enum Scalar<'a> {
    Number(f64),
    Boolean(bool),
    Word(&'a str),
}

/// Reads a payload that is no pack.
///
/// # Errors
/// What is wrong with it, and what would be right.
pub(super) fn decode_plain(
    listener: &Listener,
    layout: &Layout,
    payload: &[u8],
    retained: bool,
    out: &mut Vec<Input>,
) -> Result<(), String> {
    let text = std::str::from_utf8(payload)
        .map_err(|_| "not UTF-8 text".to_owned())?
        .trim_matches(|c: char| c.is_ascii_whitespace() || c == '\0');
    if let Bound::Node(words) = &listener.subject {
        out.push(match text {
            word if word == words.online => Input::Node(words.node, true),
            word if word == words.offline => Input::Node(words.node, false),
            word => return Err(not_known(word, &listener.subject, layout)),
        });
        return Ok(());
    }
    if let Bound::Peer(peer) = listener.subject {
        out.push(borders_json::read(peer, layout, text, retained)?);
        return Ok(());
    }
    let input = match &listener.format {
        Format::Number => {
            let number = text
                .parse()
                .map_err(|_| format!("`{}` is no number", short(text)))?;
            input(&listener.subject, layout, &Scalar::Number(number), retained)?
        }
        Format::Words(words) => input(
            &listener.subject,
            layout,
            &Scalar::Word(our_word(words, text)),
            retained,
        )?,
        Format::Pointer(pointed) => {
            let (pointer, words) = pointed.as_ref();
            let document: Value =
                serde_json::from_str(text).map_err(|error| format!("not JSON: {error}"))?;
            let value = document
                .pointer(pointer)
                .ok_or_else(|| format!("nothing at `{pointer}` (RFC 6901) in the payload"))?;
            at_pointer(&listener.subject, layout, value, words, retained)?
        }
        // Packs are read before; a plan's resolver gives a node no other listener.
        Format::SenMl => return Err(format!("send {}", wanted(&listener.subject, layout))),
    };
    out.push(input);
    Ok(())
}

/// The value that a pointer found. The board's own words go first, whatever their JSON type.
fn at_pointer(
    subject: &Bound,
    layout: &Layout,
    value: &Value,
    words: &Words,
    retained: bool,
) -> Result<Input, String> {
    let written = match value {
        Value::String(text) => text.clone(),
        Value::Number(number) => number.to_string(),
        Value::Bool(truth) => truth.to_string(),
        Value::Null | Value::Array(_) | Value::Object(_) => {
            return Err("the pointer leads to no number, text or boolean".to_owned());
        }
    };
    let ours = words.iter().find(|(_, theirs)| theirs.contains(&written));
    let scalar = match (ours, value) {
        (Some((ours, _)), _) => Scalar::Word(ours),
        (None, Value::Number(number)) => Scalar::Number(
            number
                .as_f64()
                .ok_or_else(|| format!("`{number}` is too large"))?,
        ),
        (None, Value::Bool(truth)) => Scalar::Boolean(*truth),
        (None, _) => Scalar::Word(our_word(words, &written)),
    };
    input(subject, layout, &scalar, retained)
}

/// Our word for a board's. A word of ours that the plan maps to nothing stands for itself; one
/// that it maps is not taken, because that board means something else by it.
fn our_word<'a>(words: &'a Words, text: &'a str) -> &'a str {
    let mapped = words
        .iter()
        .find(|(_, theirs)| theirs.iter().any(|word| word == text));
    match mapped {
        Some((ours, _)) => ours,
        None if words
            .iter()
            .any(|(ours, theirs)| ours == text && !theirs.is_empty()) =>
        {
            ""
        }
        None => text,
    }
}

/// What a value says to an item.
fn input(
    subject: &Bound,
    layout: &Layout,
    scalar: &Scalar<'_>,
    retained: bool,
) -> Result<Input, String> {
    let unfit = || match scalar {
        Scalar::Word(word) => not_known(word, subject, layout),
        Scalar::Number(_) => format!("a number does not fit; send {}", wanted(subject, layout)),
        Scalar::Boolean(_) => format!("a boolean does not fit; send {}", wanted(subject, layout)),
    };
    match subject {
        Bound::Detector(id) => {
            let detector = &layout.detectors[id.index()];
            let boolean = matches!(detector.decide, Decide::Boolean);
            let reading = match *scalar {
                Scalar::Boolean(seen) => Reading::Seen(seen),
                Scalar::Word("on") => Reading::Seen(true),
                Scalar::Word("off") => Reading::Seen(false),
                Scalar::Number(level) if !boolean => Reading::Level(level),
                Scalar::Number(1.0) => Reading::Seen(true),
                Scalar::Number(0.0) => Reading::Seen(false),
                Scalar::Word(_) | Scalar::Number(_) => return Err(unfit()),
            };
            let (own_time, update_within) = (None, None);
            let sample = Sample {
                detector: *id,
                reading,
                own_time,
                update_within,
                retained,
            };
            Ok(Input::Reading(sample))
        }
        Bound::Feed(feed) => match *scalar {
            Scalar::Boolean(on) => Ok(Input::FeedSwitch(*feed, on)),
            Scalar::Word("on") => Ok(Input::FeedSwitch(*feed, true)),
            Scalar::Word("off") => Ok(Input::FeedSwitch(*feed, false)),
            Scalar::Number(volts) if volts.is_finite() => Ok(Input::FeedVoltage(*feed, volts)),
            Scalar::Word(_) | Scalar::Number(_) => Err(unfit()),
        },
        Bound::Position(_) | Bound::Asked(_) | Bound::TablePosition(_) | Bound::TableAsked(_) => {
            match scalar {
                Scalar::Word(word) => position(subject, layout, word),
                Scalar::Number(_) | Scalar::Boolean(_) => Err(unfit()),
            }
        }
        Bound::Node(_) | Bound::Peer(_) => Err(unfit()),
    }
}

fn not_known(word: &str, subject: &Bound, layout: &Layout) -> String {
    format!(
        "`{}` is not known; send {}",
        short(word),
        wanted(subject, layout)
    )
}

fn short(text: &str) -> String {
    text.chars().take(40).collect()
}
