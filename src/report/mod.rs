//! The session report: one evening on one sheet, as a single HTML file that needs nothing else.
//!
//! Input: lanes, events and the plan, as the journal gives them. Output: text of HTML with charts
//! as SVG in it, for a screen and for paper. Pure: it opens no file and reads no clock. What the
//! plan does not say (a length, a line) is said to be missing, never guessed.

mod alarms;
mod chart;
mod line;
mod page;
mod strip;
mod tables;
mod tally;
mod train_graph;

use jiff::tz::TimeZone;

use crate::plan::Plan;
use crate::wire::history_json::Lanes;
use crate::wire::journal_json::Whole;
pub use tally::{Raised, Tally};

/// Everything that a report is made of.
#[derive(Debug)]
pub struct Session<'a> {
    /// The plan as it is now.
    pub plan: &'a Plan,
    /// Beginning, microseconds since 1970.
    pub from_us: i64,
    /// End.
    pub to_us: i64,
    /// Every change.
    pub lanes: &'a Lanes,
    /// The same, what is too close to be drawn merged.
    pub drawn: &'a Lanes,
    /// What was counted.
    pub tally: &'a Tally,
    /// What was known at the end; `None`: nothing.
    pub end: Option<&'a Whole>,
    /// How times are written for people.
    pub zone: TimeZone,
}

/// The report.
#[must_use]
pub fn html(session: &Session<'_>) -> String {
    let strip = strip::svg(session);
    let graphs = train_graph::all(session);
    let sections = [
        page::summary(session),
        page::chart("Strip chart", strip::CAPTION, &strip),
        page::graphs(&graphs),
        alarms::section(session),
        tables::detectors(session),
        tables::turnouts(session),
        tables::trains(session),
        tables::feeds(session),
        tables::not_at_rest(session),
    ];
    page::whole(session, &sections.concat())
}

impl Session<'_> {
    /// The length of the range in milliseconds, at least one.
    fn span_ms(&self) -> i64 {
        ((self.to_us - self.from_us) / 1_000).max(1)
    }

    /// A moment of the range for people, in hours, minutes and seconds.
    fn clock(&self, ms: i64) -> String {
        self.zoned(ms).strftime("%H:%M:%S").to_string()
    }

    /// A moment of the range with its day.
    fn day_and_clock(&self, ms: i64) -> String {
        self.zoned(ms).strftime("%Y-%m-%d %H:%M:%S %Z").to_string()
    }

    fn zoned(&self, ms: i64) -> jiff::Zoned {
        let us = self.from_us.saturating_add(ms.saturating_mul(1_000));
        let moment = jiff::Timestamp::from_microsecond(us).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
        moment.to_zoned(self.zone.clone())
    }

    /// Milliseconds of the range in which nothing was written down.
    fn gaps_ms(&self) -> i64 {
        self.lanes.gaps.iter().map(|gap| gap.to - gap.from).sum()
    }
}

/// A length of time for people.
fn duration(ms: i64) -> String {
    let seconds = ms.max(0) / 1_000;
    let (hours, minutes, rest) = (seconds / 3_600, seconds / 60 % 60, seconds % 60);
    match (hours, minutes) {
        (0, 0) => format!("{}.{} s", seconds, ms.max(0) % 1_000 / 100),
        (0, _) => format!("{minutes} min {rest} s"),
        _ => format!("{hours} h {minutes} min"),
    }
}

/// Text inside HTML.
fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            _ => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::{duration, escape};

    #[test]
    fn times_for_people() {
        for (ms, text) in [
            (0, "0.0 s"),
            (59_900, "59.9 s"),
            (61_000, "1 min 1 s"),
            (3_661_000, "1 h 1 min"),
            (-5, "0.0 s"),
        ] {
            assert_eq!(duration(ms), text);
        }
    }

    #[test]
    fn names_are_text_and_nothing_else() {
        assert_eq!(
            escape("<b>\"A\" & 'B'</b>"),
            "&lt;b&gt;&quot;A&quot; &amp; &#39;B&#39;&lt;/b&gt;"
        );
    }
}
