//! SenML JSON packs (RFC 8428) to resolved records.
//!
//! Inputs: a payload. Outputs: its records with base fields applied, in order of their own time,
//! or the one reason why the pack cannot be used. It does not know which record is for whom, nor
//! what time it is: relative times stay relative.

use std::borrow::Cow;
use std::fmt;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::Deserialize;
use serde::de::{self, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};

use super::quantity::Quantity;
use crate::engine::input::OwnTime;

/// The longest payload that is looked at.
pub const PAYLOAD_BYTES_MAX: usize = 64 * 1024;
/// The most records that a pack may have.
pub const RECORDS_MAX: usize = 256;
/// Times from here on count from 1970, smaller ones from the arrival (RFC 8428, section 4.5.3).
pub const ABSOLUTE_TIME_FROM_S: f64 = 268_435_456.0;
/// The version of RFC 8428 itself.
const VERSION: u32 = 10;
/// That version with the feature 'secondary units': 10 + 2^4 (RFC 9100, from memory).
const VERSION_SECONDARY_UNITS: u32 = 26;

/// Why a pack cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PackError {
    /// More bytes than [`PAYLOAD_BYTES_MAX`].
    #[error("{0} bytes; the limit is {PAYLOAD_BYTES_MAX}: send smaller packs")]
    TooLong(usize),
    /// Not JSON, or not the shape of a pack.
    #[error("not a SenML pack (RFC 8428): {0}")]
    NotAPack(String),
    /// A record (counted from 1) breaks a rule.
    #[error("SenML record {record}: {fault}")]
    Record {
        /// Which, from 1.
        record: usize,
        /// What is wrong and what would be right.
        fault: Fault,
    },
}

/// What is wrong with a record.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// The resolved name is empty.
    #[error("no name; give `n` or `bn`")]
    NoName,
    /// The resolved name has a character that RFC 8428, section 4.5.1 does not allow.
    #[error("name `{0}`; only A-Z a-z 0-9 - : . / _ are allowed, a letter or digit first")]
    BadName(String),
    /// None of `v`, `vs`, `vb`, `vd`, and no `s`.
    #[error("no value; give one of `v`, `vs`, `vb`, `vd`")]
    NoValue,
    /// Several of `v`, `vs`, `vb`, `vd`.
    #[error("several values; give one of `v`, `vs`, `vb`, `vd`")]
    SeveralValues,
    /// `vd` is not base64url without padding.
    #[error("`vd` is not base64url without padding (RFC 4648, section 5)")]
    BadData,
    /// A version that is not known.
    #[error("version {0} is not known; use 10, or 26 with secondary units")]
    Version(u32),
    /// Two versions in one pack.
    #[error("version {0}, after another in the same pack; use one")]
    Versions(u32),
    /// A sum of base and own value that is no number.
    #[error("`{0}` and its base value add up to no finite number")]
    NotFinite(&'static str),
    /// A negative update time.
    #[error("`ut` is negative; give the seconds until the next sample")]
    UpdateTime,
}

/// A resolved record's value.
#[derive(Clone, Debug, PartialEq)]
pub enum Value<'a> {
    /// `v`, the base value added.
    Number(Quantity),
    /// `vs`.
    Text(Cow<'a, str>),
    /// `vb`.
    Boolean(bool),
    /// `vd`, decoded.
    Data(Vec<u8>),
    /// Only a sum.
    Absent,
}

/// A resolved record.
#[derive(Clone, Debug, PartialEq)]
pub struct Record<'a> {
    /// Base name and name.
    pub name: Cow<'a, str>,
    /// How much of `name` is base name, in bytes.
    pub base_length: usize,
    /// The unit, the base unit where it has none.
    pub unit: Option<Cow<'a, str>>,
    /// Base time and time, seconds; `None` where neither is given, which means 'now'.
    pub time_s: Option<f64>,
    /// What was measured.
    pub value: Value<'a>,
    /// `s`, the base sum added.
    pub sum: Option<f64>,
    /// `ut`: the longest time until the next sample, seconds.
    pub update_within_s: Option<f64>,
    /// The pack's version.
    pub version: u32,
}

impl Record<'_> {
    /// The record's own time in the engine's words.
    #[must_use]
    pub fn own_time(&self) -> Option<OwnTime> {
        self.time_s.map(|seconds| {
            if seconds < ABSOLUTE_TIME_FROM_S {
                OwnTime::Relative(seconds)
            } else {
                OwnTime::Absolute(seconds)
            }
        })
    }

    /// Whether a plan's `record` names this one: its resolved name, or the name without the base.
    #[must_use]
    pub fn is_named(&self, choice: &str) -> bool {
        self.name == choice || self.name.get(self.base_length..) == Some(choice)
    }
}

/// Resolves a pack.
///
/// # Errors
/// The pack is not SenML, breaks a rule of RFC 8428, or is beyond a limit: nothing of it is used.
pub fn resolve(payload: &[u8]) -> Result<Vec<Record<'_>>, PackError> {
    if payload.len() > PAYLOAD_BYTES_MAX {
        return Err(PackError::TooLong(payload.len()));
    }
    let Pack(written) =
        serde_json::from_slice(payload).map_err(|error| PackError::NotAPack(error.to_string()))?;
    let mut base = Base::default();
    let mut records = Vec::with_capacity(written.len());
    for (index, record) in written.into_iter().enumerate() {
        let resolved = base.resolve(record).map_err(|fault| PackError::Record {
            record: index + 1,
            fault,
        })?;
        records.push(resolved);
    }
    // Times since 1970 and times since arrival cannot be compared here. What carries a full time
    // was buffered, what carries a relative one was made for this message: the first goes first.
    records.sort_by(|a, b| {
        let key = |record: &Record<'_>| record.time_s.unwrap_or(0.0);
        let relative = |record: &Record<'_>| key(record) < ABSOLUTE_TIME_FROM_S;
        relative(a)
            .cmp(&relative(b))
            .then(key(a).total_cmp(&key(b)))
    });
    Ok(records)
}

/// Whether a resolved name keeps to RFC 8428, section 4.5.1.
#[must_use]
pub fn is_name(name: &str) -> bool {
    let allowed = |byte: u8| byte.is_ascii_alphanumeric() || b"-:./_".contains(&byte);
    name.as_bytes()
        .first()
        .is_some_and(u8::is_ascii_alphanumeric)
        && name.bytes().all(allowed)
}

/// The base fields in force; each lasts until the next record that has it.
#[derive(Default)]
struct Base<'a> {
    name: Option<Cow<'a, str>>,
    time_s: Option<f64>,
    unit: Option<Cow<'a, str>>,
    value: Option<f64>,
    sum: Option<f64>,
    version: Option<u32>,
}

impl<'a> Base<'a> {
    fn resolve(&mut self, written: Written<'a>) -> Result<Record<'a>, Fault> {
        self.take(&written)?;
        let (name, base_length) = self.name(written.n)?;
        let update_within_s = match written.ut {
            Some(seconds) if seconds < 0.0 => return Err(Fault::UpdateTime),
            seconds => seconds,
        };
        let sum = match written.s {
            Some(sum) => Some(finite(self.sum.unwrap_or(0.0) + sum, "s")?),
            None => None,
        };
        let mut values = Vec::new();
        if let Some(value) = written.v {
            let value = self.value.map_or(value, |base| base + value);
            values.push(Value::Number(Quantity::Float(finite(value, "v")?)));
        }
        values.extend(written.vs.map(Value::Text));
        values.extend(written.vb.map(Value::Boolean));
        if let Some(data) = written.vd {
            let data = URL_SAFE_NO_PAD
                .decode(data.as_bytes())
                .map_err(|_| Fault::BadData)?;
            values.push(Value::Data(data));
        }
        let value = match (values.pop(), values.is_empty()) {
            (Some(value), true) => value,
            (Some(_), false) => return Err(Fault::SeveralValues),
            (None, _) if sum.is_some() => Value::Absent,
            (None, _) => return Err(Fault::NoValue),
        };
        let time_s = match (self.time_s, written.t) {
            (None, None) => None,
            (base, own) => Some(finite(base.unwrap_or(0.0) + own.unwrap_or(0.0), "t")?),
        };
        let unit = written.u.or_else(|| self.unit.clone());
        let version = self.version.unwrap_or(VERSION);
        Ok(Record {
            name,
            base_length,
            unit,
            time_s,
            value,
            sum,
            update_within_s,
            version,
        })
    }

    /// Takes over the base fields that the record carries.
    fn take(&mut self, written: &Written<'a>) -> Result<(), Fault> {
        if let Some(version) = written.bver {
            if version > VERSION && version != VERSION_SECONDARY_UNITS {
                return Err(Fault::Version(version));
            }
            if self.version.is_some_and(|before| before != version) {
                return Err(Fault::Versions(version));
            }
            self.version = Some(version);
        }
        if written.bn.is_some() {
            self.name.clone_from(&written.bn);
        }
        if written.bu.is_some() {
            self.unit.clone_from(&written.bu);
        }
        self.time_s = written.bt.or(self.time_s);
        self.value = written.bv.or(self.value);
        self.sum = written.bs.or(self.sum);
        Ok(())
    }

    /// The resolved name and the length of its base.
    fn name(&self, own: Option<Cow<'a, str>>) -> Result<(Cow<'a, str>, usize), Fault> {
        let (name, base_length) = match (&self.name, own) {
            (None, None) => return Err(Fault::NoName),
            (None, Some(own)) => (own, 0),
            (Some(base), None) => (base.clone(), base.len()),
            (Some(base), Some(own)) => (Cow::Owned(format!("{base}{own}")), base.len()),
        };
        if name.is_empty() {
            Err(Fault::NoName)
        } else if is_name(&name) {
            Ok((name, base_length))
        } else {
            Err(Fault::BadName(name.chars().take(80).collect()))
        }
    }
}

fn finite(value: f64, label: &'static str) -> Result<f64, Fault> {
    if value.is_finite() {
        Ok(value)
    } else {
        Err(Fault::NotFinite(label))
    }
}

/// A pack as written.
struct Pack<'a>(Vec<Written<'a>>);

/// A record as written (RFC 8428, tables 1 to 4).
#[derive(Default)]
struct Written<'a> {
    bn: Option<Cow<'a, str>>,
    bt: Option<f64>,
    bu: Option<Cow<'a, str>>,
    bv: Option<f64>,
    bs: Option<f64>,
    bver: Option<u32>,
    n: Option<Cow<'a, str>>,
    u: Option<Cow<'a, str>>,
    v: Option<f64>,
    vs: Option<Cow<'a, str>>,
    vb: Option<bool>,
    vd: Option<Cow<'a, str>>,
    s: Option<f64>,
    t: Option<f64>,
    ut: Option<f64>,
}

/// A string that is borrowed where it has no escapes.
#[derive(Deserialize)]
struct Text<'a>(#[serde(borrow)] Cow<'a, str>);

impl<'de> Deserialize<'de> for Pack<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Records;
        impl<'de> Visitor<'de> for Records {
            type Value = Pack<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an array of records")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
                let mut records = Vec::new();
                while let Some(record) = seq.next_element()? {
                    if records.len() == RECORDS_MAX {
                        let message =
                            format!("more than {RECORDS_MAX} records; send several packs");
                        return Err(de::Error::custom(message));
                    }
                    records.push(record);
                }
                Ok(Pack(records))
            }
        }
        deserializer.deserialize_seq(Records)
    }
}

impl<'de> Deserialize<'de> for Written<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Labels;
        impl<'de> Visitor<'de> for Labels {
            type Value = Written<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a record, as in {\"n\":\"current\",\"u\":\"A\",\"v\":0.0124}")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut record = Written::default();
                while let Some(Text(label)) = map.next_key()? {
                    record.set(&label, &mut map)?;
                }
                Ok(record)
            }
        }
        deserializer.deserialize_map(Labels)
    }
}

impl<'de> Written<'de> {
    fn set<A: MapAccess<'de>>(&mut self, label: &str, map: &mut A) -> Result<(), A::Error> {
        match label {
            "bn" => text(&mut self.bn, label, map),
            "bu" => text(&mut self.bu, label, map),
            "n" => text(&mut self.n, label, map),
            "u" => text(&mut self.u, label, map),
            "vs" => text(&mut self.vs, label, map),
            "vd" => text(&mut self.vd, label, map),
            "bt" => once(&mut self.bt, label, map),
            "bv" => once(&mut self.bv, label, map),
            "bs" => once(&mut self.bs, label, map),
            "v" => once(&mut self.v, label, map),
            "s" => once(&mut self.s, label, map),
            "t" => once(&mut self.t, label, map),
            "ut" => once(&mut self.ut, label, map),
            "vb" => once(&mut self.vb, label, map),
            "bver" => once(&mut self.bver, label, map),
            // RFC 8428, section 4.4: a label that ends so must be understood.
            _ if label.ends_with('_') => {
                let label: String = label.chars().take(40).collect();
                Err(de::Error::custom(format!(
                    "label `{label}` must be understood and is not"
                )))
            }
            _ => map.next_value::<IgnoredAny>().map(|_| ()),
        }
    }
}

fn text<'de, A: MapAccess<'de>>(
    slot: &mut Option<Cow<'de, str>>,
    label: &str,
    map: &mut A,
) -> Result<(), A::Error> {
    let mut value: Option<Text<'de>> = None;
    fill(&mut value, slot.is_some(), label, map)?;
    *slot = value.map(|Text(text)| text);
    Ok(())
}

fn once<'de, T: Deserialize<'de>, A: MapAccess<'de>>(
    slot: &mut Option<T>,
    label: &str,
    map: &mut A,
) -> Result<(), A::Error> {
    fill(slot, slot.is_some(), label, map)
}

/// Two values under one label would leave open which one was meant: neither is believed.
fn fill<'de, T: Deserialize<'de>, A: MapAccess<'de>>(
    slot: &mut Option<T>,
    twice: bool,
    label: &str,
    map: &mut A,
) -> Result<(), A::Error> {
    if twice {
        return Err(de::Error::custom(format!(
            "label `{label}` twice in one record"
        )));
    }
    *slot = Some(map.next_value()?);
    Ok(())
}
