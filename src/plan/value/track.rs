//! Ends of track and positions, as `ID.part`.

use serde_json::{Value as Json, json};
use toml_edit::Item;

use super::{Kind, is_id, text};
use crate::engine::layout::{CrossingTrack, Leg, Side};
use crate::plan::report::Report;

/// A part of an item where track can be joined.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// A block's end.
    Side(Side),
    /// A turnout's end.
    Leg(Leg),
    /// A crossing's end.
    Crossing(CrossingTrack, Side),
}

/// An end as written: `loop-east.b`, `w1.toe`, `k1.first.a`.
#[derive(Clone, Debug, PartialEq)]
pub struct EndRef {
    /// The item.
    pub id: String,
    /// Its part.
    pub part: Part,
    /// As written.
    pub text: String,
}

impl EndRef {
    fn parse(text: &str) -> Option<Self> {
        let (id, part) = text.split_once('.')?;
        let part = match part {
            "a" => Part::Side(Side::A),
            "b" => Part::Side(Side::B),
            "toe" => Part::Leg(Leg::Toe),
            "normal" => Part::Leg(Leg::Normal),
            "reverse" => Part::Leg(Leg::Reverse),
            "first.a" => Part::Crossing(CrossingTrack::First, Side::A),
            "first.b" => Part::Crossing(CrossingTrack::First, Side::B),
            "second.a" => Part::Crossing(CrossingTrack::Second, Side::A),
            "second.b" => Part::Crossing(CrossingTrack::Second, Side::B),
            _ => return None,
        };
        is_id(id).then(|| Self {
            id: id.to_owned(),
            part,
            text: text.to_owned(),
        })
    }
}

/// The kind of an end.
pub struct End;

impl Kind for End {
    type Value = EndRef;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<EndRef> {
        let text = text(item, at, key, "an end in quotes", report)?;
        let end = EndRef::parse(text);
        if end.is_none() {
            let message = format!("`{text}` is not an end");
            let cure = "write BLOCK.a or BLOCK.b, or TURNOUT.toe, .normal or .reverse";
            report.error(at, "bad-end", message, cure);
        }
        end
    }

    fn schema() -> Json {
        let pattern = "^[a-z0-9-]{1,32}\\.(a|b|toe|normal|reverse|(first|second)\\.[ab])$";
        json!({ "type": "string", "pattern": pattern })
    }
}

/// A position that switches power, as written: `w1.reverse`, `tt.4`.
pub struct Via;

impl Kind for Via {
    type Value = (String, String);

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<(String, String)> {
        let text = text(item, at, key, "a position in quotes", report)?;
        let via = text
            .split_once('.')
            .filter(|(id, at)| is_id(id) && !at.is_empty());
        if via.is_none() {
            let message = format!("`{text}` is not a position");
            let cure = "write TURNOUT.normal, TURNOUT.reverse or TABLE.stop";
            report.error(at, "bad-via", message, cure);
        }
        via.map(|(id, at)| (id.to_owned(), at.to_owned()))
    }

    fn schema() -> Json {
        json!({ "type": "string", "pattern": "^[a-z0-9-]{1,32}\\..+$" })
    }
}
