//! `P/say`: what a speaking or buzzing device should say now.
//!
//! Input: alarms that became unacknowledged, the present, and whether an alarm still is so. Output:
//! one sentence at a time, the most urgent first, then the oldest; never two within [`PAUSE`],
//! except that a more urgent one does not wait behind the pause of a less urgent one. What has
//! returned or was acknowledged while it waited is not said. The sentence itself is the engine's.

use crate::engine::alarm::kinds::Priority;
use crate::engine::time::{Instant, Span};

/// The time that one sentence takes to be spoken and understood. Common practice, no source.
const PAUSE: Span = Span::from_secs(3);
/// More alarms than this at once are a flood: the least urgent are not spoken; the page has them.
const WAITING_MAX: usize = 16;

/// The sentences that wait to be spoken.
#[derive(Debug, Default)]
pub struct Say {
    waiting: Vec<Sentence>,
    last: Option<(Instant, Priority)>,
}

#[derive(Debug)]
struct Sentence {
    alarm: String,
    priority: Priority,
    text: String,
}

impl Say {
    /// An alarm became unacknowledged.
    pub fn raised(&mut self, alarm: &str, priority: Priority, text: &str) {
        self.waiting.retain(|sentence| sentence.alarm != alarm);
        // Behind all that are as urgent: the older one is said first.
        let place = self
            .waiting
            .partition_point(|sentence| sentence.priority >= priority);
        let sentence = Sentence {
            alarm: alarm.into(),
            priority,
            text: text.into(),
        };
        self.waiting.insert(place, sentence);
        self.waiting.truncate(WAITING_MAX);
    }

    /// The sentence to say now, if any. `still` tells whether an alarm is still unacknowledged.
    pub fn next(&mut self, now: Instant, still: impl Fn(&str) -> bool) -> Option<String> {
        self.waiting.retain(|sentence| still(&sentence.alarm));
        if self.due()? > now {
            return None;
        }
        let sentence = self.waiting.remove(0);
        self.last = Some((now, sentence.priority));
        Some(sentence.text)
    }

    /// When the next sentence may be said; `None` when none waits.
    #[must_use]
    pub fn due(&self) -> Option<Instant> {
        let first = self.waiting.first()?;
        Some(match self.last {
            Some((at, priority)) if priority >= first.priority => at.plus(PAUSE),
            _ => Instant::default(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: f64) -> Instant {
        Instant::from_secs_f64(seconds)
    }

    #[test]
    fn the_most_urgent_is_said_first_and_then_the_oldest() {
        let mut say = Say::default();
        say.raised("a", Priority::Low, "A");
        say.raised("b", Priority::Medium, "B");
        say.raised("c", Priority::Medium, "C");
        assert_eq!(say.next(at(0.0), |_| true).as_deref(), Some("B"));
        assert_eq!(say.next(at(2.9), |_| true), None, "never two at once");
        assert_eq!(say.due(), Some(at(3.0)));
        assert_eq!(say.next(at(3.0), |_| true).as_deref(), Some("C"));
        assert_eq!(say.next(at(6.0), |_| true).as_deref(), Some("A"));
        assert_eq!(say.due(), None);
    }

    #[test]
    fn a_more_urgent_one_does_not_wait() {
        let mut say = Say::default();
        say.raised("a", Priority::Medium, "A");
        assert_eq!(say.next(at(0.0), |_| true).as_deref(), Some("A"));
        say.raised("b", Priority::High, "B");
        assert_eq!(say.next(at(0.1), |_| true).as_deref(), Some("B"));
    }

    #[test]
    fn what_has_returned_is_not_said() {
        let mut say = Say::default();
        say.raised("a", Priority::High, "A");
        assert_eq!(say.next(at(0.0), |_| false), None);
        assert_eq!(say.due(), None);
    }

    #[test]
    fn a_flood_keeps_the_most_urgent() {
        let mut say = Say::default();
        for n in 0..100 {
            say.raised(&format!("low:{n}"), Priority::Low, "low");
        }
        say.raised("high", Priority::High, "high");
        assert_eq!(say.waiting.len(), WAITING_MAX);
        assert_eq!(say.next(at(0.0), |_| true).as_deref(), Some("high"));
    }
}
