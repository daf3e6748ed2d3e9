//! The pack of one record that nearly every message is, read quickly.
//!
//! Inputs: a payload. Output: its record, equal to what [`super::senml::resolve`] gives, or `None`
//! for everything out of the ordinary: sums, versions, escapes, characters beyond ASCII, long
//! numbers, errors. Nothing is allocated, except for a base name. It never refuses; the general
//! reader does, with a reason.

use std::borrow::Cow;

use super::quantity::Quantity;
use super::senml::{Record, Value, is_name};

/// The one record of a plain pack.
#[must_use]
pub fn scan(payload: &[u8]) -> Option<Record<'_>> {
    let mut scanner = Scanner { payload, at: 0 };
    scanner.token(b'[')?;
    scanner.token(b'{')?;
    let mut found = Found::default();
    loop {
        let label = scanner.string()?;
        scanner.token(b':')?;
        found.set(label, &mut scanner)?;
        if scanner.token(b',').is_none() {
            break;
        }
    }
    scanner.token(b'}')?;
    scanner.token(b']')?;
    scanner.space();
    if scanner.at == payload.len() {
        found.record()
    } else {
        None
    }
}

/// The fields seen so far.
#[derive(Default)]
struct Found<'a> {
    base_name: Option<&'a str>,
    name: Option<&'a str>,
    base_unit: Option<&'a str>,
    unit: Option<&'a str>,
    base_time: Option<Quantity>,
    time: Option<Quantity>,
    value: Option<Value<'a>>,
}

impl<'a> Found<'a> {
    fn set(&mut self, label: &str, scanner: &mut Scanner<'a>) -> Option<()> {
        match label {
            "n" => fill(&mut self.name, scanner.string()?),
            "u" => fill(&mut self.unit, scanner.string()?),
            "t" => fill(&mut self.time, scanner.number()?),
            "bn" => fill(&mut self.base_name, scanner.string()?),
            "bu" => fill(&mut self.base_unit, scanner.string()?),
            "bt" => fill(&mut self.base_time, scanner.number()?),
            "v" => fill(&mut self.value, Value::Number(scanner.number()?)),
            "vb" => fill(&mut self.value, Value::Boolean(scanner.boolean()?)),
            "vs" => fill(
                &mut self.value,
                Value::Text(Cow::Borrowed(scanner.string()?)),
            ),
            _ => None,
        }
    }

    fn record(self) -> Option<Record<'a>> {
        let base_name = self.base_name.unwrap_or("");
        let name: Cow<'a, str> = match (base_name, self.name) {
            ("", Some(name)) => Cow::Borrowed(name),
            (base, None) => Cow::Borrowed(base),
            (base, Some(name)) => Cow::Owned([base, name].concat()),
        };
        if !is_name(&name) {
            return None;
        }
        let seconds = |time: Option<Quantity>| time.map_or(0.0, Quantity::to_f64);
        let timed = self.base_time.is_some() || self.time.is_some();
        Some(Record {
            name,
            base_length: base_name.len(),
            unit: self.unit.or(self.base_unit).map(Cow::Borrowed),
            time_s: timed.then(|| seconds(self.base_time) + seconds(self.time)),
            value: self.value?,
            sum: None,
            update_within_s: None,
            version: 10,
        })
    }
}

fn fill<T>(slot: &mut Option<T>, value: T) -> Option<()> {
    if slot.is_some() {
        return None;
    }
    *slot = Some(value);
    Some(())
}

struct Scanner<'a> {
    payload: &'a [u8],
    at: usize,
}

impl<'a> Scanner<'a> {
    fn space(&mut self) {
        while matches!(
            self.payload.get(self.at),
            Some(b' ' | b'\t' | b'\n' | b'\r')
        ) {
            self.at += 1;
        }
    }

    fn token(&mut self, token: u8) -> Option<()> {
        self.space();
        (self.payload.get(self.at) == Some(&token)).then(|| self.at += 1)
    }

    fn string(&mut self) -> Option<&'a str> {
        self.token(b'"')?;
        let rest = self.payload.get(self.at..)?;
        let ordinary = |byte: &u8| (0x20..0x7f).contains(byte) && *byte != b'"' && *byte != b'\\';
        let length = rest.iter().position(|byte| !ordinary(byte))?;
        if rest.get(length) != Some(&b'"') {
            return None;
        }
        self.at += length + 1;
        std::str::from_utf8(rest.get(..length)?).ok()
    }

    fn number(&mut self) -> Option<Quantity> {
        self.space();
        let (quantity, length) = Quantity::scan(self.payload.get(self.at..)?)?;
        self.at += length;
        Some(quantity)
    }

    fn boolean(&mut self) -> Option<bool> {
        self.space();
        let rest = self.payload.get(self.at..)?;
        let (value, length) = match rest {
            [b't', b'r', b'u', b'e', ..] => (true, 4),
            [b'f', b'a', b'l', b's', b'e', ..] => (false, 5),
            _ => return None,
        };
        self.at += length;
        Some(value)
    }
}
