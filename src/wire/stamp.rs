//! How moments and numbers are written in JSON.
//!
//! Inputs: engine instants and floats. Outputs: JSON values of a fixed form. It reads no clock:
//! the wall time of the origin comes from outside, as a label.

use serde::{Serialize, Serializer};
use serde_json::value::RawValue;

use crate::engine::time::Instant;

/// How moments are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Label {
    /// Seconds since the origin as a number with three decimals: in a replay.
    Seconds,
    /// RFC 3339 in UTC with milliseconds: live. The origin in microseconds since 1970.
    Wall {
        /// When the engine's origin was.
        origin_us: i64,
    },
}

impl Label {
    /// A moment, as it goes into JSON.
    #[must_use]
    pub fn stamp(self, at: Instant) -> Stamp {
        match self {
            Self::Seconds => Stamp::Seconds(at),
            Self::Wall { origin_us } => {
                let since = i64::try_from(at.0).unwrap_or(i64::MAX);
                Stamp::Wall(rfc3339(origin_us.saturating_add(since)))
            }
        }
    }
}

/// Microseconds since 1970 as `2026-01-31T18:05:09.250Z`; what no calendar holds is written as the
/// nearest that it does.
#[must_use]
pub fn rfc3339(us: i64) -> String {
    let nearest = if us < 0 {
        jiff::Timestamp::MIN
    } else {
        jiff::Timestamp::MAX
    };
    let at = jiff::Timestamp::from_microsecond(us).unwrap_or(nearest);
    format!("{at:.3}")
}

/// Microseconds since 1970 of a moment as people and programs write it: RFC 3339 with its zone, or
/// seconds since 1970.
#[must_use]
pub fn moment(text: &str) -> Option<i64> {
    if let Ok(seconds) = text.parse::<f64>() {
        // Up to the year 9999, as RFC 3339.
        let known = (0.0..=253_402_207_200.0).contains(&seconds);
        // The cast is exact to the microsecond for all of these but the last two bits.
        return known.then_some((seconds * 1e6).round() as i64);
    }
    let moment: jiff::Timestamp = text.parse().ok()?;
    Some(moment.as_microsecond())
}

/// A moment in JSON.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Stamp {
    /// A number with three decimals.
    Seconds(Instant),
    /// A string.
    Wall(String),
}

impl Serialize for Stamp {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Seconds(at) => raw(at.to_string(), serializer),
            Self::Wall(text) => serializer.serialize_str(text),
        }
    }
}

/// A float rounded to so many decimals; whole numbers are written without a point. What is not
/// finite is null.
///
/// The decimals: speeds, lengths and seconds left one, voltages two, readings four - finer than
/// any detector, coarse enough that arithmetic noise does not show.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rounded {
    /// The number.
    pub value: f64,
    /// How many decimals are kept.
    pub decimals: usize,
}

impl Serialize for Rounded {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if !self.value.is_finite() {
            return serializer.serialize_none();
        }
        // Text rounds the decimal value correctly and alike on every platform.
        let text = format!("{:.*}", self.decimals, self.value);
        let text = match text.split_once('.') {
            Some((whole, decimals)) => match decimals.trim_end_matches('0') {
                "" => whole.to_owned(),
                kept => format!("{whole}.{kept}"),
            },
            None => text,
        };
        raw(if text == "-0" { "0".to_owned() } else { text }, serializer)
    }
}

/// Seconds at least and at most.
#[must_use]
pub fn seconds_range(range: Option<(f64, f64)>) -> Option<[Rounded; 2]> {
    range.map(|(least, most)| [least, most].map(|value| Rounded { value, decimals: 1 }))
}

/// A number that may not be known.
#[must_use]
pub fn rounded(value: Option<f64>, decimals: usize) -> Option<Rounded> {
    value.map(|value| Rounded { value, decimals })
}

fn raw<S: Serializer>(text: String, serializer: S) -> Result<S::Ok, S::Error> {
    RawValue::from_string(text)
        .map_err(serde::ser::Error::custom)?
        .serialize(serializer)
}

#[cfg(test)]
mod tests {
    use super::{Label, Rounded};
    use crate::engine::time::Instant;

    fn json(value: &impl serde::Serialize) -> String {
        serde_json::to_string(value).expect("plain values serialize")
    }

    #[test]
    fn moments() {
        assert_eq!(json(&Label::Seconds.stamp(Instant(12_300_000))), "12.300");
        assert_eq!(json(&Label::Seconds.stamp(Instant(0))), "0.000");
        // Mon Oct 31 13:24:24 UTC 2011 is 1320067464: RFC 8428, section 5.1.3, by `date`.
        let label = Label::Wall {
            origin_us: 1_320_067_464_000_000,
        };
        assert_eq!(
            json(&label.stamp(Instant(250_000))),
            "\"2011-10-31T13:24:24.250Z\""
        );
        // RFC 3339, section 5.8, from memory.
        let label = Label::Wall {
            origin_us: 482_196_050_520_000,
        };
        assert_eq!(
            json(&label.stamp(Instant(0))),
            "\"1985-04-12T23:20:50.520Z\""
        );
        let label = Label::Wall {
            origin_us: i64::MAX,
        };
        assert_eq!(
            json(&label.stamp(Instant(u64::MAX))),
            "\"9999-12-30T22:00:00.999Z\""
        );
    }

    /// The first two are the same moment: RFC 3339, section 5.8, from memory.
    #[test]
    fn moments_are_read_as_they_are_written() {
        use super::{moment, rfc3339};
        let known = moment("1996-12-19T16:39:57-08:00");
        assert_eq!(known, moment("1996-12-20T00:39:57Z"));
        assert_eq!(
            known.map(rfc3339).as_deref(),
            Some("1996-12-20T00:39:57.000Z")
        );
        assert_eq!(moment("1320067464.25"), moment("2011-10-31T13:24:24.25Z"));
        for wrong in [
            "",
            "yesterday",
            "-1",
            "1e300",
            "NaN",
            "2026-01-31",
            "2026-01-31T18:00:00",
        ] {
            assert_eq!(moment(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn numbers() {
        let cases = [
            (12.4, 4, "12.4"),
            (9.0, 1, "9"),
            (0.1 + 0.2, 4, "0.3"),
            (-0.01, 1, "0"),
            (120.0, 0, "120"),
            (f64::NAN, 1, "null"),
            (f64::INFINITY, 1, "null"),
        ];
        for (value, decimals, expected) in cases {
            assert_eq!(json(&Rounded { value, decimals }), expected);
        }
    }
}
