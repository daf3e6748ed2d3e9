//! Numbers, times and ranges.

use serde_json::{Value as Json, json};
use toml_edit::Item;

use super::{Kind, Pair, wrong_type};
use crate::engine::time::Span;
use crate::plan::report::Report;

/// The largest number; what a plan measures is far below.
const NUMBER_MAX: f64 = 1e9;

fn number(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<f64> {
    let integer = item.as_integer().map(|integer| integer as f64);
    let Some(number) = item.as_float().or(integer) else {
        wrong_type(item, at, key, "a number", report);
        return None;
    };
    if !number.is_finite() || number.abs() > NUMBER_MAX {
        let message = format!("`{key}` is {number}, which nothing measures");
        report.error(at, "bad-number", message, "write a plain number");
        return None;
    }
    Some(number)
}

/// Any finite number.
pub struct Number;

impl Kind for Number {
    type Value = f64;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<f64> {
        number(item, at, key, report)
    }

    fn schema() -> Json {
        json!({ "type": "number", "minimum": -NUMBER_MAX, "maximum": NUMBER_MAX })
    }
}

/// A number above zero.
pub struct Positive;

impl Kind for Positive {
    type Value = f64;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<f64> {
        let number = number(item, at, key, report)?;
        if number > 0.0 {
            return Some(number);
        }
        let cure = "write a number above 0, or leave the key out";
        report.error(
            at,
            "bad-number",
            format!("`{key}` is {number}: it must be above 0"),
            cure,
        );
        None
    }

    fn schema() -> Json {
        json!({ "type": "number", "exclusiveMinimum": 0, "maximum": NUMBER_MAX })
    }
}

/// A number not below zero.
pub struct NotNegative;

impl Kind for NotNegative {
    type Value = f64;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<f64> {
        let number = number(item, at, key, report)?;
        if number >= 0.0 {
            return Some(number);
        }
        let message = format!("`{key}` is {number}: it must not be below 0");
        report.error(at, "bad-number", message, "write 0 or a number above it");
        None
    }

    fn schema() -> Json {
        json!({ "type": "number", "minimum": 0, "maximum": NUMBER_MAX })
    }
}

/// A whole number above zero.
pub struct Count;

/// The largest count.
const COUNT_MAX: i64 = 1_000_000;

impl Kind for Count {
    type Value = u32;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<u32> {
        let Some(count) = item.as_integer() else {
            wrong_type(item, at, key, "a whole number", report);
            return None;
        };
        let count = Some(count).filter(|count| (1..=COUNT_MAX).contains(count));
        let count = count.and_then(|count| u32::try_from(count).ok());
        if count.is_none() {
            let message = format!("`{key}` must be from 1 to {COUNT_MAX}");
            report.error(at, "bad-number", message, "write a whole number above 0");
        }
        count
    }

    fn schema() -> Json {
        json!({ "type": "integer", "minimum": 1, "maximum": COUNT_MAX })
    }
}

/// A time not below zero; `MICROS` is the unit, in microseconds.
pub struct Time<const MICROS: u64>;

/// A time in seconds.
pub type Seconds = Time<1_000_000>;
/// A time in milliseconds.
pub type Millis = Time<1_000>;
/// A time in minutes.
pub type Minutes = Time<60_000_000>;
/// A time in hours.
pub type Hours = Time<3_600_000_000>;

/// The longest time in a plan: a thousand hours.
const TIME_MICROS_MAX: f64 = 3.6e12;

impl<const MICROS: u64> Kind for Time<MICROS> {
    type Value = Span;

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<Span> {
        let number = NotNegative::read(item, at, key, report)?;
        let micros = number * MICROS as f64;
        if micros > TIME_MICROS_MAX {
            let cure = "mind the unit at the end of the key: _ms, _s, _minutes or _h";
            let message = format!("`{key}` is longer than a thousand hours");
            report.error(at, "bad-number", message, cure);
            return None;
        }
        Some(Span::from_secs_f64(micros / 1e6))
    }

    fn schema() -> Json {
        json!({ "type": "number", "minimum": 0, "maximum": TIME_MICROS_MAX / MICROS as f64 })
    }
}

/// A low and a high limit.
pub struct Range;

impl Kind for Range {
    type Value = (f64, f64);

    fn read(item: &Item, at: usize, key: &str, report: &mut Report) -> Option<(f64, f64)> {
        let [low, high] = Pair::<Number>::read(item, at, key, report)?;
        if low.value < high.value {
            return Some((low.value, high.value));
        }
        let message = format!("`{key}` goes from {} to {}", low.value, high.value);
        report.error(at, "bad-number", message, "write the lower limit first");
        None
    }

    fn schema() -> Json {
        Pair::<Number>::schema()
    }
}
