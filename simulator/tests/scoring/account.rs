//! An account of all that was published in an evening: for each kind of record and what it said,
//! how often, and a sum over the records and their moments.
//!
//! It says that something is different, of which kind and about how much; what it is, the evening
//! itself tells (`SCORING_TELL=all`). Readings are left out, and of numbers more than two digits
//! behind the point: neither may depend on a processor.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use taillamp::engine::change::Item;
use taillamp::engine::{Engine, View};

/// Counts and sums by kind and state.
#[derive(Default)]
pub struct Account {
    lines: BTreeMap<String, (u32, u32)>,
}

impl Account {
    /// Adds the records that are published now.
    pub fn add(&mut self, engine: &Engine, items: &[Item]) {
        for item in items {
            let (key, text) = match engine.view(item) {
                Some(view) => (key(&view), shortened(&format!("{:?}", settled(view)))),
                None => ("gone".to_owned(), format!("{item:?}")),
            };
            self.note(key, &format!("{} {text}", engine.now()));
        }
    }

    /// Adds anything else that was said.
    pub fn note(&mut self, key: String, text: &str) {
        let (count, sum) = self.lines.entry(key).or_insert((0, FNV_BASIS));
        *count += 1;
        *sum = fnv(*sum, text.as_bytes());
    }

    /// One line for each kind of record and what it said.
    pub fn text(&self) -> String {
        let mut text = String::new();
        for (key, (count, sum)) in &self.lines {
            let _ = writeln!(text, "{key}: {count}, {sum:08x}");
        }
        text
    }

    /// One line for all of it, where there are too many evenings to tell of each kind.
    pub fn in_short(&self) -> String {
        let sum = fnv(FNV_BASIS, self.text().as_bytes());
        format!("{} kinds of record, {sum:08x}", self.lines.len())
    }
}

fn key(view: &View) -> String {
    match view {
        View::Block(block) => format!("block {:?}", block.state),
        View::Turnout(turnout) => format!("turnout {:?} {:?}", turnout.position, turnout.state),
        View::Table(table) => format!("table {:?}", table.state),
        View::Feed(feed) => format!("feed {}", if feed.live { "live" } else { "dead" }),
        View::Detector(detector) => {
            format!("detector {:?} {:?}", detector.evidence, detector.health)
        }
        View::Train(train) if train.lost => "train lost".to_owned(),
        View::Train(train) if train.stopped => "train stopped".to_owned(),
        View::Train(_) => "train".to_owned(),
        View::Alarm(alarm) => format!("alarm {} {:?}", alarm.kind.word(), alarm.state),
    }
}

/// Without what is measured anew each time.
fn settled(mut view: View) -> View {
    match &mut view {
        View::Detector(detector) => (detector.reading, detector.heard) = (None, None),
        View::Feed(feed) => feed.volts = None,
        _ => {}
    }
    view
}

/// Numbers with two digits behind the point at most.
pub fn shortened(text: &str) -> String {
    let mut short = String::with_capacity(text.len());
    let mut behind = None;
    for one in text.chars() {
        behind = match (one, behind) {
            ('.', None) if short.ends_with(|before: char| before.is_ascii_digit()) => Some(0),
            ('0'..='9', Some(digits)) => Some(digits + 1),
            _ => None,
        };
        if behind.is_none_or(|digits| digits <= 2) {
            short.push(one);
        }
    }
    short
}

/// FNV-1a, 32 bits (draft-eastlake-fnv): offset basis and prime from memory.
pub const FNV_BASIS: u32 = 0x811c_9dc5;

pub fn fnv(sum: u32, bytes: &[u8]) -> u32 {
    let add = |sum: u32, byte: &u8| (sum ^ u32::from(*byte)).wrapping_mul(0x0100_0193);
    bytes.iter().fold(sum, add)
}

#[test]
fn numbers_are_shortened() {
    let text = "Some(12.3456), 1.5..2.25, \"d-r5 49 mA, off for 1.5 s\", 100.0";
    let short = "Some(12.34), 1.5..2.25, \"d-r5 49 mA, off for 1.5 s\", 100.0";
    assert_eq!(shortened(text), short);
}

/// Test vectors of the FNV draft: the hashes of "", "a" and "foobar" (from memory).
#[test]
fn sums_are_fnv_1a() {
    assert_eq!(fnv(FNV_BASIS, b""), 0x811c_9dc5);
    assert_eq!(fnv(FNV_BASIS, b"a"), 0xe40c_292c);
    assert_eq!(fnv(FNV_BASIS, b"foobar"), 0xbf9c_f968);
}
